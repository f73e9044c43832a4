package agent

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

// newEntryRig watches an entry point under the rules for surface water.
func newEntryRig(t *testing.T, store *memoryStore, src Source, now func() time.Time) rig {
	t.Helper()
	p, err := plant.New(plant.Settings{
		Instruments: []plant.Instrument{{Name: "analyser", Line: "line-a"}},
		Points:      []plant.Point{{Name: "residual", Instrument: "analyser", Unit: units.MustParse("mg/L"), StaleAfter: 5 * time.Minute}},
		EntryPoints: []plant.EntryPoint{{
			Point: "residual", Residual: contact.SurfaceWaterRule, Analyser: contact.SurfaceWaterAnalyser,
			Calendar: contact.Calendar{Zone: time.UTC},
		}},
	})
	if err != nil {
		t.Fatal(err)
	}
	figure := func(q plant.Quantity) string { return plant.Name(plant.EntryKind, "residual", q) }
	as := []alarms.Setting{
		alarms.GrabDue("residual", "entry point", figure(plant.GrabSampleDue)),
		alarms.GrabOverdue("residual", "entry point", figure(plant.GrabSampleDue)),
		alarms.AnalyserBackDue("residual", "entry point", figure(plant.AnalyserBackIn)),
		alarms.DistributionResidualHigh(plant.Name(plant.DistributionKind, plant.Distribution, plant.AnnualAverage)),
	}
	for _, stage := range []alarms.Stage{alarms.Started, alarms.Half, alarms.Limit} {
		as = append(as, alarms.ResidualUnder("residual", "entry point", figure(plant.UnderResidual), 0.2, 4*time.Hour, stage))
	}
	told := &recorder{t: t, store: store}
	a, err := New(Options{Plant: p, Alarms: as, Source: src, Store: store, Teller: told, Now: now, Tick: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	return rig{a, store, told}
}

// minutely emits what a function gives each minute.
type minutely func(minute int) reading.Reading

func (m minutely) Run(ctx context.Context, emit func([]reading.Reading)) error {
	tick := time.NewTicker(time.Minute)
	defer tick.Stop()
	for i := 0; ; i++ {
		emit([]reading.Reading{m(i)})
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

func reads(v float64, now func() time.Time) minutely {
	return func(int) reading.Reading {
		return reading.Reading{Point: "residual", Value: v, Quality: reading.GoodQuality(), Time: now()}
	}
}

func silent(now func() time.Time) minutely {
	return func(int) reading.Reading {
		return reading.Reading{Point: "residual", Quality: reading.BadBecause(reading.NoReply), Time: now()}
	}
}

// value is that of a figure of the last step.
func (r rig) value(t *testing.T, name string) (float64, reading.Quality) {
	t.Helper()
	fs := r.Snapshot().Figures
	i := slices.IndexFunc(fs, func(f plant.Figure) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("no figure %s", name)
	}
	return fs[i].Value, fs[i].Quality
}

// The three stages of a residual under 0.2 mg/L come when 40 CFR 141.72 says,
// whatever restarts and steps of the wall clock come between. A restart takes 10
// minutes here, and the clock counts them.
func TestTheFourHoursOutliveRestarts(t *testing.T) {
	for _, tc := range []struct {
		reason string
		step   time.Duration // of the wall clock, within the first run
		lasts  time.Duration // the first run
	}{
		{"restart in the first hour", 0, 50 * time.Minute},
		{"restart between half and limit", 0, 3 * time.Hour},
		{"the wall clock steps an hour ahead, and stays", time.Hour, 50 * time.Minute},
		{"the wall clock steps an hour back, and stays", -time.Hour, 50 * time.Minute},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				start := time.Now()
				now := func() time.Time {
					by := tc.step
					if time.Since(start) < 20*time.Minute {
						by = 0
					}
					return present(t, by, time.UTC)
				}
				store := &memoryStore{}
				newEntryRig(t, store, reads(0.1, now), now).runFor(t, tc.lasts)
				<-time.After(10 * time.Minute)
				again := newEntryRig(t, store, reads(0.1, now), now)
				again.runFor(t, 5*time.Hour-time.Since(start))
				raised := map[string]string{}
				store.mu.Lock()
				for _, tr := range store.events {
					if tr.Cause == alarms.Raised {
						by := tc.step
						if tr.Time.Round(0).Sub(start) < 20*time.Minute {
							by = 0
						}
						raised[tr.After.Alarm] = tr.Time.Round(0).Add(-by).Sub(start).Round(5 * time.Minute).String()
					}
				}
				store.mu.Unlock()
				got := []string{raised["residual-under"], raised["residual-under-half"], raised["residual-under-limit"]}
				if want := []string{"0s", "2h0m0s", "4h0m0s"}; !slices.Equal(got, want) {
					t.Errorf("started, half and limit came after %q, want %q", got, want)
				}
			})
		})
	}
}

