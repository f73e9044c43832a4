package supply

import (
	"math"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Draw holds what the limit means for the present withdrawal and the coming peak.
type Draw struct {
	// Headroom is limit less rate, in kg/s; negative when over it.
	Headroom Value
	// Peak is the greatest hourly demand of the coming day, in kg/s. Needed and
	// NeededAtPeak are how many containers like the first on duty give off the
	// present rate and the peak; 0 when no number does, or when that is not known.
	Peak                 Value
	Needed, NeededAtPeak int
	// LowestRoom is the room temperature in °C below which the containers on duty
	// cannot hold this rate. It is bad when none would do, over the nominal limit.
	LowestRoom Value
	// FrostFrom is the rate in kg/s from which frost on the containers is expected at
	// this room temperature, and Frost tells that the rate is over it. Frost at an
	// expected rate is no fault.
	FrostFrom Value
	Frost     bool
}

// NotEvaporated is the reason of a withdrawal limit that does not exist, since the
// chlorine is drawn as liquid.
const NotEvaporated = reading.NotEvaporated

// draw makes the figures.
func (b *Bank) draw(rate, limited Value, room *reading.Reading) Draw {
	missing := reading.BadBecause(reading.Missing)
	d := Draw{Peak: exact(0, reading.BadBecause(reading.Learning)), LowestRoom: exact(0, missing), FrostFrom: exact(0, missing)}
	q := reading.Worst(rate.Quality, limited.Quality)
	d.Headroom = between(limited.Value-rate.Value, limited.Value-rate.High, limited.Value-rate.Low, q)
	if !b.profile.learning() && !b.profile.aheadAt.IsZero() {
		d.Peak = exact(b.profile.peak, reading.GoodQuality())
	}
	if b.settings.Liquid || len(b.inUse) == 0 {
		return d
	}
	var t *units.Celsius
	if v, ok := celsius(room); ok {
		t = &v
		var frost float64
		for _, s := range b.inUse {
			frost += s.PerKelvin * max(0, float64(v))
		}
		d.FrostFrom = exact(frost, room.Quality)
		d.Frost = rate.Quality.Usable() && rate.Value > frost
	}
	one, _ := limit(b.inUse[:1], t)
	if rate.Quality.Usable() {
		d.Needed = needed(rate.Value, float64(one))
		if low, ok := lowestRoom(b.inUse, rate.Value); ok {
			d.LowestRoom = exact(low, rate.Quality)
		} else {
			d.LowestRoom = exact(0, reading.BadBecause(reading.OutsideTable))
		}
	}
	if d.Peak.Quality.Usable() {
		d.NeededAtPeak = needed(d.Peak.Value, float64(one))
	}
	return d
}

// needed is how many containers of a limit give off a rate.
func needed(rate, limit float64) int {
	if limit <= 0 || rate/limit > 1e6 {
		return 0
	}
	// A rate that is the limit to the last digit needs no further container.
	return max(0, int(math.Ceil(rate/limit-1e-9)))
}

// lowestRoom is where the heat balance of containers on one header gives a rate. It
// is not known when the rate is over the nominal limit at any temperature.
func lowestRoom(sources []source, rate float64) (float64, bool) {
	var nominal float64
	cold := math.Inf(-1) // of the thresholds that are left
	for _, s := range sources {
		nominal += float64(s.Nominal)
		cold = max(cold, float64(s.threshold))
	}
	if rate > nominal {
		return 0, false
	}
	for {
		var slope, sum float64
		next := math.Inf(-1)
		for _, s := range sources {
			if float64(s.threshold) <= cold {
				slope += s.PerKelvin
				sum += s.PerKelvin * float64(s.threshold)
				if float64(s.threshold) < cold {
					next = max(next, float64(s.threshold))
				}
			}
		}
		t := (max(0, rate) + sum) / slope
		if t >= cold || math.IsInf(next, -1) {
			return t, true
		}
		cold = next // the warmest threshold gives nothing off at this temperature
	}
}

func celsius(r *reading.Reading) (units.Celsius, bool) {
	if r == nil || !r.Checked().Quality.Usable() {
		return 0, false
	}
	return units.Celsius(r.Value), true
}
