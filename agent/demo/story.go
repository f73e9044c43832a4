package demo

import (
	"math"
	"time"
)

// The story of the demo day. Times are hours of the day at the plant; the
// simulation starts at 05:00. Everything that happens once, happens on the first
// day; the demand for water comes every day.
const dayBegins = 5.0

const (
	meltBegins, meltFull, meltEases, meltOver = 10.25, 12.5, 16.5, 20.0
	lostBegins, lostEnds                      = 8 + 40.0/60, 8 + 52.0/60
	frozenBegins, frozenEnds                  = 16.75, 17.75
	leakBegins, leakFull, leakEnds            = 19.0, 19 + 20.0/60, 19 + 40.0/60

	leakRate = 2.5 * pound / day // kg/s at its worst

	lostUnit    = storageBayAir  // answers nothing for a while
	frozenPoint = "residual-out" // shows one value for a while
)

// hours is the time in hours since the midnight before the start, after so many
// seconds of the simulation.
func hours(seconds float64) float64 { return dayBegins + seconds/3600 }

// since is the time that has passed from the start until an hour of the first day.
func since(hour float64) time.Duration {
	return time.Duration((hour - dayBegins) * float64(time.Hour)).Round(time.Second)
}

// ramp rises smoothly from 0 at a to 1 at b.
func ramp(x, a, b float64) float64 {
	u := min(max((x-a)/(b-a), 0), 1)
	return (1 - math.Cos(math.Pi*u)) / 2
}

// meltwater is how far the raw water is meltwater from the valley's fields,
// turbid and bearing ammonia: 0 to 1.
func meltwater(h float64) float64 {
	return ramp(h, meltBegins, meltFull) - ramp(h, meltEases, meltOver)
}

// fastDemand is what the raw water takes of chlorine at once, mg/L. Ammonia alone
// takes 8 to 10 mg/L for each mg/L of nitrogen up to the breakpoint (common
// practice, no source), so 1 mg/L of it explains the meltwater.
func fastDemand(melt float64) float64 { return 0.4 + 10*melt }

// demand is what the valley draws at an hour of the day, m3/s: a morning peak,
// noon, when the herds are watered and ponds are filled, and an evening peak.
func demand(h float64) float64 {
	peak := func(at, width, height float64) float64 {
		d := math.Mod(h-at, 24)
		if d > 12 {
			d -= 24
		} else if d < -12 {
			d += 24
		}
		return height * math.Exp(-d*d/(2*width*width))
	}
	return (2.0 + peak(7.5, 1.1, 2.0) + peak(13.2, 2.8, 3.1) + peak(19.5, 1.8, 2.1)) * mgd
}

// outside is the air temperature in degrees Celsius: a cold spring day.
func outside(h float64) float64 { return 4 + 4*math.Cos(2*math.Pi*(h-15)/24) }

// leaking is the chlorine that a valve's packing lets out, kg/s: it grows until a
// person ends it.
func leaking(h float64) float64 {
	if h >= leakEnds {
		return 0
	}
	return leakRate * min(max((h-leakBegins)/(leakFull-leakBegins), 0), 1)
}

// wellRuns tells whether the well pumps at an hour.
func wellRuns(h float64) bool {
	h = math.Mod(h, 24)
	return h >= 6 && h < 10 || h >= 16 && h < 22
}

// wellFeed is the chlorine drawn in the wellhouse while the well runs, kg/s.
const wellFeed = 10 * pound / day
