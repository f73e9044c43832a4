package alarms

import (
	"slices"
	"strings"
	"testing"
	"time"
)

// porch is two detectors in a room, and an alarm of none.
type porch struct {
	testing.TB
	e   *Evaluator
	now time.Time
	ppm [2]float64
}

func newPorch(t *testing.T) *porch {
	p := &porch{TB: t, now: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)}
	p.build()
	p.step(0)
	return p
}

func (p *porch) build() {
	p.Helper()
	var all []Setting
	for _, d := range []string{"gas-1", "gas-2"} {
		for level := 1; level <= 2; level++ {
			s := DetectorLevel(d, "porch", d, level, "The plan goes first.", "Stay out.")
			s.Detector, s.AtTest, s.OffDelay = d, "It is being tested.", 0
			all = append(all, s)
		}
	}
	e, err := New(all, []string{"gas-1", "gas-2"})
	if err != nil {
		p.Fatal(err)
	}
	p.e = e
}

func (p *porch) step(d time.Duration) []Transition {
	p.now = p.now.Add(d)
	return p.e.Step(p.now, []Sample{good(p.ppm[0]), good(p.ppm[1])})
}

func (p *porch) order(o Order) ([]Transition, Answer) {
	o.By = "operator"
	return p.e.Order(p.now, o)
}

func (p *porch) condition(alarm string) Condition {
	cs := p.e.Conditions()
	return cs[slices.IndexFunc(cs, func(c Condition) bool { return c.Alarm == alarm })]
}

func of(ts []Transition, alarm string) (t Transition) {
	for i := range ts {
		if ts[i].After.Alarm == alarm {
			t = ts[i]
		}
	}
	return t
}

func TestADetectorIsTested(t *testing.T) {
	p := newPorch(t)
	ts, ans := p.order(Order{Verb: Test, Detector: "gas-1", For: 10 * time.Minute})
	if ans.Result != Done || len(ts) != 2 || ts[0].Cause != TestBegun || ts[0].Sequence+1 != ts[1].Sequence {
		t.Fatalf("%+v, %+v", ts, ans)
	}
	// Test gas: people are called, with the mark on every message.
	p.ppm[0] = 3
	ts = p.step(time.Minute)
	for _, alarm := range []string{"gas-1-level-1", "gas-1-level-2"} {
		at := of(ts, alarm)
		if !at.Annunciate || !at.After.Test || at.After.TestUntil == nil || !slices.Equal(at.After.FirstAction, []string{"The plan goes first.", "It is being tested.", "Stay out."}) {
			t.Errorf("%s: %+v", alarm, at)
		}
	}
	// A leak starts at the other detector: no mark, and it says who is tested.
	p.ppm[1] = 1.4
	ts = p.step(time.Minute)
	if leak := of(ts, "gas-2-level-2"); !leak.Annunciate || leak.After.Test || leak.After.TestUntil != nil || leak.After.Evidence != "gas-1 is being tested" || len(leak.After.FirstAction) != 2 {
		t.Errorf("the leak beside the test: %+v", leak)
	}
	// Somebody acknowledges the test's alarm and forgets it; what stands when the
	// test ends by itself calls anew, as another episode without the mark.
	p.order(Order{Verb: Acknowledge, Alarm: "gas-1-level-2", Episode: 1})
	if ts = p.step(7 * time.Minute); len(ts) != 0 {
		t.Errorf("before the test ends: %+v", ts)
	}
	ts = p.step(time.Minute)
	for _, alarm := range []string{"gas-1-level-1", "gas-1-level-2"} {
		if at := of(ts, alarm); at.Cause != TestEnded || !at.Annunciate || at.After.Test || at.After.Episode != 2 || at.After.State != Unacknowledged {
			t.Errorf("%s after the test: %+v", alarm, at)
		}
	}
	if c := p.condition("gas-2-level-2"); c.Evidence != "" || c.Episode != 1 {
		t.Errorf("the neighbour after the test: %+v", c)
	}
}

