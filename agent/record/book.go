package record

import (
	"bytes"
	"cmp"
	"slices"
	"time"
)

// Book is the days of a record as they are read, corrections beside them.
type Book struct {
	// Days are in order. A zone that was changed makes two days of one date.
	Days []Entered
}

// Entered is a day with what was said about it later.
type Entered struct {
	Day
	// Corrections are in the order in which they were given; the last one about an
	// item holds.
	Corrections []Correction `json:"corrections,omitempty"`
	// Present: the day is not over.
	Present bool `json:"present,omitempty"`
}

// DateOf returns the date of a day as it is stored, without parsing all of it, and
// whether it is one.
func DateOf(entry []byte) (date string, isDay bool) {
	rest, ok := bytes.CutPrefix(entry, []byte(`{"day":{"date":"`))
	if !ok || len(rest) < len(DateLayout) {
		return "", false
	}
	return string(rest[:len(DateLayout)]), true
}

// NewBook sorts entries as they come from the store, in which one may stand twice.
// The present day may be nil; it is over when now is, though nobody has closed it.
func NewBook(entries []Entry, present *Day, now time.Time) *Book {
	b := &Book{}
	enter := func(d *Day, present bool) {
		// After a crash a day may have been closed twice: what was watched longer is
		// the better record of it.
		for i := range b.Days {
			if was := &b.Days[i]; was.From.Equal(d.From) && was.Date == d.Date {
				if d.Watched > was.Watched {
					was.Day, was.Present = *d, present
				}
				return
			}
		}
		b.Days = append(b.Days, Entered{Day: *d, Present: present})
	}
	for _, e := range entries {
		if e.Day != nil {
			enter(e.Day, false)
		}
	}
	if present != nil {
		enter(present, now.Before(present.To))
	}
	slices.SortStableFunc(b.Days, func(a, b Entered) int { return a.From.Compare(b.From) })
	given := map[string]bool{}
	for _, e := range entries {
		c := e.Correction
		if c == nil || given[c.Order] {
			continue
		}
		given[c.Order] = true
		for i := range b.Days {
			if b.Days[i].Date == c.Date {
				b.Days[i].Corrections = append(b.Days[i].Corrections, *c)
			}
		}
	}
	return b
}

// Month returns the days of a month.
func (b *Book) Month(year int, month time.Month) []Entered {
	prefix := time.Date(year, month, 1, 0, 0, 0, 0, time.UTC).Format("2006-01-")
	var out []Entered
	for _, d := range b.Days {
		if len(d.Date) == len(DateLayout) && d.Date[:len(prefix)] == prefix {
			out = append(out, d)
		}
	}
	return out
}

// Date returns the days of a date: one, or two where the zone was changed.
func (b *Book) Date(date string) []Entered {
	var out []Entered
	for _, d := range b.Days {
		if d.Date == date {
			out = append(out, d)
		}
	}
	return out
}

// Holds returns an item with the value that holds, and the correction that gave
// it, nil when there was none. The item is nil when the day has none of the name.
func (e *Entered) Holds(name string) (*Item, *Correction) {
	it := e.Item(name)
	if it == nil {
		return nil, nil
	}
	for i := len(e.Corrections) - 1; i >= 0; i-- {
		if c := &e.Corrections[i]; c.Item == name {
			held := *it
			held.Value, held.Unit, held.At = c.Value, c.Unit, time.Time{}
			held.Detail = "corrected by " + c.By
			return &held, c
		}
	}
	return it, nil
}

// join makes one of periods that go over midnight.
func join(days []Entered) []Period {
	var all []Period
	for i := range days {
		for _, p := range days[i].Periods {
			at := slices.IndexFunc(all, func(was Period) bool {
				return was.Point == p.Point && was.Open && p.From.Sub(was.To) <= gap && !p.From.Before(was.To)
			})
			if at < 0 {
				all = append(all, p)
				continue
			}
			was := &all[at]
			was.To, was.Open, was.Lowest = p.To, p.Open, min(was.Lowest, p.Lowest)
		}
	}
	slices.SortStableFunc(all, func(a, b Period) int { return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Point, b.Point)) })
	return all
}
