package supply

import (
	"math"

	"ebbwatch/agent/units"
)

// The vapour pressure of liquid chlorine, in the Wagner form
// p = pc exp(Tc/T Σ n θ^t) with θ = 1 − T/Tc. Source: Thol, Herrig, Span, Lemmon,
// A fundamental equation of state for chlorine, AIChE Journal 2021, ancillary
// equation; within 0.1 % of the equation of state.
const (
	criticalKelvin  = 416.8654
	criticalPascals = 7642387.504
	zeroCelsius     = 273.15
	// The ancillary is used between the triple and the critical point.
	tripleKelvin = 172.1712
)

var (
	wagnerN = [...]float64{-6.1289, 1.5112, -1.4523, -5.6038, 3.9923, -1.2651}
	wagnerT = [...]float64{1, 1.5, 2, 5.94, 7, 14.8}
)

// VapourPressure returns the absolute pressure over liquid chlorine. Outside the
// liquid's range, -101 °C to 143.7 °C, the nearest end is taken.
func VapourPressure(t units.Celsius) units.Pascals {
	k := min(max(float64(t)+zeroCelsius, tripleKelvin), criticalKelvin)
	theta := 1 - k/criticalKelvin
	var sum float64
	for i, n := range wagnerN {
		sum += n * math.Pow(theta, wagnerT[i])
	}
	return units.Pascals(criticalPascals * math.Exp(criticalKelvin/k*sum))
}

// SaturationTemperature is the inverse of VapourPressure, by bisection to under
// a millionth of a degree.
func SaturationTemperature(p units.Pascals) units.Celsius {
	low, high := units.Celsius(tripleKelvin-zeroCelsius), units.Celsius(criticalKelvin-zeroCelsius)
	for high-low > 1e-7 {
		mid := (low + high) / 2
		if VapourPressure(mid) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

// FeedRate is the chlorine that a flow of water takes at a dose.
func FeedRate(flow units.CubicMetresPerSecond, dose units.MilligramsPerLitre) units.KilogramsPerSecond {
	return units.KilogramsPerSecond(float64(flow) * float64(dose) / 1000) // mg/L is g/m³
}

// Dose is the chlorine in the water that a feed rate gives a flow. It is not
// finite without flow.
func Dose(feed units.KilogramsPerSecond, flow units.CubicMetresPerSecond) units.MilligramsPerLitre {
	return units.MilligramsPerLitre(float64(feed) / float64(flow) * 1000)
}
