package air

import (
	"math"
	"testing"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

// The ceilings of the NIOSH Pocket Guide (0.5 ppm) and of 29 CFR 1910.1000 Table
// Z-1 (1 ppm) for chlorine.
var ceilings = Settings{Level1: 0.5, Level2: 1, DriftLimit: DefaultDriftLimit}

func TestJudge(t *testing.T) {
	good, over, under := reading.GoodQuality(), reading.UncertainBecause(reading.OverRange), reading.UncertainBecause(reading.UnderRange)
	nan := reading.BadBecause(reading.NotANumber)
	for _, tc := range []struct {
		value  float64
		q      reading.Quality
		want   Result
		reason string
	}{
		{0, good, Result{Concentration: 0, Level: 0, Available: true, Quality: good}, "clean air"},
		{-0.1, under, Result{Concentration: -0.1, Level: 0, Available: true, Quality: under}, "a zero that drifts is no gas, and says so"},
		{0.49, good, Result{Concentration: 0.49, Level: 0, Available: true, Quality: good}, "under the first level"},
		{0.5, good, Result{Concentration: 0.5, Level: 1, Available: true, Quality: good}, "at the first level counts"},
		{0.99, good, Result{Concentration: 0.99, Level: 1, Available: true, Quality: good}, "under the second level"},
		{1, good, Result{Concentration: 1, Level: 2, Available: true, Quality: good}, "at the second level counts: the range may end there"},
		{1.01, good, Result{Concentration: 1.01, Level: 2, Available: true, Quality: good}, "over both"},
		{10.4, over, Result{Concentration: 10.4, Level: 2, Available: true, Quality: over}, "over its range: the value stays"},
		{0.2, over, Result{Concentration: 0.2, Level: 2, Available: true, Quality: over}, "over its range is over both levels whatever the number"},
		{9, reading.BadBecause(reading.NoReply), Result{Quality: reading.BadBecause(reading.NoReply), Blind: reading.NoReply}, "a bad value is neither gas nor clean air"},
		{-0.31, under, Result{Concentration: -0.31, Blind: Drifted, Quality: under}, "a zero that drifts far would hide gas"},
		{0, reading.UncertainBecause(reading.Maintenance), Result{Blind: reading.Maintenance, Quality: reading.UncertainBecause(reading.Maintenance)}, "one that is worked on sees nothing"},
		{2, reading.UncertainBecause(reading.Maintenance), Result{Concentration: 2, Level: 2, Blind: reading.Maintenance, Quality: reading.UncertainBecause(reading.Maintenance)}, "but the gas it shows is gas"},
		{2, reading.UncertainBecause(reading.Frozen), Result{Concentration: 2, Level: 2, Blind: reading.Frozen, Quality: reading.UncertainBecause(reading.Frozen)}, "so is that of a sensor that stands still"},
		{0, reading.Quality{}, Result{}, "nobody graded it"},
		{math.NaN(), good, Result{Quality: nan, Blind: reading.NotANumber}, "not a number"},
		{math.Inf(1), over, Result{Quality: nan, Blind: reading.NotANumber}, "not finite"},
	} {
		if got := Judge(reading.Reading{Value: tc.value, Quality: tc.q}, ceilings); got != tc.want {
			t.Errorf("%g %v: %+v, expected %+v: %s", tc.value, tc.q, got, tc.want, tc.reason)
		}
	}
}

func TestMoreGasIsNeverALowerLevel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(-1, 20).Draw(t, "a"), rapid.Float64Range(-1, 20).Draw(t, "b")
		s := ceilings
		low := Judge(reading.Reading{Value: min(a, b), Quality: reading.GoodQuality()}, s)
		high := Judge(reading.Reading{Value: max(a, b), Quality: reading.GoodQuality()}, s)
		if low.Level > high.Level || low.Level < 0 || high.Level > 2 {
			t.Errorf("%+v and %+v", low, high)
		}
	})
}
