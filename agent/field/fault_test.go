package field

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/reading"
)

// TestFaults lets a device misbehave once, on its third request, and asks for
// the right reason, for the values to come back, and for no wrong value ever.
func TestFaults(t *testing.T) {
	later := 520 * time.Millisecond // the timeout is 500 ms
	for _, c := range []struct {
		name, reason string
		want         string // of the readings
		tcp, rtu     bool
		acts         func(f *fake, request []byte) []act
	}{
		{"silent", "no byte comes", "bad:no-reply", true, true, func(f *fake, q []byte) []act { return nil }},
		{"exception", "the device is busy", "bad:exception-6", true, true, func(f *fake, q []byte) []act {
			return []act{{bytes: f.frame(q, 0x83, 6)}}
		}},
		{"exception in pieces", "the first piece says nothing yet", "bad:exception-6", true, true, func(f *fake, q []byte) []act {
			b := f.frame(q, 0x83, 6)
			return []act{{bytes: b[:2]}, {after: 30 * time.Millisecond, bytes: b[2:4]}, {after: 30 * time.Millisecond, bytes: b[4:]}}
		}},
		{"other unit", "two devices have changed their numbers", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			other := slices.Clone(q)
			if f.rtu {
				other[0]++
			} else {
				other[6]++
			}
			return []act{{bytes: f.honest(other)}}
		}},
		{"other function", "a device answers from another table", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{bytes: f.frame(q, 4, 4, 0, 1, 0, 2)}}
		}},
		{"short", "fewer registers than asked for", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{bytes: f.frame(q, 3, 2, 0, 1)}}
		}},
		{"no registers", "a byte count of 0", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{bytes: f.frame(q, 3, 0)}}
		}},
		{"long", "more registers than asked for", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{bytes: f.frame(q, 3, 6, 0, 1, 0, 2, 0, 3)}}
		}},
		{"followed", "a reply and then some", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{bytes: append(f.honest(q), 0xFF)}}
		}},
		{"garbage", "bytes that are no frame", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{bytes: bytes.Repeat([]byte{0xA5}, 40)}}
		}},
		{"cut off", "the reply ends in the middle", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			b := f.honest(q)
			return []act{{bytes: b[:len(b)-1]}}
		}},
		{"trickle", "a byte every 100 ms, or three characters, must not stretch the deadline", "bad:wrong-reply", true, true, func(f *fake, q []byte) []act {
			var acts []act
			for piece := range slices.Chunk(f.honest(q), map[bool]int{false: 1, true: 3}[f.ascii]) {
				acts = append(acts, act{after: 100 * time.Millisecond, bytes: piece})
			}
			return acts
		}},
		{"late", "the reply comes after the deadline", "bad:no-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{after: later, bytes: f.honest(q)}}
		}},
		{"very late", "the reply comes after the grace, among other requests", "bad:no-reply", true, true, func(f *fake, q []byte) []act {
			return []act{{after: 1900 * time.Millisecond, bytes: f.honest(q)}}
		}},
		{"close", "the device hangs up on the request, once on the open connection and once on a new one", "bad:not-connected", true, false, func(f *fake, q []byte) []act {
			return []act{{close: true}}
		}},
		{"other transaction", "an old reply of a gateway", "bad:wrong-reply", true, false, func(f *fake, q []byte) []act {
			b := f.honest(q)
			b[1]--
			return []act{{bytes: b}}
		}},
		{"other protocol", "the protocol is not 0", "bad:wrong-reply", true, false, func(f *fake, q []byte) []act {
			b := f.honest(q)
			b[3] = 1
			return []act{{bytes: b}}
		}},
		{"wrong length", "the length does not fit the byte count", "bad:wrong-reply", true, false, func(f *fake, q []byte) []act {
			b := f.honest(q)
			b[5] = 200
			return []act{{bytes: b}}
		}},
		{"checksum", "noise on the wire", "bad:wrong-reply", false, true, func(f *fake, q []byte) []act {
			b := f.honest(q)
			b[4] ^= 1
			return []act{{bytes: b}}
		}},
		{"echo", "the adapter hears itself", "bad:wrong-reply", false, true, func(f *fake, q []byte) []act {
			return []act{{bytes: q}, {after: 10 * time.Millisecond, bytes: f.honest(q)}}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			both(t, func(t *testing.T, f *fake) {
				if f.rtu && !c.rtu || !f.rtu && !c.tcp {
					return
				}
				faulty := 3
				f.script = func(n int, q []byte) []act {
					if n == faulty || n == faulty+1 && c.name == "close" {
						return c.acts(f, q)
					}
					return []act{{after: 5 * time.Millisecond, bytes: f.honest(q)}}
				}
				l := f.line(instrument("north", 11, time.Second, 0, 1), instrument("south", 12, time.Second, 0, 1))
				field, batches := f.start(t, l, Options{})
				met, goodAfter := false, 0
				for range 24 {
					b := <-batches
					rightOrBad(t, l, b)
					if b.Took > l.Timeout+1500*time.Millisecond || f.rtu == false && b.Took > l.Timeout {
						t.Errorf("a poll held the line for %v", b.Took)
					}
					switch q := b.Readings[0].Quality.String(); {
					case q == c.want && b.Instrument == "north":
						met = true
					case q == "good" && met:
						goodAfter++
					case q != "good" && c.name != "very late":
						// What comes after the grace may spoil one more reply,
						// but must not be taken for one.
						t.Errorf("%s: a %s reading of %s, %v", c.reason, q, b.Instrument, b.Err)
					}
				}
				if !met || goodAfter < 16 {
					t.Errorf("%s: expected %s (seen %v), then good values (%d of 21)", c.reason, c.want, met, goodAfter)
				}
				if s := field.Stats()[0]; s.Polls < 24 || s.Errors[reading.NoReply]+s.Errors[reading.WrongReply]+s.Errors[reading.Exception]+s.Errors[reading.NotConnected] == 0 {
					t.Errorf("the fault is not counted: %+v", s)
				}
			})
		})
	}
}

