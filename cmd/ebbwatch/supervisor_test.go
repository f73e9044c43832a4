package main

import (
	"bytes"
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// notifySocket is where a supervisor of services listens.
func notifySocket(t *testing.T) *net.UnixConn {
	t.Helper()
	dir, err := os.MkdirTemp("", "") // a socket's path is short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	c, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// datagram reads one, as lines.
func datagram(t *testing.T, c *net.UnixConn, limit time.Duration) []string {
	t.Helper()
	c.SetReadDeadline(time.Now().Add(limit))
	b := make([]byte, 4096)
	n, err := c.Read(b)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return nil
	}
	if err != nil {
		t.Fatal(err)
	}
	return strings.Split(string(b[:n]), "\n")
}

func env(pairs ...string) func(string) string {
	return func(name string) string {
		if i := slices.Index(pairs, name); i >= 0 {
			return pairs[i+1]
		}
		return ""
	}
}

// TestSupervisorIsFedByStepsAlone: what is told, by sd_notify(3).
func TestSupervisorIsFedByStepsAlone(t *testing.T) {
	socket := notifySocket(t)
	s, err := newSupervisor(env("NOTIFY_SOCKET", socket.LocalAddr().String(), "WATCHDOG_USEC", "20000000", "WATCHDOG_PID", "7"), 7)
	if err != nil {
		t.Fatal(err)
	}
	defer s.socket.Close()
	began := time.Now()
	at := func(step uint64, after time.Duration) *agent.Snapshot {
		return &agent.Snapshot{
			Steps: step, Stepped: began.Add(after),
			Figures: []plant.Figure{{Quality: reading.GoodQuality()}, {Quality: reading.BadBecause("no-reply")}},
			Conditions: []alarms.Condition{
				{Priority: alarms.High, State: alarms.Unacknowledged}, {Priority: alarms.Low, State: alarms.Normal},
				{Priority: alarms.Critical, State: alarms.LatchedUnacknowledged}, {Priority: alarms.High, State: alarms.Acknowledged},
			},
		}
	}
	const status = "STATUS=1 of 2 figures known; alarms: 1 critical, 2 high"
	for _, tc := range []struct {
		reason string
		now    *agent.Snapshot
		want   []string
	}{
		{"the first step is made before anything is polled", at(1, 0), nil},
		{"the loop stands", at(2, time.Second), []string{"READY=1", "WATCHDOG=1", status}},
		{"a quarter of the limit is not over", at(3, 5*time.Second), nil},
		{"it is over", at(4, 6*time.Second), []string{"WATCHDOG=1", status}},
		{"the journal fails", func() *agent.Snapshot { s := at(5, 11*time.Second); s.StoreError = errors.New("full"); return s }(), []string{"WATCHDOG=1", status + "; the journal cannot be written"}},
	} {
		s.step(tc.now, nil)
		wait := time.Second
		if tc.want == nil {
			wait = time.Millisecond // the socket is in this machine: what was sent is there
		}
		if got := datagram(t, socket, wait); !slices.Equal(got, tc.want) {
			t.Errorf("%s: %q, expected %q", tc.reason, got, tc.want)
		}
	}
}

// TestSupervisorNeverHoldsUpTheWatching: a socket that nobody reads fills.
func TestSupervisorNeverHoldsUpTheWatching(t *testing.T) {
	socket := notifySocket(t)
	s, err := newSupervisor(env("NOTIFY_SOCKET", socket.LocalAddr().String()), 7)
	if err != nil {
		t.Fatal(err)
	}
	defer s.socket.Close()
	full := false
	for i := 0; i < 100000 && !full; i++ {
		full = s.tell("STATUS=x") != nil
	}
	if !full {
		t.Fatal("the socket never filled")
	}
	s.step(&agent.Snapshot{Steps: 2, Stepped: time.Now()}, nil)
	if !s.told.IsZero() {
		t.Error("a datagram that was not taken counts as told")
	}
}

func TestSupervisorIsAskedForByTheEnvironment(t *testing.T) {
	name := notifySocket(t).LocalAddr().String()
	for _, tc := range []struct {
		reason string
		env    []string
		every  time.Duration
		fault  string
	}{
		{"no watchdog", []string{"NOTIFY_SOCKET", name}, statusEvery, ""},
		{"a watchdog", []string{"NOTIFY_SOCKET", name, "WATCHDOG_USEC", "30000000"}, 7500 * time.Millisecond, ""},
		{"a patient watchdog", []string{"NOTIFY_SOCKET", name, "WATCHDOG_USEC", "3000000000"}, statusEvery, ""},
		{"a watchdog for another process", []string{"NOTIFY_SOCKET", name, "WATCHDOG_USEC", "30000000", "WATCHDOG_PID", "8"}, statusEvery, ""},
		{"no number", []string{"NOTIFY_SOCKET", name, "WATCHDOG_USEC", "soon"}, 0, `WATCHDOG_USEC is "soon"`},
		{"no socket there", []string{"NOTIFY_SOCKET", name + "x"}, 0, "NOTIFY_SOCKET"},
	} {
		s, err := newSupervisor(env(tc.env...), 7)
		switch {
		case tc.fault != "":
			if err == nil || !strings.Contains(err.Error(), tc.fault) {
				t.Errorf("%s: %v, expected %s", tc.reason, err, tc.fault)
			}
		case err != nil:
			t.Errorf("%s: %v", tc.reason, err)
		case s.every != tc.every:
			t.Errorf("%s: every %s, expected %s", tc.reason, s.every, tc.every)
		}
		if s != nil {
			s.socket.Close()
		}
	}
	if s, err := newSupervisor(env(), 7); s != nil || err != nil {
		t.Errorf("unsupervised: %v, %v", s, err)
	}
}

// TestRunIsReadyWithEveryLineDead: a plant that does not answer must not get its
// watcher restarted, again and again.
func TestRunIsReadyWithEveryLineDead(t *testing.T) {
	socket := notifySocket(t)
	t.Setenv("NOTIFY_SOCKET", socket.LocalAddr().String())
	t.Setenv("WATCHDOG_USEC", "2000000")
	dir := t.TempDir()
	text, err := os.ReadFile(filepath.Join("..", "..", "testdata", "sites", "minimal.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.ReplaceAll(text, []byte("192.0.2.10:502"), []byte("127.0.0.1:1")) // nobody listens there
	text = bytes.ReplaceAll(text, []byte("state_dir: /var/lib/ebbwatch"), []byte("listen: 127.0.0.1:0\nstate_dir: "+dir))
	site := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(site, text, 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	code := make(chan int, 1)
	var out, log lockedBuffer
	go func() { code <- run(ctx, []string{"run", "--site", site}, &out, &log) }()
	first := datagram(t, socket, 20*time.Second)
	if len(first) != 3 || first[0] != "READY=1" || first[1] != "WATCHDOG=1" {
		t.Fatalf("the first datagram is %q, expected READY=1, WATCHDOG=1 and a status\n%s", first, log.String())
	}
	if next := datagram(t, socket, 20*time.Second); len(next) != 2 || next[0] != "WATCHDOG=1" {
		t.Errorf("then came %q, expected WATCHDOG=1 and a status", next)
	}
	cancel()
	last := datagram(t, socket, 20*time.Second)
	for last != nil && last[0] == "WATCHDOG=1" {
		last = datagram(t, socket, 20*time.Second)
	}
	if !slices.Equal(last, []string{"STOPPING=1"}) {
		t.Errorf("at the end came %q, expected STOPPING=1", last)
	}
	if c := <-code; c != exitDone {
		t.Errorf("exit status %d: %s", c, log.String())
	}
}
