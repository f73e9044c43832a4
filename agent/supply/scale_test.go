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

func ton() weighing {
	return weighing{sigma: 0.5, division: 1, every: 5 * time.Second, rate: 200, weight: 3000}
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
	if e := s.withdrawal(); !e.quality.Usable() || math.Abs(shown("lb/d", e.rate)-w.rate) > 4*35.0 {
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
