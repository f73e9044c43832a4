// Package plant makes named figures from readings: one pure step that feeds
// contact time, chlorine supply and gas detection, and says how far each figure
// can be trusted.
package plant

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"ebbwatch/agent/air"
	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Settings describe a plant. Names of points are those of Points; everything
// else refers to them.
type Settings struct {
	// Lines may leave out those of which nothing is known but the name.
	Lines       []Line
	Instruments []Instrument
	Points      []Point
	Segments    []Segment
	Trains      []Train
	EntryPoints []EntryPoint
	Banks       []Bank
	Detectors   []Detector
	Rooms       []Room
	// Shown chooses the units that derived figures are shown in.
	Shown Shown
}

// Shown is the unit of each derived quantity that practice writes in several,
// and the time zone of the times in sentences, UTC when it is nil.
type Shown struct {
	Mass, MassFlow units.Unit
	TimeZone       *time.Location
}

// Line is how instruments are reached, for the words that help to find a fault.
type Line struct {
	Name string
	// Device is the serial device; empty when the line goes over a network, to
	// Address.
	Device, Address string
	// Serial tells that the instruments share a serial wire, on a device of this
	// machine or behind a serial server.
	Serial bool
}

// Instrument is one Modbus unit on a line.
type Instrument struct {
	Name, Line string
	// Unit is its Modbus unit, for messages.
	Unit byte
}

// Point is one measured value.
type Point struct {
	Name       string
	Instrument string
	Unit       units.Unit
	// Every is the period in which it is read; 0 when it is not known.
	Every time.Duration
	// StaleAfter is the age at which the last reading is no longer used.
	StaleAfter time.Duration
	// RateLimit is the fastest change, in SI units a second, that what the point
	// measures can make; 0 for none.
	RateLimit float64
	// StuckAfter is how long a live sensor may stay within StuckWithin, in SI
	// units, of one value; 0 for ever.
	StuckAfter  time.Duration
	StuckWithin float64
	// Status are the points that tell how far this one can be trusted.
	Status []Status
}

// Status is a state of an instrument that sets the quality of a point: while
// the value of Point is When, the quality is at best Quality.
type Status struct {
	Point   string
	When    float64
	Quality reading.Quality
}

// Segment is a disinfection segment; Level is empty for a constant volume.
type Segment struct {
	Name                             string
	Residual, PH, Temperature, Level string
	// Flow are the points whose sum is the flow out or, with Settings.FlowsIn, the
	// flow in.
	Flow []string
	// ResidualIn is the point of the residual at the inlet, empty where none is
	// compared; Decay, a second, and Within, in mg/L, are those of contact.Pair.
	ResidualIn    string
	Decay, Within float64
	// Blank is the residual, in mg/L, under which the analyser of moving water shows
	// nothing; 0 for no check.
	Blank    float64
	Settings contact.Settings
}

// Train is a row of segments that the water passes one after the other, with the
// log inactivation that the whole owes.
type Train struct {
	Name                 string
	Segments             []string
	GiardiaLog, VirusLog float64
	// Filtration is that of which those are left, empty where the site file has
	// them.
	Filtration contact.Filtration
}

// EntryPoint is where water enters the distribution system: the point of its
// residual and the rules that hold for it.
type EntryPoint struct {
	Point    string
	Residual contact.ResidualRule
	Analyser contact.AnalyserRule
	Calendar contact.Calendar
}

// Detector is a gas detector.
type Detector struct {
	Name          string
	Concentration string
	Settings      air.Settings
	// Room is the name of one of Rooms, or of none.
	Room     string
	Services []Service
}

// Plant holds the state between steps. It is not safe for concurrent use.
type Plant struct {
	instruments []instrument
	lines       []line
	points      []point
	segments    []segment
	trains      []train
	entries     []entry
	banks       []*bank
	detectors   []detector
	airRooms    []room
	byPoint     map[string]int
	figures     []Figure
	spare       []Figure // what Reuse gave back
	zone        *time.Location
	forgot      []string // what a checkpoint could not bring back
	started     time.Time
	// distribution is the running annual average of the residual in the system.
	distribution contact.AnnualAverage
}

