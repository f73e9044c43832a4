package supply

import (
	"math"

	"ebbwatch/agent/reading"
)

const (
	quarter, hour  = 15, 60 // minutes
	minHistory     = 14     // minutes of spread that a rate needs at least
	settledHistory = 54     // nearly the hour
	ninetyPercent  = 1.645  // two-sided normal quantile
	secondsPerDay  = 86400.0
)

// estimate is a rate with its standard deviation, in kg/s.
type estimate struct {
	rate, sd float64
	quality  reading.Quality
	// settled is false while much of the window is still to be filled.
	settled bool
}

func learning() estimate { return estimate{quality: reading.BadBecause(reading.Learning)} }

// slope is how fast the rest falls in a window, with its standard deviation: what
// the scale lost more than the feed explains. It joins the noise of the readings;
// the drift of the scale in a day; its wander over hours, of 8 h correlation; the
// rounding that does not average out; and the misfit of the readings to a line, as
// after a step too small to be told from noise. Sources: as of noise.settle, else
// own computation.
func (s *scale) slope(window int) (estimate, fit) {
	f := s.series.line(window)
	span := f.span()
	if f.n < 6 || span < min(0.75*float64(window), minHistory) {
		return learning(), f
	}
	days := span / dayMinutes
	v := s.noise.variance()
	variance := v/(f.tt/square(dayMinutes)) + square(2.22*s.drift) + 7.2*square(s.wander)/days + square(1.7*s.noise.bias/days)
	if misfit := f.zz/(f.n-2) - 1.2*v - square(s.noise.bias)/2; misfit > 0 {
		variance += misfit * square(4/days)
	}
	return estimate{rate: -f.slope / 60, sd: math.Sqrt(variance) / secondsPerDay, quality: reading.GoodQuality(), settled: span >= settledHistory}, f
}

// rate is how fast the weight falls over the last minutes.
func (s *scale) rate(window int) estimate {
	e, f := s.slope(window)
	if e.quality.Usable() {
		e.rate += s.series.used(f.window) / float64(60*f.window)
	}
	return e
}

// lostDay is what the scale lost in a day more than the feed explains, as a rate.
func (s *scale) lostDay() estimate {
	change, lag, n1, n2 := s.series.day()
	if lag == 0 {
		return learning()
	}
	v := s.noise.variance()
	variance := v*(1/n1+1/n2) + 1.9*square(s.wander) + square(s.noise.bias)
	for i := 0; i < maxBreaks && i < s.series.broken; i++ {
		if s.series.now-s.series.breaks[i] < dayMinutes+dayEdge {
			variance += v / 6 // the jump that was taken out is not known better
		}
	}
	return estimate{rate: -change / (60 * lag), sd: math.Sqrt(variance) / (60 * lag), quality: reading.GoodQuality(), settled: true}
}

// day is how fast the weight fell over the last day. Its two half hours are a
// quarter of an hour late; what the rates at both ends tell makes that good where
// no feed signal does.
func (s *scale) day() estimate {
	e := s.lostDay()
	if !e.quality.Usable() {
		return e
	}
	e.rate += s.series.used(dayMinutes) / secondsPerDay
	if s.feed != 0 {
		return e
	}
	const late = dayEdge / 2.0 / dayMinutes
	now := s.series.line(hour)
	if s.series.length() < dayMinutes+hour {
		e.sd = math.Hypot(e.sd, late*0.1*e.rate)
		return e
	}
	tt, tz, _ := s.series.since(dayMinutes+hour, dayMinutes).centred()
	if now.tt > 0 && tt > 0 {
		e.rate += (tz/tt - now.slope) / 60 * late
		// The slope errs with the half hour that it contains: 4.25 times the variance of
		// an hour's mean in all instead of 2 (own computation).
		_, _, n1, n2 := s.series.day()
		variance := 1.125*s.noise.variance()*(1/n1+1/n2) + 3*14.4*square(late*s.wander)*dayMinutes/hour
		e.sd = math.Hypot(e.sd, math.Sqrt(variance)/secondsPerDay)
	}
	return e
}

// plus adds the estimate of another scale; errors add as independent ones.
func (e estimate) plus(o estimate) estimate {
	return estimate{e.rate + o.rate, math.Hypot(e.sd, o.sd), reading.Worst(e.quality, o.quality), e.settled && o.settled}
}

func (e estimate) value(q reading.Quality) Value {
	half := ninetyPercent * e.sd
	return between(e.rate, e.rate-half, e.rate+half, reading.Worst(q, e.quality))
}

// uncertainty is the standard deviation of the weight, in kg.
func (s *scale) uncertainty() float64 {
	return math.Sqrt(s.noise.variance() + square(s.wander) + square(s.drift)/8)
}
