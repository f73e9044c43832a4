package peertest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// MailServer is an aiosmtpd on loopback that keeps what it takes.
type MailServer struct {
	*process
	addr string
}

// Mail is a message that a MailServer took.
type Mail struct {
	From string
	To   []string
	Text string // as it came, header and body
	// Subject, Sender's name and Body are as Python reads them.
	Subject, Sender, Body string
	TLS                   bool
}

// Aiosmtpd starts a mail server whose security is starttls, tls or none. With a
// login nobody else may send. Roots trust its certificate, which is for
// 127.0.0.1.
func Aiosmtpd(t testing.TB, security string, login Login) (m *MailServer, roots *x509.CertPool) {
	t.Helper()
	Require(t, python)
	if exec.Command(python, "-c", "import aiosmtpd").Run() != nil {
		lacking(t, "python3-aiosmtpd")
	}
	script, err := source("smtp_peer.py")
	if err != nil {
		t.Fatal(err)
	}
	args := []string{script, security}
	if security != "none" || login.User != "" {
		cert, key, pool := Certificate(t)
		roots = pool
		args = append(args, cert, key)
	}
	if login.User != "" {
		args = append(args, login.User, login.Password)
	}
	m = &MailServer{process: start(t, python, args...)}
	m.addr = net.JoinHostPort("127.0.0.1", m.command("serve"))
	return m, roots
}

// Addr is where it listens, host:port.
func (m *MailServer) Addr() string { return m.addr }

// Answer makes the server answer RCPT or DATA with a code; 250 takes them.
func (m *MailServer) Answer(verb string, code int) {
	m.t.Helper()
	m.command("answer " + verb + " " + strconv.Itoa(code))
}

// Messages are those that were taken so far.
func (m *MailServer) Messages() []Mail {
	m.t.Helper()
	var all []Mail
	if err := json.Unmarshal([]byte(m.command("messages")), &all); err != nil {
		m.t.Fatal(err)
	}
	return all
}

// Certificate makes the files of a certificate for 127.0.0.1 and its key, valid
// for an hour, and a pool that trusts it.
func Certificate(t testing.TB) (cert, key string, roots *x509.CertPool) {
	t.Helper()
	fatal := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	secret, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	fatal(err)
	made := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "peer"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, made, made, secret.Public(), secret)
	fatal(err)
	keyDER, err := x509.MarshalPKCS8PrivateKey(secret)
	fatal(err)
	roots = x509.NewCertPool()
	roots.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	fatal(os.WriteFile(cert, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o600))
	fatal(os.WriteFile(key, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: keyDER}), 0o600))
	return cert, key, roots
}
