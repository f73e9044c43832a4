package plant

import (
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// train sums segments.
type train struct {
	Train
	segments []int
	credits  []contact.Credit
}

// entry is an entry point at work.
type entry struct {
	EntryPoint
	point    int
	residual contact.ResidualClock
	analyser contact.AnalyserClock
}

// figures lists those of a segment, in the order in which step gives them.
func (s *segment) figures(p *Plant) []Figure {
	one, minute, ct, concentration := units.MustParse("1"), units.MustParse("min"), units.MustParse("mg.min/L"), units.MustParse("mg/L")
	flow := units.MustParse("m3/h")
	if s.flow < len(p.points) {
		flow = p.points[s.flow].Unit // as the plant itself shows it
	}
	var out []Figure
	for _, f := range []struct {
		q Quantity
		u units.Unit
	}{
		{T10, minute}, {CT, ct}, {CTRequiredGiardia, ct}, {CTRequiredVirus, ct}, {InactivationRatio, one}, {GiardiaLog, one}, {VirusLog, one},
		{T10Static, minute}, {T10Entry, minute}, {T10Inflow, minute},
		{ResidualNeeded, concentration}, {FlowGreatest, flow}, {RatioAhead, one}, {RatioAheadIn, minute},
		{DayRatio, one}, {DayRatioExtremes, one}, {DayLowestRatio, one}, {DayPeakFlow, flow}, {DayCovered, one},
	} {
		out = append(out, Figure{Kind: SegmentKind, Owner: s.Name, Quantity: f.q, Unit: f.u})
	}
	return out
}

// step gives a segment its figures.
func (s *segment) step(p *Plant, now time.Time, w *writer) {
	in := contact.Inputs{
		Residual: p.reading(s.residual), PH: p.reading(s.ph), Temperature: p.reading(s.temperature),
		Flow: p.reading(s.flow), Level: p.reading(s.level),
	}
	s.last = s.state.Step(now, in)
	r := &s.last
	s.day.Step(now, in, r)
	at := p.oldest(s.residual, s.ph, s.temperature, s.flow, s.level)
	put := func(v contact.Value, method string) { w.next(v.Quality, at).set(v.Value).Method = method }
	method := string(s.Settings.Method)
	put(r.T10, string(r.Basis))
	put(r.CT, string(r.Basis))
	put(r.RequiredGiardia, method)
	put(r.RequiredVirus, method)
	put(r.Ratio, method)
	put(r.GiardiaLog, method)
	put(r.VirusLog, method)

	put(r.Static, string(contact.Static))
	put(r.Entry, string(contact.EntryForm))
	put(r.Inflow, string(contact.InflowForm))

	put(r.Ahead.NeededResidual, method)
	put(r.Ahead.GreatestFlow, method)
	put(r.Ahead.Lowest, contact.Assumption)
	put(contact.Value{Value: r.Ahead.LowestIn.Seconds(), Quality: r.Ahead.Lowest.Quality}, contact.Assumption)

	day := s.day.Record()
	put(day.AtRollingHour.Ratio, "values at the end of the peak hour, "+method)
	put(day.Extremes.Ratio, "the day's extremes each by itself, "+method)
	put(day.LowestRatio, method)
	put(day.RollingHour.Flow, "highest mean of 60 minutes")
	put(contact.Value{Value: day.Covered, Quality: reading.GoodQuality()}, "share of the whole day")
}

// step gives a train its figures.
func (t *train) step(p *Plant, w *writer) {
	t.credits = t.credits[:0]
	var at time.Time
	for _, i := range t.segments {
		s := &p.segments[i]
		t.credits = append(t.credits, s.last.Credit)
		if oldest := p.oldest(s.residual, s.ph, s.temperature, s.flow, s.level); at.IsZero() || oldest.Before(at) {
			at = oldest
		}
	}
	total := contact.Total(t.GiardiaLog, t.VirusLog, t.credits...)
	for _, v := range []contact.Value{total.Ratio, total.GiardiaLog, total.VirusLog} {
		w.next(v.Quality, at).set(v.Value)
	}
}

// step gives an entry point its figures. A sample by hand is due only while the
// analyser fails.
func (e *entry) step(p *Plant, now time.Time, w *writer) {
	r := p.reading(e.point)
	s := e.residual.Step(now, r)
	w.next(s.Under.Quality, r.Time).set(s.Under.Value)
	w.next(s.Left.Quality, r.Time).set(s.Left.Value)
	a := e.analyser.Step(now, r.Quality.Usable() || r.Quality.Reason == reading.NotYetRead)
	f := w.next(reading.GoodQuality(), r.Time)
	f.Value = e.Analyser.Grab.Seconds()
	if a.Failed {
		f.Value = a.GrabDue
		f.Detail = "the analyser has to be back by " + a.Until.In(p.zone).Format("2 January 15:04 MST")
	}
}
