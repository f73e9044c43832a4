package contact

import (
	"time"

	"ebbwatch/agent/reading"
)

// Day makes the record of a regulatory day of one segment, in the site's time
// zone. 40 CFR 141.74(b)(3) and (4) ask each day for CT at peak hourly flow
// (from memory). Which readings stand for the day is not said further, so the
// record has it both ways: with the values that held together at the peak hour,
// as the rule's wording goes, and with the day's extremes each by itself, as at
// least one State accepts it (Oregon, 8 September 2009), which is stricter.
type Day struct {
	s    Settings
	zone *time.Location

	kept DayMemory

	// What held at the last step.
	last   time.Time
	flow   reading.Reading
	usable bool // all inputs

	worked struct { // the ratio of the extremes, so as not to work it anew
		flow  Value
		of    dayExtremes
		ratio DayRatio
	}
}

// DayMemory is what a Day keeps over a restart. Its fields are for JSON alone.
type DayMemory struct {
	// Of are the settings under which it was made: a day is not resumed under
	// others.
	Of       Settings   `json:"of"`
	Present  DayRecord  `json:"present"`
	Finished *DayRecord `json:"finished,omitempty"`
	// Seen is how much of the day, in s, all inputs are known, Until the latest
	// time that was counted.
	Seen     float64             `json:"seen_s"`
	Until    time.Time           `json:"until,omitzero"`
	Extremes dayExtremes         `json:"extremes,omitzero"`
	Held     dayHeld             `json:"held,omitzero"`
	Flows    [buckets]flowMinute `json:"flows"` // of the last hour, by minute since the Unix epoch
	Clock    flowHour            `json:"clock,omitzero"`
}

// DayRecord is one day of a segment.
type DayRecord struct {
	// From and To are midnights in the site's time zone: 23 to 25 hours apart.
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Covered is the share of the day, 0 to 1, of which all inputs are known.
	Covered float64 `json:"covered"`
	// LowestResidual is the day's lowest, in mg/L, LowestRatio the lowest at any
	// one time, with the times at which they were first met.
	LowestResidual   Value     `json:"lowest_residual"`
	LowestRatio      Value     `json:"lowest_ratio"`
	LowestResidualAt time.Time `json:"lowest_residual_at,omitzero"`
	LowestRatioAt    time.Time `json:"lowest_ratio_at,omitzero"`
	// RollingHour is the highest mean flow of any 60 minutes, ClockHour that of an
	// hour from full to full hour.
	RollingHour PeakHour `json:"rolling_hour"`
	ClockHour   PeakHour `json:"clock_hour"`
	// AtRollingHour and AtClockHour are worked with the values at the end of those
	// hours, or the last ones that were known in their last 6 minutes; Extremes with
	// the higher of the two flows, the lowest volume and residual, and for the
	// required CT the highest residual and pH and the lowest temperature, whenever
	// each was.
	AtRollingHour DayRatio `json:"at_rolling_hour"`
	AtClockHour   DayRatio `json:"at_clock_hour"`
	Extremes      DayRatio `json:"extremes"`
}

// PeakHour is an hour of flow.
type PeakHour struct {
	// Flow is its mean, in m³/s. It is bad when no hour of the day was covered.
	Flow Value     `json:"flow"`
	To   time.Time `json:"to,omitzero"` // its end
}

// DayRatio is a day's inactivation ratio with what it was made of.
type DayRatio struct {
	Credit
	// T10 is in s, CT in mg·min/L.
	T10 float64 `json:"t10_s"`
	CT  float64 `json:"ct"`
	// Residual is that of CT, HighestResidual that of the required CT, in mg/L.
	Residual        float64 `json:"residual"`
	HighestResidual float64 `json:"highest_residual"`
	PH              float64 `json:"ph"`
	Temperature     float64 `json:"temperature"`
}

// coverage is the share of an hour that must be known for its mean flow to count
// (own choice; no rule says it).
const coverage = 0.9

// heldFor is how long before the end of an hour its values may be from: what
// coverage leaves.
const heldFor = 6 * time.Minute

// stepped is by how much the wall clock may differ from the monotonic one before
// it was set: then nobody knows to which time what held belongs.
const stepped = 2 * time.Second

// flowMinute sums one minute, a clock hour with its end another.
type flowMinute struct {
	Minute  int64           `json:"m"`
	Seconds float64         `json:"s"`
	Water   float64         `json:"m3"`
	Quality reading.Quality `json:"q"` // the worst
}

type flowHour struct {
	To      time.Time       `json:"to"`
	Seconds float64         `json:"s"`
	Water   float64         `json:"m3"`
	Quality reading.Quality `json:"q"`
}

// dayHeld is what was last known of all inputs together, in SI units.
type dayHeld struct {
	At          time.Time       `json:"at"`
	Residual    float64         `json:"residual"`
	PH          float64         `json:"ph"`
	Temperature float64         `json:"temperature"`
	Volume      float64         `json:"volume"`
	Quality     reading.Quality `json:"quality"`
}