// TestHalfOpen: a device that lost its power keeps the connection and swallows
// all. A new connection must be made by itself.
func TestHalfOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		f.script = func(n int, q []byte) []act {
			if f.openings() == 1 && n > 2 {
				return nil
			}
			return []act{{bytes: f.honest(q)}}
		}
		l := f.line(instrument("north", 11, time.Second, 0))
		_, batches := f.start(t, l, Options{})
		var seen []string
		for range 5 {
			seen = append(seen, (<-batches).Readings[0].Quality.String())
		}
		if got := strings.Join(seen, " "); got != "good good bad:no-reply good good" {
			t.Error(got)
		}
	})
}

// TestSpoiltReplyNeedsNoRest: a unit whose replies look alike is left alone after
// silence, for the reply may still come, but not when noise spoilt it.
func TestSpoiltReplyNeedsNoRest(t *testing.T) {
	for _, c := range []struct {
		name  string
		acts  func(f *fake, q []byte) []act
		quick bool
	}{
		{"checksum", func(f *fake, q []byte) []act {
			b := f.honest(q)
			last := len(b) - 1
			if f.ascii {
				last -= asciiEnd
				b[last] = "123456789ABCDEF0"[strings.IndexByte("0123456789ABCDEF", b[last])]
			} else {
				b[last] ^= 1
			}
			return []act{{bytes: b}}
		}, true},
		{"silence", func(*fake, []byte) []act { return nil }, false},
		{"a reply that is followed", func(f *fake, q []byte) []act { return []act{{bytes: append(f.honest(q), 0)}} }, false},
		{"noise", func(f *fake, q []byte) []act { return []act{{bytes: []byte{0x55, 0xAA}}} }, false},
	} {
		both(t, func(t *testing.T, f *fake) {
			if !f.rtu {
				return
			}
			f.script = func(n int, q []byte) []act {
				if n == 3 {
					return c.acts(f, q)
				}
				return []act{{bytes: f.honest(q)}}
			}
			l := f.line(instrument("north", 11, time.Second, 0, 500)) // too far apart to merge
			_, batches := f.start(t, l, Options{})
			if b := <-batches; b.Err != nil {
				t.Fatal(b.Err)
			}
			if b := <-batches; b.Err == nil {
				t.Fatalf("%s: the fault is not seen", c.name)
			}
			bad := 1
			for ; (<-batches).Err != nil; bad++ {
			}
			if c.quick != (bad == 1) || bad > 6 {
				t.Errorf("%s: %d bad batches", c.name, bad)
			}
		})
	}
}

// TestBadTextIsEmpty: what a text said before is not told with a bad reading.
func TestBadTextIsEmpty(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		f.script = func(n int, q []byte) []act {
			if n == 2 {
				return nil
			}
			return []act{{bytes: f.frame(q, 3, 2, 'O', 'K')}}
		}
		in := instrument("north", 11, time.Second, 0)
		in.Points[0].Type, in.Points[0].Registers = "text", 1
		_, batches := f.start(t, f.line(in), Options{})
		for _, want := range []string{"OK", "", "OK"} {
			if r := (<-batches).Readings[0]; r.Text != want || (want == "") != (r.Quality.Reason == reading.NoReply) {
				t.Errorf("%+v, expected text %q", r, want)
			}
		}
	})
}

