package contact

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// reference is testdata/ct/tables.json: 40 CFR 141.74(b)(3)(v) Tables 1.1 to 1.6
// and Table E-7 of the EPA guidance manual of 1991. The file says which of its
// numbers are from memory and how they were cross-checked.
type reference struct {
	Giardia struct {
		Residuals []float64 `json:"residual_rows_numeric"`
		PHs       []float64 `json:"ph_columns_numeric"`
		Tables    []struct {
			Table       string      `json:"table"`
			Temperature float64     `json:"temp_c"`
			CT          [][]float64 `json:"ct_99_9"`
		} `json:"tables"`
	} `json:"giardia_free_chlorine"`
	Virus struct {
		Temperatures []float64            `json:"temperatures_c"`
		PH6to9       map[string][]float64 `json:"ph_6_to_9"`
		PH10         map[string][]float64 `json:"ph_10"`
	} `json:"virus_free_chlorine"`
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

func loadTables(t testing.TB) reference {
	t.Helper()
	var r reference
	load(t, "../../testdata/ct/tables.json", &r)
	return r
}

func TestEveryGiardiaCell(t *testing.T) {
	ref := loadTables(t)
	cells := 0
	for _, table := range ref.Giardia.Tables {
		for i, c := range ref.Giardia.Residuals {
			for j, ph := range ref.Giardia.PHs {
				cells++
				want := table.CT[i][j]
				for _, m := range []Method{Table, Linear} {
					at := fmt.Sprintf("table %s, %g mg/L, pH %g, %s", table.Table, c, ph, m)
					for log, share := range map[float64]float64{3: 1, 1: 1.0 / 3, 0.5: 1.0 / 6} {
						got, q := RequiredGiardia(log, units.MilligramsPerLitre(c), units.Celsius(table.Temperature), units.PH(ph), m)
						if q != reading.GoodQuality() || math.Abs(float64(got)-want*share) > 1e-9 {
							t.Errorf("%s, %g log: %g %v, expected %g", at, log, float64(got), q, want*share)
						}
					}
				}
			}
		}
	}
	if cells != 588 {
		t.Errorf("the reference has %d cells, expected 588", cells)
	}
}

func TestEveryVirusCell(t *testing.T) {
	ref := loadTables(t)
	cells := 0
	for _, column := range []struct {
		phs  []float64
		rows map[string][]float64
	}{{[]float64{6, 7.5, 9}, ref.Virus.PH6to9}, {[]float64{10}, ref.Virus.PH10}} {
		for log := 2; log <= 4; log++ {
			row := column.rows[fmt.Sprintf("log%d", log)]
			for i, temperature := range ref.Virus.Temperatures {
				cells++
				for _, ph := range column.phs {
					got, q := RequiredVirus(float64(log), units.Celsius(temperature), units.PH(ph))
					if q != reading.GoodQuality() || float64(got) != row[i] {
						t.Errorf("%d log, %g degC, pH %g: %g %v, expected %g", log, temperature, ph, float64(got), q, row[i])
					}
				}
			}
		}
	}
	if cells != 36 {
		t.Errorf("the reference has %d cells, expected 36", cells)
	}
}

// The cases are the derived-lookup examples of testdata/ct/examples.json.
func TestBetweenTheCells(t *testing.T) {
	n := 0
	for _, e := range loadExamples(t) {
		if e.Category != "lookup" {
			continue
		}
		n++
		for m, want := range map[Method]float64{Table: e.Recomputed["conservative"], Linear: e.Recomputed["interpolated"]} {
			got, q := RequiredGiardia(3, units.MilligramsPerLitre(e.number("residual_mg_l")), units.Celsius(e.number("temp_c")), units.PH(e.number("ph")), m)
			if !q.Usable() || math.Abs(float64(got)-want) > e.Tolerance["interpolated"] {
				t.Errorf("%s, %s: %g %v, expected %g", e.ID, m, float64(got), q, want)
			}
		}
	}
	if n != 4 {
		t.Errorf("%d look-up examples, expected 4", n)
	}
}

func TestGiardiaOutsideTheTables(t *testing.T) {
	good, outside, wrong := reading.GoodQuality(), reading.OutsideTable, reading.Inconsistent
	nan, inf := math.NaN(), math.Inf(1)
	for _, tc := range []struct {
		log, c, t, ph float64
		want          float64
		q             reading.Quality
		reason        string
	}{
		{3, 1, 10, 9.01, 0, reading.BadBecause(outside), "the last column is pH 9: above it the rule has no value"},
		{3, 1, 10, 9, 234, good, "pH 9 itself is in the table"},
		{3, 3.1, 10, 7.5, 166, reading.UncertainBecause(outside), "the rows end at 3.0 mg/L and CT still rises"},
		{3, 3.0, 10, 7.5, 166, good, "3.0 mg/L itself is in the table"},
		{3, 1, 0.1, 7.5, 253, good, "Table 1.1 is for 0.5 degC or lower"},
		{3, 1, -0.5, 7.5, 253, good, "a sensor may be off by half a degree"},
		{3, 1, -2, 7.5, 253, reading.UncertainBecause(reading.UnderRange), "Table 1.1 is for 0.5 degC or lower, but this is ice"},
		{3, 1, 30, 7.5, 45, good, "Table 1.6 serves all higher temperatures"},
		{3, 1, 10, 5, 79, good, "the first column is for pH 6 or lower"},
		{3, 0, 10, 7.5, 125, good, "the first row is for 0.4 mg/L or less"},
		{3, 0.1 + 0.2 + 0.3, 10, 7.5, 128, good, "0.6 made of binary fractions is still the row of 0.6"},
		{3, 0.6001, 10, 7.5, 131, good, "over 0.6 mg/L the next row counts"},
		{3, 1, 9.999, 7.5, 179, good, "under 10 degC the table of 5 degC counts"},
		{0, 1, 10, 7.5, 0, reading.BadBecause(wrong), "no log inactivation is asked for"},
		{3, -0.1, 10, 7.5, 0, reading.BadBecause(wrong), "there is no negative residual"},
		{3, 1, 10, -1, 0, reading.BadBecause(wrong), "no water has this pH"},
		{3, 1, 10, 15, 0, reading.BadBecause(wrong), "no water has this pH"},
		{nan, 1, 10, 7.5, 0, reading.BadBecause(wrong), "not a number"},
		{3, nan, 10, 7.5, 0, reading.BadBecause(wrong), "not a number"},
		{3, 1, nan, 7.5, 0, reading.BadBecause(wrong), "not a number"},
		{3, 1, 10, nan, 0, reading.BadBecause(wrong), "not a number"},
		{3, inf, 10, 7.5, 0, reading.BadBecause(wrong), "not finite"},
		{3, 1, -inf, 7.5, 0, reading.BadBecause(wrong), "not finite"},
	} {
		got, q := RequiredGiardia(tc.log, units.MilligramsPerLitre(tc.c), units.Celsius(tc.t), units.PH(tc.ph), Table)
		if q != tc.q || math.Abs(float64(got)-tc.want) > 1e-9 {
			t.Errorf("%g log, %g mg/L, %g degC, pH %g: %g %v, expected %g %v: %s", tc.log, tc.c, tc.t, tc.ph, float64(got), q, tc.want, tc.q, tc.reason)
		}
	}
}

func TestVirusOutsideTheTable(t *testing.T) {
	good, outside, wrong := reading.GoodQuality(), reading.OutsideTable, reading.Inconsistent
	for _, tc := range []struct {
		log, t, ph float64
		want       float64
		q          reading.Quality
		reason     string
	}{
		{1, 10, 7, 3, good, "the table starts at 2 log: less is never taken"},
		{2.5, 10, 7, 4, good, "between two rows the next higher log counts"},
		{6, 10, 7, 9, good, "over 4 log first order: 6/4 of the 4-log value"},
		{4, 0, 7, 12, good, "under 0.5 degC the first column serves"},
		{4, 40, 7, 2, good, "over 25 degC the last column serves"},
		{4, 14.9, 7, 6, good, "temperature is rounded down"},
		{4, 10, 9.5, 45, reading.UncertainBecause(outside), "between pH 9 and 10 guidance leaves it to the state: the strict column"},
		{4, 10, 10, 45, good, "pH 10 has a column"},
		{4, 10, 10.1, 0, reading.BadBecause(outside), "above pH 10 the table is silent"},
		{4, 10, 5.9, 6, reading.UncertainBecause(outside), "under pH 6 the table is silent"},
		{0, 10, 7, 0, reading.BadBecause(wrong), "no log inactivation is asked for"},
		{4, math.NaN(), 7, 0, reading.BadBecause(wrong), "not a number"},
		{4, 10, math.NaN(), 0, reading.BadBecause(wrong), "not a number"},
		{4, 10, -0.1, 0, reading.BadBecause(wrong), "no water has this pH"},
		{4, math.Inf(1), 7, 0, reading.BadBecause(wrong), "not finite"},
	} {
		got, q := RequiredVirus(tc.log, units.Celsius(tc.t), units.PH(tc.ph))
		if q != tc.q || math.Abs(float64(got)-tc.want) > 1e-9 {
			t.Errorf("%g log, %g degC, pH %g: %g %v, expected %g %v: %s", tc.log, tc.t, tc.ph, float64(got), q, tc.want, tc.q, tc.reason)
		}
	}
}

// Interpolation may only ease what the strict lookup asks for, and either must
// ask for more as the water gets harder to disinfect: both follow from the
// footnote of Tables 1.1 to 1.6 and their being monotone.
func TestLinearNeverAsksForMoreAndBothAreMonotone(t *testing.T) {
	const slack = 1e-9
	at := func(c, temperature, ph float64, m Method) float64 {
		ct, q := RequiredGiardia(3, units.MilligramsPerLitre(c), units.Celsius(temperature), units.PH(ph), m)
		if !q.Usable() {
			t.Fatalf("%g mg/L, %g degC, pH %g: %v", c, temperature, ph, q)
		}
		return float64(ct)
	}
	for c := 0.3; c <= 3.1; c += 0.07 {
		for temperature := 0.1; temperature <= 26; temperature += 0.7 {
			for ph := 5.8; ph <= 8.95; ph += 0.09 {
				strict, linear := at(c, temperature, ph, Table), at(c, temperature, ph, Linear)
				if linear > strict+slack {
					t.Fatalf("%g mg/L, %g degC, pH %g: interpolated %g, strict %g", c, temperature, ph, linear, strict)
				}
				for m, here := range map[Method]float64{Table: strict, Linear: linear} {
					if at(c+0.07, temperature, ph, m) < here-slack || at(c, temperature, ph+0.05, m) < here-slack || at(c, temperature+0.7, ph, m) > here+slack {
						t.Fatalf("%g mg/L, %g degC, pH %g: %s is not monotone", c, temperature, ph, m)
					}
				}
			}
		}
	}
}
