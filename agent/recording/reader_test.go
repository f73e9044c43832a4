package recording

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/agent/reading"
)

func at(s string) time.Time { return must(time.Parse(time.RFC3339Nano, s)) }

// read reads a text, to its end or its first error.
func read(text string, m *Mapping) (es []Entry, r *Reader, err error) {
	if r, err = NewReader(strings.NewReader(text), "history.csv", points, m); err != nil {
		return nil, nil, err
	}
	for {
		e, err := r.Next()
		if err == io.EOF {
			return es, r, nil
		}
		if err != nil {
			return es, r, err
		}
		kept := *e
		kept.Readings = slices.Clone(e.Readings)
		es = append(es, kept)
	}
}

const contract = "time,point,value,quality\n"

func TestHistoryByTheContract(t *testing.T) {
	es, r, err := read("\ufefftime,point,value,quality\r\n"+
		"2026-11-25T14:05:00Z,flow,2.5,good\r\n"+
		"2026-11-25T07:05:00.000-07:00,room,\"32\",uncertain:over-range\r\n"+ // the same time
		"2026-11-25T14:05:00.5Z,residual,,bad:no-reply\r\n"+
		"2026-11-25T14:05:01Z,residual,,good\r\n"+
		"2026-11-25T14:05:01Z,elsewhere,1,good\r\n"+
		"2026-11-25T14:05:02Z,residual,NaN,good", nil)
	if err != nil {
		t.Fatal(err)
	}
	want := []Entry{
		{Time: at("2026-11-25T14:05:00Z"), Readings: []reading.Reading{
			{Point: "flow", Value: points["flow"].SI(2.5), Quality: reading.GoodQuality(), Time: at("2026-11-25T14:05:00Z")},
			{Point: "room", Value: points["room"].SI(32), Quality: reading.UncertainBecause("over-range"), Time: at("2026-11-25T14:05:00Z")},
		}},
		{Time: at("2026-11-25T14:05:00.5Z"), Readings: []reading.Reading{
			{Point: "residual", Quality: reading.BadBecause("no-reply"), Time: at("2026-11-25T14:05:00.5Z")}}},
		{Time: at("2026-11-25T14:05:01Z"), Readings: []reading.Reading{
			{Point: "residual", Quality: reading.BadBecause("no-reading"), Time: at("2026-11-25T14:05:01Z")}}},
	}
	if len(es) != 4 || !math.IsNaN(es[3].Readings[0].Value) { // which no figure takes for a number
		t.Fatalf("read %+v", es)
	}
	for i, w := range want {
		if g := es[i]; !g.Time.Equal(w.Time) || !slices.EqualFunc(g.Readings, w.Readings, func(a, b reading.Reading) bool { return a == b }) {
			t.Errorf("entry %d is %+v, expected %+v", i, g, w)
		}
	}
	if n := r.Unknown()["elsewhere"]; n != 1 || r.Exact() {
		t.Errorf("unknown %v, exact %v", r.Unknown(), r.Exact())
	}
}

