package drain

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// box is an outbox in memory; an entry is its text.
type box struct {
	mu      sync.Mutex
	entries []string
	acked   uint64
}

func (b *box) done() uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.acked
}

func (b *box) add(entries ...string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.entries = append(b.entries, entries...)
}

func (b *box) After(seq uint64, limit int, visit func(uint64, []byte) bool) error {
	b.mu.Lock()
	entries := slices.Clone(b.entries)
	b.mu.Unlock()
	for i := seq; i < min(uint64(len(entries)), seq+uint64(limit)); i++ {
		if !visit(i+1, []byte(entries[i])) {
			break
		}
	}
	return nil
}

func (b *box) Acked(string) (uint64, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.acked, nil
}

func (b *box) Ack(_ string, seq uint64) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.acked = seq
	return nil
}

// receiver takes messages, or not.
type receiver struct {
	mu    sync.Mutex
	took  []string
	tries []time.Time
	fail  func(text string, try int) error
}

func (r *receiver) take(text string) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.tries = append(r.tries, time.Now())
	if r.fail != nil {
		if err := r.fail(text, len(r.tries)); err != nil {
			return err
		}
	}
	r.took = append(r.took, text)
	return nil
}

func (r *receiver) failWith(fail func(text string, try int) error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.fail = fail
}

func (r *receiver) seen() (took []string, tries []time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.took), slices.Clone(r.tries)
}

// run starts a drain in the bubble of a test, which ends it.
func run(t *testing.T, b *box, r *receiver) *Drain {
	t.Helper()
	d, err := New(Options{Receiver: "r", Outbox: b, Read: func(seq uint64, data []byte) (*Message, error) {
		text := string(data)
		switch text {
		case "foreign":
			return nil, nil
		case "broken":
			return nil, errors.New("not readable")
		}
		m := &Message{ID: text, Send: func(context.Context) error { return r.take(text) }}
		if text[0] == 'r' {
			m.Reminder = "alarm"
		}
		return m, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return d
}

func check(t *testing.T, what string, r *receiver, want ...string) {
	t.Helper()
	if got, _ := r.seen(); !slices.Equal(got, want) {
		t.Errorf("%s: got %q, expected %q", what, got, want)
	}
}

func TestInOrderAndOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, r := &box{entries: []string{"told before", "a", "foreign", "broken", "b", "foreign"}, acked: 1}, &receiver{}
		d := run(t, b, r)
		synctest.Wait()
		check(t, "taken", r, "a", "b")
		for range 40 {
			b.add("c")
		}
		d.Wake()
		synctest.Wait()
		if took, _ := r.seen(); len(took) != 42 || b.done() != 46 {
			t.Errorf("%d taken and acknowledged up to %d, expected 42 and 46", len(took), b.done())
		}
		// What is for others is passed over; the disk hears of every sixteenth.
		for range 40 {
			b.add("foreign")
		}
		d.Wake()
		synctest.Wait()
		if took, _ := r.seen(); len(took) != 42 || b.done() != 46+32 {
			t.Errorf("%d taken and acknowledged up to %d, expected 42 and 78", len(took), b.done())
		}
		b.add("unheard of")
		time.Sleep(look)
		synctest.Wait()
		if took, _ := r.seen(); took[len(took)-1] != "unheard of" {
			t.Errorf("without being woken the drain told %q last", took[len(took)-1])
		}
		if s := d.Status(); s.Sent != 43 || s.Passed != 0 || s.LastError != "" {
			t.Errorf("status %+v", s)
		}
	})
}

