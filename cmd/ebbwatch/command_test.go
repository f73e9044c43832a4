package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/field"
)

// command runs the program in this process and returns what it said.
func runCommand(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), args, &out, &errs)
	return code, out.String(), errs.String()
}

func TestCommandLine(t *testing.T) {
	for _, tc := range []struct {
		reason string
		args   []string
		code   int
		out    string // in standard output
		err    string // in standard error
	}{
		{"no command", nil, 2, "", "Usage: ebbwatch COMMAND"},
		{"help is an answer", []string{"help"}, 0, "watch the plant that a site file describes", ""},
		{"unknown command", []string{"watch"}, 2, "", `there is no command "watch"`},
		{"a command's help", []string{"run", "--help"}, 0, "ebbwatch run --site /etc/ebbwatch/site.yaml", ""},
		{"unknown flag", []string{"run", "--sight", "x"}, 2, "", "ebbwatch run --help"},
		{"stray word", []string{"check", "--site", "x", "y"}, 2, "", `"y" is not understood`},
		{"no site", []string{"run"}, 2, "", "give a site file with --site FILE"},
		{"site file missing", []string{"run", "--site", "no-such-file.yaml"}, 2, "", "no-such-file.yaml"},
		{"demo too fast", []string{"demo", "--speed", "1e9"}, 2, "", "expected 1 to 1440"},
		{"demo for a negative time", []string{"demo", "--for", "-1s"}, 2, "", "must not be negative"},
		{"version", []string{"version"}, 0, "go1.", ""},
		{"check of the example", []string{"check", "--site", "../../testdata/sites/kestrel-ridge.yaml"}, 0, "gas-1-level-2", ""},
		{"check of the smallest example", []string{"check", "--site", "../../testdata/sites/minimal.yaml"}, 0, "is in order", ""},
	} {
		code, out, errs := runCommand(t, tc.args...)
		if code != tc.code || !strings.Contains(out, tc.out) || !strings.Contains(errs, tc.err) {
			t.Errorf("%s: %q ended %d, expected %d\nstdout: %s\nstderr: %s", tc.reason, tc.args, code, tc.code, out, errs)
		}
	}
}

// siteFile writes a small site file into a folder of its own and returns its
// path. The edit changes its text first.
func siteFile(t *testing.T, edit func(string) string) string {
	t.Helper()
	dir := t.TempDir()
	text := `ebbwatch: 1
site: little-brook
title: Little Brook
time_zone: UTC
state_dir: ` + filepath.Join(dir, "state") + `
listen: 127.0.0.1:0
lines:
  line-a: {kind: tcp, address: 127.0.0.1:9, timeout: 200ms}
instruments:
  analyser:
    line: line-a
    unit: 1
    every: 1s
    points:
      residual: {table: input-register, address: 0, type: float32, unit: mg/L, range: 0 to 5}
residuals:
  residual: {place: entry point}
`
	if edit != nil {
		text = edit(text)
	}
	path := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Whatever is wrong at the start ends with status 2 and a sentence that says
// what to do, before anything is polled.
func TestBadStart(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	replace := func(old, with string) func(string) string {
		return func(s string) string {
			if !strings.Contains(s, old) {
				t.Fatalf("the site file has no %q to replace", old)
			}
			return strings.Replace(s, old, with, 1)
		}
	}
	for _, tc := range []struct {
		reason string
		edit   func(string) string
		want   []string
	}{
		{"port taken", replace("listen: 127.0.0.1:0", "listen: "+taken.Addr().String()),
			[]string{"cannot listen on " + taken.Addr().String(), "choose another in listen"}},
		{"journal folder not writable", func(s string) string {
			file := filepath.Join(t.TempDir(), "a-file")
			if err := os.WriteFile(file, nil, 0o600); err != nil {
				t.Fatal(err)
			}
			i := strings.Index(s, "state_dir: ")
			j := strings.Index(s[i:], "\n")
			return s[:i] + "state_dir: " + filepath.Join(file, "state") + s[i+j:]
		}, []string{"a-file", "state_dir"}},
		{"site file of the wrong kind", func(string) string { return "services:\n  web: {image: x}\n" }, []string{"site.yaml:", "expected"}},
		{"every fault at once", func(s string) string {
			s = replace("unit: mg/L", "unit: ppm")(s)
			s = replace("every: 1s", "evry: 1s")(s)
			return replace("line: line-a", "line: line-z")(s)
		}, []string{"site.yaml:11: found", "site.yaml:13: found", "site.yaml:17: found", "evry", "line-z", "gas in air"}},
	} {
		code, _, errs := runCommand(t, "run", "--site", siteFile(t, tc.edit))
		if code != 2 {
			t.Errorf("%s: ended %d, expected 2\n%s", tc.reason, code, errs)
		}
		for _, want := range tc.want {
			if !strings.Contains(errs, want) {
				t.Errorf("%s: standard error lacks %q:\n%s", tc.reason, want, errs)
			}
		}
	}
}

// At 9600 baud with parity a character has 11 bits. A request of 8 bytes and a
// reply of 5 and two for each register take 24.1 ms for 4 registers, and two
// silences of 3.5 characters 8.0 ms.
func TestCheckShowsThePlan(t *testing.T) {
	code, out, errs := runCommand(t, "check", "--site", "../../testdata/sites/kestrel-ridge.yaml")
	for _, want := range []string{
		`(?m)^line-b, rtu through /dev/ttyUSB0: all is read once in 124\.0 ms, which is 12 % of the shortest period; in use for 8 % of the time$`,
		`(?m)^north-scales +11 +2s +holding-register +0\+4 +8\+13 +32\.1 ms +10\.0 ms +2\.1 % +2\.124s +5\.184s +north-1-weight, north-2-weight$`,
		// It waits for one request to others of 42.1 ms, then takes 39.8 ms; a
		// dead neighbour holds the line for the timeout and a grace of 500 ms.
		`(?m)^chlorine-room-air \(goes first\) +13 .* 4\.0 % +1\.082s +2\.34s +gas-1-ppm, gas-2-ppm, room-temperature$`,
		`(?m)^A unit that does not answer holds the line for 1300\.0 ms at a time; after a few attempts for at most 10 % of the time\.$`,
	} {
		if code != 0 || !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("ended %d without %s\n%s%s", code, want, out, errs)
		}
	}
	path := siteFile(t, func(s string) string {
		s = strings.Replace(s, "kind: tcp, address: 127.0.0.1:9", "kind: rtu, device: /dev/ttyUSB0, baud: 1200", 1)
		s = strings.Replace(s, "timeout: 200ms", "timeout: 1s", 1)
		return strings.Replace(s, "every: 1s", "every: 100ms", 1)
	})
	if code, out, _ := runCommand(t, "check", "--site", path); code != 0 || !strings.Contains(out, "polls will be left out") {
		t.Errorf("a line that cannot keep up ended %d:\n%s", code, out)
	}
}

