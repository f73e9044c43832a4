package field

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
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

// names is the points of a batch in short.
func names(b Batch) string {
	var s []string
	for _, r := range b.Readings {
		s = append(s, r.Point)
	}
	return strings.Join(s, " ")
}

// spans is the addresses that a fake was asked for, in order, since the last
// call.
type spans struct{ asked []string }

func (s *spans) note(f *fake, q []byte) {
	pdu := f.pdu(q)
	f.mu.Lock()
	defer f.mu.Unlock()
	s.asked = append(s.asked, fmt.Sprintf("%d+%d", binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])))
}

func (s *spans) take(f *fake) string {
	f.mu.Lock()
	defer f.mu.Unlock()
	defer func() { s.asked = nil }()
	return strings.Join(s.asked, " ")
}

// TestPeriods: points come at their own periods, and those that are due together
// by the requests that are best for them together.
func TestPeriods(t *testing.T) {
	for _, c := range []struct {
		reason    string
		addresses []uint16
		every     []time.Duration // of the points, 0 that of the instrument
		want      []string        // second by second
	}{
		{"a slow point in the gap between fast ones", []uint16{0, 5, 9}, []time.Duration{0, 3 * time.Second, 0}, []string{"a b c: 0+10", "a c: 0+10", "a c: 0+10", "a b c: 0+10", "a c: 0+10"}},
		{"a slow one beside a fast one", []uint16{0, 1}, []time.Duration{0, 2 * time.Second}, []string{"a b: 0+2", "a: 0+1", "a b: 0+2", "a: 0+1"}},
		{"a slow one far away", []uint16{200, 0}, []time.Duration{0, 2 * time.Second}, []string{"a b: 0+1 200+1", "a: 200+1", "a b: 0+1 200+1"}},
		{"two of which none is a multiple of the other", []uint16{0, 1}, []time.Duration{2 * time.Second, 3 * time.Second}, []string{"a b: 0+2", "", "a: 0+1", "b: 1+1", "a: 0+1", "", "a b: 0+2"}},
		{"none of the instrument's own", []uint16{0, 1}, []time.Duration{2 * time.Second, 2 * time.Second}, []string{"a b: 0+2", "", "a b: 0+2"}},
	} {
		synctest.Test(t, func(t *testing.T) {
			f, s := &fake{}, &spans{}
			f.script = func(n int, q []byte) []act {
				s.note(f, q)
				return []act{{bytes: f.honest(q)}}
			}
			in := instrument("north", 11, time.Second, c.addresses...)
			for i := range in.Points {
				in.Points[i].Every = c.every[i]
				in.Points[i].Name = string(rune('a' + i))
			}
			begin := time.Now()
			_, batches := f.start(t, f.line(in), Options{})
			for second, want := range c.want {
				got := ""
				select {
				case b := <-batches:
					got = names(b) + ": " + s.take(f)
					for _, r := range b.Readings {
						if i := r.Point[0] - 'a'; r.Value != float64(value(11, c.addresses[i])) || !r.Quality.Usable() {
							t.Errorf("%s: %+v", c.reason, r)
						}
					}
				case <-time.After(100 * time.Millisecond):
				}
				if got != want {
					t.Errorf("%s: after %d s %q, expected %q", c.reason, second, got, want)
				}
				<-time.After(time.Until(begin.Add(time.Duration(second+1) * time.Second)))
			}
		})
	}
}

// TestSlowPointsAreSpread: the slow points of several units do not all fall due
// in one second, and always with the fast ones of their unit.
func TestSlowPointsAreSpread(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		var all []Instrument
		for u := range byte(5) {
			in := instrument(fmt.Sprint("unit-", u), 1+u, time.Second, 0, 1)
			in.Points[1].Every = 10 * time.Second
			all = append(all, in)
		}
		_, batches := f.start(t, f.line(all...), Options{})
		begin := time.Now()
		slow, last := map[time.Duration]int{}, map[string]time.Time{}
		for time.Since(begin) < time.Minute {
			b := <-batches
			now := b.Readings[0].Time
			switch before, ok := last[b.Instrument]; {
			case len(b.Readings) == 1:
				continue
			case ok && now.Sub(before) > 10*time.Second:
				t.Errorf("the slow point of %s was read after %v", b.Instrument, now.Sub(before))
			case b.Readings[0].Point != b.Instrument+"-a":
				t.Errorf("a slow point alone: %v", names(b))
			}
			last[b.Instrument] = now
			if at := now.Sub(begin); at > 10*time.Second {
				slow[at.Truncate(time.Second)]++
			}
		}
		for at, n := range slow {
			if n > 1 {
				t.Errorf("%d slow points fell due at %v", n, at)
			}
		}
		if len(slow) < 24 {
			t.Errorf("%d slow polls in 50 s", len(slow))
		}
	})
}

