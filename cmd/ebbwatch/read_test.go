package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/peertest"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
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
	if row := regexp.MustCompile(`(?m)^residual +\d+ +0 +0 +1 +1\.5 +2\.25 +mg/L +[\d.]+ ms +[\d.]+ ms +[\d.]+ ms +-$`); !row.MatchString(out.String()) {
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
	if w := last.Summary[0]; w.Point != "weight" || w.Reads != passes || w.NotGood != 0 || w.Least == nil || *w.Least != *w.Highest || w.Quickest <= 0 || w.Quickest > w.Mean || w.Mean > w.Slowest || w.Errors != 0 {
		t.Errorf("%+v after %d passes", w, passes)
	}
	if s := last.Summary[1]; s.Reads != passes || s.NotGood != passes || s.Errors != 0 || s.Why["bad:no-reading"] != passes || s.Least != nil || s.Highest != nil {
		t.Errorf("a point without any reading: %+v after %d passes", s, passes)
	}
}

// mbpoll reads registers with a program that nobody here wrote. -B takes the high
// register first, -0 counts addresses from 0.
func mbpoll(t *testing.T, addr, kind string, unit, address, count int, more ...string) []string {
	t.Helper()
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		t.Fatal(err)
	}
	args := append([]string{"-m", "tcp", "-p", port, "-a", strconv.Itoa(unit), "-0", "-1", "-r", strconv.Itoa(address), "-c", strconv.Itoa(count), "-t", kind}, more...)
	out, err := exec.Command(peertest.Tool(t, "mbpoll"), append(args, host)...).CombinedOutput()
	if err != nil {
		t.Fatalf("mbpoll: %v\n%s", err, out)
	}
	var values []string
	for _, m := range regexp.MustCompile(`(?m)^\[\d+\]:\s+(\S+)`).FindAllStringSubmatch(string(out), -1) {
		values = append(values, m[1])
	}
	return values
}

// TestReadAsMbpollReads compares all four tables, and each number that mbpoll can
// make of registers, with what read shows.
func TestReadAsMbpollReads(t *testing.T) {
	// By IEEE 754: 1.234, -40.5 and 2610 as float32; -123456 in two's complement.
	inputs := []uint16{0x3F9D, 0xF3B6, 0xC222, 0x0000, 0x4523, 0x2000, 0xFFFE, 0x1DC0}
	holdings := []uint16{0xF3B6, 0x3F9D, 0x0000, 0xC222, 0x0A32, 0x0000, 0x1DC0, 0xFFFE}
	coils, discretes := []uint16{1, 0, 0, 1, 1, 1, 0, 1, 0, 1}, []uint16{0, 1, 1, 0, 0, 0, 1, 0, 1, 1}
	peer := peertest.Libmodbus(t, peertest.Map{1: {
		peertest.Inputs: {100: inputs}, peertest.Holdings: {100: holdings}, peertest.Coils: {20: coils}, peertest.Discretes: {20: discretes},
	}})
	site := readSite(t, peer.Addr(), "/dev/none")
	read := func(table string, address, quantity int) rawJSON {
		code, out, errs := runCommand(t, "read", "--site", site, "--json", "--line", "line-a", "--unit", "1",
			"--table", table, "--address", strconv.Itoa(address), "--quantity", strconv.Itoa(quantity))
		if code != 0 {
			t.Fatalf("%s ended %d: %s", table, code, errs)
		}
		return decodeJSON[rawJSON](t, out)[0]
	}
	for _, c := range []struct {
		table, kind       string
		address, quantity int
	}{{"coil", "0", 20, 10}, {"discrete-input", "1", 20, 10}, {"input-register", "3:hex", 100, 8}, {"holding-register", "4:hex", 100, 8}} {
		got, want := read(c.table, c.address, c.quantity).Registers, mbpoll(t, peer.Addr(), c.kind, 1, c.address, c.quantity)
		if len(got) != c.quantity || strings.Join(got, " ") != strings.Join(want, " ") {
			t.Errorf("%s: %v, mbpoll reads %v", c.table, got, want)
		}
	}
	compared := 0
	for table, kind := range map[string]string{"input-register": "3", "holding-register": "4"} {
		answer := read(table, 100, 8)
		for _, d := range answer.Decodings {
			address := int(d.Address)
			var theirs []string
			switch {
			case d.Order == "ABCD" && d.Type == "uint16":
				theirs = mbpoll(t, peer.Addr(), kind, 1, address, 1)
			case d.Order == "ABCD" && d.Type == "float32":
				theirs = mbpoll(t, peer.Addr(), kind+":float", 1, address, 1, "-B")
			case d.Order == "CDAB" && d.Type == "float32":
				theirs = mbpoll(t, peer.Addr(), kind+":float", 1, address, 1)
			case d.Order == "ABCD" && d.Type == "int32":
				theirs = mbpoll(t, peer.Addr(), kind+":int", 1, address, 1, "-B")
			case d.Order == "CDAB" && d.Type == "int32":
				theirs = mbpoll(t, peer.Addr(), kind+":int", 1, address, 1)
			default:
				continue
			}
			compared++
			// It prints six digits of a float, and what is over 32767 twice: 65535 (-1).
			v, err := strconv.ParseFloat(theirs[0], 64)
			if err != nil || math.Abs(*d.Value-v) > 1e-5*math.Abs(v) || !strings.HasPrefix(d.Type, "float") && *d.Value != v {
				t.Errorf("%s %d as %s %s is %v, mbpoll reads %v", table, address, d.Type, d.Order, *d.Value, theirs)
			}
		}
		for _, want := range []float64{float64(float32(1.234)), -40.5, 2610, -123456} {
			if !slices.ContainsFunc(answer.Decodings, func(d decodingJSON) bool { return d.Value != nil && *d.Value == want }) {
				t.Errorf("%s: no %v", table, want)
			}
		}
	}
	if compared < 24 {
		t.Errorf("%d values compared, expected 24 or more", compared)
	}
}

