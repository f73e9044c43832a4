package units

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Expected values: NIST SP 811 (2008), Appendix B, conversion factors (from
// memory): lb 0.45359237 kg, US gal 3.785412e-3 m3, gal/min 6.309020e-5 m3/s,
// psi 6.894757e3 Pa, degF to degC (t-32)/1.8, ft 0.3048 m. The daily units are
// arithmetic on these.
func TestConversions(t *testing.T) {
	for _, tc := range []struct {
		value float64
		unit  string
		si    float64
	}{
		{1, "lb", 0.45359237}, {1, "gal", 3.785412e-3}, {1, "gpm", 6.309020e-5}, {1, "psia", 6.894757e3},
		{1, "ft", 0.3048}, {12, "in", 0.3048}, {1, "ft3", 2.831685e-2},
		{32, "degF", 0}, {212, "degF", 100}, {-40, "degF", -40}, {0, "psig", 101325},
		{1, "MGD", 4.381264e-2}, {1, "lb/d", 5.249912e-6}, {1, "lb/h", 1.259979e-4},
		{50, "%", 0.5}, {2, "d", 172800}, {4, "mA", 0.004}, {1000, "L/s", 1}, {86400, "m3/d", 1},
	} {
		u, err := Parse(tc.unit)
		if err != nil {
			t.Fatal(err)
		}
		if got := u.SI(tc.value); math.Abs(got-tc.si) > 1e-6*math.Abs(tc.si)+1e-12 {
			t.Errorf("%g %s is %.9g, expected %.9g", tc.value, tc.unit, got, tc.si)
		}
	}
	if got := MustParse("degF").SpanSI(9); math.Abs(got-5) > 1e-12 {
		t.Errorf("a span of 9 degF is %g degC, expected 5", got)
	}
}

func TestEveryUnitGoesBothWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(all).Draw(t, "unit")
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		tolerance := 1e-9*math.Abs(v) + 1e-7
		if back := u.FromSI(u.SI(v)); math.Abs(back-v) > tolerance {
			t.Errorf("%g %s came back as %g", v, u, back)
		}
		if back := u.SpanFromSI(u.SpanSI(v)); math.Abs(back-v) > tolerance {
			t.Errorf("a span of %g %s came back as %g", v, u, back)
		}
	})
}

// A recording is written in a point's own unit and must be read back as the very
// same value. Also from values of registers: whole numbers and float32.
func TestExactly(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(all).Draw(t, "unit")
		v := rapid.OneOf(
			rapid.Float64Range(-1e9, 1e9),
			rapid.Float64Range(-1e-3, 1e-3),
			rapid.Map(rapid.Float32(), func(f float32) float64 { return float64(f) }),
			rapid.Map(rapid.Int16(), func(i int16) float64 { return float64(i) * 0.01 }),
		).Draw(t, "value")
		si := u.SI(v)
		if written := u.Exactly(si); u.SI(written) != si {
			t.Errorf("%v %s is %v in SI; %v was written and reads as %v", v, u, si, written, u.SI(written))
		}
	})
}

func TestSymbolsAreUniqueAndCovered(t *testing.T) {
	n := 0
	for _, d := range Dimensions() {
		n += len(Symbols(d))
	}
	if n != len(all) || len(bySymbol) != len(all) {
		t.Errorf("%d units, %d found by dimension, %d by symbol", len(all), n, len(bySymbol))
	}
}

func TestParseQuantity(t *testing.T) {
	for _, tc := range []struct {
		in, unit string
		value    float64
	}{
		{"150000 gal", "gal", 150000}, {"0.5mg/L", "mg/L", 0.5}, {" -40 degF ", "degF", -40}, {"1e3 L", "L", 1000}, {"35 %", "%", 35},
	} {
		v, u, err := ParseQuantity(tc.in)
		if err != nil || v != tc.value || u.Symbol != tc.unit {
			t.Errorf("%q gave %g %s, %v", tc.in, v, u, err)
		}
	}
	for in, want := range map[string]string{
		"":           "does not start with a number",
		"gal":        "does not start with a number",
		"12":         "has no unit",
		"12 furlong": "unknown unit",
		"NaN kg":     "does not start with a number",
		"1e999 kg":   "does not start with a number",
		"1 KG":       "unknown unit",
	} {
		if _, _, err := ParseQuantity(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: error %v, expected one that says %q", in, err, want)
		}
	}
}

func FuzzParseQuantity(f *testing.F) {
	for _, s := range []string{"150000 gal", "0.5mg/L", "1e", "e", "--1 kg", "0x1p3 m", "1_000 L", "∞ m"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, u, err := ParseQuantity(s)
		if err == nil && (u.IsZero() || math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Errorf("%q gave %g %q without an error", s, v, u)
		}
	})
}
