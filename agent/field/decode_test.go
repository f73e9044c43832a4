package field

import (
	"encoding/binary"
	"encoding/hex"
	"math"
	"strings"
	"testing"

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
	// The range is in the point's unit, the value in SI.
	p := Point{Table: InputRegister, Type: "int16", Scale: 1, Unit: units.MustParse("degF"), Range: &[2]float64{-40, 140}}
	if got, q := Decode(p, []byte{0, 140}); got < 59.9 || got > 60.1 || q != reading.GoodQuality() {
		t.Errorf("140 degF of -40 to 140 degF is %v degC, %v; expected 60, good", got, q)
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("float32", "CDAB", []byte{0, 0, 0x7F, 0xC0}, 0.1, -3.0, true)
	f.Add("int64", "DCBA", []byte{1, 2, 3, 4, 5, 6, 7, 8}, 1.0, 0.0, false)
	f.Add("uint16", "BADC", []byte{0xFF, 0}, 1e308, 0.0, true)
	f.Add("bcd16", "ABCD", []byte{0x12, 0x3A}, 1.0, 0.0, true)
	f.Fuzz(func(t *testing.T, kind, order string, data []byte, scale, offset float64, keep bool) {
		p := Point{
			Name: "p", Table: HoldingRegister, Type: kind, Order: order, Scale: scale, Offset: offset,
			Unit: units.MustParse("psig"), Range: &[2]float64{-1, 1}, KeepOverRange: keep,
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
