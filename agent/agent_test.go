package agent

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

// memoryStore is a Store in memory that can be made to fail.
type memoryStore struct {
	mu         sync.Mutex
	events     []alarms.Transition
	checkpoint []byte
	fail       error
	lost       string
	delay      time.Duration // of a commit
}

func (m *memoryStore) Commit(first uint64, events [][]byte, checkpoint []byte) error {
	<-time.After(m.delay)
	m.mu.Lock()
	defer m.mu.Unlock()
	for i, data := range events {
		var t alarms.Transition
		if err := json.Unmarshal(data, &t); err != nil {
			return err
		}
		if t.Sequence != first+uint64(i) {
			return errors.New("sequence with a gap")
		}
		m.events = append(m.events, t)
	}
	if m.fail == nil {
		m.checkpoint = checkpoint
	}
	return m.fail
}

func (m *memoryStore) Checkpoint() ([]byte, error) { return m.checkpoint, nil }
func (m *memoryStore) Depth() int                  { return len(m.events) }
func (m *memoryStore) Lost() string                { return m.lost }

func (m *memoryStore) breakWith(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fail = err
}

// recorder is a Teller that checks that everything told was committed before.
type recorder struct {
	t     *testing.T
	store *memoryStore
	told  []alarms.Transition
	beats []Heartbeat
	last  *Snapshot
	steps []time.Time // of the core
}

func (r *recorder) Step(s *Snapshot, ts []alarms.Transition) {
	r.store.mu.Lock()
	committed := len(r.store.events)
	r.store.mu.Unlock()
	r.told = append(r.told, ts...)
	if r.last == nil || s.Steps > r.last.Steps {
		r.steps = append(r.steps, s.Time)
	}
	r.last = s
	if len(r.told) > committed {
		r.t.Errorf("%d transitions told, %d committed", len(r.told), committed)
	}
}

func (r *recorder) Heartbeat(h Heartbeat) { r.beats = append(r.beats, h) }

// script is a Source that emits what a function gives every second.
type script func(second int) []reading.Reading

func (s script) Run(ctx context.Context, emit func([]reading.Reading)) error {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for i := 0; ; i++ {
		if rs := s(i); rs != nil {
			emit(rs)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
}

func residual(mgPerLitre float64) []reading.Reading {
	return []reading.Reading{{Point: "residual", Value: mgPerLitre, Quality: reading.GoodQuality(), Time: time.Now()}}
}

type rig struct {
	*Agent
	store *memoryStore
	told  *recorder
}

// newRig watches one analyser with a low alarm at 0.2 mg/L, 5 s on-delay.
func newRig(t *testing.T, store *memoryStore, src Source) rig {
	t.Helper()
	return newRigAt(t, store, src, nil)
}

// newRigAt is newRig with a clock of its own.
func newRigAt(t *testing.T, store *memoryStore, src Source, now func() time.Time) rig {
	t.Helper()
	p, err := plant.New(plant.Settings{
		Instruments: []plant.Instrument{{Name: "analyser", Line: "line-a"}},
		Points:      []plant.Point{{Name: "residual", Instrument: "analyser", Unit: units.MustParse("mg/L"), StaleAfter: 5 * time.Second}},
	})
	if err != nil {
		t.Fatal(err)
	}
	low := alarms.ResidualLow("residual", "entry point", "residual")
	low.Shown, low.OnDelay, low.OffDelay = alarms.Scale{Unit: "mg/L", Factor: 1, Decimals: 2}, 5*time.Second, 5*time.Second
	lost := alarms.InstrumentLost("analyser", "line-a", "unit 1 on line-a", plant.Name(plant.InstrumentKind, "analyser", plant.Lost))
	told := &recorder{t: t, store: store}
	a, err := New(Options{Plant: p, Alarms: []alarms.Setting{low, lost}, Source: src, Store: store, Teller: told, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return rig{a, store, told}
}

// runFor runs an agent for some fake time and waits until all of it has ended.
func (r rig) runFor(t *testing.T, d time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := r.Run(ctx); err != nil {
		t.Fatal(err)
	}
}

func (r *recorder) story() string {
	var b strings.Builder
	for _, t := range r.told {
		b.WriteString(t.After.Alarm + " " + string(t.Cause) + "; ")
	}
	return b.String()
}

func TestRaiseClearAndRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		dip := newRig(t, store, script(func(s int) []reading.Reading {
			if s >= 10 {
				return residual(0.1)
			}
			return residual(1)
		}))
		start := time.Now()
		dip.runFor(t, 30*time.Second)
		if got := dip.told.story(); got != "residual-low raised; " {
			t.Fatalf("told %q", got)
		}
		if at := dip.told.told[0].Time.Sub(start); at != 15*time.Second {
			t.Errorf("raised after %s, expected 10 s of good water and 5 s of on-delay", at)
		}
		// A restart keeps the alarm and its episode, and tells nothing twice.
		again := newRig(t, store, script(func(int) []reading.Reading { return residual(0.1) }))
		again.runFor(t, 30*time.Second)
		if got := again.told.story(); got != "" {
			t.Errorf("after a restart in alarm, told %q", got)
		}
		c := again.Snapshot().Conditions
		i := slices.IndexFunc(c, func(c alarms.Condition) bool { return c.Alarm == "residual-low" })
		if c[i].State != alarms.Unacknowledged || c[i].Episode != 1 {
			t.Errorf("after a restart the alarm is %s, episode %d", c[i].State, c[i].Episode)
		}
		back := newRig(t, store, script(func(int) []reading.Reading { return residual(1) }))
		back.runFor(t, 30*time.Second)
		if got := back.told.story(); got != "residual-low cleared; " || back.told.told[0].Sequence != 2 {
			t.Errorf("told %q, %+v", got, back.told.told)
		}
	})
}

// A restart in the middle of an on-delay costs the alarm at most one on-delay; one
// with the value inside the deadband leaves the alarm as it stood.
func TestRestartBetweenTwoStates(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		value := 0.1
		water := script(func(int) []reading.Reading { return residual(value) })
		newRig(t, store, water).runFor(t, 3*time.Second) // of 5
		start := time.Now()
		again := newRig(t, store, water)
		again.runFor(t, 20*time.Second)
		if got := again.told.story(); got != "residual-low raised; " || again.told.told[0].Time.Sub(start) > 5*time.Second {
			t.Fatalf("told %q, %+v", got, again.told.told)
		}
		value = 0.21 // over the limit of 0.2, short of the deadband
		inside := newRig(t, store, water)
		inside.runFor(t, time.Minute)
		if got := inside.told.story(); got != "" {
			t.Errorf("inside the deadband after a restart, told %q", got)
		}
		value = 1
		good := newRig(t, store, water)
		good.runFor(t, time.Minute)
		if got := good.told.story(); got != "residual-low cleared; " {
			t.Errorf("told %q", got)
		}
	})
}

