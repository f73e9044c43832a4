package escalation

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ebbwatch/alarms"
)

// maxSubject keeps "Subject: " and what follows within the 78 characters that
// RFC 5322, 2.1.1 (from memory), recommends for a line.
const maxSubject = 78 - len("Subject: ")

// caution closes every notice of an alarm that waits for a person. Informs opens
// it unless the first actions have said so.
const (
	informs = "ebbwatch informs people. It does not replace a gas detection or emergency system."
	caution = "The plant's emergency plan, local codes and licensed practice go before this notice."
)

// lead opens a subject: what a person must know when he sees nothing else.
var lead = map[Kind]string{
	Raised: "", CameAgain: "AGAIN, ", Repeated: "UNANSWERED, ",
	Acknowledged: "Acknowledged: ", Returned: "Normal again: ", Withheld: "Withheld: ", Ended: "Ended: ",
}

// subject is one line that fits a phone's list of messages.
func (s *Settings) subject(n *Notice) string {
	c := &n.Condition
	var b strings.Builder
	if c.Test {
		b.WriteString("TEST, ")
	}
	b.WriteString(lead[n.Kind])
	if waits(n.Kind) {
		b.WriteString(strings.ToUpper(string(c.Priority)) + " at ")
	}
	b.WriteString(cut(s.title(), 24) + ": ")
	if waits(n.Kind) {
		b.WriteString(c.What)
	} else {
		b.WriteString(c.Alarm)
		if c.Place != "" {
			b.WriteString(", " + c.Place)
		}
	}
	return cut(b.String(), maxSubject)
}

// waits reports whether a notice asks for an acknowledgement.
func waits(k Kind) bool { return k == Raised || k == CameAgain || k == Repeated }

func (s *Settings) title() string {
	if s.Title != "" {
		return s.Title
	}
	return s.Site
}

// cut shortens a text to at most n characters, at the end of a word where it can,
// and makes one line of it. Nothing in it can pass for a line of a header.
func cut(text string, n int) string {
	text = strings.Join(strings.FieldsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) }), " ")
	if utf8.RuneCountInString(text) <= n {
		return text
	}
	short := string([]rune(text)[:n-3])
	if i := strings.LastIndexByte(short, ' '); i > n/2 {
		short = short[:i]
	}
	return strings.TrimRight(short, " ,;:.") + "..."
}

// body is the whole notice, in short paragraphs that can be read aloud.
func (s *Settings) body(n *Notice, age time.Duration) string {
	c := &n.Condition
	var b strings.Builder
	say := func(format string, a ...any) { fmt.Fprintf(&b, format+"\n\n", a...) }
	if c.Test {
		say("THIS IS A TEST. Somebody tests the instrument; do what was agreed for the test.")
	}
	say("%s", s.opening(n, age))
	say("%s", c.What)
	if waits(n.Kind) {
		s.advise(n, say)
	}
	say("%s", measured(c))
	if waits(n.Kind) {
		evidence(c, say)
	}
	if waits(n.Kind) {
		if why := causes(c); why != "" {
			say("%s", why)
		}
		say("%s", s.acknowledging(n))
	}
	fmt.Fprintf(&b, "Alarm %s, episode %d, at %s.\n", c.Alarm, c.Episode, s.clock(n.Time))
	return b.String()
}

// causes tells what may be behind an alarm. One that came before the others of
// its group is nearer to the cause than they are.
func causes(c *alarms.Condition) string {
	var all []string
	if c.FirstOut && c.Group != "" {
		first := "It was the first of group "
		if c.FirstOutTie {
			first = "It was among the first of group "
		}
		all = append(all, first+c.Group+" to be raised.")
	}
	if len(c.LikelyCause) > 0 {
		all = append(all, "Likely causes:")
	}
	for _, cause := range c.LikelyCause {
		all = append(all, strings.TrimRight(cause, ".")+".")
	}
	return strings.Join(all, " ")
}

// opening says what kind of notice it is.
func (s *Settings) opening(n *Notice, age time.Duration) string {
	c := &n.Condition
	at := s.title()
	if c.Place != "" {
		at += ", " + c.Place
	}
	alarm := strings.ToUpper(string(c.Priority)) + " alarm at " + at
	if n.Kind == CameAgain || n.Kind == Repeated || n.Step > 1 {
		alarm += ". Nobody has acknowledged it for " + span(age)
	}
	if n.Kind == Raised && c.Realarms > 0 {
		alarm += ". A person acknowledged it before, and it still stands"
	}
	switch n.Kind {
	case CameAgain:
		return alarm + ". It has come again."
	case Raised, Repeated:
		return alarm + "."
	case Acknowledged:
		by := c.AcknowledgedBy
		if by == "" {
			by = "Somebody"
		}
		text := by + " has acknowledged the alarm at " + at + ". You need not."
		if c.State.Active() {
			text += " What it warns of still holds."
		}
		return text
	case Returned:
		text := "The condition at " + at + " is normal again. Follow the plant's plan before anyone takes that for safe."
		if c.State.Unanswered() {
			text += " Nobody has acknowledged the alarm: it is told on until a person does."
		}
		return text
	case Withheld:
		text := "The alarm at " + at + " is withheld: it is " + strings.ReplaceAll(string(c.State), "-", " ")
		if c.ShelvedUntil != nil {
			text += " until " + s.clock(*c.ShelvedUntil)
		}
		if c.WithheldBy != "" {
			text += ", by " + c.WithheldBy
		}
		if c.WithheldWhy != "" {
			text += ", because: " + strings.TrimRight(c.WithheldWhy, ". ")
		}
		return text + ". You hear of it again when that ends and it is still in alarm."
	default:
		return "The alarm at " + at + " has ended."
	}
}

