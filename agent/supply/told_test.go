package supply

import (
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"
)

// A tare that a person gives moves the net weight and nothing else, until another
// container stands there.
func TestSetTare(t *testing.T) {
	b := NewBank(tons(1))
	var r BankResult
	var events []Event
	run := func(from, to time.Duration, gross func(time.Duration) float64) {
		for at := from; at < to; at += 10 * time.Second {
			r = b.Step(start.Add(at), Inputs{Weights: []reading.Reading{weight(start.Add(at), math.Round(gross(at)))}})
			events = append(events, r.Events...)
		}
	}
	run(0, 2*time.Hour, func(at time.Duration) float64 { return 2500 - 100*at.Hours()/24 })
	rate := r.Rate
	b.SetTare(0, lb(1450))
	run(2*time.Hour, 2*time.Hour+time.Minute, func(at time.Duration) float64 { return 2500 - 100*at.Hours()/24 })
	if got := r.Net.Value / float64(lb(1)); math.Abs(got-1042) > 1 {
		t.Errorf("net %g lb with a tare of 1450 lb, expected 1042", got)
	}
	if math.Abs(r.Rate.Value-rate.Value) > 0.1*rate.Value || len(events) > 0 {
		t.Errorf("the tare moved the rate from %g to %g kg/s, with the events %v", rate.Value, r.Rate.Value, events)
	}
	// Another container, whose own tare nobody has given.
	run(2*time.Hour+time.Minute, 3*time.Hour, func(time.Duration) float64 { return 3500 })
	if got := r.Net.Value / float64(lb(1)); math.Abs(got-2000) > 1 {
		t.Errorf("net %g lb after a change, expected that by the tare of the settings, 2000", got)
	}
	if len(events) != 1 || events[0].Kind != Changed || math.Abs(events[0].From/float64(lb(1))-1041.5) > 2 || math.Abs(events[0].To/float64(lb(1))-2000) > 1 {
		t.Errorf("events %+v, expected one change from 1041.5 lb to 2000 lb", events)
	}
}

func TestClosedAndFeed(t *testing.T) {
	b := NewBank(tons(2))
	ws := []reading.Reading{weight(start, 2500), weight(start, 2500)}
	flow, dose := weight(start, 0), weight(start, 0)
	flow.Value, dose.Value = si("MGD", 2.5), 2
	open := b.Step(start, Inputs{Weights: ws, Flow: &flow, Dose: &dose})
	closed := b.Step(start.Add(time.Second), Inputs{Weights: ws, Closed: []bool{false, true}})
	if got := closed.Limit.Value / open.Limit.Value; math.Abs(got-0.5) > 1e-9 {
		t.Errorf("one of two valves closed leaves %g of the limit, expected half", got)
	}
	// 2.5 MGD at 2 mg/L take 41.7 lb/d: the feed formula of testdata/supply.
	if got := open.Feed.Value / si("lb/d", 1); math.Abs(got-41.7) > 0.1 {
		t.Errorf("the feed takes %g lb/d, expected 41.7", got)
	}
	if r := NewBank(tons(2)).Step(start, Inputs{Weights: ws}); r.Feed.Quality.Usable() {
		t.Error("a feed is known without a signal")
	}
}

// A net weight that cannot be is told, a container in the air is not.
func TestTareWrong(t *testing.T) {
	for gross, wrong := range map[float64]bool{1500 + 2400: true, 1500 + 2000: false, 1500 - 150: true, 1500: false, 100: false} {
		r := NewBank(tons(1)).Step(start, Inputs{Weights: []reading.Reading{weight(start, gross)}})
		if r.Containers[0].TareWrong != wrong {
			t.Errorf("gross %g lb on a tare of 1500: wrong is %t", gross, r.Containers[0].TareWrong)
		}
	}
}
