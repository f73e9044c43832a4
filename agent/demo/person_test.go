package demo

import (
	"encoding/json"
	"fmt"
	"testing"
	"time"
)

func event(alarm, state string, episode int) []byte {
	return fmt.Appendf(nil, `{"specversion":"1.0","id":"x","source":"kestrel-ridge","type":"ebbwatch.alarm.transition.v1","sequence":1,
		"data":{"alarm":%q,"state":%q,"episode":%d,"priority":"high"}}`, alarm, state, episode)
}

func TestPersonAnswersAlarms(t *testing.T) {
	start := time.Date(2026, 4, 14, 19, 0, 0, 0, time.UTC)
	type step struct {
		after   time.Duration
		event   []byte
		answer  string // result for the last order
		verb    string // expected to be given now, or none
		alarm   string
		episode uint64
	}
	for _, c := range []struct {
		reason string
		steps  []step
	}{
		{"a raised alarm is acknowledged two minutes later, once", []step{
			{event: event("gas-1-level-1", "unacknowledged", 3)},
			{after: 119 * time.Second},
			{after: 120 * time.Second, verb: "acknowledge", alarm: "gas-1-level-1", episode: 3},
			{after: 121 * time.Second, answer: "done"},
			{after: time.Hour},
		}},
		{"a latched alarm is reset once it is acknowledged and the gas has gone", []step{
			{event: event("gas-1-level-1", "latched-unacknowledged", 3)},
			{after: 2 * time.Minute, verb: "acknowledge", alarm: "gas-1-level-1", episode: 3},
			{after: 2 * time.Minute, answer: "done", event: event("gas-1-level-1", "latched-acknowledged", 3)},
			{after: 7 * time.Minute, verb: "reset", alarm: "gas-1-level-1"},
			{after: 8 * time.Minute, answer: "done", event: event("gas-1-level-1", "normal", 3)},
			{after: time.Hour},
		}},
		{"an active, acknowledged alarm is not reset", []step{
			{event: event("gas-1-level-2", "acknowledged", 1)},
			{after: time.Hour},
		}},
		{"gas that comes back stops the reset and is acknowledged anew", []step{
			{event: event("gas-2-level-1", "latched-acknowledged", 1)},
			{after: time.Minute, event: event("gas-2-level-1", "unacknowledged", 2)},
			{after: 3 * time.Minute, verb: "acknowledge", alarm: "gas-2-level-1", episode: 2},
			{after: time.Hour},
		}},
		{"somebody else was quicker", []step{
			{event: event("gas-1-level-1", "unacknowledged", 1)},
			{after: time.Minute, event: event("gas-1-level-1", "acknowledged", 1)},
			{after: time.Hour},
		}},
		{"a refused order is tried again with a new time", []step{
			{event: event("gas-1-level-1", "unacknowledged", 1)},
			{after: 2 * time.Minute, verb: "acknowledge", alarm: "gas-1-level-1", episode: 1},
			{after: 2 * time.Minute, answer: "refused"},
			{after: 130 * time.Second, verb: "acknowledge", alarm: "gas-1-level-1", episode: 1},
			{after: 131 * time.Second, answer: "already"},
			{after: time.Hour},
		}},
		{"what is no event changes nothing", []step{
			{event: []byte(`{"data":`)},
			{event: []byte(`{"data":{"state":"unacknowledged"}}`)},
			{event: []byte(`[]`)},
			{after: time.Hour},
		}},
	} {
		p := person{asked: map[string]task{}}
		last := ""
		for i, s := range c.steps {
			now := start.Add(s.after)
			if s.answer != "" {
				p.answer(now, fmt.Appendf(nil, `{"order":%q,"result":%q}`, last, s.answer))
			}
			if s.event != nil {
				p.hear(now, s.event)
			}
			orders, verbs := p.act(now)
			if s.verb == "" {
				if len(orders) != 0 {
					t.Errorf("%s: step %d gives %+v, expected nothing", c.reason, i, orders)
				}
				continue
			}
			if len(orders) != 1 || verbs[0] != s.verb || orders[0].Alarm != s.alarm || orders[0].Episode != s.episode || orders[0].By != onCall {
				t.Errorf("%s: step %d gives %v %+v, expected %s of %s, episode %d", c.reason, i, verbs, orders, s.verb, s.alarm, s.episode)
				continue
			}
			if issued, err := time.Parse(time.RFC3339, orders[0].IssuedAt); err != nil || !issued.Equal(now) {
				t.Errorf("%s: issued at %q, expected %v", c.reason, orders[0].IssuedAt, now)
			}
			if orders[0].Order == last {
				t.Errorf("%s: the order id %s is used twice", c.reason, last)
			}
			last = orders[0].Order
		}
	}
}

func TestPersonGivesUp(t *testing.T) {
	p := person{asked: map[string]task{}}
	now := time.Date(2026, 4, 14, 19, 0, 0, 0, time.UTC)
	p.hear(now, event("gas-1-level-1", "unacknowledged", 1))
	given := 0
	for range 100 {
		now = now.Add(time.Minute)
		orders, _ := p.act(now)
		for _, o := range orders {
			given++
			p.answer(now, fmt.Appendf(nil, `{"order":%q,"result":"refused"}`, o.Order))
		}
	}
	if given != maxTries {
		t.Errorf("%d orders were given, expected %d", given, maxTries)
	}
}

func FuzzPerson(f *testing.F) {
	f.Add(event("gas-1-level-1", "unacknowledged", 1))
	f.Add([]byte(`{"order":"on-call-1-1","result":"refused"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		p := person{asked: map[string]task{"on-call-1-1": {alarm: "a"}}}
		now := time.Date(2026, 4, 14, 19, 0, 0, 0, time.UTC)
		p.hear(now, b)
		p.answer(now, b)
		if len(p.tasks) > 2 {
			t.Fatalf("one message made %d tasks", len(p.tasks))
		}
		orders, _ := p.act(now.Add(time.Hour))
		if _, err := json.Marshal(orders); err != nil {
			t.Fatal(err)
		}
	})
}
