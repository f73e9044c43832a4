package supply

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// A standby container's display stands still for days; when it goes on duty the
// rate must not be lost to a step that never was.
func TestDutyAfterStandbyIsNoStep(t *testing.T) {
	const pound, day = 0.45359237, 24 * time.Hour
	for name, c := range map[string]struct{ sigma, division, rate float64 }{ // lb, lb, lb/d
		"quiet ton, 417 lb/d":     {0, 1, 417},
		"quiet ton, 834 lb/d":     {0, 1, 834},
		"noisy ton, 834 lb/d":     {0.5, 1, 834},
		"quiet cylinder, 40 lb/d": {0, 0.5, 40},
	} {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(1, 2))
			s := newLone(units.Kilograms(c.division * pound))
			begin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
			for at := time.Duration(0); at < 3*day+2*time.Hour; at += 2 * time.Second {
				w := 3000 - c.rate*max(0, at-3*day).Hours()/24 + c.sigma*rng.NormFloat64()
				s.add(begin.Add(at), math.Round(w/c.division)*c.division*pound)
				if at > time.Hour && !s.withdrawal().quality.Usable() {
					t.Fatalf("%v after going on duty the rate is %v", at-3*day, s.withdrawal().quality)
				}
			}
			if got := s.withdrawal().rate / pound * 86400; math.Abs(got-c.rate) > 0.05*c.rate {
				t.Errorf("rate %.1f lb/d, expected %.0f", got, c.rate)
			}
		})
	}
}

func TestNotBelievedYet(t *testing.T) {
	const pound = 0.45359237
	begin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	good := func(at time.Time, v float64) reading.Reading {
		return reading.Reading{Value: v, Time: at, Quality: reading.GoodQuality()}
	}
	b := NewBank(BankSettings{Containers: []ContainerSettings{{Name: "a", Kind: "ton", Tare: 1480 * pound, Heel: 36 * pound, Division: pound}}})
	room := good(begin, 21)
	at := begin
	for range 900 {
		b.Step(at, Inputs{Weights: []reading.Reading{good(at, 2500*pound)}, Room: &room})
		at = at.Add(5 * time.Second)
	}
	t.Run("a weight lifted by a hoist", func(t *testing.T) {
		if r := b.Step(at, Inputs{Weights: []reading.Reading{good(at, 1600*pound)}, Room: &room}); r.Net.Quality.Level == reading.Good || r.TimeToEmpty.Quality.Level == reading.Good {
			t.Errorf("net %+v, time to empty %+v", r.Net, r.TimeToEmpty)
		}
	})
	t.Run("a room that is not a number", func(t *testing.T) {
		hole := good(at, math.NaN())
		if r := b.Step(at.Add(5*time.Second), Inputs{Weights: []reading.Reading{good(at.Add(5*time.Second), 2500*pound)}, Room: &hole}); r.Limit.Quality.Level == reading.Good {
			t.Errorf("limit %+v by %s", r.Limit, r.LimitMethod)
		}
	})
}
