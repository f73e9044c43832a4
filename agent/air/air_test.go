package air

import (
	"math"
	"testing"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

func TestDefaults(t *testing.T) {
	// NIOSH Pocket Guide, chlorine: ceiling 0.5 ppm (15 min). 29 CFR 1910.1000
	// Table Z-1: ceiling 1 ppm.
	if DefaultLevel1 != 0.5 || DefaultLevel2 != 1 {
		t.Errorf("levels %g and %g", float64(DefaultLevel1), float64(DefaultLevel2))
	}
}

func TestJudge(t *testing.T) {
	good, over, under := reading.GoodQuality(), reading.UncertainBecause(reading.OverRange), reading.UncertainBecause(reading.UnderRange)
	nan := reading.BadBecause(reading.NotANumber)
	for _, tc := range []struct {
		value  float64
		q      reading.Quality
		want   Result
		reason string
	}{
		{0, good, Result{0, 0, true, good}, "clean air"},
		{-0.1, under, Result{-0.1, 0, true, under}, "a zero that drifts is no gas, and says so"},
		{0.5, good, Result{0.5, 0, true, good}, "at the level is not over it"},
		{0.51, good, Result{0.51, 1, true, good}, "over the first level"},
		{1, good, Result{1, 1, true, good}, "at the second level is not over it"},
		{1.01, good, Result{1.01, 2, true, good}, "over both"},
		{10.4, over, Result{10.4, 2, true, over}, "over its range: the value stays"},
		{0.2, over, Result{0.2, 2, true, over}, "over its range is over both levels whatever the number"},
		{9, reading.BadBecause(reading.NoReply), Result{Quality: reading.BadBecause(reading.NoReply)}, "a bad value is neither gas nor clean air"},
		{0, reading.Quality{}, Result{}, "nobody graded it"},
		{math.NaN(), good, Result{Quality: nan}, "not a number"},
		{math.Inf(1), over, Result{Quality: nan}, "not finite"},
	} {
		if got := Judge(reading.Reading{Value: tc.value, Quality: tc.q}, Settings{DefaultLevel1, DefaultLevel2}); got != tc.want {
			t.Errorf("%g %v: %+v, expected %+v: %s", tc.value, tc.q, got, tc.want, tc.reason)
		}
	}
}

func TestMoreGasIsNeverALowerLevel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(-1, 20).Draw(t, "a"), rapid.Float64Range(-1, 20).Draw(t, "b")
		s := Settings{DefaultLevel1, DefaultLevel2}
		low := Judge(reading.Reading{Value: min(a, b), Quality: reading.GoodQuality()}, s)
		high := Judge(reading.Reading{Value: max(a, b), Quality: reading.GoodQuality()}, s)
		if low.Level > high.Level || low.Level < 0 || high.Level > 2 {
			t.Errorf("%+v and %+v", low, high)
		}
	})
}
