package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/archive"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/record"
	"ebbwatch/config"
)

const recordUsage = `ebbwatch record shows what ebbwatch run wrote down of each day: residual, contact,
supply, gas, alarms, notes, and how much of the day each is known for. It only
reads, and runs beside the daemon; the present day is at most ten minutes old.

  ebbwatch record --site site.yaml
  ebbwatch record --site site.yaml --day 2026-05-03
  ebbwatch record --site site.yaml --month 2026-05 --format html > 2026-05.html
  ebbwatch record --site site.yaml --shift 12h

--month is what a State's form asks: the items of 40 CFR 141.75 by name, whether
each requirement was met and why, and a line to sign. It reports to nobody: what
counts, and when, is for the licensed operator to judge by the State's rules.

--format is table, csv, json or html; html prints well. Times are those of the
site. A day is never edited: the order correct adds what it should have been.
`

func runRecord(_ context.Context, args []string, stdout, stderr io.Writer) error {
	fs := flags("record")
	siteFile := fs.String("site", "", "the site `file`")
	day := fs.String("day", "", "one `day`, such as 2026-05-03; without it the present one")
	month := fs.String("month", "", "the summary of a `month`, such as 2026-05")
	shift := fs.Duration("shift", 0, "what the next shift must know of this long, such as 12h")
	format := fs.String("format", "table", "table, csv, json or html")
	asJSON := fs.Bool("json", false, "the same as --format json")
	if err := parse(fs, recordUsage, args, stdout); err != nil {
		return err
	}
	if *asJSON {
		*format = "json"
	}
	asked := 0
	for _, given := range []bool{*day != "", *month != "", *shift != 0} {
		if given {
			asked++
		}
	}
	switch {
	case asked > 1:
		return badInput{errors.New("--day, --month and --shift exclude each other: give one")}
	case !slices.Contains([]string{"table", "csv", "json", "html"}, *format):
		return badInput{fmt.Errorf("--format %q: expected table, csv, json or html", *format)}
	case *shift < 0 || *shift > 48*time.Hour:
		return badInput{fmt.Errorf("--shift %s: expected a time up to 48h, such as 12h", *shift)}
	case *shift > 0 && *format == "csv":
		return badInput{errors.New("--shift with --format csv: expected table, json or html, a shift is words")}
	}
	site, err := loadSite(*siteFile, "record")
	if err != nil {
		return err
	}
	return showRecord(site, asking{*day, *month, *shift, *format, time.Now()}, stdout, stderr)
}

// asking is what of a record is asked for.
type asking struct {
	day, month string
	shift      time.Duration
	format     string
	now        time.Time
}

func showRecord(site *config.Site, q asking, stdout, stderr io.Writer) error {
	first, last, err := q.span(site)
	if err != nil {
		return badInput{err}
	}
	kept, err := readRecord(site, first, last, q.now, stderr)
	if err != nil {
		return err
	}
	v := viewer{site: site, now: q.now.In(site.TimeZone), book: kept.book}
	if kept.present != nil {
		v.written = kept.present.Written
	}
	var sheet sheet
	var data any
	switch {
	case q.month != "":
		m := v.book.Summary(first.Year(), first.Month(), recordRules(site), v.now)
		if len(m.Days) == 0 {
			return fmt.Errorf("there is no record of %s in %s: %s", q.month, recordDir(site), kept.extent)
		}
		if q.format == "csv" {
			return writeDays(stdout, m.Days, site.TimeZone)
		}
		data, sheet = monthDocument{site.Name, site.Title, site.TimeZone.String(), v.now, m}, v.month(m)
	case q.shift > 0:
		sh := v.shift(kept.present, q.shift)
		data, sheet = sh, v.shiftSheet(sh)
	default:
		date := cmp.Or(q.day, v.now.Format(record.DateLayout))
		found := v.book.Date(date)
		if q.day == "" && len(found) == 0 && len(v.book.Days) > 0 { // a daemon that is stopped
			found = v.book.Days[len(v.book.Days)-1:]
		}
		if len(found) == 0 {
			return fmt.Errorf("there is no record of %s in %s: %s", date, recordDir(site), kept.extent)
		}
		if q.format == "csv" {
			return writeDays(stdout, found, site.TimeZone)
		}
		data, sheet = found, v.days(found)
	}
	switch q.format {
	case "json":
		e := json.NewEncoder(stdout)
		e.SetIndent("", "  ")
		return e.Encode(data)
	case "html":
		return sheet.html(stdout)
	}
	return sheet.text(stdout)
}

