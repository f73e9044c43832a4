package air

import (
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// watch steps a detector once a second with what says tells, and returns the last
// result.
func watch(d *Detector, from time.Time, length time.Duration, says func(second int) reading.Reading) Result {
	var res Result
	for i := range int(length / time.Second) {
		r := says(i)
		r.Time = from.Add(time.Duration(i) * time.Second)
		res = d.Step(r)
	}
	return res
}

func steady(v float64) func(int) reading.Reading {
	return func(int) reading.Reading { return reading.Reading{Value: v, Quality: reading.GoodQuality()} }
}

func over(v float64) func(int) reading.Reading {
	return func(int) reading.Reading {
		return reading.Reading{Value: v, Quality: reading.UncertainBecause(reading.OverRange)}
	}
}

func TestHealth(t *testing.T) {
	s := Settings{Level1: 0.5, Level2: 1, Level3: 5, NoiseFloor: 0.05, DriftLimit: 0.3, StuckAfter: 20 * time.Minute}
	live, full := s, s
	full.FullScale = 10
	live.ZeroStuckAfter = time.Hour
	for _, tc := range []struct {
		name   string
		s      Settings
		says   func(int) reading.Reading
		length time.Duration
		blind  string
		level  int
	}{
		{"a steady zero for a week is a healthy detector", s, steady(0), 7 * 24 * time.Hour, "", 0},
		{"so is one a little below zero", s, steady(-0.04), 24 * time.Hour, "", 0},
		{"where zero moves, a frozen zero is found", live, steady(0), time.Hour + 2*time.Second, reading.Frozen, 0},
		{"but one that moves is well", live, func(i int) reading.Reading { return steady(0.01 * float64(i/600%2))(i) }, 3 * time.Hour, "", 0},
		{"a value that stands in the air is stuck", s, steady(0.31), 21 * time.Minute, reading.Frozen, 0},
		{"and is gas as long as it is over a level", s, steady(1.2), 21 * time.Minute, reading.Frozen, 2},
		{"but one that stands over its range is saturated, and well", s, over(10.4), 21 * time.Minute, "", 3},
		{"so is one that stands at the end of its range", full, steady(10), 21 * time.Minute, "", 3},
		{"not one just under it", full, steady(9.9), 21 * time.Minute, reading.Frozen, 3},
		{"not before its time", s, steady(0.31), 20 * time.Minute, "", 0},
		{"a third level", s, steady(5), time.Second, "", 3},
		{"drift", s, steady(-0.35), time.Second, Drifted, 0},
	} {
		res := watch(NewDetector(tc.s), t0, tc.length, tc.says)
		if res.Blind != tc.blind || res.Available != (tc.blind == "") || res.Level != tc.level {
			t.Errorf("%s: %+v", tc.name, res)
		}
	}
}

func TestWarmUpAfterALoss(t *testing.T) {
	s := ceilings
	s.WarmUp = time.Minute
	d := NewDetector(s)
	if res := watch(d, t0, time.Minute, steady(0)); !res.Available {
		t.Errorf("%+v: at the start nothing was lost", res)
	}
	d.Step(reading.Reading{Quality: reading.BadBecause(reading.NoReply), Time: t0.Add(time.Minute)})
	back := t0.Add(2 * time.Minute)
	if res := watch(d, back, time.Minute, steady(0)); res.Available || res.Blind != Settling {
		t.Errorf("%+v: it has just come back", res)
	}
	if res := watch(d, back.Add(59*time.Second), time.Second, steady(2)); res.Level != 2 {
		t.Errorf("%+v: gas while it settles is gas", res)
	}
	if res := watch(d, back.Add(time.Minute), time.Second, steady(0)); !res.Available {
		t.Errorf("%+v: it has settled", res)
	}
}

func TestRise(t *testing.T) {
	d := NewDetector(ceilings)
	if _, known := d.Rise(); known {
		t.Error("a rise is known before anything was read")
	}
	watch(d, t0, time.Minute, func(i int) reading.Reading { return steady(0.02 * float64(i))(i) })
	if slope, known := d.Rise(); !known || slope < 0.0199 || slope > 0.0201 {
		t.Errorf("%g ppm/s, expected 0.02", slope)
	}
	if slope, _ := d.Rise(); units.PartsPerMillion(60*slope) < 1.1 {
		t.Errorf("%g ppm/min", 60*slope)
	}
}

// TestGasIsNeverHidden gives a detector every doubt there is: the level stands.
func TestGasIsNeverHidden(t *testing.T) {
	for _, reason := range []string{reading.Frozen, reading.Jumped, reading.Fault, reading.Maintenance, reading.WarmingUp, reading.NoStatus, reading.OverRange, reading.UnderRange, "a-reason-nobody-knows"} {
		r := reading.Reading{Value: 1.5, Quality: reading.UncertainBecause(reason), Time: t0}
		res := NewDetector(ceilings).Step(r)
		if res.Level != 2 || res.Channel(2) != Calls {
			t.Errorf("%s: %+v", reason, res)
		}
	}
	if c := Judge(reading.Reading{Quality: reading.BadBecause(reading.NoReply)}, ceilings).Channel(1); c != Broken {
		t.Errorf("one that does not answer votes %c", c)
	}
}