// TestTriedUntilTaken: a receiver that is down for a day gets all that is not a
// reminder of the same, in order, and the tries grow rarer up to a minute.
func TestTriedUntilTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, r := &box{entries: []string{"a", "r1", "b", "r2", "r3", "c"}}, &receiver{}
		r.fail = func(string, int) error { return errors.New("unreachable") }
		d := run(t, b, r)
		began := time.Now()
		time.Sleep(24 * time.Hour)
		synctest.Wait()
		if s := d.Status(); !s.Failing.Equal(began) || s.LastError != "unreachable" || b.done() != 0 {
			t.Errorf("status %+v and told up to %d, of a receiver that is down", s, b.done())
		}
		_, tries := r.seen()
		for i := 1; i < len(tries); i++ {
			gap := tries[i].Sub(tries[i-1])
			longest := min(retry<<(i-1), retryMax)
			if i > 10 {
				longest = retryMax
			}
			if gap < longest/2 || gap > longest {
				t.Fatalf("try %d comes %s after the one before, expected %s to %s", i+1, gap, longest/2, longest)
			}
		}
		r.failWith(nil)
		time.Sleep(retryMax)
		synctest.Wait()
		check(t, "taken", r, "a", "b", "r3", "c")
		if s := d.Status(); !s.Failing.IsZero() || s.LastError != "" {
			t.Errorf("status %+v of a receiver that takes all", s)
		}
	})
}

func TestRefusedIsPassedOverInTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, r := &box{entries: []string{"a", "b"}}, &receiver{}
		r.fail = func(text string, _ int) error {
			if text == "a" {
				return &Refusal{errors.New("no such mailbox")}
			}
			return nil
		}
		d := run(t, b, r)
		time.Sleep(patience - time.Second)
		synctest.Wait()
		check(t, "taken within the patience", r)
		time.Sleep(2*retryMax + time.Second)
		synctest.Wait()
		check(t, "taken", r, "b")
		if s := d.Status(); s.Passed != 1 || s.Sent != 1 || b.done() != 2 {
			t.Errorf("status %+v, acknowledged up to %d", s, b.done())
		}
	})
}

// TestFailingUntilTaken: to give a message up is no success.
func TestFailingUntilTaken(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, r := &box{entries: []string{"a"}}, &receiver{}
		r.fail = func(string, int) error { return &Refusal{errors.New("no such mailbox")} }
		began := time.Now()
		d := run(t, b, r)
		time.Sleep(time.Hour)
		synctest.Wait()
		if s := d.Status(); s.Passed != 1 || !s.Failing.Equal(began) {
			t.Errorf("after a message was given up the status is %+v, expected that it fails since %s", s, began)
		}
		r.failWith(nil)
		b.add("b")
		d.Wake()
		synctest.Wait()
		if s := d.Status(); s.Sent != 1 || !s.Failing.IsZero() || s.LastError != "" {
			t.Errorf("after a message was taken the status is %+v", s)
		}
	})
}

func TestPauseIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, tt := range []struct{ asked, want time.Duration }{
			{5 * time.Minute, 5 * time.Minute}, {24 * time.Hour, maxPause}, {-time.Hour, retry / 2},
		} {
			b, r := &box{entries: []string{"a"}}, &receiver{}
			r.fail = func(_ string, try int) error {
				if try == 1 {
					return &Later{errors.New("busy"), tt.asked}
				}
				return nil
			}
			run(t, b, r)
			time.Sleep(maxPause + time.Minute)
			synctest.Wait()
			if _, tries := r.seen(); len(tries) != 2 || tries[1].Sub(tries[0]) < tt.want || tries[1].Sub(tries[0]) > tt.want+retry {
				t.Errorf("asked for %s: tries at %v, expected a pause of %s", tt.asked, tries, tt.want)
			}
		}
	})
}

func TestEndsAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := &box{entries: []string{"a"}}
		hang := make(chan struct{})
		d, err := New(Options{Receiver: "r", Outbox: b, Read: func(uint64, []byte) (*Message, error) {
			return &Message{Send: func(ctx context.Context) error {
				close(hang)
				<-ctx.Done()
				return ctx.Err()
			}}, nil
		}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- d.Run(ctx) }()
		<-hang
		began := time.Now()
		cancel()
		if err := <-done; err != nil || time.Since(began) > 0 || b.done() != 0 {
			t.Errorf("ended after %s with %v, told up to %d", time.Since(began), err, b.done())
		}
	})
}
