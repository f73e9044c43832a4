package supply

import (
	"math"
	"testing"

	"ebbwatch/agent/units"
)

// Columns of the limit table of testdata/supply/supply.json (own arithmetic on
// the equation of state of Thol 2021). F of 8 and 1 lb/d for each degF is from
// memory; the nominal limits are common practice, no source.
func TestLimitTable(t *testing.T) {
	rows := loadReference(t).Limits.Value
	if len(rows) != 10 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, column := range []struct {
		name, kind string
		psig       float64 // 0: the kind's own
		nominal    float64
	}{
		{"ton_F8_T20", "ton", 0, 400},
		{"ton_F8_T0", "ton", 13.8, 400},
		{"ton_F8_T28", "ton", 34.9, 400},
		{"cyl_F1_T30", "cylinder-150", 0, 40},
		{"cyl_F1_T0", "cylinder-150", 13.8, 40},
		{"cyl_F1_T28", "cylinder-150", 34.9, 40},
	} {
		k, err := KindByName(column.kind)
		if err != nil {
			t.Fatal(err)
		}
		header := units.Pascals(0)
		if column.psig != 0 {
			header = units.Pascals(si("psig", column.psig))
		}
		for _, row := range rows {
			room := units.Celsius(si("degF", row["degF"]))
			want, method := row[column.name], HeatBalance
			// A tenth of a psi in the header's pressure is 0.15 degF in the threshold.
			tolerance := 0.01*want + 0.15*column.nominal/50
			heat := shown("lb/d", float64(k.on(header).heat(room)))
			if math.Abs(heat-want) > tolerance {
				t.Errorf("%s at %g degF: %.4g lb/d, expected %g", column.name, row["degF"], heat, want)
			}
			got, m := Limit([]Kind{k}, &room, header)
			if want >= column.nominal*1.01 {
				want, method = column.nominal, NominalLimit
			}
			if math.Abs(want-column.nominal) > tolerance && m != method || math.Abs(shown("lb/d", float64(got))-min(want, column.nominal)) > tolerance {
				t.Errorf("%s at %g degF: %.4g lb/d by %s, expected %g by %s", column.name, row["degF"], shown("lb/d", float64(got)), m, want, method)
			}
		}
	}
}

// The same table to its last digit: each column at the pressure at which chlorine boils
// at the threshold that the column names.
func TestLimitTableToTheDigit(t *testing.T) {
	n := 0
	for _, column := range []struct {
		name, kind string
		perF, at   float64 // lb/d for each degF, degF
	}{
		{"ton_F8_T20", "ton", 8, 20}, {"ton_F8_T0", "ton", 8, 0}, {"ton_F8_T28", "ton", 8, 28}, {"ton_F10_T30", "ton", 10, 30},
		{"cyl_F1_T30", "cylinder-150", 1, 30}, {"cyl_F1_T0", "cylinder-150", 1, 0}, {"cyl_F1_T28", "cylinder-150", 1, 28},
	} {
		k, err := KindByName(column.kind)
		if err != nil {
			t.Fatal(err)
		}
		k.PerKelvin = perKelvin(column.perF)
		nominal := shown("lb/d", float64(k.Nominal))
		for _, row := range loadReference(t).Limits.Value {
			n++
			room := units.Celsius(si("degF", row["degF"]))
			got, _ := Limit([]Kind{k}, &room, VapourPressure(units.Celsius(si("degF", column.at))))
			if want := min(row[column.name], nominal); math.Round(shown("lb/d", float64(got))) != want {
				t.Errorf("%s at %g degF: %.6g lb/d, expected %g", column.name, row["degF"], shown("lb/d", float64(got)), want)
			}
		}
	}
	if n != 70 {
		t.Errorf("%d cells, expected 70", n)
	}
}

func TestLimitOfSeveral(t *testing.T) {
	ton, _ := KindByName("ton")
	cylinder, _ := KindByName("cylinder-150")
	small, _ := KindByName("cylinder-100")
	at := func(f float64) *units.Celsius { c := units.Celsius(si("degF", f)); return &c }
	for _, tc := range []struct {
		containers []Kind
		room       *units.Celsius
		want       float64
		method     LimitMethod
		reason     string
	}{
		{nil, nil, 0, NominalLimit, "nothing gives nothing"},
		{nil, at(70), 0, NominalLimit, "nothing gives nothing in a warm room either"},
		{[]Kind{ton}, nil, 400, NominalLimit, "no room temperature: practice"},
		{[]Kind{ton, ton}, nil, 800, NominalLimit, "limits add"},
		{[]Kind{ton, ton}, at(50), 480, HeatBalance, "2 x 8 x (50 - 20)"},
		{[]Kind{ton, ton}, at(100), 800, NominalLimit, "never over the nominal limit"},
		{[]Kind{ton, cylinder}, at(60), 320 + 30, HeatBalance, "each kind at its own header pressure"},
		{[]Kind{small}, nil, 40.0 * 2 / 3, NominalLimit, "a 100-lb cylinder counts two thirds of a 150-lb one"},
		{[]Kind{ton}, at(10), 0, HeatBalance, "under the threshold heat flows out"},
	} {
		got, m := Limit(tc.containers, tc.room, 0)
		if m != tc.method || math.Abs(shown("lb/d", float64(got))-tc.want) > 0.01*tc.want {
			t.Errorf("%.4g lb/d by %s, expected %g by %s: %s", shown("lb/d", float64(got)), m, tc.want, tc.method, tc.reason)
		}
	}
	if _, err := KindByName("barrel"); err == nil {
		t.Error("a barrel is a kind of container")
	}
}
