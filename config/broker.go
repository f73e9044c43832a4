package config

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strings"
)

// MQTT is where the alarms go.
type MQTT struct {
	// Brokers are URLs, tcp://host:port or ssl://host:port, in the order in which
	// they are tried.
	Brokers  []string
	User     string
	Password Secret
	// CA are the certificates, in PEM, of those whom the broker's certificate is
	// trusted by; empty for those that the system trusts.
	CA []byte
	// Certificate, in PEM, is shown to the broker, and Key proves it; empty when
	// none is shown.
	Certificate []byte
	Key         Secret
	// PerDay bounds the bytes of a quiet day; zero does not.
	PerDay int64
	// At is the line of the site file that names the brokers, for messages.
	At int
}

// Format prints the settings. Without it a verb that does not fit would make
// package fmt print the password field past the methods of its type.
func (m MQTT) Format(f fmt.State, _ rune) {
	fmt.Fprintf(f, "{%s user %q password %v}", strings.Join(m.Brokers, ", "), m.User, m.Password)
}

// TLS is what the brokers with ssl are talked to with, nil for the system's ways.
func (m MQTT) TLS() *tls.Config {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if len(m.CA) > 0 {
		c.RootCAs = x509.NewCertPool()
		c.RootCAs.AppendCertsFromPEM(m.CA) // the reader found one in it
	}
	if pair, err := tls.X509KeyPair(m.Certificate, []byte(m.Key.Reveal())); err == nil {
		c.Certificates = []tls.Certificate{pair}
	}
	return c
}

// leastPerDay is the least bound of a quiet day, in bytes: twice what heartbeats
// need.
const leastPerDay = 6e6

const maxBrokers = 8

// brokerKeys lists the keys about the broker.
func brokerKeys() []Key {
	return []Key{
		{"mqtt", false, "", "a block with broker, user and password_file"},
		{"mqtt.broker", must, "", fmt.Sprintf("tcp://host:port or ssl://host:port such as tcp://127.0.0.1:1883, without user or password; up to %d with commas between, the next for when one fails", maxBrokers)},
		{"mqtt.user", false, "", "the broker's user name, on one line"},
		{"mqtt.password_file", false, "", aSecretFile + "the password"},
		{"mqtt.ca_file", false, "", "a file, its path relative to the site file, with the certificates in PEM that a broker's certificate must come from, for ssl:// only; absent, those that the system trusts"},
		{"mqtt.certificate_file", false, "", "a file, its path relative to the site file, with the certificate in PEM that is shown to the broker, together with key_file and for ssl:// only"},
		{"mqtt.key_file", false, "", "a file, its path relative to the site file, with the certificate's key in PEM and without a passphrase, together with certificate_file"},
		{"mqtt.per_day", false, "", "the most that a quiet day may send and receive, from 6 MB to 1000000 MB, such as 20 MB; absent, figures go every 5 s, whatever that comes to"},
	}
}

func (r *siteReader) mqtt(v value) *MQTT {
	b, ok := v.block()
	if !ok {
		return nil
	}
	broker, file := b.get("broker"), b.get("password_file")
	m := &MQTT{At: broker.line}
	if s, ok := broker.scalar(); ok {
		for one := range strings.SplitSeq(s, ",") {
			m.Brokers = append(m.Brokers, broker.broker(strings.TrimSpace(one)))
		}
		if n := len(m.Brokers); n > maxBrokers {
			broker.bad(fmt.Sprintf("%d brokers", n))
		}
	}
	b.get("user").text(&m.User)
	if b.has("password_file") && !b.has("user") {
		// MQTT 3.1.1, MQTT-3.1.2-22 (from memory): no password without a user name.
		file.fault(file.line, "password_file without user in mqtt", "both or neither")
	}
	if s, ok := file.scalar(); ok {
		m.Password = r.password(file, s)
	}
	r.certificates(b, m)
	b.get("per_day").megabytes(&m.PerDay, leastPerDay, 1e12)
	return m
}

