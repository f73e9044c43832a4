package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"testing"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/journal"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"
)

// BenchmarkJournalDay is what the scenario's site writes to its disk in a day: a
// quiet one, with nothing but the looks at the journal, and days with so many
// events, each committed and acknowledged by itself. Bytes are those that the
// process hands to the disk, whole pages of memory, proc(5); 300 alarms a day are
// the most that one person can manage (ISA-18.2, from memory).
//
//	go test -run '^$' -bench JournalDay -benchtime 1x ./cmd/ebbwatch
func BenchmarkJournalDay(b *testing.B) {
	site, err := config.Load("../../testdata/sites/kestrel-ridge.yaml")
	if err != nil {
		b.Fatal(err)
	}
	core, err := plant.New(plantSettings(site))
	if err != nil {
		b.Fatal(err)
	}
	e, err := alarms.New(alarmSettings(site, guidance.Default()), core.Names())
	if err != nil {
		b.Fatal(err)
	}
	// One alarm by turns raised and cleared gives events of the usual size.
	samples := make([]alarms.Sample, len(core.Names()))
	now := time.Now()
	var ts []alarms.Transition
	for high := 1.0; len(ts) == 0; now = now.Add(time.Hour) {
		for i := range samples {
			samples[i] = alarms.Sample{Usable: true, Value: high, Quality: "good"}
		}
		ts = e.Step(now, samples)
	}
	event, err := json.Marshal(ts[0])
	if err != nil {
		b.Fatal(err)
	}
	checkpoint := e.Checkpoint()
	for _, events := range []int{0, 100, 300} {
		b.Run(fmt.Sprintf("events=%d", events), func(b *testing.B) {
			for b.Loop() {
				j, err := journal.Open(b.TempDir(), journal.Options{Receivers: []string{receiver}})
				if err != nil {
					b.Fatal(err)
				}
				before := bytesWrittenBy(b, "self")
				for range 48 { // agent.Options.Probe
					if err := j.Commit(0, nil, checkpoint); err != nil {
						b.Fatal(err)
					}
				}
				for seq := uint64(1); seq <= uint64(events); seq++ {
					if err := j.Commit(seq, [][]byte{event}, bytes.Clone(checkpoint)); err != nil {
						b.Fatal(err)
					}
					if err := j.Ack(receiver, seq); err != nil {
						b.Fatal(err)
					}
				}
				b.ReportMetric(float64(bytesWrittenBy(b, "self")-before)/1e6, "MB/day")
				b.ReportMetric(float64(len(checkpoint)), "B-checkpoint")
				b.ReportMetric(float64(len(event)), "B-event")
				if err := j.Close(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// bytesWrittenBy reads what a process has handed to disks so far.
func bytesWrittenBy(b *testing.B, pid string) int64 {
	b.Helper()
	raw, err := os.ReadFile("/proc/" + pid + "/io")
	if err != nil {
		b.Skip(err)
	}
	var n int64
	_, rest, _ := bytes.Cut(raw, []byte("\nwrite_bytes: "))
	if _, err := fmt.Sscan(string(rest), &n); err != nil {
		b.Fatalf("no write_bytes in %q", raw)
	}
	return n
}

// BenchmarkReadingToCommitted is the time from a batch of readings that trips a
// detector until the transition is on the disk and is handed on, on the
// scenario's site.
func BenchmarkReadingToCommitted(b *testing.B) {
	site, err := config.Load("../../testdata/sites/kestrel-ridge.yaml")
	if err != nil {
		b.Fatal(err)
	}
	settings := alarmSettings(site, guidance.Default())
	for i := range settings {
		settings[i].OnDelay, settings[i].OffDelay = 0, 0
	}
	core, err := plant.New(plantSettings(site))
	if err != nil {
		b.Fatal(err)
	}
	store, err := journal.Open(b.TempDir(), journal.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer store.Close()
	gas := site.Detectors[0].Concentration
	told := committed{detector: site.Detectors[0].Name + "-level-2", moved: make(chan struct{})}
	values := make(chan float64)
	a, err := agent.New(agent.Options{Plant: core, Alarms: settings, Store: store, Teller: told, Source: gasSource{gas, values}})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	ppm := 0.0
	for b.Loop() {
		ppm = 5 - ppm
		values <- ppm
		<-told.moved
	}
	cancel()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
}

// gasSource reads one detector.
type gasSource struct {
	point  string
	values <-chan float64
}

func (g gasSource) Run(ctx context.Context, emit func([]reading.Reading)) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case ppm := <-g.values:
			emit([]reading.Reading{{Point: g.point, Value: ppm, Quality: reading.GoodQuality(), Time: time.Now()}})
		}
	}
}

// committed tells when a detector's alarm has moved.
type committed struct {
	detector string
	moved    chan struct{}
}

func (c committed) Step(_ *agent.Snapshot, ts []alarms.Transition) {
	for i := range ts {
		if ts[i].After.Alarm == c.detector {
			c.moved <- struct{}{}
		}
	}
}

func (committed) Heartbeat(agent.Heartbeat) {}
