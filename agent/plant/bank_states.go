package plant

import (
	"fmt"
	"strings"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
)

// The states of a bank. Each is 1 while something is wrong; the words complete the
// sentence that begins with the bank.

// movedFor is how long a weight that moved at once is told of (own choice).
const movedFor = time.Hour

// state is 1 when it is so. A state that is not known is bad.
func state(on bool, q reading.Quality, words func() string) told {
	t := told{Value: exactly(0)}
	t.Quality = q
	if on {
		t.Value.Value, t.detail = 1, words()
	}
	return t
}

// raised is a state that the balance raises. It stays raised while the balance is
// blind, and is then uncertain.
func raised(at time.Time, watched reading.Quality, words func() string) told {
	on := !at.IsZero()
	if on && !watched.Usable() {
		watched = reading.UncertainBecause(watched.Reason)
	}
	return state(on, watched, words)
}

func amount(u units.Unit, si float64) string { return short(u.FromSI(si)) + " " + u.Symbol }

// short writes a number for a sentence, with no more digits than a scale has.
func short(v float64) string {
	if v < 10 && v > -10 {
		return fmt.Sprintf("%.1f", v)
	}
	return fmt.Sprintf("%.0f", v)
}

// around is an amount with its interval.
func around(u units.Unit, v supply.Value) string {
	return fmt.Sprintf("%s (%s to %s)", amount(u, v.Value), short(u.FromSI(v.Low)), short(u.FromSI(v.High)))
}

func (b *bank) when(t time.Time) string { return t.In(b.book.zone).Format("2 January at 15:04") }

func (b *bank) unaccounted(s *bankStep) told {
	return raised(s.Balance.Leak, s.Balance.Watched, func() string {
		var lost []string
		if v := s.Balance.LossHour; v.Quality.Usable() {
			lost = append(lost, around(b.shown.MassFlow, v)+" over the last hour")
		}
		if v := s.Balance.LossDay; v.Quality.Usable() {
			lost = append(lost, around(b.shown.Mass, v)+" in 24 h")
		}
		words := "loses chlorine that no feed explains, seen since " + b.when(s.Balance.Leak)
		if len(lost) > 0 {
			words += ": " + strings.Join(lost, ", ")
		}
		return words + "; a release of " + amount(b.shown.Mass, float64(b.Reportable)) + " in 24 h has to be reported"
	})
}

// lossReportable is so when a loss is surely over what has to be reported: the low
// end of its interval, so that an error of the dose is no release.
func (b *bank) lossReportable(s *bankStep) told {
	v := s.Balance.LossDay
	return state(v.Quality.Usable() && v.Low >= float64(b.Reportable), reading.Worst(v.Quality, s.fed), func() string {
		return "lost " + around(b.shown.Mass, v) + " in 24 h that no feed explains, over the " + amount(b.shown.Mass, float64(b.Reportable)) + " whose release has to be reported"
	})
}

func (b *bank) feedLost(s *bankStep) told {
	t := raised(s.Balance.FeedLost, s.Balance.Watched, func() string {
		words := "gives no chlorine although it should, since " + b.when(s.Balance.FeedLost)
		if s.Feed.Quality.Usable() {
			words += ": the feed signal says " + amount(b.shown.MassFlow, s.Feed.Value) + ", and the weight stands still"
		}
		return words
	})
	t.evidence = b.headerSays(s)
	return t
}

func (b *bank) overdrawn(s *bankStep) told {
	empty := s.TimeToEmpty.Quality.Usable() && s.TimeToEmpty.Value <= 0 // which cannot be overdrawn
	known := reading.Worst(s.Limit.Quality, s.RateQuarter.Quality, s.valves)
	if empty {
		known = s.TimeToEmpty.Quality
	}
	t := state(!s.Balance.OverLimit.IsZero() && !empty, known, func() string {
		return fmt.Sprintf("is drawn at %s over the last quarter of an hour, and its containers can give off %s",
			around(b.shown.MassFlow, s.RateQuarter), amount(b.shown.MassFlow, s.Limit.Value))
	})
	if t.Value.Value != 0 && !t.Quality.Usable() { // it stays raised while it cannot be seen
		t.Quality, t.detail = reading.UncertainBecause(t.Quality.Reason), "was drawn faster than its containers can give off gas when that was last known"
	}
	t.evidence = b.headerSays(s)
	return t
}

