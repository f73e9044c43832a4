package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// threeDays is a history of one analyser, a reading a minute, in the columns of the
// contract. From noon the residual is 0.15 mg/L for 3 minutes, and on the third day
// for 20 minutes; at 18:00 of the second day it is 0.25 mg/L for 10.
func threeDays(t *testing.T) (file string, from time.Time) {
	t.Helper()
	from = time.Date(2026, 6, 1, 6, 0, 0, 0, time.UTC) // midnight in Denver
	var b strings.Builder
	b.WriteString("time,point,value,quality\r\n")
	for minute := range 3*24*60 + 1 {
		v, of := 0.8, minute%1440
		switch day := minute / 1440; {
		case of >= 720 && (of < 723 || day == 2 && of < 740):
			v = 0.15
		case day == 1 && of >= 1080 && of < 1090:
			v = 0.25
		}
		fmt.Fprintf(&b, "%s,residual-entry,%g,good\r\n", from.Add(time.Duration(minute)*time.Minute).Format(time.RFC3339), v)
	}
	return inFile(t, "history.csv", b.String()), from
}

func inFile(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const minimal = "../../testdata/sites/minimal.yaml"

// Which alarms call, when and how often, is what the history was made for: on_delay
// 60 s, limit 0.2 mg/L as the catalogue has them.
func TestReplayCountsCalls(t *testing.T) {
	file, from := threeDays(t)
	events, figures := filepath.Join(t.TempDir(), "events.csv"), filepath.Join(t.TempDir(), "figures.csv")
	args := []string{"replay", "--site", minimal, "--readings", file, "--every", "1m"}
	code, out, errs := runCommand(t, append(args, "--json", "--events", events, "--figures", figures)...)
	if code != 0 || errs != "" {
		t.Fatalf("ended %d: %s", code, errs)
	}
	var s replaySummary
	if err := json.Unmarshal([]byte(out), &s); err != nil {
		t.Fatal(err)
	}
	low := rowOf(t, s, "residual-entry-low")
	want := []time.Time{from.Add(721 * time.Minute), from.Add(1440*time.Minute + 721*time.Minute), from.Add(2*1440*time.Minute + 721*time.Minute)}
	if s.Days != 3 || low.Site.Annunciations != 3 || !slices.EqualFunc(low.Site.At, want, time.Time.Equal) || *low.Site.PerDay != 1 || low.Site.WorstDay != "2026-06-01" || low.Site.WorstDayCalls != 1 {
		t.Errorf("%v days; residual-entry-low: %+v, expected calls at %v", s.Days, low.Site, want)
	}
	// Nothing was read of the detector: its instrument is lost, which calls once.
	if lost := rowOf(t, s, "chlorine-room-air-lost"); lost.Site.Annunciations != 1 {
		t.Errorf("chlorine-room-air-lost: %+v", lost.Site)
	}
	raised := 0
	for _, r := range results(t, events, "time,alarm,from,to,cause,value,limit,unit") {
		if r[1] == "residual-entry-low" && r[4] == "raised" {
			if at := want[raised].Format(time.RFC3339Nano); r[0] != at || r[5] != "0.15" || r[6] != "0.2" || r[7] != "mg/L" {
				t.Errorf("event %v, expected at %s", r, at)
			}
			raised++
		}
	}
	if raised != 3 {
		t.Errorf("%d events", raised)
	}
	changes := []string{}
	for _, r := range results(t, figures, "time,figure,value,low,high,unit,quality") {
		if r[1] == "residual-entry" {
			changes = append(changes, r[2])
		}
	}
	if got := strings.Join(changes, " "); got != "0.8 0.15 0.8 0.15 0.8 0.25 0.8 0.15 0.8" {
		t.Errorf("the figure went %s", got)
	}
	code, out, _ = runCommand(t, args...)
	if code != 0 || !strings.Contains(out, "2026-06-01 00:00:00 to 2026-06-04 00:00:00 (America/Denver), 3.00 days watched") || !strings.Contains(out, "residual-entry-low") {
		t.Errorf("ended %d:\n%s", code, out)
	}
}

func rowOf(t *testing.T, s replaySummary, alarm string) replayRow {
	t.Helper()
	i := slices.IndexFunc(s.Alarms, func(r replayRow) bool { return r.Alarm == alarm })
	if i < 0 {
		t.Fatalf("no row for %s", alarm)
	}
	return s.Alarms[i]
}

// results reads a CSV file of results, all but its header.
func results(t *testing.T, path, head string) [][]string {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil || len(rows) < 2 || strings.Join(rows[0], ",") != head {
		t.Fatalf("%s: %v, %v", path, rows[:min(1, len(rows))], err)
	}
	return rows[1:]
}

// Two settings side by side: a higher limit calls a fourth time, a longer delay only
// for the 20 minutes, and people are told what no longer calls.
func TestReplayOfTwoSettings(t *testing.T) {
	file, from := threeDays(t)
	for _, tc := range []struct {
		set   []string
		calls int
		first time.Duration
		text  string
	}{
		{[]string{"residual-entry-low.limit=0.3 mg/L"}, 4, 721 * time.Minute, ""},
		{[]string{"residual-entry-low.limit = 0.3"}, 4, 721 * time.Minute, ""},
		{[]string{"residual-entry-low.on_delay=10m"}, 1, 2*1440*time.Minute + 730*time.Minute, "first calls at 2026-06-03 12:10:00, 48h9m0s later"},
		{[]string{"residual-entry-low.limit=0.3 mg/L", "residual-entry-low.on_delay=15m"}, 1, 2*1440*time.Minute + 735*time.Minute, ""},
		{[]string{"residual-entry-low.limit=0.1 mg/L"}, 0, 0, "With that residual-entry-low never calls; as it is, it first called at 2026-06-01 12:01:00. Was that worth a call?\nLimits that a permit"},
		{[]string{"residual-entry-low.priority=low"}, 3, 721 * time.Minute, ""},
	} {
		args := []string{"replay", "--site", minimal, "--readings", file, "--every", "1m"}
		for _, s := range tc.set {
			args = append(args, "--set", s)
		}
		code, out, errs := runCommand(t, append(args, "--json")...)
		var s replaySummary
		if err := json.Unmarshal([]byte(out), &s); code != 0 || err != nil {
			t.Fatalf("%v: %d, %v: %s", tc.set, code, err, errs)
		}
		low := rowOf(t, s, "residual-entry-low")
		if low.Site.Annunciations != 3 || low.Changed.Annunciations != tc.calls || tc.calls > 0 && !low.Changed.At[0].Equal(from.Add(tc.first)) {
			t.Errorf("%v: %+v, changed %+v", tc.set, low.Site, low.Changed)
		}
		if tc.text != "" {
			if _, out, _ := runCommand(t, args...); !strings.Contains(out, tc.text) {
				t.Errorf("%v: the text lacks %q:\n%s", tc.set, tc.text, out)
			}
		}
		if strings.Contains(tc.set[0], "priority") && (s.Priorities[3].Changed.Annunciations != 3 || s.Priorities[3].Site.Annunciations != 0) {
			t.Errorf("calls by priority: %+v", s.Priorities)
		}
		if tc.calls != 4 {
			continue
		}
		code, out, _ = runCommand(t, append(args, "--csv")...)
		if want := fmt.Sprintf("residual-entry-low,high,changed,%d,", tc.calls); code != 0 || !strings.Contains(out, want) || !strings.Contains(out, "residual-entry-low,high,site,3,1,2026-06-01,1,2026-06-01T18:01:00Z,2026-06-03T18:01:00Z\r\n") {
			t.Errorf("%v: %d, the CSV lacks %q:\n%s", tc.set, code, want, out)
		}
	}
}

// A detector trips by its own levels too: with another limit the gas figures follow.
func TestReplayOfAGasLimit(t *testing.T) {
	var b strings.Builder
	b.WriteString("time,point,value,quality\n")
	for s := range 600 {
		ppm := 0.0
		if s >= 300 {
			ppm = 0.7
		}
		at := time.Date(2026, 6, 1, 6, 0, s, 0, time.UTC).Format(time.RFC3339)
		fmt.Fprintf(&b, "%s,gas-1-ppm,%g,good\n%s,residual-entry,0.8,good\n", at, ppm, at)
	}
	file := inFile(t, "gas.csv", b.String())
	code, out, errs := runCommand(t, "replay", "--site", minimal, "--readings", file, "--set", "gas-1-level-2.limit=0.6 ppm", "--json")
	var s replaySummary
	if err := json.Unmarshal([]byte(out), &s); code != 0 || err != nil {
		t.Fatalf("%d, %v: %s", code, err, errs)
	}
	one, two := rowOf(t, s, "gas-1-level-1"), rowOf(t, s, "gas-1-level-2")
	if one.Site.Annunciations != 1 || one.Changed.Annunciations != 1 || two.Site.Annunciations != 0 || two.Changed.Annunciations != 1 || one.Site.PerDay != nil {
		t.Errorf("level 1: %+v and %+v; level 2: %+v and %+v", one.Site, one.Changed, two.Site, two.Changed)
	}
}

func TestReplayRefuses(t *testing.T) {
	file, _ := threeDays(t)
	empty := inFile(t, "empty.csv", "time,point,value,quality\n")
	columns := inFile(t, "columns.yaml", "time: time\npoints: {value: residual-entry psig}\n")
	for _, tc := range []struct {
		args []string
		want string
	}{
		{nil, "which plant?"},
		{[]string{"--site", minimal}, "which readings?"},
		{[]string{"--site", minimal, "--readings", "no-such-file"}, "no-such-file"},
		{[]string{"--site", minimal, "--readings", t.TempDir()}, "found no file of a recording in this folder, expected files such as readings-"},
		{[]string{"--site", minimal, "--readings", empty}, "found no reading, expected at least one"},
		{[]string{"--site", minimal, "--readings", minimal}, "minimal.yaml:1: found"},
		{[]string{"--site", minimal, "--readings", file, "--readings", file}, `after a later one, expected rows in the order`},
		{[]string{"--site", minimal, "--readings", file, "--map", columns}, `columns.yaml:2: found the unit "psig" for "value", expected one of mg/L`},
		{[]string{"--site", minimal, "--readings", file, "--map", "no-such-map"}, "no-such-map"},
		{[]string{"--site", minimal, "--readings", file, "--every", "48h"}, "expected 0s to 24h"},
		{[]string{"--site", minimal, "--readings", file, "--json", "--csv"}, "expected one of them"},
		{[]string{"--site", minimal, "--readings", file, "--set", "x"}, `--set "x": expected ALARM.limit`},
		{[]string{"--site", minimal, "--readings", file, "--set", "residual-low.limit=1"}, "the site has no alarm residual-low; expected a name such as residual-entry-low"},
		{[]string{"--site", minimal, "--readings", file, "--set", "dinner.limit=1"}, "the site has no alarm dinner; expected one of those that ebbwatch check lists"},
		{[]string{"--site", minimal, "--readings", file, "--set", "residual-entry-low.colour=1"}, `no setting "colour"; expected ALARM.limit`},
		{[]string{"--site", minimal, "--readings", file, "--set", "residual-entry-low.limit=1 psig"}, "expected a number with one of the units mg/L"},
		{[]string{"--site", minimal, "--readings", file, "--set", "residual-entry-low.limit=NaN"}, "expected a number with one of the units mg/L"},
		{[]string{"--site", minimal, "--readings", file, "--set", "residual-entry-low.deadband=-1"}, "expected a deadband of 0 or more"},
		{[]string{"--site", minimal, "--readings", file, "--set", "residual-entry-low.on_delay=-1s"}, "expected a duration from 0s to 24h"},
		{[]string{"--site", minimal, "--readings", file, "--set", "residual-entry-low.priority=urgent"}, "expected critical, high, medium or low"},
		{[]string{"--site", minimal, "--readings", file, "--set", "chlorine-room-air-lost.limit=1"}, "watches a state and has no number; expected chlorine-room-air-lost.on_delay"},
		{[]string{"--site", minimal, "--readings", file, "--figures", "/no/such/folder/f.csv"}, "/no/such/folder"},
	} {
		code, out, errs := runCommand(t, append([]string{"replay"}, tc.args...)...)
		if code != 2 || out != "" || !strings.Contains(errs, tc.want) {
			t.Errorf("%q ended %d, expected 2 and %q\nstdout: %s\nstderr: %s", tc.args, code, tc.want, out, errs)
		}
	}
}

// Readings far apart are stale most of the time; people are told what to do.
func TestReplayTellsOfThinReadings(t *testing.T) {
	file, _ := threeDays(t)
	code, _, errs := runCommand(t, "replay", "--site", minimal, "--readings", file)
	if code != 0 || !strings.Contains(errs, "give their distance, such as --every 1m") {
		t.Errorf("ended %d: %s", code, errs)
	}
	unknown := inFile(t, "unknown.csv", "time,point,value,quality\n2026-06-01T06:00:00Z,residual-entry,1,good\n2026-06-01T06:00:01Z,dinner,1,good\n")
	if code, _, errs = runCommand(t, "replay", "--site", minimal, "--readings", unknown); code != 0 || !strings.Contains(errs, `1 readings of "dinner" were left out: the site has no such point`) {
		t.Errorf("ended %d: %s", code, errs)
	}
}

// A recording of which the middle is missing, and that of another site: people are
// told before they trust the figures.
func TestReplayTellsOfWhatIsMissing(t *testing.T) {
	lines := []string{"time,point,value,quality,text"}
	head := func(at, boot string, entry int) {
		lines = append(lines, fmt.Sprintf(`2026-06-01T06:00:%sZ,,,,"{""head"":{""site"":""elsewhere"",""boot"":""%s"",""entry"":%d}}"`, at, boot, entry))
	}
	step := func(at string) {
		lines = append(lines, fmt.Sprintf("2026-06-01T06:00:%sZ,residual-entry,0.8,good,", at), fmt.Sprintf("2026-06-01T06:00:%sZ,,,,", at))
	}
	head("00", "2026-06-01T06:00:00Z", 0)
	step("01")
	step("02")
	head("03", "2026-06-01T06:00:00Z", 2) // goes on
	step("03")
	head("20", "2026-06-01T06:00:00Z", 20) // 17 later
	step("20")
	head("30", "2026-06-01T06:00:30Z", 0) // started anew
	step("31")
	file := inFile(t, "recording.csv", strings.Join(lines, "\n")+"\n")
	code, out, errs := runCommand(t, "replay", "--site", minimal, "--readings", file, "--json")
	var s replaySummary
	if err := json.Unmarshal([]byte(out), &s); code != 0 || err != nil {
		t.Fatalf("%d, %v: %s", code, err, errs)
	}
	if s.Missing != 17 || s.Starts != 2 || s.Steps != 5 {
		t.Errorf("missing %d, starts %d, steps %d, expected 17, 2 and 5", s.Missing, s.Starts, s.Steps)
	}
	for _, want := range []string{"17 steps are missing", "the recording is of the site elsewhere"} {
		if !strings.Contains(errs, want) {
			t.Errorf("standard error lacks %q: %s", want, errs)
		}
	}
}

// The bar is for terminals alone.
func TestProgress(t *testing.T) {
	var b bytes.Buffer
	progressOn(&b)(0.5, time.Now())
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	progressOn(w)(0.5, time.Now())
	w.Close()
	var piped bytes.Buffer
	if piped.ReadFrom(r); piped.Len()+b.Len() > 0 {
		t.Errorf("what is no terminal gets %q%q", b.String(), piped.String())
	}

	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR, 0)
	if err != nil {
		t.Skip(err)
	}
	defer master.Close()
	if err := unix.IoctlSetPointerInt(int(master.Fd()), unix.TIOCSPTLCK, 0); err != nil {
		t.Skip(err)
	}
	n, err := unix.IoctlGetInt(int(master.Fd()), unix.TIOCGPTN)
	if err != nil {
		t.Skip(err)
	}
	terminal, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR, 0)
	if err != nil {
		t.Skip(err)
	}
	defer terminal.Close()
	show := progressOn(terminal)
	show(0.5, time.Date(2026, 6, 1, 6, 0, 0, 0, time.UTC))
	show(1, time.Time{})
	got := make([]byte, 200)
	k, err := master.Read(got)
	if want := "\r[====================                    ]  50 %  2026-06-01 06:00\x1b[K"; err != nil || !strings.HasPrefix(string(got[:k]), want) {
		t.Errorf("a terminal gets %q, %v", got[:k], err)
	}
}
