package field

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"

	"ebbwatch/agent/units"
)

// currentLoop is testdata/field/current-loop.json, which names its sources.
type currentLoop struct {
	NE43 []struct {
		Value json.RawMessage `json:"value"`
	} `json:"ne43"`
	ScalingOracle struct {
		Value []struct {
			MA    float64  `json:"mA"`
			PPM   *float64 `json:"ppm"` // null at a failed sensor
			State string   `json:"state"`
		} `json:"value"`
	} `json:"scaling_oracle"`
}

func loadCurrentLoop(t *testing.T) (c currentLoop) {
	t.Helper()
	data, err := os.ReadFile("../../testdata/field/current-loop.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &c); err != nil {
		t.Fatal(err)
	}
	return c
}

// loop is a point of a loop of 0 to 10 ppm in microamperes.
func loop(detector bool) Point {
	return Point{
		Table: InputRegister, Type: "uint16", Scale: 10.0 / 16000, Offset: -2.5, Unit: units.MustParse("ppm"),
		Current: &[2]float64{4000, 20000}, Range: &[2]float64{0, 10}, KeepOverRange: detector,
	}
}

func counts(n uint16) []byte { return binary.BigEndian.AppendUint16(nil, n) }

func TestCurrentAgainstTheOracle(t *testing.T) {
	oracle := loadCurrentLoop(t).ScalingOracle.Value
	if len(oracle) < 9 {
		t.Fatalf("%d values, expected 9 or more", len(oracle))
	}
	for _, o := range oracle {
		for _, detector := range []bool{false, true} {
			got, q := Decode(loop(detector), counts(uint16(math.Round(o.MA*1000))))
			switch {
			case o.PPM == nil && q.String() != "bad:sensor-failure":
				t.Errorf("%v mA is %v, %v; expected a failed sensor", o.MA, got, q)
			case o.PPM != nil && (math.Abs(got-*o.PPM) > 1e-12 || q.String() != "good"):
				t.Errorf("%v mA is %v, %v; expected %v, good", o.MA, got, q, *o.PPM)
			}
		}
	}
}

// The bands are those of the file; the grade between them is ours.
func TestCurrentBands(t *testing.T) {
	var bands struct {
		FailLow  float64    `json:"fail_low_lt"`
		Measures [2]float64 `json:"meas"`
		FailHigh float64    `json:"fail_high_gt"`
	}
	if err := json.Unmarshal(loadCurrentLoop(t).NE43[0].Value, &bands); err != nil {
		t.Fatal(err)
	}
	microamperes := func(mA float64) uint16 { return uint16(math.Round(1000 * mA)) }
	failLow, low := microamperes(bands.FailLow), microamperes(bands.Measures[0])
	high, failHigh := microamperes(bands.Measures[1]), microamperes(bands.FailHigh)
	backward := loop(true)
	backward.Scale, backward.Offset = -backward.Scale, 12.5
	for _, c := range []struct {
		reason string
		raw    uint16
		want   string
		turned string // when 20 mA is the low end
	}{
		{"an open loop", 0, "bad:sensor-failure", "bad:sensor-failure"},
		{"the end of failing", failLow, "bad:sensor-failure", "bad:sensor-failure"},
		{"above it", failLow + 1, "uncertain:under-range", "uncertain:over-range"},
		{"under the least measured current", low - 1, "uncertain:under-range", "uncertain:over-range"},
		{"the least measured current", low, "good", "good"},
		{"the middle", 12000, "good", "good"},
		{"the highest measured current", high, "good", "good"},
		{"above it", high + 1, "uncertain:over-range", "uncertain:under-range"},
		{"under the end of failing", failHigh - 1, "uncertain:over-range", "uncertain:under-range"},
		{"the end of failing", failHigh, "bad:sensor-failure", "bad:sensor-failure"},
		{"a shorted loop", 65535, "bad:sensor-failure", "bad:sensor-failure"},
	} {
		for _, detector := range []bool{false, true} {
			if _, q := Decode(loop(detector), counts(c.raw)); q.String() != c.want {
				t.Errorf("%s: %d uA of a detector (%v) is %v, expected %s", c.reason, c.raw, detector, q, c.want)
			}
		}
		if _, q := Decode(backward, counts(c.raw)); q.String() != c.turned {
			t.Errorf("%s: %d uA the other way round is %v, expected %s", c.reason, c.raw, q, c.turned)
		}
	}
}

// A float32 beside a limit counts as at it: 3.8 mA is 3.79999995 in float32.
func TestCurrentAsFloat(t *testing.T) {
	p := Point{Table: InputRegister, Type: "float32", Scale: 0.625, Offset: -2.5, Unit: one, Current: &[2]float64{4, 20}}
	for mA, want := range map[float32]string{
		3.6: "bad:sensor-failure", 3.7: "uncertain:under-range", 3.8: "good", 20.5: "good", 20.7: "uncertain:over-range", 21: "bad:sensor-failure",
		float32(math.NaN()): "bad:not-a-number", float32(math.Inf(1)): "bad:not-a-number",
	} {
		if _, q := Decode(p, binary.BigEndian.AppendUint32(nil, math.Float32bits(mA))); q.String() != want {
			t.Errorf("%v mA is %v, expected %s", mA, q, want)
		}
	}
}