// dayExtremes are bad while nothing is known.
type dayExtremes struct {
	LowVolume      float64         `json:"low_volume"`
	LowResidual    float64         `json:"low_residual"`
	HighResidual   float64         `json:"high_residual"`
	HighPH         float64         `json:"high_ph"`
	LowTemperature float64         `json:"low_temperature"`
	Quality        reading.Quality `json:"quality"` // the worst
}

// NewDay makes a record that begins with the first step.
func NewDay(s Settings, zone *time.Location) *Day {
	s.Target = 0 // no part of the record
	return &Day{s: s, zone: zone, kept: DayMemory{Of: s}}
}

// Memory is what Restore needs after a restart.
func (d *Day) Memory() DayMemory { return d.kept }

// Restore goes on with the day of a memory, and reports whether it does. It does
// not where the segment or the time zone has changed since, for what was worked
// before would not fit what comes after, nor where the memory cannot be.
func (d *Day) Restore(m DayMemory) bool {
	p := &m.Present
	if m.Of != d.s || !(m.Seen >= 0 && m.Seen <= p.To.Sub(p.From).Seconds()) {
		return false
	}
	if from, to := DayOf(p.From, d.zone); !from.Equal(p.From) || !to.Equal(p.To) {
		return false
	}
	d.kept = m
	return true
}

// Finished is the last day that was over, and whether there is one.
func (d *Day) Finished() (DayRecord, bool) {
	if d.kept.Finished == nil {
		return DayRecord{}, false
	}
	return *d.kept.Finished, true
}

// Step folds in what holds at now. When a day is over it returns its record,
// before anything of the new day enters. A clock that is set back to the day
// before goes on with the present day, for a closed record is not opened again;
// one that is set back further was wrong, and the day begins anew.
func (d *Day) Step(now time.Time, in Inputs, r *Result) (closed *DayRecord) {
	for _, r := range []*reading.Reading{&in.Residual, &in.PH, &in.Temperature, &in.Flow} {
		*r = r.Checked()
	}
	since := now.Sub(d.last)
	if d.last.IsZero() || since < 0 || since > gap || (now.Round(0).Sub(d.last.Round(0))-since).Abs() > stepped {
		d.last, d.usable, d.flow = now, false, reading.Reading{} // nothing is known of the time between
	}
	p := &d.kept.Present
	if p.From.IsZero() || now.Before(p.From.AddDate(0, 0, -1)) {
		d.open(now)
	} else if end := p.To; !now.Before(end) {
		if d.last.Before(end) {
			d.span(end)
		}
		d.peak(end)
		c, again := d.Record(), d.Record()
		closed, d.kept.Finished = &c, &again
		d.open(now)
	}
	d.span(now)
	d.hold(now, in, r)
	d.peak(now)
	return closed
}

func (d *Day) open(now time.Time) {
	from, to := DayOf(now, d.zone)
	bad := Value{Quality: reading.BadBecause(reading.NotYetRead)}
	hour := PeakHour{Flow: bad}
	ratio := DayRatio{Credit: Credit{bad, bad, bad, bad, bad}}
	// An hour belongs to the day in which it ends and begins.
	d.kept = DayMemory{Of: d.s, Finished: d.kept.Finished, Present: DayRecord{
		From: from, To: to, LowestResidual: bad, LowestRatio: bad, RollingHour: hour, ClockHour: hour,
		AtRollingHour: ratio, AtClockHour: ratio, Extremes: ratio,
	}}
}

// Record is the present day as far as it has come.
func (d *Day) Record() DayRecord {
	r := d.kept.Present
	r.Covered = min(1, d.kept.Seen/r.To.Sub(r.From).Seconds())
	e, flow := d.kept.Extremes, r.RollingHour.Flow
	if c := r.ClockHour.Flow; c.Quality.Usable() && !(flow.Quality.Usable() && c.Value <= flow.Value) {
		flow = c
	}
	if e.Quality.Usable() && flow.Quality.Usable() {
		if w := &d.worked; w.flow != flow || w.of != e {
			w.flow, w.of, w.ratio = flow, e, d.ratio(flow, e.LowVolume, e.LowResidual, e.HighResidual, e.HighPH, e.LowTemperature, e.Quality)
		}
		r.Extremes = d.worked.ratio
	}
	return r
}

// span adds the time since the last step, with what held then. What a clock that
// was set back goes through once more is not counted again.
func (d *Day) span(to time.Time) {
	k, seconds := &d.kept, to.Sub(d.last).Seconds()
	if again := k.Until.Sub(d.last.Round(0)); d.usable {
		k.Seen += max(0, seconds-max(0, again.Seconds()))
	}
	if to.After(k.Until) {
		k.Until = to.Round(0)
	}
	if water := seconds * max(0, d.flow.Value); d.flow.Quality.Usable() && number(k.Clock.Water+water) {
		minute := to.Unix() / 60
		m := &k.Flows[minute%buckets]
		if m.Minute != minute {
			*m = flowMinute{Minute: minute, Quality: reading.GoodQuality()}
		}
		m.Seconds, m.Water, m.Quality = m.Seconds+seconds, m.Water+water, reading.Worst(m.Quality, d.flow.Quality)
		c := &k.Clock
		c.Seconds, c.Water, c.Quality = c.Seconds+seconds, c.Water+water, reading.Worst(c.Quality, d.flow.Quality)
	}
	d.last = to
}

