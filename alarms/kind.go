package alarms

import (
	"fmt"
	"slices"
	"time"
)

// Kind is what makes an alarm's condition true.
type Kind string

// The kinds. A condition that is computed, such as a vote, is a figure of its
// own, watched by StateOn.
const (
	// HighLimit: the value is at or over the limit; it returns at limit − deadband.
	// At counts, since a detector may end its range there.
	HighLimit Kind = "high"
	// LowLimit: the value is under the limit; it returns at limit + deadband.
	LowLimit Kind = "low"
	// Rising and Falling: the value's slope over the window, up or down, is at or
	// over the limit.
	Rising  Kind = "rising"
	Falling Kind = "falling"
	// Deviation: the value differs from the other figure's by the limit or more.
	Deviation Kind = "deviation"
	// StateOn: the value is not zero. Limit and deadband have no meaning.
	StateOn Kind = "state"
	// Stuck: the value has not moved by more than the play for the limit, in
	// seconds, while it should have.
	Stuck Kind = "stuck"
	// Stale: the value is not usable, for whatever reason. Limit and deadband have
	// no meaning.
	Stale Kind = "stale"
)

var kinds = []Kind{HighLimit, LowLimit, Rising, Falling, Deviation, StateOn, Stuck, Stale}

func (k Kind) known() bool { return slices.Contains(kinds, k) }

// limited reports whether the kind compares a number with a limit.
func (k Kind) limited() bool { return k != StateOn && k != Stale }

// BadPolicy is what a sample that is not usable does to an inactive alarm.
type BadPolicy string

// The policies. The standards leave the choice open.
const (
	// Hold keeps the alarm inactive and its on-delay where it stands: a time
	// without readings is no time over the limit. It is the default.
	Hold BadPolicy = ""
	// RestartDelay keeps the alarm inactive and starts its on-delay anew.
	RestartDelay BadPolicy = "restart"
	// CountAsAlarm takes what cannot be read for the condition itself, as for a
	// contact that is closed when all is well.
	CountAsAlarm BadPolicy = "alarm"
)

// checkKind reports what a kind needs and the setting lacks.
func (s *Setting) checkKind(fault func(string, ...any) error) error {
	switch {
	case s.Kind.limited() && s.Shown.Factor == 0:
		return fault("no unit to show its value in")
	case (s.Kind == Rising || s.Kind == Falling) && (s.Window < time.Second || s.Window > 24*time.Hour):
		return fault("the window is %s: expected 1 s to 24 h", s.Window)
	case s.Kind == Deviation && s.Other == "":
		return fault("no other figure to compare with")
	case s.Other != "" && s.Kind != Deviation && s.Kind != Stuck:
		return fault("a %s alarm takes no other figure", s.Kind)
	case (s.Kind == Rising || s.Kind == Falling || s.Kind == Deviation || s.Kind == Stuck) && s.Limit <= 0:
		return fault("the limit of a %s alarm must be over zero", s.Kind)
	case (s.Kind == Rising || s.Kind == Falling || s.Kind == Deviation) && s.Deadband >= s.Limit:
		return fault("the deadband must be under the limit, or the alarm never returns")
	case s.Kind == Stuck && !(s.Play >= 0):
		return fault("the play must be zero or more")
	}
	return nil
}

// holds reports whether a value makes the condition true.
func (s *Setting) holds(v float64) bool {
	switch s.Kind {
	case StateOn, Stale:
		return v != 0
	case LowLimit:
		return v < s.Limit
	default:
		return v >= s.Limit
	}
}

// gone reports whether a value has left the condition by the deadband.
func (s *Setting) gone(v float64) bool {
	switch s.Kind {
	case StateOn, Stale:
		return v == 0
	case LowLimit:
		return v >= s.Limit+s.Deadband
	default:
		return v <= s.Limit-s.Deadband && v < s.Limit
	}
}

// Speaks says in a few words when the alarm is raised and when it returns.
func (s *Setting) Speaks() string {
	text := func(v float64) string { return s.Shown.text(s.Shown.show(v)) }
	high := fmt.Sprintf("at or over %s, returns at %s", text(s.Limit), text(s.Limit-s.Deadband))
	switch s.Kind {
	case StateOn:
		return "when it is so"
	case Stale:
		return "when it cannot be used"
	case LowLimit:
		return fmt.Sprintf("under %s, returns at %s", text(s.Limit), text(s.Limit+s.Deadband))
	case Rising, Falling:
		return fmt.Sprintf("%s over %s, %s", s.Kind, s.Window, high)
	case Deviation:
		return "apart from " + s.Other + " " + high
	case Stuck:
		if s.Other != "" {
			return "unchanged for " + text(s.Limit) + " while " + s.Other + " is over zero"
		}
		return "unchanged for " + text(s.Limit)
	default:
		return high
	}
}
