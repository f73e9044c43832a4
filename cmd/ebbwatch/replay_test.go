package main

import (
	"context"
	"fmt"
	"hash/fnv"
	"log/slog"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ebbwatch/agent"
	"ebbwatch/agent/demo"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/recording"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// lived is what came out of a core: a sum of every figure at every step, and every
// transition as it was.
type lived struct {
	names       []string
	at          []int64
	figures     [][]uint64
	transitions []alarms.Transition
	conditions  []alarms.Condition
}

func (l *lived) step(at time.Time, figures []plant.Figure) {
	sums := make([]uint64, len(figures))
	for i := range figures {
		f := &figures[i]
		h := fnv.New64a()
		fmt.Fprintf(h, "%s %x %x %x %v %d %s|%s|%s|%s|%s|%s", f.Name, math.Float64bits(f.Value), math.Float64bits(f.Low), math.Float64bits(f.High),
			f.Quality, f.Time.UnixNano(), f.Unit, f.Method, f.Detail, f.First, f.Evidence, f.Vote)
		sums[i] = h.Sum64()
	}
	if l.names == nil {
		for i := range figures {
			l.names = append(l.names, figures[i].Name)
		}
	}
	l.at = append(l.at, at.UnixNano())
	l.figures = append(l.figures, sums)
}

func (l *lived) events(ts []alarms.Transition) { l.transitions = append(l.transitions, ts...) }

// same fails the test at the first thing that differs.
func (l *lived) same(t *testing.T, replayed *lived) {
	t.Helper()
	if len(l.at) != len(replayed.at) {
		t.Fatalf("%d steps, replayed %d", len(l.at), len(replayed.at))
	}
	for i := range l.at {
		if l.at[i] != replayed.at[i] {
			t.Fatalf("step %d at %s, replayed at %s", i, time.Unix(0, l.at[i]), time.Unix(0, replayed.at[i]))
		}
		for k := range l.figures[i] {
			if l.figures[i][k] != replayed.figures[i][k] {
				t.Fatalf("step %d at %s: %s differs", i, time.Unix(0, l.at[i]), l.names[k])
			}
		}
	}
	// That the host's clock was not set yet is the host's to say, and no reading's.
	hosts := cmpopts.IgnoreFields(alarms.Transition{}, "ClockUnsure")
	if d := gocmp.Diff(l.transitions, replayed.transitions, cmpopts.EquateApproxTime(0), hosts); d != "" {
		t.Fatalf("transitions, lived and replayed: %s", d)
	}
	if d := gocmp.Diff(l.conditions, replayed.conditions, cmpopts.EquateApproxTime(0)); d != "" {
		t.Fatalf("conditions, lived and replayed: %s", d)
	}
}

// replayed runs a recording through one core.
func replayed(t *testing.T, site *config.Site, folder string) (*lived, *replay) {
	t.Helper()
	p := &replay{site: site}
	if err := p.prepare(); err != nil {
		t.Fatal(err)
	}
	in, err := recording.Open([]string{folder}, recordedPoints(plantSettings(site)), nil)
	if err != nil {
		t.Fatal(err)
	}
	defer in.Close()
	l := &lived{}
	r := p.runs[0]
	count := r.onEvents
	r.onStep, r.onEvents = l.step, func(ts []alarms.Transition) { l.events(ts); count(ts) }
	if err := p.run(t.Context(), in, func(float64, time.Time) {}); err != nil {
		t.Fatal(err)
	}
	l.conditions = r.core.Evaluator.Conditions()
	return l, p
}

// seenBy is what a daemon shows while it runs.
func seenBy(l *lived) func(*agent.Snapshot, []alarms.Transition) {
	steps := uint64(0)
	return func(s *agent.Snapshot, ts []alarms.Transition) {
		if s.Steps != steps { // not of an order
			steps = s.Steps
			l.step(s.Time, s.Figures)
		}
		l.events(ts)
		l.conditions = s.Conditions
	}
}

// aDemo is a simulated plant, with its site.
func aDemo(ctx context.Context, t *testing.T, speed float64) (*demo.Demo, *config.Site) {
	t.Helper()
	d, err := demo.Start(ctx, demo.Options{Seed: 1, Speed: speed, Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Close)
	site, err := config.Parse("demo site", d.SiteYAML(), config.ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return d, site
}

// TestDemoTellsTheSameReplayed is invariant 1: the day of the demo, through real
// protocols and the very daemon, with the orders of the person on call, is recorded,
// and its replay gives every figure at every step and every transition as they were.
func TestDemoTellsTheSameReplayed(t *testing.T) {
	t.Parallel()
	const speed = 1200
	// The gas of the evening is over after 50 s, or later on a busy machine.
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Second)
	defer cancel()
	d, site := aDemo(ctx, t, speed)
	folder := filepath.Join(t.TempDir(), "day")
	if err := recordDemo(folder, site, d.SiteYAML()); err != nil {
		t.Fatal(err)
	}
	live := &lived{}
	see := seenBy(live)
	if err := watch(ctx, site, watching{log: slog.New(slog.DiscardHandler), now: d.Now, speed: speed, recording: folder, onStep: func(s *agent.Snapshot, ts []alarms.Transition) {
		see(s, ts)
		if slices.ContainsFunc(ts, func(tr alarms.Transition) bool { return tr.Cause == alarms.Reset }) {
			cancel()
		}
	}}); err != nil {
		t.Fatal(err)
	}
	again, p := replayed(t, site, folder)
	live.same(t, again)
	causes := map[alarms.Cause]int{}
	for _, tr := range again.transitions {
		causes[tr.Cause]++
	}
	t.Logf("%d steps of %d figures, %d transitions: %v", len(live.at), len(live.names), len(again.transitions), causes)
	for _, cause := range []alarms.Cause{alarms.Raised, alarms.Cleared, alarms.Acked} {
		if causes[cause] == 0 {
			t.Errorf("the day had no %s: the test shows little", cause)
		}
	}
	if r := p.runs[0]; r.missed != 0 || r.runs != 1 || r.stepped != 0 {
		t.Errorf("missed %d, runs %d, clock set by %s", r.missed, r.runs, r.stepped)
	}
}

// The same with the host's clock, as ebbwatch run has it, over a restart.
func TestRunTellsTheSameReplayed(t *testing.T) {
	t.Parallel()
	_, site := aDemo(t.Context(), t, 1)
	site.Recording = &config.Recording{MaxBytes: 1 << 24}
	live := &lived{}
	clock := steadyClock{host: time.Now}
	for range 2 {
		ctx, cancel := context.WithTimeout(t.Context(), 4*time.Second)
		defer cancel()
		if err := watch(ctx, site, watching{log: slog.New(slog.DiscardHandler), now: clock.now, onStep: seenBy(live)}); err != nil {
			t.Fatal(err)
		}
	}
	again, p := replayed(t, site, recordingDir(site))
	live.same(t, again)
	t.Logf("%d steps of %d figures, %d transitions", len(live.at), len(live.names), len(again.transitions))
	if r := p.runs[0]; r.missed != 0 || r.runs != 2 || len(live.at) < 20 {
		t.Errorf("missed %d, runs %d, steps %d", r.missed, r.runs, len(live.at))
	}
}
