package supply

import (
	"encoding/json"
	"math"
	"os"
	"testing"

	"ebbwatch/agent/units"

	"pgregory.net/rapid"
)

// reference is testdata/supply/supply.json, which names the source of each table
// and marks what is computed and what is from memory.
type reference struct {
	Saturation struct {
		Value []struct {
			F   float64 `json:"degF"`
			KPa float64 `json:"p_kPa"`
		}
	} `json:"saturation_table"`
	NIST struct {
		Value []struct {
			K   float64 `json:"T_K"`
			KPa float64 `json:"p_kPa"`
		}
	} `json:"nist_srd134_vapour_pressure"`
	VDI struct {
		Value []struct {
			K  float64 `json:"T_K"`
			Pa float64 `json:"p_Pa"`
		}
	} `json:"vdi_table"`
	HeatBalance struct {
		Thresholds []struct{ PSIG, DegF float64 } `json:"threshold_vs_pressure"`
	} `json:"heat_balance"`
	Limits struct {
		Value []map[string]float64
	} `json:"limit_table_lb_per_day"`
}

func load(t testing.TB, path string, into any) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
}

func loadReference(t testing.TB) reference {
	t.Helper()
	var r reference
	load(t, "../../testdata/supply/supply.json", &r)
	return r
}

func off(got, want float64) float64 { return math.Abs(got/want - 1) }

func TestVapourPressure(t *testing.T) {
	ref := loadReference(t)
	check := func(source string, celsius, pascals, tolerance float64) {
		if got := float64(VapourPressure(units.Celsius(celsius))); off(got, pascals) > tolerance {
			t.Errorf("%s: %.6g Pa at %.4g degC, expected %.6g within %g", source, got, celsius, pascals, tolerance)
		}
	}
	for _, p := range ref.Saturation.Value {
		check("equation of state of Thol 2021", si("degF", p.F), p.KPa*1000, 0.01)
	}
	for _, p := range ref.NIST.Value {
		tolerance := 0.01
		if p.K > 345 {
			// Hotter than a container's fusible plug lets it become (from memory), both
			// sources part by 1.3 %; that of NIST states 1 % for itself.
			tolerance = 0.013
		}
		check("NIST SRD 134", p.K-273.15, p.KPa*1000, tolerance)
	}
	for _, p := range ref.VDI.Value {
		check("VDI Heat Atlas", p.K-273.15, p.Pa, 0.01)
	}
	if len(ref.Saturation.Value) < 20 || len(ref.NIST.Value) < 14 || len(ref.VDI.Value) < 4 {
		t.Error("the reference has lost points")
	}
	// The ends: the critical point of Thol 2021, and nothing beyond either end.
	if got := float64(VapourPressure(144)); off(got, 7642387.504) > 1e-9 || VapourPressure(200) != VapourPressure(144) || VapourPressure(-200) != VapourPressure(-110) {
		t.Errorf("critical pressure %g", got)
	}
}

func TestSaturationTemperature(t *testing.T) {
	// Header pressure to threshold temperature, from the same equation of state.
	for _, p := range loadReference(t).HeatBalance.Thresholds {
		if got := shown("degF", float64(SaturationTemperature(units.Pascals(si("psig", p.PSIG))))); math.Abs(got-p.DegF) > 0.15 {
			t.Errorf("%g psig: %.2f degF, expected %g", p.PSIG, got, p.DegF)
		}
	}
	// Normal boiling point: -33.97 degC by Thol 2021, within 0.1 degC of the handbooks.
	if got := float64(SaturationTemperature(101325)); math.Abs(got+33.97) > 0.1 {
		t.Errorf("boils at %g degC", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.Float64Range(-100, 143).Draw(t, "degC")
		if back := float64(SaturationTemperature(VapourPressure(units.Celsius(c)))); math.Abs(back-c) > 1e-5 {
			t.Errorf("%g degC came back as %g", c, back)
		}
	})
}

// Published and own examples of testdata/supply/examples.json. They count 8.34 lb
// of water in a gallon where the exact conversion is 8.3454, so that an exact
// answer is 0.065 % higher in feed and lower in dose.
func TestFeedAndDoseExamples(t *testing.T) {
	const convention = 8.3454 / 8.34
	var examples []struct {
		ID         string
		Inputs     map[string]float64
		Printed    *float64 `json:"printed_answer"`
		Recomputed any
	}
	load(t, "../../testdata/supply/examples.json", &examples)
	feed, dose := 0, 0
	for _, e := range examples {
		in, flow := e.Inputs, 0.0
		for name, symbol := range map[string]string{"flow_MGD": "MGD", "flow_gpm": "gpm"} {
			if v, ok := in[name]; ok {
				flow = si(symbol, v)
			}
		}
		if v, ok := in["flow_gpd"]; ok {
			flow = si("MGD", v/1e6)
		}
		if peak, ok := in["peaking_factor"]; ok {
			flow *= peak
		}
		want, number := e.Recomputed.(float64)
		if !number || flow == 0 {
			continue
		}
		tolerance := 0.005 * want // answers are rounded to three figures
		d, hasDose := in["dose_mg_L"]
		if demand, ok := in["demand"]; ok {
			d, hasDose = demand+in["residual"], true
		}
		used := in["feed_lb_day"] + in["used_lb_24h"]
		var got, printed float64
		switch {
		case hasDose:
			got = shown("lb/d", float64(FeedRate(units.CubicMetresPerSecond(flow), units.MilligramsPerLitre(d)))) / convention
			feed++
		case used > 0:
			got = float64(Dose(units.KilogramsPerSecond(si("lb/d", used)), units.CubicMetresPerSecond(flow))) * convention
			dose++
		default:
			continue
		}
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s: %.4g, expected %g", e.ID, got, want)
		}
		if e.Printed != nil {
			if printed = *e.Printed; off(got, printed) > 0.01 {
				t.Errorf("%s: %.4g, printed %g", e.ID, got, printed)
			}
		}
	}
	if feed < 9 || dose < 3 {
		t.Errorf("%d feed and %d dose examples were found, expected at least 9 and 3", feed, dose)
	}
	rapid.Check(t, func(t *rapid.T) {
		flow := units.CubicMetresPerSecond(rapid.Float64Range(1e-3, 10).Draw(t, "flow"))
		mg := units.MilligramsPerLitre(rapid.Float64Range(0.01, 50).Draw(t, "dose"))
		if back := Dose(FeedRate(flow, mg), flow); off(float64(back), float64(mg)) > 1e-12 {
			t.Errorf("%g mg/L came back as %g", mg, back)
		}
	})
}
