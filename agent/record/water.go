package record

import (
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// The quantities of a day's items besides those of the figures.
const (
	LowestResidual    plant.Quantity = "lowest-residual"
	TimeUnder         plant.Quantity = "time-under"    // known to be under the least residual
	LongestUnder      plant.Quantity = "longest-under" // by the clock of the rule, without a break
	LowestTemperature plant.Quantity = "lowest-temperature"
	HighestPH         plant.Quantity = "highest-ph"
	LowestRatio       plant.Quantity = "lowest-ratio" // at any one time
	PeakFlow          plant.Quantity = "peak-hourly-flow"
	HighestGas        plant.Quantity = "highest-gas"
	Trips             plant.Quantity = "trips"        // of the first level
	SecondTrips       plant.Quantity = "second-trips" // of the second level

	// The two ways in which the rule's wording is read, and what went into them:
	// the values at the end of the peak hour, or each extreme of the day by itself.
	Simultaneous = "peak-"
	Extremes     = "extremes-"

	DayRatio       plant.Quantity = "ratio"
	DayGiardia     plant.Quantity = "giardia-log"
	DayVirus       plant.Quantity = "virus-log"
	DayResidual    plant.Quantity = "residual"
	DayHighest     plant.Quantity = "highest-residual"
	DayPH          plant.Quantity = "ph"
	DayTemperature plant.Quantity = "temperature"
	DayT10         plant.Quantity = "t10"
	DayCT          plant.Quantity = "ct"
	DayCTGiardia   plant.Quantity = "ct-required-giardia"
	DayCTVirus     plant.Quantity = "ct-required-virus"
	// DayCTRatio is CTcalc/CT99.9 of 40 CFR 141.75(a)(2)(vi): over the CT for 3 log of
	// Giardia, whatever the site owes.
	DayCTRatio plant.Quantity = "ct-ratio-3log"
)

// waterItems are those of trains and segments.
func (r *Recorder) waterItems() []Item {
	var items []Item
	days := make([]*contact.DayRecord, len(r.s.Segments))
	present, finished := r.s.Days()
	for _, known := range [][]contact.DayRecord{present, finished} {
		for i := range known {
			if i < len(days) && known[i].From.Equal(r.day.From) {
				days[i] = &known[i]
			}
		}
	}
	for _, t := range r.s.Trains {
		items = append(items, r.train(t, days)...)
	}
	for i := range r.s.Segments {
		items = append(items, r.segment(&r.s.Segments[i], days[i])...)
	}
	return items
}

// value makes an item of a value in SI.
func value(name string, v contact.Value, unit units.Unit, at time.Time, covered float64, detail string) Item {
	it := Item{Name: name, Unit: unit.Symbol, Covered: covered, Detail: detail}
	if !v.Quality.Usable() {
		it.Detail = reading.Explain(v.Quality.Reason)
		return it
	}
	shown := unit.FromSI(v.Value)
	it.Value = &shown
	if !at.IsZero() {
		it.At = at.UTC()
	}
	if v.Quality.Level != reading.Good {
		it.doubt("uncertain: it " + reading.Explain(v.Quality.Reason))
	}
	return it
}

var (
	one           = units.MustParse("1")
	minute        = units.MustParse("min")
	concentration = units.MustParse("mg/L")
	ctUnit        = units.MustParse("mg.min/L")
	acidity       = units.MustParse("pH")
	celsius       = units.MustParse("degC")
)

// segment gives a segment its items; the day is nil where nothing is known of it.
func (r *Recorder) segment(g *plant.Segment, day *contact.DayRecord) []Item {
	bad := contact.Value{Quality: reading.BadBecause(reading.NotYetRead)}
	if day == nil {
		none := contact.DayRatio{Credit: contact.Credit{RequiredGiardia: bad, RequiredVirus: bad, Ratio: bad, GiardiaLog: bad, VirusLog: bad}}
		day = &contact.DayRecord{LowestRatio: bad, LowestResidual: bad, RollingHour: contact.PeakHour{Flow: bad}, AtRollingHour: none, Extremes: none}
	}
	name := func(q plant.Quantity) string { return plant.Name(plant.SegmentKind, g.Name, q) }
	peak, flow := day.RollingHour, r.flowUnit(g)
	method := string(g.Settings.Method)
	items := []Item{
		value(name(PeakFlow), peak.Flow, flow, peak.To, day.Covered, "highest mean of 60 minutes"),
		value(name(LowestRatio), day.LowestRatio, one, day.LowestRatioAt, day.Covered, "at any one time, "+method),
	}
	for _, way := range []struct {
		prefix string
		at     time.Time
		r      *contact.DayRatio
		how    string
	}{
		{Simultaneous, peak.To, &day.AtRollingHour, "at the end of the peak hour"},
		{Extremes, time.Time{}, &day.Extremes, "each extreme of the day by itself"},
	} {
		known := func(v float64) contact.Value { return contact.Value{Value: v, Quality: way.r.Ratio.Quality} }
		for _, c := range []struct {
			q    plant.Quantity
			v    contact.Value
			unit units.Unit
		}{
			{DayRatio, way.r.Ratio, one}, {DayGiardia, way.r.GiardiaLog, one}, {DayVirus, way.r.VirusLog, one},
			{DayResidual, known(way.r.Residual), concentration}, {DayHighest, known(way.r.HighestResidual), concentration},
			{DayPH, known(way.r.PH), acidity}, {DayTemperature, known(way.r.Temperature), celsius},
			{DayT10, known(way.r.T10), minute}, {DayCT, known(way.r.CT), ctUnit},
			{DayCTGiardia, way.r.RequiredGiardia, ctUnit}, {DayCTVirus, way.r.RequiredVirus, ctUnit}, {DayCTRatio, third(way.r.GiardiaLog), one},
		} {
			it := value(name(plant.Quantity(way.prefix)+c.q), c.v, c.unit, way.at, day.Covered, way.how+", "+method)
			if it.Value != nil && c.q != DayRatio {
				it.Detail = "" // it is that of the ratio
			}
			items = append(items, it)
		}
	}
	return items
}

// third makes of a log of Giardia the share of 3 log.
func third(log contact.Value) contact.Value {
	return contact.Value{Value: log.Value / 3, Quality: log.Quality}
}

// flowUnit is the unit in which the plant itself shows the flow of a segment.
func (r *Recorder) flowUnit(g *plant.Segment) units.Unit {
	for i := range r.s.Figures {
		if f := &r.s.Figures[i]; f.Kind == plant.SegmentKind && f.Owner == g.Name && f.Quantity == plant.DayPeakFlow {
			return f.Unit
		}
	}
	return units.MustParse("m3/h")
}

// train sums its segments for both ways.
func (r *Recorder) train(t plant.Train, days []*contact.DayRecord) []Item {
	var items []Item
	for _, way := range []struct {
		prefix, how string
		of          func(*contact.DayRecord) contact.Credit
	}{
		{Simultaneous, "segments added, each at the end of its peak hour", func(d *contact.DayRecord) contact.Credit { return d.AtRollingHour.Credit }},
		{Extremes, "segments added, each extreme of the day by itself", func(d *contact.DayRecord) contact.Credit { return d.Extremes.Credit }},
	} {
		var credits []contact.Credit
		covered := 1.0
		for i := range r.s.Segments {
			for _, name := range t.Segments {
				if r.s.Segments[i].Name != name {
					continue
				}
				bad := contact.Value{Quality: reading.BadBecause(reading.NotYetRead)}
				credit := contact.Credit{RequiredGiardia: bad, RequiredVirus: bad, Ratio: bad, GiardiaLog: bad, VirusLog: bad}
				if days[i] == nil {
					covered = 0
				} else {
					credit, covered = way.of(days[i]), min(covered, days[i].Covered)
				}
				credits = append(credits, credit)
			}
		}
		sum := contact.Total(t.GiardiaLog, t.VirusLog, credits...)
		for _, c := range []struct {
			q plant.Quantity
			v contact.Value
		}{{DayRatio, sum.Ratio}, {DayGiardia, sum.GiardiaLog}, {DayVirus, sum.VirusLog}, {DayCTRatio, third(sum.GiardiaLog)}} {
			items = append(items, value(plant.Name(plant.TrainKind, t.Name, plant.Quantity(way.prefix)+c.q), c.v, one, time.Time{}, covered, way.how))
		}
	}
	return items
}
