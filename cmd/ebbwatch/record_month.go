package main

import (
	"fmt"
	"strings"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/record"
	"ebbwatch/alarms"
)

// column is one item of each day.
type column struct {
	head     string
	quantity plant.Quantity
}

// monthTables are the columns of a month, by the kind of owner. The letters are
// those of 40 CFR 141.75: (b)(2) asks them of filtered supplies, (a)(2) of others
// (from memory: compare with the State's form).
var monthTables = []struct {
	kind    plant.Kind
	title   string
	columns []column
}{
	{plant.EntryKind, "141.75(a)(2)(i), (b)(2)(i): lowest residual of each day entering the distribution system, at %s", []column{
		{"LOWEST mg/L", record.LowestResidual}, {"UNDER LEAST min", record.TimeUnder}, {"LONGEST h", record.LongestUnder},
	}},
	{plant.TrainKind, "141.75(a)(2)(vi) and (vii): inactivation of each day, train %s", []column{
		{"CT/CT99.9", record.Simultaneous + record.DayCTRatio}, {"RATIO AT PEAK", record.Simultaneous + record.DayRatio}, {"RATIO BY EXTREMES", record.Extremes + record.DayRatio},
		{"LOG GIARDIA", record.Simultaneous + record.DayGiardia}, {"BY EXTREMES", record.Extremes + record.DayGiardia},
		{"LOG VIRUS", record.Simultaneous + record.DayVirus}, {"BY EXTREMES", record.Extremes + record.DayVirus},
	}},
	{plant.SegmentKind, "141.75(a)(2)(iii) to (vi): values at the end of the peak hour of each day, segment %s", []column{
		{"PEAK FLOW", record.PeakFlow}, {"RESIDUAL mg/L", record.Simultaneous + record.DayResidual}, {"T10 min", record.Simultaneous + record.DayT10},
		{"PH", record.Simultaneous + record.DayPH}, {"TEMP degC", record.Simultaneous + record.DayTemperature},
		{"CT", record.Simultaneous + record.DayCT}, {"CT REQUIRED", record.Simultaneous + record.DayCTGiardia}, {"CT/CT99.9", record.Simultaneous + record.DayCTRatio},
		{"LOG GIARDIA", record.Simultaneous + record.DayGiardia}, {"LOG VIRUS", record.Simultaneous + record.DayVirus},
		{"RATIO", record.Simultaneous + record.DayRatio}, {"RATIO BY EXTREMES", record.Extremes + record.DayRatio}, {"LOWEST RATIO", record.LowestRatio},
	}},
	{plant.PointKind, "Lowest residual of each day, at %s", []column{{"LOWEST mg/L", "lowest"}}},
	{plant.BankKind, "Chlorine of bank %s", []column{
		{"USED", record.Used}, {"FED", record.FedByFeed}, {"UNACCOUNTED", record.UnaccountedFor}, {"WATER", record.Water}, {"DOSE mg/L", record.DoseOfDay},
		{"CHANGED", record.ContainersChanged}, {"LOWEST NET", record.LowestWeight},
	}},
	{plant.RoomKind, "Air of %s", []column{{"HIGHEST GAS ppm", record.HighestGas}, {"TRIPS", record.Trips}, {"SECOND LEVEL", record.SecondTrips}}},
	{record.AlarmsKind, "Calls for people by priority, and the health of the alarm system over 30 days, of the %s", []column{
		{"CRITICAL", plant.Quantity(alarms.Critical)}, {"HIGH", plant.Quantity(alarms.High)}, {"MEDIUM", plant.Quantity(alarms.Medium)}, {"LOW", plant.Quantity(alarms.Low)},
		{"PER HOUR", "per-hour"}, {"PEAK 10 MIN", "peak-10min"}, {"FLOOD", "time-in-flood"}, {"STALE", "stale"}, {"CHATTERING", "chattering"},
	}},
}

