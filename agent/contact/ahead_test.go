package contact

import (
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"

	"pgregory.net/rapid"
)

// run steps a segment once a minute and returns the last result.
func run(g *Segment, minutes int, at func(minute float64) Inputs) Result {
	var r Result
	for m := range minutes + 1 {
		r = g.Step(start.Add(time.Duration(m)*time.Minute), at(float64(m)))
	}
	return r
}

// The needed residual is sought by brute force: the least one, on a fine grid,
// from which on every residual of the table meets the target.
func TestNeededResidualByBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		method := rapid.SampledFrom([]Method{Table, Linear, Regression}).Draw(t, "method")
		g := NewSegment(Settings{
			Volume: 600, BafflingFactor: 0.5, Method: method, Target: rapid.Float64Range(0.9, 1.5).Draw(t, "target"),
			GiardiaLog: rapid.SampledFrom([]float64{0, 0.5, 1, 3}).Draw(t, "Giardia"), VirusLog: rapid.SampledFrom([]float64{2, 4}).Draw(t, "virus"),
		})
		minutes := rapid.Float64Range(2, 400).Draw(t, "T10")
		temperature, ph := units.Celsius(rapid.Float64Range(0, 30).Draw(t, "temperature")), units.PH(rapid.Float64Range(6, 9).Draw(t, "pH"))
		needed, q := g.neededResidual(minutes, temperature, ph)

		met := func(c float64) bool {
			ct, _ := g.required(c, temperature, ph)
			return c*minutes >= g.s.Target*ct
		}
		const grid = 0.001
		want := math.NaN()
		// Just over the lines of the table, where the required CT steps up.
		for k := 3000; k >= 1 && met(min(3, float64(k)*grid+2*edge)); k-- {
			want = float64(k) * grid
		}
		if !q.Usable() {
			if met(3) {
				t.Fatalf("no residual (%v), by brute force %g mg/L", q, want)
			}
			return
		}
		if math.Abs(needed-want) > 2*grid {
			t.Fatalf("%g mg/L, by brute force %g", needed, want)
		}
		if !met(needed + edge) {
			t.Fatalf("%g mg/L does not meet the target itself", needed)
		}
	})
}

func TestGreatestFlowMeetsTheTarget(t *testing.T) {
	g := tank()
	r := run(g, 5, func(float64) Inputs { return water(0.5, 4) })
	flow := r.Ahead.GreatestFlow.Value
	for _, c := range []struct {
		flow float64
		met  bool
	}{{flow * 0.999, true}, {flow * 1.001, false}} {
		if r := run(tank(), 5, func(float64) Inputs { return water(c.flow, 4) }); (r.Ratio.Value >= 1) != c.met {
			t.Errorf("at %g m3/s the ratio is %g", c.flow, r.Ratio.Value)
		}
	}
}

// What is forecast is compared with what then comes when the assumption holds.
func TestTheForecastComesTrue(t *testing.T) {
	for _, c := range []struct {
		name string
		at   func(minute float64) Inputs
		// end is when the forecast is made, in minutes; after is how far ahead the
		// lowest is, within 2.
		end, after int
	}{
		{"a feed that fades", func(m float64) Inputs {
			in := water(0.5, 4)
			in.Residual = good(1.2 - 0.004*m)
			return in
		}, 60, 60},
		{"a tank that is drawn down", func(m float64) Inputs { return water(0.5, 4-0.02*m) }, 60, 60},
		{"nothing changes", func(m float64) Inputs { return water(0.5, 4) }, 120, 0},
		{"all gets better", func(m float64) Inputs {
			in := water(0.5, 4)
			in.Residual = good(0.5 + 0.002*m)
			return in
		}, 120, 0},
	} {
		g := tank()
		r := run(g, c.end, c.at)
		lowest, when := r.Ratio.Value, 0
		for m := c.end + 1; m <= c.end+60; m++ {
			if f := g.Step(start.Add(time.Duration(m)*time.Minute), c.at(float64(m))); f.Ratio.Value < lowest-1e-9 {
				lowest, when = f.Ratio.Value, m-c.end
			}
		}
		a := r.Ahead
		if !a.Lowest.Quality.Usable() || math.Abs(a.Lowest.Value/lowest-1) > 0.02 {
			t.Errorf("%s: the forecast is %+v, what came is %g", c.name, a.Lowest, lowest)
		}
		if in := a.LowestIn.Minutes(); math.Abs(in-float64(when)) > 2 || when != c.after {
			t.Errorf("%s: forecast for in %g min, it came in %d", c.name, in, when)
		}
	}
}

func TestTheForecastNeedsHistoryAndInputs(t *testing.T) {
	g := tank()
	if r := run(g, 4, func(float64) Inputs { return water(0.5, 4) }); r.Ahead.Lowest.Quality != reading.BadBecause(reading.Learning) {
		t.Errorf("after 4 minutes %+v", r.Ahead.Lowest)
	}
	in := water(0.5, 4)
	r := run(tank(), 30, func(float64) Inputs { return in })
	if !r.Ahead.Lowest.Quality.Usable() {
		t.Fatalf("after 30 minutes %+v", r.Ahead.Lowest)
	}
	in.Residual = bad(reading.NoReply)
	r = run(tank(), 30, func(m float64) Inputs {
		if m < 30 {
			return water(0.5, 4)
		}
		return in
	})
	if r.Ahead.Lowest.Quality.Usable() || r.Ahead.GreatestFlow.Quality.Usable() {
		t.Errorf("without a residual %+v", r.Ahead)
	}
	if !r.Ahead.NeededResidual.Quality.Usable() {
		t.Errorf("what is needed does not depend on what is there: %+v", r.Ahead.NeededResidual)
	}
}
