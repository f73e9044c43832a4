package contact

import (
	"math"
	"testing"

	"ebbwatch/agent/units"
)

// The equation was fitted so as never to fall under a cell of the tables, and
// touches them: mean 7.13 % over, least 0.01 %, most 17.38 % over all 588 cells
// (own arithmetic on the published coefficients and cells, both from memory).
func TestRegressionAgainstTheTables(t *testing.T) {
	var sum float64
	least, most, cells := math.Inf(1), 0.0, 0
	for it, temperature := range giardiaTemperatures {
		for ic, residual := range giardiaResiduals {
			for ip, ph := range giardiaPHs {
				got, q := RequiredGiardia(3, units.MilligramsPerLitre(residual), units.Celsius(temperature), units.PH(ph), Regression)
				over := 100 * (float64(got)/giardia99_9[it][ic][ip] - 1)
				if !q.Usable() {
					t.Fatalf("%g degC, %g mg/L, pH %g: %v", temperature, residual, ph, q)
				}
				sum, least, most, cells = sum+over, min(least, over), max(most, over), cells+1
			}
		}
	}
	if mean := sum / float64(cells); cells != 588 || math.Abs(mean-7.13) > 0.005 || math.Abs(least-0.01) > 0.005 || math.Abs(most-17.38) > 0.005 {
		t.Errorf("%d cells: mean %.3f %%, least %.3f %%, most %.3f %% over the table", cells, mean, least, most)
	}
	// The two branches at 12.5 degC, pH 7.5, 1.0 mg/L, 3 log: 117.02 and 116.15.
	for at, want := range map[float64]float64{12.4999999: 117.02, 12.5: 116.15} {
		if got, _ := RequiredGiardia(3, 1, units.Celsius(at), 7.5, Regression); math.Abs(float64(got)-want) > 0.005 {
			t.Errorf("at %g degC %.3f, expected %.2f", at, float64(got), want)
		}
	}
	// Outside the tables the ends hold, as they do for the tables themselves.
	cold, _ := RequiredGiardia(3, 1, -3, 7, Regression)
	if end, _ := RequiredGiardia(3, 1, 0.5, 7, Regression); cold != end {
		t.Errorf("under the coldest table %g, at it %g", float64(cold), float64(end))
	}
}
