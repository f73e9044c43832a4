package plant

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// train sums segments.
type train struct {
	Train
	segments     []int
	credits      []contact.Credit
	method, owed string
	days         []string // as dayWays
}

// entry is an entry point at work.
type entry struct {
	EntryPoint
	point    int
	residual contact.ResidualClock
	analyser contact.AnalyserClock
	method   string
}

// segment makes one from its settings.
func (p *Plant) segment(sg Segment, find, optional func(owner, name string) int) segment {
	sg.Settings.Method = cmp.Or(sg.Settings.Method, contact.Table) // each figure names it
	s := segment{
		Segment: sg, state: contact.NewSegment(sg.Settings), day: contact.NewDay(sg.Settings, p.zone),
		residual: find(sg.Name, sg.Residual), ph: find(sg.Name, sg.PH), temperature: find(sg.Name, sg.Temperature),
		level: optional(sg.Name, sg.Level), blank: contact.Blank{Under: sg.Blank}, methods: newMethods(sg.Settings.Method),
	}
	for _, name := range sg.Flow {
		s.flows = append(s.flows, find(sg.Name, name))
	}
	s.inputs = append([]int{s.residual, s.ph, s.temperature, s.level}, s.flows...)
	s.blankDoubt = p.doubtOf(s.residual)
	if sg.ResidualIn != "" {
		in := find(sg.Name, sg.ResidualIn)
		s.pair = &pair{contact.Pair{Decay: sg.Decay, Within: sg.Within}, in, p.doubtOf(in), p.doubtOf(s.residual)}
	}
	return s
}

// doubtOf gives a point room for one more doubt.
func (p *Plant) doubtOf(point int) int {
	if point >= len(p.points) {
		return none // told of
	}
	pt := &p.points[point]
	pt.doubts = append(pt.doubts, reading.GoodQuality())
	return len(pt.doubts) - 1
}

// doubt judges the analysers of a segment by its water, for the next step.
func (s *segment) doubt(p *Plant, now time.Time, residual reading.Reading, r *contact.Result) {
	out := &p.points[s.residual]
	out.doubts[s.blankDoubt] = s.blank.Step(now, residual, r.Outflow)
	if s.pair != nil {
		in := &p.points[s.pair.in]
		q := s.pair.Step(now, in.current, residual, r.Outflow, r.Volume)
		in.doubts[s.pair.inDoubt], out.doubts[s.pair.outDoubt] = q, q
	}
}

// sum adds flows; it is as good as the worst of them, and as old as the oldest.
func (p *Plant) sum(points []int) reading.Reading {
	out := p.points[points[0]].current
	for _, i := range points[1:] {
		r := &p.points[i].current
		out.Value += r.Value
		out.Quality = reading.Worst(out.Quality, r.Quality)
		if r.Time.Before(out.Time) {
			out.Time = r.Time
		}
	}
	return out
}

// methods names how the figures of a segment are made, put together once.
type methods struct {
	ratio, detail map[contact.Basis]string
	ahead, lowest string
	days          []string // as dayWays
}

func newMethods(required contact.Method) methods {
	by := "; required CT by the method " + string(required)
	m := methods{
		ratio: map[contact.Basis]string{}, detail: map[contact.Basis]string{},
		ahead:  contact.Assumption + by,
		lowest: "the lowest at any one time" + by,
	}
	for _, way := range dayWays {
		m.days = append(m.days, way.words+by)
	}
	for _, b := range []contact.Basis{contact.Static, contact.EntryForm, contact.InflowForm} {
		m.ratio[b] = "T10 " + string(b) + by
		m.detail[b] = fmt.Sprintf("rests on T10 by the form %q and the required CT by the method %s", b.Form(), required)
	}
	return m
}

