package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync"
)

func untrusted(err error) bool {
	_, ok := errors.AsType[*tls.CertificateVerificationError](err)
	return ok
}

// refusal is what the broker's TLS said when it ended the connection, nil when
// that is not why it ended. With TLS 1.3 a broker that does not like our
// certificate says so only after the handshake.
func refusal(err error) error {
	if e, ok := errors.AsType[*net.OpError](err); ok && e.Op == "remote error" {
		return e.Err
	}
	return nil
}

func (s *session) refusedTLS(err error) error {
	shown := "none"
	if c := s.p.o.TLS; c != nil && len(c.Certificates) > 0 {
		shown = "that of mqtt.certificate_file"
	}
	return fmt.Errorf("the broker %s refused the TLS connection: %w: does it ask for a certificate of ours (it was shown %s), does it know the issuer, is the certificate still valid, do both sides have TLS 1.2 or newer?", s.url, err, shown)
}

// wire remembers why reading failed, which the client does not always tell.
type wire struct {
	net.Conn
	mu  sync.Mutex
	err error
}

func (w *wire) Read(b []byte) (int, error) {
	n, err := w.Conn.Read(b)
	if err != nil {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.err = err
	}
	return n, err
}

func (w *wire) why() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.err
}

func (s *session) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, s.p.pace.connect)
	defer cancel()
	raw, err := s.p.o.Dial(ctx, "tcp", s.url.Host)
	if err != nil {
		return nil, err
	}
	s.conn = raw
	if s.url.Scheme == "tcp" {
		return raw, nil
	}
	config := s.p.o.TLS.Clone()
	if config == nil {
		config = &tls.Config{}
	}
	if config.ServerName == "" {
		config.ServerName = s.url.Hostname()
	}
	config.MinVersion = max(config.MinVersion, tls.VersionTLS12)
	conn := tls.Client(raw, config)
	if err := conn.HandshakeContext(ctx); err != nil {
		raw.Close()
		return nil, err
	}
	return conn, nil
}
