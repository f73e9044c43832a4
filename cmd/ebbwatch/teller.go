package main

import (
	"encoding/json"
	"errors"

	"ebbwatch/agent"
	"ebbwatch/agent/field"
	"ebbwatch/agent/journal"
	"ebbwatch/agent/metrics"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
	"ebbwatch/alarms/notify"
)

// teller hands what the agent found to the broker session, and to a command
// that shows it. Without a broker it has no publisher.
type teller struct {
	publisher *notify.Publisher
	people    *people
	onStep    func(*agent.Snapshot, []alarms.Transition)
	qualities map[string]string
}

// Step implements agent.Teller.
func (t *teller) Step(s *agent.Snapshot, ts []alarms.Transition) {
	if t.onStep != nil {
		t.onStep(s, ts)
	}
	if t.publisher == nil {
		return
	}
	if changed := t.changed(s, ts); len(changed) > 0 {
		t.publisher.ConditionChanged(changed)
	}
	t.publisher.Figures(func() []notify.Figure { return figures(s) })
}

// wake lets those who tell look for events that were committed.
func (t *teller) wake() {
	t.people.wake()
	if t.publisher != nil {
		t.publisher.Wake()
	}
}

// changed picks the conditions to publish: those that moved, and those whose
// quality did.
func (t *teller) changed(s *agent.Snapshot, ts []alarms.Transition) []alarms.Condition {
	if t.qualities == nil {
		t.qualities = make(map[string]string, len(s.Conditions))
	}
	moved := make(map[string]bool, len(ts))
	for i := range ts {
		moved[ts[i].After.Alarm] = true
	}
	var out []alarms.Condition
	for _, c := range s.Conditions {
		if moved[c.Alarm] || t.qualities[c.Alarm] != c.Quality {
			t.qualities[c.Alarm] = c.Quality
			out = append(out, c)
		}
	}
	// An alarm that the site no longer has is only in its closing transition.
	for i := range ts {
		if ts[i].Cause == alarms.Retired {
			out = append(out, ts[i].After)
		}
	}
	return out
}

// Heartbeat implements agent.Teller.
func (t *teller) Heartbeat(h agent.Heartbeat) {
	if t.publisher == nil {
		return
	}
	t.publisher.Heartbeat(notify.Heartbeat{
		Sequence: h.Sequence, Time: h.Time, LoopAge: h.LoopAge, WorstInstrumentAge: h.WorstInstrumentAge,
		OutboxDepth: h.OutboxDepth, Clock: h.Clock,
	})
}

// brokerError is nil while events reach the broker, or when none is configured.
func (t *teller) brokerError() error {
	if t.publisher == nil {
		return nil
	}
	s := t.publisher.Status()
	switch {
	case s.Connected:
		return nil
	case s.LastError != "":
		return errors.New(s.LastError)
	default:
		return errors.New("no session yet")
	}
}

// figures writes the snapshot's figures as the broker gets them: no value when
// the figure is bad.
func figures(s *agent.Snapshot) []notify.Figure {
	out := make([]notify.Figure, 0, len(s.Figures))
	for i := range s.Figures {
		f := &s.Figures[i]
		nf := notify.Figure{Name: f.Name, Unit: f.Unit.Symbol, Quality: f.Quality.String(), Method: f.Method, Time: f.Time}
		if f.Quality.Usable() {
			v := f.Shown()
			nf.Value = &v
			if low, high, ok := f.Interval(); ok {
				nf.Low, nf.High = &low, &high
			}
		}
		out = append(out, nf)
	}
	return append(out, performanceFigures(s)...)
}

// performanceFigures are the health figures of the alarm system, as the broker
// gets them. How often each alarm called is in the metrics alone.
func performanceFigures(s *agent.Snapshot) []notify.Figure {
	f := &s.Performance
	flood := 0.0
	if f.Flood {
		flood = 1
	}
	var out []notify.Figure
	for _, c := range []struct {
		name  string
		value float64
		unit  string
	}{
		{"annunciations-10min", float64(f.Last10Minutes), "1"},
		{"annunciations-hour", float64(f.LastHour), "1"},
		{"annunciations-day", float64(f.LastDay), "1"},
		{"annunciations-30d", float64(f.Annunciations), "1"},
		{"annunciations-per-hour", f.PerHour, "1"},
		{"annunciations-peak-10min", float64(f.Peak), "1"},
		{"watched", f.Watched.Hours(), "h"},
		{"flood", flood, "1"},
		{"time-in-flood", f.TimeInFlood.Hours(), "h"},
		{"standing", float64(f.Standing), "1"},
		{"unanswered", float64(f.Unanswered), "1"},
		{"stale", float64(f.Stale), "1"},
		{"withheld", float64(f.Withheld), "1"},
		{"chattering", float64(len(f.Chattering)), "1"},
		{"fleeting", float64(f.Fleeting), "1"},
		{"top-ten-share", f.TopShare, "1"},
	} {
		out = append(out, notify.Figure{Name: "self.alarms." + c.name, Value: &c.value, Unit: c.unit, Quality: reading.GoodQuality().String(), Time: s.Time})
	}
	return out
}

func lineMetrics(stats []field.LineStats) []metrics.Line {
	var out []metrics.Line
	for _, l := range stats {
		m := metrics.Line{
			Name: l.Line, Polls: l.Polls, Errors: l.Errors, Cycle: l.Cycle, Planned: l.Planned,
			Slowest: l.Slowest, Grace: l.Grace, Overruns: l.Overruns, Discarded: l.Discarded,
		}
		for _, u := range l.Units {
			m.Instruments = append(m.Instruments, metrics.Instrument{
				Name: u.Instrument, Polls: u.Polls, Errors: u.Errors, Took: u.Took, Slowest: u.Slowest, Overruns: u.Overruns, Resting: u.Resting,
			})
		}
		out = append(out, m)
	}
	return out
}

// telling sums up what the broker has been told and what it still has to be.
func telling(store *journal.Journal, t *teller) metrics.Telling {
	m := metrics.Telling{Depth: store.Depth(), Dropped: store.Dropped()}
	if t.publisher == nil {
		return m
	}
	s := t.publisher.Status()
	m.Broker, m.Connected, m.Sent, m.Acked, m.Late = true, s.Connected, s.Sent, s.Acked, s.Late
	if acked, err := store.Acked(receiver); err == nil {
		// An event that cannot be read shows as one without an age; the journal's
		// own health tells why.
		_ = store.After(acked, 1, func(_ uint64, data []byte) bool {
			var first alarms.Transition
			if json.Unmarshal(data, &first) == nil {
				m.Oldest = first.Time
			}
			return false
		})
	}
	return m
}
