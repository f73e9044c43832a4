package plant

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"github.com/google/go-cmp/cmp"
)

// A recording, stepped twice, gives the same figures: nothing but readings and
// their times goes in. Readings come late, bad, missing and absurd.
func TestReplayGivesTheSameFigures(t *testing.T) {
	s := ridge()
	type batch struct {
		at time.Time
		rs []reading.Reading
	}
	r := rand.New(rand.NewPCG(11, 12))
	var recording []batch
	for i := range 700 {
		at := start.Add(time.Duration(i)*2*time.Second + time.Duration(r.IntN(1000))*time.Millisecond)
		var rs []reading.Reading
		for _, one := range quietReadings(s, at) {
			one.Value *= 1 + 0.001*r.NormFloat64()
			switch r.IntN(200) {
			case 0:
				one.Quality = reading.BadBecause(reading.NoReply)
			case 1:
				one.Value = math.NaN()
			case 2:
				one.Value *= 10
			case 3:
				one.Time = one.Time.Add(-time.Minute)
			case 4:
				continue
			}
			rs = append(rs, one)
		}
		recording = append(recording, batch{at, rs})
	}
	a, b := newPlant(t, s), newPlant(t, s)
	for i, step := range recording {
		first := a.Step(step.at, step.rs)
		second := b.Step(step.at, step.rs)
		if d := cmp.Diff(first, second, same); d != "" {
			t.Fatalf("step %d: %s", i, d)
		}
		for _, f := range first {
			if f.Quality.Usable() && (math.IsNaN(f.Value) || math.IsInf(f.Value, 0)) || !f.Quality.Usable() && f.Value != 0 {
				t.Fatalf("step %d: %+v", i, f)
			}
			if f.Quality.Level != reading.Good && f.Detail == "" {
				t.Fatalf("step %d: %s is %v without a word why", i, f.Name, f.Quality)
			}
		}
	}
}

func TestFiguresAreTheCallersToKeep(t *testing.T) {
	s := ridge()
	p := newPlant(t, s)
	kept, at := run(p, s, time.Minute)
	before := append([]Figure(nil), kept...)
	p.Step(at.Add(time.Hour), nil)
	if d := cmp.Diff(before, kept, same); d != "" {
		t.Errorf("a later step changed what an earlier one returned: %s", d)
	}
}

// One round of the field: every instrument of the plant is read once, and each
// one's readings are stepped as they come.
func BenchmarkPlantStep(b *testing.B) {
	b.ReportAllocs()
	s := ridge()
	p := newPlant(b, s)
	_, now := run(p, s, time.Hour)
	rs := quietReadings(s, now)
	var batches [][]reading.Reading
	for i, from := 1, 0; i <= len(rs); i++ {
		if i == len(rs) || s.Points[i].Instrument != s.Points[from].Instrument {
			batches = append(batches, rs[from:i])
			from = i
		}
	}
	rounds := 0
	for b.Loop() {
		now = now.Add(time.Second)
		for _, batch := range batches {
			for i := range batch {
				batch[i].Time = now
			}
			p.Step(now, batch)
		}
		rounds++
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(rounds*len(rs)), "ns/reading")
	b.ReportMetric(float64(len(batches))/float64(len(rs)), "steps/reading")
}