// Bands of a site file take the place of those of NE 43. A transmitter that
// measures from 4 to 20 mA alone, and fails at 2 and 22 mA, is an example.
func TestCurrentBandsOfTheSite(t *testing.T) {
	p := loop(true)
	p.Bands = &[4]float64{2, 4, 20, 22}
	for raw, want := range map[uint16]string{
		0: "bad:sensor-failure", 2000: "bad:sensor-failure", 2001: "uncertain:under-range", 3600: "uncertain:under-range", 3999: "uncertain:under-range",
		4000: "good", 20000: "good", 20001: "uncertain:over-range", 21999: "uncertain:over-range", 22000: "bad:sensor-failure",
	} {
		if _, q := Decode(p, counts(raw)); q.String() != want {
			t.Errorf("%d uA is %v, expected %s", raw, q, want)
		}
	}
	p.Bands = &[4]float64{3.6, 3.6, 21, 21} // nothing between
	for raw, want := range map[uint16]string{3600: "bad:sensor-failure", 3601: "good", 20999: "good", 21000: "bad:sensor-failure"} {
		if _, q := Decode(p, counts(raw)); q.String() != want {
			t.Errorf("without a band between: %d uA is %v, expected %s", raw, q, want)
		}
	}
}

// A current within the rounding of float32 of an edge counts as at the edge, and
// one ten times as far from it does not.
func TestCurrentBandsBesideTheirEdges(t *testing.T) {
	p := Point{Table: InputRegister, Type: "float64", Scale: 1, Unit: one, Current: &[2]float64{4, 20}}
	for _, bands := range []*[4]float64{nil, {1, 4, 20, 22}} {
		p.Bands = bands
		edges := ne43
		if bands != nil {
			edges = *bands
		}
		const bad, under, good, over = "bad:sensor-failure", "uncertain:under-range", "good", "uncertain:over-range"
		for i, want := range [4]struct{ below, near, at, above string }{
			{bad, bad, bad, under}, {under, good, good, good}, {good, good, good, over}, {over, bad, bad, bad},
		} {
			slack := rounding * edges[3]
			for _, c := range []struct {
				off  float64
				want string
			}{{-10 * slack, want.below}, {-slack / 2, want.near}, {0, want.at}, {slack / 2, want.at}, {10 * slack, want.above}} {
				data := binary.BigEndian.AppendUint64(nil, math.Float64bits(edges[i]+c.off))
				if _, q := Decode(p, data); q.String() != c.want {
					t.Errorf("%v %+g mA is %v, expected %s", edges[i], c.off, q, c.want)
				}
			}
		}
	}
}

