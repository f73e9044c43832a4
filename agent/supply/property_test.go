package supply

import (
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

// anyReading draws values that instruments can send, also those that they should
// not.
func anyReading(low, high float64) *rapid.Generator[reading.Reading] {
	return rapid.Custom(func(t *rapid.T) reading.Reading {
		v := rapid.OneOf(
			rapid.Float64Range(low, high), rapid.Float64Range(low, high), rapid.Float64Range(low, high), rapid.Float64(),
			rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), -1, math.MaxFloat64}),
		).Draw(t, "value")
		q := rapid.SampledFrom([]reading.Quality{
			reading.GoodQuality(), reading.GoodQuality(), reading.GoodQuality(), reading.GoodQuality(),
			reading.UncertainBecause(reading.OverRange), reading.BadBecause(reading.NoReply), {},
		}).Draw(t, "quality")
		return reading.Reading{Value: v, Quality: q}
	})
}

func TestNoFigureLooksGoodThatIsNotOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := tons(rapid.IntRange(1, 3).Draw(t, "containers"))
		for i := range s.Containers {
			s.Containers[i].Division = lb(rapid.SampledFrom([]float64{0, 0.2, 1}).Draw(t, "division"))
		}
		b, now := NewBank(s), start
		wild := rapid.Bool().Draw(t, "wild")
		base := rapid.Float64Range(700, 1500).Draw(t, "base")
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.Int64Range(-int64(time.Minute), int64(3*time.Minute)).Draw(t, "span")))
			var ws []reading.Reading
			known := true
			for range s.Containers {
				w := reading.Reading{Value: base + rapid.Float64Range(-1, 1).Draw(t, "noise"), Quality: reading.GoodQuality()}
				if wild {
					w = anyReading(600, 1600).Draw(t, "weight")
				}
				w.Time = now
				known = known && w.Quality.Usable() && number(w.Value)
				ws = append(ws, w)
			}
			var room *reading.Reading
			if rapid.Bool().Draw(t, "room") {
				r := anyReading(-20, 50).Draw(t, "room temperature")
				room = &r
			}
			r := b.Step(now, Inputs{Weights: ws, Room: room})
			all := []Value{r.Net, r.Rate, r.Limit, r.Ratio, r.TimeToEmpty, r.Supply.LiquidEnd, r.Supply.WithStandby, r.Supply.AllStock, r.Draw.Headroom, r.Draw.LowestRoom}
			for i, v := range all {
				if v.Quality.Usable() && (!known || !number(v.Value) || math.IsInf(v.Low, 0) || math.IsInf(v.High, 0) || math.IsNaN(v.Low) != math.IsNaN(v.High) || v.Low > v.Value || v.High < v.Value) {
					t.Fatalf("figure %d is %+v of %+v", i, v, ws)
				}
				if !v.Quality.Usable() && v.Value != 0 {
					t.Fatalf("figure %d is bad and yet has the value %g", i, v.Value)
				}
			}
			if q := r.TimeToEmpty; q.Quality.Usable() && (q.Value < 0 || q.Value > MaxTimeToEmpty) || r.Ratio.Value > MaxRatio || r.Limit.Value < 0 {
				t.Fatalf("%+v", r)
			}
		}
	})
}

func BenchmarkBankStep(b *testing.B) {
	b.ReportAllocs()
	bank, now := NewBank(tons(2)), start
	ws := make([]reading.Reading, 2)
	warm := room(60)
	for i := 0; b.Loop(); i++ {
		now = now.Add(2 * time.Second)
		for k := range ws {
			ws[k] = weight(now, 3000-float64(i%3))
		}
		if r := bank.Step(now, Inputs{Weights: ws, Room: warm}); !r.Net.Quality.Usable() {
			b.Fatalf("%+v", r)
		}
	}
}
