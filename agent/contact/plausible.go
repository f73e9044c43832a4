package contact

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
)

// Pair compares the analyser at the outlet of a segment with that at its inlet.
// Chlorine decays on its way and never grows: the water that leaves has at most
// the highest residual that came in, and at least the lowest after the fastest
// decay, while as much as three volumes passed. A basin that is fully mixed has
// let go of 95 % of its water by then (1 - exp(-3)); one that is better baffled,
// of more. Which of the two is wrong it does not tell.
type Pair struct {
	// Decay is the fastest first-order decay, a second. Within, in mg/L, is what two
	// sound analysers may differ by besides.
	Decay, Within float64

	first   time.Time
	last    time.Time
	flow    float64 // at last
	slots   [pairSlots]pairSlot
	minute  int64
	out     mean // of this minute
	verdict reading.Quality
}

// A day of five-minute slots. Water that takes longer is not judged.
const (
	pairStep  = 5 * time.Minute
	pairSlots = 288
	pairMixed = 3 // volumes
)

type pairSlot struct {
	number    int64
	low, high float64 // mg/L at the inlet
	seconds   float64 // of which the inlet and the flow are known
	water     float64 // m³ that left
}

// Step folds in both residuals, in mg/L, the outflow, in m³/s, and the volume, in
// m³. It judges once a minute. Without a history of both that reaches back far
// enough there is no verdict, which is good.
func (p *Pair) Step(now time.Time, in, out, flow reading.Reading, volume Value) reading.Quality {
	if p.first.IsZero() {
		p.first, p.last, p.verdict = now, now, reading.GoodQuality()
		p.flow = math.NaN()
		p.slots[0] = pairSlot{low: math.Inf(1), high: math.Inf(-1)}
	}
	since, span := now.Sub(p.first), now.Sub(p.last)
	if span < 0 {
		return p.verdict
	}
	number := int64(since / pairStep)
	s := &p.slots[number%pairSlots]
	if s.number != number {
		*s = pairSlot{number: number, low: math.Inf(1), high: math.Inf(-1)}
	}
	if in.Quality.Usable() {
		s.low, s.high = min(s.low, in.Value), max(s.high, in.Value)
		if !math.IsNaN(p.flow) && span <= gap {
			s.seconds += span.Seconds()
			s.water += span.Seconds() * p.flow
		}
	}
	p.last, p.flow = now, math.NaN()
	if flow.Quality.Usable() {
		p.flow = max(0, flow.Value)
	}
	if minute := int64(since / time.Minute); minute != p.minute {
		p.verdict = p.judge(number, volume)
		p.minute, p.out = minute, mean{}
	}
	if out.Quality.Usable() {
		p.out.add(max(0, out.Value))
	}
	return p.verdict
}

// judge compares the outlet's last minute.
func (p *Pair) judge(number int64, volume Value) reading.Quality {
	good := reading.GoodQuality()
	if p.out.n == 0 || !volume.Quality.Usable() || !(volume.Value > 0) {
		return good
	}
	low, high, water, seconds := math.Inf(1), math.Inf(-1), 0.0, 0.0
	for back := int64(0); water < pairMixed*volume.Value; back++ {
		if back >= pairSlots || back > number {
			return good
		}
		s := &p.slots[(number-back)%pairSlots]
		if s.number != number-back || back > 0 && s.seconds < coverage*pairStep.Seconds() {
			return good
		}
		low, high = min(low, s.low), max(high, s.high)
		water, seconds = water+s.water, seconds+s.seconds
	}
	c := p.out.sum / float64(p.out.n)
	if c > high+p.Within || c < low*math.Exp(-p.Decay*seconds)-p.Within {
		return reading.UncertainBecause(reading.Disagrees)
	}
	return good
}

// Blank finds an analyser that reads no chlorine although water flows: its sample
// fails, or the feed does. Both need a person. The value stays in use.
type Blank struct {
	// Under is the residual, in mg/L, under which it reads none.
	Under float64
	since Stopwatch
}

// blankAfter lets a start of the plant pass (own choice).
const blankAfter = 10 * time.Minute

// Step folds in a residual, in mg/L, and the outflow, in m³/s.
func (b *Blank) Step(now time.Time, residual, flow reading.Reading) reading.Quality {
	if residual.Quality.Usable() && flow.Quality.Usable() {
		b.since.Run(now, residual.Value < b.Under && flow.Value > trickle)
	}
	if b.since.Running() && b.since.Elapsed >= blankAfter {
		return reading.UncertainBecause(reading.NoResidual)
	}
	return reading.GoodQuality()
}
