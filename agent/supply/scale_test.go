package supply

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func si(symbol string, v float64) float64 { return units.MustParse(symbol).SI(v) }

func shown(symbol string, v float64) float64 { return units.MustParse(symbol).FromSI(v) }

// lone is a bank of one container whose scale shows net weight.
type lone struct {
	b *Bank
	w [1]reading.Reading
	r BankResult
}

func newLone(division units.Kilograms) lone {
	return lone{b: NewBank(BankSettings{Containers: []ContainerSettings{{Kind: "ton", Division: division}}})}
}

func (l *lone) add(at time.Time, w float64) {
	l.w[0] = reading.Reading{Value: w, Quality: reading.GoodQuality(), Time: at}
	l.r = l.b.Step(at, Inputs{Weights: l.w[:]})
}

func (l *lone) withdrawal() estimate { return l.b.rates.hour }

// weighing simulates one scale in the units of the trade: lb and lb/d.
type weighing struct {
	sigma, division float64       // lb
	every           time.Duration // between readings
	rate            float64       // lb/d
	weight          float64       // lb at the start
	outliers        float64       // share of readings
	drift           float64       // lb from peak to peak over a day
	extra           func(t time.Duration) float64
	skip            func(t time.Duration) bool
}

// run feeds a scale for a time and calls back after each reading.
func (w weighing) run(r *rand.Rand, s *lone, length time.Duration, after func(t time.Duration)) {
	for t := time.Duration(0); t <= length; t += w.every {
		if w.skip != nil && w.skip(t) {
			continue
		}
		v := w.weight - w.rate*t.Hours()/24 + w.sigma*r.NormFloat64()
		if w.extra != nil {
			v += w.extra(t)
		}
		if r.Float64() < w.outliers {
			v += 30 * r.NormFloat64()
		}
		if w.division > 0 {
			v = w.division * math.Round(v/w.division)
		}
		s.add(start.Add(t), si("lb", v))
		if after != nil {
			after(t)
		}
	}
}

// bound is the least standard deviation, in lb/d, of the slope of one hour of
// readings in white noise (Cramér and Rao) with the dither of the division.
func (w weighing) bound(window time.Duration) float64 {
	n := float64(window / w.every)
	dt := w.every.Hours() / 24
	return math.Sqrt((w.sigma*w.sigma + w.division*w.division/12) * 12 / (dt * dt * n * (n*n - 1)))
}

type outcome struct {
	rmse, coverage float64 // lb/d; share of 90 % intervals that hold the true rate
	known          int
}

// trials runs a scale many times, each with its own noise, display phase and
// phase of the drift.
func (w weighing) trials(n int, length time.Duration) outcome {
	var o outcome
	for seed := range n {
		r := rand.New(rand.NewPCG(uint64(seed), 1))
		one, phase := w, r.Float64()
		one.weight += r.Float64()
		one.extra = func(t time.Duration) float64 { return w.drift / 2 * math.Sin(2*math.Pi*(t.Hours()/24+phase)) }
		s := newLone(units.Kilograms(si("lb", w.division)))
		one.run(r, &s, length, nil)
		e := s.withdrawal()
		if !e.quality.Usable() {
			continue
		}
		o.known++
		d := shown("lb/d", e.rate) - w.rate
		o.rmse += d * d
		if math.Abs(d) <= ninetyPercent*shown("lb/d", e.sd) {
			o.coverage++
		}
	}
	o.rmse = math.Sqrt(o.rmse / float64(o.known))
	o.coverage /= float64(o.known)
	return o
}

func ton() weighing {
	return weighing{sigma: 0.5, division: 1, every: 5 * time.Second, rate: 200, weight: 3000}
}

func cylinder() weighing {
	return weighing{sigma: 0.2, division: 0.2, every: 5 * time.Second, rate: 20, weight: 240}
}

