package air

import (
	"math"
	"testing"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

// The ceilings of the NIOSH Pocket Guide (0.5 ppm) and of 29 CFR 1910.1000 Table
// Z-1 (1 ppm) for chlorine.
var ceilings = Settings{Level1: 0.5, Level2: 1}

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
		{0.49, good, Result{0.49, 0, true, good}, "under the first level"},
		{0.5, good, Result{0.5, 1, true, good}, "at the first level counts"},
		{0.99, good, Result{0.99, 1, true, good}, "under the second level"},
		{1, good, Result{1, 2, true, good}, "at the second level counts: the range may end there"},
		{1.01, good, Result{1.01, 2, true, good}, "over both"},
		{10.4, over, Result{10.4, 2, true, over}, "over its range: the value stays"},
		{0.2, over, Result{0.2, 2, true, over}, "over its range is over both levels whatever the number"},
		{9, reading.BadBecause(reading.NoReply), Result{Quality: reading.BadBecause(reading.NoReply)}, "a bad value is neither gas nor clean air"},
		{0, reading.Quality{}, Result{}, "nobody graded it"},
		{math.NaN(), good, Result{Quality: nan}, "not a number"},
		{math.Inf(1), over, Result{Quality: nan}, "not finite"},
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
