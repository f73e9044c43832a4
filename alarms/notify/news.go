package notify

import (
	"bytes"
	"encoding/json"
	"slices"
	"time"

	"ebbwatch/alarms"
)

// news are the conditions that the broker may not have yet.
type news struct {
	latest map[string]alarms.Condition // by alarm
	// Alarms in the order of urgency: those that changed, and those that may only
	// have another value.
	first, later []string
	summary      bool
}

// next picks the most urgent message. What changed now goes before what happened,
// so that a long backlog does not hide the present. What is normal, which the
// summary has told, and new values go after it, figures last.
func (s *session) next() (message, bool) {
	if m, ok := s.p.urgent(); ok {
		return m, true
	}
	s.look()
	if m, ok := s.show(&s.news.first); ok {
		return m, true
	}
	if s.news.summary {
		s.news.summary = false
		return s.p.summary(s.p.o.Conditions()), true
	}
	if len(s.ahead) == 0 {
		s.read()
	}
	if m, ok := pop(&s.ahead); ok {
		return m, true
	}
	if m, ok := s.show(&s.news.later); ok {
		s.valued += m.cost()
		return m, true
	}
	return s.figure()
}

func pop[T any](q *[]T) (first T, ok bool) {
	if len(*q) == 0 {
		return first, false
	}
	first, *q = (*q)[0], (*q)[1:]
	return first, true
}

// urgent takes the heartbeat, a notice or an answer.
func (p *Publisher) urgent() (message, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if h := p.heartbeat; h != nil {
		p.heartbeat = nil
		if time.Since(p.beatAt) < maxBeatAge {
			return p.heartbeatMessage(*h), true
		}
	}
	if m, ok := pop(&p.notices); ok {
		return m, true
	}
	return pop(&p.answers)
}

// look queues the conditions that changed since they were last sent: all of them
// at the start and on demand, those that were handed over, and now and then those
// of which only the value moved.
func (s *session) look() {
	p := s.p
	p.mu.Lock()
	changed, refresh := p.changed, p.refresh
	p.changed, p.refresh = map[string]alarms.Condition{}, false
	p.mu.Unlock()
	if refresh {
		clear(s.shown)
		s.figuredAt, s.figured = time.Time{}, 0
	}
	due := refresh || p.due(s.valuedAt, p.o.ConditionEvery, s.valued)
	if len(changed) == 0 && !due {
		return
	}
	if due {
		s.valuedAt, s.valued = time.Now(), 0
	}
	n := &s.news
	before := *n
	n.first, n.later = nil, nil
	for _, c := range p.o.Conditions() { // they come in the order of urgency
		now, moved := changed[c.Alarm]
		switch {
		case moved:
			n.latest[c.Alarm] = now
		case due:
			n.latest[c.Alarm] = c
		}
		switch {
		case moved, refresh && c.State != alarms.Normal, slices.Contains(before.first, c.Alarm):
			n.first = append(n.first, c.Alarm)
		case due, slices.Contains(before.later, c.Alarm):
			n.later = append(n.later, c.Alarm)
		}
	}
	n.summary = n.summary || refresh || len(n.first) > 0
}

// show takes the first alarm of a queue of which the broker does not have the
// present condition.
func (s *session) show(queue *[]string) (message, bool) {
	for {
		alarm, ok := pop(queue)
		if !ok {
			return message{}, false
		}
		condition := s.news.latest[alarm]
		payload := encode(condition.Payload())
		delete(s.news.latest, alarm)
		if level(alarm) && !bytes.Equal(payload, s.shown[alarm]) {
			s.shown[alarm] = payload
			return message{topic: s.p.alarmTopic(alarm), qos: 1, retain: true, payload: payload}, true
		}
	}
}

// read takes the next events from the outbox.
func (s *session) read() {
	p := s.p
	err := p.o.Outbox.After(s.cursor, window, func(seq uint64, data []byte) bool {
		var t alarms.Transition
		if err := json.Unmarshal(data, &t); err != nil || t.Sequence != seq {
			p.o.Log.Error("an event in the outbox cannot be read; it is passed over", "sequence", seq, "err", err)
			s.cursor = seq
			return len(s.ahead) == 0
		}
		s.ahead = append(s.ahead, p.event(seq, data, t, seq <= s.backlog))
		if t.Cause == alarms.Retired && level(t.After.Alarm) && !p.exists(t.After.Alarm) {
			// An empty retained message removes the one before (3.3.1.3): the
			// alarm is not normal, it is no more.
			s.ahead = append(s.ahead, message{topic: p.alarmTopic(t.After.Alarm), qos: 1, retain: true})
		}
		return true
	})
	if err != nil {
		p.o.Log.Error("the outbox cannot be read", "err", err)
	}
}

func (p *Publisher) exists(alarm string) bool {
	return slices.ContainsFunc(p.o.Conditions(), func(c alarms.Condition) bool { return c.Alarm == alarm })
}

// figure takes the next figure, and gathers them when they are due. They go in
// parts of half the room: after each the broker is asked for a sign that it has
// them, since nothing acknowledges a figure, and a slow link would hold seconds of
// them before an alarm. An UNSUBSCRIBE of what was never subscribed to is such a
// question: it is answered in all cases (MQTT 3.1.1, 3.10.4), and changes nothing.
func (s *session) figure() (message, bool) {
	p := s.p
	if slices.ContainsFunc(s.flight, func(f sent) bool { return f.probe }) {
		return message{}, false
	}
	if s.unasked > 0 && (s.unasked >= s.room/2 || len(s.figures) == 0) {
		return message{topic: p.root + "/probe", probe: true}, true
	}
	if len(s.figures) == 0 && p.due(s.figuredAt, p.o.FigureEvery, s.figured) {
		p.mu.Lock()
		figures := p.figures
		p.mu.Unlock()
		if figures == nil {
			return message{}, false
		}
		s.figuredAt, s.figured = time.Now(), 0
		for _, f := range figures() {
			if level(f.Name) {
				m := p.figureMessage(f)
				s.figured += m.cost()
				s.figures = append(s.figures, m)
			}
		}
	}
	return pop(&s.figures)
}