// broker checks the address of a broker. It is not repeated, since people put
// passwords into it.
func (v value) broker(s string) string {
	u, err := url.Parse(s)
	if err != nil || u.Scheme != "tcp" && u.Scheme != "ssl" || u.Scheme+"://"+u.Host != s || strings.Contains(s, "@") {
		v.bad("an address of another form")
	} else if host, port, ok := splitHostPort(u.Host); !ok || host == "" || port == 0 {
		v.bad("an address without a host or a port")
	}
	return s
}

// certificates reads what both sides prove themselves with.
func (r *siteReader) certificates(b block, m *MQTT) {
	ca, certificate := b.get("ca_file"), b.get("certificate_file")
	secure := slices.ContainsFunc(m.Brokers, func(s string) bool { return strings.HasPrefix(s, "ssl:") })
	for _, v := range []value{ca, certificate} {
		if v.node != nil && !secure {
			v.bad("a file beside brokers without TLS")
			return
		}
	}
	m.CA, _ = r.pem(ca)
	if len(m.CA) > 0 && !x509.NewCertPool().AppendCertsFromPEM(m.CA) {
		ca.bad("a file without a certificate in PEM")
	}
	m.Certificate, m.Key = r.pair(b)
}

// pair reads a certificate and its key, which belong together.
func (r *siteReader) pair(b block) (certificate []byte, key Secret) {
	public, private := b.get("certificate_file"), b.get("key_file")
	if b.has("certificate_file") != b.has("key_file") {
		b.fault(b.line, "certificate_file without key_file, or the other way round, in "+b.path, "both or neither")
		return nil, ""
	}
	certificate, ok := r.pem(public)
	secret, proved := r.pem(private)
	if !ok || !proved {
		return certificate, Secret(secret)
	}
	switch _, err := tls.X509KeyPair(certificate, secret); {
	case err == nil:
	case !x509.NewCertPool().AppendCertsFromPEM(certificate):
		public.bad("a file without a certificate in PEM")
	case !bytes.Contains(secret, []byte("PRIVATE KEY-----")):
		private.bad("a file without a key in PEM")
	case bytes.Contains(secret, []byte("ENCRYPTED")):
		private.bad("a key with a passphrase")
	default: // the error may say more than it should
		private.bad("a key that does not belong to the certificate, or is damaged,")
	}
	return certificate, Secret(secret)
}

// pem reads a file that a value names. No message repeats the path, as with
// password.
func (r *siteReader) pem(v value) ([]byte, bool) {
	path, ok := v.scalar()
	if !ok || r.readFile == nil {
		return nil, false
	}
	data, err := r.readFile(r.beside(path))
	if err != nil {
		v.bad(reason(err))
		return nil, false
	}
	return data, true
}

// megabytes reads a number of bytes such as 20 MB, of a million each.
func (v value) megabytes(dst *int64, least, most float64) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	number, mega := strings.CutSuffix(s, "MB")
	f, ok := parseNumber(strings.TrimSpace(number))
	if f *= 1e6; !ok || !mega || f < least || f > most {
		v.bad(show(s))
		return
	}
	*dst = int64(math.Round(f))
}

// password reads the first line of a file of secrets. No message repeats the
// path, since it may be the password itself in the wrong place.
func (r *siteReader) password(v value, path string) Secret {
	if r.readFile == nil {
		return ""
	}
	data, err := r.readFile(r.beside(path))
	if err != nil {
		v.bad(reason(err))
		return ""
	}
	line, _, _ := bytes.Cut(data, []byte("\n"))
	line = bytes.TrimSuffix(line, []byte("\r"))
	switch {
	case len(line) == 0:
		v.bad("a file with an empty first line")
	case len(line) > math.MaxUint16: // MQTT 3.1.1, 1.5.3 and 3.1.3.5: two bytes of length (from memory)
		v.bad("a first line of over 65535 bytes")
	default:
		return Secret(line)
	}
	return ""
}
