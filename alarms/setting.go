package alarms

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Kind is what makes an alarm's condition true.
type Kind string

// The kinds.
const (
	// HighLimit: the value is at or over the limit; it returns at limit − deadband.
	// At counts, since a detector may end its range there.
	HighLimit Kind = "high"
	// LowLimit: the value is under the limit; it returns at limit + deadband.
	LowLimit Kind = "low"
	// StateOn: the value is not zero. Limit and deadband have no meaning.
	StateOn Kind = "state"
)

// Setting is one rationalised alarm: what it watches, when it speaks, and what
// it tells a person.
type Setting struct {
	Name string
	Kind Kind
	// Input names the figure it watches.
	Input string
	// Limit and Deadband are in the input's SI unit.
	Limit, Deadband float64
	// OnDelay and OffDelay are how long the condition must hold, or be gone,
	// without a break. Zero acts on the first sample.
	OnDelay, OffDelay time.Duration
	// Latching alarms stay in alarm after the condition has gone until a person
	// resets them.
	Latching bool
	Priority Priority

	// Place says where; Subject opens the alarm's sentence.
	Place, Subject string
	Consequence    string
	FirstAction    []string
	RespondWithin  time.Duration

	// Shown gives the unit of values shown to people.
	Shown Scale
}

// Scale turns an SI value into one shown to people: si*Factor + Offset, in Unit,
// with Decimals digits behind the point.
type Scale struct {
	Unit           string
	Factor, Offset float64
	Decimals       int
}

func (s Scale) show(si float64) float64 { return si*s.Factor + s.Offset }

func (s Scale) text(shown float64) string {
	t := strconv.FormatFloat(shown, 'f', s.Decimals, 64)
	if s.Unit == "" || s.Unit == "1" {
		return t
	}
	return t + " " + s.Unit
}

// check reports what is wrong with a setting.
func (s *Setting) check() error {
	switch {
	case s.Name == "":
		return fmt.Errorf("an alarm has no name")
	case s.Kind != HighLimit && s.Kind != LowLimit && s.Kind != StateOn:
		return fmt.Errorf("alarm %s: kind %q is not high, low or state", s.Name, s.Kind)
	case s.Priority.rank() == 0:
		return fmt.Errorf("alarm %s: priority %q is not critical, high, medium or low", s.Name, s.Priority)
	case math.IsNaN(s.Limit) || math.IsInf(s.Limit, 0):
		return fmt.Errorf("alarm %s: the limit must be a finite number", s.Name)
	case !(s.Deadband >= 0) || math.IsInf(s.Deadband, 0):
		return fmt.Errorf("alarm %s: the deadband must be zero or more", s.Name)
	case s.OnDelay < 0 || s.OffDelay < 0:
		return fmt.Errorf("alarm %s: a delay must be zero or more", s.Name)
	case s.Kind != StateOn && s.Shown.Factor == 0:
		return fmt.Errorf("alarm %s: no unit to show its value in", s.Name)
	}
	return nil
}

// rank is 4 for critical down to 1 for low, 0 for anything else.
func (p Priority) rank() int {
	switch p {
	case Critical:
		return 4
	case High:
		return 3
	case Medium:
		return 2
	case Low:
		return 1
	}
	return 0
}

// holds reports whether a value makes the condition true.
func (s *Setting) holds(v float64) bool {
	switch s.Kind {
	case HighLimit:
		return v >= s.Limit
	case LowLimit:
		return v < s.Limit
	default:
		return v != 0
	}
}

// gone reports whether a value has left the condition by the deadband.
func (s *Setting) gone(v float64) bool {
	switch s.Kind {
	case HighLimit:
		return v <= s.Limit-s.Deadband && v < s.Limit
	case LowLimit:
		return v >= s.Limit+s.Deadband
	default:
		return v == 0
	}
}

// Speaks says in a few words when the alarm is raised and when it returns.
func (s *Setting) Speaks() string {
	limit, back := s.Shown.show(s.Limit), s.Limit-s.Deadband
	sign := "at or over"
	switch s.Kind {
	case StateOn:
		return "when it is so"
	case LowLimit:
		sign, back = "under", s.Limit+s.Deadband
	}
	return fmt.Sprintf("%s %s, returns at %s", sign, s.Shown.text(limit), s.Shown.text(s.Shown.show(back)))
}

// sentence tells in plain words how the alarm stands.
func (s *Setting) sentence(st State, in Sample) string {
	var b strings.Builder
	b.WriteString(s.Subject)
	if s.Kind == StateOn {
		switch {
		case !in.usable():
			b.WriteString(": not known, the reading " + in.Detail)
		case in.Value != 0 && in.Detail != "":
			b.WriteString(" " + in.Detail)
		case in.Value != 0:
			b.WriteString(" is in alarm")
		default:
			b.WriteString(" is in order")
		}
	} else {
		limit := s.Shown.text(s.Shown.show(s.Limit))
		side, within := "over", "within"
		if s.Kind == LowLimit {
			side, within = "under", "not under"
		}
		value := s.Shown.text(s.Shown.show(in.Value))
		switch {
		case !in.usable() && st.Active():
			fmt.Fprintf(&b, " was %s the limit of %s when last measured; the measurement now %s, so the alarm is held", side, limit, in.Detail)
		case !in.usable():
			fmt.Fprintf(&b, " is not known: the measurement %s", in.Detail)
		case s.holds(in.Value) && in.Value == s.Limit:
			fmt.Fprintf(&b, " is at the limit of %s", limit)
		case s.holds(in.Value):
			fmt.Fprintf(&b, " is %s, %s the limit of %s", value, side, limit)
		case st.Active():
			fmt.Fprintf(&b, " is %s, not yet clear of the limit of %s", value, limit)
		default:
			fmt.Fprintf(&b, " is %s, %s the limit of %s", value, within, limit)
		}
		if in.usable() && in.Detail != "" {
			b.WriteString("; the value " + in.Detail)
		}
	}
	switch st {
	case LatchedUnacknowledged, LatchedAcknowledged:
		b.WriteString("; the alarm stays until a person resets it")
	case ReturnedUnacknowledged:
		b.WriteString("; nobody has acknowledged that it was otherwise")
	}
	b.WriteByte('.')
	return b.String()
}
