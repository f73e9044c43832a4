package notify

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"ebbwatch/alarms"
	"ebbwatch/alarms/escalation"
)

// TestNoticesFollowTheirSchema takes the notices of a whole episode, as a person
// gets them, against testdata/schema.
func TestNoticesFollowTheirSchema(t *testing.T) {
	x, err := escalation.New(escalation.Settings{
		Site: "kestrel-ridge", Title: "Kestrel Ridge", Store: "s", Zone: time.UTC,
		Plans: map[alarms.Priority]escalation.Plan{alarms.High: {Repeat: time.Minute, Steps: []escalation.Step{
			{Persons: []escalation.Person{{Name: "on-call-1", Reach: []escalation.Address{{Channel: "webhook", To: "pager"}}}}},
		}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	s := loadSchemas(t)
	kinds := map[escalation.Kind]bool{}
	for i, state := range []alarms.State{alarms.Unacknowledged, alarms.Unacknowledged, alarms.LatchedUnacknowledged, alarms.LatchedAcknowledged, alarms.Normal} {
		c := condition("gas-1-level-2", state)
		c.Sequence = uint64(i)
		for _, n := range x.Step(morning.Add(time.Duration(i)*time.Minute), []alarms.Transition{{After: c}}, []alarms.Condition{c}) {
			id, body := NoticeEvent("kestrel-ridge", n)
			if err := s.check("notice", string(body)); err != nil || !strings.Contains(string(body), `"id":"`+id+`"`) {
				t.Errorf("%s: %v in %s", n.Kind, err, body)
			}
			kinds[n.Kind] = true
		}
	}
	for _, k := range []escalation.Kind{escalation.Raised, escalation.Repeated, escalation.Returned, escalation.Acknowledged, escalation.Ended} {
		if !kinds[k] {
			t.Errorf("no notice of the kind %s was checked", k)
		}
	}
}

// TestTransitionEventIsThatOfTheBroker: a webhook gets what the event topic does.
func TestTransitionEventIsThatOfTheBroker(t *testing.T) {
	o, b := options("tcp://127.0.0.1:1883")
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	seq := b.outbox.add(t, condition("gas-1-level-1", alarms.Unacknowledged), alarms.Raised)
	err = b.outbox.After(0, 1, func(_ uint64, data []byte) bool {
		id, body, err := TransitionEvent(o.Site, o.StoreID, seq, data, func(alarms.Transition) bool { return true })
		if err != nil {
			t.Fatal(err)
		}
		var sent alarms.Transition
		if err := json.Unmarshal(data, &sent); err != nil {
			t.Fatal(err)
		}
		if want := p.event(seq, data, sent, true); string(body) != string(want.payload) || !strings.Contains(string(body), id) {
			t.Errorf("the webhook gets %s\nthe broker %s", body, want.payload)
		}
		if err := loadSchemas(t).check("event", string(body)); err != nil {
			t.Error(err)
		}
		if _, _, err := TransitionEvent(o.Site, o.StoreID, seq+1, data, nil); err == nil {
			t.Error("an event under another number is told")
		}
		return true
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestEventSaysThatItsClockWasUnsure, and says nothing when it was sure.
func TestEventSaysThatItsClockWasUnsure(t *testing.T) {
	s := loadSchemas(t)
	for _, unsure := range []bool{true, false} {
		tr := alarms.Transition{Sequence: 1, Time: morning, From: alarms.Normal, To: alarms.Unacknowledged, Cause: alarms.Raised, After: condition("gas-1-level-2", alarms.Unacknowledged), ClockUnsure: unsure}
		data, err := json.Marshal(tr)
		if err != nil {
			t.Fatal(err)
		}
		body := string(encode(transitionEvent("kestrel-ridge", "store", 1, data, tr, false)))
		if err := s.check("event", body); err != nil || strings.Contains(body, `"clock_unsure":true`) != unsure {
			t.Errorf("unsure %v: %v in %s", unsure, err, body)
		}
	}
}
