package contact

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

// Closed forms of the time for which the water that leaves has been inside, by
// calculus from the definition of plug flow; there is no published table of
// them. Flow in m³/s, volume in m³, time in s.
func TestResidenceAgainstClosedForms(t *testing.T) {
	const day = 86400.0
	wave := 2 * math.Pi / day
	constant := func(v float64) func(float64) float64 { return func(float64) float64 { return v } }
	for _, c := range []struct {
		name         string
		bf           float64
		flow, volume func(s float64) float64
		jump         float64 // when the flow jumps, 0 for never
		every, until float64
		entry        func(s float64) float64
		inflow       func(s float64) float64
		tolerance    float64 // relative
	}{
		{"constant", 0.5, constant(0.5), constant(600), 0, 5, 2000,
			constant(600), constant(600), 1e-9},
		{"flow steps up, old water still leaves", 0.5, func(s float64) float64 {
			if s < 3000 {
				return 0.2
			}
			return 0.5
		}, constant(600), 3000, 10, 3200,
			// t + (BV - Q2 t)/Q1 after the step
			constant(200 + (300-0.5*200)/0.2), constant(200 + (300-0.5*200)/0.2), 1e-9},
		{"flow steps up, all is new", 0.5, func(s float64) float64 {
			if s < 3000 {
				return 0.2
			}
			return 0.5
		}, constant(600), 3000, 10, 3700, constant(600), constant(600), 1e-9},
		{"flow ramps", 0.7, func(s float64) float64 { return 0.2 + 4e-5*s }, constant(800), 0, 7, 7000,
			func(s float64) float64 {
				q, bv := 0.2+4e-5*s, 0.7*800
				return 2 * bv / (q + math.Sqrt(q*q-2*4e-5*bv))
			},
			func(s float64) float64 {
				q, bv := 0.2+4e-5*s, 0.7*800
				return 2 * bv / (q + math.Sqrt(q*q-2*4e-5*bv))
			}, 1e-9},
		{"level falls", 0.5, constant(0.4), func(s float64) float64 { return 1000 - 0.1*s }, 0, 3, 5000,
			// entry: BF (V0 + s t) / (Q + BF s) with s the slope; inflow: the inflow is
			// Q + s.
			func(s float64) float64 { return 0.5 * (1000 - 0.1*s) / (0.4 - 0.5*0.1) },
			func(s float64) float64 { return 0.5 * (1000 - 0.1*s) / (0.4 - 0.1) }, 1e-9},
		{"flow and level ramp", 0.3, func(s float64) float64 { return 0.3 + 2e-5*s }, func(s float64) float64 { return 900 + 0.05*s }, 0, 4, 9000,
			func(s float64) float64 {
				b, c := 0.3+2e-5*s+0.3*0.05, 0.3*(900+0.05*s)
				return 2 * c / (b + math.Sqrt(b*b-2*2e-5*c))
			},
			func(s float64) float64 {
				b, c := 0.3+2e-5*s+0.05, 0.3*(900+0.05*s)
				return 2 * c / (b + math.Sqrt(b*b-2*2e-5*c))
			}, 1e-9},
		// The volume is chosen so that the water is inside for just 5 h at the end.
		{"a day's wave of flow", 1, func(s float64) float64 { return 0.3 * (1 + 0.4*math.Sin(wave*s)) }, func() func(float64) float64 {
			const T, end = 5 * 3600.0, 200000.0
			return constant(0.3*T + 0.3*0.4/wave*(math.Cos(wave*(end-T))-math.Cos(wave*end)))
		}(), 0, 1, 200000, constant(5 * 3600), constant(5 * 3600), 1e-9},
		{"two whole days inside", 1, func(s float64) float64 { return 0.3 * (1 + 0.4*math.Sin(wave*s)) }, constant(2 * 0.3 * day), 0, 2, 300000,
			constant(2 * day), constant(2 * day), 1e-9},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := NewResidence(c.bf)
			step := func(s, flow float64) {
				r.Step(start.Add(time.Duration(s*1e9)), Value{flow, reading.GoodQuality()}, Value{c.volume(s), reading.GoodQuality()})
			}
			for s := 0.0; s <= c.until; s += c.every {
				if c.jump > 0 && s == c.jump { // the flow until then, at the same time
					step(s, c.flow(s-1))
				}
				step(s, c.flow(s))
			}
			end := math.Floor(c.until/c.every) * c.every
			entry, inflow := r.Times()
			for _, f := range []struct {
				form string
				got  Value
				want float64
			}{{"entry", entry, c.entry(end)}, {"inflow", inflow, c.inflow(end)}} {
				if !f.got.Quality.Usable() || math.Abs(f.got.Value/f.want-1) > c.tolerance {
					t.Errorf("%s form: %.9g s (%v), want %.9g: %.2g off", f.form, f.got.Value, f.got.Quality, f.want, f.got.Value/f.want-1)
				}
			}
			if len(r.knots) > maxKnots || cap(r.knots) != maxKnots || cap(r.entry.index) != maxKnots {
				t.Errorf("%d knots held, %d at most", len(r.knots), maxKnots)
			}
		})
	}
}

