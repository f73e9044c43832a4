package contact

import (
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Water that runs backwards says nothing about how long the water stays; if it
// thinned the mean of the hour, the ratio would rise (own invariant: a bad input
// never yields a ratio that looks good).
func TestReversedFlowIsBadAndThinsNoMean(t *testing.T) {
	good := func(v float64) reading.Reading {
		return reading.Reading{Value: v, Quality: reading.GoodQuality()}
	}
	in := Inputs{Residual: good(1), PH: good(7.5), Temperature: good(10), Flow: good(0.26)}
	g := NewSegment(Settings{Volume: 568, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2})
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	var before Result
	for range 60 {
		before = g.Step(now, in)
		now = now.Add(time.Minute)
	}
	back := in
	back.Flow = good(-0.26)
	for range 30 {
		if r := g.Step(now, back); r.Ratio.Quality.Usable() || r.T10.Quality != reading.BadBecause(reading.Inconsistent) {
			t.Fatalf("flow backwards: T10 %+v, ratio %+v, expected bad:inconsistent", r.T10, r.Ratio)
		}
		now = now.Add(time.Minute)
	}
	low := in
	low.Flow = good(0.01) // the hour's mean must still be that of the forward flow
	if r := g.Step(now, low); r.T10.Value > before.T10.Value*1.05 {
		t.Errorf("after half an hour backwards T10 is %.0f s, before it was %.0f s", r.T10.Value, before.T10.Value)
	}
}

// Washington State Department of Health 331-343, the example of 0.6 mg/L for
// 10 min: exactly 6 mg·min/L meets the 6 that are required.
func TestExactlyMetIsMet(t *testing.T) {
	good := func(v float64) reading.Reading {
		return reading.Reading{Value: v, Quality: reading.GoodQuality()}
	}
	for i := 1; i < 2000; i++ {
		q := float64(i) * 1.7e-4
		g := NewSegment(Settings{Volume: units.CubicMetres(600 * q), BafflingFactor: 1, VirusLog: 4})
		r := g.Step(time.Unix(0, 0), Inputs{Residual: good(0.6), PH: good(7.5), Temperature: good(10), Flow: good(q)})
		if r.Ratio.Value < 1 {
			t.Fatalf("flow %g m3/s: ratio %.17g", q, r.Ratio.Value)
		}
	}
}