// counted counts what is asked of a stream.
type counted struct {
	stream
	calls *atomic.Int64
}

func (c counted) Read(b []byte) (int, error)    { c.calls.Add(1); return c.stream.Read(b) }
func (c counted) Write(b []byte) (int, error)   { c.calls.Add(1); return c.stream.Write(b) }
func (c counted) SetDeadline(t time.Time) error { c.calls.Add(1); return c.stream.SetDeadline(t) }

// TestDeadLineBurnsNothing: a line whose only instrument swallows all, or hangs up
// at once, or babbles, costs some calls a second at most, and each poll tells.
func TestDeadLineBurnsNothing(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		for name, acts := range map[string][]act{"swallows": nil, "hangs up": {{close: true}}, "babbles": {{bytes: []byte{0x55}}}} {
			var calls atomic.Int64
			f.script = func(int, []byte) []act { return acts }
			l := f.line(instrument("north", 11, 100*time.Millisecond, 0))
			field, err := New([]Line{l}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			field.workers[0].link.open = func(ctx context.Context) (stream, error) {
				s, err := f.open(ctx)
				return counted{s, &calls}, err
			}
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
			polls, before := 0, f.openings()
			field.Run(ctx, func(b Batch) {
				polls++
				if b.Err == nil {
					t.Errorf("%s: a good batch", name)
				}
			})
			cancel()
			if polls < 5000 {
				t.Errorf("%s: %d batches in 10 minutes", name, polls)
			}
			if n := f.openings() - before; calls.Load() == 0 || calls.Load() > 6000 || n > 600 {
				t.Errorf("%s: %d calls and %d openings in 10 minutes", name, calls.Load(), n)
			}
		}
	})
}

// TestIdleConnectionClosed: many devices hang up on a client that is silent for
// a while. That is no fault.
func TestIdleConnectionClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		f.script = func(n int, q []byte) []act {
			return []act{{bytes: f.honest(q)}, {after: 10 * time.Second, close: true}}
		}
		l := f.line(instrument("north", 11, 30*time.Second, 0))
		_, batches := f.start(t, l, Options{})
		for range 10 {
			if b := <-batches; b.Err != nil {
				t.Error(b.Err)
			}
		}
	})
}

// TestDeadUnit: one that does not answer must neither hold up its neighbour nor
// be forgotten.
func TestDeadUnit(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		f.script = func(n int, q []byte) []act {
			if f.unit(q) == 11 {
				return nil
			}
			return []act{{after: 10 * time.Millisecond, bytes: f.honest(q)}}
		}
		var log bytes.Buffer
		l := f.line(instrument("north", 11, time.Second, 0), instrument("south", 12, time.Second, 0))
		field, batches := f.start(t, l, Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
		count := map[string]int{}
		begin := time.Now()
		for time.Since(begin) < 5*time.Minute {
			b := <-batches
			rightOrBad(t, l, b)
			count[b.Instrument+" "+b.Readings[0].Quality.String()]++
		}
		if n := count["north bad:no-reply"]; n < 295 {
			t.Errorf("%d batches of the dead unit in 300 s", n)
		}
		if n := count["south good"]; n < 270 || count["south bad:no-reply"] > 0 {
			t.Errorf("its neighbour in 300 s: %v", count)
		}
		// Ten times the timeout, with the grace after it on RTU.
		rest := 5 * time.Second
		if f.rtu {
			rest = 10 * time.Second
		}
		tried := f.asked(11)
		if n := time.Duration(len(tried)); n < 5*time.Minute/rest || n > 5*time.Minute/rest+5 {
			t.Errorf("the dead unit was tried %d times in 300 s, expected about every %v", n, rest)
		}
		for i := range tried[1:] {
			if d := tried[i+1].Sub(tried[i]); d > rest+time.Second {
				t.Errorf("it was left alone for %v", d)
			}
		}
		if n := strings.Count(log.String(), "\n"); n != 1 {
			t.Errorf("%d lines of log for one change:\n%s", n, log.String())
		}
		if s := field.Stats()[0]; s.Errors[reading.NoReply] < 295 || s.Overruns > 30 {
			t.Errorf("stats %+v", s)
		}
	})
}

