package contact

import (
	"math"
	"testing"

	"ebbwatch/agent/units"
)

// At the pKa half of the chlorine is hypochlorous acid. Ka at 25 °C is 2.9e-8 in
// handbooks (from memory); the shares of the trade's charts at 25 °C are 78, 52 and
// 26 % (from memory).
func TestHypochlorousShare(t *testing.T) {
	for _, tc := range []struct {
		celsius units.Celsius
		ph      units.PH
		want    float64
	}{
		{5, 7.754, 0.5}, {10, 7.690, 0.5}, {15, 7.633, 0.5}, {20, 7.582, 0.5}, {25, units.PH(-math.Log10(2.9e-8)), 0.5},
		{25, 7, 0.78}, {25, 7.5, 0.52}, {25, 8, 0.26}, {25, 4, 1}, {25, 12, 0},
	} {
		if got := HypochlorousShare(tc.celsius, tc.ph); !near(got, tc.want, 0.006) {
			t.Errorf("at %g °C and pH %g %.4f, want %g", float64(tc.celsius), float64(tc.ph), got, tc.want)
		}
	}
}

// The example of testdata/ct/examples.json, 40 CFR 141.74(b)(4)(iii) (from memory).
func TestPercentInactivation(t *testing.T) {
	e := exampleByID(t, "cfr-percent-inactivation")
	for ratio, name := range map[float64]string{1: "percent", 0.5: "ratio_0.5_percent", 1.2: "ratio_1.2_percent"} {
		if got, want := 100*Inactivated(3*ratio), e.Recomputed[name]; want == 0 || !near(got, want, e.Tolerance["percent"]) {
			t.Errorf("ratio %g: %g %%, want %g", ratio, got, want)
		}
	}
}
