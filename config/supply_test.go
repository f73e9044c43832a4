package config

import (
	"strings"
	"testing"
	"time"
)

// TestFaultsOfSupply edits one thing of every-key.yaml each time.
func TestFaultsOfSupply(t *testing.T) {
	for _, tc := range []struct{ old, new, want string }{
		{"drum: {net", "ton: {net", `found "ton" for container_kinds.ton, expected a block`},
		{"8 lb/d per degF", "8 lb/d", `found 8 lb/d for container_kinds.drum.per_degree, expected what it gives off more`},
		{"8 lb/d per degF", "8 lb per degF", `for container_kinds.drum.per_degree`},
		{"8 lb/d per degF", "-8 lb/d per degF", `for container_kinds.drum.per_degree`},
		{"kind: drum", "kind: barrel", `found "barrel" for banks.south.containers.south-1.kind`},
		{"    dose: 2 mg/L\n", "", `found flow without dose in banks.north, expected dose, or residual and demand`},
		{"    flow: plant-flow + filtered-flow\n    dose", "    dose", `found no flow in banks.north`},
		{"    demand: 1.2 mg/L\n", "", `found residual without demand in banks.south`},
		{"    demand: 1.2 mg/L\n", "    demand: 1.2 mg/L\n    dose: 2 mg/L\n", `found residual beside dose in banks.south`},
		{"dose: 2 mg/L", "dose: plant-flow", `found the point plant-flow, which measures flow, for banks.north.dose`},
		{"dose: 2 mg/L", "dose: 2", `a number without a unit`},
		{"    header_pressure: 28 psig\n    feed", "    feed", `found header without header_pressure in banks.north`},
		{"    lead_days: 3\n", "", `found order_due without lead_days in banks.north`},
		{"group: duty, ", "", `found standby_empty in banks.north, whose containers are all of one group`},
		{"staffed: 06:30 to 18:00\n", "", `found staffed_on without staffed`},
		{"valve: south-open", "valve: south-weight", `found the point south-weight, which is not a state, for banks.south.containers.south-1.valve`},
		{"valve: south-open", "valve: south-opem", `found the unknown point "south-opem" for banks.south.containers.south-1.valve`},
		{"feed_gain: 1.05", "feed_gain: 3", `found 3 for banks.north.feed_gain, expected a number from 0.5 to 2`},
		{"count: 2", "count: 0", `found 0 for banks.south.containers.south-1.count`},
		{"withdrawal: liquid", "withdrawal: steam", `found "steam" for banks.south.withdrawal, expected gas or liquid`},
	} {
		text := read(t, "every-key.yaml")
		if !strings.Contains(text, tc.old) {
			t.Errorf("every-key.yaml lacks %q", tc.old)
			continue
		}
		_, err := Parse("site.yaml", []byte(strings.Replace(text, tc.old, tc.new, 1)), ParseOptions{})
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%q for %q: %v, expected %s", tc.new, tc.old, err, tc.want)
		}
	}
}

func TestStaffs(t *testing.T) {
	s := load(t, "every-key.yaml")
	at := func(hour, minute int) time.Time { return time.Date(2026, 11, 28, hour, minute, 0, 0, s.TimeZone) }
	night := *s
	night.Staffed, night.StaffedEveryDay = &[2]time.Duration{22 * time.Hour, 6 * time.Hour}, false
	always := *s
	always.Staffed = nil
	for _, tc := range []struct {
		reason string
		site   *Site
		at     time.Time
		works  bool
		want   bool
	}{
		{"in the hours", s, at(6, 30), true, true},
		{"before them", s, at(6, 29), true, false},
		{"at their end", s, at(18, 0), true, false},
		{"every day", s, at(12, 0), false, true},
		{"over midnight", &night, at(23, 0), true, true},
		{"after midnight", &night, at(5, 59), true, true},
		{"by day", &night, at(12, 0), true, false},
		{"a day of rest", &night, at(23, 0), false, false},
		{"not told", &always, at(3, 0), false, true},
	} {
		if got := tc.site.Staffs(tc.at, tc.works); got != tc.want {
			t.Errorf("%s: %t, expected %t", tc.reason, got, tc.want)
		}
	}
}
