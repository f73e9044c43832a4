package record

import (
	"fmt"
	"strings"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
)

// Verdict is whether a requirement was met.
type Verdict string

// The verdicts. What is not known is not met, and not missed either: a person has
// to find out.
const (
	Yes      Verdict = "yes"
	No       Verdict = "no"
	NotKnown Verdict = "not known"
)

// Requirement is one that a month has to meet.
type Requirement struct {
	What    string  `json:"what"`
	Source  string  `json:"source"`
	Verdict Verdict `json:"verdict"`
	// Reason names the days that decide, or what is not known.
	Reason string `json:"reason"`
}

// Month is the summary of a month.
type Month struct {
	Month string `json:"month"` // 2026-05
	// Over: the month has ended.
	Over bool      `json:"over"`
	Days []Entered `json:"days"`
	// Missing are the dates of which there is no record at all, those in a row as
	// first to last; MissingDays is their number.
	Missing     []string `json:"missing,omitempty"`
	MissingDays int      `json:"missing_days,omitempty"`
	// Periods are those under the least residual, whole over midnight.
	Periods      []Period      `json:"periods,omitempty"`
	Requirements []Requirement `json:"requirements"`
}

// Rules are what a month is judged by.
type Rules struct {
	EntryPoints []plant.EntryPoint
	// Trains owe the inactivation of the site; without any, each segment owes its
	// own.
	Trains   []Train
	Segments []string
}

// Train is one with what the month needs to know of it.
type Train struct {
	Name string
	// Unfiltered: 40 CFR 141.72(a)(1) excepts one day of a month.
	Unfiltered bool
}

// enough is the share of a day that must be known for the day to count as
// recorded (own choice, that of an hour in agent/contact; no rule says it).
const enough = 0.9

// Summary judges a month of the book, at a time in the site's zone.
func (b *Book) Summary(year int, month time.Month, rules Rules, now time.Time) Month {
	first := time.Date(year, month, 1, 0, 0, 0, 0, now.Location())
	m := Month{Month: first.Format("2006-01"), Days: b.Month(year, month)}
	end := first.AddDate(0, 1, 0)
	m.Over = !now.Before(end)
	have := map[string]bool{}
	for _, d := range m.Days {
		have[d.Date] = true
	}
	var row []string // of missing dates, one after the other
	for day := first; ; day = day.AddDate(0, 0, 1) {
		date, counts := day.Format(DateLayout), day.Before(end) && day.Before(now)
		if counts && !have[date] {
			row = append(row, date)
			continue
		}
		switch n := len(row); {
		case n == 1:
			m.Missing = append(m.Missing, row[0])
		case n > 1:
			m.Missing = append(m.Missing, row[0]+" to "+row[n-1])
		}
		m.MissingDays += len(row)
		if row = nil; !counts {
			break
		}
	}
	m.Periods = join(m.Days)
	for _, e := range rules.EntryPoints {
		m.Requirements = append(m.Requirements, m.residual(e))
	}
	for _, t := range rules.Trains {
		allowed, source := 0, "40 CFR 141.72(b)(1), with what disinfection owes behind the filtration: ask your State"
		if t.Unfiltered {
			allowed, source = 1, "40 CFR 141.72(a)(1), 141.74(b)(3) and (4): every day but any one of a month (from memory)"
		}
		m.Requirements = append(m.Requirements, m.inactivation(plant.TrainKind, t.Name, allowed, source))
	}
	if len(rules.Trains) == 0 {
		for _, s := range rules.Segments {
			m.Requirements = append(m.Requirements, m.inactivation(plant.SegmentKind, s, 0, "what the site file says that the segment owes: ask your State"))
		}
	}
	return m
}