type point struct {
	Point
	last    reading.Reading
	raw     reading.Reading // last, or stale at this step
	current reading.Reading // raw, its quality lowered by what else is known
	seen    bool
	goodAt  time.Time // when it was last read well
	pace    *pace     // that of its instrument, where this point tells it
	says    string    // a text that is not as expected, for people
	condition
}

type instrument struct {
	Instrument
	line   int
	points []int
	silent string // why none of it can be reached, empty when some of it can
	pace   *pace  // nil when no period is known
}

type line struct {
	Line
	instruments []int
	points      []int
	// answers is how many of its instruments can be reached; silent is why the
	// others cannot.
	answers int
	silent  string
	lost    bool
}

type segment struct {
	Segment
	state                            *contact.Segment
	day                              *contact.Day
	last                             contact.Result
	record                           contact.DayRecord // of the day so far
	residual, ph, temperature, level int
	flows                            []int
	inputs                           []int // all of these points
	pair                             *pair // nil where no inlet is compared
	blank                            contact.Blank
	blankDoubt                       int // in the doubts of the residual
	methods                          methods
}

// pair compares two points.
type pair struct {
	contact.Pair
	in, inDoubt, outDoubt int
}

type detector struct {
	Detector
	point, room int
	// figure and airFigure are where its figures begin: that of the concentration,
	// and those of the air.
	figure, airFigure int
	state             *air.Detector
	result            air.Result
}

const none = -1