// byDefinition is the definition itself: all samples are kept, and the last time
// is sought, piece by piece and backwards, at which the measure was not above
// the target.
func byDefinition(bf float64, at, flow, volume []float64) (entry, inflow float64, ok bool) {
	n := len(at)
	water := make([]float64, n)
	for i := 1; i < n; i++ {
		water[i] = water[i-1] + (at[i]-at[i-1])*(flow[i-1]+flow[i])/2
	}
	find := func(share, target float64) (float64, bool) {
		m := func(i int) float64 { return water[i] + share*volume[i] }
		for i := n - 2; i >= 0; i-- {
			if m(i) > target {
				continue
			}
			low, high := at[i], at[i+1] // bisection
			for range 200 {
				s := (low + high) / 2
				x := (s - at[i]) / (at[i+1] - at[i])
				w := water[i] + (s-at[i])*(flow[i]+(flow[i]+(flow[i+1]-flow[i])*x))/2
				if w+share*(volume[i]+(volume[i+1]-volume[i])*x) <= target {
					low = s
				} else {
					high = s
				}
			}
			return at[n-1] - low, true
		}
		return 0, false
	}
	var a, b bool
	entry, a = find(bf, water[n-1])
	inflow, b = find(1, water[n-1]+(1-bf)*volume[n-1])
	return entry, inflow, a && b
}

func TestResidenceAgainstTheDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		rng := rand.New(rand.NewPCG(seed, 1))
		bf := 0.1 + 0.9*rng.Float64()
		r := NewResidence(bf)
		var at, flow, volume []float64
		s, v, last := 0.0, 300+300*rng.Float64(), 0.0
		for i := range rapid.IntRange(2, 300).Draw(t, "samples") {
			q := rng.Float64()
			if i > 0 { // the tank fills by nothing to twice the greatest outflow
				span := float64(1 + rng.IntN(60))
				s += span
				v = max(50, v+span*(2*rng.Float64()-(last+q)/2))
			}
			last = q
			at, flow, volume = append(at, s), append(flow, q), append(volume, v)
			r.Step(start.Add(time.Duration(s)*time.Second), Value{q, reading.GoodQuality()}, Value{v, reading.GoodQuality()})
			entry, inflow, ok := byDefinition(bf, at, flow, volume)
			gotEntry, gotInflow := r.Times()
			if both := gotEntry.Quality.Usable() && gotInflow.Quality.Usable(); both != ok {
				t.Fatalf("after %g s both forms known: %v, by definition %v", s, both, ok)
			} else if ok && (math.Abs(gotEntry.Value-entry) > 1e-6 || math.Abs(gotInflow.Value-inflow) > 1e-6) {
				t.Fatalf("after %g s %.9g and %.9g s, by definition %.9g and %.9g", s, gotEntry.Value, gotInflow.Value, entry, inflow)
			}
		}
	})
}

