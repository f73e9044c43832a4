// Package record makes the record of a plant's days: what a regulator asks, what
// the next shift needs, what an inquiry reads. A day is closed once, at midnight
// in the site's time zone, and never edited: a correction is an entry of its own.
//
// It is a function of the steps that it is given: a live watch and its replay make
// the same record.
package record

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
)

// DateLayout writes a day: 2026-05-03.
const DateLayout = "2006-01-02"

// Day is the record of one day.
type Day struct {
	Date string `json:"date"`
	// From and To are midnights in the site's time zone, 23 to 25 hours apart.
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Watched is the share of the day, 0 to 1, in which the core advanced.
	Watched float64  `json:"watched"`
	Items   []Item   `json:"items"`
	Periods []Period `json:"periods,omitempty"`
	// Remarks are in the order of time. Unsaid is how many had no room.
	Remarks []Remark `json:"remarks,omitempty"`
	Unsaid  int      `json:"unsaid,omitempty"`
}

// Item is one number of a day. Its name is kind.owner.quantity, as that of a
// figure.
type Item struct {
	Name string `json:"name"`
	// Value is in Unit; nil when it is not known.
	Value *float64 `json:"value"`
	Unit  string   `json:"unit"`
	// At is when it was so, zero for what belongs to the day.
	At time.Time `json:"at,omitzero"`
	// Covered is the share of the day, 0 to 1, of which it is known.
	Covered float64 `json:"covered"`
	// Detail tells what it was made of, or what to doubt.
	Detail string `json:"detail,omitempty"`
}

// Split returns the parts of the name.
func (i *Item) Split() (kind, owner, quantity string) {
	parts := append(strings.SplitN(i.Name, ".", 3), "", "")
	return parts[0], parts[1], parts[2]
}

// Item returns the item of a name, nil when the day has none.
func (d *Day) Item(name string) *Item {
	if i := slices.IndexFunc(d.Items, func(i Item) bool { return i.Name == name }); i >= 0 {
		return &d.Items[i]
	}
	return nil
}

// Period is a time for which an entry point was under its least residual. One
// that goes over midnight is cut there.
type Period struct {
	Point string    `json:"point"`
	From  time.Time `json:"from"`
	// To is the last time it was so.
	To     time.Time `json:"to"`
	Lowest float64   `json:"lowest_mg_per_litre"`
	Least  float64   `json:"least_mg_per_litre"`
	// Open: it had not ended when the day did, or when ebbwatch stopped.
	Open bool `json:"open,omitempty"`
}

// Remark is what a person said or did, or an alarm that called people.
type Remark struct {
	Time time.Time `json:"time"`
	// Kind is note, grab-sample, correction, another verb, or the priority of an
	// alarm that called.
	Kind string `json:"kind"`
	By   string `json:"by,omitempty"`
	Text string `json:"text"`
}

// Entry is what goes into the store: a day that is over, or a correction.
type Entry struct {
	Day        *Day        `json:"day,omitempty"`
	Correction *Correction `json:"correction,omitempty"`
}

// Correction says what an item of a day should have been, or something about it.
// It never replaces the day: both stay.
type Correction struct {
	// Order is the id of the order, under which it counts once.
	Order string    `json:"order"`
	Time  time.Time `json:"time"`
	By    string    `json:"by"`
	Role  string    `json:"role,omitempty"`
	// Date and Item name what it corrects.
	Date string `json:"date"`
	Item string `json:"item"`
	// Value is in Unit, that of the item; nil for an item that nobody knows.
	Value *float64 `json:"value"`
	Unit  string   `json:"unit"`
	Why   string   `json:"why"`
}

// Bounds of a day, so that the record has one on disk.
const (
	maxPeriods = 50
	// maxSaid is what people may have said in a day, maxCalled how many alarms
	// have a line of their own.
	maxSaid, maxCalled = 50, 50
	maxText            = 300 // bytes
)

// gap is the longest time between two steps that counts as watched, as in
// agent/contact.
const gap = 5 * time.Minute

// Settings say what a record is made of.
type Settings struct {
	Zone *time.Location
	// Figures are those of the plant, in the order of its steps.
	Figures  []plant.Figure
	Segments []plant.Segment
	Trains   []plant.Train
	// EntryPoints with their rules; the lowest residual of any point in Residuals.
	EntryPoints []plant.EntryPoint
	Residuals   []string
	Detectors   []plant.Detector
	Banks       []Bank
	// Days gives the segments' present days, in their order, and those that were over
	// last; Totals what the ledgers of the banks have counted, in the order of Banks.
	// Both are those of the plant as it stands at the step. Nil gives nothing.
	Days   func() (present, finished []contact.DayRecord)
	Totals func() []Totals
}

// Step is what the record is made from.
type Step struct {
	Time        time.Time
	Figures     []plant.Figure
	Transitions []alarms.Transition
	Performance alarms.Performance
}

// Recorder holds the present day. It is not safe for concurrent use.
type Recorder struct {
	s     Settings
	lines []line
	// entries are the figures of the entry points.
	entries []int
	day     open
}

// open is the present day as it is remembered.
type open struct {
	Date        string             `json:"date"`
	From        time.Time          `json:"from"`
	To          time.Time          `json:"to"`
	Last        time.Time          `json:"last"`
	Watched     float64            `json:"watched_s"`
	Tallies     []tally            `json:"tallies"`
	Periods     []Period           `json:"periods"`
	Remarks     []Remark           `json:"remarks"`
	Said        int                `json:"said"`
	Called      int                `json:"called"`
	Unsaid      int                `json:"unsaid"`
	ByPriority  map[string]int     `json:"by_priority"`
	Performance alarms.Performance `json:"performance"`
	Banks       map[string]bankDay `json:"banks,omitempty"`
}

