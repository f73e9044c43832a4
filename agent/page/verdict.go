package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// verdict is the whole plant in one sentence, for someone who has just woken up.
type verdict struct {
	// Level is well, attention (nothing is over a limit, but not all can be
	// trusted), alarm or unknown.
	Level string `json:"level"`
	// Priority is that of the alarm the sentence is about.
	Priority alarms.Priority `json:"priority,omitempty"`
	Alarm    string          `json:"alarm,omitempty"`
	Sentence string          `json:"sentence"`
	// First is what to do first, empty when there is nothing to do.
	First string `json:"first,omitempty"`
	// More counts the other alarms that stand.
	More int `json:"more"`
}

// The levels of a verdict.
const (
	well      = "well"
	attention = "attention"
	alarming  = "alarm"
	unknown   = "unknown"
)

// judge puts a snapshot into one sentence.
func judge(site *Site, s *agent.Snapshot) verdict {
	unread := len(s.Figures) == 0
	for i := range s.Figures {
		f := &s.Figures[i]
		unread = unread || f.Kind == plant.PointKind && f.Quality.Reason == reading.NotYetRead
	}
	var standing, blind, doubtful, kept []*alarms.Condition
	for i := range s.Conditions {
		switch c := &s.Conditions[i]; {
		case c.State.Withheld():
			kept = append(kept, c)
		case c.State != alarms.Normal:
			standing = append(standing, c)
		case strings.HasPrefix(c.Quality, "bad") && !unsampled(s, c):
			blind = append(blind, c)
		case strings.HasPrefix(c.Quality, "uncertain") && c.Quality != notDrawn:
			doubtful = append(doubtful, c)
		}
	}
	switch {
	case len(standing) > 0:
		return standingVerdict(standing)
	case unread:
		return verdict{Level: unknown, Sentence: "Ebbwatch has just started and has not yet read every instrument."}
	case len(blind) > 0 && !slices.ContainsFunc(blind, func(c *alarms.Condition) bool { return c.Quality != learning }):
		c := slices.MinFunc(blind, urgency)
		return verdict{
			Level: attention, Alarm: c.Alarm,
			Sentence: fmt.Sprintf("No alarm stands, but %s cannot be judged yet: %s", count(len(blind), "alarm"), c.What),
			First:    "Watch by hand what is not known yet. It comes by itself, with time.",
		}
	case len(blind) > 0:
		c := slices.MinFunc(blind, urgency)
		return verdict{
			Level: attention, Alarm: c.Alarm,
			Sentence: fmt.Sprintf("No alarm stands, but %s cannot be judged: %s", count(len(blind), "alarm"), c.What),
			First:    "Watch by hand what cannot be judged until its instrument is back.",
		}
	case len(kept) > 0:
		c := slices.MinFunc(kept, urgency)
		v := verdict{
			Level: attention, Alarm: c.Alarm,
			Sentence: fmt.Sprintf("No other alarm stands, but %s shelved or otherwise withheld from people: %s.", are(len(kept), "alarm"), c.Alarm),
			First:    "Watch by hand what is withheld, and bring it back as soon as the reason is gone.",
		}
		if c.Underlying.Active() {
			v.Sentence = fmt.Sprintf("%s is shelved or otherwise withheld from people although it is so: %s", c.Alarm, c.What)
		}
		return v
	case len(doubtful) > 0:
		c := slices.MinFunc(doubtful, urgency)
		return verdict{
			Level: attention, Alarm: c.Alarm,
			Sentence: fmt.Sprintf("No alarm stands, but the value of %s is in doubt: %s", count(len(doubtful), "alarm"), c.What),
		}
	}
	return verdict{Level: well, Sentence: "All is well" + outlook(site, s) + "."}
}

