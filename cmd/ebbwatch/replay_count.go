package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/alarms"
)

// maxCalls is how many times of calls are kept for each alarm.
const maxCalls = 1000

// callCount is how often one alarm called people.
type callCount struct {
	Annunciations int `json:"annunciations"`
	// PerDay is nil where less than a day was watched: of a whole one nothing is
	// known then.
	PerDay *float64 `json:"per_day"`
	// WorstDay is the local day with the most calls, WorstDayCalls how many it had.
	WorstDay      string `json:"worst_day,omitempty"`
	WorstDayCalls int    `json:"worst_day_annunciations"`
	// At are the times of the first calls.
	At []time.Time `json:"at"`

	last  time.Time
	today string
	calls int // today
}

func (t *callCount) add(at time.Time, zone *time.Location) {
	t.Annunciations++
	t.last = at
	if len(t.At) < maxCalls {
		t.At = append(t.At, at.UTC())
	}
	if day := at.In(zone).Format(time.DateOnly); day != t.today {
		t.today, t.calls = day, 0
	}
	if t.calls++; t.calls > t.WorstDayCalls {
		t.WorstDay, t.WorstDayCalls = t.today, t.calls
	}
}

// count is the tallies of one run.
type count struct {
	zone  *time.Location
	by    map[string]*callCount // alarm
	ranks map[string]*callCount // priority
	all   callCount
}

func newCount(zone *time.Location) *count {
	return &count{zone: zone, by: map[string]*callCount{}, ranks: map[string]*callCount{}}
}

func (c *count) add(ts []alarms.Transition) {
	for i := range ts {
		if t := &ts[i]; t.Annunciate {
			at(c.by, t.After.Alarm).add(t.Time, c.zone)
			at(c.ranks, string(t.After.Priority)).add(t.Time, c.zone)
			c.all.add(t.Time, c.zone)
		}
	}
}

func at(m map[string]*callCount, name string) *callCount {
	if m[name] == nil {
		m[name] = &callCount{}
	}
	return m[name]
}

// replayRow is one alarm, or all of one priority, under the site's own settings and
// under changed ones.
type replayRow struct {
	Alarm    string          `json:"alarm,omitempty"`
	Priority alarms.Priority `json:"priority,omitempty"`
	Site     callCount       `json:"site"`
	Changed  *callCount      `json:"changed,omitempty"`
}

// replaySummary is what --json prints.
type replaySummary struct {
	Site string    `json:"site"`
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	// Days is the time that was watched, Steps how often all was judged in it.
	Days    float64  `json:"days"`
	Steps   uint64   `json:"steps"`
	Starts  int      `json:"starts"`
	Missing uint64   `json:"missing"`
	Changes []string `json:"changes,omitempty"`
	// Alarms has every alarm, those that call most first.
	Alarms     []replayRow `json:"alarms"`
	Priorities []replayRow `json:"priorities"`
	All        replayRow   `json:"all"`
}

var priorities = []alarms.Priority{alarms.Critical, alarms.High, alarms.Medium, alarms.Low}

// summary sums one or two runs up.
func (p *replay) summary() replaySummary {
	first := p.runs[0]
	s := replaySummary{
		Site: p.site.Name, From: p.first.UTC(), To: p.last.UTC(), Days: p.watched.Hours() / 24, Steps: first.steps,
		Starts: first.runs, Missing: first.missed, Changes: p.changes,
	}
	row := func(alarm string, priority alarms.Priority, of func(*count) *callCount) replayRow {
		r := replayRow{Alarm: alarm, Priority: priority, Site: s.done(of(p.counts[0]))}
		if len(p.runs) > 1 {
			t := s.done(of(p.counts[1]))
			r.Changed = &t
		}
		return r
	}
	for _, a := range slices.Concat(selfAlarms(p.site, watching{}), first.rules) {
		s.Alarms = append(s.Alarms, row(a.Name, a.Priority, func(c *count) *callCount { return c.by[a.Name] }))
	}
	slices.SortStableFunc(s.Alarms, func(a, b replayRow) int { return b.most() - a.most() })
	for _, rank := range priorities {
		s.Priorities = append(s.Priorities, row("", rank, func(c *count) *callCount { return c.ranks[string(rank)] }))
	}
	s.All = row("", "", func(c *count) *callCount { return &c.all })
	return s
}

// done is a callCount as it is told.
func (s *replaySummary) done(t *callCount) callCount {
	out := callCount{At: []time.Time{}}
	if t != nil && t.Annunciations > 0 {
		out = *t
	}
	if s.Days >= 1 {
		perDay := float64(out.Annunciations) / s.Days
		out.PerDay = &perDay
	}
	return out
}

