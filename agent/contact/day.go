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

	record DayRecord
	seen   float64 // s of the day with all inputs

	// What held at the last step.
	last   time.Time
	in     Inputs
	result Result
	usable bool // all of it

	flows   [buckets]flowMinute // of the last hour, by minute since the Unix epoch
	clock   flowHour            // the present clock hour
	extreme extremes
	worked  struct { // the ratio of the extremes, so as not to work it anew
		flow  float64
		of    extremes
		ratio DayRatio
	}
}

// DayRecord is one day of a segment.
type DayRecord struct {
	// From and To are midnights in the site's time zone: 23 to 25 hours apart.
	From, To time.Time
	// Covered is the share of the day, 0 to 1, of which all inputs are known.
	Covered float64
	// LowestResidual is the day's lowest, in mg/L, LowestRatio the lowest at any
	// one time, with the times at which they were first met.
	LowestResidual, LowestRatio     Value
	LowestResidualAt, LowestRatioAt time.Time
	// RollingHour is the highest mean flow of any 60 minutes, ClockHour that of an
	// hour from full to full hour.
	RollingHour, ClockHour PeakHour
	// AtRollingHour and AtClockHour are worked with the values at the end of those
	// hours; Extremes with the higher of the two flows, the lowest volume and
	// residual, and for the required CT the highest residual and pH and the lowest
	// temperature, whenever each was.
	AtRollingHour, AtClockHour, Extremes DayRatio
}

// PeakHour is an hour of flow.
type PeakHour struct {
	// Flow is its mean, in m³/s. It is bad when no hour of the day was covered.
	Flow Value
	To   time.Time // its end
}

// DayRatio is a day's inactivation ratio with what it was made of.
type DayRatio struct {
	Credit
	// T10 is in s, CT in mg·min/L.
	T10, CT float64
	// Residual is that of CT, HighestResidual that of the required CT, in mg/L.
	Residual, HighestResidual, PH, Temperature float64
}

// coverage is the share of an hour that must be known for its mean flow to count
// (own choice; no rule says it).
const coverage = 0.9

type flowMinute struct {
	minute         int64
	seconds, water float64
}

type flowHour struct {
	to             time.Time
	seconds, water float64
}

type extremes struct {
	known                          bool
	lowVolume, lowC, highC, pH, tC float64
}

// NewDay makes a record that begins with the first step.
func NewDay(s Settings, zone *time.Location) *Day { return &Day{s: s, zone: zone} }

// Step folds in what holds at now. When a day is over it returns its record,
// before anything of the new day enters. A clock that is set back to the day
// before goes on with the present day, for a closed record is not opened again.
func (d *Day) Step(now time.Time, in Inputs, r *Result) (closed *DayRecord) {
	for _, r := range []*reading.Reading{&in.Residual, &in.PH, &in.Temperature, &in.Flow} {
		*r = r.Checked()
	}
	local := now.In(d.zone)
	from := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, d.zone)
	if d.last.IsZero() || now.Before(d.last) || now.Sub(d.last) > gap {
		d.last, d.usable, d.in.Flow = now, false, reading.Reading{} // nothing is known of the time between
	}
	if d.record.From.IsZero() {
		d.open(from)
	} else if end := d.record.To; !now.Before(end) {
		if d.last.Before(end) {
			d.span(end)
		}
		d.peak(end)
		c := d.close()
		closed = &c
		d.open(from)
	}
	d.span(now)
	d.in, d.result = in, *r
	d.extremes(now)
	d.peak(now)
	return closed
}

// Record is the present day as far as it has come.
func (d *Day) Record() DayRecord { return d.close() }

func (d *Day) open(from time.Time) {
	local := from.In(d.zone)
	bad := Value{Quality: reading.BadBecause(reading.NotYetRead)}
	hour := PeakHour{Flow: bad}
	ratio := DayRatio{Credit: Credit{bad, bad, bad, bad, bad}}
	d.record = DayRecord{
		From: from, To: time.Date(local.Year(), local.Month(), local.Day()+1, 0, 0, 0, 0, d.zone),
		LowestResidual: bad, LowestRatio: bad, RollingHour: hour, ClockHour: hour,
		AtRollingHour: ratio, AtClockHour: ratio, Extremes: ratio,
	}
	d.seen, d.extreme = 0, extremes{}
	// An hour belongs to the day in which it ends and begins.
	d.flows, d.clock = [buckets]flowMinute{}, flowHour{}
}

func (d *Day) close() DayRecord {
	r := d.record
	r.Covered = min(1, d.seen/r.To.Sub(r.From).Seconds())
	if e := d.extreme; e.known {
		flow := r.RollingHour.Flow
		if c := r.ClockHour.Flow; c.Quality.Usable() && !(c.Value <= flow.Value) {
			flow = c
		}
		if flow.Quality.Usable() {
			if w := &d.worked; w.flow != flow.Value || w.of != e {
				w.flow, w.of, w.ratio = flow.Value, e, d.ratio(flow.Value, e.lowVolume, e.lowC, e.highC, e.pH, e.tC)
			}
			r.Extremes = d.worked.ratio
		}
	}
	return r
}

