package alarms

import (
	"encoding/json"
	"os"
	"testing"
)

// TestGasLimitsAgainstTheReference compares the starting values with
// testdata/air/reference.json, which names the published source of each.
func TestGasLimitsAgainstTheReference(t *testing.T) {
	data, err := os.ReadFile("../testdata/air/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	type number struct{ Value float64 }
	var f struct {
		Exposure struct {
			OSHA    number `json:"osha_pel"`
			NIOSH   number `json:"niosh_rel"`
			IDLH    number `json:"idlh"`
			Vacated struct {
				Value struct{ TWA float64 }
			} `json:"osha_1989_vacated"`
		}
	}
	if err := json.Unmarshal(data, &f); err != nil {
		t.Fatal(err)
	}
	e := f.Exposure
	for _, tc := range []struct {
		s    Setting
		want float64
	}{
		{DetectorLevel("g", "r", "x", 1), e.NIOSH.Value},
		{DetectorLevel("g", "r", "x", 2), e.OSHA.Value},
		{DetectorLevel("g", "r", "x", 3), e.IDLH.Value / 2},
		{ExposureHigh("g", "r", "15min", "x"), e.NIOSH.Value},
		{ExposureHigh("g", "r", "8h", "x"), e.Vacated.Value.TWA},
	} {
		if tc.want == 0 || tc.s.Limit != tc.want || tc.s.Source == "" || tc.s.OnDelay != 0 {
			t.Errorf("%s: limit %g ppm by %q after %s, the reference has %g", tc.s.Name, tc.s.Limit, tc.s.Source, tc.s.OnDelay, tc.want)
		}
	}
	if s := DetectorRising("g", "r", "x", 2); s.Source != "" || s.Limit != 2 {
		t.Errorf("the rate of rise, which is the site's own, is from %q", s.Source)
	}
}