// unsampled reports whether an alarm waits for samples that people enter, and
// none has been: nothing that is watched has failed.
func unsampled(s *agent.Snapshot, c *alarms.Condition) bool {
	return c.Quality == reading.BadBecause(reading.Missing).String() && slices.ContainsFunc(s.Figures, func(f plant.Figure) bool {
		return f.Kind == plant.DistributionKind && f.Quality.Reason == reading.Missing && strings.HasPrefix(c.Alarm, f.Owner+"-")
	})
}

// learning is the quality of what needs a longer course than there is.
var learning = reading.BadBecause(reading.Learning).String()

// notDrawn is the quality of a time to empty while nothing is drawn: it is only a
// lower bound, and good news.
var notDrawn = reading.UncertainBecause(reading.NotDrawn).String()

func standingVerdict(standing []*alarms.Condition) verdict {
	c := slices.MinFunc(standing, urgency)
	v := verdict{Level: alarming, Priority: c.Priority, Alarm: c.Alarm, Sentence: c.What, More: len(standing) - 1}
	switch {
	case c.State.Active():
		if len(c.FirstAction) > 0 {
			v.First = c.FirstAction[0]
		}
	case c.State == alarms.LatchedUnacknowledged || c.State == alarms.LatchedAcknowledged:
		v.Sentence = "This alarm has gone by itself and waits to be reset: " + c.What
		v.First = "Find out why it came; a person resets it once the place is known to be safe."
	default:
		v.Sentence = "This alarm has gone by itself and nobody has acknowledged it: " + c.What
		v.First = "Find out why it came, then acknowledge it."
	}
	return v
}

// urgency puts first what a person should see first: what holds before what has
// gone, then by priority, then what nobody has answered, then the oldest.
func urgency(a, b *alarms.Condition) int {
	return cmp.Or(
		truth(holds(b), holds(a)),
		cmp.Compare(b.Priority.Rank(), a.Priority.Rank()),
		truth(b.State.Unanswered(), a.State.Unanswered()),
		a.Since.Compare(b.Since),
		cmp.Compare(a.Alarm, b.Alarm),
	)
}

// holds reports whether an alarm's condition is so, withheld or not.
func holds(c *alarms.Condition) bool { return c.State.Active() || c.Underlying.Active() }

func truth(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// outlook tells what a remote operator asks first: does it disinfect, and how
// long does the chlorine last. What is not known is left out.
func outlook(site *Site, s *agent.Snapshot) string {
	var parts []string
	var least, soonest *plant.Figure
	for i := range s.Figures {
		f := &s.Figures[i]
		switch {
		case !f.Quality.Usable():
		case f.Quantity == plant.InactivationRatio && counts(site, f) && (least == nil || f.Value < least.Value):
			least = f
		case f.Kind == plant.BankKind && f.Quantity == plant.TimeToEmpty && f.Quality.Level == reading.Good && (soonest == nil || f.Value < soonest.Value):
			soonest = f
		}
	}
	if least != nil {
		parts = append(parts, fmt.Sprintf("disinfection is at %.2f times what is required", least.Value))
	}
	if soonest != nil {
		at := s.Time.Add(time.Duration(soonest.Value * float64(time.Second))).In(site.zone())
		parts = append(parts, fmt.Sprintf("the chlorine of bank %s lasts until about %s", soonest.Owner, at.Format("15:04 on Monday, 2 January")))
	}
	if len(parts) == 0 {
		return ""
	}
	return ": " + strings.Join(parts, ", and ")
}

// counts reports whether a ratio is one that is owed: that of a train, or of a
// segment which is in none.
func counts(site *Site, f *plant.Figure) bool {
	return f.Kind == plant.TrainKind || f.Kind == plant.SegmentKind &&
		!slices.ContainsFunc(site.Trains, func(t Train) bool { return slices.Contains(t.Segments, f.Owner) })
}

func count(n int, what string) string {
	if n == 1 {
		return "one " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func are(n int, what string) string {
	if n == 1 {
		return "one " + what + " is"
	}
	return fmt.Sprintf("%d %ss are", n, what)
}
