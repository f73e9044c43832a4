package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
)

// readSite is a site file whose points lie on a peer of each kind.
func readSite(t *testing.T, tcp, serial string) string {
	return siteFile(t, func(s string) string {
		before, _, _ := strings.Cut(s, "lines:")
		return before + `lines:
  line-a: {kind: tcp, address: ` + tcp + `, timeout: 1s}
  line-b: {kind: rtu, device: ` + serial + `, baud: 19200, timeout: 500ms}
instruments:
  analyser:
    line: line-a
    unit: 1
    points:
      residual: {table: input-register, address: 100, type: float32, unit: mg/L, range: 0 to 5}
      swapped: {table: input-register, address: 100, type: float32, order: CDAB, unit: mg/L, range: 0 to 5}
      gas: {table: input-register, address: 102, type: uint16, current: 4000 to 20000, to: 0 to 10, unit: ppm}
      fan: {table: coil, address: 5}
  scales:
    line: line-b
    unit: 3
    points:
      weight: {table: holding-register, address: 0, type: int32, order: CDAB, unit: lb}
      count: {table: holding-register, address: 2, type: bcd16, unit: 1}
      silent: {table: holding-register, address: 3, type: uint16, no_reading: 65535, unit: 1}
      nothing: {table: holding-register, address: 4000, type: uint16, unit: 1}
`
	})
}

func readPeers(t *testing.T) (*peertest.ModbusTCP, *peertest.ModbusSerial) {
	// 0x3FC00000 is 1.5 by IEEE 754; 0x00000A32 is 2610.
	return peertest.Pymodbus(t, peertest.Map{1: {
			peertest.Inputs: {100: {0x3FC0, 0x0000, 20700}},
			peertest.Coils:  {5: {1}},
		}}), peertest.LibmodbusRTU(t, peertest.Map{3: {
			peertest.Holdings: {0: {0x0A32, 0x0000, 0x1984, 65535}},
		}}, 19200, "even", 3)
}

// decodeJSON reads one object a line.
func decodeJSON[T any](t *testing.T, text string) []T {
	t.Helper()
	var all []T
	for line := range strings.Lines(text) {
		var v T
		if err := json.Unmarshal([]byte(line), &v); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		all = append(all, v)
	}
	return all
}

type passJSON struct{ Points []pointJSON }

func TestReadPoints(t *testing.T) {
	tcp, serial := readPeers(t)
	site := readSite(t, tcp.Addr(), serial.Device())
	code, out, errs := runCommand(t, "read", "--site", site, "--json")
	if code != 1 || !strings.Contains(errs, "3 of 8 points not good: gas, silent, nothing") {
		t.Errorf("ended %d: %s", code, errs)
	}
	passes := decodeJSON[passJSON](t, out)
	if len(passes) != 1 || len(passes[0].Points) != 8 {
		t.Fatalf("expected one pass of 8 points:\n%s", out)
	}
	for i, want := range []struct {
		point, registers, quality string
		value                     float64
	}{
		{"residual", "0x3FC0 0x0000", "good", 1.5},
		{"swapped", "0x3FC0 0x0000", "good", 0x3FC0 * 0x1p-149}, // why a range alone does not find a wrong order
		{"gas", "0x50DC", "uncertain:over-range", 10.4375},
		{"fan", "1", "good", 1},
		{"weight", "0x0A32 0x0000", "good", 2610},
		{"count", "0x1984", "good", 1984},
		{"silent", "0xFFFF", "bad:no-reading", 0},
		{"nothing", "", "bad:exception-2", 0},
	} {
		p := passes[0].Points[i]
		if p.Point != want.point || strings.Join(p.Registers, " ") != want.registers || p.Quality != want.quality || p.Took <= 0 ||
			(p.Value == nil) != strings.HasPrefix(want.quality, "bad") || p.Value != nil && math.Abs(*p.Value-want.value) > 1e-9 {
			t.Errorf("%+v, expected %+v", p, want)
		}
	}
	if e := passes[0].Points[7].Error; !strings.Contains(e, "refuses to read holding register 4000 with exception 2") {
		t.Errorf("the error of the absent register is %q", e)
	}

	code, out, errs = runCommand(t, "read", "--site", site, "weight", "residual")
	for _, want := range []string{"POINT", "2610 lb", "1.5 mg/L", "0x0A32 0x0000", "holding-register", " ms"} {
		if code != 0 || !strings.Contains(out, want) {
			t.Errorf("two good points ended %d without %q:\n%s%s", code, want, out, errs)
		}
	}
	if strings.Contains(out, "count") {
		t.Errorf("a point that nobody asked for:\n%s", out)
	}
	tcp.Set(1, peertest.Inputs, 100, 0x40E0) // 7 mg/L
	code, out, _ = runCommand(t, "read", "--site", site, "residual")
	if code != 1 || !strings.Contains(out, "(7 mg/L)  bad:out-of-range") {
		t.Errorf("a value out of range ended %d:\n%s", code, out)
	}
}

