package alarms

import (
	"strings"
	"testing"
	"time"
)

// firstFormat is a checkpoint as the first version wrote it, without a number.
const firstFormat = `{"sequence":7,"alarms":{
 "a":{"state":"acknowledged","episode":3,"since":"2026-03-02T05:00:00Z","acknowledged_by":"on-call-1","sequence":6},
 "b":{"state":"latched-unacknowledged","episode":1,"since":"2026-03-02T05:30:00Z","sequence":7}}}`

func TestFirstFormatIsStillRead(t *testing.T) {
	s := play(t, "x", high(nil), high(func(s *Setting) { s.Name, s.Latching = "b", true }), high(func(s *Setting) { s.Name = "new" }))
	ts, err := s.e.Restore([]byte(firstFormat), t0)
	if err != nil || len(ts) != 0 {
		t.Fatalf("restored with %+v, %v", ts, err)
	}
	s.is(Acknowledged)
	if c := s.e.Conditions()[0]; c.AcknowledgedBy != "on-call-1" || c.Episode != 3 || c.Sequence != 6 {
		t.Errorf("restored as %+v", c)
	}
	if b := s.e.byName["b"].state(); b != LatchedUnacknowledged {
		t.Errorf("alarm b is %s", b)
	}
	if ts := s.step(time.Second, good(0)); len(ts) != 1 || ts[0].Sequence != 8 || ts[0].To != Normal {
		t.Errorf("goes on with %+v", ts)
	}
}

func TestCheckpointsThatAreRefused(t *testing.T) {
	for want, cp := range map[string]string{
		"not readable":            `{"sequence":1`,
		"by a newer one":          `{"version":99,"alarms":{}}`,
		"alarm \"a\" stands in":   `{"alarms":{"a":{"state":"odd"}}}`,
		"not readable: json: can": `{"alarms":[]}`,
	} {
		s := play(t, "x", high(nil))
		s.step(0, good(20))
		if _, err := s.e.Restore([]byte(cp), t0); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, expected one that says %q", err, want)
		}
		s.is(Unacknowledged) // nothing was restored
	}
}

// TestEverythingSurvives takes an alarm that has all there is to keep.
func TestEverythingSurvives(t *testing.T) {
	s := play(t, "x off", high(both(shelvable, suppressed, func(s *Setting) {
		s.ReAlarm, s.Group = time.Hour, "room"
	})))
	s.step(0, good(20), good(0))
	s.ack()
	if s.restart(time.Minute); !s.e.Conditions()[0].FirstOut {
		t.Error("the first of its group is forgotten")
	}
	s.step(time.Hour, good(20), good(0)) // called again
	s.ack()
	s.done(Order{Verb: Test, For: 30 * time.Minute})
	s.step(59*time.Minute, good(20), good(0))
	s.restart(30 * time.Second)
	if left := s.a().realarmLeft; left != 30*time.Second {
		t.Errorf("%s to the next call, expected 30s", left)
	}
	s.step(30*time.Second, good(20), good(0))
	s.calls(3)
	s.done(Order{Verb: Test, For: 30 * time.Minute})
	s.shelve(time.Hour)
	s.done(Order{Verb: TakeOut, Reason: "no probe"})
	s.step(time.Second, good(20), good(1))
	before := s.e.Conditions()[0]
	s.restart(time.Minute)
	after := s.e.Conditions()[0]
	if after.ShelvedUntil == nil || !after.ShelvedUntil.Equal(*before.ShelvedUntil) || !after.TestUntil.Equal(*before.TestUntil) || !after.Test {
		t.Errorf("until %v and %v, before %v and %v", after.ShelvedUntil, after.TestUntil, before.ShelvedUntil, before.TestUntil)
	}
	before.ShelvedUntil, before.TestUntil, before.Value, before.Limit = nil, nil, nil, nil
	after.ShelvedUntil, after.TestUntil, after.Value, after.Limit = nil, nil, nil, nil
	for _, c := range []*Condition{&before, &after} {
		c.What, c.Quality, c.FirstAction, c.LikelyCause, c.Since = "", "", nil, nil, c.Since.UTC()
	}
	if before.State != after.State || before.Underlying != after.Underlying || before.WithheldBy != after.WithheldBy ||
		before.WithheldWhy != after.WithheldWhy || before.FirstOut != after.FirstOut || after.WithheldBy != "on-call-1" ||
		before.Realarms != after.Realarms || before.Sequence != after.Sequence || !before.Since.Equal(after.Since) {
		t.Errorf("before %+v\nafter %+v", before, after)
	}
	s.done(Order{Verb: BringBack})
	if c := s.e.Conditions()[0]; c.State != Suppressed || c.WithheldBy != "off" {
		t.Errorf("in service it is %s by %s", c.State, c.WithheldBy)
	}
	s.step(29*time.Minute, good(20), good(1))
	if last := s.log[len(s.log)-1]; last.Cause != TestEnded || last.After.Test {
		t.Errorf("the test goes on: %+v", last)
	}
}