// TestReadRegisters reads the same registers with mbpoll.
func TestReadRegisters(t *testing.T) {
	peer := peertest.Libmodbus(t, peertest.Map{1: {
		peertest.Inputs: {100: {0x40E0, 0x0000, 0x1984, 0xFF85}},
		peertest.Coils:  {20: {1, 0, 1}},
	}})
	site := readSite(t, peer.Addr(), "/dev/none")
	code, out, errs := runCommand(t, "read", "--site", site, "--json", "--line", "line-a", "--unit", "1",
		"--table", "input-register", "--address", "100", "--quantity", "4", "--expect", "0 to 10")
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
		v, err := strconv.ParseFloat(mbpoll(t, peer.Addr(), kind, 1, address, 1, "-B")[0], 64)
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
		if d == nil || d.Value == nil || *d.Value != c.want || d.Inside == nil || *d.Inside != c.inside {
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

	_, out, _ = runCommand(t, "read", "--site", site, "--line", "line-a", "--unit", "1", "--table", "input-register", "--address", "100", "--quantity", "2", "--expect", "0 to 10")
	if row := regexp.MustCompile(`(?m)^100 +0x40E0 0x0000 +float32 +ABCD +1 +7$`); !row.MatchString(out) {
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

// TestReadChosen names points and an instrument: their registers are shown with
// all that these can mean.
func TestReadChosen(t *testing.T) {
	tcp, serial := readPeers(t)
	site := readSite(t, tcp.Addr(), serial.Device())
	code, out, errs := runCommand(t, "read", "--site", site, "swapped", "scales")
	for _, want := range []string{
		`(?m)^swapped is float32 CDAB, in mg/L$`,
		`(?m)^What they can mean, in each order of the bytes, \* inside 0 to 5 mg/L:$`,
		`(?m)^100 +float32 +1\.5 \* +-2\.984375 *$`,
		`(?m)^weight is int32 CDAB, in lb$`,
		`(?m)^0 +uint32 +171048960 +2610 +`,
		`(?m)^count is bcd16 ABCD$`,
		`(?m)^2 +0x1984 +6532 +\.\. +12 11 8 7 2$`,
		`(?m)^2 +bcd16 +1984 +8419 *$`,
	} {
		if code != 1 || !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("ended %d, no %s in\n%s%s", code, want, out, errs)
		}
	}
	if strings.Contains(out, "gas") {
		t.Errorf("a point of another instrument:\n%s", out)
	}
	if want := "swapped: as float32 CDAB its registers hardly make sense; float32 ABCD gives 1.5 mg/L: compare"; !strings.Contains(errs, want) {
		t.Errorf("no %q in\n%s", want, errs)
	}
	if strings.Contains(errs, "weight:") || strings.Contains(errs, "count:") {
		t.Errorf("a plausible value is doubted:\n%s", errs)
	}
	_, out, _ = runCommand(t, "read", "--site", site, "--json", "analyser")
	if pass := decodeJSON[passJSON](t, out)[0]; len(pass.Points) != 4 || len(pass.Points[0].Decodings) < 5 || pass.Points[3].Decodings != nil {
		t.Errorf("an instrument as JSON:\n%s", out)
	}
	tcp.Set(1, peertest.Inputs, 100, 0x40E0) // 7 mg/L
	if _, _, errs = runCommand(t, "read", "--site", site, "residual"); strings.Contains(errs, "hardly") {
		t.Errorf("nothing else fits, but a hint: %s", errs)
	}
}

func TestReadText(t *testing.T) {
	peer := peertest.Pymodbus(t, peertest.Map{1: {peertest.Holdings: {10: {0x4542, 0x5720, 0x3230, 0x3000}}}})
	probe, err := field.NewProbe(field.Line{Name: "line-a", Kind: field.TCP, Address: peer.Addr(), Timeout: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	defer probe.Close()
	p := field.Point{Name: "model", Table: field.HoldingRegister, Address: 10, Type: "text", Registers: 4, Scale: 1, Unit: units.MustParse("1")}
	r := &pointReader{targets: []target{{0, "line-a", field.Instrument{Name: "analyser", Unit: 1}, p}}, chosen: true, probes: []*field.Probe{probe}, tallies: make([]tally, 1)}
	show := func() string {
		var out bytes.Buffer
		if err := r.once(t.Context(), r.table(&out, io.Discard, true)); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	if out := show(); !strings.Contains(out, `"EBW 200"  good`) || !strings.Contains(out, "text     \"EBW 200\"") {
		t.Errorf("a text:\n%s", out)
	}
	r.targets[0].point.Expect = []string{"EBW 300"}
	if out := show(); !strings.Contains(out, `"EBW 200", not as expected  good`) {
		t.Errorf("another text:\n%s", out)
	}
	var out bytes.Buffer
	if err := r.once(t.Context(), r.json(&out)); err != nil {
		t.Fatal(err)
	}
	if got := decodeJSON[passJSON](t, out.String())[0].Points[0]; got.Text != "EBW 200" || got.Value == nil || *got.Value != 0 {
		t.Errorf("as JSON: %s", out.String())
	}
	peer.Set(1, peertest.Holdings, 12, 0xFFFF)
	if out := show(); !strings.Contains(out, "-      bad:invalid-code") {
		t.Errorf("no text:\n%s", out)
	}
}

func TestReadDoubts(t *testing.T) {
	p := field.Point{Name: "p", Table: field.HoldingRegister, Type: "float32", Scale: 1, Unit: units.MustParse("mg/L"), Range: &[2]float64{0, 5}}
	loop := p
	loop.Current = &[2]float64{4, 20}
	integer := p
	integer.Type, integer.Scale = "uint32", 0.01
	for _, c := range []struct {
		reason string
		p      field.Point
		data   []byte
		want   string // a part of the hint
	}{
		{"a value", p, []byte{0x3F, 0xC0, 0, 0}, ""},
		{"zero", p, []byte{0, 0, 0, 0}, ""},
		{"a little over the range", p, []byte{0x40, 0xE0, 0, 0}, ""},
		{"a tiny number that is 1.5 in another order", p, []byte{0, 0, 0x3F, 0xC0}, "float32 CDAB gives 1.5 mg/L"},
		{"no number, but 1.496 in another order", p, []byte{0x7F, 0xC0, 0x3F, 0xBF}, "float32 CDAB gives 1.496"},
		{"a huge integer", integer, []byte{0, 123, 0, 0}, "uint32 CDAB gives 1.23 mg/L"},
		{"a loop, which NE 43 judges", loop, []byte{0, 0, 0x3F, 0xC0}, ""},
		{"no answer", p, nil, ""},
	} {
		s := field.Sample{Data: c.data, Quality: reading.BadBecause(reading.NoReply)}
		if c.data != nil {
			s.Value, s.Quality = field.Decode(c.p, c.data)
		}
		if got := (target{point: c.p}).hint(s); (got == "") != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, expected %q", c.reason, got, c.want)
		}
	}
}

// An integer that is inside by a tenth now and by a hundredth always is counted in
// hundredths.
func TestReadKeepsTheScaleThatAlwaysFits(t *testing.T) {
	r := &rawReader{request: field.Request{Unit: 1, Table: field.HoldingRegister, Quantity: 1}, expected: &expectation{0.1, 4, "mg/L"}, cells: make([]cell, 1)}
	for _, v := range []byte{35, 45} {
		s := field.Sample{Data: []byte{0, v}, Quality: reading.GoodQuality()}
		r.add(s, decodings(r.request.Table, 0, s.Data, 1, 0, r.expected))
	}
	var out bytes.Buffer
	if err := r.showSummary(&out); err != nil || !regexp.MustCompile(`(?m)^0 +uint16 +ABCD +0\.01 +0\.35 +0\.45$`).MatchString(out.String()) {
		t.Errorf("%v:\n%s", err, out.String())
	}
}

// TestReadRegistersRepeats turns a value, as a person at an instrument would.
func TestReadRegistersRepeats(t *testing.T) {
	tcp, serial := readPeers(t)
	site := readSite(t, tcp.Addr(), serial.Device())
	start := func(args ...string) (out, errs *lockedBuffer, end func() int) {
		out, errs = &lockedBuffer{}, &lockedBuffer{}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan int, 1)
		go func() {
			ended <- run(ctx, append([]string{"read", "--site", site, "--line", "line-a", "--unit", "1", "--table", "input-register", "--address", "100", "--quantity", "3", "--repeat", "20ms"}, args...), out, errs)
		}()
		return out, errs, func() int { stop(); return <-ended }
	}
	out, errs, end := start("--expect", "1 mg/L to 3 mg/L")
	eventually(t, "a pass without a change shows", func() bool { return strings.Contains(out.String(), "no change") })
	tcp.Set(1, peertest.Inputs, 100, 0x4010) // 2.25
	eventually(t, "the change shows", func() bool { return strings.Contains(out.String(), "100: 16320 -> 16400\n") })
	if code := end(); code != 0 {
		t.Errorf("ended %d: %s", code, errs.String())
	}
	for _, want := range []string{
		`(?m)^100 +0x3FC0 +16320 +\?\. +13 12 11 10 9 8 7 6$`,
		`(?m)^\d+ reads, 0 failed, 1 with a change; quickest [\d.]+ ms, mean [\d.]+ ms, slowest [\d.]+ ms$`,
		`(?m)^100 +1 +16320 +16400\n101 +0 +0 +0\n102 +0 +20700 +20700$`,
		`(?m)^Inside 1 to 3 mg/L in every pass, the likely first:\n.*\n100 +float32 +ABCD +1 +1\.5 +2\.25$`,
	} {
		if !regexp.MustCompile(want).MatchString(out.String()) {
			t.Errorf("no %s in\n%s", want, out.String())
		}
	}

	out, _, end = start()
	eventually(t, "a pass shows", func() bool { return strings.Contains(out.String(), " ms\n") })
	tcp.Set(1, peertest.Inputs, 102, 20701)
	eventually(t, "the change shows", func() bool { return strings.Contains(out.String(), "102: 20700 -> 20701\n") })
	end()
	if _, text, _ := strings.Cut(out.String(), "What the registers that changed can mean:"); !regexp.MustCompile(`(?m)^102 +uint16 +ABCD +1 +20700 +20701$`).MatchString(text) || strings.Contains(text, "\n100 ") {
		t.Errorf("without an expectation:\n%s", out.String())
	}

	out, errs, end = start("--json", "--expect", "1 mg/L to 3 mg/L")
	eventually(t, "a pass shows", func() bool { return strings.Contains(out.String(), "decodings") })
	tcp.Set(1, peertest.Inputs, 100, 0x3FC0)
	eventually(t, "the change shows", func() bool { return strings.Contains(out.String(), "0x3FC0") })
	end()
	all := decodeJSON[struct {
		rawJSON
		Summary *rawSummaryJSON
	}](t, out.String())
	last := all[len(all)-1].Summary
	if last == nil || all[0].Summary != nil || all[0].Time.IsZero() || last.Reads != len(all)-1 || last.Changes != 1 || last.Errors != 0 || last.Quickest <= 0 || len(last.Addresses) != 3 {
		t.Fatalf("%+v in\n%s%s", last, out.String(), errs.String())
	}
	if a := last.Addresses[0]; a != (addressJSON{100, 1, 0x3FC0, 0x4010}) {
		t.Errorf("address %+v", a)
	}
	i := slices.IndexFunc(last.Decodings, func(m meaningJSON) bool { return m.Address == 100 && m.Type == "float32" && m.Order == "ABCD" })
	if i < 0 || *last.Decodings[i].Least != 1.5 || *last.Decodings[i].Highest != 2.25 || !*last.Decodings[i].Inside {
		t.Errorf("no float32 ABCD from 1.5 to 2.25 in %s", out.String())
	}
}

// A unit that is not there fails each pass, and is told of once.
func TestReadRegistersOfNobody(t *testing.T) {
	tcp, serial := readPeers(t)
	site := readSite(t, tcp.Addr(), serial.Device())
	code, out, errs := runCommand(t, "read", "--site", site, "--line", "line-b", "--unit", "3", "--address", "4000", "--repeat", "10ms", "--for", "100ms")
	if !regexp.MustCompile(`(?m)^(\d+) reads, \d+ failed, 0 with a change; .*\nbad:exception-2 \d+$`).MatchString(out) || code != 1 {
		t.Errorf("ended %d:\n%s", code, out)
	}
	if strings.Count(errs, "refuses to read holding registers 4000 to 4003") != 1 || !strings.Contains(errs, "one address that does not exist is enough") || !strings.Contains(errs, "reads failed: bad:exception-2") {
		t.Errorf("told as\n%s", errs)
	}
	code, out, errs = runCommand(t, "read", "--site", site, "--json", "--line", "line-b", "--unit", "3", "--address", "4000", "--repeat", "10ms", "--for", "50ms")
	if last := decodeJSON[struct{ Summary *rawSummaryJSON }](t, out); code != 1 || last[len(last)-1].Summary == nil || last[len(last)-1].Summary.Why["bad:exception-2"] == 0 {
		t.Errorf("ended %d:\n%s%s", code, out, errs)
	}
}

// Stopped before an answer came, read says so.
func TestReadStopped(t *testing.T) {
	site := readSite(t, "127.0.0.1:9", "/dev/none")
	ctx, stop := context.WithCancel(t.Context())
	stop()
	for _, args := range [][]string{nil, {"--repeat", "1s"}, {"--line", "line-a", "--unit", "1", "--address", "0"}, {"--line", "line-a", "--unit", "1", "--address", "0", "--repeat", "1s"}} {
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
		{"an unknown point", []string{"wieght"}, `no point and no instrument "wieght" in ` + site + ", expected one of residual, swapped, gas, fan, weight, count, silent, nothing; or of the instruments analyser, scales"},
		{"a flag behind a point", []string{"weight", "--json"}, `"--json" stands behind a point`},
		{"a limit alone", []string{"--for", "1s"}, "--repeat 1s --for 30s"},
		{"never", []string{"--repeat", "0s"}, "expected durations over 0"},
		{"points and registers", registers("weight"), "read either points or registers"},
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
		{"a range backward", registers("--expect", "10 to 0"), `--expect "10 to 0", expected two numbers, the lower first`},
		{"no range", registers("--expect", "much"), "expected two numbers"},
		{"a range of bits", registers("--table", "coil", "--expect", "0 to 1"), "a single bit is 0 or 1"},
		{"never again", registers("--repeat", "0s"), "expected durations over 0"},
		{"a limit of registers alone", registers("--for", "1s"), "--repeat 1s --for 30s"},
		{"no quantity", registers("--quantity", "many"), "invalid value"},
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

func TestParseExpect(t *testing.T) {
	for _, c := range []struct {
		reason, in string
		want       string // String of it, or a part of the error
	}{
		{"two numbers", "0 to 10", "0 to 10"},
		{"with units", "0.1 mg/L to 4 mg/L", "0.1 to 4 mg/L"},
		{"one unit for both", "-5 to 50 degC", "-5 to 50 degC"},
		{"the lower in another unit", "32 degF to 50 degC", "0 to 50 degC"},
		{"a number on a display", "1.23", "1.22 to 1.24"},
		{"one without decimals", " 2610 lb", "2609 to 2611 lb"},
		{"one below zero, without a space", "-0.5mg/L", "-0.6 to -0.4 mg/L"},
		{"backward", "10 to 0", "the lower first"},
		{"no span", "1 to 1", "the lower first"},
		{"no number", "low", `"low" does not start with a number`},
		{"no second number", "1 to much", `"much" does not start with a number`},
		{"an unknown unit", "1 mg/L to 2 mg/K", "mg/K"},
		{"units of two kinds", "1 mg/L to 2 kg", `"1 mg/L" and "2 kg" do not go together`},
		{"a unit that the higher has not", "1 mg/L to 2", "do not go together"},
		{"no end", "0 to inf", "expected two numbers"},
		{"not a number", "nan to 1", "expected two numbers"},
		{"an exponent on no display", "1e3", "the number on the display"},
	} {
		got, err := parseExpect(c.in)
		if err == nil && got.String() != c.want || err != nil && (!strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), c.in)) {
			t.Errorf("%s: %q is %v, %v; expected %s", c.reason, c.in, got, err, c.want)
		}
	}
	e := expectation{0.1, 4, "mg/L"}
	for _, c := range []struct {
		kind string
		v    float64
		want float64
	}{
		{"float32", 4, 1}, {"float32", float64(float32(0.1)), 1}, {"float32", 4.001, 0}, {"float32", 40, 0},
		{"uint16", 2, 1}, {"uint16", 5, 0.1}, {"bcd16", 41, 0.01}, {"int16", 3999, 0.001}, {"uint16", 4001, 0}, {"int16", -2, 0}, {"uint16", 0, 0},
	} {
		if got := e.factor(c.kind, c.v); got != c.want {
			t.Errorf("the factor of %s %v is %v, expected %v", c.kind, c.v, got, c.want)
		}
	}
}

func FuzzParseExpect(f *testing.F) {
	for _, s := range []string{"", "0 to 10", "10 to 0", "nan to 1", "-inf to inf", "1 to 2 to 3", "1.23", "0.1 mg/L to 4 mg/L", "1e308 to 1e309", "0x1p3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		e, err := parseExpect(s)
		if err == nil && e != nil && (!(e.low < e.high) || math.IsInf(e.low, 0) || math.IsInf(e.high, 0)) || err != nil && !strings.Contains(err.Error(), fmt.Sprintf("%q", s)) {
			t.Errorf("%q is %v, %v", s, e, err)
		}
	})
}
