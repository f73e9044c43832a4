package supply

import (
	"math"
	"os"
	"testing"
	"time"
)

// study is "full" for the long form of the simulations; see DEVELOPERS.md.
var study = os.Getenv("EBBWATCH_STUDY")

// Targets and bounds: own study. A bound is that of Cramér and Rao for the
// sampling and drift (Kay, Estimation Theory, 1993, from memory). Seeds 0 and up.
func TestRateStudy(t *testing.T) {
	const lbd = "lb/d"
	pattern := func(d float64) float64 { return 200 * (1 + math.Sin(2*math.Pi*d)/3) }
	quiet := cylinderRig()
	quiet.sigma, quiet.constant, quiet.every = 0.05, 10, 10*time.Second
	for _, tc := range []struct {
		name               string
		g                  rig
		change             func(*rig)
		quarter, hour, day float64 // targets of RMSE
		bounds             [3]float64
		low, high          float64
		days               int
	}{
		{"ton", tonRig(), nil, 15.6, 1.96, 0, [3]float64{14.2, 1.79, 0.015}, 0.87, 0.93, 2},
		{"cylinder", cylinderRig(), nil, 5.6, 0.71, 0, [3]float64{5.12, 0.64, 0}, 0.87, 0.93, 1},
		{"ton, 24 h", tonRig(), nil, 15.6, 1.96, 0.10, [3]float64{14.2, 1.79, 0.015}, 0.87, 0.93, 2},
		{"ton D 2 w .2", tonRig(), func(g *rig) { g.drift, g.wander = 2, 0.2 }, 17.4, 6.0, 0, [3]float64{15.8, 5.4, 0.28}, 0.87, 0.93, 3},
		{"ton D 2 w .2, 24 h", tonRig(), func(g *rig) { g.drift, g.wander = 2, 0.2 }, 17.4, 6.0, 0.40, [3]float64{15.8, 5.4, 0.28}, 0.87, 0.93, 3},
		{"ton, demand factor 2, feed known", tonRig(), func(g *rig) { g.rate, g.feedKnown = pattern, true }, 15.6, 1.96, 0.10, [3]float64{14.2, 1.79, 0.015}, 0.87, 0.93, 3},
		{"ton, demand factor 2, no feed signal", tonRig(), func(g *rig) { g.rate = pattern }, 0, 0, 0.10, [3]float64{0, 0, 0.015}, 0.87, 0.93, 3},
		{"cylinder without dither", quiet, nil, 4.3, 0.44, 0, [3]float64{2.7, 0.335, 0}, 0.87, 1, 1},
		{"ton, noise learnt", tonRig(), func(g *rig) {
			g.known = false
			g.settings = func(s *BankSettings) {
				c := &s.Containers[0]
				c.Division, c.Drift, c.Wander = 0, ptr(pounds(0)), ptr(pounds(0))
			}
		}, 15.6, 1.96, 0, [3]float64{14.2, 1.79, 0}, 0.87, 0.93, 1},
	} {
		g := tc.g
		if tc.change != nil {
			tc.change(&g)
		}
		var q, h, day score
		n := seeds(40, 200)
		length := 12 * time.Hour
		switch {
		case full():
			length = time.Duration(tc.days) * 24 * time.Hour
		case tc.day > 0:
			g.every, n, length = 2*g.every, 30, 31*time.Hour
			tc.quarter, tc.hour = 0, 0 // the other rows have them
		}
		for seed := range n {
			g.seed = uint64(seed)
			total := []float64{}
			last := -1
			g.run(length, func(tr truth, r BankResult) {
				if m := int(tr.days*1440 + 1e-9); m == last {
					return
				} else {
					last = m
				}
				total = append(total, tr.drawn)
				m := len(total) - 1
				over := func(w int) float64 { return perDay((total[m] - total[m-w]) / float64(w) * 1440) }
				if m > 70 && m%15 == 0 {
					q.add(r.RateQuarter, over(15))
				}
				if m > 70 && m%60 == 0 {
					h.add(r.Rate, over(60))
				}
				if m > 1475 && m%60 == 0 {
					day.add(r.RateDay, over(1440))
				}
			})
		}
		check := func(metric string, s score, target, bound float64) {
			if target == 0 {
				return
			}
			got := s.rmse() / perDay(1)
			row(t, tc.name, "RMSE "+metric, got, target, bound, lbd)
			row(t, tc.name, "coverage "+metric, s.coverage(), tc.low, 0.9, "")
			if s.n < 30 || got > target {
				t.Errorf("%s: RMSE over %s is %.3g lb/d of %g trials, expected at most %g", tc.name, metric, got, s.n, target)
			}
			margin := 2.5 * math.Sqrt(0.09/s.n) // of the trials themselves
			if c := s.coverage(); c < tc.low-margin || c > tc.high+margin {
				t.Errorf("%s: 90 %% intervals over %s hold %.3f, expected %g to %g", tc.name, metric, c, tc.low, tc.high)
			}
		}
		check("15 min", q, tc.quarter, tc.bounds[0])
		check("1 h", h, tc.hour, tc.bounds[1])
		check("24 h", day, tc.day, tc.bounds[2])
	}
}
