package demo

import "math"

// The water of the plant: a clearwell that evens out production and demand, and
// the chlorine dissolved in it. Volumes are in m3, flows in m3/s, chlorine in
// grams, so that a concentration in g/m3 is one in mg/L.

const (
	clearwellFull  = 150000 * gallon // volume at the full level
	clearwellDepth = 12 * foot       // the full level
	channelVolume  = 10.0            // inlet channel, where chlorine meets the water
	mainVolume     = 169.0           // 1,900 ft of 24-inch main
	clearwellArea  = clearwellFull / clearwellDepth

	// Five equal mixed cells in series let the first tenth of a tracer through
	// after 0.487 of the mean residence time (10 % quantile of the Erlang-5
	// distribution): the clearwell's baffling factor of 0.5.
	clearwellCells = 5
	mainCells      = 20
)

// water holds the state of all water between the filters and the entry point.
type water struct {
	volume    float64 // in the clearwell
	channel   float64 // chlorine in the inlet channel, g
	clearwell [clearwellCells]float64
	main      [mainCells]float64

	// ledger of all that ever happened, for the balances: m3 and g.
	waterIn, waterOut                float64
	fed, consumed, decayed, departed float64
}

// newWater starts with the clearwell at a level and one residual everywhere.
func newWater(level, residual float64) water {
	w := water{volume: level * clearwellArea, channel: residual * channelVolume}
	for i := range w.clearwell {
		w.clearwell[i] = residual * w.volume / clearwellCells
	}
	for i := range w.main {
		w.main[i] = residual * mainVolume / mainCells
	}
	return w
}

// step advances by dt seconds. Chlorine enters at feed g/s; the fast demand of
// the raw water in mg/L takes its part at once, the rest decays at a first-order
// rate of decay 1/s while it mixes from cell to cell.
func (w *water) step(dt, inflow, outflow, feed, fastDemand, decay float64) {
	spent := min(feed, fastDemand*inflow)
	w.fed += feed * dt
	w.consumed += spent * dt

	// pass takes what leaves a cell and what decays in it out of the cell, puts
	// what enters into it, and returns what leaves.
	pass := func(mass *float64, volume, flow, entering float64) float64 {
		leaving := flow * *mass / volume
		lost := decay * *mass
		w.decayed += lost * dt
		*mass += (entering - leaving - lost) * dt
		return leaving
	}
	moving := pass(&w.channel, channelVolume, inflow, feed-spent)
	each := w.volume / clearwellCells
	for i := range w.clearwell {
		// The level changes alike in all cells, so the flow changes from one to
		// the next.
		flow := inflow + (outflow-inflow)*float64(i+1)/clearwellCells
		moving = pass(&w.clearwell[i], each, flow, moving)
	}
	for i := range w.main {
		moving = pass(&w.main[i], mainVolume/mainCells, outflow, moving)
	}
	w.departed += moving * dt
	w.volume += (inflow - outflow) * dt
	w.waterIn += inflow * dt
	w.waterOut += outflow * dt
}

// stored is the chlorine in all water, g.
func (w *water) stored() float64 {
	sum := w.channel
	for _, m := range w.clearwell {
		sum += m
	}
	for _, m := range w.main {
		sum += m
	}
	return sum
}

func (w *water) level() float64         { return w.volume / clearwellArea }
func (w *water) residualIn() float64    { return w.channel / channelVolume }
func (w *water) residualEntry() float64 { return w.main[mainCells-1] / (mainVolume / mainCells) }
func (w *water) residualOut() float64 {
	return w.clearwell[clearwellCells-1] / (w.volume / clearwellCells)
}

// production is the flow that the level controller asks of the filters: in
// proportion to the distance from the middle level, within the plant's capacity
// of 6 MGD.
func production(level float64) float64 {
	const middle, gain = 10.2 * foot, 1.0 * mgd / foot
	return min(max(3.7*mgd+gain*(middle-level), 1*mgd), 6*mgd)
}

// decayRate is the first-order decay of free chlorine in 1/s at a temperature in
// degrees Celsius. 0.12 1/h at 20 degC and a factor of 1.08 a degree are common
// practice, no source; meltwater, 0 to 1, brings organic matter that triples it.
func decayRate(temperature, melt float64) float64 {
	return 0.12 / 3600 * math.Pow(1.08, temperature-20) * (1 + 2*melt)
}

// chlorinator feeds in proportion to the flow and trims the dose on the residual
// at the clearwell inlet.
type chlorinator struct {
	analyser float64 // what its analyser shows, mg/L
	integral float64 // the slow part of the dose, mg/L
}

const (
	residualTarget = 2.9                     // mg/L at the clearwell inlet
	feederFull     = 750 * pound * 1e3 / day // g/s, the feeder's largest rate
)

// request returns the feed in g/s that the chlorinator wants. Its analyser lags
// by 45 s; the trim is a proportional and integral one that stops integrating at
// the ends of the feeder.
func (c *chlorinator) request(dt, inflow, residual float64) float64 {
	const lag, gain, reset = 45, 0.8, 180
	c.analyser += (residual - c.analyser) * dt / lag
	e := residualTarget - c.analyser
	want := (c.integral + gain*e) * inflow
	if want > 0 && want < feederFull {
		c.integral += gain * e * dt / reset
	}
	return min(max(want, 0), feederFull)
}