// A silent instrument must neither clear its alarm nor pass unnoticed.
func TestSilenceIsNotGoodNews(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &memoryStore{}, script(func(s int) []reading.Reading {
			if s < 10 {
				return residual(0.1)
			}
			return nil // not even a bad reading: the line's goroutine hangs
		}))
		r.runFor(t, 2*time.Minute)
		if got := r.told.story(); got != "residual-low raised; analyser-lost raised; " {
			t.Errorf("told %q", got)
		}
		f := r.Snapshot().Figures[0]
		if f.Quality.String() != "bad:stale" {
			t.Errorf("the figure is %s after two minutes of silence", f.Quality)
		}
		if beat := r.told.beats[len(r.told.beats)-1]; beat.WorstInstrumentAge < 90*time.Second {
			t.Errorf("the heartbeat says that the oldest reading is %s old", beat.WorstInstrumentAge)
		}
	})
}

func TestHeartbeatIsMadeByTheLoop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &memoryStore{}, script(func(int) []reading.Reading { return residual(1) }))
		r.runFor(t, time.Minute+time.Second)
		if len(r.told.beats) != 4 {
			t.Fatalf("%d heartbeats in a minute, expected one at the start and one every 20 s", len(r.told.beats))
		}
		for i, b := range r.told.beats {
			if b.Sequence != uint64(i+1) || b.Clock != "steady" || b.LoopAge > time.Second {
				t.Errorf("heartbeat %d is %+v", i, b)
			}
		}
	})
}

func TestWithoutMemoryItStillTells(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		r := newRig(t, store, script(func(s int) []reading.Reading {
			switch {
			case s == 5:
				store.breakWith(errors.New("no space left on device"))
			case s == 60:
				store.breakWith(nil)
			}
			if s >= 10 {
				return residual(0.1)
			}
			return residual(1)
		}))
		r.runFor(t, 30*time.Second)
		if got := r.told.story(); got != "residual-low raised; journal-failing raised; " {
			t.Fatalf("told %q", got)
		}
		if what := r.told.told[1].After.What; !strings.Contains(what, "no space left on device") {
			t.Errorf("the alarm says %q", what)
		}
		if r.Snapshot().StoreError == nil {
			t.Error("the snapshot does not say that the journal fails")
		}
	})
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{fail: errors.New("read-only file system")}
		r := newRig(t, store, script(func(s int) []reading.Reading {
			if s == 30 {
				store.breakWith(nil)
			}
			return residual(0.1)
		}))
		r.runFor(t, time.Minute)
		if got := r.told.story(); got != "journal-failing raised; residual-low raised; journal-failing cleared; " {
			t.Errorf("told %q", got)
		}
	})
}

