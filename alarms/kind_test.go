package alarms

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestSlope: a ramp gives its own slope, whatever the scan, the window and the
// level; a step gives a bounded one; and there is none before the window is full.
func TestSlope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		window := time.Duration(rapid.IntRange(10, 7200).Draw(t, "window")) * time.Second
		scan := min(time.Duration(rapid.IntRange(100, 60000).Draw(t, "scan"))*time.Millisecond, window/8)
		rate, level := rapid.Float64Range(-5, 5).Draw(t, "rate"), rapid.Float64Range(-100, 100).Draw(t, "level")
		s := newSlope(window)
		for at := time.Duration(0); at < 3*window; at += scan {
			got, ok := s.add(scan, level+rate*at.Seconds())
			if ok != (s.age >= window) {
				t.Fatalf("after %s of a window of %s: %v", s.age, window, ok)
			}
			if ok && math.Abs(got-rate) > 1e-6*(1+math.Abs(rate)) {
				t.Fatalf("slope %g of a ramp of %g at %s", got, rate, at)
			}
		}
		// After a gap the two sides are not joined.
		s.gap = window
		if _, ok := s.add(scan, level); ok {
			t.Fatal("a slope was taken over a gap")
		}
	})
}

// TestSlopeOfNoise compares with the textbook error of a least-squares slope:
// sigma·sqrt(12/n)/window for n even samples (from memory).
func TestSlopeOfNoise(t *testing.T) {
	s := newSlope(100 * time.Second)
	noise, sum, n := uint32(1), 0.0, 0
	for i := range 20000 {
		noise = noise*1664525 + 1013904223
		v := (float64(noise)/(1<<32) - 0.5) * math.Sqrt(12) // spread 1
		if got, ok := s.add(time.Second, v); ok && i%100 == 0 {
			sum, n = sum+got*got, n+1
		}
	}
	want := math.Sqrt(12.0/100) / 100
	if got := math.Sqrt(sum / float64(n)); got < want*0.75 || got > want*1.35 {
		t.Errorf("spread of the slope %.6f, expected about %.6f", got, want)
	}
}

func TestKinds(t *testing.T) {
	type step struct {
		after time.Duration
		x, y  Sample
		want  State
		what  string
	}
	doubtful := Sample{Value: 12, Usable: true, Quality: "uncertain:held", Detail: "is held"}
	slopes := func(k Kind) func(*Setting) {
		return func(s *Setting) {
			s.Kind, s.Limit, s.Deadband, s.Window = k, 0.5, 0.2, 4*time.Second
			s.Shown = Scale{Unit: "m/h", Factor: 3600}
		}
	}
	for _, tc := range []struct {
		reason string
		edit   func(*Setting)
		steps  []step
	}{
		{"a rise is judged once the window is full", slopes(Rising), []step{
			{0, good(0), bad, Normal, "is not known: the measurement has not been taken over 4s yet"},
			{1, good(1), bad, Normal, ""}, {1, good(2), bad, Normal, ""}, {1, good(3), bad, Normal, ""},
			{1, good(4), bad, Unacknowledged, "is 3600 m/h, over the limit of 1800 m/h"},
			{1, bad, bad, Unacknowledged, "so the alarm is held"},
		}},
		{"a fall is no rise", slopes(Rising), []step{
			{0, good(9), bad, Normal, ""}, {1, good(8), bad, Normal, ""}, {1, good(7), bad, Normal, ""}, {1, good(6), bad, Normal, ""}, {1, good(5), bad, Normal, ""},
		}},
		{"a fall is told as a positive slope", slopes(Falling), []step{
			{0, good(9), bad, Normal, ""}, {1, good(8), bad, Normal, ""}, {1, good(7), bad, Normal, ""}, {1, good(6), bad, Normal, ""},
			{1, good(5), bad, Unacknowledged, "is 3600 m/h, over"},
		}},
		{"two points drift apart, either way", func(s *Setting) { s.Kind, s.Other, s.Limit, s.Deadband = Deviation, "y", 2, 1 }, []step{
			{0, good(5), good(6.9), Normal, "is 1.9 mg/L, within"}, {1, good(5), good(7), Unacknowledged, "at the limit"},
			{1, good(9), good(7.5), Unacknowledged, "not yet clear"}, {1, good(9), bad, Unacknowledged, "nothing to be compared with: y does not answer"},
			{1, bad, good(9), Unacknowledged, "does not answer"}, {1, good(9), doubtful, Unacknowledged, "is held"},
			{1, good(9), good(9.5), ReturnedUnacknowledged, ""},
		}},
		{"a value that cannot be used", func(s *Setting) { s.Kind, s.OnDelay = Stale, 2*time.Second }, []step{
			{0, good(5), bad, Normal, "can be used"}, {1, bad, bad, Normal, "cannot be used: the measurement does not answer"}, {2, bad, bad, Unacknowledged, ""},
			{1, doubtful, bad, ReturnedUnacknowledged, ""},
		}},
		{"stuck, whatever else moves", func(s *Setting) {
			s.Kind, s.Limit, s.Deadband, s.Shown = Stuck, 3, 0, Scale{Unit: "s", Factor: 1}
		}, []step{
			{0, good(5), bad, Normal, ""}, {2, good(5), bad, Normal, "is 2 s, within"}, {1, good(5), bad, Unacknowledged, ""},
			{1, bad, bad, Unacknowledged, "held"}, {1, good(5), bad, ReturnedUnacknowledged, ""},
		}},
	} {
		e, err := New([]Setting{high(tc.edit)}, []string{"x", "y"})
		if err != nil {
			t.Errorf("%s: %v", tc.reason, err)
			continue
		}
		now := t0
		for i, st := range tc.steps {
			now = now.Add(st.after * time.Second)
			e.Step(now, []Sample{st.x, st.y})
			c := e.Conditions()[0]
			if c.State != st.want || !strings.Contains(c.What, st.what) {
				t.Errorf("%s: step %d is %s, %q; expected %s, %q", tc.reason, i, c.State, c.What, st.want, st.what)
			}
		}
	}
	for want, edit := range map[string]func(*Setting){
		"window is 0s":          func(s *Setting) { s.Kind = Rising },
		"no other figure":       func(s *Setting) { s.Kind = Deviation },
		"takes no other":        func(s *Setting) { s.Other = "x" },
		"must be over zero":     func(s *Setting) { s.Kind, s.Limit = Stuck, 0 },
		"play must be":          func(s *Setting) { s.Kind, s.Play = Stuck, math.NaN() },
		`called "z"`:            func(s *Setting) { s.SuppressedBy = "z" },
		"policy \"odd\"":        func(s *Setting) { s.OnBad = "odd" },
		"kept for what":         func(s *Setting) { s.Name = Site },
		"time to alarm again":   func(s *Setting) { s.ReAlarm = -1 },
		"has no name":           func(s *Setting) { s.Name = "" },
		"the deadband must be ": func(s *Setting) { s.Kind, s.Other, s.Deadband = Deviation, "x", 10 },
	} {
		if _, err := New([]Setting{high(edit)}, []string{"x"}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, expected one that says %q", err, want)
		}
	}
}
