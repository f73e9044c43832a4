package peertest

import (
	"io"
	"net"
	"sync"
	"testing"
)

// Gate is a way to a TCP server that a test can shut, so that one peer comes
// back before another.
type Gate struct {
	listener net.Listener
	target   string
	done     sync.WaitGroup

	mu    sync.Mutex
	open  bool
	conns map[net.Conn]bool
}

// NewGate opens a gate that leads to a server, until the test ends. Its near side
// is l, or where that is nil a free port on loopback.
func NewGate(t testing.TB, target string, l net.Listener) *Gate {
	t.Helper()
	if l == nil {
		var err error
		if l, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
			t.Fatal(err)
		}
	}
	g := &Gate{listener: l, target: target, open: true, conns: map[net.Conn]bool{}}
	g.done.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			g.done.Go(func() { g.carry(c) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		g.Set(false)
		g.done.Wait()
	})
	return g
}

// Address is host:port of the near side.
func (g *Gate) Address() string { return g.listener.Addr().String() }

// Set opens or shuts the gate. Shutting it cuts all that go through.
func (g *Gate) Set(open bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.open = open
	if !open {
		for c := range g.conns {
			c.Close()
		}
		clear(g.conns)
	}
}

// carry copies both ways until one side ends.
func (g *Gate) carry(c net.Conn) {
	defer c.Close()
	g.mu.Lock()
	open := g.open
	g.conns[c] = true
	g.mu.Unlock()
	if !open {
		return
	}
	d, err := net.Dial("tcp", g.target)
	if err != nil {
		return
	}
	defer d.Close()
	g.done.Go(func() {
		io.Copy(d, c)
		d.Close()
	})
	io.Copy(c, d)
}
