package agent

import (
	"context"
	"encoding/json"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

var basin = contact.Settings{Volume: 600, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2, Method: contact.Table}

// newSegmentRig watches a basin of 600 m³ with an analyser and a flow meter.
func newSegmentRig(t *testing.T, store *memoryStore, src Source, now func() time.Time, as ...alarms.Setting) rig {
	t.Helper()
	s := plant.Settings{
		Instruments: []plant.Instrument{{Name: "meters", Line: "line-a"}},
		Segments: []plant.Segment{{
			Name: "clearwell", Residual: "residual", PH: "ph", Temperature: "temperature", Flow: []string{"flow"}, Settings: basin,
		}},
	}
	for name, unit := range map[string]string{"residual": "mg/L", "ph": "pH", "temperature": "degC", "flow": "m3/h"} {
		s.Points = append(s.Points, plant.Point{Name: name, Instrument: "meters", Unit: units.MustParse(unit), StaleAfter: 3 * time.Minute})
	}
	p, err := plant.New(s)
	if err != nil {
		t.Fatal(err)
	}
	told := &recorder{t: t, store: store}
	a, err := New(Options{Plant: p, Alarms: as, Source: src, Store: store, Teller: told, Now: now, Tick: time.Minute, Beat: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	return rig{a, store, told}
}

// everyMinute emits a residual, in mg/L, and a flow, in m³/s, each minute.
type everyMinute func() (residual, flow float64, now time.Time)

func (f everyMinute) Run(ctx context.Context, emit func([]reading.Reading)) error {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for {
		c, q, now := f()
		var rs []reading.Reading
		for name, v := range map[string]float64{"residual": c, "ph": 7.5, "temperature": 10, "flow": q} {
			rs = append(rs, reading.Reading{Point: name, Value: v, Quality: reading.GoodQuality(), Time: now})
		}
		emit(rs)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

// A restart in mid-day keeps the worst of the day, and the coverage tells what
// was not watched. The run begins at midnight; at 5 h the residual is low for
// some minutes, the flow is highest from 6 to 8 h, and at 10 h ebbwatch is down for
// half an hour.
func TestTheDayOutlivesARestart(t *testing.T) {
	for _, tc := range []struct {
		reason string
		killed bool
		// covered is what of the first 12 h is, in hours, at least and at most.
		least, most float64
	}{
		{"stopped", false, 11.45, 11.51},
		{"killed, with what was counted since the last commit", true, 10.9, 11.51},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				begin := time.Now()
				src := everyMinute(func() (float64, float64, time.Time) {
					now := time.Now()
					c, q := 1.0, 0.3
					switch h := now.Sub(begin).Hours(); {
					case h >= 5 && h < 5.1:
						c = 0.25
					case h >= 6 && h < 8:
						q = 0.5
					}
					return c, q, now
				})
				store := &memoryStore{}
				first := newSegmentRig(t, store, src, nil)
				if tc.killed { // nothing more is written
					go func() {
						<-time.After(10*time.Hour - time.Second)
						store.breakWith(errors.New("killed"))
					}()
				}
				first.runFor(t, 10*time.Hour)
				figure := func(r rig, q plant.Quantity) float64 {
					t.Helper()
					v, quality := r.value(t, plant.Name(plant.SegmentKind, "clearwell", q))
					if !quality.Usable() {
						t.Errorf("%s is %v", q, quality)
					}
					return v
				}
				worst := []plant.Quantity{plant.DayLowestRatio, plant.DayLowestResidual, plant.DayRatio, plant.DayRatioClockHour, plant.DayRatioExtremes, plant.DayPeakFlow, plant.DayPeakFlowClock}
				want := map[plant.Quantity]float64{}
				for _, q := range worst {
					want[q] = figure(first, q)
				}
				if want[plant.DayLowestResidual] != 0.25 || math.Abs(want[plant.DayPeakFlow]-0.5) > 1e-9 {
					t.Fatalf("before the restart the day has %v", want)
				}
				<-time.After(30 * time.Minute)
				store.breakWith(nil)
				again := newSegmentRig(t, store, src, nil)
				again.runFor(t, 12*time.Hour-time.Since(begin))
				for _, q := range worst {
					if got := figure(again, q); math.Abs(got-want[q]) > 1e-9 {
						t.Errorf("%s is %g after the restart, %g before", q, got, want[q])
					}
				}
				if got := figure(again, plant.DayCovered) * 24; got < tc.least || got > tc.most {
					t.Errorf("%.3f h of 12 count as covered, expected %g to %g", got, tc.least, tc.most)
				}
			})
		})
	}
}

// A damaged day in a checkpoint begins anew; what is beside it stays.
func TestADamagedDayBeginsAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		src := everyMinute(func() (float64, float64, time.Time) { return 1, 0.3, time.Now() })
		newSegmentRig(t, store, src, nil).runFor(t, 2*time.Hour)
		for _, tc := range []struct{ day, reason string }{
			{`7`, "no object"}, {`{}`, "empty"}, {`{"present":{"from":"x"}}`, "no time"}, {`{"seen_s":1e999}`, "no number"},
		} {
			var m, p map[string]json.RawMessage
			if err := json.Unmarshal(store.checkpoint, &m); err != nil {
				t.Fatal(err)
			}
			if err := json.Unmarshal(m["plant"], &p); err != nil {
				t.Fatal(err)
			}
			if !strings.Contains(string(p["days"]), `"clearwell":{"of":`) {
				t.Fatalf("the checkpoint has no day: %s", store.checkpoint)
			}
			p["days"] = json.RawMessage(`{"clearwell":` + tc.day + `}`)
			m["plant"], _ = json.Marshal(p)
			cp, _ := json.Marshal(m)
			r := newSegmentRig(t, &memoryStore{checkpoint: cp}, src, nil)
			r.runFor(t, 30*time.Minute)
			if v, _ := r.value(t, "segment.clearwell.day-covered"); v*24 > 0.6 {
				t.Errorf("%s: %g h covered", tc.reason, v*24)
			}
		}
	})
}