// figures lists those of a segment, in the order in which step gives them.
func (s *segment) figures(p *Plant) []Figure {
	one, minute, ct, concentration := units.MustParse("1"), units.MustParse("min"), units.MustParse("mg.min/L"), units.MustParse("mg/L")
	flow := units.MustParse("m3/h")
	if len(s.flows) > 0 && s.flows[0] < len(p.points) {
		flow = p.points[s.flows[0]].Unit // as the plant itself shows it
	}
	var out []Figure
	for _, f := range []struct {
		q Quantity
		u units.Unit
	}{
		{T10, minute}, {CT, ct}, {CTRequiredGiardia, ct}, {CTRequiredVirus, ct}, {InactivationRatio, one}, {GiardiaLog, one}, {VirusLog, one},
		{T10Static, minute}, {T10Entry, minute}, {T10Inflow, minute},
		{ResidualNeeded, concentration}, {FlowGreatest, flow}, {RatioAhead, one}, {RatioAheadIn, minute},
		{DayRatio, one}, {DayRatioClockHour, one}, {DayRatioExtremes, one}, {DayLowestRatio, one}, {DayLowestResidual, concentration},
		{DayPeakFlow, flow}, {DayPeakFlowClock, flow}, {DayCovered, one},
	} {
		out = append(out, Figure{Kind: SegmentKind, Owner: s.Name, Quantity: f.q, Unit: f.u})
	}
	return out
}

// step gives a segment its figures.
func (s *segment) step(p *Plant, now time.Time, w *writer) {
	in := contact.Inputs{
		Residual: p.reading(s.residual), PH: p.reading(s.ph), Temperature: p.reading(s.temperature),
		Flow: p.sum(s.flows), Level: p.reading(s.level),
	}
	s.last = s.state.Step(now, in)
	r := &s.last
	in.Flow = r.Outflow
	s.day.Step(now, in, r)
	s.doubt(p, now, in.Residual, r)
	at := p.oldest(s.inputs...)
	put := func(v contact.Value, method string) *Figure {
		f := w.next(v.Quality, at).set(v.Value)
		f.Method = method
		return f
	}
	method, by := string(s.Settings.Method), &s.methods
	put(r.T10, string(r.Basis))
	put(r.CT, string(r.Basis))
	put(r.RequiredGiardia, method)
	put(r.RequiredVirus, method)
	if f := put(r.Ratio, by.ratio[r.Basis]); f.Quality.Level == reading.Good {
		f.Detail = by.detail[r.Basis]
	}
	put(r.GiardiaLog, method)
	put(r.VirusLog, method)

	put(r.Static, string(contact.Static))
	put(r.Entry, string(contact.EntryForm))
	put(r.Inflow, string(contact.InflowForm))

	put(r.Ahead.NeededResidual, method)
	put(r.Ahead.GreatestFlow, method)
	if f := put(r.Ahead.Lowest, by.ahead); f.Quality.Level == reading.Good && r.Ahead.LowestIn > 0 {
		f.Detail = p.comes(now, r.Ahead.LowestIn)
	}
	put(contact.Value{Value: r.Ahead.LowestIn.Seconds(), Quality: r.Ahead.Lowest.Quality}, by.ahead)

	s.record = s.day.Record()
	day := &s.record
	for i := range dayWays {
		put(dayWays[i].of(day).Ratio, by.days[i])
	}
	put(day.LowestRatio, by.lowest)
	put(day.LowestResidual, "the lowest reading")
	put(day.RollingHour.Flow, "highest mean of any 60 minutes")
	put(day.ClockHour.Flow, "highest mean from full to full hour")
	put(contact.Value{Value: day.Covered, Quality: reading.GoodQuality()}, "share of the whole day")
}

// comes tells when a forecast comes true, for people.
func (p *Plant) comes(now time.Time, in time.Duration) string {
	return fmt.Sprintf("comes in about %.0f min, at %s", in.Minutes(), now.Add(in).In(p.zone).Format("15:04 MST"))
}

// step gives a train its figures.
func (t *train) step(p *Plant, now time.Time, w *writer) {
	t.credits = t.credits[:0]
	var at time.Time
	for _, i := range t.segments {
		s := &p.segments[i]
		t.credits = append(t.credits, s.last.Credit)
		if oldest := p.oldest(s.inputs...); at.IsZero() || oldest.Before(at) {
			at = oldest
		}
	}
	total := contact.Total(t.GiardiaLog, t.VirusLog, t.credits...)
	for _, v := range []contact.Value{total.Ratio, total.GiardiaLog, total.VirusLog} {
		w.next(v.Quality, at).set(v.Value).Method = t.method
	}
	var in time.Duration
	for i, at := range t.segments {
		s := &p.segments[at]
		t.credits[i] = s.Settings.AtLeast(s.last.Ahead.Lowest)
		in = max(in, s.last.Ahead.LowestIn)
	}
	ahead := contact.Total(t.GiardiaLog, t.VirusLog, t.credits...).Ratio
	f := w.next(ahead.Quality, at).set(ahead.Value)
	f.Method = "each segment at its lowest of the coming hour; " + contact.Assumption
	if ahead.Quality.Level == reading.Good && in > 0 {
		f.Detail = p.comes(now, in)
	}
	w.next(reading.GoodQuality(), at).set(t.GiardiaLog).Method = t.owed
	w.next(reading.GoodQuality(), at).set(t.VirusLog).Method = t.owed
	t.stepDay(p, w, at)
}