// The bound is that of Cramér and Rao for white noise; own computation, the
// formula is that of any text on estimation. In practice a scale drifts with the
// temperature too, by about a division a day (OIML R 76-1 allows three over a day
// and night of 15 degC, from memory), which the interval allows for: without any
// drift it is too wide, with a division of it it must fit.
func TestRateAgainstTheBound(t *testing.T) {
	quiet := weighing{sigma: 0.05, division: 0.2, every: 10 * time.Second, rate: 10, weight: 240}
	coarse := weighing{sigma: 0.05, division: 0.5, every: 2 * time.Second, rate: 10, weight: 240}
	with := func(w weighing, change func(*weighing)) weighing { change(&w); return w }
	drift := func(w *weighing) { w.drift = w.division }
	dirt := func(share float64) func(*weighing) { return func(w *weighing) { w.outliers = share } }
	early, hour, later := 18*time.Minute, 62*time.Minute, 3*time.Hour
	var pooled, cases float64
	for _, tc := range []struct {
		name      string
		w         weighing
		length    time.Duration
		ratio     float64 // of RMSE to the bound; 0: not limited by noise
		low, high float64 // of coverage
	}{
		{"ton, first rate", ton(), early, 1.15, 0.87, 1},
		{"ton, an hour", ton(), hour, 1.15, 0.87, 1},
		{"ton, later", ton(), later, 1.15, 0.87, 1},
		{"cylinder, first rate", cylinder(), early, 1.15, 0.87, 1},
		{"cylinder, an hour", cylinder(), hour, 1.15, 0.87, 1},
		{"cylinder, later", cylinder(), later, 1.15, 0.87, 1},
		{"ton with drift", with(ton(), drift), hour, 0, 0.85, 0.95},
		{"ton with drift, later", with(ton(), drift), later, 0, 0.85, 0.95},
		{"cylinder with drift", with(cylinder(), drift), hour, 0, 0.85, 0.96},
		{"cylinder with drift, later", with(cylinder(), drift), later, 0, 0.85, 0.96},
		{"ton, 0.2 % outliers", with(ton(), dirt(0.002)), hour, 1.15, 0.87, 1},
		{"ton, 2 % outliers", with(ton(), dirt(0.02)), hour, 1.25, 0.87, 1},
		{"cylinder, 2 % outliers", with(cylinder(), dirt(0.02)), hour, 1.25, 0.87, 1},
		{"a display without steps", with(cylinder(), func(w *weighing) { w.division = 0 }), hour, 1.15, 0.85, 0.95},
		{"noise ten times the division", with(ton(), func(w *weighing) { w.sigma = 10 }), hour, 1.25, 0.85, 0.95},
		// The display hides the noise: errors are those of its steps, and the
		// interval must know it.
		{"quiet scale, first rate", quiet, early, 2, 0.87, 1},
		{"quiet scale, an hour", quiet, hour, 1.5, 0.87, 1},
		{"half a pound, ten pounds a day, first rate", coarse, early, 0, 0.80, 1},
		{"half a pound, ten pounds a day", coarse, hour, 0, 0.87, 1},
	} {
		o := tc.w.trials(200, tc.length)
		bound := tc.w.bound(min(tc.length, time.Hour))
		t.Logf("%s: RMSE %.3g lb/d, %.2f of the bound, coverage %.3f, %d known", tc.name, o.rmse, o.rmse/bound, o.coverage, o.known)
		if o.known < 190 {
			t.Errorf("%s: the rate was known in %d of 200 trials", tc.name, o.known)
		}
		if tc.ratio != 0 && o.rmse > tc.ratio*bound {
			t.Errorf("%s: RMSE %.3g lb/d is %.2f of the bound, at most %g expected", tc.name, o.rmse, o.rmse/bound, tc.ratio)
		}
		if o.coverage < tc.low || o.coverage > tc.high {
			t.Errorf("%s: the intervals hold the rate in %.3f of the trials, expected %g to %g", tc.name, o.coverage, tc.low, tc.high)
		}
		if tc.w.drift != 0 {
			pooled += o.coverage
			cases++
		}
	}
	if c := pooled / cases; c < 0.85 || c > 0.95 {
		t.Errorf("pooled coverage with drift is %.3f", c)
	} else {
		t.Logf("pooled coverage with drift is %.3f", c)
	}
}

