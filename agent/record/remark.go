package record

import (
	"fmt"
	"unicode/utf8"

	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
)

// note keeps what a transition tells the next shift, and returns a correction.
func (r *Recorder) note(t *alarms.Transition) *Correction {
	d := &r.day
	if t.Annunciate {
		d.ByPriority[string(t.After.Priority)]++
	}
	remark := Remark{Time: t.Time.UTC(), Text: t.After.What}
	room := &d.Said
	limit := maxSaid
	switch o := t.Order; {
	case o != nil && o.Result != alarms.Done:
		return nil
	case o != nil && o.Correction != nil:
		c := o.Correction
		return &Correction{Order: o.ID, Time: t.Time.UTC(), By: o.By, Role: o.Role, Date: c.Date, Item: c.Item, Value: c.Value, Unit: c.Unit, Why: o.Reason}
	case o != nil:
		remark.Kind, remark.By = string(o.Verb), o.By
		if t.After.Alarm != alarms.Site {
			remark.Text = t.After.Alarm
			if o.Reason != "" {
				remark.Text += ": " + o.Reason
			}
		}
	case t.Cause == alarms.Recorded: // what the scales have told of containers
		remark.Kind = "container"
	case t.Annunciate && t.Cause == alarms.Raised:
		remark.Kind, room, limit = string(t.After.Priority), &d.Called, maxCalled
	default:
		return nil
	}
	if *room >= limit {
		d.Unsaid++
	} else {
		*room++
		remark.Text = cut(remark.Text)
		d.Remarks = append(d.Remarks, remark)
	}
	return nil
}

// cut shortens a text to whole characters.
func cut(s string) string {
	if len(s) <= maxText {
		return s
	}
	s = s[:maxText]
	for !utf8.ValidString(s) {
		s = s[:len(s)-1]
	}
	return s + "…"
}

// AlarmsKind is the owner of how much the alarms asked of people.
const AlarmsKind plant.Kind = "alarms"

// alarmItems count the calls of the day, and show the health of the alarm system
// over the last 30 days as it stood at the end.
func (r *Recorder) alarmItems() []Item {
	d := &r.day
	var items []Item
	add := func(q string, v float64, unit, detail string) {
		items = append(items, Item{Name: plant.Name(AlarmsKind, alarms.Site, plant.Quantity(q)), Value: &v, Unit: unit, Covered: r.share(d.Watched), Detail: detail})
	}
	for _, p := range alarms.Priorities {
		add(string(p), float64(d.ByPriority[string(p)]), "1", "calls for people, new and repeated")
	}
	p := &d.Performance
	over := fmt.Sprintf("over %.1f days", p.Watched.Hours()/24)
	flood := 0.0
	if p.Watched > 0 {
		flood = 100 * p.TimeInFlood.Seconds() / p.Watched.Seconds()
	}
	add("per-hour", p.PerHour, "1", over+"; about 6 are acceptable, 12 the most")
	add("peak-10min", float64(p.Peak), "1", over+"; over 10 are too many")
	add("time-in-flood", flood, "%", over+"; under 1 %")
	add("top-ten-share", 100*p.TopShare, "%", over+"; over 5 % ask for a clean-up")
	add("standing", float64(p.Standing), "1", "at the end")
	add("stale", float64(p.Stale), "1", "standing for over 24 h, at the end; under 5")
	add("chattering", float64(len(p.Chattering)), "1", "at the end")
	add("withheld", float64(p.Withheld), "1", "at the end")
	return items
}
