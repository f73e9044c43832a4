// Package page is the way out over HTTP for people and programs: the snapshot as
// JSON, a stream of what changes, and the page that shows it.
package page

import (
	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
)

// figure is a figure as JSON. Numbers are in the figure's own unit; they are null
// when the quality is bad.
type figure struct {
	Figure   string         `json:"figure"`
	Kind     plant.Kind     `json:"kind"`
	Owner    string         `json:"owner"`
	Quantity plant.Quantity `json:"quantity"`
	Value    *float64       `json:"value"`
	Low      *float64       `json:"low"`
	High     *float64       `json:"high"`
	Unit     string         `json:"unit"`
	Quality  string         `json:"quality"`
	Method   string         `json:"method,omitempty"`
	Detail   string         `json:"detail,omitempty"`
	Time     alarms.Stamp   `json:"time"`
}

func figureOf(f *plant.Figure) figure {
	out := figure{
		Figure: f.Name, Kind: f.Kind, Owner: f.Owner, Quantity: f.Quantity, Unit: f.Unit.Symbol,
		Quality: f.Quality.String(), Method: f.Method, Detail: f.Detail, Time: alarms.Stamp(f.Time),
	}
	if f.Quality.Usable() {
		v := f.Shown()
		out.Value = &v
		if low, high, ok := f.Interval(); ok {
			out.Low, out.High = &low, &high
		}
	}
	return out
}

// head is what stands before figures and alarms. A change leaves out version,
// site, title and layout, which stay.
type head struct {
	Version int          `json:"version,omitempty"`
	Site    string       `json:"site,omitempty"`
	Title   string       `json:"title,omitempty"`
	Time    alarms.Stamp `json:"time"`
	// Age is how long ago the step was when this was written, in real seconds.
	Age float64 `json:"age_s"`
	// Steps counts the evaluations, Sequence that of the last event.
	Steps    uint64 `json:"steps"`
	Sequence uint64 `json:"sequence"`
	// Remembers is false while events cannot be written to the journal.
	Remembers bool    `json:"remembers"`
	Verdict   verdict `json:"verdict"`
	Layout    *layout `json:"layout,omitempty"`
	// Performance is sent now and then, since its means move all the time.
	Performance *performance `json:"performance,omitempty"`
}

// performance is how much the alarms ask of people (alarms.Performance).
type performance struct {
	Watched       float64  `json:"watched_s"`
	Last10Minutes int      `json:"last_10_minutes"`
	LastHour      int      `json:"last_hour"`
	LastDay       int      `json:"last_day"`
	Annunciations int      `json:"annunciations"`
	PerHour       float64  `json:"per_hour"`
	Peak          int      `json:"peak"`
	Flood         bool     `json:"flood"`
	TimeInFlood   float64  `json:"time_in_flood_s"`
	Standing      int      `json:"standing"`
	Unanswered    int      `json:"unanswered"`
	Stale         int      `json:"stale"`
	Withheld      int      `json:"withheld"`
	Chattering    []string `json:"chattering"`
	Top           []calls  `json:"top"`
	TopShare      float64  `json:"top_share"`
	Fleeting      uint64   `json:"fleeting"`
}

type calls struct {
	Alarm         string `json:"alarm"`
	Annunciations int    `json:"annunciations"`
}

func performanceOf(p *alarms.Performance) *performance {
	out := &performance{
		Watched: p.Watched.Seconds(), Last10Minutes: p.Last10Minutes, LastHour: p.LastHour, LastDay: p.LastDay,
		Annunciations: p.Annunciations, PerHour: p.PerHour, Peak: p.Peak, Flood: p.Flood, TimeInFlood: p.TimeInFlood.Seconds(),
		Standing: p.Standing, Unanswered: p.Unanswered, Stale: p.Stale, Withheld: p.Withheld,
		Chattering: append([]string{}, p.Chattering...), Top: []calls{}, TopShare: p.TopShare, Fleeting: p.Fleeting,
	}
	for _, l := range p.Top {
		out.Top = append(out.Top, calls{l.Alarm, l.Annunciations})
	}
	return out
}

// document is a snapshot.
type document struct {
	head
	Figures []figure         `json:"figures"`
	Alarms  []alarms.Payload `json:"alarms"`
}

// version is that of the document's form.
const version = 1

// encoded is a snapshot in the form in which it is sent, made once for all who
// read it.
type encoded struct {
	of *agent.Snapshot
	document
}

func encode(site *Site, s *agent.Snapshot) *encoded {
	e := &encoded{of: s, document: document{
		head:    head{Time: alarms.Stamp(s.Time), Steps: s.Steps, Sequence: s.Sequence, Remembers: s.StoreError == nil, Verdict: judge(site, s)},
		Figures: make([]figure, len(s.Figures)), Alarms: make([]alarms.Payload, len(s.Conditions)),
	}}
	for i := range s.Figures {
		e.Figures[i] = figureOf(&s.Figures[i])
	}
	for i := range s.Conditions {
		e.Alarms[i] = s.Conditions[i].Payload()
	}
	return e
}

// must takes what always succeeds: plain data without a number that JSON has not.
func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}
