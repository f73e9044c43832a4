package alarms

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unsafe"
)

// scene plays a story on one evaluator.
type scene struct {
	*testing.T
	e       *Evaluator
	now     time.Time
	in      []Sample
	inputs  []string
	setting []Setting
	// log is every transition so far.
	log []Transition
}

func play(t *testing.T, inputs string, s ...Setting) *scene {
	t.Helper()
	sc := &scene{T: t, now: t0, inputs: strings.Fields(inputs), setting: s}
	sc.in = make([]Sample, len(sc.inputs))
	for i := range sc.in {
		sc.in[i] = good(0)
	}
	sc.build()
	return sc
}

func (s *scene) build() {
	s.Helper()
	e, err := New(s.setting, s.inputs)
	if err != nil {
		s.Fatal(err)
	}
	s.e = e
}

// step lets d pass and evaluates the first inputs as given.
func (s *scene) step(d time.Duration, in ...Sample) []Transition {
	s.now = s.now.Add(d)
	copy(s.in, in)
	ts := s.e.Step(s.now, s.in)
	s.log = append(s.log, ts...)
	return ts
}

func (s *scene) order(o Order) Answer {
	if o.By == "" {
		o.By = "on-call-1"
	}
	if o.Alarm == "" {
		o.Alarm = "a"
	}
	ts, ans := s.e.Order(s.now, o)
	s.log = append(s.log, ts...)
	return ans
}

// done gives an order that must succeed.
func (s *scene) done(o Order) {
	s.Helper()
	if ans := s.order(o); ans.Result != Done {
		s.Fatalf("the order to %s was answered %+v", o.Verb, ans)
	}
}

func (s *scene) ack() { s.Helper(); s.done(Order{Verb: Acknowledge, Episode: s.a().episode}) }
func (s *scene) shelve(d time.Duration) {
	s.Helper()
	s.done(Order{Verb: Shelve, For: d, Reason: "work on the analyser"})
}

// restart brings a new evaluator up on what the old one kept, d later.
func (s *scene) restart(d time.Duration) {
	s.Helper()
	cp := s.e.Checkpoint()
	s.build()
	s.now = s.now.Add(d)
	ts, err := s.e.Restore(cp, s.now)
	if err != nil {
		s.Fatal(err)
	}
	s.log = append(s.log, ts...)
}

func (s *scene) a() *alarm { return s.e.byName["a"] }

// is demands the state of alarm a.
func (s *scene) is(want State) {
	s.Helper()
	if got := s.a().state(); got != want {
		s.Errorf("the alarm is %s, expected %s", got, want)
	}
}

// calls demands how often people were called so far.
func (s *scene) calls(want int) {
	s.Helper()
	n := 0
	for _, t := range s.log {
		if t.Annunciate {
			n++
		}
	}
	if n != want {
		s.Errorf("people were called %d times, expected %d", n, want)
	}
}

// causes demands the causes of all transitions so far.
func (s *scene) causes(want string) {
	s.Helper()
	var got []string
	for _, t := range s.log {
		got = append(got, string(t.Cause))
	}
	if strings.Join(got, " ") != want {
		s.Errorf("happened: %s; expected: %s", strings.Join(got, " "), want)
	}
}