// month lays out what a State's form asks.
func (v *viewer) month(m record.Month) sheet {
	s := v.head("month " + m.Month)
	over := "The month is over."
	if !m.Over {
		over = "The month is not over."
	}
	s.Lines = append(s.Lines, fmt.Sprintf("%s There is a record of %d days.", over, len(m.Days)))
	if len(m.Missing) > 0 {
		s.Lines = append(s.Lines, "There is none of "+strings.Join(m.Missing, ", ")+".")
	}
	s.Lines = append(s.Lines,
		"Of each day COVERED is the share of which the values are known; * is corrected, see below. What was not measured is not known: it is neither met nor missed.",
		"What counts for compliance, and what has to be told to whom and when, is for the licensed operator and the State to judge.")
	req := table{Title: "Requirements", Head: []string{"REQUIREMENT", "MET", "REASON", "SOURCE"}}
	for _, r := range m.Requirements {
		req.Rows = append(req.Rows, []string{r.What, string(r.Verdict), r.Reason, r.Source})
	}
	s.add(req)
	for _, mt := range monthTables {
		for _, owner := range owners(m.Days, mt.kind) {
			s.add(v.monthTable(m.Days, fmt.Sprintf(mt.title, owner), mt.kind, owner, mt.columns))
		}
	}
	under := v.periods(m.Periods)
	if len(m.Periods) == 0 {
		under.Rows = [][]string{append([]string{"none is recorded"}, make([]string, len(under.Head)-1)...)}
	}
	under.Title = "141.75(a)(2)(ii), (b)(2)(ii): date and duration of each period under the least residual, and when the State was notified"
	s.add(under)
	s.add(v.distribution())
	said := table{Title: "Grab samples and notes", Head: []string{"DAY", "TIME", "KIND", "BY", "TEXT"}}
	for i := range m.Days {
		for _, r := range m.Days[i].Remarks {
			if k := alarms.Verb(r.Kind); k == alarms.GrabSample || k == alarms.Note {
				said.Rows = append(said.Rows, []string{m.Days[i].Date, v.clock(r.Time), r.Kind, r.By, r.Text})
			}
		}
	}
	s.add(said)
	s.add(v.corrections(m.Days))
	s.Sign = true
	return s
}

// distribution is what ebbwatch cannot know, to be filled in by hand.
func (v *viewer) distribution() table {
	t := table{
		Title: "141.75(a)(2)(viii), (b)(2)(iii): samples of the distribution system taken with total coliforms; to be filled in from the laboratory's reports",
		Head:  []string{"ITEM", "NUMBER"},
	}
	for _, what := range []string{
		"(A) residual measured", "(B) residual not measured, heterotrophic plate count measured",
		"(C) residual measured and not detected, no plate count", "(D) residual not detected, plate count over 500/mL",
		"(E) residual not measured, plate count over 500/mL", "(F) V = 100 x (C + D + E) / (A + B), in %, this month and the last",
	} {
		t.Rows = append(t.Rows, []string{what, "________"})
	}
	return t
}

// owners lists whose items of a kind the days have, in their order.
func owners(days []record.Entered, kind plant.Kind) []string {
	var out []string
	seen := map[string]bool{}
	for i := range days {
		for j := range days[i].Items {
			if k, owner, _ := days[i].Items[j].Split(); k == string(kind) && !seen[owner] {
				seen[owner] = true
				out = append(out, owner)
			}
		}
	}
	return out
}

// monthTable has a row for each day, and says how much of it the first column is
// known for. A column in a unit of the site names it in its head.
func (v *viewer) monthTable(days []record.Entered, title string, kind plant.Kind, owner string, columns []column) table {
	t := table{Title: title, Head: []string{"DAY"}}
	var there []column // a bank without a feed signal has no such columns
	for _, c := range columns {
		i, found := find(days, plant.Name(kind, owner, c.quantity))
		if !found {
			continue
		}
		there = append(there, c)
		head := c.head
		if !strings.HasSuffix(head, unit(i.Unit)) && unit(i.Unit) != "pH" {
			head += " " + unit(i.Unit)
		}
		t.Head = append(t.Head, strings.TrimSpace(head))
	}
	t.Head = append(t.Head, "COVERED")
	for i := range days {
		d := &days[i]
		row, covered := []string{d.Date}, 1.0
		if d.Present {
			row[0] += " so far"
		}
		for _, c := range there {
			it, by := d.Holds(plant.Name(kind, owner, c.quantity))
			row = append(row, amount(it, by != nil))
			if it != nil {
				covered = min(covered, it.Covered)
			} else {
				covered = 0
			}
		}
		t.Rows = append(t.Rows, append(row, percent(covered)))
	}
	return t
}

// find returns the first item of a name.
func find(days []record.Entered, name string) (*record.Item, bool) {
	for i := range days {
		if it := days[i].Item(name); it != nil {
			return it, true
		}
	}
	return nil, false
}
