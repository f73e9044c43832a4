// Package contact computes the disinfection credit of free chlorine: contact
// time, CT, the CT required, and the log inactivation reached.
package contact

import (
	"math"
	"strings"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Settings describe a disinfection segment.
type Settings struct {
	// Volume is that of the full segment, or the constant one.
	Volume units.CubicMetres
	// LevelFull is the level at which Volume is reached, for straight walls; zero
	// means that the volume is constant.
	LevelFull units.Metres
	// BafflingFactor is T10/T, over 0 to 1.
	BafflingFactor float64
	// GiardiaLog and VirusLog are the log inactivation that disinfection owes;
	// zero owes none of it.
	GiardiaLog, VirusLog float64
	Method               Method
	// Target is the ratio that the looks ahead aim at, 0 for 1.
	Target float64
	// FlowsIn tells that Inputs.Flow is that into the segment; the flow out is then
	// worked from it and the change of the volume.
	FlowsIn bool
}

// Inputs are the present readings of a segment, in SI units: mg/L, pH, °C, m³/s
// and m. Level is not used when the volume is constant.
type Inputs struct {
	Residual, PH, Temperature, Flow, Level reading.Reading
}

// Value is one figure of a segment.
type Value struct {
	Value   float64         `json:"value"`
	Quality reading.Quality `json:"quality"`
}

// Result holds the figures of a segment.
type Result struct {
	// T10 is the time, in seconds, that 90 % of the water stays longer than: the
	// shortest of the three below that are known. Basis names it.
	T10   Value
	Basis Basis
	// Static is T10 as the regulator computes it, from volume and flow. Entry and
	// Inflow follow the water, as Residence describes; they are bad until the
	// history reaches back far enough.
	Static, Entry, Inflow Value
	// Volume is the present one, in m³, Outflow the flow out, in m³/s.
	Volume  Value
	Outflow reading.Reading
	// CT is in mg·min/L.
	CT Value
	Credit
	Ahead Ahead
}

// Credit is what a CT is worth.
type Credit struct {
	// RequiredGiardia and RequiredVirus are in mg·min/L.
	RequiredGiardia Value `json:"required_giardia"`
	RequiredVirus   Value `json:"required_virus"`
	// Ratio is CT over required CT, the lower of the two organisms.
	Ratio Value `json:"ratio"`
	// GiardiaLog and VirusLog are what CT reaches, not capped.
	GiardiaLog Value `json:"giardia_log"`
	VirusLog   Value `json:"virus_log"`
}

// Basis says how a T10 was made, for whoever reads it.
type Basis string

// The ways to a T10.
const (
	Static     Basis = "static: baffling factor x lowest volume of the last hour / larger of present flow and mean flow of the last hour; no regulation prescribes a rolling hour, and it is not always the shortest"
	EntryForm  Basis = "residence, entry form: since the water came in, as much has left as the baffling factor x the volume then; no regulation prescribes it"
	InflowForm Basis = "residence, inflow form: since the water came in, as much has come in as the baffling factor x the volume now; no regulation prescribes it"
)

// Form is what stands before the explanation.
func (b Basis) Form() string {
	form, _, _ := strings.Cut(string(b), ":")
	return form
}

// buckets of one minute make the rolling hour.
const buckets = 60

// trickle is the flow, in m³/s, at and under which no water counts as moving:
// 0.1 L/s, far under the cut-off of plant flow meters (common practice, no
// source).
const trickle = 1e-4

// gap is the longest time between two steps that counts as one span of flow;
// of a longer one nothing is known (common practice, no source).
const gap = 5 * time.Minute

// overfull is the share of the full level above which a level contradicts the
// basin (own choice: room for a meter's error and a surcharge). Up to it the
// basin counts as full: water above the approved level earns no credit.
const overfull = 1.2

// Segment rolls the flow and volume of an hour, and follows the water. The static
// T10 is that of practice, V/Q times the baffling factor, on the safe side of the
// hour: a rising flow or a falling level acts at once, a falling flow or a rising
// level only as the hour passes. While no water moves there is none. No regulation prescribes a rolling T10, and the
// static one is not always the lower.
type Segment struct {
	s        Settings
	water    *Residence
	balance  *balance // nil where the outflow is measured
	trends   trends
	ring     [buckets]bucket
	first    time.Time
	last     time.Time
	lastFlow float64
	known    bool // lastFlow holds at last
}

// bucket sums one minute.
type bucket struct {
	minute    int64 // minutes since the first step
	seconds   float64
	water     float64 // m³ that flowed
	minVolume float64
	hasVolume bool
}

// NewSegment makes a segment without history.
func NewSegment(s Settings) *Segment {
	if s.Target == 0 {
		s.Target = 1
	}
	g := &Segment{s: s, water: NewResidence(s.BafflingFactor)}
	if s.FlowsIn {
		g.balance = &balance{}
	}
	return g
}

// Step folds the readings that hold at now in. Bad readings do not enter the
// hour, and make the figures that need them bad. A step that is not later than
// the one before adds no time.
func (g *Segment) Step(now time.Time, in Inputs) Result {
	for _, r := range []*reading.Reading{&in.Residual, &in.PH, &in.Temperature, &in.Flow, &in.Level} {
		*r = r.Checked()
	}
	volume := g.volume(in.Level)
	if g.balance != nil {
		if g.first.IsZero() {
			g.first, g.last = now, now
		}
		in.Flow = g.balance.step(max(0, now.Sub(g.first)), in.Flow, volume)
	}
	if in.Flow.Quality.Usable() && in.Flow.Value < -trickle {
		// Water that runs backwards says nothing about how long it stays, and must
		// not thin the mean of the hour.
		in.Flow.Quality = reading.BadBecause(reading.Inconsistent)
	}
	g.roll(now, in.Flow, volume)
	g.water.Step(now, Value{in.Flow.Value, in.Flow.Quality}, volume)
	static, lowest := g.t10(in.Flow, volume)
	entry, inflow := g.water.Times()
	if q := reading.Worst(in.Flow.Quality, volume.Quality); !q.Usable() { // what the history tells is old
		entry, inflow = Value{Quality: q}, Value{Quality: q}
	}
	t10, basis := shortest(static, entry, inflow)
	r := Result{T10: t10, Basis: basis, Static: static, Entry: entry, Inflow: inflow, Volume: volume, Outflow: in.Flow}
	r.CT = derive(in.Residual.Value*t10.Value/60, t10.Quality, in.Residual.Quality)
	if in.Residual.Value < 0 && r.CT.Quality.Usable() {
		// An analyser's zero may drift under nought; the water has no less than none.
		r.CT = Value{0, reading.UncertainBecause(reading.UnderRange)}
	}
	r.Credit = g.s.credit(r.CT, in.Residual, in.PH, in.Temperature)
	r.Ahead = g.ahead(now, in, &r, volume, lowest)
	return r
}

// credit is what a CT is worth where it has to meet a residual, in mg/L, a pH and
// a temperature, in °C.
func (s *Settings) credit(ct Value, residual, ph, temperature reading.Reading) Credit {
	c := units.MilligramsPerLitre(max(0, residual.Value))
	p, t := units.PH(ph.Value), units.Celsius(temperature.Value)
	conditions := reading.Worst(residual.Quality, temperature.Quality, ph.Quality)
	giardia := func(log float64) Value {
		ct, q := RequiredGiardia(log, c, t, p, s.Method)
		return derive(float64(ct), conditions, q)
	}
	virus := func(log float64) Value {
		ct, q := RequiredVirus(log, t, p)
		return derive(float64(ct), temperature.Quality, ph.Quality, q)
	}
	giardia3, virus4 := giardia(3), virus(4)
	out := Credit{
		GiardiaLog: derive(3*ct.Value/giardia3.Value, ct.Quality, giardia3.Quality),
		VirusLog:   derive(4*ct.Value/virus4.Value, ct.Quality, virus4.Quality),
		Ratio:      Value{Value: math.Inf(1), Quality: ct.Quality},
	}
	if s.GiardiaLog > 0 {
		out.RequiredGiardia = giardia(s.GiardiaLog)
		out.Ratio = lower(out.Ratio, ct, out.RequiredGiardia)
	}
	if s.VirusLog > 0 {
		out.RequiredVirus = virus(s.VirusLog)
		out.Ratio = lower(out.Ratio, ct, out.RequiredVirus)
	}
	if math.IsInf(out.Ratio.Value, 0) {
		out.Ratio = Value{Quality: reading.Worst(out.Ratio.Quality, reading.BadBecause(reading.Missing))}
	}
	return out
}

// lower takes CT/required where it is the lower ratio; a ratio that is not known
// makes the whole not known.
func lower(ratio, ct, required Value) Value {
	v := derive(ct.Value/required.Value, ratio.Quality, ct.Quality, required.Quality)
	v.Value = min(v.Value, ratio.Value)
	if math.Abs(v.Value-1) < edge {
		v.Value = 1 // 0.6 mg/L for 10 min meets 6 whatever the binary fractions say
	}
	return v
}

// derive makes a figure from a value and the qualities of what went in.
func derive(v float64, qs ...reading.Quality) Value {
	q := reading.Worst(qs...)
	if q.Usable() && !number(v) {
		q = reading.BadBecause(reading.Inconsistent)
	}
	if !q.Usable() {
		v = 0
	}
	return Value{v, q}
}

// volume is the present one.
func (g *Segment) volume(level reading.Reading) Value {
	if g.s.LevelFull == 0 {
		return Value{float64(g.s.Volume), reading.GoodQuality()}
	}
	share := level.Value / float64(g.s.LevelFull)
	v := derive(float64(g.s.Volume)*min(share, 1), level.Quality)
	if v.Quality.Usable() && (share < 0 || share > overfull) {
		v = Value{0, reading.BadBecause(reading.Inconsistent)}
	}
	return v
}

// roll adds the time since the last step to its minute's bucket.
func (g *Segment) roll(now time.Time, flow reading.Reading, volume Value) {
	if g.first.IsZero() {
		g.first, g.last = now, now
	}
	if now.Before(g.last) {
		return
	}
	minute := g.minute(now)
	b := &g.ring[minute%buckets]
	if b.minute != minute {
		*b = bucket{minute: minute}
	}
	if span := now.Sub(g.last); g.known && span <= gap {
		b.seconds += span.Seconds()
		b.water += span.Seconds() * g.lastFlow
	}
	if volume.Quality.Usable() && (!b.hasVolume || volume.Value < b.minVolume) {
		b.minVolume, b.hasVolume = volume.Value, true
	}
	g.last = now
	g.known = flow.Quality.Usable()
	g.lastFlow = max(0, flow.Value)
}

// minute counts from the first step, so that a stepped wall clock moves nothing.
func (g *Segment) minute(now time.Time) int64 { return int64(now.Sub(g.first) / time.Minute) }

// t10 is the static contact time at present, with the lowest volume of the hour.
func (g *Segment) t10(flow reading.Reading, volume Value) (t10 Value, lowest float64) {
	var seconds, water float64
	lowest = volume.Value
	newest := g.minute(g.last)
	for i := range g.ring {
		b := &g.ring[i]
		if age := newest - b.minute; age < 0 || age >= buckets {
			continue
		}
		seconds += b.seconds
		water += b.water
		if b.hasVolume {
			lowest = min(lowest, b.minVolume)
		}
	}
	q := max(0, flow.Value)
	if seconds > 0 {
		q = max(q, water/seconds)
	}
	t10 = derive(g.s.BafflingFactor*lowest/q, flow.Quality, volume.Quality)
	if flow.Quality.Usable() && volume.Quality.Usable() && flow.Value <= trickle {
		// The hour's mean would make it longer with each minute in which nothing
		// moves, or in which a meter that has failed shows nought.
		t10 = Value{0, reading.BadBecause(reading.NoFlow)}
	}
	return t10, lowest
}

// shortest is the shortest T10 that is known. Without the static one there is
// none: nothing flows.
func shortest(static, entry, inflow Value) (Value, Basis) {
	v, basis := static, Static
	if !static.Quality.Usable() {
		return v, basis
	}
	if entry.Quality.Usable() && entry.Value < v.Value*(1-edge) {
		v.Value, basis = entry.Value, EntryForm
	}
	if inflow.Quality.Usable() && inflow.Value < v.Value*(1-edge) {
		v.Value, basis = inflow.Value, InflowForm
	}
	return v, basis
}
