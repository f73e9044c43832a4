package field

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// linkTo makes a link to a fake.
func linkTo(t *testing.T, f *fake) *link {
	t.Helper()
	l := newLink(f.line(), func(int) {})
	l.open = f.open
	t.Cleanup(l.close)
	return l
}

// TestEachContextEnds: a link that is open already obeys the context of each read,
// and forgets that of the one before.
func TestEachContextEnds(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		f.script = func(n int, q []byte) []act {
			if n == 3 {
				return nil
			}
			return []act{{bytes: f.honest(q)}}
		}
		l := linkTo(t, f)
		l.timeout = time.Hour
		first, endFirst := context.WithCancel(t.Context())
		if _, err := l.read(first, ask{11, 3, 0, 1}); err != nil {
			t.Fatal(err)
		}
		endFirst()
		if _, err := l.read(t.Context(), ask{11, 3, 0, 1}); err != nil {
			t.Errorf("after the end of another context: %v", err)
		}
		began := time.Now()
		third, end := context.WithTimeout(t.Context(), time.Second)
		defer end()
		if _, err := l.read(third, ask{11, 3, 0, 1}); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("error %v, expected the context's", err)
		}
		if d := time.Since(began); d > 1100*time.Millisecond {
			t.Errorf("it took %v to end", d)
		}
		if f.openings() != 1 {
			t.Errorf("opened %d times", f.openings())
		}
	})
}

// TestGraceIsLearned: a line is left silent at least as long as the slowest reply
// of any unit took, be it in time or late, and that from then on.
func TestGraceIsLearned(t *testing.T) {
	for _, c := range []struct {
		name    string
		timeout time.Duration
		slow    time.Duration // until the end of the second reply
		good    bool
	}{
		{"in time", 2 * time.Second, 1500 * time.Millisecond, true},
		{"within the grace", 300 * time.Millisecond, 600 * time.Millisecond, false},
		{"after the grace", 100 * time.Millisecond, 900 * time.Millisecond, false},
	} {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{rtu: true}
			f.script = func(n int, q []byte) []act {
				switch n {
				case 2:
					return []act{{after: c.slow, bytes: f.honest(q)}}
				case 6:
					return nil
				}
				return []act{{after: time.Millisecond, bytes: f.honest(q)}}
			}
			l := linkTo(t, f)
			l.timeout = c.timeout
			read := func(unit byte) error {
				_, err := l.read(t.Context(), ask{unit, 3, 0, 1})
				return err
			}
			read(11)
			if l.grace() != leastGrace {
				t.Errorf("%s: a grace of %v at first", c.name, l.grace())
			}
			if err := read(11); (err == nil) != c.good {
				t.Errorf("%s: %v", c.name, err)
			}
			// Others are asked on; what comes late is heard before one of them.
			for range 3 {
				time.Sleep(c.slow - c.timeout + 10*time.Millisecond)
				if err := read(12); err != nil {
					t.Errorf("%s: another unit: %v", c.name, err)
				}
			}
			if l.slowest < c.slow || l.grace() < l.slowest {
				t.Errorf("%s: a slowest reply of %v and a grace of %v, expected at least %v", c.name, l.slowest, l.grace(), c.slow)
			}
			if err := read(12); err == nil {
				t.Fatalf("%s: an answer to request 6", c.name)
			}
			failed := time.Now()
			if err := read(12); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			if silent := l.sent.Sub(failed); silent < c.slow {
				t.Errorf("%s: the line was silent for %v", c.name, silent)
			}
		})
	}
}

// TestRequestsAreBounded: what a link keeps of its requests has a bound, and a
// request that was dropped is made again.
func TestRequestsAreBounded(t *testing.T) {
	l := newLink(Line{Kind: RTU, Baud: 9600}, nil)
	for range 2 {
		for a := range uint16(mostRequests + 100) {
			got, err := l.request(ask{11, 3, a, 1})
			if want := rtu(11, 3, byte(a>>8), byte(a), 0, 1); err != nil || string(got) != string(want) {
				t.Fatalf("request % X, %v; expected % X", got, err, want)
			}
		}
		if len(l.requests) > mostRequests {
			t.Errorf("%d requests are kept", len(l.requests))
		}
	}
}
