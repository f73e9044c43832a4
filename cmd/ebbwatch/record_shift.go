package main

import (
	"fmt"
	"time"

	"ebbwatch/agent/record"
	"ebbwatch/alarms"
)

// shift is what the next shift must know.
type shift struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Written is when the present state was written, zero when there is none.
	Written time.Time `json:"written,omitzero"`
	// Standing are the alarms that were not normal then.
	Standing []alarms.Condition `json:"standing"`
	Remarks  []record.Remark    `json:"remarks"`
	Periods  []record.Period    `json:"periods_under_the_least_residual"`
	// Unsaid is how many remarks had no room in the record of the days.
	Unsaid int              `json:"unsaid"`
	Days   []record.Entered `json:"days"`
}

func (v *viewer) shift(p *present, long time.Duration) shift {
	s := shift{From: v.now.Add(-long), To: v.now, Standing: []alarms.Condition{}, Remarks: []record.Remark{}, Periods: []record.Period{}}
	if p != nil {
		s.Written, s.Standing = p.Written, p.Standing
	}
	for _, d := range v.book.Days {
		if !d.To.After(s.From) || !d.From.Before(s.To) {
			continue
		}
		s.Days = append(s.Days, d)
		s.Unsaid += d.Unsaid
		for _, r := range d.Remarks {
			if !r.Time.Before(s.From) {
				s.Remarks = append(s.Remarks, r)
			}
		}
		for _, p := range d.Periods {
			if p.To.After(s.From) {
				s.Periods = append(s.Periods, p)
			}
		}
	}
	return s
}

// shiftSheet shows it: first what is not normal, then what was said and done.
func (v *viewer) shiftSheet(s shift) sheet {
	out := v.head(fmt.Sprintf("shift from %s to %s", v.stamp(s.From), v.stamp(s.To)))
	switch age := v.now.Sub(s.Written); {
	case s.Written.IsZero():
		out.Lines = append(out.Lines, "Nothing is known of the present: ebbwatch run has not written here yet.")
	case age > 2*presentEvery:
		out.Lines = append(out.Lines, fmt.Sprintf("THE PRESENT STATE IS OLD: it was written at %s. Is ebbwatch running?", v.stamp(s.Written)))
	default:
		out.Lines = append(out.Lines, fmt.Sprintf("As of %s; the page shows it live. Acknowledged means that somebody knew, not that it is mended.", v.stamp(s.Written)))
	}
	standing := table{Title: "Not normal", Head: []string{"PRIORITY", "STATE", "SINCE", "WHAT", "BY"}}
	for _, p := range alarms.Priorities {
		for _, c := range s.Standing {
			if c.Priority != p {
				continue
			}
			by, what := c.AcknowledgedBy, c.What
			if c.State.Withheld() {
				by, what = c.WithheldBy, what+" Withheld: "+c.WithheldWhy
				if c.ShelvedUntil != nil {
					what += " until " + v.stamp(*c.ShelvedUntil)
				}
			}
			standing.Rows = append(standing.Rows, []string{string(c.Priority), string(c.State), v.stamp(c.Since), what, by})
		}
	}
	if len(standing.Rows) == 0 && !s.Written.IsZero() {
		out.Lines = append(out.Lines, "Every alarm was normal.")
	}
	out.add(standing)
	out.add(v.periods(s.Periods))
	said := table{Title: "What was said, done and called", Head: []string{"TIME", "KIND", "BY", "TEXT"}}
	for _, r := range s.Remarks {
		said.Rows = append(said.Rows, []string{v.stamp(r.Time), r.Kind, r.By, r.Text})
	}
	out.add(said)
	if s.Unsaid > 0 {
		out.After = append(out.After, fmt.Sprintf("%d more remarks of these days are in the events of the journal alone.", s.Unsaid))
	}
	figures := table{Title: "The days of this shift", Head: []string{"DAY", "OF", "WHAT", "VALUE", "UNIT", "AT", "COVERED"}}
	for i := range s.Days {
		d := &s.Days[i]
		for j := range d.Items {
			kind, owner, quantity := d.Items[j].Split()
			if !handedOver[quantity] {
				continue
			}
			it, c := d.Holds(d.Items[j].Name)
			figures.Rows = append(figures.Rows, []string{d.Date, kind + " " + owner, quantity, amount(it, c != nil), unit(it.Unit), v.clock(it.At), percent(it.Covered)})
		}
	}
	out.add(figures)
	return out
}

// handedOver are the quantities that a shift wants to know of its days.
var handedOver = map[string]bool{
	string(record.LowestResidual): true, string(record.TimeUnder): true, string(record.Extremes + record.DayRatio): true,
	string(record.HighestGas): true, string(record.Trips): true, "used": true, "containers-changed": true,
}
