package contact

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
			rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1), -1, low, high}),
		).Draw(t, "value")
		q := rapid.SampledFrom([]reading.Quality{
			reading.GoodQuality(), reading.GoodQuality(), reading.GoodQuality(),
			reading.UncertainBecause(reading.OverRange), reading.BadBecause(reading.NoReply), {},
		}).Draw(t, "quality")
		return reading.Reading{Value: v, Quality: q}
	})
}

func TestNoFigureLooksGoodThatIsNotOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := NewSegment(Settings{
			Volume: 600, LevelFull: 4, BafflingFactor: rapid.Float64Range(0.1, 1).Draw(t, "baffling"),
			GiardiaLog: rapid.SampledFrom([]float64{0, 0.5, 3}).Draw(t, "Giardia"), VirusLog: rapid.SampledFrom([]float64{0, 2, 4}).Draw(t, "virus"),
			Method: rapid.SampledFrom([]Method{Table, Linear, Regression}).Draw(t, "method"),
		})
		now := start
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.Int64Range(-int64(time.Minute), int64(20*time.Minute)).Draw(t, "span")))
			in := Inputs{
				Residual: anyReading(0, 5).Draw(t, "residual"), PH: anyReading(5, 11).Draw(t, "pH"), Temperature: anyReading(0, 30).Draw(t, "temperature"),
				Flow: anyReading(0, 2).Draw(t, "flow"), Level: anyReading(0, 4.8).Draw(t, "level"),
			}
			r := g.Step(now, in)
			usable := func(rs ...reading.Reading) bool {
				for _, r := range rs {
					if !r.Quality.Usable() || !number(r.Value) {
						return false
					}
				}
				return true
			}
			for _, f := range []struct {
				name   string
				v      Value
				inputs bool
			}{
				{"static T10", r.Static, usable(in.Flow, in.Level)},
				{"T10", r.T10, usable(in.Flow, in.Level)},
				{"CT", r.CT, usable(in.Flow, in.Level, in.Residual)},
				{"required Giardia", r.RequiredGiardia, usable(in.Residual, in.Temperature, in.PH)},
				{"required virus", r.RequiredVirus, usable(in.Temperature, in.PH)},
				{"lowest ratio ahead", r.Ahead.Lowest, usable(in.Flow, in.Level, in.Residual, in.Temperature, in.PH)},
				{"needed residual", r.Ahead.NeededResidual, usable(in.Flow, in.Level, in.Temperature, in.PH)},
				{"greatest flow", r.Ahead.GreatestFlow, usable(in.Level, in.Residual, in.Temperature, in.PH)},
				{"ratio", r.Ratio, usable(in.Flow, in.Level, in.Residual, in.Temperature, in.PH)},
				{"Giardia log", r.GiardiaLog, usable(in.Flow, in.Level, in.Residual, in.Temperature, in.PH)},
				{"virus log", r.VirusLog, usable(in.Flow, in.Level, in.Residual, in.Temperature, in.PH)},
			} {
				if f.v.Quality.Usable() && (!f.inputs || !number(f.v.Value) || f.v.Value < 0) {
					t.Fatalf("%s is %+v of %+v", f.name, f.v, in)
				}
				if !f.v.Quality.Usable() && f.v.Value != 0 {
					t.Fatalf("%s is bad and yet has the value %g", f.name, f.v.Value)
				}
			}
		}
	})
}

// The hour's mean and lowest volume are recomputed from the whole history, span
// by span, and T10 from them.
func TestTheHourAgainstTheWholeHistory(t *testing.T) {
	type step struct {
		at           time.Time
		flow, volume float64
	}
	rapid.Check(t, func(t *rapid.T) {
		g := tank()
		var history []step
		now := start
		for range rapid.IntRange(1, 200).Draw(t, "steps") {
			flow, level := rapid.Float64Range(0.01, 2).Draw(t, "flow"), rapid.Float64Range(0.1, 4).Draw(t, "level")
			history = append(history, step{now, flow, 600 * level / 4})
			r := g.Step(now, water(flow, level))

			// The hour is the present minute and the 59 before it, counted from the start.
			from := start.Add(now.Sub(start).Truncate(time.Minute) - 59*time.Minute)
			var water, seconds float64
			low := math.Inf(1)
			for i, s := range history {
				if s.at.Before(from) {
					continue
				}
				low = min(low, s.volume)
				if i == 0 {
					continue
				}
				if span := s.at.Sub(history[i-1].at); span <= 5*time.Minute {
					water += history[i-1].flow * span.Seconds()
					seconds += span.Seconds()
				}
			}
			q := flow
			if seconds > 0 {
				q = max(q, water/seconds)
			}
			if want := 0.5 * low / q; !near(r.Static.Value, want, 1e-9*want) {
				t.Fatalf("after %v: T10 %g, expected %g", now.Sub(start), r.Static.Value, want)
			}
			now = now.Add(time.Duration(rapid.Int64Range(1, 400).Draw(t, "span")) * time.Second)
		}
	})
}

func BenchmarkSegmentStep(b *testing.B) {
	b.ReportAllocs()
	g, now := tank(), start
	for b.Loop() {
		now = now.Add(time.Second)
		if r := g.Step(now, water(0.5, 4)); !r.Ratio.Quality.Usable() {
			b.Fatalf("%+v", r)
		}
	}
}