func mapping(t testing.TB, text string) *Mapping {
	t.Helper()
	m, err := ParseMapping("columns.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func TestHistoryByAMapping(t *testing.T) {
	for _, tc := range []struct{ reason, mapping, csv, want string }{
		{"a column for each point, another unit, an empty field", `
time: Stamp
time_format: MM/DD/YYYY hh:mm
zone: America/Denver
missing: ["---"]
points: {FIT-101: flow gpm, "AIT-7 (mg/L)": residual}
`, "Stamp,other,FIT-101,AIT-7 (mg/L)\n7/4/2026 9:05,x,1400,0.8\n07/04/2026 09:06,x,,0.9\n07/04/2026 09:07,x,1400,---\n",
			"15:05:00 flow=2.016 good residual=0.8 good; 15:06:00 residual=0.9 good; 15:07:00 flow=2.016 good residual=0 bad:no-reading"},
		{"a row for each reading, words for the quality", `
time: t
time_format: unix
point: tag
value: v
quality: q
qualities: {"192": good, "64": uncertain:over-range, "0": bad:no-reply}
points: {A: residual, B: room degC}
`, "q,tag,v,t\n192,A,1,1783177500\n64,B,20,1783177500\n0,A,5,1783177501.5\n192,C,5,1783177502\n",
			"15:05:00 residual=1 good room=68 uncertain:over-range; 15:05:01.5 residual=5 bad:no-reply; 15:05:02"},
		{"semicolons and decimal commas, milliseconds", `
time: t
time_format: unix-ms
separator: ";"
decimal: ","
points: {r: residual}
`, "t;r\n1783177500250;0,8\n", "15:05:00.25 residual=0.8 good"},
		{"names of months, twelve hours, two digits of the year", `
time: t
time_format: DD-MON-YY hh:mm:ss AM
zone: -07:00
points: {r: residual}
`, "t,r\n04-Jul-26 12:05:00 AM,1\n04-JUL-26 01:05:00 PM,2\n", "07:05:00 residual=1 good; 20:05:00 residual=2 good"},
		{"times that name their zone", `
time: t
time_format: YYYY-MM-DD hh:mm:ssZONE
points: {r: residual}
`, "t,r\n2026-07-04 09:05:00-06:00,1\n2026-07-04 15:06:00Z,2\n", "15:05:00 residual=1 good; 15:06:00 residual=2 good"},
		{"quotes and line breaks in fields (RFC 4180, section 2)", `
time: "the, time"
points: {"a \"word\"": residual}
`, "\"the, time\",\"a \"\"word\"\"\",note\r\n2026-07-04T15:05:00Z,\"1\",\"two\r\nlines\"\r\n2026-07-04T15:06:00Z,2,\r\n",
			"15:05:00 residual=1 good; 15:06:00 residual=2 good"},
	} {
		es, _, err := read(tc.csv, mapping(t, tc.mapping))
		if err != nil {
			t.Errorf("%s: %v", tc.reason, err)
			continue
		}
		var all []string
		for _, e := range es {
			b := e.Time.UTC().Format("15:04:05.999")
			for _, r := range e.Readings {
				v := points[r.Point].FromSI(r.Value)
				if !r.Quality.Usable() {
					v = r.Value
				}
				b += " " + r.Point + "=" + trim(v) + " " + r.Quality.String()
			}
			all = append(all, b)
		}
		if got := strings.Join(all, "; "); got != tc.want {
			t.Errorf("%s:\n got %s\nwant %s", tc.reason, got, tc.want)
		}
	}
}

func trim(v float64) string { return string(must(json.Marshal(math.Round(v*1e6) / 1e6))) }

func TestFaultsOfHistory(t *testing.T) {
	wide := "time: t\ntime_format: YYYY-MM-DD hh:mm\nzone: America/Denver\npoints: {r: residual}\n"
	for _, tc := range []struct{ mapping, csv, want string }{
		{"", "", "history.csv:1: found an empty file, expected a header row with the names of the columns"},
		{"", "time,tag,value\n", `history.csv:1: found the columns "time,tag,value", expected time,point,value,quality, or --map FILE`},
		{"", contract + "2026-11-25 14:05,flow,1,good\n", `history.csv:2: found the time "2026-11-25 14:05", expected a time as in RFC 3339, such as 2026-11-25T14:05:00Z`},
		{"", contract + "2026-11-25T14:05:00Z,flow,1\n", "history.csv:2: found 3 fields, expected 4, as in the header row"},
		{"", contract + "2026-11-25T14:05:00Z,flow,\"1,good\n", "history.csv:2: found a row that is not CSV (extraneous or missing"},
		{"", contract + "2026-11-25T14:05:00Z,flow,\"1,000\",good\n", `history.csv:2: found the value "1,000" for flow, expected a number in MGD with a point for its decimals and no separator of thousands`},
		{"", contract + "2026-11-25T14:05:00Z,flow,1,fine\n", `history.csv:2: found the quality "fine", expected good, uncertain:reason or bad:reason`},
		{"", contract + "2026-11-25T14:05:00Z,flow,1,good\n\n2026-11-25T14:04:00Z,flow,1,good\n", `history.csv:4: found the time "2026-11-25T14:04:00Z" after a later one, expected rows in the order of their times`},
		{"", contract + "0001-01-01T00:00:00Z,flow,1,good\n", `of the year 1, expected`},
		{"", header + "\n2026-11-25T14:05:00Z,,,,{}\n", `history.csv:2: found the entry "{}", expected JSON with head, self, order or astray_ns`},
		{wide, "t,x\n", `history.csv:1: found the columns "t,x", expected also the column "r", as columns.yaml says`},
		{wide, "t,r,r\n", `history.csv:1: found the column "r" twice, expected it once`},
		{wide, "t,r\n2026-13-01 00:00,1\n", `history.csv:2: found the time "2026-13-01 00:00", expected a time written as YYYY-MM-DD hh:mm`},
		// Daylight saving began on 8 March 2026 at 02:00 (15 U.S.C. 260a, from memory).
		{wide, "t,r\n2026-03-08 02:30,1\n", `history.csv:2: found the time "2026-03-08 02:30", which the clocks of America/Denver leap over, expected times of that zone: for a clock that never changes give its zone as -07:00`},
		{strings.Replace(wide, "zone: America/Denver\n", "", 1), "", "columns.yaml:1: found no zone, expected a name from the IANA time zone database"},
		{"points: {r: residual}\n", "", "columns.yaml:1: found no time, expected the name of the column that has the time"},
		{"time: t\n", "", "columns.yaml:1: found no points, expected"},
		{"time: t\ntime: u\npoints: {r: residual}\n", "", `"time" a second time`},
		{"time: t\nzon: UTC\n", "", `columns.yaml:2: found the unknown key "zon", expected one of time, time_format, zone,`},
		{"time: t\ntime_format: YYYY-DD hh:mm\n", "", `columns.yaml:2: found "YYYY-DD hh:mm" for time_format, expected rfc3339, unix, unix-ms, or a pattern of`},
		{"time: t\npoints: {r: pressure}\n", "t,r\n", `columns.yaml:2: found the point "pressure" for "r", expected the name of a point of the site`},
		{"time: t\npoints:\n  r: residual gpm\n", "t,r\n", `columns.yaml:3: found the unit "gpm" for "r", expected one of mg/L`},
		{"time: t\npoint: p\npoints: {r: residual}\n", "", "columns.yaml:1: found one of point and value alone, expected both"},
		{"time: t\npoint: p\nvalue: v\nquality: q\nqualities: {OK: fine}\npoints: {r: residual}\n", "", `columns.yaml:5: found "fine" for qualities`},
		{"time: t\npoint: p\nvalue: v\nquality: q\nqualities: {OK: good}\npoints: {r: residual}\n", "t,p,v,q\n2026-11-25T14:05:00Z,r,1,Bad\n", `history.csv:2: found the quality "Bad", expected one of those under qualities in columns.yaml`},
		{"[", "", "columns.yaml: found a text that is not YAML"},
		{"time: t\nseparator: ab\n", "", `columns.yaml:2: found "ab" for separator, expected the one character`},
		{"time: t\ndecimal: ','\npoints: {r: residual}\n", "", "the same character as separator and as decimal"},
	} {
		var m *Mapping
		var err error
		if tc.mapping != "" {
			m, err = ParseMapping("columns.yaml", []byte(tc.mapping))
		}
		if err == nil {
			_, _, err = read(tc.csv, m)
		}
		if !errors.As(err, new(*Fault)) || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%q with %q:\n got %v\nwant %s", tc.csv, tc.mapping, err, tc.want)
		}
	}
}

