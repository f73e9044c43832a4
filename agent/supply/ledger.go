package supply

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"ebbwatch/agent/units"
)

// ledgerEntries and ledgerMonths bound what a ledger remembers; what is older the
// journal still has.
const ledgerEntries, ledgerMonths = 500, 60

// Entry is one container's time on a scale.
type Entry struct {
	// Place is the name of the container in the settings: where it stands.
	Place  string          `json:"place"`
	Serial string          `json:"serial,omitempty"`
	Tare   units.Kilograms `json:"tare_kg"`
	// On is when it was put on, Off when it was taken off; Off is zero while it is
	// there.
	On  time.Time `json:"on"`
	Off time.Time `json:"off,omitzero"`
	// NetOn and NetOff are its contents then; while it is there NetOff is the present
	// one.
	NetOn  units.Kilograms `json:"net_on_kg"`
	NetOff units.Kilograms `json:"net_off_kg"`
	// OnBy and OffBy are who did it; empty when only the scale told.
	OnBy  string `json:"on_by,omitempty"`
	OffBy string `json:"off_by,omitempty"`
	// TareWrong tells that the net weight began above what the container can hold.
	TareWrong bool `json:"tare_wrong,omitempty"`
}

// Used is what has been drawn from the container on this scale.
func (e Entry) Used() units.Kilograms { return e.NetOn - e.NetOff }

// Month reconciles a month of the site's calendar: what the scales lost against
// what the feed explains.
type Month struct {
	Year  int             `json:"year"`
	Month time.Month      `json:"month"`
	Used  units.Kilograms `json:"used_kg"`
	Fed   units.Kilograms `json:"fed_kg"`
	// On and Off count containers.
	On  int `json:"on"`
	Off int `json:"off"`
}

// Unaccounted is what left the scales and no feed explains.
func (m Month) Unaccounted() units.Kilograms { return m.Used - m.Fed }

// Ledger is the book of containers. Its zero value is an empty book in UTC. It is
// its own checkpoint: it goes through JSON whole.
type Ledger struct {
	Entries []Entry `json:"entries"`
	Months  []Month `json:"months"`
	zone    *time.Location
}

// NewLedger makes an empty book whose months are those of a zone; nil is UTC.
func NewLedger(zone *time.Location) *Ledger { return &Ledger{zone: zone} }

// LoadLedger reads a checkpoint.
func LoadLedger(checkpoint []byte, zone *time.Location) (*Ledger, error) {
	l := NewLedger(zone)
	if err := json.Unmarshal(checkpoint, l); err != nil {
		return nil, fmt.Errorf("container ledger: %w", err)
	}
	there := map[string]bool{}
	for i, e := range l.Entries {
		switch {
		case e.Place == "" || e.On.IsZero():
			return nil, fmt.Errorf("container ledger: entry %d has no place or no time; expected both", i+1)
		case !e.Off.IsZero() && e.Off.Before(e.On):
			return nil, fmt.Errorf("container ledger: entry %d at %s goes off before it is on", i+1, e.Place)
		case e.Off.IsZero() && there[e.Place]:
			return nil, fmt.Errorf("container ledger: two containers stand at %s at once", e.Place)
		}
		there[e.Place] = there[e.Place] || e.Off.IsZero()
	}
	l.trim()
	return l, nil
}

// Present is the entry of the container that stands at a place, nil when none does.
func (l *Ledger) Present(place string) *Entry {
	for i := len(l.Entries) - 1; i >= 0; i-- {
		if e := &l.Entries[i]; e.Place == place && e.Off.IsZero() {
			return e
		}
	}
	return nil
}

// PutOn opens an entry, and closes one that is still open at that place.
func (l *Ledger) PutOn(at time.Time, place, serial string, tare, net units.Kilograms, by string) {
	if e := l.Present(place); e != nil {
		l.TakeOff(at, place, e.NetOff, by)
	}
	l.Entries = append(l.Entries, Entry{Place: place, Serial: serial, Tare: tare, On: at, NetOn: net, NetOff: net, OnBy: by})
	l.month(at).On++
	l.trim()
}

// TakeOff closes the entry of a place; where none is open it does nothing.
func (l *Ledger) TakeOff(at time.Time, place string, net units.Kilograms, by string) {
	e := l.Present(place)
	if e == nil {
		return
	}
	m := l.month(at)
	m.Used += e.NetOff - net
	m.Off++
	e.Off, e.NetOff, e.OffBy = at, net, by
	if at.Before(e.On) {
		e.Off = e.On // a clock that was set back
	}
}