// A disk that fails while nothing happens is found before something does.
func TestDiskFailsInQuietTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		r := newRig(t, store, script(func(s int) []reading.Reading {
			if s == 5 {
				store.breakWith(errors.New("input/output error"))
			}
			return residual(1)
		}))
		start := time.Now()
		r.runFor(t, time.Hour)
		if got := r.told.story(); got != "journal-failing raised; " {
			t.Fatalf("told %q", got)
		}
		if after := r.told.told[0].Time.Sub(start); after > 30*time.Minute+2*time.Second {
			t.Errorf("found after %s, expected half an hour", after)
		}
	})
}

// A disk that holds a commit for a minute makes alarms late, and nothing else:
// what was read meanwhile is judged by the time it was read.
func TestASlowCommitMakesNothingStale(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{delay: time.Minute}
		r := newRig(t, store, script(func(s int) []reading.Reading {
			if s >= 10 && s < 40 {
				return residual(0.1)
			}
			return residual(1)
		}))
		start := time.Now()
		r.runFor(t, 4*time.Minute)
		if got := r.told.story(); got != "residual-low raised; residual-low cleared; " {
			t.Fatalf("told %q", got)
		}
		if at := r.told.told[1].Time.Sub(start); at != 45*time.Second {
			t.Errorf("cleared at %s, expected 45 s, when the water had been good for 5 s", at)
		}
		if !slices.ContainsFunc(r.told.beats, func(b Heartbeat) bool { return b.LoopAge >= 55*time.Second }) {
			t.Errorf("no heartbeat tells of the minute that the loop stood still: %+v", r.told.beats)
		}
	})
}

func TestLostJournalIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &memoryStore{lost: "the old file was damaged"}, script(func(int) []reading.Reading { return residual(1) }))
		r.runFor(t, 10*time.Second)
		if got := r.told.story(); got != "journal-lost raised; journal-lost cleared; " {
			t.Errorf("told %q", got)
		}
		if raised, cleared := r.told.told[0].After, r.told.told[1].After; !strings.Contains(raised.What, "the old file was damaged") || cleared.State != alarms.LatchedUnacknowledged {
			t.Errorf("told %q, then %s", raised.What, cleared.State)
		}
	})
}

func TestOrdersGoThroughTheOwner(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &memoryStore{}, script(func(int) []reading.Reading { return residual(0.1) }))
		ctx, cancel := context.WithCancel(t.Context())
		var wg sync.WaitGroup
		wg.Go(func() {
			if err := r.Run(ctx); err != nil {
				t.Error(err)
			}
		})
		<-time.After(10 * time.Second)
		ans := r.Order(t.Context(), alarms.Order{Verb: alarms.Acknowledge, ID: "o1", By: "operator", Alarm: "residual-low", Episode: 1})
		if ans.Result != alarms.Done {
			t.Errorf("answered %+v", ans)
		}
		if p := r.Snapshot().Performance; p.Annunciations != 1 || p.Standing != 1 || p.Unanswered != 0 || p.Top[0].Alarm != "residual-low" {
			t.Errorf("the alarms did %+v, expected one call, answered", p)
		}
		cancel()
		wg.Wait()
		if got := r.told.story(); got != "residual-low raised; residual-low acknowledged; " {
			t.Errorf("told %q", got)
		}
		if ans := r.Order(ctx, alarms.Order{Verb: alarms.Acknowledge, Alarm: "residual-low"}); ans.Result != alarms.Refused {
			t.Errorf("an order to a stopped agent was answered %+v", ans)
		}
	})
}

func TestAFailingEdgeStopsAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &memoryStore{}, script(func(int) []reading.Reading { return residual(1) }))
		want := errors.New("port gone")
		r.o.Edges = append(r.o.Edges, func(context.Context) error { return want })
		if err := r.Run(t.Context()); !errors.Is(err, want) {
			t.Errorf("Run returned %v", err)
		}
	})
}

// reusing is a source that spoils each batch once it was handed over.
type reusing struct{}

func (reusing) Run(ctx context.Context, emit func([]reading.Reading)) error {
	rs := residual(0.5)
	for range 100 {
		rs[0] = residual(0.5)[0]
		emit(rs)
		rs[0].Quality = reading.BadBecause(reading.NoReply)
	}
	<-ctx.Done()
	return nil
}

// TestBatchesAreCopied: a source may use a batch again, and takes no memory for
// that once the backlog has been as deep.
func TestBatchesAreCopied(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, &memoryStore{}, reusing{})
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := r.Run(ctx); err != nil {
			t.Fatal(err)
		}
		s := r.Snapshot()
		if s.Steps < 100 {
			t.Errorf("%d steps", s.Steps)
		}
		if f := s.Figures[0]; f.Name != "residual" || !f.Quality.Usable() {
			t.Errorf("%+v", f)
		}
	})
	a := newRig(t, &memoryStore{}, reusing{})
	rs := residual(0.5)
	if n := testing.AllocsPerRun(100, func() {
		a.take(t.Context(), rs)
		a.free <- <-a.batches
	}); n != 0 {
		t.Errorf("%v allocations for a batch", n)
	}
}
