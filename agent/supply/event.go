package supply

import "time"

// EventKind says what has happened to a container or its scale.
type EventKind string

// The kinds of event. From and To of an Event are net weights before and after
// unless a line says otherwise.
const (
	Changed    EventKind = "changed"     // another container stands on the scale
	Removed    EventKind = "removed"     // the container is off the scale
	PutBack    EventKind = "put-back"    // the same container is on again
	Step       EventKind = "step"        // the weight moved at once and stayed
	Bump       EventKind = "bump"        // the weight left its line and came back
	TareWrong  EventKind = "tare-wrong"  // the net weight starts above what the container can hold
	Swapped    EventKind = "swapped"     // the scale shows another unit or range
	Stuck      EventKind = "stuck"       // the display stands still while chlorine is drawn
	DroppedOut EventKind = "dropped-out" // no reading comes
	Recovered  EventKind = "recovered"   // readings are live again after stuck or dropped out
	Relearnt   EventKind = "relearnt"    // readings left the line and found no level: begun anew
	Switchover EventKind = "switchover"  // another container is drawn: From is left in the old one, To is in the new one
)

// Event is one such happening, told once.
type Event struct {
	Kind EventKind
	// At is when it began, not when it was understood.
	At time.Time
	// Container is the index in BankSettings.Containers.
	Container int
	From, To  float64 // kg
}