// What happens to a container in its life must never give a false rate. Times of
// 100 s and 15 min are the estimator's own.
func TestDisturbancesGiveNoFalseRate(t *testing.T) {
	during := func(from, to time.Duration, v float64) func(time.Duration) float64 {
		return func(t time.Duration) float64 {
			if t >= from && t < to {
				return v
			}
			return 0
		}
	}
	const event = 90 * time.Minute
	forever := 1000 * time.Hour
	for _, tc := range []struct {
		name     string
		change   func(*weighing)
		worst    float64       // lb/d of error while the rate is good, after the event
		unknown  time.Duration // longest time after the event until the rate is good for ever
		mustLose bool          // the rate must not be called good all the time
	}{
		{"nothing", func(*weighing) {}, 8, 0, false},
		{"a hoist pulls for 40 s", func(w *weighing) { w.extra = during(event, event+40*time.Second, 250) }, 10, 0, false},
		{"a foot on the scale for 90 s", func(w *weighing) { w.extra = during(event, event+90*time.Second, -180) }, 10, 0, false},
		{"0.2 % outliers", func(w *weighing) { w.outliers = 0.002 }, 10, 0, false},
		{"2 % outliers", func(w *weighing) { w.outliers = 0.02 }, 12, 0, false},
		{"a full container replaces an empty one", func(w *weighing) { w.extra = during(event, forever, 2000) }, 60, 16*time.Minute + 100*time.Second + 10*time.Second, true},
		{"the container is off for 5 min", func(w *weighing) {
			off, full := during(event, event+5*time.Minute, -3000), during(event+5*time.Minute, forever, 1500)
			w.extra = func(t time.Duration) float64 { return off(t) + full(t) }
		}, 60, 5*time.Minute + 16*time.Minute + 110*time.Second, true},
		{"the container is off for 40 s", func(w *weighing) { w.extra = during(event, event+40*time.Second, -3000) }, 10, 0, false},
		{"no readings for 10 min", func(w *weighing) {
			w.skip = func(t time.Duration) bool { return t >= event && t < event+10*time.Minute }
		}, 10, 0, false},
		{"no readings for 12 h", func(w *weighing) {
			w.skip = func(t time.Duration) bool { return t >= event && t < event+12*time.Hour }
		}, 60, 12*time.Hour + 17*time.Minute, true},
		{"exchanged while there were no readings", func(w *weighing) {
			w.skip = func(t time.Duration) bool { return t >= event && t < event+10*time.Minute }
			w.extra = during(event, forever, 1700)
		}, 60, 10*time.Minute + 16*time.Minute + 110*time.Second, true},
		{"a small step that lasts", func(w *weighing) { w.extra = during(event, forever, 15) }, 60, 16*time.Minute + 110*time.Second, true},
	} {
		for seed := range 5 {
			w := ton()
			tc.change(&w)
			s := newLone(units.Kilograms(si("lb", w.division)))
			lost := false
			var lastUnknown time.Duration
			w.run(rand.New(rand.NewPCG(uint64(seed), 2)), &s, event+14*time.Hour, func(at time.Duration) {
				if at < event {
					return
				}
				e := s.withdrawal()
				if !e.quality.Usable() {
					lost, lastUnknown = true, at-event
					return
				}
				if d := shown("lb/d", e.rate) - w.rate; math.Abs(d) > tc.worst {
					t.Fatalf("%s: the rate is off by %.3g lb/d %v after, and called %v", tc.name, d, at-event, e.quality)
				}
			})
			if lastUnknown > tc.unknown || lost != tc.mustLose {
				t.Errorf("%s: the rate was unknown until %v, expected at most %v", tc.name, lastUnknown, tc.unknown)
			}
		}
	}
}

// A step too small to be told from noise bends the line for an hour. The interval
// has to say so.
func TestTheIntervalOwnsUpToAMisfit(t *testing.T) {
	const event = 90 * time.Minute
	for _, step := range []float64{4, 3, -3} { // lb
		held, all := 0, 0
		for seed := range 20 {
			w := ton()
			w.extra = func(t time.Duration) float64 {
				if t < event {
					return 0
				}
				return step
			}
			s := newLone(units.Kilograms(si("lb", w.division)))
			w.run(rand.New(rand.NewPCG(uint64(seed), 4)), &s, event+time.Hour, func(at time.Duration) {
				e := s.withdrawal()
				if at < event || !e.quality.Usable() {
					return
				}
				all++
				if math.Abs(shown("lb/d", e.rate)-w.rate) <= ninetyPercent*shown("lb/d", e.sd) {
					held++
				}
			})
		}
		share := float64(held) / float64(all)
		t.Logf("%g lb: the intervals hold the true rate %.2f of the time", step, share)
		if share < 0.85 {
			t.Errorf("%g lb: the intervals hold the true rate %.2f of the time", step, share)
		}
	}
}