func TestReadTellsOfALineThatIsDown(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l.Close() // nobody listens there now
	site := readSite(t, l.Addr().String(), "/dev/none")
	code, out, errs := runCommand(t, "read", "--site", site)
	if code != 1 || strings.Count(out, "bad:not-connected") != 8 || strings.Count(errs, "cannot reach "+l.Addr().String()) != 1 || strings.Count(errs, "cannot use /dev/none") != 1 {
		t.Errorf("ended %d:\n%s%s", code, out, errs)
	}
}

func TestReadRepeats(t *testing.T) {
	tcp, serial := readPeers(t)
	site := readSite(t, tcp.Addr(), serial.Device())
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var out, errs lockedBuffer
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"read", "--site", site, "--repeat", "20ms", "residual", "weight"}, &out, &errs)
	}()
	eventually(t, "the first value shows", func() bool { return strings.Contains(out.String(), "1.5 mg/L") })
	tcp.Set(1, peertest.Inputs, 100, 0x4010) // 2.25
	eventually(t, "the second value shows", func() bool { return strings.Contains(out.String(), "2.25 mg/L") })
	stop()
	if code := <-ended; code != 0 {
		t.Errorf("ended %d: %s", code, errs.String())
	}
	if row := regexp.MustCompile(`(?m)^residual +\d+ +0 +1 +1\.5 +2\.25 +mg/L +[\d.]+ ms$`); !row.MatchString(out.String()) {
		t.Errorf("no row %s in\n%s", row, out.String())
	}

	code, text, _ := runCommand(t, "read", "--site", site, "--json", "--repeat", "10ms", "--for", "50ms", "weight", "silent")
	type object struct {
		Points  []pointJSON
		Summary []tallyJSON
	}
	all := decodeJSON[object](t, text)
	last := all[len(all)-1]
	if code != 1 || len(all) < 2 || len(last.Summary) != 2 {
		t.Fatalf("ended %d:\n%s", code, text)
	}
	passes := len(all) - 1
	if w := last.Summary[0]; w.Point != "weight" || w.Reads != passes || w.NotGood != 0 || w.Least == nil || *w.Least != *w.Highest || w.Slowest <= 0 {
		t.Errorf("%+v after %d passes", w, passes)
	}
	if s := last.Summary[1]; s.Reads != passes || s.NotGood != passes || s.Least != nil || s.Highest != nil {
		t.Errorf("a point without any reading: %+v after %d passes", s, passes)
	}
}

// mbpoll reads registers with a program that nobody here wrote.
func mbpoll(t *testing.T, addr, kind string, unit, address, count int) []string {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(peertest.Tool(t, "mbpoll"), "-m", "tcp", "-p", port, "-a", strconv.Itoa(unit), "-0", "-1", "-B",
		"-r", strconv.Itoa(address), "-c", strconv.Itoa(count), "-t", kind, host).CombinedOutput()
	if err != nil {
		t.Fatalf("mbpoll: %v\n%s", err, out)
	}
	var values []string
	for _, m := range regexp.MustCompile(`(?m)^\[\d+\]:\s+(\S+)`).FindAllStringSubmatch(string(out), -1) {
		values = append(values, m[1])
	}
	return values
}