// Points of two periods: the request every 5 s reads both, and each point has its
// own age. On a network an instrument is assumed to answer in 5 ms.
func TestCheckShowsPeriods(t *testing.T) {
	point := func(name string, address uint16, every time.Duration) field.Point {
		return field.Point{Name: name, Table: field.HoldingRegister, Address: address, Type: "uint16", Every: every}
	}
	var out bytes.Buffer
	err := showLines(&out, []field.Line{{
		Name: "line-a", Kind: field.TCP, Address: "192.0.2.1:502", Timeout: 400 * time.Millisecond,
		Instruments: []field.Instrument{{Name: "meters", Unit: 3, Every: time.Second, Points: []field.Point{
			point("flow", 0, 0), point("total", 4, 5*time.Second), point("level", 200, 0),
		}}},
	}})
	for _, want := range []string{
		`(?m)^line-a, tcp through 192\.0\.2\.1:502: all is read once in 10\.0 ms, which is 1 % of the shortest period; in use for 1 % of the time$`,
		`(?m)^A unit that does not answer holds the line for 400\.0 ms at a time; after a few attempts for at most 8 % of the time\.$`,
		`(?m)^Every 1s unless 5s: when the points of 5s are due too, the requests every 5s read both\.$`,
		`(?m)^meters +3 +1s unless 5s +holding-register +0\+1 +12\+11 +0\.0 ms +5\.0 ms +0\.4 % +1\.01s +1\.01s +flow$`,
		`(?m)^meters +3 +5s +holding-register +0\+5 +12\+19 +0\.0 ms +5\.0 ms +0\.1 % +1\.01s to 5\.01s +1\.01s to 5\.01s +flow \(1\.01s\), total \(5\.01s\)$`,
	} {
		if err != nil || !regexp.MustCompile(want).MatchString(out.String()) {
			t.Errorf("error %v, without %s\n%s", err, want, out.String())
		}
	}
}

// What run would refuse, check refuses too.
func TestCheckFindsWhatALineCannotCarry(t *testing.T) {
	path := siteFile(t, func(s string) string {
		return strings.Replace(s, "kind: tcp, address: 127.0.0.1:9, timeout: 200ms", "kind: rtu, device: /dev/ttyUSB0, baud: 1200, timeout: 50ms", 1)
	})
	for _, word := range []string{"check", "run"} {
		if code, _, errs := runCommand(t, word, "--site", path); code != 2 || !strings.Contains(errs, "longer than the timeout of 50 ms") {
			t.Errorf("%s ended %d, expected 2: %s", word, code, errs)
		}
	}
}

// A daemon whose instruments are all silent keeps running, says so, and stops
// with status 0 when asked.
func TestStopIsOrderly(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	errs := &lockedBuffer{}
	done := make(chan int, 1)
	go func() { done <- run(ctx, []string{"run", "--site", siteFile(t, nil)}, &bytes.Buffer{}, errs) }()
	eventually(t, "the daemon watches and says that the line is down", func() bool {
		s := errs.String()
		return strings.Contains(s, "watching") && strings.Contains(s, "line-a")
	})
	cancel()
	if code := <-done; code != 0 {
		t.Errorf("stopping ended %d\n%s", code, errs.String())
	}
}
