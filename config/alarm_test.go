package config

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestOwnAlarms(t *testing.T) {
	s := load(t, "every-key.yaml")
	want := []Alarm{
		{
			Name: "clearwell-falling", Kind: "falling", Point: "clearwell-level", Window: 30 * time.Minute, Latching: true, Priority: "high",
			Set:   AlarmSetting{Limit: new(0.6096), Deadband: new(0.1524), OnDelay: new(10 * time.Second), OffDelay: new(2 * time.Minute)},
			Place: "clearwell", LikelyCause: "A main has burst, or the plant feeds less than it delivers.",
			Consequence: "The clearwell runs empty, and contact time with it.", FirstAction: "Compare plant flow with delivery, then look for the burst.",
			RespondWithin: 10 * time.Minute, ShelveMax: 30 * time.Minute,
		},
		{
			Name: "residuals-apart", Kind: "deviation", Point: "feed-tank-level", Other: "clearwell-level", Priority: "low",
			Set: AlarmSetting{Limit: new(0.3048)}, Place: "clearwell", Consequence: "One of the two is wrong.", FirstAction: "Read both at the tank.",
			RespondWithin: 8 * time.Hour, ShelveMax: 8 * time.Hour,
		},
	}
	if d := cmp.Diff(want, s.Alarms, compare(), ignoreAt()); d != "" {
		t.Errorf("-expected +got:\n%s", d)
	}
}

// TestFaultsOfOwnAlarms edits one thing of every-key.yaml each time.
func TestFaultsOfOwnAlarms(t *testing.T) {
	for _, tc := range []struct{ old, edited, want string }{
		{"kind: falling", "kind: high", "window for alarms.clearwell-falling of the kind high, expected window for rising and falling only"},
		{"    window: 30m\n", "", "no window for alarms.clearwell-falling of the kind falling"},
		{"    other: clearwell-level\n", "", "no other for alarms.residuals-apart of the kind deviation"},
		{"other: clearwell-level", "other: ph-out", "measures something else than feed-tank-level"},
		{"other: clearwell-level", "other: nowhere", `unknown point "nowhere"`},
		{"limit: 2 ft", "limit: 2 lb", "a unit of mass"},
		{"limit: 2 ft", "limit: -2 ft", "found -2 ft"},
		{"deadband: 6 in", "deadband: 2 ft", "a deadband under the limit"},
		{"kind: deviation", "kind: state", "limit for alarms.residuals-apart of the kind state"},
		{"shelve_max: 30m", "shelve_max: 8d", "found 8d"},
		{"  residuals-apart:", "  gas-1-level-1:", "the alarm name gas-1-level-1 a second time"},
		{"point: clearwell-level\n    limit", "point: meter-says\n    limit", "meter-says, which is no number"},
	} {
		data := read(t, "every-key.yaml")
		edited := strings.Replace(data, tc.old, tc.edited, 1)
		if edited == data {
			t.Errorf("every-key.yaml lacks %q", tc.old)
		}
		if _, err := Parse("site.yaml", []byte(edited), ParseOptions{}); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%q: error %v, expected one that says %q", tc.edited, err, tc.want)
		}
	}
}