func (r replayRow) most() int {
	if r.Changed != nil {
		return max(r.Site.Annunciations, r.Changed.Annunciations)
	}
	return r.Site.Annunciations
}

// text prints the alarms that called people, most calls first.
func (s replaySummary) text(w io.Writer, zone *time.Location) error {
	clock := func(t time.Time) string { return t.In(zone).Format("2006-01-02 15:04:05") }
	fmt.Fprintf(w, "%s, %s to %s (%s), %.2f days watched, %d steps\n\n", s.Site, clock(s.From), clock(s.To), zone, s.Days, s.Steps)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	head := "ALARM\tPRIORITY\tCALLS\tA DAY\tWORST DAY\t"
	if s.All.Changed != nil {
		head += "|\tCALLS, CHANGED\tA DAY\tWORST DAY"
	} else {
		head += "FIRST\tLAST"
	}
	fmt.Fprintln(tw, head)
	cells := func(t callCount) string {
		perDay, worst := "-", "-"
		if t.PerDay != nil {
			perDay = fmt.Sprintf("%.2f", *t.PerDay)
		}
		if t.WorstDayCalls > 0 {
			worst = fmt.Sprintf("%d on %s", t.WorstDayCalls, t.WorstDay)
		}
		return fmt.Sprintf("%d\t%s\t%s\t", t.Annunciations, perDay, worst)
	}
	line := func(name, priority string, r replayRow) {
		fmt.Fprintf(tw, "%s\t%s\t%s", name, priority, cells(r.Site))
		switch {
		case r.Changed != nil:
			fmt.Fprint(tw, "|\t"+cells(*r.Changed))
		case r.Site.Annunciations > 0:
			fmt.Fprintf(tw, "%s\t%s", clock(r.Site.At[0]), clock(r.Site.last))
		}
		fmt.Fprintln(tw)
	}
	quiet := 0
	for _, r := range s.Alarms {
		if r.most() == 0 {
			quiet++
			continue
		}
		line(r.Alarm, string(r.Priority), r)
	}
	for _, r := range s.Priorities {
		line("all", string(r.Priority), r)
	}
	line("all", "", s.All)
	if err := tw.Flush(); err != nil {
		return err
	}
	_, err := fmt.Fprintf(w, "\n%d alarms called nobody.\n%s", quiet, s.lost(clock))
	return err
}

// lost tells which alarms the changed settings silence, or let call later.
func (s replaySummary) lost(clock func(time.Time) string) string {
	if s.All.Changed == nil {
		return ""
	}
	b := &strings.Builder{}
	fmt.Fprintf(b, "\nChanged: %s.\n", strings.Join(s.Changes, "; "))
	for _, r := range s.Alarms {
		switch {
		case r.Site.Annunciations == 0:
		case r.Changed.Annunciations == 0:
			fmt.Fprintf(b, "With that %s never calls; as it is, it first called at %s. Was that worth a call?\n", r.Alarm, clock(r.Site.At[0]))
		case r.Changed.At[0].After(r.Site.At[0]):
			fmt.Fprintf(b, "With that %s first calls at %s, %s later.\n", r.Alarm, clock(r.Changed.At[0]), r.Changed.At[0].Sub(r.Site.At[0]).Round(time.Second))
		}
	}
	b.WriteString("Limits that a permit or a rule sets, and those of gas, are not for tuning.\n")
	return b.String()
}

// json prints all of it.
func (s replaySummary) json(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(s)
}

// csv prints a row for each alarm, each priority and all, under each of the settings.
func (s replaySummary) csv(w io.Writer) error {
	b := &strings.Builder{}
	b.WriteString("alarm,priority,settings,annunciations,per_day,worst_day,worst_day_annunciations,first,last\r\n")
	write := func(r replayRow, name string, t *callCount) {
		if t == nil {
			return
		}
		perDay, first, last := "", "", ""
		if t.PerDay != nil {
			perDay = strconv.FormatFloat(*t.PerDay, 'g', -1, 64)
		}
		if t.Annunciations > 0 {
			first, last = string(csvTime(nil, t.At[0])), string(csvTime(nil, t.last))
		}
		b.WriteString(strings.Join([]string{
			r.Alarm, string(r.Priority), name, strconv.Itoa(t.Annunciations), perDay, t.WorstDay, strconv.Itoa(t.WorstDayCalls), first, last,
		}, ",") + "\r\n")
	}
	for _, r := range slices.Concat(s.Alarms, s.Priorities, []replayRow{s.All}) {
		write(r, "site", &r.Site)
		write(r, "changed", r.Changed)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
