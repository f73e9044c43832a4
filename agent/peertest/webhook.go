package peertest

import (
	"crypto/x509"
	"encoding/json"
	"net"
	"strings"
	"testing"
)

// WebServer is a server of Python's own library on loopback, which takes signed
// webhooks.
type WebServer struct {
	*process
	addr string
}

// Event is one that a WebServer took.
type Event struct {
	ID, Path, Type, Body string
}

// Webhooks starts a web server that knows a secret. Roots trust its certificate
// when it has one.
func Webhooks(t testing.TB, secret string, withTLS bool) (w *WebServer, roots *x509.CertPool) {
	t.Helper()
	Require(t, python)
	script, err := source("webhook_peer.py")
	if err != nil {
		t.Fatal(err)
	}
	args := []string{script, secret}
	if withTLS {
		cert, key, pool := Certificate(t)
		args, roots = append(args, cert, key), pool
	}
	w = &WebServer{process: start(t, python, args...)}
	w.addr = net.JoinHostPort("127.0.0.1", w.command("serve"))
	return w, roots
}

// Addr is where it listens, host:port.
func (w *WebServer) Addr() string { return w.addr }

// Answer makes the server answer with a code and perhaps a header; 200 takes
// events.
func (w *WebServer) Answer(code string, header ...string) {
	w.t.Helper()
	w.command("answer " + code + " " + strings.Join(header, " "))
}

// Events are those that were taken so far.
func (w *WebServer) Events() []Event {
	w.t.Helper()
	var all []Event
	if err := json.Unmarshal([]byte(w.command("events")), &all); err != nil {
		w.t.Fatal(err)
	}
	return all
}
