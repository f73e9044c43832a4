package main

import (
	"errors"

	"ebbwatch/agent"
	"ebbwatch/agent/field"
	"ebbwatch/agent/journal"
	"ebbwatch/agent/metrics"
	"ebbwatch/alarms"
	"ebbwatch/alarms/notify"
)

// teller hands what the agent found to the broker session, and to a command
// that shows it. Without a broker it has no publisher.
type teller struct {
	publisher *notify.Publisher
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
	if len(ts) > 0 {
		t.publisher.Wake()
	}
	if changed := t.changed(s, ts); len(changed) > 0 {
		t.publisher.ConditionChanged(changed)
	}
	t.publisher.Figures(func() []notify.Figure { return figures(s) })
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
		nf := notify.Figure{Name: f.Name, Unit: f.Unit.Symbol, Quality: f.Quality.String(), Time: f.Time}
		if f.Quality.Usable() {
			v := f.Shown()
			nf.Value = &v
			if low, high, ok := f.Interval(); ok {
				nf.Low, nf.High = &low, &high
			}
		}
		out = append(out, nf)
	}
	return out
}

// journalStore lets the agent commit to the journal.
type journalStore struct{ *journal.Journal }

func (j journalStore) Depth() int { return j.Journal.Depth(receiver) }

func (j journalStore) Lost() string { return j.Journal.Recovered() }

func (j journalStore) Commit(first uint64, events [][]byte, checkpoint []byte) error {
	entries := make([]journal.Entry, len(events))
	for i, data := range events {
		entries[i] = journal.Entry{Sequence: first + uint64(i), Data: data}
	}
	return j.Journal.Commit(entries, checkpoint)
}

func lineMetrics(source *field.Field) []metrics.Line {
	var out []metrics.Line
	for _, l := range source.Stats() {
		out = append(out, metrics.Line{Name: l.Line, Polls: l.Polls, Errors: l.Errors, Cycle: l.Cycle, Overruns: l.Overruns})
	}
	return out
}

func telling(store *journal.Journal, t *teller) metrics.Telling {
	m := metrics.Telling{Depth: store.Depth(receiver)}
	if t.publisher != nil {
		s := t.publisher.Status()
		m.Connected, m.Sent, m.Acked, m.Late = s.Connected, s.Sent, s.Acked, s.Late
	}
	return m
}
