package field

import (
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

var one = units.MustParse("1")

// unhex reads bytes as they are written in a specification.
func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestDecode(t *testing.T) {
	register := func(kind, order string) Point {
		return Point{Table: HoldingRegister, Type: kind, Order: order, Scale: 1, Unit: one}
	}
	with := func(p Point, change func(*Point)) Point { change(&p); return p }
	good := reading.GoodQuality()
	for _, c := range []struct {
		reason string
		p      Point
		data   string
		want   float64
		q      reading.Quality
	}{
		// MODBUS Application Protocol Specification V1.1b3, 6.3 and 6.4, from memory.
		{"the specification's first holding register", register("uint16", "ABCD"), "02 2B", 555, good},
		{"its third", register("int16", ""), "00 64", 100, good},
		{"its input register", with(register("uint16", ""), func(p *Point) { p.Table = InputRegister }), "00 0A", 10, good},

		{"16 bits, low register first: one register has no other", register("uint16", "CDAB"), "12 34", 0x1234, good},
		{"16 bits, bytes swapped", register("uint16", "BADC"), "34 12", 0x1234, good},
		{"16 bits, low byte first", register("uint16", "DCBA"), "34 12", 0x1234, good},
		{"lowest int16, two's complement", register("int16", "ABCD"), "80 00", -32768, good},
		{"highest uint16", register("uint16", "ABCD"), "FF FF", 65535, good},
		{"int16 of the same bits", register("int16", "ABCD"), "FF FF", -1, good},
		{"int32 -2", register("int32", "ABCD"), "FF FF FF FE", -2, good},
		{"int32 -2, low register first", register("int32", "CDAB"), "FF FE FF FF", -2, good},
		{"uint32", register("uint32", "ABCD"), "12 34 56 78", 0x12345678, good},
		{"uint32, low register first", register("uint32", "CDAB"), "56 78 12 34", 0x12345678, good},
		{"uint32, bytes swapped", register("uint32", "BADC"), "34 12 78 56", 0x12345678, good},
		{"uint32, low byte first", register("uint32", "DCBA"), "78 56 34 12", 0x12345678, good},
		{"int64 -2", register("int64", "ABCD"), "FF FF FF FF FF FF FF FE", -2, good},
		{"uint64", register("uint64", "ABCD"), "00 01 02 03 04 05 06 07", 0x1020304050607, good},
		{"uint64, low register first", register("uint64", "CDAB"), "06 07 04 05 02 03 00 01", 0x1020304050607, good},
		{"uint64, bytes swapped", register("uint64", "BADC"), "01 00 03 02 05 04 07 06", 0x1020304050607, good},
		{"uint64, low byte first", register("uint64", "DCBA"), "07 06 05 04 03 02 01 00", 0x1020304050607, good},
		{"2^53 + 1 is the first integer that rounds", register("uint64", "ABCD"), "00 20 00 00 00 00 00 01", 1 << 53, good},
		{"highest uint64 rounds up", register("uint64", "ABCD"), "FF FF FF FF FF FF FF FF", 1 << 64, good},

		// IEEE 754-2019, 3.4: sign, biased exponent, trailing significand.
		{"float32 1", register("float32", "ABCD"), "3F 80 00 00", 1, good},
		{"float32 -2", register("float32", "ABCD"), "C0 00 00 00", -2, good},
		{"float32 nearest pi", register("float32", "ABCD"), "40 49 0F DB", float64(float32(math.Pi)), good},
		{"float32 nearest pi, low register first", register("float32", "CDAB"), "0F DB 40 49", float64(float32(math.Pi)), good},
		{"float32 nearest pi, bytes swapped", register("float32", "BADC"), "49 40 DB 0F", float64(float32(math.Pi)), good},
		{"float32 nearest pi, low byte first", register("float32", "DCBA"), "DB 0F 49 40", float64(float32(math.Pi)), good},
		{"least float32", register("float32", "ABCD"), "00 00 00 01", 0x1p-149, good},
		{"float64 nearest pi", register("float64", "ABCD"), "40 09 21 FB 54 44 2D 18", math.Pi, good},
		{"float64 nearest pi, low register first", register("float64", "CDAB"), "2D 18 54 44 21 FB 40 09", math.Pi, good},
		{"quiet NaN", register("float32", "ABCD"), "7F C0 00 00", 0, reading.BadBecause(reading.NotANumber)},
		{"signalling NaN", register("float32", "ABCD"), "7F 80 00 01", 0, reading.BadBecause(reading.NotANumber)},
		{"infinity", register("float32", "ABCD"), "7F 80 00 00", 0, reading.BadBecause(reading.NotANumber)},
		{"minus infinity of 64 bits", register("float64", "ABCD"), "FF F0 00 00 00 00 00 00", 0, reading.BadBecause(reading.NotANumber)},
		{"scaled beyond every float64", with(register("float64", "ABCD"), func(p *Point) { p.Scale = 10 }), "7F EF FF FF FF FF FF FF", 0, reading.BadBecause(reading.NotANumber)},

		{"a bit of a register that is set", with(register("uint16", "ABCD"), func(p *Point) { p.Bit = new(15) }), "80 00", 1, good},
		{"a bit that is not", with(register("int16", "ABCD"), func(p *Point) { p.Bit = new(0) }), "FF FE", 0, good},
		{"a bit after the order", with(register("uint16", "BADC"), func(p *Point) { p.Bit = new(0) }), "01 00", 1, good},
		{"a coil that is on", Point{Table: Coil, Type: "bit", Scale: 1, Unit: one}, "01", 1, good},
		{"a contact that opens on alarm, turned round", Point{Table: DiscreteInput, Type: "bit", Scale: -1, Offset: 1, Unit: one}, "00", 1, good},

		{"4 to 20 mA as 0 to 4095 in degF", Point{Table: InputRegister, Type: "uint16", Scale: 0.1, Offset: -40, Unit: units.MustParse("degF")}, "03 98", (52 - 32) / 1.8, good},
		{"a field of bits", with(register("uint16", "ABCD"), func(p *Point) { p.Bits = &[2]int{4, 7} }), "12 A4", 0xA, good},
		{"a field of the two highest bits", with(register("uint16", "ABCD"), func(p *Point) { p.Bits = &[2]int{14, 15} }), "BF FF", 2, good},
		{"a field after the order, across registers", with(register("uint32", "CDAB"), func(p *Point) { p.Bits = &[2]int{12, 19} }), "A0 00 00 0B", 0xBA, good},
		{"a field of all 64 bits", with(register("uint64", "ABCD"), func(p *Point) { p.Bits = &[2]int{0, 63} }), "00 00 00 00 00 00 00 05", 5, good},
		{"a field that is scaled", with(register("uint16", "ABCD"), func(p *Point) { p.Bits, p.Scale, p.Offset = &[2]int{0, 3}, 0.5, 1 }), "FF F4", 3, good},

		// Binary-coded decimal: four bits, 8-4-2-1, for each digit.
		{"four decimal digits", register("bcd16", "ABCD"), "19 84", 1984, good},
		{"bytes swapped", register("bcd16", "BADC"), "84 19", 1984, good},
		{"eight decimal digits", register("bcd32", "ABCD"), "12 34 56 78", 12345678, good},
		{"low register first", register("bcd32", "CDAB"), "56 78 12 34", 12345678, good},
		{"the highest", register("bcd32", "ABCD"), "99 99 99 99", 99999999, good},
		{"a zero", register("bcd16", "ABCD"), "00 00", 0, good},
		{"the last digit is none", register("bcd16", "ABCD"), "12 3A", 0, reading.BadBecause(reading.InvalidCode)},
		{"the first digit is none", register("bcd32", "ABCD"), "F0 00 00 01", 0, reading.BadBecause(reading.InvalidCode)},

		{"65535 means no reading", with(register("uint16", "ABCD"), func(p *Point) { p.NoReading = []float64{65534, 65535} }), "FF FF", 0, reading.BadBecause(reading.NoReading)},
		{"so does the other one, whatever the scale", with(register("uint16", "ABCD"), func(p *Point) { p.NoReading, p.Scale = []float64{65534, 65535}, 0.01 }), "FF FE", 0, reading.BadBecause(reading.NoReading)},
		{"65533 is a value", with(register("uint16", "ABCD"), func(p *Point) { p.NoReading = []float64{65534, 65535} }), "FF FD", 65533, good},
		{"it comes before the range", with(register("int16", "ABCD"), func(p *Point) { p.NoReading, p.Range = []float64{-32768}, &[2]float64{0, 1} }), "80 00", 0, reading.BadBecause(reading.NoReading)},
		{"-9999.9 as the nearest float32", with(register("float32", "ABCD"), func(p *Point) { p.NoReading = []float64{-9999.9} }), "C6 1C 3F 9A", 0, reading.BadBecause(reading.NoReading)},
		{"all bits of a field", with(register("uint16", "ABCD"), func(p *Point) { p.Bits, p.NoReading = &[2]int{0, 3}, []float64{15} }), "00 0F", 0, reading.BadBecause(reading.NoReading)},

		{"a register too few", register("int32", "ABCD"), "00 01", 0, reading.BadBecause(reading.WrongReply)},
		{"a register too many", register("int16", "ABCD"), "00 01 00 02", 0, reading.BadBecause(reading.WrongReply)},
		{"no bit", Point{Table: Coil, Type: "bit", Scale: 1, Unit: one}, "", 0, reading.BadBecause(reading.WrongReply)},
		{"a type that is not known", register("int24", "ABCD"), "00 01", 0, reading.BadBecause(reading.WrongReply)},
	} {
		got, q := Decode(c.p, unhex(t, c.data))
		if math.Abs(got-c.want) > 1e-12*math.Abs(c.want) || q != c.q {
			t.Errorf("%s: % s is %v, %v; expected %v, %v", c.reason, c.data, got, q, c.want, c.q)
		}
	}
}

func TestDecodeRange(t *testing.T) {
	ppm := units.MustParse("ppm")
	float := func(v float32) []byte { return binary.BigEndian.AppendUint32(nil, math.Float32bits(v)) }
	for _, c := range []struct {
		reason      string
		low, high   float64
		v           float32
		plain, kept string
	}{
		{"inside", 0, 10, 5, "good", "good"},
		{"at the top", 0, 10, 10, "good", "good"},
		{"at the bottom", 0, 10, 0, "good", "good"},
		{"float32 of the top is a little more than it", 0, 0.1, 0.1, "good", "good"},
		{"above", 0, 10, 10.01, "bad:out-of-range", "uncertain:over-range"},
		{"far above", 0, 10, 1e30, "bad:out-of-range", "uncertain:over-range"},
		{"drift below zero", 0, 10, -0.4, "bad:out-of-range", "uncertain:under-range"},
		{"5 % of the span below", 0, 10, -0.5, "bad:out-of-range", "uncertain:under-range"},
		{"a sensor that fell out", 0, 10, -0.6, "bad:out-of-range", "bad:out-of-range"},
		{"5 % of the span, not of the limit", -40, 140, -48.9, "bad:out-of-range", "uncertain:under-range"},
		{"just more than that", -40, 140, -49.1, "bad:out-of-range", "bad:out-of-range"},
	} {
		p := Point{Table: InputRegister, Type: "float32", Scale: 1, Unit: ppm, Range: &[2]float64{c.low, c.high}}
		got, q := Decode(p, float(c.v))
		if got != float64(c.v) || q.String() != c.plain {
			t.Errorf("%s: %v is %v, %v; expected %s", c.reason, c.v, got, q, c.plain)
		}
		p.KeepOverRange = true
		if _, q := Decode(p, float(c.v)); q.String() != c.kept {
			t.Errorf("%s: a detector's %v is %v; expected %s", c.reason, c.v, q, c.kept)
		}
	}
	// A detector's gas whose registers have changed places is next to nothing.
	for _, c := range []struct {
		reason string
		v      float32
		want   string
	}{
		{"1.5 with its registers the other way round", math.Float32frombits(0x00003fc0), "bad:word-order"},
		{"0.7 likewise", math.Float32frombits(0x33333f33), "bad:word-order"},
		{"1.2 likewise", math.Float32frombits(0x999a3f99), "bad:word-order"},
		{"clean air", 0, "good"},
		{"clean air under a minus", float32(math.Copysign(0, -1)), "good"},
		{"a filter that runs out", 1e-10, "good"},
		{"noise", 0.0004, "good"},
		{"1.5 the right way round", 1.5, "good"},
	} {
		p := Point{Table: InputRegister, Type: "float32", Scale: 1, Unit: ppm, Range: &[2]float64{0, 10}, KeepOverRange: true}
		if _, q := Decode(p, float(c.v)); q.String() != c.want {
			t.Errorf("%s: %v, expected %s", c.reason, q, c.want)
		}
	}
	// The range is in the point's unit, the value in SI.
	p := Point{Table: InputRegister, Type: "int16", Scale: 1, Unit: units.MustParse("degF"), Range: &[2]float64{-40, 140}}
	if got, q := Decode(p, []byte{0, 140}); got < 59.9 || got > 60.1 || q != reading.GoodQuality() {
		t.Errorf("140 degF of -40 to 140 degF is %v degC, %v; expected 60, good", got, q)
	}
}

// TestDecodeAgainstStruct reads testdata/field/decode.csv, which decode.py beside
// it made with Python's struct module.
func TestDecodeAgainstStruct(t *testing.T) {
	file, err := os.Open("../../testdata/field/decode.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for i, row := range rows[1:] {
		kind, detail, order, registers, value, reason := row[0], row[1], row[2], row[3], row[4], row[5]
		seen[kind+" "+order]++
		data := unhex(t, registers)
		p := Point{Table: HoldingRegister, Type: kind, Order: order, Scale: 1, Unit: one}
		var text string
		switch low, high, both := strings.Cut(detail, " to "); {
		case kind == "text":
			p.Registers, text = len(data)/2, string(unhex(t, detail))
		case both:
			p.Bits = &[2]int{whole(t, low), whole(t, high)}
		case detail != "":
			p.Bit = new(whole(t, detail))
		}
		if err := p.check(); err != nil {
			t.Fatalf("row %d: %v", i+2, err)
		}
		want, wantQ := 0.0, reading.BadBecause(reason)
		if reason == "" {
			wantQ = reading.GoodQuality()
			if want, err = strconv.ParseFloat(value, 64); err != nil {
				t.Fatalf("row %d: %v", i+2, err)
			}
		}
		if v, q := Decode(p, data); v != want || q != wantQ || Text(p, data, "before") != text {
			t.Errorf("row %d: %s %s %s of %s is %v, %v, %q; expected %v, %v, %q", i+2, kind, detail, order, registers, v, q, Text(p, data, "before"), want, wantQ, text)
		}
	}
	for _, kind := range []string{"int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bcd16", "bcd32", "text"} {
		for _, order := range orders[1:] {
			if kind == "text" && (order == "CDAB" || order == "DCBA") {
				continue
			}
			if seen[kind+" "+order] < 12 {
				t.Errorf("%d rows of %s %s, expected 12 or more", seen[kind+" "+order], kind, order)
			}
		}
	}
}

// The table's numbers are also what pymodbus decodes.
func TestStructAgreesWithPymodbus(t *testing.T) {
	// Skips the test where pymodbus is not installed.
	peertest.Pymodbus(t, peertest.Map{1: {peertest.Coils: {0: {0}}}})
	const dir = "../../testdata/field/"
	out, err := exec.Command("/usr/bin/python3", dir+"decode_pymodbus.py", dir+"decode.csv").CombinedOutput()
	if agree, _ := strconv.Atoi(strings.TrimSpace(string(out))); err != nil || agree < 700 {
		t.Errorf("%d numbers agree, expected 700 or more; %v: %s", agree, err, out)
	}
}

func whole(t *testing.T, s string) int {
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestText(t *testing.T) {
	for _, c := range []struct {
		reason, order, data string
		expect              []string
		text, q             string
		value               float64
	}{
		{"as expected", "ABCD", "4F 4B", []string{"OK"}, "OK", "good", 1},
		{"one of two", "ABCD", "52 55 4E 00", []string{"OK", "RUN"}, "RUN", "good", 1},
		{"another", "ABCD", "46 41", []string{"OK"}, "FA", "good", 0},
		{"the same in small letters is another", "ABCD", "6F 6B", []string{"OK"}, "ok", "good", 0},
		{"the beginning of an expected one is another", "ABCD", "4F 00", []string{"OK"}, "O", "good", 0},
		{"a space before is part of it", "ABCD", "20 4F 4B 20", []string{"OK"}, " OK", "good", 0},
		{"nothing is another", "ABCD", "00 00", []string{"OK"}, "", "good", 0},
		{"nothing, where that is expected", "ABCD", "20 00", []string{""}, "", "good", 1},
		{"any", "", "46 41", nil, "FA", "good", 1},
		{"bytes swapped", "BADC", "4B 4F", []string{"OK"}, "OK", "good", 1},
		{"a zero in front", "ABCD", "00 4F", []string{"O"}, "", "bad:invalid-code", 0},
		{"a zero behind, in the wrong order", "ABCD", "55 52 00 4E", []string{"RUN"}, "", "bad:invalid-code", 0},
		{"a letter beyond ASCII", "ABCD", "4F C4", nil, "", "bad:invalid-code", 0},
		{"a register too many", "ABCD", "4F 4B 4F 4B 4F 4B", []string{"OK"}, "", "bad:wrong-reply", 0},
		{"none", "ABCD", "", nil, "", "bad:wrong-reply", 0},
		{"half a register", "BADC", "4F", nil, "", "bad:wrong-reply", 0},
	} {
		data := unhex(t, c.data)
		p := Point{Table: HoldingRegister, Type: "text", Order: c.order, Registers: min(max(1, len(data)/2), 2), Expect: c.expect, Scale: 1, Unit: one}
		v, q := Decode(p, data)
		if text := Text(p, data, "OK"); text != c.text || v != c.value || q.String() != c.q {
			t.Errorf("%s: %s is %q, %v, %v; expected %q, %v, %s", c.reason, c.data, text, v, q, c.text, c.value, c.q)
		}
	}
	if text := Text(Point{Table: HoldingRegister, Type: "uint16", Scale: 1, Unit: one}, []byte("OK"), "OK"); text != "" {
		t.Errorf("a number has the text %q", text)
	}
}

func TestTextCostsNoMemoryWhileItStays(t *testing.T) {
	p := Point{Table: HoldingRegister, Type: "text", Order: "BADC", Registers: 4, Expect: []string{"RUNNING"}, Scale: 1, Unit: one}
	stays, expected := []byte("ACIL B\x00 "), []byte("URNNNI\x00G")
	last := Text(p, stays, "")
	if last != "CALIB" {
		t.Fatalf("the text is %q", last)
	}
	if n := testing.AllocsPerRun(100, func() {
		Decode(p, stays)
		last = Text(p, stays, last)
		if Text(p, expected, last) != "RUNNING" {
			t.Error("no RUNNING")
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("float32", "CDAB", []byte{0, 0, 0x7F, 0xC0}, 0.1, -3.0, true, "")
	f.Add("int64", "DCBA", []byte{1, 2, 3, 4, 5, 6, 7, 8}, 1.0, 0.0, false, "")
	f.Add("uint16", "BADC", []byte{0xFF, 0}, 1e308, 0.0, true, "")
	f.Add("bcd16", "ABCD", []byte{0x12, 0x3A}, 1.0, 0.0, true, "")
	f.Add("text", "BADC", []byte("KO\x00!"), 1.0, 0.0, false, "OK!")
	f.Add("text", "ABCD", []byte("OK\n\x00"), 1.0, 0.0, false, "")
	f.Fuzz(func(t *testing.T, kind, order string, data []byte, scale, offset float64, keep bool, expect string) {
		p := Point{
			Name: "p", Table: HoldingRegister, Type: kind, Order: order, Scale: scale, Offset: offset,
			Unit: units.MustParse("psig"), Range: &[2]float64{-1, 1}, KeepOverRange: keep,
		}
		if kind == "text" {
			p.Registers, p.Expect, p.Range, p.Scale, p.Offset, p.Unit = len(data)/2, []string{expect}, nil, 1, 0, one
		}
		if p.check() != nil {
			return
		}
		v, q := Decode(p, data)
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Errorf("value %v left the decoder", v)
		}
		if q.Level == reading.Good && (len(data) != 2*p.size() || p.Unit.FromSI(v) < -1.001 || p.Unit.FromSI(v) > 1.001) {
			t.Errorf("% X is good as %v", data, v)
		}
		text := Text(p, data, expect)
		if again := Text(p, data, text); again != text {
			t.Errorf("%q, then %q", text, again)
		}
		if !q.Usable() && text != "" || kind == "text" && q.Usable() && (v == 1) != (text == expect) {
			t.Errorf("% X is %v, %v and %q beside %q", data, v, q, text, expect)
		}
		if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' }) {
			t.Errorf("%q cannot be printed", text)
		}
	})
}

func BenchmarkDecode(b *testing.B) {
	p := Point{Table: HoldingRegister, Type: "int32", Order: "CDAB", Scale: 0.01, Unit: units.MustParse("lb"), Range: &[2]float64{-20, 6000}}
	data := []byte{0x0B, 0xB8, 0, 1}
	b.ReportAllocs()
	for b.Loop() {
		Decode(p, data)
	}
}

func BenchmarkText(b *testing.B) {
	p := Point{Table: HoldingRegister, Type: "text", Order: "BADC", Registers: 8, Expect: []string{"RUNNING"}, Scale: 1, Unit: one}
	data := []byte("ACILRBTAOI N\x00\x00\x00\x00")
	last := ""
	b.ReportAllocs()
	for b.Loop() {
		Decode(p, data)
		last = Text(p, data, last)
	}
}
