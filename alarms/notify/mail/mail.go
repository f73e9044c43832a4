// Package mail tells people by mail: one message for one notice, handed to the
// plant's mail server by SMTP with TLS. Clauses of RFCs are cited from memory.
package mail

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/mail"
	"os"
	"strings"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"

	"ebbwatch/alarms/escalation"
	"ebbwatch/alarms/notify/drain"
)

// Security is how a connection to the mail server is protected.
type Security string

// The securities. Plain is for a mail server on this very machine alone.
const (
	StartTLS Security = "starttls" // RFC 3207; usual on port 587
	Implicit Security = "tls"      // RFC 8314, 3.3; usual on port 465
	Plain    Security = "none"
)

// Options are the parts of a Sender. Server, Security and From are required.
type Options struct {
	// Server is host:port.
	Server   string
	Security Security
	// User and Password are empty when the server asks for none.
	User, Password string
	// From is the sender's address; Name stands beside it.
	From, Name string
	// TLS is nil to trust the system's certificates.
	TLS *tls.Config
	// Now dates messages; nil takes time.Now.
	Now func() time.Time
}

// Sender hands messages to one mail server. It is safe for concurrent use.
type Sender struct {
	o      Options
	host   string
	domain string // of message ids
	own    string // this machine's name
}

// command bounds the wait for one answer of the server. RFC 5321, 4.5.3.2, grants
// minutes; a notice has not got them, and the next try comes soon.
const command = 20 * time.Second

// New makes a sender. It does not connect yet.
func New(o Options) (*Sender, error) {
	host, _, err := net.SplitHostPort(o.Server)
	if err != nil || host == "" {
		return nil, fmt.Errorf("mail server %q: expected host:port such as mail.plant.example:587", o.Server)
	}
	from, err := mail.ParseAddress(o.From)
	if err != nil || from.Name != "" {
		return nil, fmt.Errorf("mail comes from %q: expected an address such as ebbwatch@plant.example", o.From)
	}
	switch {
	case o.Security != StartTLS && o.Security != Implicit && o.Security != Plain:
		return nil, fmt.Errorf("mail security %q: expected %s, %s or %s", o.Security, StartTLS, Implicit, Plain)
	case o.Security == Plain && !loopback(host):
		return nil, fmt.Errorf("mail server %s without TLS: expected %s or %s, unless the server is on this machine", o.Server, StartTLS, Implicit)
	case (o.User == "") != (o.Password == ""):
		return nil, errors.New("mail needs both user and password, or neither")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	s := &Sender{o: o, host: host, own: "localhost"}
	s.domain = from.Address[strings.LastIndexByte(from.Address, '@')+1:]
	if name, err := os.Hostname(); err == nil && strings.Trim(name, "-.") == name && !strings.ContainsFunc(name, notInHost) {
		s.own = name
	}
	return s, nil
}

func notInHost(r rune) bool {
	return r != '-' && r != '.' && (r < '0' || r > '9') && (r < 'a' || r > 'z') && (r < 'A' || r > 'Z')
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Send hands over one notice, and returns nil once the server has answered the
// whole message with 250: it is then the server's to deliver. The error is a
// sentence, and a drain.Refusal when the server will not have this message.
func (s *Sender) Send(ctx context.Context, to string, n *escalation.Notice) error {
	raw, err := s.dial(ctx)
	if err != nil {
		return err
	}
	defer raw.Close()
	defer context.AfterFunc(ctx, func() { raw.Close() })()
	c, err := s.greet(ctx, raw)
	if err != nil {
		return s.explain(ctx, "does not greet as a mail server", err)
	}
	if s.o.User != "" {
		if err := s.login(c); err != nil {
			return s.explain(ctx, "refused the user name or password: check user and the password file", err)
		}
	}
	if err := c.Mail(s.o.From, nil); err != nil {
		return s.refused(ctx, "the sender "+s.o.From, err)
	}
	if err := c.Rcpt(to, nil); err != nil {
		return s.refused(ctx, "the recipient "+to, err)
	}
	w, err := c.Data()
	if err != nil {
		return s.refused(ctx, "the message", err)
	}
	if _, err = w.Write(s.message(to, n)); err == nil {
		err = w.Close()
	}
	if err != nil {
		return s.refused(ctx, "the message", err)
	}
	_ = c.Quit() // the message is handed over, however the connection ends
	return nil
}

func (s *Sender) dial(ctx context.Context) (net.Conn, error) {
	d := net.Dialer{Timeout: command}
	raw, err := d.DialContext(ctx, "tcp", s.o.Server)
	if err != nil {
		return nil, fmt.Errorf("cannot reach the mail server %s: %w: is it running, is the address right?", s.o.Server, err)
	}
	return raw, nil
}

// greet brings the connection to where commands can be given, behind TLS.
func (s *Sender) greet(ctx context.Context, raw net.Conn) (*smtp.Client, error) {
	config := s.o.TLS.Clone()
	if config == nil {
		config = &tls.Config{}
	}
	if config.ServerName == "" {
		config.ServerName = s.host
	}
	// The client knows no bound of its own for a greeting under TLS.
	if err := raw.SetDeadline(time.Now().Add(command)); err != nil {
		return nil, err
	}
	var c *smtp.Client
	switch s.o.Security {
	case Implicit:
		conn := tls.Client(raw, config)
		if err := conn.HandshakeContext(ctx); err != nil {
			return nil, err
		}
		c = smtp.NewClient(conn)
	case StartTLS:
		var err error
		if c, err = smtp.NewClientStartTLS(raw, config); err != nil {
			return nil, err
		}
	default:
		c = smtp.NewClient(raw)
	}
	c.CommandTimeout, c.SubmissionTimeout = command, command
	return c, c.Hello(s.own)
}

func (s *Sender) login(c *smtp.Client) error {
	if !c.SupportsAuth(sasl.Plain) && c.SupportsAuth(sasl.Login) {
		return c.Auth(sasl.NewLoginClient(s.o.User, s.o.Password))
	}
	return c.Auth(sasl.NewPlainClient("", s.o.User, s.o.Password))
}

// refused explains an error after the login. A code of 5xx is a refusal of this
// message (RFC 5321, 4.2.1); all else may pass.
func (s *Sender) refused(ctx context.Context, what string, err error) error {
	answer, ok := errors.AsType[*smtp.SMTPError](err)
	explained := s.explain(ctx, "did not take "+what, err)
	if ok && answer.Code >= 500 {
		return &drain.Refusal{Err: explained}
	}
	return explained
}

func (s *Sender) explain(ctx context.Context, what string, err error) error {
	if ctx.Err() != nil {
		err = ctx.Err()
	}
	if _, ok := errors.AsType[*tls.CertificateVerificationError](err); ok {
		return fmt.Errorf("the certificate of the mail server %s is not trusted: %w: is the address right, does this machine know the issuer?", s.o.Server, err)
	}
	return fmt.Errorf("the mail server %s %s: %w", s.o.Server, what, err)
}
