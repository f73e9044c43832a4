package main

import (
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/core"
	"ebbwatch/agent/field"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"
)

// annexSite is an invented room with a detector of each kind: whole numbers with a
// register of its state, a float, and the counts of a current loop.
const annexSite = `ebbwatch: 1
site: annex
title: Annex
time_zone: UTC
units: us
state_dir: state
listen: 127.0.0.1:0
lines: {line-a: {kind: tcp, address: 127.0.0.1:1}}
instruments:
  panel-1: {line: line-a, unit: 1, every: 1s, points: {
    gas-1-state: {table: input-register, address: 0, type: uint16, unit: "1"},
    gas-1-ppm: {table: input-register, address: 1, type: int16, scale: 0.01, unit: ppm, range: 0 to 10, status: {gas-1-state: {when: 2, means: maintenance, quality: uncertain}}}}}
  panel-2: {line: line-a, unit: 2, every: 1s, points: {gas-2-ppm: {table: input-register, address: 0, type: float32, unit: ppm, range: 0 to 10}}}
  panel-3: {line: line-a, unit: 3, every: 1s, points: {gas-3-ppm: {table: input-register, address: 0, type: uint16, current: 4000 to 20000, to: 0 to 10, unit: ppm}}}
detectors:
  gas-1: {room: annex, concentration: gas-1-ppm, stuck_after: 20m, drift_limit: 0.3 ppm}
  gas-2: {room: annex, concentration: gas-2-ppm, stuck_after: 20m, zero_stuck_after: 1h}
  gas-3: {room: annex, concentration: gas-3-ppm, level_3: {limit: 5 ppm}}
rooms:
  annex: {vote: 2oo3, deviation: {limit: 0.2 ppm, deadband: 0.05 ppm}, contents: ton}
`

// annexed is the whole core over that site, fed with registers.
type annexed struct {
	*testing.T
	core   *core.Core
	points map[string]field.Point
	says   map[string][]uint16 // nil for no reply
	now    time.Time
	raised []string
	after  map[string]alarms.Condition // of the latest raise
}

func newAnnex(t *testing.T) *annexed {
	t.Helper()
	site, err := config.Parse("annex.yaml", []byte(annexSite), config.ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := plant.New(plantSettings(site))
	if err != nil {
		t.Fatal(err)
	}
	c, err := core.New(p, nil, alarmSettings(site, guidance.Default()), nil)
	if err != nil {
		t.Fatal(err)
	}
	a := &annexed{T: t, core: c, points: map[string]field.Point{}, now: time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC), after: map[string]alarms.Condition{}}
	for _, l := range lines(site) {
		for _, in := range l.Instruments {
			for _, pt := range in.Points {
				a.points[pt.Name] = pt
			}
		}
	}
	a.air(0)
	a.pass(time.Minute)
	if len(a.raised) > 0 {
		t.Fatalf("in clean air %q", a.raised)
	}
	return a
}

// air lets all detectors show what is in the air.
func (a *annexed) air(ppm float64) {
	w := float32Words(float32(ppm))
	a.says = map[string][]uint16{"gas-1-state": {0}, "gas-1-ppm": {uint16(int16(math.Round(100 * ppm)))}, "gas-2-ppm": w[:], "gas-3-ppm": {uint16(4000 + 1600*ppm)}}
}

// pass lets time pass, with a round of readings each second. Zeros of the float
// move a little, as those of a live cell.
func (a *annexed) pass(length time.Duration) {
	for end := a.now.Add(length); a.now.Before(end); {
		a.now = a.now.Add(time.Second)
		var rs []reading.Reading
		for name, p := range a.points {
			r := reading.Reading{Point: name, Time: a.now, Quality: reading.BadBecause(reading.NoReply)}
			if words := a.says[name]; words != nil {
				var data []byte
				for _, w := range words {
					data = binary.BigEndian.AppendUint16(data, w)
				}
				r.Value, r.Quality = field.Decode(p, data)
			}
			rs = append(rs, r)
		}
		_, ts := a.core.Step(a.now, rs, nil)
		a.note(ts)
	}
}

func (a *annexed) note(ts []alarms.Transition) {
	for _, t := range ts {
		if t.Annunciate {
			a.raised = append(a.raised, t.After.Alarm)
			a.after[t.After.Alarm] = t.After
		}
	}
}

func (a *annexed) order(o alarms.Order) {
	a.Helper()
	o.By = "operator"
	ts, answer := a.core.Order(a.now, o)
	if answer.Result != alarms.Done {
		a.Fatalf("the order was answered %+v", answer)
	}
	a.note(ts)
}

