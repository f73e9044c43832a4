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
	} {
		p := Point{Table: InputRegister, Type: "uint16", Scale: 1, Unit: one}
		c.change(&p)
		if err := p.check(); (c.fault == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.fault) {
			t.Errorf("%s: error %v, expected %q", c.reason, err, c.fault)
		}
	}
}