// TestDeadUnitWithPeriods: all points of a dead unit are bad at their own pace,
// and it is asked for no more than its shortest request.
func TestDeadUnitWithPeriods(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, s := &fake{rtu: true}, &spans{}
		f.script = func(n int, q []byte) []act {
			s.note(f, q)
			return nil
		}
		in := instrument("north", 11, time.Second, 0, 1, 2, 300, 400, 401)
		in.Points[5].Every = 5 * time.Second
		var log bytes.Buffer
		_, batches := f.start(t, f.line(in), Options{Log: slog.New(slog.NewTextHandler(&log, nil))})
		count := map[string]int{}
		for begin := time.Now(); time.Since(begin) < 5*time.Minute; {
			b := <-batches
			for _, r := range b.Readings {
				if r.Quality.String() != "bad:no-reply" || r.Time.IsZero() {
					t.Errorf("%+v", r)
				}
				count[r.Point]++
			}
		}
		if count["north-a"] < 295 || count["north-f"] < 59 {
			t.Errorf("readings in 300 s: %v", count)
		}
		if n := strings.Count(log.String(), "\n"); n != 1 {
			t.Errorf("%d lines of log for one change:\n%s", n, log.String())
		}
		asked := strings.Fields(s.take(f))
		if len(asked) < 25 || asked[0] != "0+3" || slices.ContainsFunc(asked[1:], func(a string) bool { return a != "300+1" }) {
			t.Errorf("the dead unit was asked %v", asked)
		}
	})
}

// TestDeadShare: a unit that does not answer takes no more of the line than
// check says, once it has been tried a few times.
func TestDeadShare(t *testing.T) {
	for _, rtu := range []bool{false, true} {
		for _, every := range []time.Duration{100 * time.Millisecond, time.Second, 7 * time.Second, time.Minute} {
			for _, timeout := range []time.Duration{200 * time.Millisecond, time.Second, 4 * time.Second} {
				synctest.Test(t, func(t *testing.T) {
					f := &fake{rtu: rtu}
					f.script = func(n int, q []byte) []act { return nil }
					l := f.line(instrument("north", 11, every, 0))
					l.Timeout = timeout
					load := LoadOf(l)
					if load.DeadShare > 0.1 || load.Dead < timeout {
						t.Errorf("%v: %+v", timeout, load)
					}
					field, batches := f.start(t, l, Options{})
					const settled = 5 * time.Minute
					var held time.Duration
					polls, begin := 0, time.Now()
					for time.Since(begin) < time.Hour {
						b := <-batches
						if time.Since(begin) > settled {
							polls++
							if b.Took > 0 {
								held += load.Dead
							}
						}
					}
					// An attempt may have begun just inside of the time.
					if share := (held - load.Dead).Seconds() / (time.Since(begin) - settled).Seconds(); share > load.DeadShare+1e-9 {
						t.Errorf("every %v, timeout %v, rtu %v: it held %.1f %% of the line, expected at most %.1f %%", every, timeout, rtu, 100*share, 100*load.DeadShare)
					}
					if held == 0 || polls < int((time.Hour-settled-held)/every)-1 {
						t.Errorf("every %v, timeout %v: %d polls, held %v", every, timeout, polls, held)
					}
					if s := field.Stats()[0].Units[0]; !s.Resting || s.Errors[reading.NoReply] != s.Polls {
						t.Errorf("%+v", s)
					}
				})
			}
		}
	}
}