// advise says what it means and what to do first.
func (s *Settings) advise(n *Notice, say func(string, ...any)) {
	c := &n.Condition
	if c.Consequence != "" {
		say("What it means: %s", c.Consequence)
	}
	if len(c.FirstAction) > 0 {
		within := ""
		if d, err := time.ParseDuration(c.RespondWithin); err == nil && d > 0 {
			within = ", within " + span(d)
		}
		lines := []string{"Do first" + within + ":"}
		for i, action := range c.FirstAction {
			lines = append(lines, strconv.Itoa(i+1)+". "+action)
		}
		say("%s", strings.Join(lines, "\n"))
	}
	if slices.Contains(c.FirstAction, informs) {
		say("Caution: %s", caution)
	} else {
		say("Caution: %s %s", informs, caution)
	}
}

// measured tells the value as it was measured, or that there is none.
func measured(c *alarms.Condition) string {
	var parts []string
	switch {
	case c.Value != nil:
		parts = append(parts, "Value "+number(*c.Value, c.Unit))
	case c.Limit != nil:
		parts = append(parts, "Value not known")
	}
	if c.Limit != nil {
		parts = append(parts, "limit "+number(*c.Limit, c.Unit))
	}
	quality, why, _ := strings.Cut(c.Quality, ":")
	if quality == "" {
		quality = "unknown"
	}
	text := "reading " + quality
	if why != "" {
		text += " (" + strings.ReplaceAll(why, "-", " ") + ")"
	}
	parts = append(parts, text)
	text = strings.Join(parts, ", ") + "."
	return strings.ToUpper(text[:1]) + text[1:]
}

// number writes a value with at most three decimals.
func number(v float64, unit string) string {
	t := strconv.FormatFloat(v, 'f', 3, 64)
	t = strings.TrimSuffix(strings.TrimRight(t, "0"), ".")
	if unit == "" || unit == "1" {
		return t
	}
	return t + " " + unit
}

// evidence tells what else speaks, so that one look decides.
func evidence(c *alarms.Condition, say func(string, ...any)) {
	if c.Vote != "" {
		say("Vote: %s. T shows gas, N shows none, B cannot be trusted.", c.Vote)
	}
	if c.Evidence != "" {
		say("What else speaks: %s.", c.Evidence)
	}
}

// acknowledging says how to end the telling, and what that does not do.
func (s *Settings) acknowledging(n *Notice) string {
	c := &n.Condition
	how := s.HowToAcknowledge
	if how == "" {
		how = "Send the order acknowledge over MQTT, topic ebbwatch/v1/" + s.Site + "/order/acknowledge."
	}
	text := fmt.Sprintf("To acknowledge alarm %s, episode %d: %s That says that you take it on. It changes nothing at the plant.", c.Alarm, c.Episode, how)
	plan := s.Plans[c.Priority]
	var then []string
	if n.Step < len(plan.Steps) {
		if next := names(plan.Steps[n.Step].Persons); next != "" {
			then = append(then, fmt.Sprintf("%s is told %s after the alarm began", next, span(plan.Steps[n.Step].After)))
		}
	}
	if plan.Repeat > 0 {
		then = append(then, fmt.Sprintf("after the last step everyone is told again every %s", span(plan.Repeat)))
	}
	if len(then) > 0 {
		text += " Until somebody does, " + strings.Join(then, "; ") + "."
	}
	return text
}

func names(ps []Person) string {
	var all []string
	for _, p := range ps {
		all = append(all, p.Name)
	}
	return strings.Join(all, " and ")
}

// clock is a time at the plant.
func (s *Settings) clock(t time.Time) string {
	return t.In(s.Zone).Format("15:04 MST on Mon 2 Jan 2006")
}

// span is a duration in words.
func span(d time.Duration) string {
	count := func(n int64, unit string) string {
		if n == 1 {
			return "1 " + unit
		}
		return fmt.Sprintf("%d %ss", n, unit)
	}
	d = d.Round(time.Second)
	h, m, sec := int64(d/time.Hour), int64(d%time.Hour/time.Minute), int64(d%time.Minute/time.Second)
	switch {
	case h > 0 && m > 0:
		return count(h, "hour") + " " + count(m, "minute")
	case h > 0:
		return count(h, "hour")
	case m > 0 && sec > 0 && m < 5:
		return count(m, "minute") + " " + count(sec, "second")
	case m > 0:
		return count(m, "minute")
	}
	return count(sec, "second")
}
