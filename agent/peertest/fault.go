package peertest

import (
	"fmt"
	"net"
	"strconv"
	"strings"
	"testing"
)

// FaultProxy is a way to a Modbus server that spoils some of the replies.
type FaultProxy struct {
	*process
	at string
}

// NewFaultProxyTCP starts a proxy to the server at an address.
func NewFaultProxyTCP(t testing.TB, server string) *FaultProxy {
	t.Helper()
	host, port, err := net.SplitHostPort(server)
	if err != nil {
		t.Fatal(err)
	}
	p := faultProxy(t, "tcp", host, port)
	p.at = "127.0.0.1:" + p.at
	return p
}

// NewFaultProxySerial starts a proxy to the server behind a device, which speaks
// rtu or ascii. It is a device itself, or a serial server for rtu-over-tcp or
// ascii-over-tcp.
func NewFaultProxySerial(t testing.TB, way, device string) *FaultProxy {
	t.Helper()
	p := faultProxy(t, way, device)
	if strings.HasSuffix(way, "-over-tcp") {
		p.at = "127.0.0.1:" + p.at
	}
	return p
}

func faultProxy(t testing.TB, args ...string) *FaultProxy {
	t.Helper()
	Require(t, python)
	script, err := source("fault_proxy.py")
	if err != nil {
		t.Fatal(err)
	}
	p := start(t, python, append([]string{script}, args...)...)
	return &FaultProxy{p, p.command("serve")}
}

// At is where a client finds the proxy: host:port, or the path of a device.
func (f *FaultProxy) At() string { return f.at }

// Mix lets a share of the requests meet one of the faults, each as often as the
// others in random order. They are words of fault_proxy.py, such as "drop", or
// "delay:20-90" for a time drawn from so many milliseconds.
func (f *FaultProxy) Mix(share float64, faults ...string) {
	f.t.Helper()
	f.command(fmt.Sprintf("mix %g %s", share, strings.Join(faults, " ")))
}

// Count returns how often each fault was met.
func (f *FaultProxy) Count() map[string]int {
	f.t.Helper()
	met := map[string]int{}
	for _, word := range strings.Fields(f.command("count")) {
		fault, number, _ := strings.Cut(word, "=")
		n, err := strconv.Atoi(number)
		if err != nil {
			f.t.Fatalf("peer %s counts %q", f.name, word)
		}
		met[fault] = n
	}
	return met
}
