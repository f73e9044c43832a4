package contact

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/agent/reading"
)

// Two analysers disagree when the outlet shows more than came in, or less than
// the fastest decay leaves: C0 exp(-kt), the first-order decay of EPANET 2.2
// (from memory). 600 m³ at 0.1 m³/s turn over in 100 min, so the pair looks back
// over 300 min.
func TestTwoAnalysers(t *testing.T) {
	const decay = 0.1 / 3600
	through := func(c float64) float64 { return c * math.Exp(-decay*6000) }
	for _, tc := range []struct {
		reason  string
		in, out func(minute int) reading.Reading
		minutes int
		want    string
	}{
		{"what plug flow leaves", always(good(1)), always(good(through(1))), 600, ""},
		{"no decay at all", always(good(1)), always(good(1)), 600, ""},
		{"more than came in, within what analysers differ by", always(good(1)), always(good(1.09)), 600, ""},
		{"more than came in", always(good(1)), always(good(1.2)), 600, reading.Disagrees},
		{"less than decay leaves", always(good(1)), always(good(0.4)), 600, reading.Disagrees},
		{"less than decay leaves, but nobody knows what came in hours ago", always(good(1)), always(good(0.4)), 200, ""},
		{"a dose that was lowered and has not come through", func(m int) reading.Reading {
			if m > 500 {
				return good(0.3)
			}
			return good(1)
		}, always(good(0.85)), 600, ""},
		{"the inlet was not known for a while", func(m int) reading.Reading {
			if m > 450 && m < 500 {
				return bad(reading.NoReply)
			}
			return good(1)
		}, always(good(0.4)), 600, ""},
		{"the outlet is not known", always(good(1)), always(bad(reading.NoReply)), 600, ""},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			p := Pair{Decay: decay, Within: 0.1}
			var q reading.Quality
			for m := range tc.minutes {
				q = p.Step(start.Add(time.Duration(m)*time.Minute), tc.in(m), tc.out(m), good(0.1), Value{600, reading.GoodQuality()})
			}
			want := reading.GoodQuality()
			if tc.want != "" {
				want = reading.UncertainBecause(tc.want)
			}
			if q != want {
				t.Errorf("the pair is %v, expected %v", q, want)
			}
		})
	}
}

// A sound pair is never told of: through a plug and through a mixed basin, with a
// dose and a flow that move as they like. The basin is stepped by its own mass
// balance.
func TestASoundPairAgrees(t *testing.T) {
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 5))
		const volume, decay = 600.0, 0.15 / 3600
		p := Pair{Decay: decay, Within: 0.1}
		in, flow, mixed := 1.0, 0.1, 1.0
		var told int
		for m := range 3000 {
			if rng.IntN(90) == 0 {
				in = 0.3 + 2*rng.Float64()
			}
			if rng.IntN(60) == 0 {
				flow = 0.05 + 0.1*rng.Float64()
			}
			for range 6 { // of 10 s
				mixed += 10 * (flow/volume*(in-mixed) - decay*mixed)
			}
			q := p.Step(start.Add(time.Duration(m)*time.Minute), good(in), good(mixed+0.02*rng.NormFloat64()), good(flow), Value{volume, reading.GoodQuality()})
			if q.Level != reading.Good {
				told++
			}
		}
		if told > 0 {
			t.Errorf("seed %d: a sound pair was told of in %d of 3000 minutes", seed, told)
		}
	}
}

func always(r reading.Reading) func(int) reading.Reading {
	return func(int) reading.Reading { return r }
}

// Ten minutes without chlorine while water flows cast doubt on the analyser,
// until it shows some or the water stands.
func TestNoChlorineInMovingWater(t *testing.T) {
	b := Blank{Under: 0.02}
	minute := 0
	step := func(n int, residual, flow reading.Reading) (q reading.Quality) {
		for range n {
			q = b.Step(start.Add(time.Duration(minute)*time.Minute), residual, flow)
			minute++
		}
		return q
	}
	doubt := reading.UncertainBecause(reading.NoResidual)
	for _, tc := range []struct {
		reason         string
		minutes        int
		residual, flow reading.Reading
		want           reading.Quality
	}{
		{"standing water", 60, good(0), good(0), reading.GoodQuality()},
		{"it begins to flow", 9, good(0), good(0.1), reading.GoodQuality()},
		{"ten minutes", 2, good(0.01), good(0.1), doubt},
		{"the flow is not known", 5, good(0), bad(reading.NoReply), doubt},
		{"a residual", 1, good(0.02), good(0.1), reading.GoodQuality()},
	} {
		if q := step(tc.minutes, tc.residual, tc.flow); q != tc.want {
			t.Errorf("%s: %v, expected %v", tc.reason, q, tc.want)
		}
	}
}

