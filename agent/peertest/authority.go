package peertest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Authority issues certificates for a test.
type Authority struct {
	t    testing.TB
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	// PEM is its own certificate.
	PEM []byte
}

// NewAuthority makes one that nobody trusts yet.
func NewAuthority(t testing.TB) *Authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	a := &Authority{t: t, key: key, cert: &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: "authority of a test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}}
	der := a.sign(a.cert, &key.PublicKey)
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	a.PEM = pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	return a
}

func (a *Authority) sign(c *x509.Certificate, key *ecdsa.PublicKey) []byte {
	a.t.Helper()
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, key, a.key)
	if err != nil {
		a.t.Fatal(err)
	}
	return der
}

// Issue makes a certificate with its key, in PEM, for a name or for 127.0.0.1,
// valid until a time.
func (a *Authority) Issue(name string, until time.Time) (cert, key []byte) {
	a.t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		a.t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: until, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der := a.sign(c, &private.PublicKey)
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		a.t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
}

// Secure adds a second way in, over TLS, for those who show a certificate of an
// authority, and returns its URL. The broker is started again.
func (b *Broker) Secure(a *Authority) string {
	b.t.Helper()
	b.Stop()
	cert, key := a.Issue("broker", time.Now().Add(time.Hour))
	dir := filepath.Dir(b.conf)
	for name, data := range map[string][]byte{"ca.pem": a.PEM, "broker.pem": cert, "broker-key.pem": key} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			b.t.Fatal(err)
		}
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.t.Fatal(err)
	}
	address := l.Addr().String()
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	b.configure(fmt.Sprintf("listener %d 127.0.0.1\ncafile %[2]s/ca.pem\ncertfile %[2]s/broker.pem\nkeyfile %[2]s/broker-key.pem\nrequire_certificate true\n", port, dir))
	b.Start()
	return "ssl://" + address
}