// TestAMeanIsNotToldAnew: test gas stays in a mean for long after the test.
func TestAMeanIsNotToldAnew(t *testing.T) {
	mean := ExposureHigh("gas-1", "porch", "15min", "gas-1")
	mean.Detector = "gas-1"
	e, err := New([]Setting{mean}, []string{"gas-1"})
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	if _, ans := e.Order(now, Order{Verb: Test, By: "operator", Detector: "gas-1", For: time.Minute}); ans.Result != Done {
		t.Fatalf("%+v", ans)
	}
	if ts := e.Step(now, []Sample{good(0.6)}); len(ts) != 1 || !ts[0].Annunciate || !ts[0].After.Test {
		t.Errorf("during the test: %+v", ts)
	}
	if ts := e.Step(now.Add(time.Minute), []Sample{good(0.6)}); len(ts) != 1 || ts[0].Cause != TestEnded || ts[0].Annunciate || ts[0].After.Episode != 1 {
		t.Errorf("after the test: %+v", ts)
	}
}

func TestATestEnds(t *testing.T) {
	p := newPorch(t)
	if _, ans := p.order(Order{Verb: Test, Detector: "gas-1"}); ans.Result != Already {
		t.Errorf("the end of no test was answered %+v", ans)
	}
	p.order(Order{Verb: Test, Detector: "gas-1", For: 30 * time.Minute})
	if ts, ans := p.order(Order{Verb: Test, Detector: "gas-1"}); ans.Result != Done || len(ts) != 2 || ts[0].Cause != TestEnded || ts[0].Annunciate {
		t.Errorf("the end by order: %+v, %+v", ts, ans)
	}
	// Over a restart.
	p.order(Order{Verb: Test, Detector: "gas-2", For: 30 * time.Minute})
	kept := p.e.Checkpoint()
	p.build()
	p.now = p.now.Add(20 * time.Minute)
	if _, err := p.e.Restore(kept, p.now); err != nil {
		t.Fatal(err)
	}
	p.ppm[1] = 2
	if ts := p.step(time.Second); !of(ts, "gas-2-level-2").After.Test {
		t.Errorf("the test was forgotten at the restart: %+v", ts)
	}
	if ts := p.step(10 * time.Minute); of(ts, "gas-2-level-2").After.Test || !of(ts, "gas-2-level-2").Annunciate {
		t.Errorf("the test has no end after the restart: %+v", ts)
	}
}

func TestOrdersOfADetector(t *testing.T) {
	for _, tc := range []struct {
		reason string
		o      Order
		want   Result
		why    string
	}{
		{"a detector that is not there", Order{Verb: Test, Detector: "gas-7", For: time.Minute}, Refused, `no detector is called "gas-7"`},
		{"both", Order{Verb: Test, Detector: "gas-1", Alarm: "gas-1-level-1", For: time.Minute}, Refused, "without an alarm"},
		{"too long", Order{Verb: Test, Detector: "gas-1", For: 2 * time.Hour}, Refused, "at most 1h0m0s"},
		{"to shelve a detector", Order{Verb: Shelve, Detector: "gas-1", For: time.Minute, Reason: "noise"}, Refused, "expected that for test"},
		{"a role that may not", Order{Verb: Test, Detector: "gas-1", For: time.Minute, Role: "guest"}, Refused, "may not test"},
		{"a role for low alarms only", Order{Verb: Test, Detector: "gas-1", For: time.Minute, Role: "clerk"}, Refused, "no orders about"},
		{"a service", Order{Verb: Serviced, Detector: "gas-1", Service: Service{"bump-test", time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)}}, Done, ""},
		{"a service of nothing", Order{Verb: Serviced, Service: Service{"bump-test", time.Time{}}}, Refused, `no alarm is called ""`},
	} {
		p := newPorch(t)
		if tc.o.Role != "" {
			if err := p.e.Permit([]Role{{Name: "guest"}, {Name: "clerk", May: []Verb{Test}, Priorities: []Priority{Low}}}); err != nil {
				t.Fatal(err)
			}
		}
		ts, ans := p.order(tc.o)
		if ans.Result != tc.want || !strings.Contains(ans.Why, tc.why) || len(ts) != 1 {
			t.Errorf("%s: %+v, %+v", tc.reason, ts, ans)
		}
		if c := p.condition("gas-1-level-1"); c.Test {
			t.Errorf("%s began a test", tc.reason)
		}
	}
}
