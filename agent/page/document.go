// Package page is the way out over HTTP for people and programs: the snapshot as
// JSON, a stream of what changes, and the page that shows it.
package page

import (
	"encoding/json"

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
}

// document is a snapshot, or what of it has changed.
type document struct {
	head
	Figures []json.RawMessage `json:"figures"`
	Alarms  []json.RawMessage `json:"alarms"`
}

// version is that of the document's form.
const version = 1

// encoded is a snapshot whose parts are written once for all who read it.
type encoded struct {
	of      *agent.Snapshot
	head    head
	figures []json.RawMessage
	alarms  []json.RawMessage
}

func encode(site *Site, s *agent.Snapshot) *encoded {
	e := &encoded{
		of:      s,
		head:    head{Time: alarms.Stamp(s.Time), Steps: s.Steps, Sequence: s.Sequence, Remembers: s.StoreError == nil, Verdict: judge(site, s)},
		figures: make([]json.RawMessage, len(s.Figures)), alarms: make([]json.RawMessage, len(s.Conditions)),
	}
	for i := range s.Figures {
		e.figures[i] = must(json.Marshal(figureOf(&s.Figures[i])))
	}
	for i := range s.Conditions {
		e.alarms[i] = must(json.Marshal(s.Conditions[i].Payload()))
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