// TestUrgentWaitsForOneRequest: a detector comes between two requests of a long
// poll of another unit, and behind one timeout at most.
func TestUrgentWaitsForOneRequest(t *testing.T) {
	for _, dead := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{}
			f.script = func(n int, q []byte) []act {
				if dead && f.unit(q) == 1 {
					return nil
				}
				return []act{{after: 100 * time.Millisecond, bytes: f.honest(q)}}
			}
			// Eight requests, 0.8 s of every 1.2 s.
			long := instrument("long", 1, 1200*time.Millisecond, 0, 200, 400, 600, 800, 1000, 1200, 1400)
			gas := instrument("gas", 9, time.Second, 0)
			gas.Points[0].KeepOverRange = true
			_, batches := f.start(t, f.line(long, gas), Options{})
			var last time.Time
			count := map[string]int{}
			for begin := time.Now(); time.Since(begin) < 10*time.Minute; {
				b := <-batches
				count[b.Instrument]++
				if b.Instrument == "long" {
					if !dead && b.Took != 800*time.Millisecond {
						t.Errorf("it took %v besides the detector", b.Took)
					}
					continue
				}
				now := b.Readings[0].Time
				most := 1100 * time.Millisecond
				if dead {
					most = 1500 * time.Millisecond
				}
				if d := now.Sub(last); !last.IsZero() && d > most {
					t.Errorf("the detector was read after %v", d)
				}
				last = now
			}
			if count["gas"] < 599 || count["long"] < 499 {
				t.Errorf("polls in 600 s: %v", count)
			}
		})
	}
}

// TestOldestHolds: on random lines, some of them behind, no value gets older than
// the plan says, be all units alive or one dead.
func TestOldestHolds(t *testing.T) {
	const lines = 100
	behind := 0
	for seed := range uint64(lines) {
		synctest.Test(t, func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 3))
			f := &fake{rtu: seed%4 > 1}
			dead := byte(0)
			var all []Instrument
			for u := range byte(2 + r.IntN(5)) {
				every := time.Duration(20+r.IntN(300)) * time.Millisecond
				in := instrument(fmt.Sprint("unit-", u), 1+u, every)
				for i := range 1 + r.IntN(6) {
					p := instrument("", 0, 0, uint16(200*i+r.IntN(3))).Points[0]
					p.Name, p.Every = fmt.Sprint(in.Name, "-", i), every*time.Duration(r.IntN(4))
					in.Points = append(in.Points, p)
				}
				in.Urgent = r.IntN(3) == 0
				all = append(all, in)
			}
			if seed%2 == 1 {
				dead = byte(1 + r.IntN(len(all)))
			}
			l := f.line(all...)
			l.Timeout = 60 * time.Millisecond
			if seed%8 > 5 {
				l.Kind = RTUOverTCP
			}
			c := costOf(l)
			f.script = func(n int, q []byte) []act {
				if f.unit(q) == dead {
					return nil
				}
				b := block{table: HoldingRegister, quantity: int(binary.BigEndian.Uint16(f.pdu(q)[3:]))}
				// The silence before the request has passed.
				return []act{{after: c.of(b) - c.turns/2, bytes: f.honest(q)}}
			}
			most := map[string]time.Duration{}
			for _, q := range Plan(l) {
				for _, p := range q.Points {
					most[p.Name] = p.Oldest
					if dead > 0 {
						most[p.Name] = p.WithDead
					}
				}
			}
			field, batches := f.start(t, l, Options{})
			last := map[string]time.Time{}
			for begin := time.Now(); time.Since(begin) < 30*time.Second; {
				b := <-batches
				for _, r := range b.Readings {
					if !r.Quality.Usable() {
						continue
					}
					before, ok := last[r.Point]
					if ok && r.Time.Sub(before) > most[r.Point] {
						t.Errorf("seed %d: %s was read after %v, expected at most %v", seed, r.Point, r.Time.Sub(before), most[r.Point])
					}
					last[r.Point] = r.Time
				}
			}
			alive := 0
			for _, in := range all {
				if in.Unit != dead {
					alive += len(in.Points)
				}
			}
			if len(last) != alive {
				t.Errorf("seed %d: %d points were read, expected %d", seed, len(last), alive)
			}
			if field.Stats()[0].Overruns > 0 {
				behind++
			}
		})
	}
	if behind < lines/10 || behind > lines*9/10 {
		t.Errorf("%d of %d lines were behind: the test is of no use", behind, lines)
	}
}

