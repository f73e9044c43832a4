package alarms

import (
	"cmp"
	"slices"
	"time"
)

// The measures are those of ISA-18.2 and IEC 62682 for one operator position
// (from memory unless said otherwise).
const (
	binTime    = 10 * time.Minute
	binsKept   = 144 // a day
	dayTime    = 24 * time.Hour
	daysKept   = 30 // averages need 30 days
	binsAnHour = 6

	// A flood begins with more than 10 annunciations in 10 minutes and ends with
	// fewer than 5 (public restatements of ISA-18.2 and EEMUA 191).
	floodOver, floodUnder = 10, 5
	// busyHour is an hour with more annunciations than this.
	busyHour = 30
	// An alarm chatters with three annunciations within a minute: an edge at
	// exactly 60 s counts no more.
	chatterTime = time.Minute
	// FleetingUnder bounds an alarm that was gone before anyone could act. Common
	// practice, no source.
	FleetingUnder = 10 * time.Second
	// StaleOver is how long an alarm stands before it counts as stale.
	StaleOver = 24 * time.Hour
)

// Performance tells how much the alarm system asks of its people. Annunciations
// are calls for people, each new or repeated one; what is withheld is none.
type Performance struct {
	// Watched is the time that the figures cover, at most 30 days.
	Watched time.Duration
	// Annunciations of the last 10 minutes, of the last whole and present 10-minute
	// spans of an hour and a day, and of the time watched.
	Last10Minutes, LastHour, LastDay, Annunciations int
	// PerHour is their mean over the time watched. About 6 is very likely
	// acceptable, 12 the most that can be managed.
	PerHour float64
	// Peak is the most in one 10-minute span; over 10 are too many.
	Peak int
	// BusySpans are 10-minute spans with over 10, BusyHours hours with over 30.
	// Each should be under 1 % of the time.
	BusySpans, BusyHours int
	// Flood: over 10 came in 10 minutes, and not yet fewer than 5. TimeInFlood
	// should be under 1 % of the time watched.
	Flood       bool
	TimeInFlood time.Duration
	// Standing, Unanswered, Stale and Withheld count the alarms that are so now.
	// Stale ones have stood for over 24 h; fewer than 5 are acceptable.
	Standing, Unanswered, Stale, Withheld int
	// Chattering are the alarms with three annunciations within the last minute.
	Chattering []string
	// Top are the ten that called most, the most first.
	Top []Load
	// TopShare is their share of all annunciations; over 5 % ask for a clean-up.
	TopShare float64
	// Of each priority, in the time watched. Common targets: 80 % low, 15 % medium,
	// 5 % high and critical together.
	ByPriority map[Priority]int
	// Bursts and Fleeting count, since the record began, the times that an alarm
	// began to chatter and those that it was gone within FleetingUnder.
	Bursts, Fleeting uint64
}

// Load is how often one alarm called people in the time watched.
type Load struct {
	Alarm         string
	Annunciations int
	Bursts        uint64 // since the record began
	Fleeting      uint64
}

// performance keeps the site's counts. Its time is the sum of the steps', so that
// no clock step reaches it; its memory is constant.
type performance struct {
	age  time.Duration
	bins [binsKept]int
	days [daysKept]dayRecord
	// recent are the ages of the last annunciations, as many as make a flood.
	recent [floodOver + 1]time.Duration
	count  int // of recent
	flood  bool
}

// dayRecord sums up one day of the steps' time.
type dayRecord struct {
	Annunciations int           `json:"annunciations,omitempty"`
	Peak          int           `json:"peak,omitempty"`
	BusySpans     int           `json:"busy_spans,omitempty"`
	BusyHours     int           `json:"busy_hours,omitempty"`
	Flood         time.Duration `json:"flood,omitempty"`
}

// alarmHealth keeps an alarm's counts.
type alarmHealth struct {
	days [daysKept]int
	// recent are the ages of the last three annunciations, the latest first.
	recent   [3]time.Duration
	count    int
	raised   time.Duration
	chatters bool
	bursts   uint64
	fleeting uint64
}

