package contact

import (
	"encoding/json"
	"fmt"
	"runtime"
	"testing"
	"time"

	"ebbwatch/agent/reading"
)

// wavy is a basin whose flow and level move, at a second of its day.
func wavy(s float64) Inputs {
	good := func(v float64) reading.Reading { return reading.Reading{Value: v, Quality: reading.GoodQuality()} }
	wave := func(period float64) float64 { return 1 - 2*abs(s/period-float64(int(s/period))-0.5) }
	return Inputs{
		Residual: good(1.1 + 0.2*wave(5400)), PH: good(7.4 + 0.1*wave(7200)), Temperature: good(9 + wave(86400)),
		Flow: good(0.2 + 0.1*wave(43200)), Level: good(2.5 + wave(21600)),
	}
}

func abs(v float64) float64 { return max(v, -v) }

var benchSettings = Settings{Volume: 600, LevelFull: 4, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2, Method: Table}

// BenchmarkSegments is one reading of everything a second, through segments in
// series and their day.
func BenchmarkSegments(b *testing.B) {
	for _, n := range []int{1, 5, 20} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			segments, days := make([]*Segment, n), make([]*Day, n)
			for i := range segments {
				segments[i], days[i] = NewSegment(benchSettings), NewDay(benchSettings, time.UTC)
			}
			credits := make([]Credit, n)
			now := noonOfBench
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				now = now.Add(time.Second)
				in := wavy(float64(i))
				for k := range segments {
					r := segments[k].Step(now, in)
					days[k].Step(now, in, &r)
					days[k].Record()
					credits[k] = r.Credit
				}
				Total(3, 4, credits...)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/segment")
		})
	}
}

var noonOfBench = time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC)

// BenchmarkTankHours is what a history takes for as long as the water stays
// inside: bytes for a segment at one reading a second.
func BenchmarkTankHours(b *testing.B) {
	for _, hours := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprint(hours), func(b *testing.B) {
			for range b.N {
				var before, after runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&before)
				w := NewResidence(1)
				flow, volume := Value{1, reading.GoodQuality()}, Value{3600 * float64(hours), reading.GoodQuality()}
				for s := range 2 * hours * 3600 / max(1, hours/10) {
					w.Step(noonOfBench.Add(time.Duration(s*max(1, hours/10))*time.Second), flow, volume)
				}
				runtime.GC()
				runtime.ReadMemStats(&after)
				entry, _ := w.Times()
				b.ReportMetric(float64(after.HeapAlloc)-float64(before.HeapAlloc), "B/history")
				b.ReportMetric(entry.Value/3600, "h/inside")
				runtime.KeepAlive(w)
			}
		})
	}
}

// BenchmarkYear is a year of one-minute readings through one segment and its
// days.
func BenchmarkYear(b *testing.B) {
	for range b.N {
		s := benchSettings
		g, d := NewSegment(s), NewDay(s, time.UTC)
		closed := 0
		for m := range 365 * 24 * 60 {
			now, in := noonOfBench.Add(time.Duration(m)*time.Minute), wavy(float64(m)*60)
			r := g.Step(now, in)
			if d.Step(now, in, &r) != nil {
				closed++
			}
		}
		if closed != 365 {
			b.Fatalf("%d days closed", closed)
		}
	}
}

// BenchmarkDayMemory is what a segment's day adds to a checkpoint, late in its
// second day.
func BenchmarkDayMemory(b *testing.B) {
	g, d := NewSegment(benchSettings), NewDay(benchSettings, time.UTC)
	for m := range 36 * 60 {
		now, in := noonOfBench.Add(time.Duration(m)*time.Minute), wavy(float64(m)*60)
		r := g.Step(now, in)
		d.Step(now, in, &r)
	}
	bytes := 0
	for range b.N {
		text, err := json.Marshal(d.Memory())
		if err != nil {
			b.Fatal(err)
		}
		bytes = len(text)
	}
	b.ReportMetric(float64(bytes), "B/segment")
}
