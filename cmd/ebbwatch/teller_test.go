package main

import (
	"testing"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/metrics"

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