func (p *performance) bin() int { return int(p.age / binTime) }
func (p *performance) day() int { return int(p.age / dayTime) }

// pass lets time pass: old spans make room.
func (p *performance) pass(e *Evaluator, elapsed time.Duration) {
	bin, day := p.bin(), p.day()
	if p.flood {
		p.days[day%daysKept].Flood += elapsed
	}
	p.age += elapsed
	for i := bin; i < p.bin(); i = max(i+1, p.bin()-binsKept) {
		p.close(i)
		p.bins[(i+1)%binsKept] = 0
	}
	for i := day; i < p.day(); i = max(i+1, p.day()-daysKept) {
		p.days[(i+1)%daysKept] = dayRecord{}
		for _, a := range e.alarms {
			a.health.days[(i+1)%daysKept] = 0
		}
	}
	if p.flood && p.within(binTime) < floodUnder {
		p.flood = false
	}
}

// close sums up a span that has ended, in the day in which it began.
func (p *performance) close(bin int) {
	if bin < 0 {
		return
	}
	d := &p.days[(bin/binsKept)%daysKept]
	n := p.bins[bin%binsKept]
	d.Peak = max(d.Peak, n)
	if n > floodOver {
		d.BusySpans++
	}
	if bin%binsAnHour == binsAnHour-1 && p.sum(bin, binsAnHour) > busyHour {
		d.BusyHours++
	}
}

// sum adds up n spans that end with one.
func (p *performance) sum(bin, n int) int {
	total := 0
	for i := max(0, bin-n+1); i <= bin; i++ {
		total += p.bins[i%binsKept]
	}
	return total
}

// within counts the annunciations of the last d, at most as many as are kept.
func (p *performance) within(d time.Duration) int {
	n := 0
	for _, t := range p.recent[:p.count] {
		if p.age-t < d {
			n++
		}
	}
	return n
}

// note counts a transition.
func (p *performance) note(a *alarm, t *Transition) {
	h := &a.health
	switch t.Cause {
	case Raised:
		h.raised = p.age
	case Cleared:
		if p.age-h.raised < FleetingUnder && !t.From.Withheld() {
			h.fleeting++
		}
	}
	if !t.Annunciate {
		return
	}
	p.bins[p.bin()%binsKept]++
	p.days[p.day()%daysKept].Annunciations++
	h.days[p.day()%daysKept]++
	copy(p.recent[1:], p.recent[:])
	p.recent[0], p.count = p.age, min(p.count+1, len(p.recent))
	p.flood = p.flood || p.within(binTime) > floodOver
	copy(h.recent[1:], h.recent[:])
	h.recent[0], h.count = p.age, min(h.count+1, len(h.recent))
	chatters := h.chattering(p.age)
	if chatters && !h.chatters {
		h.bursts++
	}
	h.chatters = chatters
}

// chattering reports whether the last three annunciations lie within a minute
// that ends now.
func (h *alarmHealth) chattering(age time.Duration) bool {
	return h.count == len(h.recent) && age-h.recent[len(h.recent)-1] < chatterTime
}

