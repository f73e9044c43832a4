package alarms

import (
	"fmt"
	"strconv"
	"time"
)

// Setting is one rationalised alarm: what it watches, when it speaks, and what
// it tells a person.
type Setting struct {
	Name string
	Kind Kind
	// Input names the figure it watches.
	Input string
	// Other names a second figure: the one to compare with for Deviation, or the
	// one that must be over zero for Stuck to count, empty when it always counts.
	Other string
	// Limit and Deadband are in the input's SI unit; per second for Rising and
	// Falling, in seconds for Stuck.
	Limit, Deadband float64
	// Source is where the starting value of Limit is from; empty for common
	// practice, and for a limit of the site's own.
	Source string
	// Window is the time over which Rising and Falling take the slope.
	Window time.Duration
	// Play is how far a value may move and still count as stuck, in the input's
	// SI unit.
	Play float64
	// OnDelay and OffDelay are how long the condition must hold, or be gone,
	// without a break. Zero acts on the first sample.
	OnDelay, OffDelay time.Duration
	// OnBad is what a sample that is not usable does to an inactive alarm. An
	// active one is held whatever it says.
	OnBad BadPolicy
	// Latching alarms stay in alarm after the condition has gone until a person
	// resets them.
	Latching bool
	Priority Priority
	// Safety alarms guard life: they are never suppressed, and withholding them
	// takes a role that may.
	Safety bool
	// ShelveMax is the longest time for which a person may shelve the alarm in
	// one go; zero: never.
	ShelveMax time.Duration
	// ReAlarm calls people again when an acknowledged alarm still stands after
	// this time; zero: never.
	ReAlarm time.Duration
	// Group joins alarms of one event, to tell which came first.
	Group string
	// Detector is the gas detector that the alarm speaks of, empty for none. All of
	// its alarms are tested together. AtTest is what to mind meanwhile; it
	// goes among FirstAction, behind the plant's plan.
	Detector, AtTest string
	// Lingers tells that the value holds what was long before, so that it may stand
	// after a test without a leak.
	Lingers bool
	// SuppressedBy names a figure that suppresses the alarm while it is not zero.
	// Suppression ends when the figure has been zero for UnsuppressDelay, and at
	// once when it is not usable.
	SuppressedBy    string
	UnsuppressDelay time.Duration

	// Place says where; Subject opens the alarm's sentence.
	Place, Subject string
	LikelyCause    []string
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
	fault := func(format string, args ...any) error {
		return fmt.Errorf("alarm %s: "+format, append([]any{s.Name}, args...)...)
	}
	switch {
	case s.Name == "":
		return fmt.Errorf("an alarm has no name")
	case s.Name == Site:
		return fault("the name is kept for what concerns no alarm: give it another")
	case !s.Kind.known():
		return fault("kind %q is not known: expected one of %v", s.Kind, kinds)
	case s.Priority.Rank() == 0:
		return fault("priority %q is not critical, high, medium or low", s.Priority)
	case !finite(s.Limit):
		return fault("the limit must be a finite number")
	case !(s.Deadband >= 0) || !finite(s.Deadband):
		return fault("the deadband must be zero or more")
	case s.OnDelay < 0 || s.OffDelay < 0 || s.UnsuppressDelay < 0:
		return fault("a delay must be zero or more")
	case s.ShelveMax < 0 || s.ReAlarm < 0:
		return fault("the longest shelving and the time to alarm again must be zero or more")
	case s.OnBad != Hold && s.OnBad != RestartDelay && s.OnBad != CountAsAlarm:
		return fault("the policy %q for bad input is not known: expected %q, %q or %q", s.OnBad, Hold, RestartDelay, CountAsAlarm)
	case s.Safety && s.SuppressedBy != "":
		return fault("an alarm that guards life may not be suppressed")
	case s.Safety && s.ShelveMax > maxSafetyShelf:
		return fault("an alarm that guards life may be shelved for at most %s, not %s", maxSafetyShelf, s.ShelveMax)
	}
	return s.checkKind(fault)
}

// maxSafetyShelf bounds the shelving of an alarm that guards life. Common
// practice, no source: a short time under the eyes of the one who shelved it.
const maxSafetyShelf = 30 * time.Minute

// Rank is 4 for critical down to 1 for low, 0 for anything else.
func (p Priority) Rank() int {
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
