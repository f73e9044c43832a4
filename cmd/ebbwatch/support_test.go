package main

import (
	"bytes"
	"sync"
	"testing"
	"time"
)

// lockedBuffer is a buffer that one goroutine writes and another reads.
type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// eventually waits until a condition on real sockets holds, and fails the test
// when it does not within half a minute.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	limit := time.After(30 * time.Second)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("waited in vain until %s", what)
		}
	}
}