// TestReadRegisters reads the same registers with mbpoll.
func TestReadRegisters(t *testing.T) {
	peer := peertest.Libmodbus(t, peertest.Map{1: {
		peertest.Inputs: {100: {0x40E0, 0x0000, 0x1984, 0xFF85}},
		peertest.Coils:  {20: {1, 0, 1}},
	}})
	site := readSite(t, peer.Addr(), "/dev/none")
	code, out, errs := runCommand(t, "read", "--site", site, "--json", "--line", "line-a", "--unit", "1",
		"--table", "input-register", "--address", "100", "--quantity", "4", "--range", "0 to 10")
	if code != 0 {
		t.Fatalf("ended %d: %s", code, errs)
	}
	got := decodeJSON[rawJSON](t, out)[0]
	if want := mbpoll(t, peer.Addr(), "3:hex", 1, 100, 4); strings.Join(got.Registers, " ") != strings.Join(want, " ") {
		t.Errorf("registers %v, mbpoll reads %v", got.Registers, want)
	}
	find := func(address uint16, kind, order string) *decodingJSON {
		for _, d := range got.Decodings {
			if d.Address == address && d.Type == kind && d.Order == order {
				return &d
			}
		}
		return nil
	}
	theirs := func(kind string, address int) float64 {
		v, err := strconv.ParseFloat(mbpoll(t, peer.Addr(), kind, 1, address, 1)[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, c := range []struct {
		address     uint16
		kind, order string
		want        float64
		inside      bool
	}{
		{100, "float32", "ABCD", theirs("3:float", 100), true},
		{100, "uint32", "ABCD", theirs("3:int", 100), false},
		{100, "uint16", "ABCD", theirs("3", 100), false},
		{101, "uint16", "ABCD", theirs("3", 101), true},
		{103, "int16", "ABCD", -123, false},
		{102, "bcd16", "ABCD", 1984, false},
		{102, "bcd16", "BADC", 8419, false},
	} {
		d := find(c.address, c.kind, c.order)
		if d == nil || d.Value != c.want || d.Inside == nil || *d.Inside != c.inside {
			t.Errorf("%d as %s %s is %+v, expected %v, inside %v", c.address, c.kind, c.order, d, c.want, c.inside)
		}
	}
	for reason, d := range map[string]*decodingJSON{
		"a signed integer that equals the unsigned one": find(100, "int16", "ABCD"),
		"digits that are none":                          find(100, "bcd16", "ABCD"),
		"an order that one register has not":            find(100, "uint16", "CDAB"),
		"a value beyond the last register":              find(103, "uint32", "ABCD"),
	} {
		if d != nil {
			t.Errorf("%s: %+v", reason, d)
		}
	}

	_, out, _ = runCommand(t, "read", "--site", site, "--line", "line-a", "--unit", "1", "--table", "input-register", "--address", "100", "--quantity", "2", "--range", "0 to 10")
	if row := regexp.MustCompile(`(?m)^100 +0x40E0 0x0000 +float32 +ABCD +7 +inside$`); !row.MatchString(out) {
		t.Errorf("no row %s in\n%s", row, out)
	}
	code, out, _ = runCommand(t, "read", "--site", site, "--line", "line-a", "--unit", "1", "--table", "coil", "--address", "20", "--quantity", "3")
	if row := regexp.MustCompile(`(?m)^20 +1\n21 +0\n22 +1$`); code != 0 || !row.MatchString(out) {
		t.Errorf("coils ended %d:\n%s", code, out)
	}
	code, _, errs = runCommand(t, "read", "--site", site, "--line", "line-a", "--unit", "9", "--address", "0")
	if code != 1 || !strings.Contains(errs, "(unit 9) refuses") {
		t.Errorf("an absent unit ended %d: %s", code, errs)
	}
}

// Stopped before an answer came, read says so.
func TestReadStopped(t *testing.T) {
	site := readSite(t, "127.0.0.1:9", "/dev/none")
	ctx, stop := context.WithCancel(t.Context())
	stop()
	for _, args := range [][]string{nil, {"--repeat", "1s"}, {"--line", "line-a", "--unit", "1", "--address", "0"}} {
		var out, errs lockedBuffer
		if code := run(ctx, append([]string{"read", "--site", site}, args...), &out, &errs); code != 1 || errs.String() != "ebbwatch: stopped before all was read\n" {
			t.Errorf("%q ended %d: %s%s", args, code, out.String(), errs.String())
		}
	}
}

func TestReadBadInput(t *testing.T) {
	site := readSite(t, "127.0.0.1:9", "/dev/none")
	registers := func(more ...string) []string {
		return append([]string{"--line", "line-b", "--unit", "3", "--address", "0"}, more...)
	}
	for _, c := range []struct {
		reason string
		args   []string
		want   string
	}{
		{"an unknown point", []string{"wieght"}, `no point "wieght" in ` + site + ", expected one of residual, swapped, gas"},
		{"a flag behind a point", []string{"weight", "--json"}, `"--json" stands behind a point`},
		{"a limit alone", []string{"--for", "1s"}, "--repeat 1s --for 30s"},
		{"never", []string{"--repeat", "0s"}, "expected durations over 0"},
		{"points and registers", registers("weight"), "read either points or registers"},
		{"registers again and again", registers("--repeat", "1s"), "read either points or registers"},
		{"no unit", []string{"--line", "line-a", "--address", "0"}, "--unit is missing"},
		{"no line", []string{"--unit", "1", "--address", "0"}, "--line is missing"},
		{"an unknown line", registers("--line", "line-z"), `no line "line-z" in ` + site + ", expected one of line-a, line-b"},
		{"unit 0 of a serial line", registers("--unit", "0"), "unit 0, expected 1 to 247 on a serial line"},
		{"a unit beyond a byte", registers("--line", "line-a", "--unit", "256"), "unit 256 and address 0"},
		{"an address beyond the table", registers("--address", "65536"), "address 65536"},
		{"registers beyond the table", registers("--address", "65534"), "addresses 65534 to 65537"},
		{"an unknown table", registers("--table", "holding"), `table "holding", expected one of [coil`},
		{"too many", registers("--quantity", "126"), "126 addresses, expected 1 to 125 of a holding-register in one request"},
		{"too many bits", registers("--table", "coil", "--quantity", "2001"), "expected 1 to 2000 of a coil"},
		{"none", registers("--quantity", "0"), "0 addresses"},
		{"a range backward", registers("--range", "10 to 0"), `--range "10 to 0", expected two numbers, the lower first`},
		{"no range", registers("--range", "10"), "expected two numbers"},
	} {
		code, out, errs := runCommand(t, append([]string{"read", "--site", site}, c.args...)...)
		if code != 2 || !strings.Contains(errs, c.want) || out != "" {
			t.Errorf("%s: %q ended %d, expected 2 and %q\n%s%s", c.reason, c.args, code, c.want, out, errs)
		}
	}
	if code, out, _ := runCommand(t, "read", "--help"); code != 0 || !strings.Contains(out, "ebbwatch read --site site.yaml") {
		t.Errorf("help ended %d:\n%s", code, out)
	}
	if code, _, errs := runCommand(t, "read"); code != 2 || !strings.Contains(errs, "give a site file with --site FILE") {
		t.Errorf("no site ended %d: %s", code, errs)
	}
}

func FuzzParseRange(f *testing.F) {
	for _, s := range []string{"", "0 to 10", "10 to 0", "nan to 1", "-inf to inf", "1 to 2 to 3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := parseRange(s)
		if err == nil && r != nil && !(r[0] < r[1]) || err != nil && !strings.Contains(err.Error(), fmt.Sprintf("%q", s)) {
			t.Errorf("%q is %v, %v", s, r, err)
		}
	})
}