// The times of local clocks are those that Python's zoneinfo gives, over the days on
// which clocks change: by an hour, by half an hour, at midnight.
func TestLocalTimesAsPython(t *testing.T) {
	python := peertest.Tool(t, "python3")
	for _, tc := range []struct{ zone, from string }{
		{"America/Denver", "2026-03-07T12:00:00Z"}, {"America/Denver", "2026-10-31T12:00:00Z"},
		{"Australia/Lord_Howe", "2026-04-03T12:00:00Z"}, {"Australia/Lord_Howe", "2026-10-02T12:00:00Z"},
		{"America/Havana", "2026-10-31T12:00:00Z"}, {"Asia/Kolkata", "2026-01-01T00:00:00Z"},
	} {
		out, err := exec.Command(python, "-c", `
import sys, datetime, zoneinfo
zone = zoneinfo.ZoneInfo(sys.argv[1])
at = datetime.datetime.fromisoformat(sys.argv[2].replace("Z", "+00:00"))
print("t,r")
for n in range(3 * 24 * 12):
    now = at + datetime.timedelta(minutes=5 * n)
    print(now.astimezone(zone).strftime("%Y-%m-%d %H:%M") + "," + str(int(now.timestamp())))
`, tc.zone, tc.from).Output()
		if err != nil {
			t.Skipf("python3 without zoneinfo: %v", err)
		}
		es, r, err := read(string(out), mapping(t, "time: t\ntime_format: YYYY-MM-DD hh:mm\nzone: "+tc.zone+"\npoints: {r: residual}\n"))
		if err != nil || len(es) != 3*24*12 {
			t.Fatalf("%s: %d times: %v", tc.zone, len(es), err)
		}
		for _, e := range es {
			if got, want := e.Time.Unix(), int64(e.Readings[0].Value); got != want {
				t.Errorf("%s: %s, as Python has it %s", tc.zone, e.Time, time.Unix(want, 0).UTC())
			}
		}
		t.Logf("%s from %s: %d times came twice", tc.zone, tc.from, r.Twice())
	}
}

