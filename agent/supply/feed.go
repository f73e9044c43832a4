package supply

import (
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

const (
	feedHeld   = 300.0 // s that the last feed stands in for a lost one
	usualTrust = 0.02  // of flow times dose (own choice)
)

// feed is what should be drawn from the bank by the feed signal.
type feed struct {
	known bool
	// rate is kg/s before the gain, flow the water in m³/s, zero when not measured.
	rate, flow float64
	at         float64 // s; when it was last read
	trust      float64 // share by which it wanders
	// gain is what the scales have shown a unit of feed to be, learnt over weeks
	// unless it is given.
	gain  float64
	given bool
}

func newFeed(trust, gain float64) feed {
	if trust == 0 {
		trust = usualTrust
	}
	if gain == 0 {
		return feed{trust: trust, gain: 1}
	}
	return feed{trust: trust, gain: gain, given: true}
}

func usable(r *reading.Reading) (float64, bool) {
	if r == nil || !r.Checked().Quality.Usable() {
		return 0, false
	}
	return max(0, r.Value), true
}

// read takes the feed from the best signal there is, and reports a change.
func (f *feed) read(t float64, in Inputs) bool {
	before, was := f.rate, f.known
	flow, flows := usable(in.Flow)
	dose, dosed := usable(in.Dose)
	if !dosed {
		residual, ok := usable(in.Residual)
		demand, also := usable(in.Demand)
		dose, dosed = residual+demand, ok && also
	}
	rate, ok := usable(in.Feed)
	if !ok && flows && dosed {
		rate, ok = float64(FeedRate(units.CubicMetresPerSecond(flow), units.MilligramsPerLitre(dose))), true
	}
	switch {
	case ok:
		f.known, f.rate, f.at = true, rate, t
	case t-f.at > feedHeld:
		f.known, f.rate = false, 0
	}
	f.flow = 0
	if flows {
		f.flow = flow
	}
	return f.rate != before || f.known != was
}

// drawn is what the feed takes from the bank, in kg/s.
func (f *feed) drawn() float64 { return f.rate * f.gain }
