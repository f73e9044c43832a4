package main

import (
	"strings"
	"testing"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/field"
	"ebbwatch/agent/metrics"
	"ebbwatch/alarms"

	"github.com/google/go-cmp/cmp"
)

// Every count of a line and its units reaches the scraper under its own name.
func TestLineMetrics(t *testing.T) {
	errors, own := map[string]uint64{"no-reply": 2}, map[string]uint64{"exception": 3}
	got := lineMetrics([]field.LineStats{{
		Line: "line-a", Polls: 1, Errors: errors, Cycle: 4, Planned: 5, Slowest: 6, Grace: 7, Overruns: 8, Discarded: 9,
		Units: []field.UnitStats{{Instrument: "meters", Unit: 10, Polls: 11, Errors: own, Took: 12, Slowest: 13, Overruns: 14, Resting: true}},
	}, {Line: "line-b", Slowest: time.Second}})
	want := []metrics.Line{{
		Name: "line-a", Polls: 1, Errors: errors, Cycle: 4, Planned: 5, Slowest: 6, Grace: 7, Overruns: 8, Discarded: 9,
		Instruments: []metrics.Instrument{{Name: "meters", Polls: 11, Errors: own, Took: 12, Slowest: 13, Overruns: 14, Resting: true}},
	}, {Name: "line-b", Slowest: time.Second}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// Every health figure of the alarm system reaches the broker under its own name.
func TestPerformanceFigures(t *testing.T) {
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	got := map[string]float64{}
	for _, f := range performanceFigures(&agent.Snapshot{Time: now, Performance: alarms.Performance{
		Watched: 2 * time.Hour, Last10Minutes: 3, LastHour: 4, LastDay: 5, Annunciations: 6, PerHour: 7, Peak: 8,
		Flood: true, TimeInFlood: 9 * time.Hour, Standing: 10, Unanswered: 11, Stale: 12, Withheld: 13,
		Chattering: []string{"a", "b"}, Fleeting: 14, TopShare: 0.5,
	}}) {
		if f.Quality != "good" || f.Value == nil || !f.Time.Equal(now) {
			t.Errorf("%+v", f)
			continue
		}
		got[strings.TrimPrefix(f.Name, "self.alarms.")+" "+f.Unit] = *f.Value
	}
	want := map[string]float64{
		"watched h": 2, "annunciations-10min 1": 3, "annunciations-hour 1": 4, "annunciations-day 1": 5, "annunciations-30d 1": 6,
		"annunciations-per-hour 1": 7, "annunciations-peak-10min 1": 8, "flood 1": 1, "time-in-flood h": 9, "standing 1": 10,
		"unanswered 1": 11, "stale 1": 12, "withheld 1": 13, "chattering 1": 2, "fleeting 1": 14, "top-ten-share 1": 0.5,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}
