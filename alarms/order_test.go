package alarms

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestNotesAndTests(t *testing.T) {
	s := play(t, "x", high(nil))
	s.done(Order{Verb: Note, Reason: "zero checked with air"})
	if ts, ans := s.e.Order(s.now, Order{Verb: Note, By: "operator", Reason: "handed over"}); ans.Result != Done || ts[0].After.Alarm != Site || ts[0].Order.Reason != "handed over" {
		t.Errorf("a note of the site gave %+v, %+v", ts, ans)
	}
	for _, d := range []time.Duration{-1, MaxTest + 1} {
		if ans := s.order(Order{Verb: Test, For: d}); ans.Result != Refused || !strings.Contains(ans.Why, "at most 1h0m0s") {
			t.Errorf("a test of %s was answered %+v", d, ans)
		}
	}
	s.done(Order{Verb: Test, For: time.Minute})
	if ts := s.step(time.Second, good(20)); len(ts) != 1 || !ts[0].After.Test || !ts[0].Annunciate {
		t.Errorf("tested with %+v", ts)
	}
	s.step(59*time.Second, good(20))
	s.causes("noted order-refused order-refused test-begun raised test-ended")
	if ans := s.order(Order{Verb: Refresh}); ans.Result != Done {
		t.Errorf("a refresh was answered %+v", ans)
	}
}

// TestRefusedOrdersAreBounded: a flood of them cannot fill the record, and the
// count of the rest is not lost.
func TestRefusedOrdersAreBounded(t *testing.T) {
	s := play(t, "x", high(nil))
	for range 1000 {
		s.order(Order{Verb: "open-valve"})
	}
	if len(s.log) != refusalsKept {
		t.Fatalf("%d records, expected %d", len(s.log), refusalsKept)
	}
	s.now = s.now.Add(refusalsTime)
	s.order(Order{Verb: "open-valve"})
	if o := s.log[len(s.log)-1].Order; o.Unrecorded != 1000-refusalsKept {
		t.Errorf("%d without a record, expected %d", o.Unrecorded, 1000-refusalsKept)
	}
}

// FuzzOrders: whatever is ordered, people never change the condition, what is
// refused changes nothing, every record is bounded and readable, and sequences
// have no gap.
func FuzzOrders(f *testing.F) {
	for _, v := range append([]Verb{"", "open-valve"}, verbs...) {
		f.Add(string(v), "o-1", "operator", "", "a", uint64(1), int64(time.Minute), false, "why", byte(1))
	}
	f.Add("shelve", strings.Repeat("é", 40), "\xff", "gas", "g-level-2", uint64(0), int64(-1), true, strings.Repeat("x", 600), byte(3))
	f.Fuzz(func(t *testing.T, verb, id, by, role, name string, episode uint64, length int64, oneShot bool, reason string, story byte) {
		guard := DetectorLevel("g", "room", "x", 2)
		e, err := New([]Setting{high(shelvable), guard}, []string{"x"})
		if err != nil {
			t.Fatal(err)
		}
		if story&4 != 0 {
			if err := e.Permit([]Role{{Name: "gas", May: verbs, Safety: true}, {Name: "watch", May: []Verb{Acknowledge}}}); err != nil {
				t.Fatal(err)
			}
		}
		var log []Transition
		for bits := range 2 {
			log = append(log, e.Step(t0.Add(time.Duration(bits)*time.Hour), []Sample{good(20 * bit(story>>bits&1 != 0))})...)
		}
		now := t0.Add(time.Hour)
		before := map[string]machine{}
		for _, a := range e.alarms {
			before[a.Name] = a.machine
		}
		o := Order{Verb: Verb(verb), ID: id, By: by, Role: role, Alarm: name, Episode: episode, For: time.Duration(length), OneShot: oneShot, Reason: reason}
		ts, ans := e.Order(now, o)
		log = append(log, ts...)
		for i, tr := range log {
			if tr.Sequence != uint64(i)+1 {
				t.Fatalf("sequence %d at place %d", tr.Sequence, i)
			}
			b, err := json.Marshal(tr)
			if err != nil || len(b) > 8<<10 {
				t.Fatalf("a record of %d bytes: %v", len(b), err)
			}
			if tr.Order != nil && (len(tr.Order.Reason) > maxReason || len(tr.Order.By) > maxName || !utf8.ValidString(tr.Order.By)) {
				t.Fatalf("recorded as %+v", tr.Order)
			}
		}
		for _, a := range e.alarms {
			was := before[a.Name]
			if a.active != was.active || a.suppressed != was.suppressed {
				t.Fatalf("%+v changed the condition of %s", o, a.Name)
			}
			if (ans.Result != Done || a.Name != name) && a.machine != was {
				t.Fatalf("answered %+v, and %s went from %+v to %+v", ans, a.Name, was, a.machine)
			}
			if a.shelve != unshelved && (a.shelfLeft <= 0 || a.shelfLeft > a.ShelveMax || a.Safety && role != "gas") {
				t.Fatalf("%s is shelved for %s of at most %s by %q", a.Name, a.shelfLeft, a.ShelveMax, role)
			}
		}
		if ans.Result == Refused && (ans.Why == "" || len(ts) != 1 || ts[0].Cause != OrderRefused) {
			t.Fatalf("answered %+v and recorded as %+v", ans, ts)
		}
		// What was recorded can be kept and brought back.
		again, _ := New([]Setting{high(shelvable), guard}, []string{"x"})
		if _, err := again.Restore(e.Checkpoint(), now); err != nil {
			t.Fatal(err)
		}
	})
}