func (b *bank) headerSays(s *bankStep) string {
	if b.header == none || !s.header.Quality.Usable() {
		return ""
	}
	return fmt.Sprintf("the header is at %s, and the regulator needs %s", amount(pressure, s.header.Value), amount(pressure, float64(b.HeaderNeeded)))
}

var pressure = units.MustParse("psig")

func (b *bank) headerLow(s *bankStep) told {
	q := s.header.Quality
	return state(q.Usable() && s.header.Value < float64(b.HeaderNeeded), q, func() string {
		return fmt.Sprintf("has %s in its header, under the %s that the regulator needs", amount(pressure, s.header.Value), amount(pressure, float64(b.HeaderNeeded)))
	})
}

// each tells of the containers that something is so of.
func (b *bank) each(s *bankStep, so func(*supply.ContainerResult) bool) string {
	var names []string
	for i := range s.Containers {
		if so(&s.Containers[i]) {
			names = append(names, b.Settings.Containers[i].Name)
		}
	}
	return strings.Join(names, ", ")
}

func (b *bank) scaleStuck(s *bankStep) told {
	names := b.each(s, func(c *supply.ContainerResult) bool { return c.Stuck })
	return state(names != "", s.scales, func() string {
		return "has a scale that stands still while chlorine is drawn: " + names
	})
}

func (b *bank) containerOff(s *bankStep) told {
	names := b.each(s, func(c *supply.ContainerResult) bool { return c.Off })
	return state(names != "", s.scales, func() string {
		return "has nothing on a scale, or a scale that has failed: " + names
	})
}

func (b *bank) weightMoved(s *bankStep) told {
	on := b.moved.words != "" && s.now.Sub(b.moved.at) < movedFor
	return state(on, reading.GoodQuality(), func() string { return b.moved.words })
}

// tareDoubtful is so when a net weight cannot be, or when nobody has given the tare
// of another container.
func (b *bank) tareDoubtful(s *bankStep) told {
	var words []string
	for i := range s.Containers {
		c, name := &b.Settings.Containers[i], b.Settings.Containers[i].Name
		e := b.book.Present(name)
		switch {
		case s.Containers[i].TareWrong:
			words = append(words, "a net weight at "+name+" that no container can have")
		case e != nil && e.TareWrong:
			words = append(words, "a net weight at "+name+" that began above what the container can hold")
		case e != nil && c.Tare > 0 && e.Tare == 0 && !s.Containers[i].Off:
			words = append(words, fmt.Sprintf("another container at %s since %s whose tare nobody has given, so %s is taken", name, b.when(e.On), amount(b.shown.Mass, float64(c.Tare))))
		}
	}
	return state(len(words) > 0, reading.GoodQuality(), func() string { return "has " + strings.Join(words, ", and ") })
}

// soonest is how far ahead a changeover is told of (own choice).
const soonest = 72 * time.Hour

func (b *bank) changeover(s *bankStep) told {
	at := s.Supply.Changeover
	ahead := at.Sub(s.now)
	on := !at.IsZero() && !s.Supply.Staffed && ahead > 0 && ahead < soonest
	return state(on, s.TimeToEmpty.Quality, func() string {
		return "will be empty on " + b.when(at) + ", when nobody is on the site"
	})
}

func (b *bank) timeToOrder(s *bankStep) told {
	all, by := s.Supply.AllStock, s.Supply.OrderBy
	if all.Quality.Reason == reading.Learning {
		// The low end of a first guess would call for an order on every first day.
		return told{Value: unknown(reading.BadBecause(reading.Learning))}
	}
	if by.IsZero() {
		// Not known, or over a year away.
		v := exactly(supply.MaxTimeToEmpty)
		v.Quality = all.Quality
		return told{Value: v}
	}
	v := exactly(by.Sub(s.now).Seconds())
	v.Quality = all.Quality
	return told{Value: v, detail: "is that to the morning of " + by.In(b.book.zone).Format("Monday 2 January") + ", the last day on which an order comes in time"}
}

// frost tells from which rate on frost is expected.
func (b *bank) frost(s *bankStep) told {
	t := told{Value: within(s.Draw.FrostFrom, s.room.Quality, s.scales)}
	if t.Quality.Usable() {
		if s.Draw.Frost {
			t.detail = "is passed: frost on the containers is expected at this rate, and is no fault"
		} else {
			t.detail = "is not reached: frost on a container now would be a sign that it gives more than its part"
		}
	}
	return t
}