// The outflow of a basin that is known by its inflow and level alone.
func TestOutflowFromInflowAndLevel(t *testing.T) {
	s := Settings{Volume: 600, LevelFull: 4, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2, FlowsIn: true}
	for _, tc := range []struct {
		reason          string
		inflow, outflow float64 // m3/s
		noise           float64 // m, of the level
		within          float64 // of the outflow, in m3/s
		every           int     // s
	}{
		{"the level stands", 0.1, 0.1, 0, 1e-12, 1},
		{"it fills", 0.1, 0.05, 0, 1e-9, 1},
		{"it empties", 0.05, 0.1, 0, 1e-9, 1},
		{"only out", 0, 0.1, 0, 1e-9, 1},
		{"a level that quivers by 2 mm", 0.1, 0.05, 0.002, 0.005, 1},
		{"a reading every half minute", 0.1, 0.05, 0, 1e-9, 30},
		{"a reading a minute", 0.1, 0.05, 0, 1e-9, 60},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			g, rng := NewSegment(s), rand.New(rand.NewPCG(1, 2))
			var r Result
			for sec := 0; sec < 600; sec += tc.every {
				level := 2 + (tc.inflow-tc.outflow)*float64(sec)/150 + tc.noise*rng.NormFloat64()
				r = g.Step(start.Add(time.Duration(sec)*time.Second), water(tc.inflow, level))
				if sec < 110 && (r.Outflow.Quality != reading.BadBecause(reading.Learning) || r.T10.Quality.Usable() || r.Ratio.Quality.Usable()) {
					t.Errorf("after %d s the outflow is %+v, T10 %+v, the ratio %+v", sec, r.Outflow, r.T10, r.Ratio)
				}
				if sec >= 240 && !r.T10.Quality.Usable() {
					t.Errorf("after %d s T10 is %+v", sec, r.T10)
				}
			}
			if !r.Outflow.Quality.Usable() || !near(r.Outflow.Value, tc.outflow, tc.within) {
				t.Errorf("the outflow is %+v, expected %g", r.Outflow, tc.outflow)
			}
		})
	}
	t.Run("water that stands has no contact time", func(t *testing.T) {
		g, rng := NewSegment(s), rand.New(rand.NewPCG(3, 4))
		usable := 0
		for sec := range 7200 {
			r := g.Step(start.Add(time.Duration(sec)*time.Second), water(0, 2+0.002*rng.NormFloat64()))
			if r.Ratio.Quality.Usable() {
				usable++
			}
		}
		if usable > 0 {
			t.Errorf("a quivering level made a ratio in %d of 7200 seconds", usable)
		}
	})
}

// The bad inputs of a plant's life: each has its outcome, and none a ratio that
// looks good. The basin gives 600 s and a ratio of about 0.66 at first.
func TestBadInputsHaveTheirOutcome(t *testing.T) {
	minute := func(n int) time.Time { return start.Add(time.Duration(n) * time.Minute) }
	with := func(f func(in *Inputs)) Inputs {
		in := water(0.5, 4)
		f(&in)
		return in
	}
	for _, tc := range []struct {
		reason string
		at     time.Time
		in     Inputs
		ratio  string // the quality; with "not higher" where it is usable
		t10    string
	}{
		{"no flow", minute(61), with(func(in *Inputs) { in.Flow = good(0) }), "bad:no-flow", "bad:no-flow"},
		{"flow that reverses", minute(61), with(func(in *Inputs) { in.Flow = good(-0.5) }), "bad:inconsistent", "bad:inconsistent"},
		{"flow that is not a number", minute(61), with(func(in *Inputs) { in.Flow = good(math.NaN()) }), "bad:not-a-number", "bad:not-a-number"},
		{"an empty tank", minute(61), with(func(in *Inputs) { in.Level = good(0) }), "good", "good"}, // a ratio of 0
		{"a level under the floor", minute(61), with(func(in *Inputs) { in.Level = good(-1) }), "bad:inconsistent", "bad:inconsistent"},
		{"a level far over the wall", minute(61), with(func(in *Inputs) { in.Level = good(5) }), "bad:inconsistent", "bad:inconsistent"},
		{"the level sensor is lost", minute(61), with(func(in *Inputs) { in.Level = bad(reading.SensorFailure) }), "bad:sensor-failure", "bad:sensor-failure"},
		{"an hour without readings", minute(121), with(func(in *Inputs) {}), "good", "good"},
		{"a day without readings", minute(61 + 24*60), with(func(in *Inputs) {}), "good", "good"},
		{"time that goes backward", minute(30), with(func(in *Inputs) {}), "good", "good"},
		{"time that goes a day backward", minute(-24 * 60), with(func(in *Inputs) {}), "good", "good"},
		{"a residual over the table", minute(61), with(func(in *Inputs) { in.Residual = good(0.9 + 3) }), "uncertain:outside-table", "good"},
		{"a residual under zero", minute(61), with(func(in *Inputs) { in.Residual = good(-0.05) }), "uncertain:under-range", "good"},
		{"a temperature under zero", minute(61), with(func(in *Inputs) { in.Temperature = good(-2) }), "uncertain:under-range", "good"}, // by the table of 0.5 degC
		{"a sensor at its zero in ice water", minute(61), with(func(in *Inputs) { in.Temperature = good(-0.1) }), "good", "good"},
		{"a pH over the table", minute(61), with(func(in *Inputs) { in.PH = good(9.2) }), "bad:outside-table", "good"},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			g := tank()
			var before Result
			for m := range 61 {
				before = g.Step(minute(m), water(0.5, 4))
			}
			r := g.Step(tc.at, tc.in)
			if got := r.Ratio.Quality.String(); got != tc.ratio {
				t.Errorf("the ratio is %s, expected %s", got, tc.ratio)
			}
			if got := r.T10.Quality.String(); got != tc.t10 {
				t.Errorf("T10 is %s, expected %s", got, tc.t10)
			}
			if r.Ratio.Quality.Level == reading.Good && r.Ratio.Value > before.Ratio.Value*(1+edge) {
				t.Errorf("the ratio rose from %g to %g", before.Ratio.Value, r.Ratio.Value)
			}
			if !r.Ratio.Quality.Usable() && r.Ratio.Value != 0 {
				t.Errorf("a bad ratio carries %g", r.Ratio.Value)
			}
		})
	}
}