// stepDay gives the day of a train: the sum of what its segments earn, and as much
// covered as the least of them.
func (t *train) stepDay(p *Plant, w *writer, at time.Time) {
	covered := 1.0
	for i := range dayWays {
		t.credits = t.credits[:0]
		for _, s := range t.segments {
			r := &p.segments[s].record
			t.credits = append(t.credits, dayWays[i].of(r).Credit)
			covered = min(covered, r.Covered)
		}
		ratio := contact.Total(t.GiardiaLog, t.VirusLog, t.credits...).Ratio
		w.next(ratio.Quality, at).set(ratio.Value).Method = t.days[i]
	}
	w.next(reading.GoodQuality(), at).set(covered).Method = "that of the segment with the least"
}

// dayWays are the ways to the ratio of a day.
var dayWays = []struct {
	q     Quantity
	words string
	of    func(*contact.DayRecord) *contact.DayRatio
}{
	{DayRatio, "values at the end of the peak hour, any 60 minutes", func(d *contact.DayRecord) *contact.DayRatio { return &d.AtRollingHour }},
	{DayRatioClockHour, "values at the end of the peak hour, from full to full hour", func(d *contact.DayRecord) *contact.DayRatio { return &d.AtClockHour }},
	{DayRatioExtremes, "the day's extremes each by itself", func(d *contact.DayRecord) *contact.DayRatio { return &d.Extremes }},
}

// explain names the methods of a train.
func (t *train) explain(p *Plant) {
	var by []string
	for _, i := range t.segments {
		s := &p.segments[i]
		by = append(by, s.Name+" by "+string(s.Settings.Method))
	}
	t.method = "sum over segments, 40 CFR 141.534: " + strings.Join(by, ", ")
	for _, way := range dayWays {
		t.days = append(t.days, way.words+" of each segment; "+t.method)
	}
	t.owed = cmp.Or(t.Filtration.Explain(), "as the site file says")
}

// step gives an entry point its figures. A sample by hand is due only while the
// analyser fails.
func (e *entry) step(p *Plant, now time.Time, w *writer) {
	r := p.reading(e.point)
	s := e.residual.Step(now, r)
	w.next(s.Under.Quality, r.Time).set(s.Under.Value).Method = e.method
	w.next(s.Left.Quality, r.Time).set(s.Left.Value).Method = e.method
	// A start is no failure, and no repair either.
	a := e.analyser.Step(now, r.Quality.Usable() || r.Quality.Reason == reading.NotYetRead && !e.analyser.Failed.Running())
	f := w.next(reading.GoodQuality(), r.Time)
	f.Value = e.Analyser.Grab.Seconds()
	if a.Failed {
		f.Value = a.GrabDue
		f.Detail = "is that of " + e.Point + ", whose analyser gives no residual"
		if a.Returning {
			f.Detail = fmt.Sprintf("is that of %s, whose analyser gives a residual again, but not yet for %.0f minutes", e.Point, contact.BackAfter.Minutes())
		}
	}
	f = w.next(reading.GoodQuality(), r.Time)
	f.Value = (time.Duration(max(e.Analyser.WorkingDays, e.Analyser.Days)) * 24 * time.Hour).Seconds()
	if a.Failed {
		f.Value = a.Until.Sub(now).Seconds()
		f.Detail = "ends on " + a.Until.In(p.zone).Format("2 January at 15:04 MST")
	}
}

// Days are the records of the segments' present days, and of the last ones that
// were over, in the order of the settings. Where there is none it is zero.
func (p *Plant) Days() (present, finished []contact.DayRecord) {
	for i := range p.segments {
		last, _ := p.segments[i].day.Finished()
		present, finished = append(present, p.segments[i].record), append(finished, last)
	}
	return present, finished
}
