package mail

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
	"ebbwatch/alarms/escalation"
	"ebbwatch/alarms/notify/drain"
)

const (
	to     = "on-call-1@plant.example"
	secret = "correct horse battery staple"
)

var (
	made  = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
	login = peertest.Login{User: "ebbwatch", Password: secret}
)

func notice() *escalation.Notice {
	return &escalation.Notice{
		ID: "0123456789abcdef", Kind: escalation.Raised, Time: made, Person: "on-call-1",
		Subject: "CRITICAL at Kestrel Ridge: Chlorine gas", Body: "Chlorine gas is there.\n\n.\nA line of its own, with 100 % of = and é.\n",
		Condition: alarms.Condition{Alarm: "gas-1-level-2", State: alarms.Unacknowledged, Priority: alarms.Critical},
	}
}

func sender(t testing.TB, addr string, roots *x509.CertPool, edit func(*Options)) *Sender {
	t.Helper()
	o := Options{
		Server: addr, Security: StartTLS, From: "ebbwatch@plant.example", Name: "Kestrel Ridge",
		TLS: &tls.Config{RootCAs: roots}, Now: func() time.Time { return made.Add(time.Second) },
	}
	if edit != nil {
		edit(&o)
	}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestAiosmtpd hands notices to a mail server that nobody here wrote, over every
// kind of connection.
func TestAiosmtpd(t *testing.T) {
	for _, tt := range []struct {
		security Security
		login    peertest.Login
	}{{StartTLS, login}, {Implicit, login}, {StartTLS, peertest.Login{}}, {Plain, peertest.Login{}}} {
		t.Run(string(tt.security)+" "+tt.login.User, func(t *testing.T) {
			m, roots := peertest.Aiosmtpd(t, string(tt.security), tt.login)
			s := sender(t, m.Addr(), roots, func(o *Options) {
				o.Security, o.User, o.Password = tt.security, tt.login.User, tt.login.Password
			})
			n := notice()
			if err := s.Send(t.Context(), to, n); err != nil {
				t.Fatal(err)
			}
			n.ID, n.First = "next", n.ID
			if err := s.Send(t.Context(), to, n); err != nil {
				t.Fatal(err)
			}
			got := m.Messages()
			if len(got) != 2 || got[0].From != "ebbwatch@plant.example" || len(got[0].To) != 1 || got[0].To[0] != to || got[0].TLS != (tt.security != Plain) {
				t.Fatalf("the server took %+v", got)
			}
			first, second := parse(t, got[0].Text), parse(t, got[1].Text)
			for _, h := range []struct{ name, first, second string }{
				{"From", `"Kestrel Ridge" <ebbwatch@plant.example>`, `"Kestrel Ridge" <ebbwatch@plant.example>`},
				{"To", "<" + to + ">", "<" + to + ">"},
				{"Subject", n.Subject, n.Subject},
				{"Date", "Mon, 02 Mar 2026 18:00:01 +0000", "Mon, 02 Mar 2026 18:00:01 +0000"},
				{"Message-Id", "<0123456789abcdef@plant.example>", "<next@plant.example>"},
				{"In-Reply-To", "", "<0123456789abcdef@plant.example>"},
				{"References", "", "<0123456789abcdef@plant.example>"},
				{"Auto-Submitted", "auto-generated", "auto-generated"},
				{"Importance", "high", "high"},
			} {
				if a, b := first.Header.Get(h.name), second.Header.Get(h.name); a != h.first || b != h.second {
					t.Errorf("%s: %q and %q, expected %q and %q", h.name, a, b, h.first, h.second)
				}
			}
			if g := got[0]; g.Subject != n.Subject || g.Sender != "Kestrel Ridge" || strings.ReplaceAll(g.Body, "\r\n", "\n") != n.Body {
				t.Errorf("Python reads the subject %q by %q and the text %q, expected %q", g.Subject, g.Sender, g.Body, n.Body)
			}
		})
	}
}

func parse(t *testing.T, text string) *mail.Message {
	t.Helper()
	m, err := mail.ReadMessage(strings.NewReader(text))
	if err != nil {
		t.Fatalf("%v in:\n%s", err, text)
	}
	return m
}

func body(t *testing.T, m *mail.Message) string {
	t.Helper()
	b, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(string(b), "\r\n", "\n")
}

// TestBeyondASCII: Python reads what is not ASCII as it was meant.
func TestBeyondASCII(t *testing.T) {
	m, _ := peertest.Aiosmtpd(t, "none", peertest.Login{})
	s := sender(t, m.Addr(), nil, func(o *Options) { o.Security, o.Name = Plain, "Réservoir du Nord" })
	n := notice()
	n.Subject = strings.TrimSpace(strings.Repeat("Clé à 3 m³/d \U0001F6B0", 5))
	n.Body = strings.Repeat("Der Zähler misst 3 m³/d, größer als 2. ", 20) + "\n"
	if err := s.Send(t.Context(), to, n); err != nil {
		t.Fatal(err)
	}
	got := m.Messages()[0]
	if got.Subject != n.Subject || got.Sender != "Réservoir du Nord" || strings.ReplaceAll(got.Body, "\r\n", "\n") != n.Body {
		t.Errorf("Python reads the subject %q by %q and the text %q", got.Subject, got.Sender, got.Body)
	}
}

// TestRefusals: what the server says decides whether a message is tried for ever.
func TestRefusals(t *testing.T) {
	m, roots := peertest.Aiosmtpd(t, "starttls", login)
	for _, tt := range []struct {
		name    string
		verb    string
		code    int
		edit    func(*Options)
		refusal bool
		want    string
	}{
		{"no such mailbox", "RCPT", 550, nil, true, "did not take the recipient " + to},
		{"come back later", "RCPT", 451, nil, false, "did not take the recipient " + to},
		{"not this message", "DATA", 554, nil, true, "did not take the message"},
		{"no room at present", "DATA", 452, nil, false, "did not take the message"},
		{"wrong password", "", 0, func(o *Options) { o.Password = "wrong" }, false, "refused the user name or password"},
		{"unknown issuer", "", 0, func(o *Options) { o.TLS = nil }, false, "is not trusted"},
		{"TLS from the start where there is none", "", 0, func(o *Options) { o.Security = Implicit }, false, "does not greet as a mail server"},
		{"nobody there", "", 0, func(o *Options) { o.Server = "127.0.0.1:1" }, false, "cannot reach the mail server"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := sender(t, m.Addr(), roots, func(o *Options) {
				o.User, o.Password = login.User, login.Password
				if tt.edit != nil {
					tt.edit(o)
				}
			})
			if tt.verb != "" {
				m.Answer(tt.verb, tt.code)
				defer m.Answer(tt.verb, 250)
			}
			err := s.Send(t.Context(), to, notice())
			_, refusal := errors.AsType[*drain.Refusal](err)
			if err == nil || !strings.Contains(err.Error(), tt.want) || refusal != tt.refusal {
				t.Errorf("error %v, a refusal: %t; expected one with %q, a refusal: %t", err, refusal, tt.want, tt.refusal)
			}
			if strings.Contains(err.Error(), secret) {
				t.Errorf("the error shows the password: %v", err)
			}
		})
	}
	if got := m.Messages(); len(got) != 0 {
		t.Errorf("the server took %d messages", len(got))
	}
}

