package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/core"
	"ebbwatch/agent/peertest"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/record"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"
)

// recorded is a watch over the example site whose record is kept, stepped by hand.
type recorded struct {
	site   *config.Site
	core   *core.Core
	keeper *keeper
}

// exampleSite is the example with a state folder of its own, and with other words in
// place of some, in pairs.
func exampleSite(t testing.TB, replace ...string) (*config.Site, string) {
	t.Helper()
	text, err := os.ReadFile("../../testdata/sites/kestrel-ridge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "site.yaml")
	edited := strings.Replace(string(text), "state_dir: /var/lib/ebbwatch", "state_dir: "+filepath.Join(dir, "state"), 1)
	edited = strings.NewReplacer(replace...).Replace(edited)
	for _, secret := range []string{"mqtt-password", "registers.csv", "first-actions.txt"} {
		b, err := os.ReadFile("../../testdata/sites/" + secret)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, secret), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(path, []byte(edited), 0o600); err != nil {
		t.Fatal(err)
	}
	site, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	return site, path
}

func keepExample(t testing.TB, site *config.Site) *recorded {
	t.Helper()
	settings := plantSettings(site)
	p, err := plant.New(settings)
	if err != nil {
		t.Fatal(err)
	}
	c, err := core.New(p, nil, alarmSettings(site, guidance.Default()), nil)
	if err != nil {
		t.Fatal(err)
	}
	k, err := keepRecord(site, settings, p, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return &recorded{site, c, k}
}

// run steps every five minutes, up to a time. What the plant shows is that of a
// quiet day, changed by at.
func (w *recorded) run(from, to time.Time, at func(time.Time, map[string]float64)) {
	w.runEvery(5*time.Minute, from, to, at)
}

func (w *recorded) runEvery(every time.Duration, from, to time.Time, at func(time.Time, map[string]float64)) {
	for now := from; !now.After(to); now = now.Add(every) {
		shown := map[string]float64{
			"plant-flow": 4, "clearwell-level": 11, "residual-in": 1.4, "residual-out": 1.2, "residual-entry": 1.1, "ph-out": 7.5, "temperature-out": 10,
			"room-temperature": 60, "wellhouse-temperature": 60, "gas-1-ppm": 0, "gas-2-ppm": 0, "gas-3-ppm": 0, "gas-4-ppm": 0,
			"north-1-weight": 3000, "north-2-weight": 3000, "south-1-weight": 3480, "south-2-weight": 3480,
		}
		if at != nil {
			at(now, shown)
		}
		var rs []reading.Reading
		for _, in := range w.site.Instruments {
			for _, p := range in.Points {
				r := reading.Reading{Point: p.Name, Quality: reading.GoodQuality(), Time: now}
				if v, ok := shown[p.Name]; ok {
					r.Value = p.Unit.SI(v)
				} else if p.Range != nil {
					r.Value = p.Unit.SI((p.Range[0] + p.Range[1]) / 2)
				}
				rs = append(rs, r)
			}
		}
		w.step(now, rs, nil)
	}
}

func (w *recorded) step(now time.Time, rs []reading.Reading, ts []alarms.Transition) {
	figures, more := w.core.Step(now, rs, nil)
	e := w.core.Evaluator
	w.keeper.step(&agent.Snapshot{Time: now, Figures: figures, Conditions: e.Conditions(), Performance: e.Performance()}, append(ts, more...))
}

// order carries out a person's order.
func (w *recorded) order(t *testing.T, now time.Time, o alarms.Order) alarms.Answer {
	t.Helper()
	ts, answer := w.core.Order(now, o)
	w.step(now, nil, ts)
	return answer
}

// recordOf asks for a record at a time and returns what comes.
func recordOf(t testing.TB, site *config.Site, q asking) string {
	t.Helper()
	var out, errs bytes.Buffer
	if q.format == "" {
		q.format = "table"
	}
	if err := showRecord(site, q, &out, &errs); err != nil || errs.Len() > 0 {
		t.Fatalf("%+v: %v %s", q, err, errs.String())
	}
	return out.String()
}

// Three days over the beginning of summer time, kept by the daemon's own keeper
// and read by the command.
func TestRecordOfAWatch(t *testing.T) {
	site, path := exampleSite(t)
	from := time.Date(2026, 3, 7, 0, 0, 0, 0, site.TimeZone)
	noon := time.Date(2026, 3, 9, 12, 0, 0, 0, site.TimeZone)
	w := keepExample(t, site)
	w.run(from, noon, func(now time.Time, shown map[string]float64) {
		switch h := now.Sub(from).Hours(); {
		case h >= 8 && h < 9: // the peak hour, 8 to 9
			shown["plant-flow"] = 6
		case h == 12:
			shown["residual-entry"] = 0.9
		case h >= 30 && h < 35: // five hours under on the second day
			shown["residual-entry"] = 0.1
		case h == 36:
			shown["gas-1-ppm"] = 0.8
		}
	})
	w.order(t, noon.Add(time.Minute), alarms.Order{Verb: alarms.Note, ID: "n1", By: "operator", Reason: "South scale drifts, see tag."})
	w.order(t, noon.Add(2*time.Minute), alarms.Order{Verb: alarms.GrabSample, ID: "g1", By: "operator", Grab: alarms.Grab{Point: "distribution", Residual: 0.7, Taken: noon}})
	w.keeper.close()
	before := tree(t, site.StateDir)

	code, out, errs := runCommand(t, "record", "--site", path, "--day", "2026-03-07", "--format", "csv")
	if code != 0 || errs != "" {
		t.Fatalf("ended %d: %s", code, errs)
	}
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	value := map[string]float64{}
	for _, r := range rows[1:] {
		if v, err := strconv.ParseFloat(r[2], 64); err == nil {
			value[r[1]] = v
		}
	}
	// By hand: 150,000 gal at 12 ft stands at 11 ft; 6 MGD is 4,166.7 gal/min.
	t10 := 0.5 * 150000 * 11 / 12 / (6e6 / 1440)
	// 40 CFR 141.74(b)(3)(v), Table 1.3 at 10 degC, pH 7.5, 1.2 mg/L: 137 mg·min/L for
	// 3 log (testdata/ct/tables.json); at 1.1 mg/L of the main the same row.
	main := 3.14159265358979 / 4 * 2 * 2 * 1900 * 1728 / 231 / (6e6 / 1440)
	giardia := 3 * (1.2*t10 + 1.1*main) / 137
	for name, want := range map[string]float64{
		"segment.clearwell.peak-hourly-flow":            6,
		"segment.clearwell.peak-t10":                    t10,
		"segment.clearwell.peak-ct":                     1.2 * t10,
		"segment.clearwell.peak-residual":               1.2,
		"train.disinfection.peak-giardia-log":           giardia,
		"train.disinfection.peak-ratio":                 giardia / 0.5,
		"entry.residual-entry.lowest-residual":          0.9,
		"entry.residual-entry.time-under":               0,
		"segment.transmission.extremes-residual":        0.9,
		"segment.clearwell.extremes-ph":                 7.5,
		"segment.clearwell.extremes-temperature":        10,
		"room.chlorine-room.highest-gas":                0,
		"alarms.site.critical":                          0,
		"segment.transmission.lowest-temperature":       10,
		"segment.transmission.peak-highest-residual":    1.1,
		"segment.transmission.peak-ct-required-giardia": 137 * 0.5 / 3,
	} {
		if got, ok := value[name]; !ok || got < want*(1-1e-6) || got > want*(1+1e-6) {
			t.Errorf("%s is %v (there: %v), expected %v", name, got, ok, want)
		}
	}

	ask := asking{now: noon.Add(5 * time.Minute)}
	day := ask
	day.day = "2026-03-08"
	for _, want := range []string{"It has 23 hours; ebbwatch watched for 100.0 % of them.", "residual-entry  time-under       300", "chlorine-room  highest-gas   0.8", "2026-03-08 06:00 MDT"} {
		if out := recordOf(t, site, day); !strings.Contains(out, want) && !strings.Contains(out, strings.ReplaceAll(want, "06:00", "07:00")) {
			t.Errorf("the day lacks %q:\n%s", want, out)
		}
	}
	month := ask
	month.month = "2026-03"
	out = recordOf(t, site, month)
	for _, want := range []string{
		"141.75(a)(2)(i), (b)(2)(i)", "There is none of 2026-03-01 to 2026-03-06.", "2026-03-09 so far", "1 day not so: 2026-03-08 (4.9 h)", "not known",
		"STATE NOTIFIED", "________", "South scale drifts", "Grab sample by operator: 0.7 mg/L", "Signed: ____",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("the month lacks %q:\n%s", want, out)
		}
	}
	month.format = "json"
	var doc monthDocument
	if err := json.Unmarshal([]byte(recordOf(t, site, month)), &doc); err != nil || len(doc.Days) != 3 || doc.Requirements[0].Verdict != record.No || doc.Site != "kestrel-ridge" {
		t.Errorf("as JSON %v %+v", err, doc.Requirements)
	}
	shift := ask
	shift.shift = 12 * time.Hour
	out = recordOf(t, site, shift)
	for _, want := range []string{"As of 2026-03-09 12:02 MDT", "South scale drifts", "has no detector that can be trusted"} {
		if !strings.Contains(out, want) {
			t.Errorf("the shift lacks %q:\n%s", want, out)
		}
	}
	shift.now = noon.Add(2 * time.Hour)
	if out := recordOf(t, site, shift); !strings.Contains(out, "THE PRESENT STATE IS OLD") {
		t.Errorf("an old state is not told:\n%s", out)
	}
	if after := tree(t, site.StateDir); after != before {
		t.Errorf("reading changed the record:\n%s\nwas\n%s", after, before)
	}
}

// A correction by order is an entry of its own, beside what was recorded; one that
// cannot be is refused with a hint, and nothing is stored.
func TestRecordCorrected(t *testing.T) {
	site, _ := exampleSite(t)
	from := time.Date(2026, 3, 3, 0, 0, 0, 0, site.TimeZone)
	w := keepExample(t, site)
	w.run(from, from.Add(49*time.Hour), nil)
	now := from.Add(49 * time.Hour)
	lowest := "entry.residual-entry.lowest-residual"
	for i, c := range []struct {
		reason string
		c      alarms.Correction
		why    string
		refuse string
	}{
		{"in the item's unit", alarms.Correction{Date: "2026-03-03", Item: lowest, Given: "0.45 mg/L"}, "calibration", ""},
		{"in another unit of the kind", alarms.Correction{Date: "2026-03-04", Item: "entry.residual-entry.time-under", Given: "2 h"}, "valve shut", ""},
		{"a plain number", alarms.Correction{Date: "2026-03-03", Item: "room.chlorine-room.trips", Given: "1"}, "a test", ""},
		{"what nobody knows", alarms.Correction{Date: "2026-03-03", Item: "segment.clearwell.peak-ph", Given: "unknown"}, "probe was dry", ""},
		{"no such item", alarms.Correction{Date: "2026-03-03", Item: "entry.lowest", Given: "1 mg/L"}, "x", "the record has no item"},
		{"no such day", alarms.Correction{Date: "2026-02-30", Item: lowest, Given: "1 mg/L"}, "x", "is no day"},
		{"a day to come", alarms.Correction{Date: "2026-03-09", Item: lowest, Given: "1 mg/L"}, "x", "is to come"},
		{"a wrong unit", alarms.Correction{Date: "2026-03-03", Item: lowest, Given: "1 lb"}, "x", "lb is a unit of mass, expected one of concentration"},
		{"no unit", alarms.Correction{Date: "2026-03-03", Item: lowest, Given: "1"}, "x", "has no unit: expected a number with its unit, such as 1 mg/L"},
		{"no reason", alarms.Correction{Date: "2026-03-03", Item: lowest, Given: "1 mg/L"}, "", "gives no reason"},
	} {
		o := w.keeper.check(now, alarms.Order{Verb: alarms.Correct, ID: fmt.Sprint("c", i), By: "supervisor", Reason: c.why, Correction: c.c})
		answer := w.order(t, now, o)
		if want := map[bool]alarms.Result{true: alarms.Done, false: alarms.Refused}[c.refuse == ""]; answer.Result != want || !strings.Contains(answer.Why, c.refuse) {
			t.Errorf("%s: %+v, expected %s %q", c.reason, answer, want, c.refuse)
		}
	}
	w.keeper.close()
	out := recordOf(t, site, asking{day: "2026-03-03", now: now})
	for _, want := range []string{"residual-entry  lowest-residual  0.45*", "corrected by supervisor", "1.1 mg/L", "0.45 mg/L", "calibration", "not known*", "trips", "1*"} {
		if !strings.Contains(out, want) {
			t.Errorf("the day lacks %q:\n%s", want, out)
		}
	}
	out = recordOf(t, site, asking{day: "2026-03-04", format: "csv", now: now})
	if want := "2026-03-04,entry.residual-entry.time-under,120,min,"; !strings.Contains(out, want) || !strings.Contains(out, ",0,supervisor,2026-03-05T01:00:00-07:00,valve shut\n") {
		t.Errorf("as CSV:\n%s", out)
	}
	if n := strings.Count(recordOf(t, site, asking{month: "2026-03", format: "json", now: now}), `"why":`); n != 4 {
		t.Errorf("%d corrections of the month, expected 4", n)
	}
}

// The command reads beside a daemon that runs, and after it has stopped.
func TestRecordBesideTheDaemon(t *testing.T) {
	path := siteFile(t, nil)
	site, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	done, errs := make(chan int, 1), &lockedBuffer{}
	go func() { done <- run(ctx, []string{"run", "--site", path}, io.Discard, errs) }()
	eventually(t, "the present day is on disk", func() bool {
		_, err := os.Stat(filepath.Join(recordDir(site), "present"))
		return err == nil
	})
	for _, state := range []string{"runs", "has stopped"} {
		code, out, stderr := runCommand(t, "record", "--site", path)
		if code != 0 || stderr != "" || !strings.Contains(out, "residual  lowest  not known") {
			t.Errorf("while the daemon %s record ended %d: %s%s", state, code, out, stderr)
		}
		cancel()
		if state == "runs" && <-done != 0 {
			t.Errorf("the daemon: %s", errs)
		}
	}
}

// tree lists files with their sizes and times.
func tree(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.Walk(dir, func(path string, info os.FileInfo, err error) error {
		if err == nil {
			fmt.Fprintln(&b, path, info.Size(), info.ModTime())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// A day on which the scales of bank north lose 120 lb and the feed, 4 MGD at 3.5 mg/L,
// explains 116.8 lb; and the change of a container.
func TestRecordOfChlorine(t *testing.T) {
	site, _ := exampleSite(t, "    feed: north-feed", "    flow: plant-flow\n    dose: 3.5 mg/L")
	w := keepExample(t, site)
	from := time.Date(2026, 3, 3, 0, 0, 0, 0, site.TimeZone)
	weights := func(now time.Time, shown map[string]float64) {
		h := now.Sub(from).Hours()
		shown["north-1-weight"] = 3400 - 5*h
		switch {
		case h >= 30.5:
			shown["north-1-weight"] = 3480 - 5*(h-30.5)
		case h >= 30:
			shown["north-1-weight"] = 0
		}
	}
	w.run(from, from.Add(30*time.Hour-time.Minute), weights)
	w.runEvery(10*time.Second, from.Add(30*time.Hour-time.Minute), from.Add(31*time.Hour), weights)
	w.run(from.Add(31*time.Hour), from.Add(49*time.Hour), weights)
	w.keeper.close()
	var days []record.Entered
	if err := json.Unmarshal([]byte(recordOf(t, site, asking{month: "2026-03", format: "json", now: from.AddDate(0, 0, 2)})), &struct {
		Days *[]record.Entered `json:"days"`
	}{&days}); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string][2]float64{ // value and tolerance
		"bank.north.used":               {120, 1.5},
		"bank.north.fed":                {4 * 3.5 * 8.34540, 1.5},
		"bank.north.unaccounted":        {120 - 4*3.5*8.34540, 2},
		"bank.north.dose":               {120 / (4 * 8.34540), 0.05},
		"bank.north.water":              {4e6, 4e4},
		"bank.north.containers-changed": {0, 0},
	} {
		it := days[0].Item(name)
		if it == nil || it.Value == nil || *it.Value < want[0]-want[1] || *it.Value > want[0]+want[1] {
			t.Errorf("%s is %+v, expected %v", name, it, want)
		}
	}
	if it := days[1].Item("bank.north.containers-changed"); it.Value == nil || *it.Value != 1 {
		t.Errorf("on the second day %+v containers were changed, expected 1", it)
	}
	if out := recordOf(t, site, asking{day: "2026-03-04", now: from.AddDate(0, 0, 2)}); !strings.Contains(out, "container  ") {
		t.Errorf("the change of a container is not told:\n%s", out)
	}
	if it := days[0].Item("bank.wellhouse.fed"); it != nil {
		t.Errorf("a bank without a feed has %+v", it)
	}
}

// A daemon that is killed goes on with the day: what it had written counts, what
// it had not is not covered. The record of the days before is as it was.
func TestRecordSurvivesAKill(t *testing.T) {
	site, _ := exampleSite(t)
	from := time.Date(2026, 3, 3, 0, 0, 0, 0, site.TimeZone)
	low := func(now time.Time, shown map[string]float64) {
		if h := now.Sub(from).Hours(); h == 30 {
			shown["residual-entry"] = 0.3
		}
	}
	w := keepExample(t, site)
	w.run(from, from.Add(37*time.Hour), low)
	w.keeper.archive.Flush() // as Run does at once; then the process is killed
	again := keepExample(t, site)
	again.run(from.Add(39*time.Hour), from.Add(48*time.Hour), low)
	again.keeper.close()
	var days []record.Entered
	ask := asking{day: "2026-03-04", format: "json", now: from.AddDate(0, 0, 3)}
	if err := json.Unmarshal([]byte(recordOf(t, site, ask)), &days); err != nil || len(days) != 1 {
		t.Fatal(days, err)
	}
	d := days[0]
	it := d.Item("entry.residual-entry.lowest-residual")
	if it.Value == nil || *it.Value != 0.3 || !it.At.Equal(from.Add(30*time.Hour)) {
		t.Errorf("the lowest residual before the kill is %+v", it)
	}
	if lost := 24 * (1 - d.Watched); lost < 2-1e-9 || lost > 2+1.0/6+1e-9 {
		t.Errorf("%.3f h of the day are not covered, expected 2 h and at most ten minutes", lost)
	}
	ask.day = "2026-03-03"
	if out := recordOf(t, site, ask); !strings.Contains(out, `"watched": 1,`) {
		t.Errorf("the day before: %s", out)
	}
}

func TestRecordBadInput(t *testing.T) {
	_, path := exampleSite(t)
	for _, c := range []struct {
		reason string
		args   []string
		code   int
		want   string
	}{
		{"no site", nil, 2, "give a site file with --site FILE"},
		{"no such day", []string{"--site", path, "--day", "2026-02-30"}, 2, `"2026-02-30" is no day: expected one such as 2026-05-03`},
		{"a month that is a day", []string{"--site", path, "--month", "2026-05-03"}, 2, "is no month: expected one such as 2026-05"},
		{"two at once", []string{"--site", path, "--month", "2026-05", "--day", "2026-05-03"}, 2, "give one"},
		{"an unknown form", []string{"--site", path, "--format", "doc"}, 2, "expected table, csv, json or html"},
		{"a shift of a week", []string{"--site", path, "--shift", "168h"}, 2, "up to 48h"},
		{"a shift as CSV", []string{"--site", path, "--shift", "8h", "--format", "csv"}, 2, "a shift is words"},
		{"there is no record yet", []string{"--site", path}, 1, "ebbwatch run writes it"},
		{"nor of a month", []string{"--site", path, "--month", "2026-05"}, 1, "there is no record of 2026-05"},
	} {
		code, out, errs := runCommand(t, append([]string{"record"}, c.args...)...)
		if code != c.code || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("%s: ended %d, expected %d: %s%s", c.reason, code, c.code, out, errs)
		}
	}
}

// A damaged line is told and left out; the rest is shown.
func TestRecordWithDamage(t *testing.T) {
	site, path := exampleSite(t)
	w := keepExample(t, site)
	from := time.Date(2026, 3, 3, 0, 0, 0, 0, site.TimeZone)
	w.run(from, from.Add(49*time.Hour), nil)
	w.keeper.close()
	file := filepath.Join(recordDir(site), "2026.record")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text[100] ^= 1
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errs := runCommand(t, "record", "--site", path, "--day", "2026-03-04")
	if code != 0 || !strings.Contains(errs, "2026.record:1: its checksum is wrong") || !strings.Contains(out, "record of 2026-03-04") {
		t.Errorf("ended %d: %s%s", code, errs, out)
	}
}

// Chromium prints the month to paper; poppler reads back what stands on it.
func TestRecordOnPaper(t *testing.T) {
	if os.Getenv("EBBWATCH_BROWSER") == "absent" {
		t.Skip("EBBWATCH_BROWSER=absent: the record is not printed by a browser")
	}
	chromium, pdftotext := peertest.Tool(t, "chromium"), peertest.Tool(t, "pdftotext")
	site, _ := exampleSite(t)
	site.Title = "Kestrel <Ridge> & Sons"
	w := keepExample(t, site)
	from := time.Date(2026, 3, 1, 0, 0, 0, 0, site.TimeZone)
	w.run(from, from.AddDate(0, 0, 3).Add(time.Hour), nil)
	w.keeper.close()
	html := filepath.Join(t.TempDir(), "month.html")
	pdf := filepath.Join(filepath.Dir(html), "month.pdf")
	if err := os.WriteFile(html, []byte(recordOf(t, site, asking{month: "2026-03", format: "html", now: from.AddDate(0, 1, 1)})), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", "--user-data-dir="+t.TempDir(), "--print-to-pdf="+pdf, "file://"+html)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	out, err := exec.Command(pdftotext, "-layout", pdf, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Kestrel <Ridge> & Sons: month 2026-03", "141.75(a)(2)(i)", "2026-03-04", "ask your State", "none is recorded", "Signed: ______________________   Name", "not known"} {
		if !strings.Contains(string(out), want) && !strings.Contains(strings.Join(strings.Fields(string(out)), " "), strings.Join(strings.Fields(want), " ")) {
			t.Errorf("on paper there is no %q:\n%s", want, out)
		}
	}
}

// BenchmarkRecordMonth reads a month beside three years of days, as the command
// does, and tells how large they are.
func BenchmarkRecordMonth(b *testing.B) {
	site, _ := exampleSite(b)
	w := keepExample(b, site)
	from := time.Date(2026, 3, 3, 0, 0, 0, 0, site.TimeZone)
	w.run(from, from.Add(24*time.Hour), nil)
	day := w.keeper.record.Present()
	for i := range 3 * 365 {
		copied := *day
		at := time.Date(2026, 1, 1+i, 0, 0, 0, 0, site.TimeZone)
		copied.Date, copied.From, copied.To = at.Format(record.DateLayout), at, at.AddDate(0, 0, 1)
		for n := range 20 {
			copied.Remarks = append(copied.Remarks, record.Remark{Time: at.Add(time.Duration(n) * time.Hour), Kind: "high", Text: "The time until bank north is empty is 6.6 h, under the limit of 8.0 h; the value needs more history."})
		}
		w.keeper.put([]record.Entry{{Day: &copied}})
		if i%100 == 0 {
			w.keeper.archive.Flush()
		}
	}
	w.keeper.close()
	size := int64(0)
	files, _ := filepath.Glob(recordDir(site) + "/*")
	for _, f := range files {
		if info, err := os.Stat(f); err == nil {
			size += info.Size()
		}
	}
	for b.Loop() {
		recordOf(b, site, asking{month: "2026-05", now: from.AddDate(3, 0, 0)})
	}
	b.ReportMetric(float64(size)/3/1e6, "MB/year")
}
