package alarms

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// table is testdata/alarms/transitions.json: every state of the model, what each
// event makes of it and what has to follow. Letters and moves are those of
// ISA-18.2 / IEC 62682 (from memory; they agree with OPC 10000-9 v1.05 clauses
// 4.3, 5.7.3, 5.8.2, 5.8.5, 5.8.17, 5.8.18). Choices that these leave open are
// named in model.go.
type table struct {
	Flat []struct {
		Latching        bool
		From, Event, To string
		Actions         []string
	}
	Full map[string]struct {
		States  [][7]uint8
		Rows    [][4]json.RawMessage
		Display []string
		Core    []string
		Retain  []bool
	}
}

var letters = map[string]State{
	"A": Normal, "B": Unacknowledged, "C": Acknowledged, "D": ReturnedUnacknowledged,
	"E": LatchedUnacknowledged, "F": LatchedAcknowledged,
	"G": Shelved, "H": Suppressed, "I": OutOfService,
}

func readTable(t *testing.T) table {
	t.Helper()
	raw, err := os.ReadFile("../testdata/alarms/transitions.json")
	if err != nil {
		t.Fatal(err)
	}
	var out table
	if err := json.Unmarshal(raw, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func vector(v [7]uint8) machine {
	on := func(i int) bool { return v[i] == 1 }
	return machine{on(0), on(1), on(2), on(3), shelving(v[4]), on(5), on(6)}
}

// modelled is an alarm in a given state, with what it takes to bring every event
// about from outside.
func modelled(t *testing.T, latching bool, m machine) (*Evaluator, *alarm) {
	t.Helper()
	e := modelledFresh(t, latching)
	a := e.byName["a"]
	a.machine, a.episode = m, 4
	if m.acked && m != (machine{acked: true}) {
		a.acknowledgedBy = "on-call-1"
	}
	if m.shelve != unshelved {
		a.shelvedAt, a.shelvedUntil, a.shelfLeft = t0, t0.Add(time.Hour), time.Hour
	}
	a.realarmLeft = time.Hour
	e.last = t0
	return e, a
}

func modelledFresh(t *testing.T, latching bool) *Evaluator {
	t.Helper()
	s := high(func(s *Setting) {
		s.Latching, s.ShelveMax, s.ReAlarm, s.SuppressedBy = latching, 2*time.Hour, time.Hour, "off"
	})
	e, err := New([]Setting{s}, []string{"x", "off"})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// bring makes an event of the table happen through the evaluator's own doors.
func bring(t *testing.T, e *Evaluator, a *alarm, ev string) (*Evaluator, []Transition, *Answer) {
	t.Helper()
	suppressor := good(bit(a.suppressed))
	order := func(o Order) (*Evaluator, []Transition, *Answer) {
		o.Alarm, o.By, o.Reason = "a", "on-call-2", "for the test"
		ts, ans := e.Order(t0, o)
		return e, ts, &ans
	}
	switch ev {
	case "RAISE":
		return e, e.Step(t0, []Sample{good(20), suppressor}), nil
	case "CLEAR":
		return e, e.Step(t0, []Sample{good(0), suppressor}), nil
	case "ACK":
		return order(Order{Verb: Acknowledge, Episode: 4})
	case "ACK_STALE":
		return order(Order{Verb: Acknowledge, Episode: 3})
	case "RESET":
		return order(Order{Verb: ResetLatch})
	case "SHELVE_TIMED":
		return order(Order{Verb: Shelve, For: time.Hour})
	case "SHELVE_ONESHOT":
		return order(Order{Verb: Shelve, OneShot: true})
	case "UNSHELVE":
		return order(Order{Verb: Unshelve})
	case "SHELVE_EXPIRE":
		a.shelfLeft = 0
		return e, e.Step(t0, []Sample{bad, suppressor}), nil
	case "SUPPRESS":
		return e, e.Step(t0, []Sample{bad, good(1)}), nil
	case "UNSUPPRESS":
		return e, e.Step(t0, []Sample{bad, good(0)}), nil
	case "REMOVE_FROM_SERVICE":
		return order(Order{Verb: TakeOut})
	case "RETURN_TO_SERVICE":
		return order(Order{Verb: BringBack})
	case "REALARM_TIMER":
		a.realarmLeft = 0
		return e, e.Step(t0, []Sample{bad, suppressor}), nil
	case "RESTART":
		next := modelledFresh(t, a.Latching)
		ts, err := next.Restore(e.Checkpoint(), t0)
		if err != nil {
			t.Fatal(err)
		}
		return next, ts, nil
	}
	t.Fatalf("event %q is not covered", ev)
	return nil, nil, nil
}

// check compares what followed with the actions of a row.
func check(t *testing.T, row string, before *alarm, a *alarm, ts []Transition, ans *Answer, actions []string) {
	t.Helper()
	want := func(action string) bool { return slices.Contains(actions, action) }
	refusal := ""
	for _, x := range actions {
		if strings.HasPrefix(x, "REJECT") || x == "IGNORE_ACTIVE" {
			refusal = x
		}
	}
	moved := want("PUBLISH")
	var got []Transition
	for _, tr := range ts {
		if tr.Cause != OrderRefused {
			got = append(got, tr)
		}
	}
	switch {
	case refusal != "" && (ans == nil || ans.Result == Done || ans.Why == ""):
		t.Errorf("%s: answered %+v, expected a refusal (%s)", row, ans, refusal)
	case refusal == "REJECT_STALE_EPISODE" && !strings.Contains(ans.Why, "is not the present one"),
		refusal == "REJECT_NOT_LATCHING" && !strings.Contains(ans.Why, "does not latch"),
		refusal == "IGNORE_ACTIVE" && !strings.Contains(ans.Why, "still holds"):
		t.Errorf("%s: refused because %s", row, ans.Why)
	case refusal != "" && want("LOG") && len(ts) != 1:
		t.Errorf("%s: %d records of a refused order, expected 1", row, len(ts))
	}
	if moved != (len(got) == 1) || len(got) > 1 {
		t.Errorf("%s: %d transitions, actions %v", row, len(got), actions)
		return
	}
	if want("RESTORE") && a.state().Unanswered() != want("RESUME_ESCALATION") {
		t.Errorf("%s: after a restart the alarm is %s", row, a.state())
	}
	if !moved {
		return
	}
	tr := got[0]
	for _, f := range []struct {
		action string
		got    bool
	}{
		{"ANNUNCIATE", tr.Annunciate}, {"STOP_ESCALATION", tr.StopEscalation},
		{"SHOW_UNACK", tr.ShowAgain}, {"CLOSE_EPISODE", tr.Closed},
		{"NEW_EPISODE", a.episode == before.episode+1}, {"REALARM_COUNT+1", a.realarms == before.realarms+1},
		{"START_SHELVE_TIMER", a.shelve != unshelved && a.shelfLeft > 0 && tr.Cause == ShelvedBy},
	} {
		if f.got != want(f.action) {
			t.Errorf("%s: %s is %v, expected %v: %+v", row, f.action, f.got, want(f.action), tr)
		}
	}
	if (want("CANCEL_SHELVE_TIMER") || want("UNSHELVED")) && (a.shelve != unshelved || !a.shelvedUntil.IsZero()) {
		t.Errorf("%s: the shelving goes on until %s", row, a.shelvedUntil)
	}
	if tr.Sequence != 1 || tr.From != before.state() || tr.To != a.state() || tr.After.State != tr.To {
		t.Errorf("%s: the transition goes from %s to %s with %s, expected %s to %s", row, tr.From, tr.To, tr.After.State, before.state(), a.state())
	}
}

// TestStateModel takes all 2,295 rows of the published state model through
// samples, orders and restarts.
func TestStateModel(t *testing.T) {
	rows := 0
	for name, part := range readTable(t).Full {
		latching := name == "latching"
		for _, r := range part.Rows {
			var from, to int
			var ev string
			var actions []string
			for i, into := range []any{&from, &ev, &to, &actions} {
				if err := json.Unmarshal(r[i], into); err != nil {
					t.Fatal(err)
				}
			}
			rows++
			row := name + " " + part.Core[from] + " shown as " + part.Display[from] + ", " + ev
			e, a := modelled(t, latching, vector(part.States[from]))
			if a.state() != letters[part.Display[from]] || a.core() != letters[part.Core[from]] || (a.core() != Normal) != part.Retain[from] {
				t.Fatalf("state %v shows as %s over %s, expected %s over %s", part.States[from], a.state(), a.core(), part.Display[from], part.Core[from])
			}
			before := *a
			next, ts, ans := bring(t, e, a, ev)
			a = next.byName["a"]
			if a.machine != vector(part.States[to]) {
				t.Errorf("%s: led to %+v, expected %+v", row, a.machine, vector(part.States[to]))
			}
			check(t, row, &before, a, ts, ans, actions)
		}
	}
	if rows != 2295 {
		t.Errorf("%d rows, expected 2295", rows)
	}
}

// TestFlatModel takes the 150 rows that a person can read: one flag at a time.
func TestFlatModel(t *testing.T) {
	rows := readTable(t).Flat
	if len(rows) != 150 {
		t.Errorf("%d rows, expected 150", len(rows))
	}
	for _, r := range rows {
		m, ok := cores[letters[r.From]]
		if !ok {
			t.Fatalf("row %+v begins nowhere", r)
		}
		if m.active {
			m.latched = r.Latching
		}
		e, a := modelled(t, r.Latching, m)
		before := *a
		next, ts, ans := bring(t, e, a, r.Event)
		a = next.byName["a"]
		row := r.From + ", " + r.Event
		if a.state() != letters[r.To] {
			t.Errorf("latching %v, %s: led to %s, expected %s", r.Latching, row, a.state(), letters[r.To])
		}
		check(t, row, &before, a, ts, ans, r.Actions)
	}
}

// TestModelInvariants: whatever happens in whatever order, with restarts in
// between, what is withheld calls nobody, what shows again calls when it holds,
// people never change the condition, and only people answer.
func TestModelInvariants(t *testing.T) {
	events := []string{
		"RAISE", "CLEAR", "ACK", "ACK_STALE", "RESET", "SHELVE_TIMED", "SHELVE_ONESHOT", "UNSHELVE", "SHELVE_EXPIRE",
		"SUPPRESS", "UNSUPPRESS", "REMOVE_FROM_SERVICE", "RETURN_TO_SERVICE", "REALARM_TIMER", "RESTART",
	}
	orders := []string{"ACK", "ACK_STALE", "RESET", "SHELVE_TIMED", "SHELVE_ONESHOT", "UNSHELVE", "REMOVE_FROM_SERVICE", "RETURN_TO_SERVICE"}
	rapid.Check(t, func(rt *rapid.T) {
		e, a := modelled(t, rapid.Bool().Draw(rt, "latching"), machine{acked: true})
		sequence := uint64(0)
		for range rapid.IntRange(1, 40).Draw(rt, "events") {
			ev := rapid.SampledFrom(events).Draw(rt, "event")
			before, wasHidden := *a, a.hidden()
			if ev == "ACK" {
				e.byName["a"].episode = 4 // as bring names it
				before.episode = 4
			}
			next, ts, _ := bring(t, e, a, ev)
			e, a = next, next.byName["a"]
			for _, tr := range ts {
				sequence++
				switch {
				case tr.Sequence != sequence:
					rt.Fatalf("sequence %d follows %d", tr.Sequence, sequence-1)
				case tr.Annunciate && (tr.To.Withheld() || !tr.To.Unanswered()):
					rt.Fatalf("%s calls people about an alarm that is %s", ev, tr.To)
				}
			}
			switch {
			case ev == "RESTART" && (a.machine != before.machine || len(ts) > 0):
				rt.Fatalf("a restart made %+v of %+v", a.machine, before.machine)
			case slices.Contains(orders, ev) && a.active != before.active:
				rt.Fatalf("%s changed the condition", ev)
			case wasHidden && !a.hidden() && a.active && (a.state() != Unacknowledged || !ts[len(ts)-1].Annunciate):
				rt.Fatalf("%s showed an active alarm again as %s, without a call", ev, a.state())
			case ev == "CLEAR" && !wasHidden && before.active && !before.acked && a.acked:
				rt.Fatal("a clear acknowledged an alarm that was shown")
			case !before.acked && a.acked && ev != "ACK" && !before.silent:
				rt.Fatalf("%s answered for people", ev)
			}
			for _, tr := range ts {
				if tr.To.Withheld() != (tr.After.Underlying != "") {
					rt.Fatalf("a withheld alarm does not tell how it stands: %+v", tr)
				}
			}
		}
	})
}