// TestPlanFollowsTheUnit: by hand, at 19200 baud a gap of 60 registers takes
// 68.8 ms; a second request takes 13 characters of 0.573 ms and two silences of
// 2.01 ms, 11.5 ms, and what the unit thinks: 10 ms are assumed.
func TestPlanFollowsTheUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, s := &fake{rtu: true}, &spans{}
		const slow, fast = 200 * time.Millisecond, 5 * time.Millisecond
		var think atomic.Int64
		think.Store(int64(slow))
		c := costOf(f.line())
		f.script = func(n int, q []byte) []act {
			s.note(f, q)
			b := block{table: HoldingRegister, quantity: int(binary.BigEndian.Uint16(f.pdu(q)[3:]))}
			return []act{{after: time.Duration(think.Load()) + c.wire(b) - c.turns/2, bytes: f.honest(q)}}
		}
		l := f.line(instrument("north", 11, time.Second, 0, 61))
		field, batches := f.start(t, l, Options{})
		during := func(d time.Duration) (first, last string) {
			for begin := time.Now(); time.Since(begin) < d; {
				if b := <-batches; b.Err != nil {
					t.Error(b.Err)
				}
				last = s.take(f)
				if first == "" {
					first = last
				}
			}
			return first, last
		}
		if first, last := during(55 * time.Second); first != "0+1 61+1" || last != first {
			t.Errorf("in the first minute %s, then %s", first, last)
		}
		if _, last := during(10 * time.Second); last != "0+62" {
			t.Errorf("once it is known to be slow %s", last)
		}
		if st := field.Stats()[0]; (st.Cycle-st.Planned).Abs() > 5*time.Millisecond || st.Slowest < slow || st.Grace < 500*time.Millisecond {
			t.Errorf("%+v", st)
		}
		think.Store(int64(fast))
		if first, last := during(40 * time.Second); first != "0+62" || last != first {
			t.Errorf("less than a minute after the plan was made %s, then %s", first, last)
		}
		if _, last := during(time.Minute); last != "0+1 61+1" {
			t.Errorf("once it is known to be fast %s", last)
		}
	})
}

// TestStats reads a line of three units whose work is known by hand.
func TestStats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		f.script = func(n int, q []byte) []act {
			switch f.unit(q) {
			case 1:
				return []act{{after: 20 * time.Millisecond, bytes: f.honest(q)}}
			case 2:
				return nil
			default:
				return []act{{after: 30 * time.Millisecond, bytes: f.frame(q, 0x83, 6)}}
			}
		}
		l := f.line(instrument("well", 1, 10*time.Second, 0, 200), instrument("dead", 2, 10*time.Second, 0), instrument("busy", 3, 200*time.Millisecond, 0))
		field, batches := f.start(t, l, Options{})
		if s := field.Stats()[0]; s.Polls != 0 || len(s.Units) != 3 || s.Units[2].Instrument != "busy" || len(s.Units[2].Errors) != 4 {
			t.Errorf("at the start %+v", s)
		}
		for begin := time.Now(); time.Since(begin) < 9*time.Second; {
			<-batches
		}
		s := field.Stats()[0]
		well, dead, busy := s.Units[0], s.Units[1], s.Units[2]
		if well.Polls != 1 || well.Took != 40*time.Millisecond || well.Slowest != 20*time.Millisecond || well.Unit != 1 || well.Overruns != 0 || well.Resting {
			t.Errorf("%+v", well)
		}
		if dead.Polls != 2 || dead.Errors[reading.NoReply] != 2 || dead.Took != 0 || dead.Slowest != 0 || dead.Overruns != 0 || !dead.Resting {
			t.Errorf("%+v", dead)
		}
		// Due at 0.13 s and every 0.2 s; the dead one holds the line from 0.33 to
		// 0.83 s.
		if busy.Polls != 44 || busy.Errors[reading.Exception] != busy.Polls || busy.Took != 30*time.Millisecond || busy.Slowest != 30*time.Millisecond || busy.Overruns != 2 {
			t.Errorf("%+v", busy)
		}
		// The well one is supposed to take 5 ms, then an eighth more of what two
		// replies after 20 ms differ: 8.51 ms. The busy one gives no values to
		// learn from. Each request has 18.4 us on the wire.
		if d := s.Planned - 22080*time.Microsecond; d.Abs() > 10*time.Microsecond {
			t.Errorf("planned %v", s.Planned)
		}
		if s.Polls != well.Polls+dead.Polls+busy.Polls || s.Overruns != busy.Overruns || s.Cycle != 70*time.Millisecond || s.Slowest != 30*time.Millisecond || s.Grace != 0 ||
			s.Errors[reading.NoReply] != 2 || s.Errors[reading.Exception] != busy.Polls || s.Errors[reading.NotConnected] != 0 {
			t.Errorf("%+v", s)
		}
	})
}