// New checks that every reference is met and makes a plant that has read
// nothing yet.
func New(s Settings) (*Plant, error) {
	p := &Plant{byPoint: make(map[string]int, len(s.Points)), zone: cmp.Or(s.Shown.TimeZone, time.UTC)}
	for i, pt := range s.Points {
		if _, twice := p.byPoint[pt.Name]; twice {
			return nil, fmt.Errorf("two points are called %s", pt.Name)
		}
		p.byPoint[pt.Name] = i
		p.points = append(p.points, point{Point: pt, raw: reading.Reading{Point: pt.Name, Quality: reading.BadBecause(reading.NotYetRead)}})
		p.add(Figure{Name: pt.Name, Kind: PointKind, Owner: pt.Name, Quantity: ReadingOf, Unit: pt.Unit})
	}
	var missing error
	find := func(owner, name string) int {
		i, ok := p.byPoint[name]
		if !ok && missing == nil {
			missing = fmt.Errorf("%s needs the point %q, which does not exist", owner, name)
		}
		return i
	}
	optional := func(owner, name string) int {
		if name == "" {
			return none
		}
		return find(owner, name)
	}
	for i := range p.points {
		pt := &p.points[i]
		for _, st := range pt.Status {
			pt.statuses = append(pt.statuses, find(pt.Name, st.Point))
		}
	}
	one, hour := units.MustParse("1"), units.MustParse("h")
	for _, sg := range s.Segments {
		p.segments = append(p.segments, p.segment(sg, find, optional))
		for _, f := range p.segments[len(p.segments)-1].figures(p) {
			p.add(f)
		}
	}
	for _, tr := range s.Trains {
		t := train{Train: tr}
		for _, name := range tr.Segments {
			at := slices.IndexFunc(p.segments, func(sg segment) bool { return sg.Name == name })
			if at < 0 {
				missing = cmp.Or(missing, fmt.Errorf("%s needs the segment %q, which does not exist", tr.Name, name))
				continue
			}
			t.segments = append(t.segments, at)
		}
		t.explain(p)
		p.trains = append(p.trains, t)
		for _, q := range []Quantity{InactivationRatio, GiardiaLog, VirusLog, RatioAhead, GiardiaLogOwed, VirusLogOwed, DayRatio, DayRatioClockHour, DayRatioExtremes, DayCovered} {
			p.add(Figure{Kind: TrainKind, Owner: tr.Name, Quantity: q, Unit: one})
		}
	}
	for _, e := range s.EntryPoints {
		p.entries = append(p.entries, entry{EntryPoint: e, point: find(e.Point, e.Point),
			residual: contact.ResidualClock{Rule: e.Residual}, analyser: contact.AnalyserClock{Rule: e.Analyser, Calendar: e.Calendar},
			method: fmt.Sprintf("under %g mg/L for at most %g h without a break", e.Residual.Least, e.Residual.Allowed.Hours())})
		for _, f := range []struct {
			q Quantity
			u units.Unit
		}{{UnderResidual, hour}, {UnderResidualLeft, hour}, {GrabSampleDue, hour}, {AnalyserBackIn, units.MustParse("d")}} {
			p.add(Figure{Kind: EntryKind, Owner: e.Point, Quantity: f.q, Unit: f.u})
		}
	}
	if len(s.EntryPoints) > 0 {
		p.add(Figure{Kind: DistributionKind, Owner: Distribution, Quantity: AnnualAverage, Unit: units.MustParse("mg/L")})
	}
	for _, b := range s.Banks {
		if len(b.Scales) != len(b.Settings.Containers) {
			return nil, fmt.Errorf("bank %s has %d containers and %d scales", b.Name, len(b.Settings.Containers), len(b.Scales))
		}
		bk := p.bank(b, s.Shown, find, optional)
		p.banks = append(p.banks, bk)
		for _, f := range bk.figures {
			p.add(Figure{Kind: f.kind, Owner: f.owner, Quantity: f.quantity, Unit: f.unit})
		}
	}
	for _, d := range s.Detectors {
		gas := find(d.Name, d.Concentration)
		d.Services = slices.Clone(d.Services) // which orders change
		p.detectors = append(p.detectors, detector{Detector: d, point: gas, room: none, figure: len(p.figures), state: air.NewDetector(d.Settings)})
		if gas < len(p.points) {
			p.points[gas].gas = true
		}
		p.add(Figure{Kind: DetectorKind, Owner: d.Name, Quantity: Concentration, Unit: units.MustParse("ppm")})
		p.add(Figure{Kind: DetectorKind, Owner: d.Name, Quantity: GasLevel, Unit: one})
		p.add(Figure{Kind: DetectorKind, Owner: d.Name, Quantity: Unavailable, Unit: one})
	}
	for _, in := range s.Instruments {
		it := instrument{Instrument: in}
		for i := range p.points {
			if p.points[i].Instrument == in.Name {
				it.points = append(it.points, i)
			}
		}
		it.pace = p.paceOf(it.points)
		p.instruments = append(p.instruments, it)
		p.add(Figure{Kind: InstrumentKind, Owner: in.Name, Quantity: Lost, Unit: one})
		p.add(Figure{Kind: InstrumentKind, Owner: in.Name, Quantity: Doubtful, Unit: one})
	}
	for i := range p.instruments {
		name := p.instruments[i].Line
		at := slices.IndexFunc(p.lines, func(l line) bool { return l.Name == name })
		if at < 0 {
			at = len(p.lines)
			l := line{Line: Line{Name: name}}
			if known := slices.IndexFunc(s.Lines, func(l Line) bool { return l.Name == name }); known >= 0 {
				l.Line = s.Lines[known]
			}
			p.lines = append(p.lines, l)
			p.add(Figure{Kind: LineKind, Owner: name, Quantity: Lost, Unit: one})
			p.add(Figure{Kind: LineKind, Owner: name, Quantity: Pace, Unit: one})
		}
		l := &p.lines[at]
		l.instruments = append(l.instruments, i)
		l.points = append(l.points, p.instruments[i].points...)
		p.instruments[i].line = at
	}
	p.rooms(s, optional)
	return p, missing
}

func (p *Plant) add(f Figure) {
	if f.Name == "" {
		f.Name = Name(f.Kind, f.Owner, f.Quantity)
	}
	f.Low, f.High = math.NaN(), math.NaN()
	f.Quality = reading.BadBecause(reading.NotYetRead)
	p.figures = append(p.figures, f)
}

// Names lists the figures in the order in which Step returns them.
func (p *Plant) Names() []string {
	names := make([]string, len(p.figures))
	for i := range p.figures {
		names[i] = p.figures[i].Name
	}
	return names
}

// Figures lists the figures as they are before the first step.
func (p *Plant) Figures() []Figure { return slices.Clone(p.figures) }