// TestSlowDeviceNeverMixesRegisters: two requests of one size to one device that
// answers in turn, but sometimes seconds late.
func TestSlowDeviceNeverMixesRegisters(t *testing.T) {
	for seed := range uint64(30) {
		both(t, func(t *testing.T, f *fake) {
			r := rand.New(rand.NewPCG(seed, 1))
			var free time.Time // when the device is done with what it got before
			f.script = func(n int, q []byte) []act {
				think := 20 * time.Millisecond
				if r.IntN(8) == 0 {
					think = time.Duration(r.IntN(3500)) * time.Millisecond
				}
				now := time.Now()
				if free.Before(now) {
					free = now
				}
				free = free.Add(think)
				return []act{{after: free.Sub(now), bytes: f.honest(q)}}
			}
			l := f.line(instrument("north", 11, time.Second, 0, 100), instrument("south", 12, time.Second, 0, 100))
			_, batches := f.start(t, l, Options{})
			good := 0
			for range 400 {
				b := <-batches
				rightOrBad(t, l, b)
				if b.Err == nil {
					good++
				}
			}
			if good < 100 {
				t.Errorf("seed %d: %d of 400 batches are good", seed, good)
			}
		})
	}
}

// TestReopening: a line that cannot be opened is tried again with growing
// pauses, and every due poll says so.
func TestReopening(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		begin := time.Now()
		f.refuse = func() error {
			if time.Since(begin) < 2*time.Minute {
				return errors.New("connection refused")
			}
			return nil
		}
		l := f.line(instrument("north", 11, 100*time.Millisecond, 0), instrument("south", 12, time.Second, 0))
		_, batches := f.start(t, l, Options{})
		polls := 0
		for {
			b := <-batches
			polls++
			rightOrBad(t, l, b)
			if b.Err == nil {
				break
			}
			if b.Readings[0].Quality.Reason != reading.NotConnected {
				t.Errorf("quality %v", b.Readings[0].Quality)
			}
		}
		if d := time.Since(begin); d > 2*time.Minute+lastReopen+leastGrace+200*time.Millisecond {
			t.Errorf("connected again after %v", d)
		}
		if n := f.openings(); n < 40 || n > 60 || polls < 1300 {
			t.Errorf("tried %d times in 2 minutes with %d polls", n, polls)
		}
	})
}

// TestBabblingLine: bytes that nobody asked for must not become values, nor
// hold up the line for ever.
func TestBabblingLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{rtu: true}
		f.script = func(n int, q []byte) []act {
			acts := []act{{bytes: f.honest(q)}}
			if n == 2 {
				for range 3000 { // 3 s
					acts = append(acts, act{after: time.Millisecond, bytes: []byte{0x55}})
				}
			}
			return acts
		}
		l := f.line(instrument("north", 11, time.Second, 0))
		field, batches := f.start(t, l, Options{})
		bad := 0
		for range 12 {
			b := <-batches
			rightOrBad(t, l, b)
			if b.Err != nil {
				bad++
				if b.Readings[0].Quality.Reason != reading.WrongReply {
					t.Error(b.Err)
				}
			}
		}
		if n := field.Stats()[0].Discarded; bad == 0 || bad > 6 || n < 1000 {
			t.Errorf("%d bad batches, %d bytes discarded", bad, n)
		}
	})
}

// TestCancel: the end of ctx ends a transaction at once, whatever it waits for;
// start checks that on its way out.
func TestCancel(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		f.script = func(int, []byte) []act { return nil }
		l := f.line(instrument("north", 11, time.Second, 0))
		l.Timeout = time.Hour
		_, batches := f.start(t, l, Options{})
		select {
		case b := <-batches:
			t.Errorf("a batch %+v", b)
		case <-time.After(10 * time.Second):
		}
	})
}

// TestPauseInASCII: a reply that stops for over a second is given up before a
// long deadline; one that stops for less is not.
func TestPauseInASCII(t *testing.T) {
	for _, c := range []struct {
		pause time.Duration
		want  string
		took  time.Duration
	}{
		{900 * time.Millisecond, "good", 900 * time.Millisecond},
		{1100 * time.Millisecond, "bad:wrong-reply", asciiGap},
	} {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{rtu: true, ascii: true}
			f.script = func(n int, q []byte) []act {
				b := f.honest(q)
				return []act{{bytes: b[:9]}, {after: c.pause, bytes: b[9:]}}
			}
			l := f.line(instrument("north", 11, 10*time.Second, 0))
			l.Timeout = 5 * time.Second
			_, batches := f.start(t, l, Options{})
			<-batches // has the grace of a line just opened
			b := <-batches
			if got := b.Readings[0].Quality.String(); got != c.want {
				t.Errorf("a pause of %v: %s, expected %s (%v)", c.pause, got, c.want, b.Err)
			}
			if b.Took < c.took || b.Took > c.took+leastGrace+100*time.Millisecond && c.want == "good" {
				t.Errorf("a pause of %v: the poll took %v", c.pause, b.Took)
			}
		})
	}
}