// Weigh notes the present content of a place, and opens an entry for a container
// that was there before the book. What was drawn goes to the month.
func (l *Ledger) Weigh(at time.Time, place string, net units.Kilograms) {
	if math.IsNaN(float64(net)) || math.IsInf(float64(net), 0) {
		return
	}
	e := l.Present(place)
	if e == nil {
		l.PutOn(at, place, "", 0, net, "")
		return
	}
	l.month(at).Used += e.NetOff - net
	e.NetOff = net
}

// Fed notes what the feed explains since it was noted last.
func (l *Ledger) Fed(at time.Time, kg units.Kilograms) { l.month(at).Fed += kg }

// Describe completes the entry of the container that stands at a place by what a
// person says of it, and reports whether one stands there.
func (l *Ledger) Describe(place, serial string, tare units.Kilograms, by string) bool {
	e := l.Present(place)
	if e == nil {
		return false
	}
	e.Serial, e.Tare, e.OnBy, e.TareWrong = serial, tare, by, false
	return true
}

// Understand enters what a scale has told: one entry for a change-over. A step of
// the weight is no use of chlorine, and a container that was put back stays the same.
func (l *Ledger) Understand(e Event, place string, tare units.Kilograms) {
	switch e.Kind {
	case Changed:
		l.TakeOff(e.At, place, units.Kilograms(e.From), "")
		l.PutOn(e.At, place, "", tare, units.Kilograms(e.To), "")
	case TareWrong:
		if p := l.Present(place); p != nil {
			p.TareWrong = true
		}
	case Step, Swapped:
		if p := l.Present(place); p != nil {
			shift := units.Kilograms(e.To - e.From)
			p.NetOn += shift
			p.NetOff += shift
		}
	}
}

// month is the month of a time, made when it is new.
func (l *Ledger) month(at time.Time) *Month {
	zone := l.zone
	if zone == nil {
		zone = time.UTC
	}
	y, m, _ := at.In(zone).Date()
	for i := len(l.Months) - 1; i >= 0; i-- {
		if l.Months[i].Year == y && l.Months[i].Month == m {
			return &l.Months[i]
		}
	}
	l.Months = append(l.Months, Month{Year: y, Month: m})
	l.trim()
	return &l.Months[len(l.Months)-1]
}

// trim drops the oldest of what is closed.
func (l *Ledger) trim() {
	for i := 0; i < len(l.Entries) && len(l.Entries) > ledgerEntries; {
		if l.Entries[i].Off.IsZero() {
			i++
			continue
		}
		l.Entries = append(l.Entries[:i], l.Entries[i+1:]...)
	}
	if n := len(l.Months) - ledgerMonths; n > 0 {
		l.Months = append(l.Months[:0], l.Months[n:]...)
	}
}

// Record is one happening at a bank as the journal keeps it, whole in itself: what
// is not of its kind is left out.
type Record struct {
	Bank string `json:"bank"`
	// What is an EventKind, or On, Off, Described, Received, Counted or Reconciled.
	What EventKind `json:"what"`
	At   time.Time `json:"at"`
	// Place is the name of the container in the settings; By is who told.
	Place string `json:"place,omitempty"`
	By    string `json:"by,omitempty"`
	// From and To are net weights before and after.
	From units.Kilograms `json:"from_kg,omitempty"`
	To   units.Kilograms `json:"to_kg,omitempty"`
	// Entry is the container's time on its scale, as it then stands.
	Entry *Entry `json:"entry,omitempty"`
	// Stock is the chlorine in full containers afterwards.
	Stock *units.Kilograms `json:"stock_kg,omitempty"`
	// Month is one that has ended.
	Month *Month `json:"month,omitempty"`
}

// What else goes into the record besides the kinds of event.
const (
	On         EventKind = "on"         // a container stands on a scale from now on
	Off        EventKind = "off"        // its time there is over
	Described  EventKind = "described"  // a person has given its serial or tare
	Received   EventKind = "received"   // full containers came
	Counted    EventKind = "counted"    // a person has counted the full containers
	Reconciled EventKind = "reconciled" // a month has ended
)