// What Python's csv and gzip write is read as it was meant, and what is recorded here
// Python reads as the same rows.
func TestPythonAsReaderAndWriter(t *testing.T) {
	python := peertest.Tool(t, "python3")
	dir := t.TempDir()
	path := filepath.Join(dir, "history.csv.gz")
	run := func(script string, args ...string) string {
		t.Helper()
		out, err := exec.Command(python, append([]string{"-c", script}, args...)...).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		return string(out)
	}
	run(`
import csv, gzip, random, sys
random.seed(1)
with gzip.open(sys.argv[1], "wt", newline="") as f:
    w = csv.writer(f)
    w.writerow(["time", "point", "value", "quality"])
    for n in range(5000):
        w.writerow(["2026-11-25T%02d:%02d:%02dZ" % (n // 3600, n // 60 % 60, n % 60), "flow", repr(random.random()), "good"])
        if n % 7 == 0:
            w.writerow(["2026-11-25T%02d:%02d:%02dZ" % (n // 3600, n // 60 % 60, n % 60), "residual", "", 'bad:a "word", or\r\ntwo'])
`, path)
	f := open(t, path)
	es := entries(t, f)
	if len(es) != 5000 || len(f.Cut()) > 0 || len(es[0].Readings) != 2 || es[0].Readings[1].Quality.Reason != "a \"word\", or\ntwo" {
		t.Fatalf("%d entries, cut %q, the first %+v", len(es), f.Cut(), es[0])
	}
	_, data := recordedDay(t)
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	rows := strings.Split(strings.TrimSpace(run(`
import csv, gzip, sys
with gzip.open(sys.argv[1], "rt", newline="") as f:
    for row in csv.reader(f, strict=True):
        print(len(row), row[1] + "=" + row[4][:20].replace("\n", " ") if row[1] else "step")
`, path)), "\n")
	readings, texts := 0, 0
	for _, row := range rows {
		if !strings.HasPrefix(row, "5 ") {
			t.Fatalf("a row of %s", row)
		}
		if row != "5 step" {
			readings++
		}
		if row == `5 says=READY, "set"` {
			texts++
		}
	}
	if readings != 1+40*4 || texts != 40 { // the header row too
		t.Errorf("Python reads %d rows of readings, %d of them texts", readings, texts)
	}
	out, err := exec.Command("zcat", path).Output()
	if plain := must(gzip.NewReader(bytes.NewReader(data))); err != nil || !bytes.Equal(out, must(io.ReadAll(plain))) {
		t.Errorf("zcat gives something else: %v", err)
	}
}

func FuzzReader(f *testing.F) {
	f.Add("time,point,value,quality\n2026-11-25T14:05:00Z,flow,2.5,good\n", false)
	f.Add(header+"\n2026-11-25T14:05:00Z,,,,\"{\"\"head\"\":{\"\"site\"\":\"\"x\"\"}}\"\n2026-11-25T14:05:00Z,says,1,good,\"a,\"\"b\"\"\"\n2026-11-25T14:05:00Z,,,,\n", false)
	f.Add("t;p;v;q\n2026-11-01 01:30;A;0,5;ok\n2026-11-01 01:10;A;0,5;ok\n", true)
	m := mapping(f, "time: t\ntime_format: YYYY-MM-DD hh:mm\nzone: America/Denver\nseparator: ;\ndecimal: ','\npoint: p\nvalue: v\nquality: q\nqualities: {ok: good}\npoints: {A: residual}\n")
	f.Fuzz(func(t *testing.T, text string, mapped bool) {
		with := m
		if !mapped {
			with = nil
		}
		es, r, err := read(text, with)
		if err != nil && !errors.As(err, new(*Fault)) {
			t.Fatalf("%T: %v", err, err)
		}
		var last time.Time
		for _, e := range es {
			if !r.Exact() && e.Time.Before(last) {
				t.Fatalf("%s after %s", e.Time, last)
			}
			last = e.Time
			for _, x := range e.Readings {
				if _, ok := points[x.Point]; !ok {
					t.Fatalf("a reading of %q", x.Point)
				}
			}
		}
	})
}

func FuzzMapping(f *testing.F) {
	f.Add("time: t\npoints: {r: residual}\n", "t,r\n2026-11-25T14:05:00Z,1\n")
	f.Add("time: t\ntime_format: MM/DD/YYYY hh:mm AM\nzone: -07:00\npoint: p\nvalue: v\nmissing: [x]\npoints: {r: room degC}\n", "t,p,v\n1/2/2026 3:04 PM,r,x\n")
	f.Fuzz(func(t *testing.T, text, csv string) {
		m, err := ParseMapping("columns.yaml", []byte(text))
		if err == nil {
			_, _, err = read(csv, m)
		}
		if err != nil && !errors.As(err, new(*Fault)) {
			t.Fatalf("%T: %v", err, err)
		}
	})
}