// Step folds readings in, or the mere passing of time when there are none, and
// returns every figure as it stands at now. The result is the caller's to keep.
// Readings of unknown points are ignored.
func (p *Plant) Step(now time.Time, rs []reading.Reading) []Figure {
	if p.started.IsZero() {
		p.started = now
	}
	for _, r := range rs {
		if i, ok := p.byPoint[r.Point]; ok {
			p.points[i].take(r.Checked())
		}
	}
	for i := range p.points {
		p.points[i].age(now, p.started)
	}
	for _, r := range rs {
		if i, ok := p.byPoint[r.Point]; ok {
			p.points[i].judge(p, r.Checked())
		}
	}
	out := p.spare
	if p.spare = nil; len(out) != len(p.figures) {
		out = make([]Figure, len(p.figures))
	}
	copy(out, p.figures)
	w := writer{out}
	for i := range p.points {
		pt := &p.points[i]
		pt.settle(p)
		f := w.next(pt.current.Quality, pt.current.Time).set(pt.current.Value)
		if f.Quality.Level == reading.Good {
			f.Detail = pt.says
		}
	}
	p.senseAir()
	for i := range p.segments {
		p.segments[i].step(p, now, &w)
	}
	for i := range p.trains {
		p.trains[i].step(p, now, &w)
	}
	for i := range p.entries {
		p.entries[i].step(p, now, &w)
	}
	if len(p.entries) > 0 {
		p.stepDistribution(now, &w)
	}
	for i := range p.banks {
		p.banks[i].step(p, now, &w)
	}
	for i := range p.detectors {
		p.detectors[i].step(p, &w)
	}
	for i := range p.lines {
		p.lines[i].judge(p)
	}
	for i := range p.instruments {
		p.instruments[i].step(p, &w)
	}
	for i := range p.lines {
		p.lines[i].step(p, &w)
	}
	p.stepAir(now, &w, out)
	return out
}

// Reuse gives back figures that nobody keeps: the next step is written over them.
func (p *Plant) Reuse(figures []Figure) { p.spare = figures }

// take keeps a reading.
func (pt *point) take(r reading.Reading) {
	switch {
	case r.Text == "" || r.Value != 0:
		pt.says = ""
	case r.Text != pt.last.Text || pt.says == "":
		pt.says = "says " + strconv.Quote(r.Text)
	}
	pt.last, pt.seen = r, true
	if r.Quality.Usable() {
		pt.goodAt = r.Time
	}
	if pt.pace != nil {
		pt.pace.read(r.Time)
	}
}

// age makes the raw reading from the last one: a good value that is too old
// becomes bad. A point that never gave one becomes stale counted from the start.
func (pt *point) age(now, started time.Time) {
	if pt.seen {
		pt.raw = pt.last
	}
	since := started
	if pt.seen {
		since = pt.last.Time
	}
	if late := now.Sub(since) > pt.StaleAfter; late && (!pt.seen || pt.last.Quality.Usable()) {
		pt.raw.Quality = reading.BadBecause(reading.Stale)
	}
}

// WorstAge is the longest time since any point was read well; one that never
// was counts from the first step.
func (p *Plant) WorstAge(now time.Time) time.Duration {
	var worst time.Duration
	for i := range p.points {
		since := p.points[i].goodAt
		if since.IsZero() {
			since = p.started
		}
		if !since.IsZero() {
			worst = max(worst, now.Sub(since))
		}
	}
	return worst
}

// writer fills the figures in their fixed order.
type writer struct{ rest []Figure }

func (w *writer) next(q reading.Quality, at time.Time) *Figure {
	f := &w.rest[0]
	w.rest = w.rest[1:]
	f.Quality, f.Time = q, at
	if q.Level != reading.Good {
		f.Detail = reading.Explain(q.Reason)
	}
	return f
}

func (f *Figure) set(v float64) *Figure {
	if f.Quality.Usable() {
		f.Value = v
	}
	return f
}

// oldest returns the time of the oldest of some points' readings.
func (p *Plant) oldest(points ...int) time.Time {
	var t time.Time
	for _, i := range points {
		if i == none {
			continue
		}
		if at := p.points[i].current.Time; t.IsZero() || at.Before(t) {
			t = at
		}
	}
	return t
}

func (p *Plant) reading(i int) reading.Reading {
	if i == none {
		return reading.Reading{}
	}
	return p.points[i].current
}
