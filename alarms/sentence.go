package alarms

import (
	"fmt"
	"strings"
)

// sentence tells in plain words how the alarm stands.
func (s *Setting) sentence(m machine, in Sample) string {
	var b strings.Builder
	b.WriteString(s.Subject)
	switch s.Kind {
	case Stale:
		switch {
		case in.Value == 0:
			b.WriteString(" can be used")
		case in.Detail != "":
			b.WriteString(" cannot be used: the measurement " + in.Detail)
		default:
			b.WriteString(" cannot be used")
		}
	case StateOn:
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
	default:
		s.compared(&b, m.active, in)
	}
	switch {
	case m.latched && !m.active:
		b.WriteString("; the alarm stays until a person resets it")
	case !m.active && !m.acked:
		b.WriteString("; nobody has acknowledged that it was otherwise")
	}
	b.WriteByte('.')
	return b.String()
}

// compared tells how a value stands to its limit.
func (s *Setting) compared(b *strings.Builder, active bool, in Sample) {
	limit := s.Shown.text(s.Shown.show(s.Limit))
	side, within := "over", "within"
	if s.Kind == LowLimit {
		side, within = "under", "not under"
	}
	value := s.Shown.text(s.Shown.show(in.Value))
	switch {
	case !in.usable() && active:
		fmt.Fprintf(b, " was %s the limit of %s when last measured; the measurement now %s, so the alarm is held", side, limit, in.Detail)
	case !in.usable():
		fmt.Fprintf(b, " is not known: the measurement %s", in.Detail)
	case s.holds(in.Value) && in.Value == s.Limit:
		fmt.Fprintf(b, " is at the limit of %s", limit)
	case s.holds(in.Value):
		fmt.Fprintf(b, " is %s, %s the limit of %s", value, side, limit)
	case active:
		fmt.Fprintf(b, " is %s, not yet clear of the limit of %s", value, limit)
	default:
		fmt.Fprintf(b, " is %s, %s the limit of %s", value, within, limit)
	}
	if in.usable() && in.Detail != "" {
		b.WriteString("; the value " + in.Detail)
	}
}
