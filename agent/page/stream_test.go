package page

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// pipes is a listener whose connections are in memory, so that their deadlines
// follow the test's own clock.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error { close(p.closed); return nil }
func (*pipes) Addr() net.Addr { return &net.TCPAddr{} }

// dial opens a stream and leaves its bytes to the caller.
func (p *pipes) dial(t *testing.T) net.Conn {
	t.Helper()
	here, there := net.Pipe()
	p.conns <- there
	if _, err := fmt.Fprint(here, "GET /v1/stream HTTP/1.1\r\nHost: test\r\n\r\n"); err != nil {
		t.Fatal(err)
	}
	return here
}

// serving runs a page behind a server with the limits of the daemon's own.
func serving(t *testing.T, s *server, test func(*pipes)) {
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		p := &pipes{make(chan net.Conn), make(chan struct{})}
		srv := &http.Server{
			Handler: s.handler(), ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute,
			BaseContext: func(net.Listener) context.Context { return ctx },
		}
		ended := make(chan error)
		go func() { ended <- srv.Serve(p) }()
		test(p)
		stop()
		if err := srv.Close(); err != nil {
			t.Error(err)
		}
		<-ended
	})
}

// events reads the names of a stream's events and comments until it ends.
func events(c net.Conn) <-chan string {
	out := make(chan string, 1000)
	go func() {
		defer close(out)
		for s := bufio.NewScanner(c); s.Scan(); {
			if line := s.Text(); strings.HasPrefix(line, "event: ") || strings.HasPrefix(line, ":") {
				out <- line
			}
		}
	}()
	return out
}

// TestStreamOutlivesTheServersLimits: an hour passes, with changes and without.
func TestStreamOutlivesTheServersLimits(t *testing.T) {
	src := newSource(quiet())
	serving(t, newServer(Options{Snapshot: src.Load, Site: ridge()}), func(p *pipes) {
		c := p.dial(t)
		defer c.Close()
		got := events(c)
		if first := <-got; first != "event: snapshot" {
			t.Errorf("first came %q", first)
		}
		begin := time.Now()
		for time.Since(begin) < 30*time.Minute {
			if next := <-got; next != ": nothing new" {
				t.Fatalf("after %s of quiet came %q", time.Since(begin), next)
			}
		}
		if took := time.Since(begin); took > 30*time.Minute+silence {
			t.Errorf("silence lasted until %s", took)
		}
		for range 100 {
			src.Store(quiet())
			was := time.Now()
			if next := <-got; next != "event: change" || time.Since(was) > pace {
				t.Fatalf("a change came as %q after %s", next, time.Since(was))
			}
		}
	})
}

func TestStreamCutsOffWhoReadsNothing(t *testing.T) {
	src := newSource(quiet())
	s := newServer(Options{Snapshot: src.Load, Site: ridge()})
	serving(t, s, func(p *pipes) {
		c := p.dial(t)
		defer c.Close()
		synctest.Wait()
		if n := s.streams.Load(); n != 1 {
			t.Fatalf("%d streams", n)
		}
		time.Sleep(writeTimeout + time.Second) // in the test's own time
		synctest.Wait()
		if n := s.streams.Load(); n != 0 {
			t.Errorf("%d streams still wait for a client that reads nothing", n)
		}
	})
}

func TestStreamsAreBounded(t *testing.T) {
	src := newSource(quiet())
	s := newServer(Options{Snapshot: src.Load, Site: ridge()})
	serving(t, s, func(p *pipes) {
		var open []net.Conn
		for range maxStreams {
			c := p.dial(t)
			open = append(open, c)
			if first := <-events(c); first != "event: snapshot" {
				t.Fatalf("first came %q", first)
			}
		}
		c := p.dial(t)
		r, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(r.Body)
		if r.StatusCode != http.StatusServiceUnavailable || r.Header.Get("Retry-After") == "" || !strings.Contains(string(body), "streams are in use") {
			t.Errorf("one too many: %d %s", r.StatusCode, body)
		}
		c.Close()
		open[0].Close()
		synctest.Wait()
		time.Sleep(2 * time.Second) // in the test's own time
		c = p.dial(t)
		if first := <-events(c); first != "event: snapshot" {
			t.Errorf("after one has gone, %q", first)
		}
		for _, c := range append(open, c) {
			c.Close()
		}
	})
}

// TestStreamsEndWithTheServer, so that a daemon stops at once.
func TestStreamsEndWithTheServer(t *testing.T) {
	src := newSource(quiet())
	s := newServer(Options{Snapshot: src.Load, Site: ridge()})
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		p := &pipes{make(chan net.Conn), make(chan struct{})}
		srv := &http.Server{Handler: s.handler(), BaseContext: func(net.Listener) context.Context { return ctx }}
		go srv.Serve(p) //nolint:errcheck // it ends with Shutdown
		c := p.dial(t)
		defer c.Close()
		got := events(c)
		<-got
		begin := time.Now()
		stop()
		if err := srv.Shutdown(t.Context()); err != nil {
			t.Error(err)
		}
		if took := time.Since(begin); took > time.Second {
			t.Errorf("stopping took %s", took)
		}
	})
}
