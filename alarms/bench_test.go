package alarms

import (
	"fmt"
	"testing"
	"time"
)

// sized is a site's worth of alarms of every kind, a third of them raised.
func sized(b testing.TB, n int) (*Evaluator, []Sample) {
	b.Helper()
	inputs := []string{"quiet", "loud", "off"}
	var all []Setting
	for i := range n {
		all = append(all, high(func(s *Setting) {
			s.Name, s.Kind = fmt.Sprintf("a-%d", i), []Kind{HighLimit, LowLimit, Rising, Deviation, StateOn, Stuck, Stale}[i%7]
			s.Input, s.Window, s.SuppressedBy, s.Group = inputs[i%3/2], time.Minute, "off", fmt.Sprintf("g-%d", i%10)
			if s.Kind == Deviation {
				s.Other = "loud"
			}
		}))
	}
	e, err := New(all, inputs)
	if err != nil {
		b.Fatal(err)
	}
	return e, []Sample{good(3), good(20), good(0)}
}

// BenchmarkStep is a second of a site in the steady state.
func BenchmarkStep(b *testing.B) {
	for _, n := range []int{40, 1000} {
		b.Run(fmt.Sprint(n, " alarms"), func(b *testing.B) {
			e, in := sized(b, n)
			now := t0
			b.ReportAllocs()
			for b.Loop() {
				now = now.Add(time.Second)
				e.Step(now, in)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/alarm")
		})
	}
}

// BenchmarkConditions is what a step costs to be seen, when a value moved and
// when none did.
func BenchmarkConditions(b *testing.B) {
	for name, moves := range map[string]float64{"still": 0, "moving": 0.001} {
		b.Run(name, func(b *testing.B) {
			e, err := New([]Setting{high(nil), high(func(s *Setting) { s.Name, s.Input = "b", "y" })}, []string{"x", "y"})
			if err != nil {
				b.Fatal(err)
			}
			now, v := t0, 3.0
			b.ReportAllocs()
			for b.Loop() {
				now, v = now.Add(time.Second), v+moves
				e.Step(now, []Sample{good(v), good(1)})
				e.Conditions()
			}
		})
	}
}

// TestSteadyStateMakesNoGarbage: nothing is allocated while nothing happens.
func TestSteadyStateMakesNoGarbage(t *testing.T) {
	e, in := sized(t, 40)
	now := t0
	for range 300 { // until every alarm has been raised that will be, and stuck ones too
		now = now.Add(time.Second)
		e.Step(now, in)
	}
	if n := testing.AllocsPerRun(100, func() {
		now = now.Add(time.Second)
		e.Step(now, in)
	}); n != 0 {
		t.Errorf("%g allocations for each step, expected none", n)
	}
}

// TestConditionsAreSharedUntilTheyChange: what was given out is never changed.
func TestConditionsAreSharedUntilTheyChange(t *testing.T) {
	s := play(t, "x y", high(nil), high(func(s *Setting) { s.Name, s.Input = "b", "y" }))
	s.step(0, good(3), good(3))
	first := s.e.Conditions()
	s.step(time.Second, good(3), good(3))
	if again := s.e.Conditions(); &again[0] != &first[0] {
		t.Error("nothing changed, and all was made anew")
	}
	s.step(time.Second, good(20), good(3))
	if first[0].State != Normal || *first[0].Value != 3 {
		t.Errorf("what was given out has changed to %+v", first[0])
	}
	if now := s.e.Conditions(); now[0].State != Unacknowledged || now[1].Value != first[1].Value {
		t.Errorf("now %+v", now)
	}
}