// New makes a recorder whose day begins with the first step.
func New(s Settings) (*Recorder, error) {
	s.Zone = cmp.Or(s.Zone, time.UTC)
	if s.Days == nil {
		s.Days = func() (present, finished []contact.DayRecord) { return nil, nil }
	}
	if s.Totals == nil {
		s.Totals = func() []Totals { return nil }
	}
	r := &Recorder{s: s}
	if err := r.makeLines(); err != nil {
		return nil, err
	}
	return r, nil
}

// Step folds in what holds now, and returns what is to be stored for good: the day
// that is over, before anything of the new one enters, and corrections.
func (r *Recorder) Step(s Step) (entries []Entry) {
	d := &r.day
	switch {
	case d.From.IsZero():
		r.open(s.Time)
	case !s.Time.Before(d.To):
		if s.Time.Sub(d.Last) <= gap {
			r.pass(d.To)
		}
		entries = append(entries, Entry{Day: r.close()})
		r.open(s.Time)
	case s.Time.Before(d.From.AddDate(0, 0, -1)):
		// The clock had been wrong for the future: that day is no day of the plant.
		r.open(s.Time)
	}
	if span := s.Time.Sub(d.Last); !d.Last.IsZero() && span > 0 && span <= gap {
		r.pass(s.Time)
	} else if span < 0 || span > gap {
		r.forget()
	}
	d.Last = s.Time
	r.take(s)
	for i := range s.Transitions {
		if c := r.note(&s.Transitions[i]); c != nil {
			entries = append(entries, Entry{Correction: c})
		}
	}
	d.Performance = s.Performance
	return entries
}

// open begins the day of a time.
func (r *Recorder) open(now time.Time) {
	from, to := contact.DayOf(now, r.s.Zone)
	tallies := make([]tally, len(r.lines))
	for i := range tallies {
		if i < len(r.day.Tallies) { // what held at midnight holds on
			was := r.day.Tallies[i]
			tallies[i] = tally{Now: was.Now, Known: was.Known, Doubtful: was.Doubtful, Above: was.Above}
		}
	}
	r.day = open{
		Date: now.In(r.s.Zone).Format(DateLayout), From: from, To: to,
		Last: r.day.Last, Tallies: tallies, ByPriority: map[string]int{},
	}
	r.day.Banks = r.beginBanks(now)
}

// close makes the record of the present day.
func (r *Recorder) close() *Day {
	d := &r.day
	out := &Day{Date: d.Date, From: d.From.UTC(), To: d.To.UTC(), Watched: r.share(d.Watched), Unsaid: d.Unsaid,
		Periods: slices.Clone(d.Periods), Remarks: slices.Clone(d.Remarks)}
	lines := r.lineItems()
	out.Items = append(out.Items, r.waterItems()...)
	out.Items = append(out.Items, lines...)
	out.Items = append(out.Items, r.supplyItems(lines)...)
	out.Items = append(out.Items, r.alarmItems()...)
	return out
}

// Present is the day as far as it has come; nil before the first step.
func (r *Recorder) Present() *Day {
	if r.day.From.IsZero() {
		return nil
	}
	return r.close()
}

// Items are those of a day of the site, without values.
func (r *Recorder) Items() []Item {
	empty := &Recorder{s: r.s, lines: r.lines}
	empty.open(time.Unix(0, 0))
	return empty.close().Items
}

func (r *Recorder) share(seconds float64) float64 {
	return min(1, seconds/r.day.To.Sub(r.day.From).Seconds())
}

// stateVersion is raised when an older state can no longer be read.
const stateVersion = 1

type state struct {
	Version int      `json:"version"`
	Lines   []string `json:"lines"`
	Open    open     `json:"open"`
}

// State returns what Restore needs after a restart.
func (r *Recorder) State() []byte {
	s := state{Version: stateVersion, Open: r.day}
	for i := range r.lines {
		s.Lines = append(s.Lines, r.lines[i].name)
	}
	b, err := json.Marshal(s)
	if err != nil {
		return []byte("null") // a number that JSON cannot write costs the day, never the watch
	}
	return b
}

// Restore goes on with the day of a state. What the site no longer has is left
// out; the time since then is not covered.
func (r *Recorder) Restore(data []byte) error {
	var s state
	if err := json.Unmarshal(data, &s); err != nil {
		return fmt.Errorf("the state of the record is not readable: %w", err)
	}
	if s.Version != stateVersion {
		return fmt.Errorf("the state of the record has version %d, expected %d: a newer ebbwatch wrote it; start that one, or move its folder away", s.Version, stateVersion)
	}
	if s.Open.From.IsZero() || len(s.Open.Tallies) != len(s.Lines) {
		return fmt.Errorf("the state of the record has %d names for %d lines, or no day", len(s.Lines), len(s.Open.Tallies))
	}
	old := s.Open.Tallies
	s.Open.Tallies = make([]tally, len(r.lines))
	for i := range r.lines {
		if at := slices.Index(s.Lines, r.lines[i].name); at >= 0 {
			s.Open.Tallies[i] = old[at]
		}
	}
	if s.Open.ByPriority == nil {
		s.Open.ByPriority = map[string]int{}
	}
	r.day = s.Open
	r.forget()
	return nil
}
