package plant

import (
	"fmt"
	"strings"
	"time"

	"ebbwatch/agent/air"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// The figures of the air besides those that every detector has had from the start.
const (
	Rise      Quantity = "rise"
	Ceiling   Quantity = "ceiling"    // the highest value of the last 15 min
	ShortTerm Quantity = "short-term" // the mean over 15 min
	EightHour Quantity = "eight-hour" // the mean over 8 h
	Overdue   Quantity = "service-overdue"
	// Time until the work is due; negative when it is overdue.
	CalibrationDue Quantity = "calibration-due"
	BumpTestDue    Quantity = "bump-test-due"

	Calling     Quantity = "calling" // how many detectors of a room show gas at their first level
	Vote        Quantity = "vote"    // of a room, on the second level
	Blind       Quantity = "blind"
	Deviation   Quantity = "deviation" // between the detectors of a room
	Ventilation Quantity = "ventilation"
)

// RoomKind is the owner of what the detectors of a room say together.
const RoomKind Kind = "room"

// Room joins the detectors that name it.
type Room struct {
	Name string
	// Need is how many detectors make the vote; 0 for no vote.
	Need   int
	Policy air.Policy
	// Points of states, empty when there are none: over 0 is commanded, flowing,
	// open, ready. WindFrom is in degrees from north by east.
	FanCommanded, AirFlow, Door, Scrubber, WindFrom string
	// Beside are points that are shown with a gas alarm, such as a header vacuum.
	Beside []string
}

type room struct {
	Room
	detectors                           []int
	banks                               []roomBank
	fan, flow, door, scrubber, windFrom int
	beside                              []int

	// How its detectors stand: on the first level and on the second. What follows
	// from it is worked out anew only when it changes.
	ones, twos []air.Channel
	started    bool // all detectors have been read, or are late
	calling    int  // on the first level
	agreeing   int  // on the second
	vote       air.Outcome
	shown      string // the vote for people, empty until the room has started
}

// rooms adds the rooms and the figures of the air.
func (p *Plant) rooms(s Settings, optional func(owner, name string) int) {
	one, ppm := units.MustParse("1"), units.MustParse("ppm")
	for _, m := range s.Rooms {
		r := room{
			Room: m, fan: optional(m.Name, m.FanCommanded), flow: optional(m.Name, m.AirFlow), door: optional(m.Name, m.Door),
			scrubber: optional(m.Name, m.Scrubber), windFrom: optional(m.Name, m.WindFrom),
		}
		for i := range p.detectors {
			if p.detectors[i].Room == m.Name {
				r.detectors = append(r.detectors, i)
				p.detectors[i].room = len(p.airRooms)
			}
		}
		r.ones, r.twos = make([]air.Channel, len(r.detectors)), make([]air.Channel, len(r.detectors))
		for _, b := range s.Banks {
			if b.Place == m.Name {
				figure := func(q Quantity) int { return p.indexOf(Name(BankKind, b.Name, q)) }
				r.banks = append(r.banks, roomBank{b.Name, optional(b.Name, b.Header), figure(WithdrawalRate), figure(ExpectedRate), figure(LossDay), figure(FeedLost)})
			}
		}
		for _, name := range m.Beside {
			r.beside = append(r.beside, optional(m.Name, name))
		}
		p.airRooms = append(p.airRooms, r)
	}
	for i := range p.detectors {
		p.detectors[i].airFigure = len(p.figures)
		p.add(Figure{Kind: DetectorKind, Owner: p.detectors[i].Name, Quantity: Rise, Unit: units.MustParse("ppm/min")})
		for _, q := range []Quantity{Ceiling, ShortTerm, EightHour} {
			p.add(Figure{Kind: DetectorKind, Owner: p.detectors[i].Name, Quantity: q, Unit: ppm})
		}
		p.add(Figure{Kind: DetectorKind, Owner: p.detectors[i].Name, Quantity: Overdue, Unit: one})
		for _, s := range p.detectors[i].Services {
			p.add(Figure{Kind: DetectorKind, Owner: p.detectors[i].Name, Quantity: s.Work.due(), Unit: units.MustParse("d")})
		}
	}
	for i := range p.airRooms {
		for _, q := range []Quantity{Calling, Vote, Blind, Deviation, Ventilation} {
			u := one
			if q == Deviation {
				u = ppm
			}
			p.add(Figure{Kind: RoomKind, Owner: p.airRooms[i].Name, Quantity: q, Unit: u})
		}
	}
}

func (p *Plant) indexOf(figure string) int {
	for i := range p.figures {
		if p.figures[i].Name == figure {
			return i
		}
	}
	return none
}

// The places of a detector's figures behind airFigure.
const rise, shortTerm, eightHour = 0, 2, 3

// senseAir lets every detector and room judge the readings of this step, before
// any figure is made.
func (p *Plant) senseAir() {
	for i := range p.detectors {
		d := &p.detectors[i]
		d.result = d.state.Step(p.reading(d.point))
	}
	for i := range p.airRooms {
		p.airRooms[i].sense(p)
	}
}

// sense takes in how the room's detectors stand.
func (m *room) sense(p *Plant) {
	started, changed := true, m.vote == ""
	for i, at := range m.detectors {
		res := &p.detectors[at].result
		one, two := res.Channel(1), res.Channel(2)
		changed = changed || one != m.ones[i] || two != m.twos[i]
		m.ones[i], m.twos[i] = one, two
		started = started && res.Blind != reading.NotYetRead
	}
	if !changed && started == m.started {
		return
	}
	m.started, m.calling, m.agreeing, m.vote, m.shown = started, 0, 0, air.NotTripped, ""
	for i := range m.detectors {
		if m.ones[i] == air.Calls {
			m.calling++
		}
		if m.twos[i] == air.Calls {
			m.agreeing++
		}
	}
	if m.Need > 0 {
		m.vote = air.Vote(m.Need, m.Policy, m.twos)
	}
	if started {
		m.shown = m.words()
	}
}

// words are the vote as practice writes it: 1oo2 TN is one of two, the first
// detector calls, the second does not; B is one that cannot be trusted.
func (m *room) words() string {
	n := len(m.detectors)
	text := fmt.Sprintf("1oo%d %s", n, string(m.ones))
	if m.Need > 0 {
		text += fmt.Sprintf("; second level %doo%d %s: %s", m.Need, n, string(m.twos), m.vote)
	}
	return text
}

// stepAir gives the figures that rooms added. Figures of banks are in out.
func (p *Plant) stepAir(now time.Time, w *writer, out []Figure) {
	for i := range p.detectors {
		p.detectors[i].stepExposure(p, now, w)
	}
	for i := range p.airRooms {
		p.airRooms[i].step(p, w, out)
	}
	for i := range p.detectors {
		d := &p.detectors[i]
		if d.room == none {
			continue
		}
		m := &p.airRooms[d.room]
		evidence := ""
		if m.calling > 0 { // nothing is made up while there is no gas
			evidence = m.evidence(p, d, out)
		}
		for _, at := range []int{d.figure, d.airFigure + rise, d.airFigure + shortTerm, d.airFigure + eightHour} {
			out[at].Vote, out[at].Evidence = m.shown, evidence
		}
	}
}

// stepExposure gives a detector the figures of its exposure. A mean is a lower
// bound while part of its time is not known.
func (d *detector) stepExposure(p *Plant, now time.Time, w *writer) {
	at := p.reading(d.point).Time
	slope, known := d.state.Rise()
	q := d.result.Quality
	if !known && q.Usable() {
		q = reading.BadBecause(reading.Learning)
	}
	w.next(q, at).set(slope)
	short := d.state.Exposure().Mean(air.FifteenMinutes)
	put := func(v, known float64) {
		q := d.result.Quality
		if q.Usable() && known < 1 {
			q = reading.Worst(q, reading.UncertainBecause(reading.Learning))
		}
		w.next(q, at).set(v)
	}
	put(short.Peak, short.Known)
	put(short.PPM, short.Known)
	long := d.state.Exposure().Mean(air.EightHours)
	put(long.PPM, long.Known)

	d.stepServices(p, now, w)
}

// step gives a room its figures.
func (m *room) step(p *Plant, w *writer, out []Figure) {
	var at time.Time
	for i, d := range m.detectors {
		if t := p.reading(p.detectors[d].point).Time; i == 0 || t.After(at) {
			at = t
		}
	}
	w.next(reading.GoodQuality(), at).Value = float64(m.calling)

	q := reading.GoodQuality()
	switch {
	case m.Need > 0 && m.agreeing >= m.Need:
	case !m.started:
		q = reading.BadBecause(reading.NotYetRead)
	case m.vote == air.VoteLost:
		q = reading.BadBecause(reading.Missing)
	}
	f := w.next(q, at)
	f.Vote = m.shown
	if f.Quality.Usable() && m.vote == air.Tripped {
		f.Value, f.Detail = 1, "has come to a trip: "+m.words()
		f.Evidence = m.evidence(p, nil, out)
	}

	m.stepBlind(p, w.next(reading.GoodQuality(), at))
	m.stepDeviation(p, w, at)
	m.stepVentilation(p, w)
}

// stepBlind tells that nobody sees gas in the room, or that the vote cannot come
// to a trip any more.
func (m *room) stepBlind(p *Plant, f *Figure) {
	if !m.started {
		return
	}
	var why []string
	for _, at := range m.detectors {
		if d := &p.detectors[at]; !d.result.Available {
			why = append(why, d.Name+" "+air.Why(d.result.Blind))
		}
	}
	switch {
	case len(why) == len(m.detectors) && len(why) > 0:
		f.Value, f.Detail = 1, "has no detector that can be trusted: "+strings.Join(why, "; ")
	case m.Need > 0 && m.vote == air.VoteLost:
		f.Value, f.Detail = 1, "has too few detectors for its vote; each of them still speaks for itself: "+strings.Join(why, "; ")
	}
}

// stepDeviation compares the detectors that can be trusted.
func (m *room) stepDeviation(p *Plant, w *writer, at time.Time) {
	var low, high *detector
	n := 0
	for _, i := range m.detectors {
		d := &p.detectors[i]
		if !d.result.Available {
			continue
		}
		n++
		if low == nil || d.result.Concentration < low.result.Concentration {
			low = d
		}
		if high == nil || d.result.Concentration > high.result.Concentration {
			high = d
		}
	}
	if n < 2 {
		w.next(reading.BadBecause(reading.Missing), at)
		return
	}
	f := w.next(reading.Worst(low.result.Quality, high.result.Quality), at)
	f.set(float64(high.result.Concentration - low.result.Concentration))
	if f.Value > 0 {
		f.Detail = fmt.Sprintf("is that of %s over %s", high.Name, low.Name)
	}
}

// stepVentilation tells of a fan that is commanded to run while no air flows.
func (m *room) stepVentilation(p *Plant, w *writer) {
	if m.fan == none || m.flow == none {
		w.next(reading.BadBecause(reading.Missing), time.Time{})
		return
	}
	fan, flow := p.reading(m.fan), p.reading(m.flow)
	f := w.next(reading.Worst(fan.Quality, flow.Quality), p.oldest(m.fan, m.flow))
	if f.Quality.Usable() && fan.Value > 0 && flow.Value <= 0 {
		f.Value, f.Detail = 1, "is commanded to run, but no air flows"
	}
}

// evidence tells what else speaks for or against gas in the room: what the
// detector itself saw, the others, states, the feed, the wind.
func (m *room) evidence(p *Plant, of *detector, out []Figure) string {
	var parts []string
	say := func(format string, a ...any) { parts = append(parts, fmt.Sprintf(format, a...)) }
	if of != nil {
		if slope, known := of.state.Rise(); known && of.result.Quality.Usable() && 60*slope >= 0.1 {
			say("%s rises by %.1f ppm a minute", of.Name, 60*slope)
		}
		if l, any := of.state.Exposure().Gravest(); any {
			say("its mean over %s has reached %s, %g ppm (%s)", span(l.Window.Duration()), l.Name, l.PPM, l.Edition())
		}
	}
	for i := range p.detectors {
		d := &p.detectors[i]
		if d.room == none {
			continue
		}
		same := p.airRooms[d.room].Name == m.Name
		if d == of || !same && d.result.Channel(1) != air.Calls {
			continue
		}
		name := d.Name
		if !same {
			name += " in " + p.airRooms[d.room].Name
		}
		switch {
		case d.result.Quality.Usable() && !d.result.Available:
			say("%s shows %.2f ppm, but %s", name, d.result.Concentration, air.Why(d.result.Blind))
		case d.result.Quality.Usable():
			say("%s shows %.2f ppm", name, d.result.Concentration)
		default:
			say("%s tells nothing, it %s", name, air.Why(d.result.Blind))
		}
	}
	state := func(i int, name, on, off string) {
		if i == none {
			return
		}
		switch r := p.reading(i); {
		case !r.Quality.Usable():
			say("%s: not known", name)
		case r.Value > 0:
			say("%s %s", name, on)
		default:
			say("%s %s", name, off)
		}
	}
	state(m.door, "the door", "is open", "is closed")
	state(m.fan, "the fan", "is commanded to run", "is not commanded to run")
	state(m.flow, "air", "flows", "does not flow")
	state(m.scrubber, "the scrubber", "is ready", "is not ready")
	if m.windFrom != none {
		if r := p.reading(m.windFrom); r.Quality.Usable() {
			say("the wind comes from %.0f degrees", r.Value)
		} else {
			say("the wind is not known")
		}
	}
	for _, i := range m.beside {
		if r := &p.points[i]; r.current.Quality.Usable() {
			say("%s shows %.4g %s", r.Name, r.Unit.FromSI(r.current.Value), r.Unit)
		} else {
			say("%s is not known", r.Name)
		}
	}
	for i := range m.banks {
		say("%s", m.banks[i].says(p, out))
	}
	if len(m.banks) > 0 {
		say("%s", m.lost(out))
	}
	return strings.Join(parts, "; ")
}

func span(d time.Duration) string {
	if d < time.Hour {
		return fmt.Sprintf("%d min", int(d.Minutes()))
	}
	return fmt.Sprintf("%d h", int(d.Hours()))
}