// Performance tells how the alarm system does.
func (e *Evaluator) Performance() Performance {
	p := &e.health
	out := Performance{
		Watched: min(p.age, time.Duration(daysKept-1)*dayTime+p.age%dayTime),
		Flood:   p.flood, Last10Minutes: p.sum(p.bin(), 1), LastHour: p.sum(p.bin(), binsAnHour), LastDay: p.sum(p.bin(), binsKept),
		Peak: p.bins[p.bin()%binsKept], ByPriority: map[Priority]int{},
	}
	if p.count < len(p.recent) || p.age-p.recent[len(p.recent)-1] >= binTime {
		out.Last10Minutes = p.within(binTime) // exact while the memory holds them all
	}
	for _, d := range p.days {
		out.Annunciations += d.Annunciations
		out.Peak = max(out.Peak, d.Peak)
		out.BusySpans += d.BusySpans
		out.BusyHours += d.BusyHours
		out.TimeInFlood += d.Flood
	}
	if out.Watched > 0 {
		out.PerHour = float64(out.Annunciations) / max(out.Watched.Hours(), 1)
	}
	for _, a := range e.alarms {
		h := &a.health
		load := Load{Alarm: a.Name, Bursts: h.bursts, Fleeting: h.fleeting}
		for _, n := range h.days {
			load.Annunciations += n
		}
		out.Bursts += h.bursts
		out.Fleeting += h.fleeting
		if load.Annunciations > 0 {
			out.ByPriority[a.Priority] += load.Annunciations
			out.Top = append(out.Top, load)
		}
		if h.chattering(p.age) {
			out.Chattering = append(out.Chattering, a.Name)
		}
		state := a.state()
		out.Standing += int(bit(state != Normal && !state.Withheld()))
		out.Unanswered += int(bit(state.Unanswered()))
		out.Withheld += int(bit(state.Withheld()))
		out.Stale += int(bit(state.Active() && p.age-h.raised > StaleOver))
	}
	slices.SortStableFunc(out.Top, func(a, b Load) int { return cmp.Compare(b.Annunciations, a.Annunciations) })
	out.Top = out.Top[:min(len(out.Top), 10)]
	top := 0
	for _, l := range out.Top {
		top += l.Annunciations
	}
	if out.Annunciations > 0 {
		out.TopShare = float64(top) / float64(out.Annunciations)
	}
	return out
}

// storedHealth is the part of the site's counts that survives a restart. Only
// what is not zero is kept, so that it stays small.
type storedHealth struct {
	Age    time.Duration     `json:"age"`
	At     time.Time         `json:"at"`
	Bins   map[int]int       `json:"bins,omitempty"`
	Days   map[int]dayRecord `json:"days,omitempty"`
	Recent []time.Duration   `json:"recent,omitempty"`
	Flood  bool              `json:"flood,omitempty"`
}

func (p *performance) stored(at time.Time) *storedHealth {
	s := &storedHealth{Age: p.age, At: at, Bins: map[int]int{}, Days: map[int]dayRecord{}, Recent: p.recent[:p.count], Flood: p.flood}
	for i, n := range p.bins {
		if n > 0 {
			s.Bins[i] = n
		}
	}
	for i, d := range p.days {
		if d != (dayRecord{}) {
			s.Days[i] = d
		}
	}
	return s
}

// restore brings the counts back. The time for which ebbwatch was away passes
// afterwards, once the alarms' counts are back too.
func (p *performance) restore(s *storedHealth) {
	if s == nil {
		return
	}
	*p = performance{age: max(0, s.Age), flood: s.Flood}
	for i, n := range s.Bins {
		if i >= 0 && i < binsKept {
			p.bins[i] = n
		}
	}
	for i, d := range s.Days {
		if i >= 0 && i < daysKept {
			p.days[i] = d
		}
	}
	p.count = copy(p.recent[:], s.Recent)
}

// storedAlarmHealth is likewise that of an alarm's.
type storedAlarmHealth struct {
	Days     map[int]int     `json:"days,omitempty"`
	Recent   []time.Duration `json:"recent,omitempty"`
	Raised   time.Duration   `json:"raised,omitempty"`
	Bursts   uint64          `json:"bursts,omitempty"`
	Fleeting uint64          `json:"fleeting,omitempty"`
}

// stored is nil for an alarm that never called.
func (h *alarmHealth) stored() *storedAlarmHealth {
	if *h == (alarmHealth{}) {
		return nil
	}
	s := &storedAlarmHealth{Days: map[int]int{}, Recent: h.recent[:h.count], Raised: h.raised, Bursts: h.bursts, Fleeting: h.fleeting}
	for i, n := range h.days {
		if n > 0 {
			s.Days[i] = n
		}
	}
	return s
}

func (h *alarmHealth) restore(s *storedAlarmHealth) {
	if s == nil {
		return
	}
	*h = alarmHealth{raised: s.Raised, bursts: s.Bursts, fleeting: s.Fleeting}
	for i, n := range s.Days {
		if i >= 0 && i < daysKept {
			h.days[i] = n
		}
	}
	h.count = copy(h.recent[:], s.Recent)
}
