package alarms

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestPerformanceAgainstHistory compares the counts, which remember little, with
// the same figures taken from the whole history, over restarts too.
func TestPerformanceAgainstHistory(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		type call struct {
			at    time.Duration
			alarm int
		}
		names := []string{"a", "b", "c"}
		var settings []Setting
		for i, n := range names {
			settings = append(settings, high(func(s *Setting) {
				s.Name, s.Input, s.Priority = n, n, []Priority{High, Low, Low}[i]
			}))
		}
		fresh := func() *Evaluator {
			e, err := New(settings, names)
			if err != nil {
				rt.Fatal(err)
			}
			return e
		}
		e := fresh()
		in := []Sample{good(0), good(0), good(0)}
		e.Step(t0, in)
		var calls []call
		var age, flooded time.Duration
		flood := false
		last := func(d time.Duration) int {
			n := 0
			for _, c := range calls {
				if age-c.at < d {
					n++
				}
			}
			return n
		}
		for range rapid.IntRange(1, 120).Draw(rt, "steps") {
			gap := time.Duration(rapid.SampledFrom([]int{1, 5, 20, 61, 600, 3600, 30000}).Draw(rt, "gap")) * time.Second
			if flood {
				flooded += gap
			}
			age += gap
			flood = flood && last(10*time.Minute) >= 5
			for i := range in {
				if rapid.Bool().Draw(rt, "moves") {
					in[i] = good(20 - in[i].Value)
					if in[i].Value > 0 {
						calls = append(calls, call{age, i})
						flood = flood || last(10*time.Minute) > 10
					}
				}
			}
			if rapid.IntRange(0, 9).Draw(rt, "restart") == 0 {
				cp, next := e.Checkpoint(), fresh()
				if _, err := next.Restore(cp, e.last); err != nil {
					rt.Fatal(err)
				}
				e = next
			}
			e.Step(t0.Add(age), in)
		}
		p := e.Performance()
		bin := func(d time.Duration) int { return int(d / (10 * time.Minute)) }
		hour, day, peak, busy, spans := 0, 0, 0, 0, map[int]int{}
		per := map[Priority]int{}
		top := map[string]int{}
		for _, c := range calls {
			spans[bin(c.at)]++
			hour += int(bit(bin(age)-bin(c.at) < 6))
			day += int(bit(bin(age)-bin(c.at) < 144))
			per[settings[c.alarm].Priority]++
			top[names[c.alarm]]++
		}
		for s, n := range spans {
			peak = max(peak, n)
			busy += int(bit(n > 10 && s < bin(age)))
		}
		if age >= 29*24*time.Hour {
			rt.Skip("days have left the memory")
		}
		if p.Annunciations != len(calls) || p.LastHour != hour || p.LastDay != day || p.Peak != peak || p.BusySpans != busy {
			rt.Fatalf("%+v; expected %d calls, %d in the hour, %d in the day, peak %d, %d busy spans", p, len(calls), hour, day, peak, busy)
		}
		if n := last(10 * time.Minute); n <= 10 && p.Last10Minutes != n {
			rt.Fatalf("%d in the last 10 min, expected %d", p.Last10Minutes, n)
		}
		if p.Flood != flood || p.TimeInFlood != flooded {
			rt.Fatalf("flood %v for %s, expected %v for %s", p.Flood, p.TimeInFlood, flood, flooded)
		}
		for _, q := range []Priority{High, Low} {
			if p.ByPriority[q] != per[q] {
				rt.Fatalf("%d of priority %s, expected %d", p.ByPriority[q], q, per[q])
			}
		}
		for i, l := range p.Top {
			if l.Annunciations != top[l.Alarm] || i > 0 && l.Annunciations > p.Top[i-1].Annunciations {
				rt.Fatalf("top %+v, expected %v", p.Top, top)
			}
		}
	})
}

func TestPerformance(t *testing.T) {
	s := play(t, "x", high(shelvable))
	s.step(time.Second, good(20))
	s.step(9*time.Second, good(0)) // fleeting
	s.step(time.Second, good(20))
	s.step(10*time.Second, good(0)) // not fleeting
	s.shelve(time.Hour)
	s.step(time.Second, good(20)) // withheld calls nobody
	s.step(time.Second, good(0))
	p := s.e.Performance()
	if p.Annunciations != 2 || p.Fleeting != 1 || p.Withheld != 1 || p.Standing != 0 || p.TopShare != 1 || len(p.Top) != 1 || p.Top[0].Alarm != "a" {
		t.Errorf("performance %+v", p)
	}
	// A month later nothing of it is left but what is counted for ever.
	s.step(31*24*time.Hour, good(0))
	if p = s.e.Performance(); p.Annunciations != 0 || p.Peak != 0 || p.LastDay != 0 || p.Fleeting != 1 || len(p.Top) != 0 {
		t.Errorf("a month later %+v", p)
	}
	if p.Watched < 29*24*time.Hour || p.Watched > 30*24*time.Hour {
		t.Errorf("watched for %s, expected about 30 days", p.Watched)
	}
	// 31 in an hour are busy, 30 are not; the hour has ended first.
	for n, want := range map[int]int{30: 0, 31: 1} {
		s := play(t, "x", high(nil))
		s.step(0, good(0))
		for range n {
			s.step(30*time.Second, good(20))
			s.step(30*time.Second, good(0))
		}
		s.step(time.Hour, good(0))
		if p := s.e.Performance(); p.BusyHours != want {
			t.Errorf("%d in an hour: %d busy hours, expected %d", n, p.BusyHours, want)
		}
	}
}

// TestTopTen: no more than ten, the busiest first.
func TestTopTen(t *testing.T) {
	var all []Setting
	var inputs []string
	for _, n := range "abcdefghijkl" {
		inputs = append(inputs, string(n))
		all = append(all, high(func(s *Setting) { s.Name, s.Input = string(n), string(n) }))
	}
	e, err := New(all, inputs)
	if err != nil {
		t.Fatal(err)
	}
	in := make([]Sample, len(inputs))
	for round := range 24 {
		for i := range in {
			in[i] = good(20 * bit(round%2 == 0 && round/2 <= i))
		}
		e.Step(t0.Add(time.Duration(round)*time.Hour), in)
	}
	p := e.Performance()
	var top []string
	for _, l := range p.Top {
		top = append(top, l.Alarm)
	}
	if !slices.Equal(top, []string{"l", "k", "j", "i", "h", "g", "f", "e", "d", "c"}) || p.TopShare != float64(78-3)/78 {
		t.Errorf("top %v with a share of %.3f", top, p.TopShare)
	}
}