// TestBadGas: whatever goes wrong with detectors, gas that one of them shows is
// told, and one that cannot see it says so. Each case ends on the safe side.
func TestBadGas(t *testing.T) {
	const level1, level2 = "gas-1-level-1", "gas-1-level-2"
	for _, tc := range []struct {
		reason string
		play   func(a *annexed)
		raised []string          // all that calls people, in any order
		says   map[string]string // a part of what they say
	}{
		{"nothing", func(a *annexed) { a.pass(50 * time.Minute) }, nil, nil},
		{"stuck in the air", func(a *annexed) { a.says["gas-1-ppm"] = []uint16{12}; a.pass(21 * time.Minute) },
			[]string{"gas-1-unavailable"}, map[string]string{"gas-1-unavailable": "has not moved for longer than a live sensor would"}},
		{"stuck at zero, where zero moves", func(a *annexed) { a.pass(61 * time.Minute) },
			[]string{"gas-2-unavailable"}, nil},
		{"saturated over its range, for hours", func(a *annexed) { a.says["gas-1-ppm"] = []uint16{1200}; a.pass(50 * time.Minute) },
			[]string{level1, level2}, map[string]string{level2: "12.00 ppm"}},
		{"saturated at the end of its range", func(a *annexed) { a.says["gas-1-ppm"] = []uint16{1000}; a.pass(5 * time.Minute) },
			[]string{level1, level2}, nil},
		{"a loop over 20.5 mA", func(a *annexed) { a.says["gas-3-ppm"] = []uint16{20800}; a.pass(time.Minute) },
			[]string{"gas-3-level-1", "gas-3-level-2", "gas-3-level-3"}, nil},
		{"a loop that is broken", func(a *annexed) { a.says["gas-3-ppm"] = []uint16{0}; a.pass(time.Minute) },
			[]string{"gas-3-unavailable", "panel-3-lost"}, map[string]string{"gas-3-unavailable": "the sensor or its wiring has failed"}},
		{"a loop that is shorted", func(a *annexed) { a.says["gas-3-ppm"] = []uint16{22000}; a.pass(time.Minute) },
			[]string{"gas-3-unavailable", "panel-3-lost"}, nil},
		{"gas in swapped registers is never clean air", func(a *annexed) {
			a.says["gas-2-ppm"] = []uint16{0, 0x3fc0} // 1.5
			a.pass(time.Minute)
		}, []string{"gas-2-unavailable", "panel-2-lost"}, map[string]string{"gas-2-unavailable": "sends its registers in another order"}},
		{"noise in swapped registers", func(a *annexed) {
			w := float32Words(0.013)
			a.says["gas-2-ppm"] = []uint16{w[1], w[0]}
			a.pass(time.Minute)
		}, []string{"gas-2-unavailable", "panel-2-lost"}, nil},
		{"a whole number with its bytes swapped", func(a *annexed) {
			a.says["gas-1-ppm"] = []uint16{swap(3)} // 0.03 ppm reads as 7.68
			a.pass(time.Minute)
		}, []string{level1, level2}, nil},
		{"replaced by one of twice the range: its neighbours call in time", func(a *annexed) {
			a.air(1.2)
			a.says["gas-1-ppm"] = []uint16{60}
			a.pass(time.Minute)
		}, []string{level1, "gas-2-level-1", "gas-2-level-2", "gas-3-level-1", "gas-3-level-2", "annex-vote"}, nil},
		{"replaced by one of twice the range: a little gas tells them apart", func(a *annexed) {
			a.air(0.45)
			a.says["gas-1-ppm"] = []uint16{22}
			a.pass(15 * time.Minute)
		}, []string{"annex-deviation"}, map[string]string{"annex-deviation": "gas-1"}},
		{"replaced by one of half the range: it calls too early", func(a *annexed) {
			a.air(0.3)
			a.says["gas-1-ppm"] = []uint16{60}
			a.pass(time.Minute)
		}, []string{level1}, nil},
		{"drifted below zero", func(a *annexed) { a.says["gas-1-ppm"] = []uint16{0xffdd}; a.pass(15 * time.Minute) }, // -0.35 ppm
			[]string{"gas-1-unavailable"}, map[string]string{"gas-1-unavailable": "it would read gas too low"}},
		{"left in maintenance: it is not trusted, and its gas is gas", func(a *annexed) {
			a.says["gas-1-state"] = []uint16{2}
			a.pass(time.Minute)
			a.says["gas-1-ppm"] = []uint16{150}
			a.pass(time.Minute)
		}, []string{"gas-1-unavailable", level1, level2}, map[string]string{"gas-1-unavailable": "is being worked on", level2: "1.50 ppm"}},
		{"all of the room lost", func(a *annexed) { a.says = nil; a.pass(time.Minute) },
			[]string{"annex-blind", "annex-vote", "gas-1-unavailable", "gas-2-unavailable", "gas-3-unavailable", "line-a-lost"},
			map[string]string{"annex-blind": "has no detector that can be trusted"}},
		{"one shows gas, then all are lost: what stood still stands", func(a *annexed) {
			a.says["gas-1-ppm"] = []uint16{150}
			a.pass(time.Minute)
			a.says = nil
			a.pass(10 * time.Minute)
			for _, alarm := range []string{level1, level2} {
				if s := a.state(alarm); s != alarms.Unacknowledged {
					a.Errorf("%s is %s although nobody sees the air", alarm, s)
				}
			}
		}, []string{level1, level2, "annex-blind", "annex-vote", "gas-1-unavailable", "gas-2-unavailable", "gas-3-unavailable", "line-a-lost"}, nil},
		{"a bump test: marked", func(a *annexed) {
			a.order(alarms.Order{Verb: alarms.Test, Detector: "gas-1", For: 20 * time.Minute})
			a.says["gas-1-ppm"] = []uint16{150}
			a.pass(3 * time.Minute)
			a.marked(level1, true)
			a.marked(level2, true)
			a.air(0)
			a.pass(20 * time.Minute)
		}, []string{level1, level2}, nil},
		{"a leak starts during a bump test", func(a *annexed) {
			a.order(alarms.Order{Verb: alarms.Test, Detector: "gas-1", For: 20 * time.Minute})
			a.says["gas-1-ppm"] = []uint16{150}
			a.pass(time.Minute)
			a.air(1.3)
			a.pass(time.Minute)
			for _, alarm := range []string{"gas-2-level-1", "gas-2-level-2", "gas-3-level-2", "annex-vote"} {
				a.marked(alarm, false)
			}
			a.marked(level2, true)
		}, []string{level1, level2, "gas-2-level-1", "gas-2-level-2", "gas-3-level-1", "gas-3-level-2", "annex-vote"},
			map[string]string{"gas-2-level-2": "gas-1 is being tested", "annex-vote": "gas-1 is being tested"}},
		{"a test that was forgotten, with gas when it ends", func(a *annexed) {
			a.order(alarms.Order{Verb: alarms.Test, Detector: "gas-1", For: 20 * time.Minute})
			a.pass(10 * time.Minute)
			a.says["gas-1-ppm"] = []uint16{150}
			a.pass(time.Minute)
			a.order(alarms.Order{Verb: alarms.Acknowledge, Alarm: level2, Episode: 1})
			a.pass(10 * time.Minute)
			a.marked(level1, false)
			a.marked(level2, false)
		}, []string{level1, level2, level1, level2}, nil},
		{"gas after a test that was forgotten", func(a *annexed) {
			a.order(alarms.Order{Verb: alarms.Test, Detector: "gas-1", For: time.Minute})
			a.pass(2 * time.Minute)
			a.says["gas-1-ppm"] = []uint16{150}
			a.pass(time.Minute)
			a.marked(level2, false)
		}, []string{level1, level2}, nil},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			a := newAnnex(t)
			tc.play(a)
			slices.Sort(a.raised)
			slices.Sort(tc.raised)
			if !slices.Equal(a.raised, tc.raised) {
				t.Errorf("people were called by %q,\nexpected %q", a.raised, tc.raised)
			}
			for alarm, says := range tc.says {
				if c := a.after[alarm]; !strings.Contains(c.What+" "+c.Evidence, says) {
					t.Errorf("%s says %q, and beside it %q: expected %q", alarm, c.What, c.Evidence, says)
				}
			}
		})
	}
}

func (a *annexed) state(alarm string) alarms.State {
	cs := a.core.Evaluator.Conditions()
	return cs[slices.IndexFunc(cs, func(c alarms.Condition) bool { return c.Alarm == alarm })].State
}

func (a *annexed) marked(alarm string, want bool) {
	a.Helper()
	if c, ok := a.after[alarm]; !ok || c.Test != want {
		a.Errorf("%s was raised: %v, marked as a test: %v, expected %v", alarm, ok, c.Test, want)
	}
}
