package agent

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/core"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"

	"github.com/google/go-cmp/cmp"
)

// A live run with orders of samples, done and refused, through an analyser that
// fails, comes and goes and shows too little, is put through the core once more,
// from what went in and when: the events and the clocks are the same.
func TestSamplesReplayAsTheyRan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		begin := time.Now()
		batches := map[time.Time][]reading.Reading{}
		source := script(func(second int) []reading.Reading {
			if second%60 != 30 { // apart from the ticks, so that each step tells what it was
				return nil
			}
			r := reading.Reading{Point: "residual", Value: 0.8, Quality: reading.GoodQuality(), Time: time.Now()}
			switch m := second / 60; {
			case m >= 30 && m < 300 && m%11 != 0: // fails, but for a good reading now and then
				r.Quality = reading.BadBecause(reading.NoReply)
			case m >= 400:
				r.Value = 0.1
			}
			batches[r.Time] = []reading.Reading{r}
			return batches[r.Time]
		})
		live := newEntryRig(t, store, source, nil)
		type input struct {
			at    time.Time
			order *alarms.Order
		}
		var ins []input
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- live.Run(ctx) }()
		ask := func(at time.Duration, point string, mgPerLitre float64, ago time.Duration) {
			<-time.After(time.Until(begin.Add(at)))
			o := alarms.Order{
				Verb: alarms.GrabSample, ID: fmt.Sprint("o-", len(ins)), By: "operator", IssuedAt: time.Now(),
				Grab: alarms.Grab{Point: point, Residual: mgPerLitre, Taken: time.Now().Add(-ago)},
			}
			ins = append(ins, input{time.Now(), &o})
			live.Order(ctx, o)
		}
		const half = 45 * time.Second // between a reading and a tick
		ask(2*time.Hour+half, "residual", 0.9, 5*time.Minute)
		ask(3*time.Hour+half, "residual", 90, 0)
		ask(4*time.Hour+half, "distribution", 1.1, time.Hour)
		ask(4*time.Hour+10*time.Minute+half, "residual", 0.1, 0)
		ask(5*time.Hour+half, "clearwell", 0.5, 0)
		<-time.After(7 * time.Hour)
		cancel()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}

		// Every step that the agent told of, with its readings.
		for _, at := range live.told.steps {
			ins = append(ins, input{at: at})
		}
		slices.SortStableFunc(ins, func(a, b input) int { return a.at.Compare(b.at) })
		again := newEntryRig(t, &memoryStore{}, source, nil) // for its parts alone
		c := again.core
		var events []alarms.Transition
		for _, in := range ins {
			var ts []alarms.Transition
			if in.order != nil {
				ts, _ = c.Order(in.at, *in.order)
			} else {
				_, ts = c.Step(in.at, batches[in.at], []alarms.Sample{core.Failing(nil), core.Failing(nil)})
			}
			events = append(events, ts...)
		}
		text := func(ts []alarms.Transition) (out []string) {
			for i := range ts {
				b, err := json.Marshal(ts[i])
				if err != nil {
					t.Fatal(err)
				}
				out = append(out, string(b))
			}
			return out
		}
		if d := cmp.Diff(text(store.events), text(events)); d != "" {
			t.Errorf("events, live - and replayed +: %s", d)
		}
		if d := cmp.Diff(string(live.core.Plant.Checkpoint()), string(c.Plant.Checkpoint())); d != "" {
			t.Errorf("what is kept, live - and replayed +: %s", d)
		}
		causes := map[alarms.Cause]int{}
		for _, tr := range events {
			causes[tr.Cause]++
		}
		if causes[alarms.Noted] != 3 || causes[alarms.Raised] < 2 || causes[alarms.Cleared] < 1 {
			t.Errorf("the run has %v: it tests too little", causes)
		}
	})
}