// clocks is a time whose wall clock and monotonic clock are set apart, as the
// operating system gives it when its clock was stepped.
func clocks(t *testing.T, wall time.Time, monotonic time.Duration) time.Time {
	t.Helper()
	// The layout of time.Time with a monotonic reading: package time, time.go.
	out := time.Now()
	v := (*struct {
		wall uint64
		ext  int64
	})(unsafe.Pointer(&out))
	since1885 := wall.Unix() - time.Date(1885, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
	v.wall = 1<<63 | uint64(since1885)<<30 | uint64(wall.Nanosecond())
	v.ext = int64(monotonic)
	if !out.Round(0).Equal(wall) || out.Add(time.Second).Sub(out) != time.Second {
		t.Fatal("time.Time is laid out in another way: mend clocks")
	}
	return out
}

func latching(s *Setting)   { s.Latching = true }
func shelvable(s *Setting)  { s.ShelveMax = 8 * time.Hour }
func suppressed(s *Setting) { s.SuppressedBy = "off" }

func both(edits ...func(*Setting)) func(*Setting) {
	return func(s *Setting) {
		for _, e := range edits {
			e(s)
		}
	}
}

// scenarios are the 58 stories that an alarm system meets sooner or later, each
// with its expected outcome. One that another package bears out names the test;
// one that cannot happen here says why.
var scenarios = []struct {
	number  int
	story   string
	outcome func(*testing.T)
	// elsewhere is folder and test, when the story is borne out there.
	elsewhere []string
	why       string
}{
	{1, "the wall clock steps +1 h during an on-delay of 60 s", func(t *testing.T) {
		s := play(t, "x", high(func(s *Setting) { s.OnDelay = time.Minute }))
		for i := range 60 {
			wall := t0.Add(time.Duration(i) * time.Second)
			if i > 10 {
				wall = wall.Add(time.Hour)
			}
			s.e.Step(clocks(t, wall, time.Duration(i+1)*time.Second), []Sample{good(20)})
			s.is(Normal)
		}
		s.e.Step(clocks(t, t0.Add(time.Hour+time.Minute), 61*time.Second), []Sample{good(20)})
		s.is(Unacknowledged)
	}, []string{"agent TestNoWallClockMovesAnAlarm"}, ""},
	{2, "the wall clock steps -1 h while an alarm is shelved", func(t *testing.T) {
		s := play(t, "x", high(shelvable))
		s.now = clocks(t, t0, time.Second)
		s.step(0, good(20))
		s.shelve(30 * time.Minute)
		back := clocks(t, t0.Add(10*time.Minute-time.Hour), time.Second+10*time.Minute)
		s.e.Step(back, []Sample{good(20)})
		s.is(Shelved)
		s.log = s.e.Step(back.Add(20*time.Minute), []Sample{good(20)})
		s.is(Unacknowledged) // 40 min before the wall clock would say so
		s.calls(1)
		// And the other way: the wall clock is there first.
		s = play(t, "x", high(shelvable))
		s.now = clocks(t, t0, time.Second)
		s.step(0, good(20))
		s.shelve(30 * time.Minute)
		s.e.Step(clocks(t, t0.Add(time.Hour), 2*time.Second), []Sample{good(20)})
		s.is(Unacknowledged)
	}, nil, ""},
	{3, "the clock is not set at the start: 1970", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.e.Step(clocks(t, time.Unix(60, 0), time.Second), []Sample{good(20)})
		s.e.Step(clocks(t, t0, 2*time.Second), []Sample{good(20)})
		ts := s.e.Step(clocks(t, t0.Add(time.Second), 3*time.Second), []Sample{good(0)})
		if len(ts) != 1 || ts[0].Sequence != 2 {
			t.Errorf("transitions %+v, expected the second in sequence", ts)
		}
		if p := s.e.Performance(); p.Stale != 0 {
			t.Errorf("the jump of the clock made %d alarms stale", p.Stale)
		}
	}, nil, ""},
	{4, "leap second, daylight saving", func(t *testing.T) {
		// Both changes of the year 2026 in a zone with daylight saving.
		zone, err := time.LoadLocation("America/New_York")
		if err != nil {
			t.Skip("no time zones here:", err)
		}
		for _, at := range []time.Time{time.Date(2026, 3, 8, 6, 59, 30, 0, time.UTC), time.Date(2026, 11, 1, 5, 59, 30, 0, time.UTC)} {
			s := play(t, "x", high(both(shelvable, func(s *Setting) { s.OnDelay = time.Minute })))
			s.now = at.In(zone)
			s.step(0, good(20))
			s.step(59*time.Second, good(20))
			s.is(Normal)
			s.step(time.Second, good(20))
			s.is(Unacknowledged)
			s.shelve(time.Hour)
			s.step(time.Hour-time.Second, good(20))
			s.is(Shelved)
			s.step(time.Second, good(20))
			s.is(Unacknowledged)
		}
	}, nil, ""},
	{5, "a step with an older time than the last", func(t *testing.T) {
		s := play(t, "x", high(func(s *Setting) { s.OnDelay = 10 * time.Second }))
		s.step(0, good(20))
		s.step(9*time.Second, good(20))
		s.step(-time.Hour, good(20))
		s.is(Normal)
		s.step(time.Second, good(20))
		s.is(Unacknowledged)
	}, nil, ""},
	{6, "two samples at one time", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(0))
		s.step(0, good(20))
		s.is(Unacknowledged)
		s.step(0, good(0))
		s.is(ReturnedUnacknowledged)
		s.causes("raised cleared")
	}, nil, ""},
	{7, "a source time ahead of ours", nil, []string{"agent/field TestStampedByNow"},
		"Modbus instruments send no time: every reading is stamped by the daemon's own clock"},
	{8, "the host is suspended for 20 min", func(t *testing.T) {
		s := play(t, "x", high(func(s *Setting) { s.OnDelay = time.Minute }))
		s.step(0, good(20))
		s.step(time.Second, good(20))
		s.step(20*time.Minute, Sample{Quality: "bad:stale", Detail: "is too old"})
		s.is(Normal)
		s.step(time.Second, good(20))
		s.step(57*time.Second, good(20))
		s.is(Normal)
		s.step(time.Second, good(20))
		s.step(time.Second, good(20))
		s.calls(1)
	}, []string{"agent TestSuspendedHost"}, ""},
	{9, "no number, infinity", func(t *testing.T) {
		for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			s := play(t, "x", high(nil), high(func(s *Setting) { s.Name, s.Kind, s.Limit = "low", LowLimit, -1 }), high(func(s *Setting) { s.Name, s.Kind = "blind", Stale }))
			s.step(0, good(v))
			s.is(Normal)
			if s.e.byName["low"].active || !s.e.byName["blind"].active {
				t.Errorf("%v: low %v, blind %v", v, s.e.byName["low"].active, s.e.byName["blind"].active)
			}
			s.step(time.Second, good(20))
			s.step(time.Hour, good(v))
			s.is(Unacknowledged)
			if c := s.e.Conditions()[0]; c.Value != nil {
				t.Errorf("%v was given out as a value", *c.Value)
			}
		}
	}, nil, ""},
	{10, "a value exactly at the limit, and at limit - deadband", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(math.Nextafter(10, 0)))
		s.is(Normal)
		s.step(time.Second, good(10))
		s.is(Unacknowledged)
		s.step(time.Second, good(math.Nextafter(9, 10)))
		s.is(Unacknowledged)
		s.step(time.Second, good(9)) // our rule: at limit − deadband it has returned
		s.is(ReturnedUnacknowledged)
	}, nil, ""},
	{11, "flapping inside the deadband", func(t *testing.T) {
		s := play(t, "x", high(nil))
		for i := range 100 {
			s.step(time.Second, good(10+0.5*float64(1-2*(i%2))))
		}
		s.calls(1)
	}, nil, ""},
	{12, "flapping across the whole deadband at each scan", func(t *testing.T) {
		s := play(t, "x", high(nil))
		for i := range 100 {
			s.step(time.Second, good(float64(20*(i%2))))
		}
		s.calls(50)
		if p := s.e.Performance(); len(p.Chattering) != 1 || p.Bursts != 1 {
			t.Errorf("chattering %v, bursts %d, expected the alarm and 1", p.Chattering, p.Bursts)
		}
		s.is(Unacknowledged) // it is not hidden by itself
		s = play(t, "x", high(func(s *Setting) { s.OffDelay = 2 * time.Second }))
		for i := range 100 {
			s.step(time.Second, good(float64(20*(i%2))))
		}
		s.calls(1)
	}, nil, ""},
	{13, "a spike one scan long", func(t *testing.T) {
		for _, tc := range []struct {
			on, off time.Duration
			calls   int
		}{{2 * time.Second, 0, 0}, {0, 10 * time.Second, 1}} {
			s := play(t, "x", high(func(s *Setting) { s.OnDelay, s.OffDelay = tc.on, tc.off }))
			s.step(time.Second, good(0))
			s.step(time.Second, good(20))
			for range 10 {
				s.step(time.Second, good(0))
			}
			s.calls(tc.calls)
			if tc.calls == 1 {
				s.is(Unacknowledged)
				s.step(time.Second, good(0))
				s.is(ReturnedUnacknowledged)
			}
		}
	}, nil, ""},
	{14, "a bad sample in the middle of an on-delay", func(t *testing.T) {
		for policy, left := range map[BadPolicy]time.Duration{Hold: 5 * time.Second, RestartDelay: 10 * time.Second} {
			s := play(t, "x", high(func(s *Setting) { s.OnDelay, s.OnBad = 10*time.Second, policy }))
			s.step(0, good(20))
			s.step(5*time.Second, good(20))
			s.step(time.Hour, bad)
			s.step(time.Second, good(20))
			s.step(left-time.Second, good(20))
			s.is(Normal)
			s.step(time.Second, good(20))
			s.is(Unacknowledged)
		}
		s := play(t, "x", high(func(s *Setting) { s.OnDelay, s.OnBad = 10*time.Second, CountAsAlarm }))
		s.step(0, bad)
		s.step(9*time.Second, bad)
		s.is(Normal)
		s.step(time.Second, bad)
		s.is(Unacknowledged)
	}, nil, ""},
	{15, "a bad sample in the middle of an off-delay", func(t *testing.T) {
		s := play(t, "x", high(func(s *Setting) { s.OffDelay = 10 * time.Second }))
		s.step(0, good(20))
		s.step(time.Second, good(0))
		s.step(9*time.Second, good(0))
		s.step(time.Second, bad)
		s.step(time.Second, good(0))
		s.step(9*time.Second, good(0))
		s.is(Unacknowledged)
		s.step(time.Second, good(0))
		s.is(ReturnedUnacknowledged)
	}, nil, ""},
	{16, "settings that make no sense", func(t *testing.T) {
		for want, edit := range map[string]func(*Setting){
			"deadband must be zero or more":  func(s *Setting) { s.Deadband = -1 },
			"limit must be a finite":         func(s *Setting) { s.Limit = math.Inf(1) },
			"deadband must be under the":     func(s *Setting) { s.Kind, s.Other, s.Limit, s.Deadband = Deviation, "x", 1, 1 },
			"delay must be zero":             func(s *Setting) { s.OffDelay = -time.Second },
			"may not be suppressed":          func(s *Setting) { s.Safety, s.SuppressedBy = true, "x" },
			"may be shelved for at most 30m": func(s *Setting) { s.Safety, s.ShelveMax = true, time.Hour },
		} {
			if _, err := New([]Setting{high(edit)}, []string{"x"}); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("error %v, expected one that says %q", err, want)
			}
		}
	}, []string{"config TestBadFiles"}, "limits out of order, level 2 under level 1, are found in the site file"},
	{17, "the limit is changed while the alarm stands, so that the value is now normal", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		s.setting[0].Limit = 30
		s.restart(time.Second)
		s.is(Unacknowledged)
		s.step(time.Second, good(29.5)) // in the deadband of the new limit
		s.is(Unacknowledged)
		s.step(time.Second, good(20))
		s.is(ReturnedUnacknowledged)
		s.causes("raised setting-changed cleared")
	}, nil, ""},
	{18, "a value stands still while it must move", func(t *testing.T) {
		stuck := high(func(s *Setting) {
			s.Kind, s.Other, s.Limit, s.Deadband, s.Play = Stuck, "flow", 600, 0, 0.01
			s.Shown = Scale{Unit: "min", Factor: 1.0 / 60}
		})
		s := play(t, "x flow", stuck)
		for range 60 {
			s.step(time.Minute, good(1.2), good(0)) // no flow: nothing has to move
		}
		s.is(Normal)
		for range 9 {
			s.step(time.Minute, good(1.2), good(3))
		}
		s.is(Normal)
		s.step(time.Minute, good(1.205), good(3))
		s.is(Unacknowledged)
		if got := s.e.Conditions()[0].What; got != "The value is at the limit of 10 min." {
			t.Errorf("it says %q", got)
		}
		s.step(time.Minute, good(1.3), good(3))
		s.is(ReturnedUnacknowledged)
	}, nil, ""},
	{19, "a sensor is replaced: another scale in the site file", func(t *testing.T) {
		s := play(t, "x", high(func(s *Setting) { s.OnDelay = 10 * time.Second }), high(func(s *Setting) { s.Name = "b" }))
		s.step(0, good(9.5))
		s.step(time.Second, good(20))
		s.setting[0].Shown = Scale{Unit: "g/m3", Factor: 1, Decimals: 1}
		s.restart(5 * time.Second)
		s.step(time.Second, good(20))
		s.step(9*time.Second, good(20))
		s.is(Normal) // its delay began anew
		if b := s.e.byName["b"].state(); b != Unacknowledged {
			t.Errorf("alarm b was cleared silently: %s", b)
		}
	}, nil, "registers carry no serial number: a replaced sensor shows as an edited site file, and so as a restart; the quality stays that of the readings"},
	{20, "3.7, 3.5, 20.8 and 21.2 mA", nil, []string{"agent/field TestCurrentBands", "agent/field TestCurrentAgainstTheOracle"}, ""},
	{21, "an acknowledgement in the same tick as the clear", func(t *testing.T) {
		for _, latches := range []bool{false, true} {
			want := Normal
			if latches {
				want = LatchedAcknowledged
			}
			for _, first := range []string{"ack", "clear"} {
				s := play(t, "x", high(func(s *Setting) { s.Latching = latches }))
				s.step(0, good(20))
				if first == "ack" {
					s.ack()
					s.step(0, good(0))
				} else {
					s.step(0, good(0))
					s.ack()
				}
				s.is(want)
			}
		}
	}, nil, ""},
	{22, "an acknowledgement of episode 37 comes when 38 stands", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.a().episode = 36
		s.step(0, good(20))
		s.step(time.Second, good(0))
		s.step(time.Second, good(20))
		if ans := s.order(Order{Verb: Acknowledge, Episode: 37}); ans.Result != Refused || !strings.Contains(ans.Why, "37 is not the present one, 38") {
			t.Errorf("answered %+v", ans)
		}
		s.is(Unacknowledged)
	}, nil, ""},
	{23, "two people acknowledge", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		s.ack()
		if ans := s.order(Order{Verb: Acknowledge, Episode: 1, By: "on-call-2"}); ans.Result != Already || !strings.Contains(ans.Why, "by on-call-1") {
			t.Errorf("answered %+v", ans)
		}
		s.causes("raised acknowledged order-refused")
		if o := s.log[2].Order; o == nil || o.By != "on-call-2" || o.Result != Already {
			t.Errorf("the second is recorded as %+v", o)
		}
	}, nil, ""},
	{24, "raised again while nobody has acknowledged the return", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		s.step(time.Second, good(0))
		s.is(ReturnedUnacknowledged)
		s.step(time.Second, good(20))
		s.is(Unacknowledged)
		s.calls(2)
		if s.a().episode != 2 {
			t.Errorf("episode %d, expected 2", s.a().episode)
		}
	}, nil, ""},
	{25, "a reset while active; a reset of an unanswered latch", func(t *testing.T) {
		s := play(t, "x", high(latching))
		s.step(0, good(20))
		if ans := s.order(Order{Verb: ResetLatch}); ans.Result != Refused {
			t.Errorf("answered %+v", ans)
		}
		s.is(Unacknowledged)
		s.step(time.Second, good(0))
		s.done(Order{Verb: ResetLatch})
		s.is(ReturnedUnacknowledged)
		s.ack()
		s.is(Normal)
	}, nil, ""},
	{26, "a latching trip of one scan, and nobody looks for 8 h", func(t *testing.T) {
		s := play(t, "x", high(latching))
		s.step(0, good(20))
		for range 8 * 60 {
			s.step(time.Minute, good(0))
		}
		s.is(LatchedUnacknowledged)
		for _, tr := range s.log {
			if tr.StopEscalation {
				t.Errorf("the calling was stopped by %+v", tr)
			}
		}
	}, []string{"alarms/escalation TestLatchedTripIsToldOn"}, ""},
	{27, "shelved while unanswered, cleared inside; raised and cleared inside", func(t *testing.T) {
		s := play(t, "x", high(shelvable))
		s.step(0, good(20))
		s.shelve(time.Hour)
		s.step(time.Minute, good(0))
		s.done(Order{Verb: Unshelve})
		s.is(ReturnedUnacknowledged)
		for _, latches := range []bool{false, true} {
			s := play(t, "x", high(both(shelvable, func(s *Setting) { s.Latching = latches })))
			s.shelve(time.Hour)
			s.step(time.Minute, good(20))
			s.step(time.Minute, good(0))
			s.calls(0)
			s.step(time.Hour, good(0))
			if latches {
				s.is(LatchedUnacknowledged)
				s.calls(1)
			} else {
				s.is(Normal)
				s.calls(0)
			}
			s.causes("shelved raised cleared shelving-expired")
		}
	}, nil, ""},
	{28, "acknowledged, shelved, and still standing when that ends", func(t *testing.T) {
		s := play(t, "x", high(shelvable))
		s.step(0, good(20))
		s.ack()
		s.shelve(time.Hour)
		s.step(time.Hour, good(20))
		s.is(Unacknowledged)
		s.calls(2)
		if by := s.e.Conditions()[0].AcknowledgedBy; by != "" {
			t.Errorf("it still says that %s acknowledged it", by)
		}
	}, nil, ""},
	{29, "a one-shot shelving of an inactive alarm", func(t *testing.T) {
		oneShot := Order{Verb: Shelve, OneShot: true, Reason: "pump swap"}
		s := play(t, "x", high(shelvable))
		s.done(oneShot)
		s.step(time.Minute, good(20))
		s.is(Shelved)
		s.step(time.Minute, good(0))
		s.is(Normal)
		s.step(time.Minute, good(20))
		s.is(Unacknowledged)
		s.calls(1)
		s = play(t, "x", high(shelvable))
		s.step(0, good(0))
		s.done(oneShot)
		s.step(8*time.Hour-time.Second, good(20))
		s.is(Shelved)
		s.step(time.Second, good(20))
		s.is(Unacknowledged)
	}, nil, ""},
	{30, "a shelving too long, of no time, of less than none", func(t *testing.T) {
		s := play(t, "x", high(shelvable))
		for _, d := range []time.Duration{0, -time.Hour, 8*time.Hour + 1, math.MaxInt64} {
			if ans := s.order(Order{Verb: Shelve, For: d, Reason: "why not"}); ans.Result != Refused || !strings.Contains(ans.Why, "at most 8h") {
				t.Errorf("%s: answered %+v", d, ans)
			}
		}
		if ans := s.order(Order{Verb: Shelve, For: -1, OneShot: true, Reason: "why not"}); ans.Result != Refused {
			t.Errorf("a one-shot of less than no time was answered %+v", ans)
		}
		s.is(Normal)
		// Again and again does not make it longer than the most.
		s.shelve(8 * time.Hour)
		s.step(4*time.Hour, good(0))
		if ans := s.order(Order{Verb: Shelve, For: 5 * time.Hour, Reason: "still at it"}); ans.Result != Refused || !strings.Contains(ans.Why, "at most 4h0m0s more") {
			t.Errorf("answered %+v", ans)
		}
		s.shelve(3 * time.Hour)
		s.step(3*time.Hour, good(0))
		s.is(Normal)
	}, nil, ""},
	{31, "an alarm that guards life is shelved without the right", func(t *testing.T) {
		guard := high(func(s *Setting) { s.Safety, s.ShelveMax = true, 15*time.Minute })
		s := play(t, "x", guard)
		o := Order{Verb: Shelve, For: time.Minute, Reason: "bump test"}
		if ans := s.order(o); ans.Result != Refused {
			t.Errorf("answered %+v", ans)
		}
		if err := s.e.Permit([]Role{{Name: "operator", May: verbs}, {Name: "gas", May: verbs, Safety: true}}); err != nil {
			t.Fatal(err)
		}
		o.Role = "operator"
		if ans := s.order(o); ans.Result != Refused || !strings.Contains(ans.Why, "guards life") {
			t.Errorf("answered %+v", ans)
		}
		s.is(Normal)
		s.causes("order-refused order-refused")
		o.Role = "gas"
		s.done(o)
		s.is(Shelved)
	}, nil, ""},
	{32, "shelved, suppressed and out of service at once, ended in all six orders", func(t *testing.T) {
		ends := map[byte]func(*scene){
			'G': func(s *scene) { s.done(Order{Verb: Unshelve}) },
			'H': func(s *scene) { s.step(time.Second, good(20), good(0)) },
			'I': func(s *scene) { s.done(Order{Verb: BringBack}) },
		}
		for _, order := range []string{"GHI", "GIH", "HGI", "HIG", "IGH", "IHG"} {
			s := play(t, "x off", high(both(shelvable, suppressed)))
			s.step(0, good(0), good(1))
			s.shelve(time.Hour)
			s.done(Order{Verb: TakeOut, Reason: "no probe"})
			s.step(time.Second, good(20), good(1))
			for i := range 3 {
				s.calls(0)
				ends[order[i]](s)
			}
			s.is(Unacknowledged)
			s.calls(1)
		}
	}, nil, ""},
	{33, "the suppressing figure flaps at each scan", func(t *testing.T) {
		s := play(t, "x off", high(both(suppressed, func(s *Setting) { s.UnsuppressDelay = time.Minute })))
		s.step(0, good(20), good(1))
		for i := range 100 {
			s.step(time.Second, good(20), good(float64(i%2)))
		}
		s.calls(0)
		s.causes("suppressed raised")
		s.step(time.Second, good(20), good(0))
		s.step(59*time.Second, good(20), good(0))
		s.is(Unacknowledged)
		s.calls(1)
	}, nil, ""},
	{34, "the suppressing figure goes bad", func(t *testing.T) {
		s := play(t, "x off", high(both(suppressed, func(s *Setting) { s.UnsuppressDelay = time.Hour })))
		on := good(1)
		on.Detail = "the filter is being washed"
		s.step(0, good(20), on)
		if c := s.e.Conditions()[0]; c.State != Suppressed || c.WithheldBy != "off" || c.WithheldWhy != on.Detail || c.Underlying != Unacknowledged {
			t.Errorf("suppressed as %+v", c)
		}
		s.step(time.Second, good(20), bad)
		s.is(Unacknowledged)
		s.calls(1)
	}, nil, ""},
	{35, "killed at each write of a transition", nil, []string{"agent/journal TestKilledWhileCommitting", "cmd/ebbwatch TestKilledAndStartedAgain", "cmd/ebbwatch TestKill"}, ""},
	{36, "restarted while unanswered", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		before := s.e.Conditions()[0]
		s.restart(time.Hour)
		if c := s.e.Conditions()[0]; c.State != Unacknowledged || c.Episode != 1 || !c.Since.Equal(before.Since) || c.Sequence != before.Sequence {
			t.Errorf("after the restart %+v, before %+v", c, before)
		}
		s.step(time.Second, good(20))
		s.causes("raised")
	}, []string{"alarms/escalation TestWhoIsToldWhen"}, ""},
	{37, "restarted in the middle of an on-delay", func(t *testing.T) {
		s := play(t, "x", high(func(s *Setting) { s.OnDelay = 10 * time.Second }))
		s.step(0, good(20))
		s.step(9*time.Second, good(20))
		s.restart(time.Second)
		s.step(time.Second, good(20))
		s.step(9*time.Second, good(20))
		s.is(Normal)
		s.step(time.Second, good(20))
		s.is(Unacknowledged)
	}, nil, ""},
	{38, "inside the deadband at a restart, active before", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		s.restart(time.Second)
		s.step(time.Second, good(9.5))
		s.is(Unacknowledged)
		s.calls(1)
	}, nil, ""},
	{39, "a shelving ends while ebbwatch is down; or cannot be read", func(t *testing.T) {
		s := play(t, "x", high(shelvable))
		s.step(0, good(20))
		s.shelve(time.Hour)
		s.restart(time.Minute)
		s.is(Shelved)
		s.restart(time.Hour)
		s.step(time.Second, good(20))
		s.is(Unacknowledged)
		s.calls(2)
		s.shelve(time.Hour)
		cp := strings.Replace(string(s.e.Checkpoint()), `"shelved_until"`, `"lost"`, 1)
		s.build()
		ts, err := s.e.Restore([]byte(cp), s.now)
		if err != nil || len(ts) != 1 || !ts[0].Annunciate {
			t.Errorf("restored with %+v, %v", ts, err)
		}
		s.is(Unacknowledged)
	}, nil, ""},
	{40, "the journal is missing, damaged, or the disk is full", nil, []string{"agent TestLostJournalIsTold", "agent TestWithoutMemoryItStillTells", "agent/journal TestDamagedFile", "agent/journal TestDiskFull"}, ""},
	{41, "an active alarm is removed from, or renamed in, the site file", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		s.setting[0].Name = "b"
		s.restart(time.Second)
		s.step(time.Second, good(20))
		s.causes("raised retired raised")
		if s.log[1].After.Alarm != "a" || s.log[2].After.Alarm != "b" || s.log[2].After.Episode != 1 {
			t.Errorf("closed %s, raised %s", s.log[1].After.Alarm, s.log[2].After.Alarm)
		}
	}, []string{"alarms/notify TestRetiredAlarmIsRemoved"}, ""},
	{42, "every message comes twice", func(t *testing.T) {
		s := play(t, "x", high(shelvable))
		o := Order{Verb: Shelve, For: time.Hour, Reason: "work", ID: "o-1"}
		s.done(o)
		s.restart(time.Second) // and one of the two before a restart
		s.step(time.Minute, good(0))
		if ans := s.order(o); ans.Result != Already {
			t.Errorf("answered %+v", ans)
		}
		s.causes("shelved")
	}, nil, ""},
	{43, "the broker is away for raise, clear, raise", nil, []string{"alarms/notify TestNoEventIsLostWhenTheBrokerIsKilled"}, ""},
	{44, "the broker loses what it retained", nil, []string{"alarms/notify TestPresentIsRetained", "alarms/notify TestOrdersOverABroker"}, ""},
	{45, "an old will comes after the new session is up", nil, []string{"alarms/notify TestPresence"}, ""},
	{46, "a retained order; an order that waited for 2 h", nil, []string{"alarms/notify TestOrders"}, ""},
	{47, "a receiver joins in a flood", nil, []string{"alarms/notify TestPresentIsRetained"}, ""},
	{48, "the evaluation hangs while the connection stays up", nil, []string{"agent TestHeartbeatIsMadeByTheLoop"}, ""},
	{49, "told, and nobody there", func(t *testing.T) {
		s := play(t, "x", high(func(s *Setting) { s.ReAlarm = time.Hour }))
		s.step(0, good(20))
		for range 600 {
			s.step(time.Minute, good(20))
		}
		s.is(Unacknowledged) // being told is no answer
		s.ack()
		s.step(59*time.Minute, good(20))
		s.is(Acknowledged)
		s.step(time.Minute, good(20))
		s.is(Unacknowledged) // and an answer is no repair
		s.causes("raised acknowledged re-alarmed")
		if c := s.e.Conditions()[0]; c.Realarms != 1 {
			t.Errorf("announced again %d times, expected 1", c.Realarms)
		}
	}, []string{"alarms/escalation TestWhoIsToldWhen"}, ""},
	{50, "orders that are not permitted, malformed or oversized", func(t *testing.T) {
		s := play(t, "x", high(shelvable))
		if err := s.e.Permit([]Role{{Name: "watch", May: []Verb{Acknowledge}, Priorities: []Priority{Low}}, {Name: "operator", May: []Verb{Acknowledge}}}); err != nil {
			t.Fatal(err)
		}
		s.step(0, good(20))
		for want, o := range map[string]Order{
			"proves no role":       {Verb: Acknowledge, Episode: 1},
			`no role is called`:    {Verb: Acknowledge, Episode: 1, Role: "boss"},
			"may not shelve":       {Verb: Shelve, For: 1, Role: "operator", Reason: "x"},
			"about high alarms":    {Verb: Acknowledge, Episode: 1, Role: "watch"},
			"gives no reason":      {Verb: Shelve, For: 1, Role: "operator"},
			"longer than 64 bytes": {Verb: Acknowledge, Episode: 1, Role: "operator", ID: strings.Repeat("x", 65)},
			"at most 500":          {Verb: Note, Reason: strings.Repeat("x", 501)},
			"not UTF-8":            {Verb: Note, Reason: "\xff"},
			"the note is empty":    {Verb: Note},
			"no alarm is called":   {Verb: Acknowledge, Alarm: "b"},
		} {
			if ans := s.order(o); ans.Result != Refused || !strings.Contains(ans.Why, want) {
				t.Errorf("answered %+v, expected a refusal that says %q", ans, want)
			}
		}
		s.is(Unacknowledged)
		s.done(Order{Verb: Acknowledge, Episode: 1, Role: "operator"})
	}, []string{"alarms/notify TestOrdersNotPermitted", "alarms/notify TestOrdersAreBounded", "alarms/notify FuzzOrder"}, ""},
	{51, "500 alarms in one scan", func(t *testing.T) {
		var all []Setting
		for i := range 500 {
			all = append(all, high(func(s *Setting) {
				s.Name, s.Priority = fmt.Sprintf("n%d", i), []Priority{Low, Medium, High, Critical}[i%4]
			}))
		}
		s := play(t, "x", all...)
		ts := s.step(0, good(20))
		if len(ts) != 500 {
			t.Fatalf("%d transitions, expected 500", len(ts))
		}
		for i := range ts {
			if i > 0 && ts[i].After.Priority.Rank() > ts[i-1].After.Priority.Rank() {
				t.Errorf("%s was told after %s", ts[i].After.Priority, ts[i-1].After.Priority)
			}
		}
		// The flood begins with the eleventh and ends with fewer than five.
		s = play(t, "x y", append(all[:10:10], high(func(s *Setting) { s.Name, s.Input = "last", "y" }))...)
		s.step(0, good(20))
		if s.e.Performance().Flood {
			t.Error("ten alarms are a flood")
		}
		s.step(9*time.Minute, good(20), good(20))
		if !s.e.Performance().Flood {
			t.Error("eleven alarms are no flood")
		}
		s.step(time.Minute, good(20), good(20))
		if p := s.e.Performance(); p.Flood || p.TimeInFlood != time.Minute {
			t.Errorf("one in 10 min is still a flood (%v), or it lasted %s", p.Flood, p.TimeInFlood)
		}
	}, nil, ""},
	{52, "the link to a gateway with 60 points is lost", nil, []string{"agent/plant TestLineLost"}, ""},
	{53, "active for exactly 24 h, and for 1 ms more", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		s.ack()
		s.step(24*time.Hour, good(20))
		if n := s.e.Performance().Stale; n != 0 {
			t.Errorf("%d stale, expected none", n)
		}
		s.step(time.Millisecond, good(20))
		if n := s.e.Performance().Stale; n != 1 {
			t.Errorf("%d stale, expected 1", n)
		}
	}, nil, ""},
	{54, "three annunciations at 0, 30 and 60.000 s", func(t *testing.T) {
		for last, want := range map[time.Duration]int{60 * time.Second: 0, 60*time.Second - time.Millisecond: 1} {
			s := play(t, "x", high(nil))
			at := time.Duration(0)
			for _, next := range []time.Duration{0, 30 * time.Second, last} {
				s.step((next-at)/2, good(0))
				s.step(next-at-(next-at)/2, good(20))
				at = next
			}
			if p := s.e.Performance(); len(p.Chattering) != want {
				t.Errorf("third after %s: chattering %v, expected %d", last, p.Chattering, want)
			}
		}
	}, nil, ""},
	{55, "the priority is changed while unanswered, and while acknowledged", func(t *testing.T) {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		s.setting[0].Priority = Low
		s.restart(time.Second)
		s.is(Unacknowledged)
		if tr := s.log[1]; tr.Cause != Reprioritised || tr.LastPriority != High || tr.After.Priority != Low || tr.Annunciate {
			t.Errorf("told as %+v", tr)
		}
		s.ack()
		s.setting[0].Priority = Medium // raised: to be answered anew
		s.restart(time.Second)
		s.is(Unacknowledged)
		s.calls(2)
		s.ack()
		s.setting[0].Priority = Low
		s.restart(time.Second)
		s.is(Acknowledged)
		s.calls(2)
	}, nil, ""},
	{56, "first-out: two of a group in one scan; one after the other", func(t *testing.T) {
		of := func(name, input string) Setting {
			return high(func(s *Setting) { s.Name, s.Input, s.Group = name, input, "room" })
		}
		s := play(t, "x y z", of("a", "x"), of("b", "y"), of("c", "z"))
		marks := func() string {
			out := ""
			for _, c := range s.e.Conditions() {
				if c.FirstOut {
					out += c.Alarm
				}
				if c.FirstOutTie {
					out += "="
				}
			}
			return out
		}
		expect := func(want string) {
			t.Helper()
			if got := marks(); got != want {
				t.Errorf("first out %q, expected %q", got, want)
			}
		}
		if ts := s.step(0, good(20), good(20), good(0)); !ts[0].After.FirstOut || !ts[0].After.FirstOutTie {
			t.Errorf("the first is told as %+v", ts[0].After)
		}
		expect("a=b=")
		s.step(time.Second, good(20), good(20), good(20))
		expect("a=b=")
		s.step(time.Second, good(0), good(0), good(0))
		expect("a=b=")
		s.restart(time.Second)
		expect("a=b=")
		for _, name := range []string{"a", "b", "c"} {
			s.done(Order{Verb: Acknowledge, Alarm: name, Episode: 1})
		}
		expect("")
		s.step(time.Second, good(0), good(20), good(0))
		s.step(time.Second, good(20), good(20), good(20))
		expect("b")
	}, nil, ""},
	{57, "one detector bad, one over its level, one quiet", func(t *testing.T) {
		var all []Setting
		for _, d := range []string{"gas-1", "gas-2", "gas-3"} {
			all = append(all, DetectorLevel(d, "room", d, 2), DetectorUnavailable(d, "room", d+".unavailable"))
		}
		s := play(t, "gas-1 gas-2 gas-3 gas-1.unavailable gas-2.unavailable gas-3.unavailable", all...)
		for range 40 {
			s.step(time.Second, good(2), bad, good(0), good(0), good(1), good(0))
		}
		var told []string
		for _, tr := range s.log {
			if tr.Annunciate {
				told = append(told, tr.After.Alarm)
			}
		}
		if got := strings.Join(told, " "); got != "gas-1-level-2 gas-2-unavailable" {
			t.Errorf("called for %s, expected gas-1-level-2 gas-2-unavailable", got)
		}
	}, nil, "ebbwatch tells of every detector by itself, one out of any number; a vote would be a figure of its own"},
	{58, "delays and deadband against the closed form", nil, []string{"alarms TestFalseAlarmRates"}, ""},
}

func TestScenarios(t *testing.T) {
	for i, s := range scenarios {
		if s.number != i+1 {
			t.Fatalf("scenario %d stands where %d should", s.number, i+1)
		}
		t.Run(fmt.Sprintf("scenario %02d %s", s.number, s.story), func(t *testing.T) {
			if s.outcome == nil && len(s.elsewhere) == 0 {
				t.Error("has no test, here or elsewhere")
			}
			for _, where := range s.elsewhere {
				exists(t, where)
			}
			if s.outcome != nil {
				s.outcome(t)
			}
		})
	}
	if len(scenarios) != 58 {
		t.Errorf("%d scenarios, expected 58", len(scenarios))
	}
}

// exists fails when there is no such test in the folder.
func exists(t *testing.T, where string) {
	t.Helper()
	folder, name, _ := strings.Cut(where, " ")
	files, err := filepath.Glob(filepath.Join("..", folder, "*_test.go"))
	if err != nil {
		t.Fatal(err)
	}
	head := regexp.MustCompile(`(?m)^func ` + name + `\(`)
	for _, f := range files {
		if b, err := os.ReadFile(f); err == nil && head.Match(b) {
			return
		}
	}
	t.Errorf("there is no test %s in %s", name, folder)
}
