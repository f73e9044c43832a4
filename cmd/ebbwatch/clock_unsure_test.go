package main

import (
	"encoding/json"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/journal"
	"ebbwatch/alarms"
)

// TestClockJudge: when an event's time may be wrong, and that this ends.
func TestClockJudge(t *testing.T) {
	yesterday := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	says := func(yes, known bool) func() (bool, bool) { return func() (bool, bool) { return yes, known } }
	for _, c := range []struct {
		reason       string
		synchronized func() (bool, bool)
		after        time.Duration // since the start
		shows        time.Time
		want         bool
	}{
		{"no battery, not set yet: 1970", says(false, true), time.Minute, time.Unix(60, 0), true},
		{"no battery, and nobody ever sets it", says(false, true), 24 * time.Hour, time.Unix(86400, 0), true},
		{"the same where the system does not say", says(false, false), 24 * time.Hour, time.Unix(86400, 0), true},
		{"earlier than what the journal has seen", says(false, false), time.Hour, yesterday.Add(-time.Second), true},
		{"set over the network", says(true, true), time.Second, yesterday.Add(time.Hour), false},
		{"set over the network to a time before the last event", says(true, true), time.Second, yesterday.Add(-time.Hour), true},
		{"not set yet, and yet it looks right: the last time that the system saved", says(false, true), time.Minute, yesterday.Add(time.Hour), true},
		{"the wait is over: a plant without a network has its own clock", says(false, true), clockWait, yesterday.Add(time.Hour), false},
		{"the system does not say, and it looks right", says(false, false), time.Second, yesterday.Add(time.Hour), false},
	} {
		synctest.Test(t, func(t *testing.T) {
			j := &clockJudge{started: time.Now(), latest: yesterday, synchronized: c.synchronized}
			time.Sleep(c.after)
			if got := j.unsure(c.shows); got != c.want {
				t.Errorf("%s: unsure is %v", c.reason, got)
			}
		})
	}
}

// TestClockJudgeReadsTheJournal: the last event with a time that was sure bounds
// the clock from below.
func TestClockJudgeReadsTheJournal(t *testing.T) {
	sure := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		reason string
		events []alarms.Transition
		want   time.Time
	}{
		{"none", nil, time.Time{}},
		{"one", []alarms.Transition{{Sequence: 1, Time: sure}}, sure},
		{"the last is unsure", []alarms.Transition{{Sequence: 1, Time: sure}, {Sequence: 2, Time: time.Unix(0, 0), ClockUnsure: true}}, time.Time{}},
	} {
		store, err := journal.Open(t.TempDir(), journal.Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, tr := range c.events {
			data, err := json.Marshal(tr)
			if err != nil {
				t.Fatal(err)
			}
			if err := store.Commit(tr.Sequence, [][]byte{data}, nil); err != nil {
				t.Fatal(err)
			}
		}
		if got := newClockJudge(store).latest; !got.Equal(c.want) {
			t.Errorf("%s: the latest is %s", c.reason, got)
		}
		if err := store.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