// residual: never longer under the least than the rule allows.
func (m *Month) residual(e plant.EntryPoint) Requirement {
	source := "40 CFR 141.72(a)(2) and (b)(2)"
	if e.Residual.Least != contact.SurfaceWaterRule.Least {
		source = "40 CFR 141.404(c) with the least residual of the State"
	}
	f := finding{Requirement: Requirement{
		What:   fmt.Sprintf("%s: the residual was never under %g mg/L for more than %g h", e.Point, e.Residual.Least, e.Residual.Allowed.Hours()),
		Source: source,
	}}
	for i := range m.Days {
		d := &m.Days[i]
		longest, c := d.Holds(plant.Name(plant.EntryKind, e.Point, LongestUnder))
		lowest, _ := d.Holds(plant.Name(plant.EntryKind, e.Point, LowestResidual))
		switch {
		case longest == nil || longest.Value == nil:
			f.unknown(d, "nothing")
		case *longest.Value > e.Residual.Allowed.Hours():
			f.missed(d, fmt.Sprintf("%.1f h", *longest.Value))
		case c == nil && (lowest == nil || lowest.Covered < enough) && !d.Present:
			share := 0.0
			if lowest != nil {
				share = lowest.Covered
			}
			f.unknown(d, fmt.Sprintf("%.0f %%", 100*share))
		}
	}
	return f.judge(m, 0)
}

// inactivation: the ratio of each day is 1 or more. Of the two readings of the
// rule the stricter one judges; the other one is told.
func (m *Month) inactivation(kind plant.Kind, name string, allowed int, source string) Requirement {
	f := finding{Requirement: Requirement{
		What:   name + ": the inactivation ratio was 1 or more each day, each extreme of the day by itself",
		Source: source,
	}}
	other := 0
	for i := range m.Days {
		d := &m.Days[i]
		strict, c := d.Holds(plant.Name(kind, name, Extremes+DayRatio))
		peak, _ := d.Holds(plant.Name(kind, name, Simultaneous+DayRatio))
		if peak != nil && peak.Value != nil && *peak.Value < 1 {
			other++
		}
		switch {
		case strict == nil || strict.Value == nil:
			if !d.Present {
				f.unknown(d, "nothing")
			}
		case *strict.Value < 1:
			f.missed(d, fmt.Sprintf("%.2f", *strict.Value))
		case c == nil && strict.Covered < enough && !d.Present:
			f.unknown(d, fmt.Sprintf("%.0f %%", 100*strict.Covered))
		}
	}
	r := f.judge(m, allowed)
	if r.Verdict == No {
		r.Reason += fmt.Sprintf("; with the values at the end of the peak hour %s under 1", days(other))
	}
	return r
}

// finding gathers the days that decide.
type finding struct {
	Requirement
	bad, dark []string
}

func (f *finding) missed(d *Entered, value string) {
	f.bad = append(f.bad, d.Date+" ("+value+")")
}

func (f *finding) unknown(d *Entered, share string) {
	f.dark = append(f.dark, d.Date+" ("+share+")")
}

// judge makes the verdict: with more bad days than allowed no, else with dark days
// or an open month not known.
func (f *finding) judge(m *Month, allowed int) Requirement {
	for _, dates := range m.Missing {
		f.dark = append(f.dark, dates+" (nothing)")
	}
	bad := ""
	if len(f.bad) > 0 {
		bad = days(len(f.bad)) + " not so: " + strings.Join(f.bad, ", ")
	}
	switch {
	case len(f.bad) > allowed:
		f.Verdict, f.Reason = No, bad
	case len(f.dark) > 0:
		f.Verdict, f.Reason = NotKnown, fmt.Sprintf("too little is known of %s; under %.0f %% a day does not count as recorded", strings.Join(f.dark, ", "), 100*enough)
	case len(m.Days) == 0:
		f.Verdict, f.Reason = NotKnown, "there is no record of the month"
	case !m.Over:
		f.Verdict, f.Reason = NotKnown, "so far yes, but the month is not over"
	default:
		f.Verdict, f.Reason = Yes, "on all "+days(len(m.Days))
	}
	if f.Verdict != No && bad != "" {
		f.Reason += "; " + bad + ", and one such day of a month is excepted"
	}
	return f.Requirement
}

func days(n int) string {
	if n == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}