// The rate is that of the last hour: it is within 15 % of a change after 50 min
// (own choice), and never unknown meanwhile.
func TestTheRateFollowsTheFeeder(t *testing.T) {
	const event = 90 * time.Minute
	for _, change := range []float64{200, -200} { // lb/d
		w := ton()
		w.extra = func(t time.Duration) float64 { return -change * max(0, (t-event).Hours()) / 24 }
		s := newLone(units.Kilograms(si("lb", w.division)))
		w.run(rand.New(rand.NewPCG(5, 5)), &s, 4*time.Hour, func(at time.Duration) {
			e := s.withdrawal()
			if at < event {
				return
			}
			if !e.quality.Usable() {
				t.Fatalf("%g lb/d: %v after the rate is %v", change, at-event, e.quality)
			}
			if d := shown("lb/d", e.rate) - w.rate - change; at > event+50*time.Minute && math.Abs(d) > 0.15*math.Abs(change) {
				t.Fatalf("%g lb/d: %v after the rate is off by %.3g lb/d", change, at-event, d)
			}
		})
	}
}

func TestNoiseThatGrowsDoesNotLockTheScaleOut(t *testing.T) {
	w := ton()
	r := rand.New(rand.NewPCG(7, 7))
	w.extra = func(t time.Duration) float64 {
		if t < 90*time.Minute {
			return 0
		}
		return 10 * r.NormFloat64()
	}
	s := newLone(units.Kilograms(si("lb", w.division)))
	w.run(r, &s, 4*time.Hour, nil)
	w.sigma = 10
	if e := s.withdrawal(); !e.quality.Usable() || math.Abs(shown("lb/d", e.rate)-w.rate) > 4*w.bound(time.Hour) {
		t.Errorf("rate %.4g lb/d %v", shown("lb/d", e.rate), e.quality)
	}
}

// A draw far beyond what the container gave before ramps away from the line too
// fast to settle on a level: the old rate must not stay.
func TestASuddenDrawDoesNotKeepTheOldRate(t *testing.T) {
	w := ton()
	w.rate = 24
	w.extra = func(t time.Duration) float64 { return -max(0, (t-90*time.Minute).Minutes()) * 7 }
	s := newLone(units.Kilograms(si("lb", w.division)))
	w.run(rand.New(rand.NewPCG(3, 3)), &s, 3*time.Hour, func(at time.Duration) {
		if e := s.withdrawal(); at > 96*time.Minute && e.quality.Usable() && shown("lb/d", e.rate) < 5000 {
			t.Fatalf("%v after the rate is still %.4g lb/d, %v", at-90*time.Minute, shown("lb/d", e.rate), e.quality)
		}
	})
	if e := s.withdrawal(); !e.quality.Usable() || off(shown("lb/d", e.rate), 24+7*1440) > 0.02 {
		t.Errorf("rate %.5g lb/d %v, expected %g", shown("lb/d", e.rate), e.quality, 24.0+7*1440)
	}
}

func TestAScaleThatStandsStill(t *testing.T) {
	for _, division := range []float64{0, 1} {
		s := newLone(units.Kilograms(division))
		for i := range 20000 {
			s.add(start.Add(time.Duration(i)*5*time.Second), 900)
		}
		if e := s.withdrawal(); !e.quality.Usable() || e.rate != 0 {
			t.Errorf("division %g: %+v", division, e)
		}
		// The next step of the display is no outlier.
		for i := range 40 {
			s.add(start.Add(time.Duration(20000+i)*5*time.Second), 899.95-0.95*division)
		}
		if e := s.withdrawal(); !e.quality.Usable() {
			t.Errorf("division %g: one step of the display made the rate unknown", division)
		}
	}
}

func BenchmarkScaleAdd(b *testing.B) {
	b.ReportAllocs()
	l, r, at := newLone(0.5), rand.New(rand.NewPCG(1, 1)), start
	for b.Loop() {
		at = at.Add(2 * time.Second)
		l.add(at, 900+r.NormFloat64())
	}
}