// The host's clock is set in the middle of the run: no time counts twice, and
// time that nobody knows counts for none.
func TestTheDayWhenTheClockIsSet(t *testing.T) {
	for _, tc := range []struct {
		reason  string
		set     time.Duration // at 2 h
		hours   int           // of the run
		covered float64       // h
	}{
		{"not", 0, 4, 4},
		{"an hour ahead", time.Hour, 4, 4},
		{"an hour back", -time.Hour, 4, 3}, // what the clock shows
		{"a day back", -24 * time.Hour, 4, 2},
		{"over midnight", 23 * time.Hour, 4, 2}, // of the new day
	} {
		t.Run(tc.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				begin := time.Now()
				now := func() time.Time {
					by := tc.set
					if time.Since(begin) < 2*time.Hour {
						by = 0
					}
					return present(t, by, time.UTC)
				}
				r := newSegmentRig(t, &memoryStore{}, everyMinute(func() (float64, float64, time.Time) { return 1, 0.3, now() }), now)
				r.runFor(t, time.Duration(tc.hours)*time.Hour)
				if v, _ := r.value(t, "segment.clearwell.day-covered"); math.Abs(v*24-tc.covered) > 0.05 {
					t.Errorf("%.3f h covered, want %g", v*24, tc.covered)
				}
			})
		})
	}
}

// A feed that fades is told of while there is time to act: the look ahead raises
// its alarm well before the ratio is under its limit, says when, and a steady
// plant hears nothing.
func TestTheLookAheadAlarmsAheadOfTheEvent(t *testing.T) {
	figure := func(q plant.Quantity) string { return plant.Name(plant.SegmentKind, "clearwell", q) }
	for _, tc := range []struct {
		reason string
		fall   float64 // mg/L an hour
		told   bool
	}{{"steady", 0, false}, {"a feed that fades", 0.4, true}} {
		t.Run(tc.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				begin := time.Now()
				src := everyMinute(func() (float64, float64, time.Time) {
					now := time.Now()
					return 2 - tc.fall*max(0, now.Sub(begin).Hours()-1), 0.25, now
				})
				r := newSegmentRig(t, &memoryStore{}, src, nil,
					alarms.InactivationLow("clearwell", figure(plant.InactivationRatio)), alarms.RatioAheadLow("clearwell", figure(plant.RatioAhead)))
				r.runFor(t, 5*time.Hour)
				raised := map[string]alarms.Transition{}
				for _, tr := range r.told.told {
					if tr.Cause == alarms.Raised {
						raised[tr.After.Alarm] = tr
					}
				}
				ahead, low := raised["clearwell-ratio-ahead-low"], raised["clearwell-inactivation-low"]
				if !tc.told {
					if len(raised) > 0 {
						t.Errorf("raised %v", raised)
					}
					return
				}
				lead := low.Time.Sub(ahead.Time)
				if low.Time.IsZero() || ahead.Time.IsZero() || lead < 30*time.Minute || lead > 65*time.Minute {
					t.Fatalf("told %v ahead of the event", lead)
				}
				if what := ahead.After.What; !strings.Contains(what, "the value comes in about 60 min, at 0") {
					t.Errorf("ahead it says %q", what)
				}
				if what := low.After.What; !strings.Contains(what, `rests on T10 by the form "static" and the required CT by the method table`) {
					t.Errorf("of the event it says %q", what)
				}
				t.Logf("told %v ahead: %s", lead, ahead.After.What)
			})
		})
	}
}