// span adds the time since the last step, with what held then.
func (d *Day) span(to time.Time) {
	seconds := to.Sub(d.last).Seconds()
	if d.usable {
		d.seen += seconds
	}
	if flow := d.in.Flow; flow.Quality.Usable() {
		water := seconds * max(0, flow.Value)
		m := &d.flows[to.Unix()/60%buckets]
		if minute := to.Unix() / 60; m.minute != minute {
			*m = flowMinute{minute: minute}
		}
		m.seconds, m.water = m.seconds+seconds, m.water+water
		d.clock.seconds, d.clock.water = d.clock.seconds+seconds, d.clock.water+water
	}
	d.last = to
}

func (d *Day) extremes(now time.Time) {
	c, ph, t, volume := d.in.Residual, d.in.PH, d.in.Temperature, d.result.Volume
	if c.Quality.Usable() && (!d.record.LowestResidual.Quality.Usable() || c.Value < d.record.LowestResidual.Value) {
		d.record.LowestResidual, d.record.LowestResidualAt = Value{max(0, c.Value), c.Quality}, now
	}
	if v := d.result.Ratio; v.Quality.Usable() && (!d.record.LowestRatio.Quality.Usable() || v.Value < d.record.LowestRatio.Value) {
		d.record.LowestRatio, d.record.LowestRatioAt = v, now
	}
	d.usable = c.Quality.Usable() && ph.Quality.Usable() && t.Quality.Usable() && d.in.Flow.Quality.Usable() && volume.Quality.Usable()
	if !d.usable {
		return
	}
	e := &d.extreme
	if !e.known {
		*e = extremes{true, volume.Value, c.Value, c.Value, ph.Value, t.Value}
	}
	e.lowVolume, e.lowC, e.highC = min(e.lowVolume, volume.Value), min(e.lowC, c.Value), max(e.highC, c.Value)
	e.pH, e.tC = max(e.pH, ph.Value), min(e.tC, t.Value)
}

// peak looks whether an hour that ends now is the day's highest.
func (d *Day) peak(now time.Time) {
	enough := coverage * time.Hour.Seconds()
	var seconds, water float64
	minute := now.Unix() / 60
	for i := range d.flows {
		if m := &d.flows[i]; m.minute > minute-buckets && m.minute <= minute {
			seconds, water = seconds+m.seconds, water+m.water
		}
	}
	higher := func(p *PeakHour, mean float64) bool {
		if p.Flow.Quality.Usable() && mean <= p.Flow.Value {
			return false
		}
		*p = PeakHour{Value{mean, reading.GoodQuality()}, now}
		return true
	}
	if !now.Before(d.record.From.Add(time.Hour)) && seconds >= enough && higher(&d.record.RollingHour, water/seconds) {
		d.record.AtRollingHour = d.at(water / seconds)
	}
	if d.clock.to.IsZero() || !now.Before(d.clock.to) {
		if d.clock.seconds >= enough && higher(&d.record.ClockHour, d.clock.water/d.clock.seconds) {
			d.record.AtClockHour = d.at(d.clock.water / d.clock.seconds)
		}
		local := now.In(d.zone)
		d.clock = flowHour{to: now.Add(time.Hour - time.Duration(local.Minute())*time.Minute - time.Duration(local.Second())*time.Second - time.Duration(local.Nanosecond()))}
	}
}

// at works the ratio with the values that hold together at the end of an hour.
func (d *Day) at(flow float64) DayRatio {
	if !d.usable {
		missing := Value{Quality: reading.BadBecause(reading.Missing)}
		return DayRatio{Credit: Credit{missing, missing, missing, missing, missing}}
	}
	return d.ratio(flow, d.result.Volume.Value, d.in.Residual.Value, d.in.Residual.Value, d.in.PH.Value, d.in.Temperature.Value)
}

// ratio works a day's ratio, T10 by the static form.
func (d *Day) ratio(flow, volume, lowC, highC, ph, t float64) DayRatio {
	known := func(v float64) reading.Reading { return reading.Reading{Value: v, Quality: reading.GoodQuality()} }
	out := DayRatio{Residual: max(0, lowC), HighestResidual: max(0, highC), PH: ph, Temperature: t, T10: d.s.BafflingFactor * volume / flow}
	out.CT = out.Residual * out.T10 / 60
	out.Credit = d.s.credit(derive(out.CT, reading.GoodQuality()), known(out.HighestResidual), known(ph), known(t))
	return out
}
