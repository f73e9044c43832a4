package field

import (
	"io"
	"os"
	"sync"
	"time"
)

// wire is one end of a connection that keeps what is written until it is read,
// as a kernel does, and lives in fake time, as a kernel does not.
type wire struct {
	*wires
	in, out *[]byte
	until   *time.Time // deadline of this end
}

type wires struct {
	mu      sync.Mutex
	changed chan struct{} // closed at each change
	closed  bool
	ab, ba  []byte
	ua, ub  time.Time
}

func newWire() (a, b *wire) {
	w := &wires{changed: make(chan struct{})}
	return &wire{w, &w.ba, &w.ab, &w.ua}, &wire{w, &w.ab, &w.ba, &w.ub}
}

// change wakes whoever waits; mu is held.
func (w *wires) change() {
	close(w.changed)
	w.changed = make(chan struct{})
}

func (w *wire) Read(b []byte) (int, error) {
	for {
		w.mu.Lock()
		until, changed := *w.until, w.changed
		expired := !until.IsZero() && !time.Now().Before(until)
		switch {
		case expired:
			w.mu.Unlock()
			return 0, os.ErrDeadlineExceeded
		case len(*w.in) > 0:
			n := copy(b, *w.in)
			*w.in = (*w.in)[n:]
			w.mu.Unlock()
			return n, nil
		case w.closed:
			w.mu.Unlock()
			return 0, io.EOF
		}
		w.mu.Unlock()
		var expiry <-chan time.Time
		if !until.IsZero() {
			expiry = time.After(time.Until(until))
		}
		select {
		case <-changed:
		case <-expiry:
		}
	}
}

func (w *wire) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return 0, io.ErrClosedPipe
	}
	*w.out = append(*w.out, b...)
	w.change()
	return len(b), nil
}

func (w *wire) SetDeadline(t time.Time) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	*w.until = t
	w.change()
	return nil
}

func (w *wire) Close() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.closed = true
	w.change()
	return nil
}