// monthDocument is the JSON of a month.
type monthDocument struct {
	Site     string    `json:"site"`
	Title    string    `json:"title"`
	TimeZone string    `json:"time_zone"`
	Made     time.Time `json:"made"`
	record.Month
}

// span reads the dates that were asked for.
func (q asking) span(site *config.Site) (first, last time.Time, err error) {
	in := func(layout, s, example string) (time.Time, error) {
		t, err := time.ParseInLocation(layout, s, site.TimeZone)
		if err != nil || t.Year() < 1970 {
			return t, fmt.Errorf("%q is no %s: expected one such as %s", s, map[bool]string{true: "month", false: "day"}[layout == "2006-01"], example)
		}
		return t, nil
	}
	switch {
	case q.month != "":
		first, err = in("2006-01", q.month, "2026-05")
		return first, first.AddDate(0, 1, 0), err
	case q.day != "":
		first, err = in(record.DateLayout, q.day, "2026-05-03")
		return first, first.AddDate(0, 0, 1), err
	}
	return q.now.Add(-q.shift), q.now, nil
}

// kept is what was found in the record of a site.
type kept struct {
	book    *record.Book
	present *present
	extent  string // from when to when there is a record, in words
	oldest  string
	newest  string
}

// readRecord reads the years that a span needs: corrections of a day may be in the
// file of a later year. What cannot be read is told and left out.
func readRecord(site *config.Site, first, last, now time.Time, stderr io.Writer) (kept, error) {
	c, err := archive.Read(recordDir(site), first.Year())
	if errors.Is(err, fs.ErrPermission) {
		err = fmt.Errorf("%w: ask as the user of the daemon, with sudo -u ebbwatch", err)
	}
	if err != nil {
		return kept{}, badInput{fmt.Errorf("the record of %s cannot be read: %w", site.Name, err)}
	}
	for _, fault := range c.Faults {
		fmt.Fprintln(stderr, "ebbwatch: left out of the record:", fault)
	}
	var entries []record.Entry
	k := kept{extent: fmt.Sprintf("there is none since %d; ebbwatch run writes it", first.Year())}
	from, to := first.In(site.TimeZone).Format(record.DateLayout), last.In(site.TimeZone).Format(record.DateLayout)
	for _, data := range c.Entries {
		// A year of days takes long to parse; those that nobody asked for are not.
		if date, isDay := record.DateOf(data); isDay {
			k.span(date)
			if date < from || date > to {
				continue
			}
		}
		var e record.Entry
		if err := json.Unmarshal(data, &e); err != nil {
			fmt.Fprintln(stderr, "ebbwatch: an entry is left out of the record:", err)
			continue
		}
		entries = append(entries, e)
	}
	var day *record.Day
	if c.Present != nil {
		k.present = &present{}
		if err := json.Unmarshal(c.Present, k.present); err != nil {
			fmt.Fprintln(stderr, "ebbwatch: the present day is left out of the record:", err)
			k.present = nil
		} else {
			day = k.present.Day
		}
	}
	if day != nil {
		k.span(day.Date)
	}
	if k.oldest != "" {
		k.extent = fmt.Sprintf("it goes from %s to %s", k.oldest, k.newest)
	}
	k.book = record.NewBook(entries, day, now)
	return k, nil
}

// span notes that there is a record of a date.
func (k *kept) span(date string) {
	if k.oldest == "" || date < k.oldest {
		k.oldest = date
	}
	k.newest = max(k.newest, date)
}

// recordRules are what a site's months are judged by.
func recordRules(site *config.Site) record.Rules {
	var ps plant.Settings
	water(site, &ps)
	rules := record.Rules{EntryPoints: ps.EntryPoints}
	for _, t := range site.Trains {
		rules.Trains = append(rules.Trains, record.Train{Name: t.Name, Unfiltered: t.Filtration == "none"})
	}
	for _, s := range site.Segments {
		rules.Segments = append(rules.Segments, s.Name)
	}
	return rules
}

// viewer lays a record out for people.
type viewer struct {
	site *config.Site
	now  time.Time
	book *record.Book
	// written is when the present day was, zero when there is none.
	written time.Time
}

func (v *viewer) clock(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(v.site.TimeZone).Format("15:04 MST")
}