func TestDecodingIsChecked(t *testing.T) {
	for _, c := range []struct {
		reason string
		change func(*Point)
		fault  string // empty for none
	}{
		{"bits of 32", func(p *Point) { p.Type, p.Bits = "uint32", &[2]int{0, 31} }, ""},
		{"bits backward", func(p *Point) { p.Bits = &[2]int{7, 4} }, "bits 7 to 4 of a uint16, expected a lower and a higher one of an unsigned integer"},
		{"bits of the next register", func(p *Point) { p.Bits = &[2]int{4, 16} }, "bits 4 to 16 of a uint16"},
		{"bits of a signed integer", func(p *Point) { p.Type, p.Bits = "int16", &[2]int{4, 7} }, "bits 4 to 7 of a int16"},
		{"bits of decimal digits", func(p *Point) { p.Type, p.Bits = "bcd16", &[2]int{4, 7} }, "bits 4 to 7 of a bcd16"},
		{"a bit and bits", func(p *Point) { p.Bit, p.Bits = new(1), &[2]int{4, 7} }, "bits 4 to 7"},
		{"bcd with an order", func(p *Point) { p.Type, p.Order = "bcd32", "CDAB" }, ""},
		{"a current", func(p *Point) { p.Current = &[2]float64{4000, 20000} }, ""},
		{"a current backward", func(p *Point) { p.Current = &[2]float64{20000, 4000} }, "current 20000 to 4000, expected the lower value at 4 mA"},
		{"a current of a bit", func(p *Point) { p.Bit, p.Current = new(1), &[2]float64{0, 1} }, "of whole registers"},
		{"a current of a coil", func(p *Point) { p.Table, p.Type, p.Current = Coil, "bit", &[2]float64{0, 1} }, "of whole registers"},
		{"bands of their own", func(p *Point) { p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{2, 4, 20, 22} }, ""},
		{"bands with nothing between", func(p *Point) { p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{3.6, 3.6, 21, 21} }, ""},
		{"bands of no loop", func(p *Point) { p.Bands = &[4]float64{3.6, 3.8, 20.5, 21} }, "bands without a current"},
		{"bands backward", func(p *Point) { p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{21, 20.5, 3.8, 3.6} }, "bands [21 20.5 3.8 3.6] mA, expected four currents, none lower than the one before"},
		{"bands that let an open loop pass", func(p *Point) { p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{-1, 3.8, 20.5, 21} }, "failed up to the first, of 0 or more"},
		{"bands that doubt 4 mA", func(p *Point) { p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{3.6, 4.1, 20.5, 21} }, "at most 4"},
		{"bands that doubt 20 mA", func(p *Point) { p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{3.6, 3.8, 19.9, 21} }, "at least 20"},
		{"bands without an end", func(p *Point) {
			p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{3.6, 3.8, 20.5, math.Inf(1)}
		}, "bands [3.6 3.8 20.5 +Inf] mA"},
		{"a band that is none", func(p *Point) {
			p.Current, p.Bands = &[2]float64{4000, 20000}, &[4]float64{3.6, math.NaN(), 20.5, 21}
		}, "bands [3.6 NaN 20.5 21] mA"},
		{"a current of a text", func(p *Point) { p.Type, p.Registers, p.Current = "text", 2, &[2]float64{0, 1} }, "of whole registers with a number"},
		{"a value that never arrives", func(p *Point) { p.Type, p.NoReading = "int16", []float64{65535} }, "no reading 65535 of a int16, expected a value that it can send, from -32768 to 32767 before scaling"},
		{"the highest of 64 bits", func(p *Point) { p.Type, p.NoReading = "uint64", []float64{math.MaxUint64} }, ""},
		{"a part of an integer", func(p *Point) { p.NoReading = []float64{1.5} }, "no reading 1.5 of a uint16"},
		{"a part of a float", func(p *Point) { p.Type, p.NoReading = "float32", []float64{-9999.9} }, ""},
		{"no number", func(p *Point) { p.Type, p.NoReading = "float64", []float64{math.NaN()} }, "no reading NaN of a float64"},
		{"more than four digits", func(p *Point) { p.Type, p.NoReading = "bcd16", []float64{10000} }, "from 0 to 9999"},
		{"more than the bits hold", func(p *Point) { p.Bits, p.NoReading = &[2]int{0, 3}, []float64{16} }, "from 0 to 15"},
		{"a text", func(p *Point) { p.Type, p.Registers, p.Order, p.Expect = "text", 2, "BADC", []string{"V1.2", ""} }, ""},
		{"the longest text", func(p *Point) { p.Type, p.Registers = "text", 125 }, ""},
		{"a text of nothing", func(p *Point) { p.Type = "text" }, "0 registers for a text, expected 1 to 125"},
		{"a text too long for a reply", func(p *Point) { p.Type, p.Registers = "text", 126 }, "126 registers for a text"},
		{"a text behind the last address", func(p *Point) { p.Type, p.Registers, p.Address = "text", 2, 65535 }, "address 65535, expected at most 65534"},
		{"a text of coils", func(p *Point) { p.Type, p.Registers, p.Table = "text", 2, Coil }, `type "text" does not go with a coil`},
		{"a text from its end", func(p *Point) { p.Type, p.Registers, p.Order = "text", 2, "DCBA" }, "order DCBA of a text, expected ABCD, or BADC"},
		{"a bit of a text", func(p *Point) { p.Type, p.Registers, p.Bit = "text", 1, new(1) }, "bit 1 of a text"},
		{"bits of a text", func(p *Point) { p.Type, p.Registers, p.Bits = "text", 1, &[2]int{0, 1} }, "bits 0 to 1 of a text"},
		{"a range of a text", func(p *Point) { p.Type, p.Registers, p.Range = "text", 1, &[2]float64{0, 1} }, "range of a text"},
		{"no reading of a text", func(p *Point) { p.Type, p.Registers, p.NoReading = "text", 1, []float64{0} }, "no reading 0 of a text"},
		{"an expected text that is too long", func(p *Point) { p.Type, p.Registers, p.Expect = "text", 1, []string{"OK", "BAD"} }, `expect "BAD", expected at most 2 printable characters`},
		{"an expected text that cannot come", func(p *Point) { p.Type, p.Registers, p.Expect = "text", 2, []string{"OK "} }, "no space at the end"},
		{"an expected text beyond ASCII", func(p *Point) { p.Type, p.Registers, p.Expect = "text", 2, []string{"µg"} }, "printable characters of ASCII"},
		{"an expected number", func(p *Point) { p.Expect = []string{"1"} }, "expect of a uint16, expected a text"},
		{"registers of a number", func(p *Point) { p.Registers = 2 }, "2 registers for a uint16, expected none"},
	} {
		p := Point{Table: InputRegister, Type: "uint16", Scale: 1, Unit: one}
		c.change(&p)
		if err := p.check(); (c.fault == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%s: error %v, expected %q", c.reason, err, c.fault)
		}
	}
}
