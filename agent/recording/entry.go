// Package recording keeps what goes into the core, and reads it back for a replay,
// together with the history that a plant has in files of other forms.
//
// A recording is a folder of CSV files (RFC 4180), each compressed (RFC 1952), with
// the columns time, point, value, quality and text. A row with a point is a reading:
// its value is in the point's configured unit and reads back as the very same SI
// value, its text is what a text point says. A row without a point ends a step, which
// has the readings since the row before it, or, with a text, is what its JSON tells:
// see entry. Times go on as the monotonic clock does, from the wall clock's time at
// the start of the daemon; how far the wall clock has moved away since is told apart.
//
// A file with the first four columns alone is history from elsewhere. It has no
// steps: readings of one time are stepped together, at that time.
package recording

import (
	"encoding/json"
	"fmt"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

// Points are the units of the points that a site has, by name; the zero unit is
// that of a text.
type Points map[string]units.Unit

// Kind says what an Entry is.
type Kind uint8

// The kinds of entry.
const (
	Step  Kind = iota // readings, none for a mere tick
	Order             // a person's order
	Begin             // a file of a recording begins, with Head
)

// Entry is what went into the core at one time. It is valid until the next is read.
type Entry struct {
	Kind Kind
	Time time.Time
	// Readings are those of a step.
	Readings []reading.Reading
	// Self are the samples of the alarms over ebbwatch itself, as they hold from
	// this step on; nil before any is known.
	Self []alarms.Sample
	// Order is that of the kind Order, Head that of the kind Begin.
	Order alarms.Order
	Head  *Head
	// Astray is how far the wall clock was ahead of Time.
	Astray time.Duration
}

// Head is what a replay needs to begin with a file.
type Head struct {
	Site string `json:"site"`
	// Boot names the run of the daemon, Entry is how many steps and orders it had
	// before this file: the file goes on where another one ended, or it does not.
	Boot  time.Time `json:"boot"`
	Entry uint64    `json:"entry"`
	// Speed is how many seconds of its times pass in a real one; 0 is 1.
	Speed float64 `json:"speed,omitempty"`
	// Checkpoint has the states of the alarms and the clocks of the rules at this
	// time, nil for none.
	Checkpoint json.RawMessage `json:"checkpoint,omitempty"`
}

// entry is the JSON of a row without a point. It has one of the four; an order and
// samples have the fields that package alarms gives them.
type entry struct {
	Head *Head `json:"head,omitempty"`
	// Order is an entry of its own; the two that follow belong to the next one.
	Order *alarms.Order   `json:"order,omitempty"`
	Self  []alarms.Sample `json:"self,omitempty"`
	// AstrayNs is Entry.Astray from here on.
	AstrayNs *int64 `json:"astray_ns,omitempty"`
}

// Fault is something in a file that cannot be read.
type Fault struct {
	File string
	// Line counts from 1; it is 0 when the fault is the file as a whole.
	Line int
	// Found is what stands there, Expected what should, both as words that follow
	// "found" and "expected".
	Found, Expected string
}

func (f *Fault) Error() string {
	if f.Line == 0 {
		return fmt.Sprintf("%s: found %s, expected %s", f.File, f.Found, f.Expected)
	}
	return fmt.Sprintf("%s:%d: found %s, expected %s", f.File, f.Line, f.Found, f.Expected)
}

const header = "time,point,value,quality,text"