// TestNoFallback: a server that does not offer TLS gets neither password nor
// message, whoever it is.
func TestNoFallback(t *testing.T) {
	m, roots := peertest.Aiosmtpd(t, "none", peertest.Login{})
	s := sender(t, m.Addr(), roots, nil)
	if err := s.Send(t.Context(), to, notice()); err == nil || !strings.Contains(err.Error(), "STARTTLS") {
		t.Errorf("error %v, expected one that names STARTTLS", err)
	}
	if got := m.Messages(); len(got) != 0 {
		t.Errorf("a server without TLS got %d messages", len(got))
	}
}

// TestSilentServer: one that takes the connection and says nothing holds nobody
// for longer than the caller allows.
func TestSilentServer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, security := range []Security{StartTLS, Implicit, Plain} {
		s := sender(t, l.Addr().String(), nil, func(o *Options) { o.Security = security })
		ctx, cancel := context.WithCancel(t.Context())
		go func() {
			c, err := l.Accept()
			if err == nil {
				cancel()
				defer c.Close()
				io.Copy(io.Discard, c)
			}
		}()
		if err := s.Send(ctx, to, notice()); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: error %v, expected that the caller gave up", security, err)
		}
	}
}

func TestMessage(t *testing.T) {
	s := sender(t, "127.0.0.1:25", nil, func(o *Options) {
		o.Security, o.Name = Plain, "Réservoir du Nord"
		o.Now = func() time.Time { return made.Add(42 * time.Minute) }
	})
	n := notice()
	n.Subject = strings.Repeat("Clé à 3 m³/d ", 5)
	n.Condition.Priority = alarms.Low
	raw := string(s.message(to, n))
	for line := range strings.SplitSeq(raw, "\r\n") {
		if len(line) > 78 || strings.Contains(line, "\n") {
			t.Errorf("the line %q breaks RFC 5322, 2.1.1", line)
		}
	}
	m := parse(t, raw)
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil || subject != n.Subject {
		t.Errorf("the subject reads %q, %v", subject, err)
	}
	if got := body(t, m); !strings.HasPrefix(got, "THIS NOTICE IS LATE. It was made 42m0s ago") {
		t.Errorf("a late notice begins with %.60q", got)
	}
	if m.Header.Get("Importance") != "" {
		t.Error("a low alarm is marked as important")
	}
	n.Subject = "a\r\nBcc: everyone@plant.example"
	if m := parse(t, string(s.message(to, n))); m.Header.Get("Bcc") != "" {
		t.Error("a subject made a header line of its own")
	}
}

func TestOptions(t *testing.T) {
	good := Options{Server: "mail.plant.example:587", Security: StartTLS, From: "ebbwatch@plant.example", User: "u", Password: secret}
	if _, err := New(good); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		edit func(*Options)
		want string
	}{
		{func(o *Options) { o.Server = "mail.plant.example" }, "expected host:port"},
		{func(o *Options) { o.From = "ebbwatch" }, "expected an address"},
		{func(o *Options) { o.From = "Kestrel Ridge <ebbwatch@plant.example>" }, "expected an address"},
		{func(o *Options) { o.Security = "ssl" }, "expected starttls, tls or none"},
		{func(o *Options) { o.Security = Plain }, "without TLS"},
		{func(o *Options) { o.Server, o.Security = "203.0.113.5:25", Plain }, "without TLS"},
		{func(o *Options) { o.User = "" }, "both user and password"},
	} {
		o := good
		tt.edit(&o)
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), tt.want) || strings.Contains(err.Error(), secret) {
			t.Errorf("error %v, expected one with %q and without the password", err, tt.want)
		}
	}
}

// BenchmarkSend is a notice handed to aiosmtpd: connection, STARTTLS, login and
// message.
func BenchmarkSend(b *testing.B) {
	m, roots := peertest.Aiosmtpd(b, "starttls", login)
	s := sender(b, m.Addr(), roots, func(o *Options) { o.User, o.Password = login.User, login.Password })
	n := notice()
	for b.Loop() {
		if err := s.Send(b.Context(), to, n); err != nil {
			b.Fatal(err)
		}
	}
}
