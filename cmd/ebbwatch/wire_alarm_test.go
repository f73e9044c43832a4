package main

import (
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"

	"github.com/google/go-cmp/cmp"
)

// TestOwnAlarmSpeaks takes the added alarms of a site file through the evaluator:
// a level that falls 2.4 ft in 30 min is told in the unit of the file.
func TestOwnAlarmSpeaks(t *testing.T) {
	site, err := loadSite(filepath.Join("..", "..", "testdata", "sites", "every-key.yaml"), "check")
	if err != nil {
		t.Fatal(err)
	}
	core, err := plant.New(plantSettings(site))
	if err != nil {
		t.Fatal(err)
	}
	names := core.Names()
	e, err := alarms.New(alarmSettings(site, guidance.Default()), names)
	if err != nil {
		t.Fatal(err)
	}
	in := make([]alarms.Sample, len(names))
	var told []alarms.Condition
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for i := range 3600 {
		for j, n := range names {
			in[j] = alarms.Sample{Quality: "bad:not-yet-read", Detail: "has not been read"}
			if n == "clearwell-level" {
				in[j] = alarms.Sample{Value: (12 - 2.4*float64(i)/1800) * 0.3048, Usable: true, Quality: "good"}
			}
		}
		now = now.Add(time.Second)
		for _, tr := range e.Step(now, in) {
			if tr.After.Alarm == "clearwell-falling" {
				told = append(told, tr.After)
			}
		}
	}
	if len(told) != 1 {
		t.Fatalf("told %d times, expected once: %+v", len(told), told)
	}
	c := told[0]
	if c.What != "The fall of clearwell-level in 30m0s is 2.40 ft, over the limit of 2.00 ft." || math.Abs(*c.Limit-2) > 1e-9 || len(c.FirstAction) != 1 || c.RespondWithin != "10m0s" {
		t.Errorf("told as %+v", c)
	}
}

// TestStartingValues: what a site leaves out comes from the kind of signal.
func TestStartingValues(t *testing.T) {
	site, err := loadSite(filepath.Join("..", "..", "testdata", "sites", "kestrel-ridge.yaml"), "check")
	if err != nil {
		t.Fatal(err)
	}
	level := site.Instruments[0].Points[1] // 0 to 14 ft
	a := ownAlarm(config.Alarm{Name: "a", Kind: "low", Point: level.Name, Set: config.AlarmSetting{Limit: new(1.2192)}}, level)
	if math.Abs(a.Deadband-0.05*14*0.3048) > 1e-9 || a.OnDelay != time.Minute || a.OffDelay != time.Minute {
		t.Errorf("a level alarm starts from %g m, %s and %s, expected 5 %% of 14 ft and 1 min", a.Deadband, a.OnDelay, a.OffDelay)
	}
	if got := a.Speaks(); !strings.Contains(got, "under 4.00 ft, returns at 4.70 ft") {
		t.Errorf("it speaks %s", got)
	}
}

// Rules of the site file reach the alarms that they name, and nothing else.
func TestAlarmRules(t *testing.T) {
	with := func(rules string) string {
		return siteFile(t, func(s string) string {
			s = strings.Replace(s, "      residual:", "      works: {table: coil, address: 0}\n      gas: {table: input-register, address: 4, type: float32, unit: ppm, range: 0 to 10}\n      residual:", 1)
			return s + "detectors: {gas-1: {room: shed, concentration: gas}}\n" + rules
		})
	}
	plain, err := loadSite(with(""), "check")
	if err != nil {
		t.Fatal(err)
	}
	site, err := loadSite(with(`alarm_rules:
  residual-low: {priority: medium, on_delay: 5m, on_bad: alarm, shelve_max: 1h, re_alarm: 3h, group: water, suppressed_by: works, unsuppress_delay: 2m}
  analyser-doubtful: {off_delay: 7m}
`), "check")
	if err != nil {
		t.Fatal(err)
	}
	before, after := alarmSettings(plain, guidance.Default()), alarmSettings(site, guidance.Default())
	for i, a := range after {
		switch b := before[i]; a.Name {
		case "residual-low":
			if a.Priority != alarms.Medium || a.OnDelay != 5*time.Minute || a.OffDelay != b.OffDelay || a.OnBad != alarms.CountAsAlarm || a.ShelveMax != time.Hour ||
				a.ReAlarm != 3*time.Hour || a.Group != "water" || a.SuppressedBy != "works" || a.UnsuppressDelay != 2*time.Minute {
				t.Errorf("%+v", a)
			}
		case "analyser-doubtful":
			if a.OffDelay != 7*time.Minute || a.OnDelay != b.OnDelay || a.Priority != b.Priority {
				t.Errorf("%+v", a)
			}
		default:
			if d := cmp.Diff(b, a); d != "" {
				t.Errorf("%s: %s", a.Name, d)
			}
		}
	}
	for rules, want := range map[string]string{
		"alarm_rules: {residual-lo: {on_delay: 1m}}":             `found a rule for the unknown alarm "residual-lo", expected an alarm that ebbwatch check lists, such as residual-low`,
		"alarm_rules: {gas-1-level-1: {suppressed_by: works}}":   "alarm gas-1-level-1: an alarm that guards life may not be suppressed",
		"alarm_rules: {gas-1-level-2: {shelve_max: 2h}}":         "alarm gas-1-level-2: an alarm that guards life may be shelved for at most 30m0s, not 2h0m0s",
		"alarm_rules: {residual-low: {suppressed_by: residual}}": "found the point residual, which measures concentration in water,",
	} {
		for _, command := range []string{"check", "run"} {
			if code, _, errs := runCommand(t, command, "--site", with(rules)); code != 2 || !strings.Contains(errs, want) {
				t.Errorf("%s %s ended %d: %s", command, rules, code, errs)
			}
		}
	}
}