func TestResidenceGaps(t *testing.T) {
	good := func(v float64) Value { return Value{v, reading.GoodQuality()} }
	lost := Value{Quality: reading.BadBecause(reading.NoReply)}
	for _, c := range []struct {
		name         string
		gap          int
		flow, volume Value
		known        bool
	}{
		{"the flow is lost for a moment", 60, lost, good(600), true},
		{"the level is lost for a moment", 60, good(0.5), lost, true},
		{"the flow is lost for long", 600, lost, good(600), false},
		{"the level is lost for long", 600, good(0.5), lost, false},
	} {
		r := NewResidence(1)
		var entry Value
		for s := 0; s <= 1500+c.gap+10; s += 10 {
			q, v := good(0.5), good(600)
			if s > 1500 && s <= 1500+c.gap {
				q, v = c.flow, c.volume
			}
			r.Step(start.Add(time.Duration(s)*time.Second), q, v)
			entry, _ = r.Times()
		}
		if entry.Quality.Usable() != c.known {
			t.Errorf("%s: %v", c.name, entry)
		}
		if c.known && math.Abs(entry.Value-1200) > 1e-9 {
			t.Errorf("%s: %v s, want 1200", c.name, entry.Value)
		}
	}

	t.Run("a level that quivers only shortens it", func(t *testing.T) {
		r, rng := NewResidence(0.5), rand.New(rand.NewPCG(1, 2))
		for s := 0; s <= 4000; s += 10 {
			r.Step(start.Add(time.Duration(s)*time.Second), good(0.5), good(600+rng.NormFloat64()))
			entry, inflow := r.Times()
			if known := s > 700; known && (!entry.Quality.Usable() || !inflow.Quality.Usable()) {
				t.Fatalf("after %d s %v and %v", s, entry, inflow)
			} else if known && (math.Abs(entry.Value-600) > 20 || math.Abs(inflow.Value-600) > 20) {
				t.Fatalf("after %d s %v and %v, want about 600 s", s, entry.Value, inflow.Value)
			}
		}
	})
	t.Run("time runs backwards", func(t *testing.T) {
		r := NewResidence(1)
		for s := 0; s <= 1500; s += 10 {
			r.Step(start.Add(time.Duration(s)*time.Second), good(0.5), good(600))
			r.Step(start.Add(time.Duration(s-5)*time.Second), good(9), good(1))
		}
		if entry, _ := r.Times(); math.Abs(entry.Value-1200) > 1e-9 {
			t.Errorf("%v, want 1200 s", entry)
		}
	})
	t.Run("nothing flows", func(t *testing.T) {
		r := NewResidence(1)
		for s := 0; s <= 3000; s += 10 {
			q := 0.5
			if s > 1500 {
				q = 0
			}
			r.Step(start.Add(time.Duration(s)*time.Second), good(q), good(600))
		}
		// The water at the outlet grows old with the clock.
		if entry, _ := r.Times(); math.Abs(entry.Value-2700) > 15 {
			t.Errorf("%v, want about 1200 + 1500 s", entry)
		}
	})
	t.Run("an empty tank holds nothing", func(t *testing.T) {
		r := NewResidence(0.5)
		r.Step(start, good(0.5), good(0))
		r.Step(start.Add(time.Minute), good(0.5), good(0))
		if entry, inflow := r.Times(); entry.Value != 0 || inflow.Value != 0 {
			t.Errorf("%v and %v, want 0", entry, inflow)
		}
	})
}

func BenchmarkResidence(b *testing.B) {
	r := NewResidence(0.5)
	b.ReportAllocs()
	i := 0
	for b.Loop() {
		at := float64(i)
		r.Step(start.Add(time.Duration(i)*time.Second), Value{0.5 + 0.2*math.Sin(at/9000), reading.GoodQuality()}, Value{6000 + 500*math.Sin(at/7000), reading.GoodQuality()})
		_, _ = r.Times()
		i++
	}
}