// Old journals hold the evaluator's checkpoint alone, and open; one of a newer
// ebbwatch is refused with what to do.
func TestCheckpointsOfOtherVersions(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		newEntryRig(t, store, reads(0.1, time.Now), nil).runFor(t, 10*time.Minute)
		var whole map[string]json.RawMessage
		if err := json.Unmarshal(store.checkpoint, &whole); err != nil {
			t.Fatal(err)
		}
		old := &memoryStore{checkpoint: whole["evaluator"]}
		r := newEntryRig(t, old, reads(0.1, time.Now), nil)
		i := slices.IndexFunc(r.Snapshot().Conditions, func(c alarms.Condition) bool { return c.Alarm == "residual-under" })
		if c := r.Snapshot().Conditions[i]; c.State != alarms.Unacknowledged {
			t.Errorf("from an old checkpoint the alarm is %s", c.State)
		}
		for _, tc := range []struct{ key, value, want string }{
			{"agent_checkpoint", "9", "a newer ebbwatch wrote it"},
			{"plant", `{"version":9}`, "a newer ebbwatch wrote it"},
			{"plant", `7`, "not readable"},
		} {
			damaged := map[string]json.RawMessage{}
			for k, v := range whole {
				damaged[k] = v
			}
			damaged[tc.key] = json.RawMessage(tc.value)
			cp, _ := json.Marshal(damaged)
			_, err := New(Options{Plant: mustPlant(t), Store: &memoryStore{checkpoint: cp}, Teller: &recorder{t: t}})
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("%s = %s: error %v, expected one that says %q", tc.key, tc.value, err, tc.want)
			}
		}
	})
}

func mustPlant(t *testing.T) *plant.Plant {
	p, err := plant.New(plant.Settings{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// With the analyser gone a sample is due every 4 h. One that is entered sets that
// clock back, counts for the residual, goes into the record and outlives a
// restart; what cannot be a sample changes nothing but the record.
func TestGrabSamples(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		due := plant.Name(plant.EntryKind, "residual", plant.GrabSampleDue)
		under := plant.Name(plant.EntryKind, "residual", plant.UnderResidual)
		r := newEntryRig(t, store, silent(time.Now), nil)
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- r.Run(ctx) }()
		<-time.After(3*time.Hour + 30*time.Second)
		n := 0
		order := func(point string, mgPerLitre float64, ago time.Duration) alarms.Answer {
			n++
			return r.Order(ctx, alarms.Order{
				Verb: alarms.GrabSample, ID: "o-" + string(rune('a'+n)), By: "operator", IssuedAt: time.Now(),
				Grab: alarms.Grab{Point: point, Residual: mgPerLitre, Taken: time.Now().Add(-ago)},
			})
		}
		if v, _ := r.value(t, due); v != 3600 {
			t.Errorf("%g s until a sample is due, expected 3600", v)
		}
		for _, tc := range []struct {
			reason, point string
			residual      float64
			ago           time.Duration
			why           string
		}{
			{"a slip of the pen", "residual", 45, 0, "a residual of 45 mg/L: expected 0 to 20 mg/L"},
			{"less than none", "residual", -1, 0, "a residual of -1 mg/L: expected 0 to 20 mg/L"},
			{"from the time to come", "residual", 0.5, -time.Minute, "which is to come"},
			{"of yesterday", "residual", 0.5, 20 * time.Hour, "over 4h0m0s ago"},
			{"elsewhere", "clearwell", 0.5, 0, `a sample at "clearwell": expected one of residual, distribution`},
		} {
			if a := order(tc.point, tc.residual, tc.ago); a.Result != alarms.Refused || !strings.Contains(a.Why, tc.why) {
				t.Errorf("%s: %s, %q; expected a refusal that says %q", tc.reason, a.Result, a.Why, tc.why)
			}
		}
		if a := order("residual", 0.1, 10*time.Minute); a.Result != alarms.Done {
			t.Errorf("a sample: %+v", a)
		}
		if a := order("distribution", 1.5, 0); a.Result != alarms.Done {
			t.Errorf("a sample of the system: %+v", a)
		}
		<-time.After(time.Hour)
		if v, _ := r.value(t, due); v < 10200 || v > 10260 {
			t.Errorf("%g s until the next sample is due, expected 10200 and at most a step more", v)
		}
		if v, q := r.value(t, under); v < 3540 || v > 3600 || q.Level != reading.Uncertain {
			t.Errorf("under the least for %g s (%v), expected an hour, uncertain", v, q)
		}
		cancel()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		again := newEntryRig(t, store, silent(time.Now), nil)
		again.runFor(t, time.Minute)
		if v, _ := again.value(t, due); v < 10080 || v > 10200 {
			t.Errorf("after a restart %g s until the next sample is due, expected at most 10200", v)
		}
		if v, q := again.value(t, plant.Name(plant.DistributionKind, plant.Distribution, plant.AnnualAverage)); v != 1.5 || q.Level != reading.Uncertain {
			t.Errorf("the annual average is %g (%v), expected 1.5 of one quarter, uncertain", v, q)
		}
		var record []string
		for _, tr := range store.events {
			if tr.Cause == alarms.Noted {
				record = append(record, tr.After.What)
			}
		}
		if len(record) != 2 || !strings.HasPrefix(record[0], "Grab sample by operator: 0.1 mg/L of free chlorine at residual, taken at 2000-01-01T02:50:30Z") {
			t.Errorf("the record has %q", record)
		}
	})
}

// What is kept has a bound, and is written in quiet times as well.
func TestClocksAreKeptInQuietTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		r := newEntryRig(t, store, silent(time.Now), nil)
		r.runFor(t, 2*time.Hour)
		var m struct{ Plant json.RawMessage }
		if err := json.Unmarshal(store.checkpoint, &m); err != nil {
			t.Fatal(err)
		}
		var p struct {
			Entries map[string]struct {
				Analyser struct{ Failed contact.Stopwatch }
			}
		}
		if err := json.Unmarshal(m.Plant, &p); err != nil {
			t.Fatal(err)
		}
		if got := p.Entries["residual"].Analyser.Failed.Elapsed; got < 85*time.Minute {
			t.Errorf("kept after two quiet hours: failed for %s, expected at most 30 min less", got)
		}
		if len(m.Plant) > 1<<10 {
			t.Errorf("an entry point takes %d bytes", len(m.Plant))
		}
	})
}