// stamp is a time with its day.
func (v *viewer) stamp(t time.Time) string {
	return t.In(v.site.TimeZone).Format("2006-01-02 15:04 MST")
}

// head stands above every sheet.
func (v *viewer) head(what string) sheet {
	version, _ := build()
	return sheet{
		Title: cmp.Or(v.site.Title, v.site.Name) + ": " + what,
		Lines: []string{fmt.Sprintf("Site %s, time zone %s, made %s by ebbwatch %s.", v.site.Name, v.site.TimeZone, v.stamp(v.now), version)},
	}
}

// sections are the kinds of owners, in the order of a record.
var sections = []struct {
	kind  plant.Kind
	title string
}{
	{plant.EntryKind, "Entry points"}, {plant.PointKind, "Other residuals"}, {plant.TrainKind, "Disinfection, by train"}, {plant.SegmentKind, "Disinfection, by segment"},
	{plant.BankKind, "Chlorine"}, {plant.RoomKind, "Air"}, {record.AlarmsKind, "Alarms"},
}

// days shows whole days, one after the other.
func (v *viewer) days(days []record.Entered) sheet {
	s := v.head("record of " + days[0].Date)
	for i := range days {
		d := &days[i]
		s.Lines = append(s.Lines, v.daySpan(d))
		for _, section := range sections {
			t := table{Title: section.title, Head: []string{"OF", "WHAT", "VALUE", "UNIT", "AT", "COVERED", "HOW"}}
			for j := range d.Items {
				kind, owner, quantity := d.Items[j].Split()
				if kind != string(section.kind) {
					continue
				}
				it, c := d.Holds(d.Items[j].Name)
				t.Rows = append(t.Rows, []string{owner, quantity, amount(it, c != nil), unit(it.Unit), v.clock(it.At), percent(it.Covered), it.Detail})
			}
			s.add(t)
		}
		s.add(v.periods(d.Periods))
		s.add(v.remarks(d))
	}
	s.add(v.corrections(days))
	return s
}

func (v *viewer) daySpan(d *record.Entered) string {
	state := fmt.Sprintf("It has %g hours; ebbwatch watched for %s of them.", d.To.Sub(d.From).Hours(), percent(d.Watched))
	if d.Present {
		state = fmt.Sprintf("It is not over: all of it is as of %s, and %s of the whole day has been watched.", v.stamp(v.written), percent(d.Watched))
	}
	return fmt.Sprintf("The day goes from %s to %s. %s", v.stamp(d.From), v.stamp(d.To), state)
}

func (v *viewer) periods(periods []record.Period) table {
	t := table{Title: "Periods under the least residual", Head: []string{"POINT", "FROM", "TO", "MINUTES", "LOWEST mg/L", "LEAST mg/L", "STATE NOTIFIED"}}
	for _, p := range periods {
		to := v.stamp(p.To)
		if p.Open {
			to += " or later"
		}
		t.Rows = append(t.Rows, []string{p.Point, v.stamp(p.From), to, fmt.Sprintf("%.0f", p.To.Sub(p.From).Minutes()), short(p.Lowest), short(p.Least), "____________"})
	}
	return t
}

func (v *viewer) remarks(d *record.Entered) table {
	t := table{Title: "What was said, done and called", Head: []string{"TIME", "KIND", "BY", "TEXT"}}
	for _, r := range d.Remarks {
		t.Rows = append(t.Rows, []string{v.clock(r.Time), r.Kind, r.By, r.Text})
	}
	if d.Unsaid > 0 {
		t.Rows = append(t.Rows, []string{"", "", "", fmt.Sprintf("and %d more, which the events of the journal have", d.Unsaid)})
	}
	return t
}

func (v *viewer) corrections(days []record.Entered) table {
	t := table{Title: "Corrections; what was recorded stays", Head: []string{"DAY", "ITEM", "RECORDED", "CORRECTED", "BY", "WHEN", "WHY"}}
	for i := range days {
		for _, c := range days[i].Corrections {
			was, unitOf := "", c.Unit
			if it := days[i].Item(c.Item); it != nil {
				was = strings.TrimSpace(amount(it, false) + " " + unit(it.Unit))
			}
			to := "a remark"
			if c.Item != "" {
				to = strings.TrimSpace(amount(&record.Item{Value: c.Value}, false) + " " + unit(unitOf))
			}
			t.Rows = append(t.Rows, []string{c.Date, c.Item, was, to, c.By, v.stamp(c.Time), c.Why})
		}
	}
	return t
}
