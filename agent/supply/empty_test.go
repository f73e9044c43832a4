package supply

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ebbwatch/agent/reading"
)

// demand makes days of a plant's use in lb/d by the hour: a daily pattern of factor
// two, weekends of 0.92, totals of days that scatter by 8 % and remember by 0.6, and
// hours that scatter by 8 %. Common practice, no source.
func demand(seed uint64, days int) func(d float64) float64 {
	r := rand.New(rand.NewPCG(seed, 99))
	hours := make([]float64, days*24+48)
	level := 0.08 * r.NormFloat64()
	for h := range hours {
		if h%24 == 0 && h > 0 {
			level = 0.6*level + 0.08*math.Sqrt(1-0.36)*r.NormFloat64()
		}
		at := start.Add(time.Duration(h) * time.Hour)
		week := 1.0
		if d := at.Weekday(); d == time.Saturday || d == time.Sunday {
			week = 0.92
		}
		hours[h] = 200 * week * (1 + level) * (1 + math.Sin(2*math.Pi*float64(at.Hour()-5)/24)/3) * (1 + 0.08*r.NormFloat64())
	}
	return func(d float64) float64 { return hours[min(int(d*24+1e-6), len(hours)-1)] }
}

var leads = []float64{6, 12, 24, 48, 96} // h before the end

// ends runs a container empty and gives the time to empty some hours before the
// end, in h, for each lead.
func ends(g rig, use func(float64) float64, end float64, asked func(d float64, lead int, v Value)) {
	g.rate = use
	total := 0.0
	dt := g.every.Hours() / 24
	for d := dt; d <= end; d += dt {
		total += use(d) * dt
	}
	g.net = total - 0.5
	done := make([]bool, len(leads))
	g.run(time.Duration(end*24*float64(time.Hour)), func(tr truth, r BankResult) {
		for i, lead := range leads {
			if !done[i] && tr.days >= end-lead/24 {
				done[i] = true
				asked(tr.days, i, r.TimeToEmpty)
			}
		}
	})
}

// The time to empty against its truth; targets and bounds of own study.
func TestTimeToEmptyStudy(t *testing.T) {
	var err, held, n [5]float64
	seedsRun := seeds(60, 400)
	for seed := range seedsRun {
		g := rig{kind: "tank", every: 2 * time.Minute, sigma: 0.5, division: 1, known: true, seed: uint64(seed), feedKnown: true, trust: 0.005}
		g.settings = func(s *BankSettings) {
			s.Kinds = []Kind{kind("tank", 20000, 4000, 80, 28, 36)}
			s.Containers[0].Tare = pounds(rigTare)
		}
		end := 22 + 5*float64(seed)/float64(seedsRun)
		ends(g, demand(uint64(seed), 30), end, func(d float64, i int, v Value) {
			left := end - d
			if v.Quality.Level != reading.Good {
				t.Errorf("seed %d, %g h before the end: %v", seed, leads[i], v.Quality)
			}
			e := (v.Value/secondsPerDay - left) * 24
			err[i] += e * e
			if v.Low/secondsPerDay <= left && left <= v.High/secondsPerDay {
				held[i]++
			}
			n[i]++
		})
	}
	target, bound := []float64{0.5, 1.1, 2.1, 4.1, 7.8}, []float64{0.2, 0.35, 0.9, 2.5, 5.1}
	for i, lead := range leads {
		name := fmt.Sprintf("time to empty %g h before", lead)
		rmse, cover := math.Sqrt(err[i]/n[i]), held[i]/n[i]
		row(t, name, "RMSE", rmse, target[i], bound[i], "h")
		row(t, name, "coverage", cover, 0.85, 0.9, "to 0.96")
		sampling := 1 + 1.6/math.Sqrt(2*n[i])
		if rmse > target[i]*sampling {
			t.Errorf("%s: RMSE %.3g h, expected at most %g", name, rmse, target[i])
		}
		if m := 2.5 * math.Sqrt(0.09/n[i]); cover < 0.85-m {
			t.Errorf("%s: the intervals hold %.3f", name, cover)
		}
	}
}