// prompt is a Modbus TCP device whose registers all hold 0, and which takes no
// memory to say so.
type prompt struct {
	reply [maxFrame]byte
	left  []byte
}

func (p *prompt) Write(q []byte) (int, error) {
	clear(p.reply[:])
	copy(p.reply[:], q[:tcpHeader+1])
	n := 2 * q[11]
	p.reply[5], p.reply[8] = 3+n, n
	p.left = p.reply[:tcpReply+int(n)]
	return len(q), nil
}

func (p *prompt) Read(b []byte) (int, error) {
	n := copy(b, p.left)
	p.left = p.left[n:]
	return n, nil
}

func (p *prompt) Close() error                { return nil }
func (p *prompt) SetDeadline(time.Time) error { return nil }

// turning is a worker with one unit of some points, the odd ones slower, whose
// device is prompt, and a turn of it.
func turning(tb testing.TB, points int) (turn func()) {
	in := Instrument{Name: "north", Unit: 11, Every: time.Millisecond}
	for a := range points {
		in.Points = append(in.Points, Point{
			Name: fmt.Sprint("point-", a), Table: HoldingRegister, Address: uint16(a), Type: "uint16", Scale: 1, Unit: one,
			Every: time.Duration(1+a%2) * time.Millisecond,
		})
	}
	field, err := New([]Line{(&fake{}).line(in)}, Options{})
	if err != nil {
		tb.Fatal(err)
	}
	w := field.workers[0]
	w.link.open = func(context.Context) (stream, error) { return &prompt{}, nil }
	emitted := 0
	w.emit = func(b Batch) {
		if emitted++; b.Err != nil {
			tb.Fatal(b.Err)
		}
	}
	tb.Cleanup(func() { w.link.close() })
	u := w.units[0]
	u.settle(time.Now(), 0, 1)
	return func() {
		before := emitted
		// All periods are due, then the shortest alone.
		for k := range u.paces {
			u.paces[k].due = time.Now()
		}
		w.turn(tb.Context(), u)
		u.paces[0].due = time.Now()
		u.paces[len(u.paces)-1].due = time.Now().Add(time.Hour)
		w.turn(tb.Context(), u)
		if emitted != before+2 {
			tb.Fatalf("%d batches of two turns", emitted-before)
		}
	}
}

// TestNoMemoryForPolls: once all is under way, polling takes no memory.
func TestNoMemoryForPolls(t *testing.T) {
	if n := testing.AllocsPerRun(100, turning(t, 100)); n != 0 {
		t.Errorf("two polls of 100 points make %v allocations", n)
	}
}

// BenchmarkTurn polls a unit of 100 points of two periods, twice, without a
// network.
func BenchmarkTurn(b *testing.B) {
	turn := turning(b, 100)
	b.ReportAllocs()
	for b.Loop() {
		turn()
	}
}

// TestRefusalIsLearnedByVisit: what a merged read of points of two periods is
// refused for is learned, though polls of the fast ones come between.
func TestRefusalIsLearnedByVisit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		f.script = refusing(f, 2, 5)
		in := instrument("north", 11, time.Second, 0, 4, 6)
		in.Points[2].Every = 3 * time.Second
		_, batches := f.start(t, f.line(in), Options{})
		before := 0
		for i, want := range []int{5, 1, 1, 5, 1, 1, 2, 1, 1, 2} {
			b := <-batches
			if b.Err != nil {
				t.Errorf("poll %d: %v", i+1, b.Err)
			}
			now := len(f.asked(11))
			if now-before != want {
				t.Errorf("poll %d took %d requests, expected %d", i+1, now-before, want)
			}
			before = now
		}
	})
}