// hold keeps what holds from now on, and what of it is extreme.
func (d *Day) hold(now time.Time, in Inputs, r *Result) {
	c, ph, t, volume, p := in.Residual, in.PH, in.Temperature, r.Volume, &d.kept.Present
	if low := max(0, c.Value); c.Quality.Usable() && (!p.LowestResidual.Quality.Usable() || low < p.LowestResidual.Value) {
		p.LowestResidual, p.LowestResidualAt = Value{low, c.Quality}, now.Round(0)
	}
	if v := r.Ratio; v.Quality.Usable() && (!p.LowestRatio.Quality.Usable() || v.Value < p.LowestRatio.Value) {
		p.LowestRatio, p.LowestRatioAt = v, now.Round(0)
	}
	d.flow = in.Flow
	q := reading.Worst(c.Quality, ph.Quality, t.Quality, volume.Quality)
	if d.usable = q.Usable() && in.Flow.Quality.Usable(); !d.usable {
		return
	}
	d.kept.Held = dayHeld{now.Round(0), c.Value, ph.Value, t.Value, volume.Value, q}
	e := &d.kept.Extremes
	if !e.Quality.Usable() {
		*e = dayExtremes{volume.Value, c.Value, c.Value, ph.Value, t.Value, q}
	}
	e.LowVolume, e.LowResidual, e.HighResidual = min(e.LowVolume, volume.Value), min(e.LowResidual, c.Value), max(e.HighResidual, c.Value)
	e.HighPH, e.LowTemperature, e.Quality = max(e.HighPH, ph.Value), min(e.LowTemperature, t.Value), reading.Worst(e.Quality, q)
}

// peak looks whether an hour that ends now is the day's highest.
func (d *Day) peak(now time.Time) {
	k, p := &d.kept, &d.kept.Present
	var hour flowHour
	hour.Quality = reading.GoodQuality()
	minute := now.Unix() / 60
	for i := range k.Flows {
		if m := &k.Flows[i]; m.Minute > minute-buckets && m.Minute <= minute {
			hour.Seconds, hour.Water, hour.Quality = hour.Seconds+m.Seconds, hour.Water+m.Water, reading.Worst(hour.Quality, m.Quality)
		}
	}
	if !now.Before(p.From.Add(time.Hour)) {
		d.higher(&p.RollingHour, &p.AtRollingHour, &hour, now)
	}
	left := k.Clock.To.Sub(now.Round(0))
	if left <= 0 && !k.Clock.To.IsZero() {
		d.higher(&p.ClockHour, &p.AtClockHour, &k.Clock, k.Clock.To)
	}
	if left <= 0 || left > time.Hour { // the latter where the clock was set back
		local := now.In(d.zone)
		past := time.Duration(local.Minute())*time.Minute + time.Duration(local.Second())*time.Second + time.Duration(local.Nanosecond())
		k.Clock = flowHour{To: local.Add(time.Hour - past), Quality: reading.GoodQuality()}
	}
}

// higher takes an hour that is known well enough and higher than the one before.
func (d *Day) higher(p *PeakHour, at *DayRatio, hour *flowHour, end time.Time) {
	flow := derive(hour.Water/hour.Seconds, hour.Quality)
	if hour.Seconds < coverage*time.Hour.Seconds() || !flow.Quality.Usable() || p.Flow.Quality.Usable() && flow.Value <= p.Flow.Value {
		return
	}
	*p = PeakHour{flow, end.Round(0)}
	if h := &d.kept.Held; h.At.IsZero() || end.Round(0).Sub(h.At).Abs() > heldFor {
		missing := Value{Quality: reading.BadBecause(reading.Missing)}
		*at = DayRatio{Credit: Credit{missing, missing, missing, missing, missing}}
	} else {
		*at = d.ratio(flow, h.Volume, h.Residual, h.Residual, h.PH, h.Temperature, h.Quality)
	}
}

// ratio works a day's ratio, T10 by the static form.
func (d *Day) ratio(flow Value, volume, lowC, highC, ph, t float64, q reading.Quality) DayRatio {
	known := func(v float64) reading.Reading { return reading.Reading{Value: v, Quality: q} }
	out := DayRatio{Residual: max(0, lowC), HighestResidual: max(0, highC), PH: ph, Temperature: t}
	still := reading.GoodQuality()
	if flow.Value > trickle {
		out.T10 = d.s.BafflingFactor * volume / flow.Value
		out.CT = out.Residual * out.T10 / 60
	} else {
		still = reading.BadBecause(reading.NoFlow)
	}
	out.Credit = d.s.credit(derive(out.CT, q, flow.Quality, still), known(out.HighestResidual), known(ph), known(t))
	return out
}
