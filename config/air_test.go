package config

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestEveryKeyOfTheAir(t *testing.T) {
	s := load(t, "every-key.yaml")
	setting := func(limit, deadband, on, off float64) *AlarmSetting {
		second := func(n float64) *time.Duration { return new(time.Duration(n * float64(time.Second))) }
		return &AlarmSetting{Limit: &limit, Deadband: &deadband, OnDelay: second(on), OffDelay: second(off)}
	}
	day := func(month time.Month) time.Time { return time.Date(2026, month, 1, 0, 0, 0, 0, s.TimeZone) }
	const days = 24 * time.Hour
	for _, tc := range []struct {
		reason    string
		got, want any
	}{
		{"a detector", s.Detectors[0].Sensor, Sensor{
			T90: 45 * time.Second, WarmUp: 2 * time.Minute, DriftLimit: 0.2, StuckAfter: 30 * time.Minute, ZeroStuckAfter: 12 * time.Hour,
			Level3: setting(3, 0.5, 3, 240), Exposure15: setting(0.4, 0.05, 4, 300), Exposure8h: setting(0.1, 0.02, 5, 360),
			Rising: 0.01, Calibrated: Service{day(2), 180 * days}, Bumped: Service{day(3), 30 * days},
		}},
		{"a room", s.Rooms, []Room{{
			Name: "chlorine-room", Need: 2, BadDetectors: "degrade-available", Deviation: setting(0.7, 0.2, 90, 420), FanCommanded: "pump-on", AirFlow: "pump-mode",
			Door: "pump-on", Scrubber: "pump-on", WindFrom: "pump-mode", Beside: []string{"north-1-weight", "room-temperature"}, Contents: []string{"ton", "tank-car"}, At: s.Rooms[0].At,
		}}},
		{"the bound", s.GasNoticeWithin, 20 * time.Second},
		{"words beside the site file", s.FirstActions, filepath.Join(sites, "first-actions.txt")},
		{"rooms that only detectors name", load(t, "kestrel-ridge.yaml").Rooms[1].Name, "storage-bay"},
	} {
		if d := cmp.Diff(tc.want, tc.got, compare()); d != "" {
			t.Errorf("%s (-expected +got):\n%s", tc.reason, d)
		}
	}
}

func TestFaultsOfTheAir(t *testing.T) {
	for _, tc := range []struct{ reason, old, new, want string }{
		{"a vote of more than there are", "vote: 2oo2", "vote: 2oo3", "found 2oo3 for rooms.chlorine-room.vote, which has 2, expected a vote of its 2 detectors"},
		{"no vote", "vote: 2oo2", "vote: both", "expected how many of the room's detectors"},
		{"more needed than there are", "vote: 2oo2", "vote: 2oo1", "expected how many of the room's detectors"},
		{"a third level under the second", "level_3: {limit: 3 ppm", "level_3: {limit: 0.7 ppm", "expected the limit of level_2 under that of level_3"},
		{"an unknown policy", "bad_detectors: degrade-available", "bad_detectors: guess", "expected trip, degrade-safe, degrade-available or ignore"},
		{"half of the ventilation", "    air_flow: pump-mode\n", "", "only one of fan_commanded and air_flow"},
		{"no date", "calibrated: 2026-02-01", "calibrated: 1 Feb", "expected a day such as 2026-03-01"},
		{"a date alone", "    calibrate_every: 180d\n", "", "found calibrated without calibrate_every"},
		{"a room nobody watches", "rooms:\n  chlorine-room:", "rooms:\n  office:", "expected a room that a detector names such as chlorine-room"},
		{"an unknown point beside", "beside: north-1-weight, room", "beside: north-9-weight, room", "found the unknown point \"north-9-weight\""},
		{"an unknown kind", "contents: ton, tank-car", "contents: drum", "expected kinds of container"},
		{"a bound that is none", "gas_notice_within: 20s", "gas_notice_within: 10m", "expected a duration from 1s to 90s"},
		{"a rise without a time", "rising: 0.6 ppm per min", "rising: 0.6 ppm", "expected a rate of rise"},
		{"a door that is no state", "door: pump-on", "door: gas-1-ppm", "which measures gas in air"},
		{"one to compare", "  gas-2: {room: chlorine-room, concentration: gas-2-ppm}\n", "", "expected two detectors or more to compare"},
	} {
		text := read(t, "every-key.yaml")
		if !strings.Contains(text, tc.old) {
			t.Errorf("every-key.yaml lacks %q", tc.old)
		}
		_, err := Parse("site.yaml", []byte(strings.Replace(text, tc.old, tc.new, 1)), ParseOptions{})
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: error %v, expected %q", tc.reason, err, tc.want)
		}
	}
}
