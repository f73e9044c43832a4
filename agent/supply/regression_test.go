package supply

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// Slopes over windows of a long series against the least squares of gonum, on random
// data with gaps and at the end of a year.
func TestLineAgainstGonum(t *testing.T) {
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 6))
		var s series
		s.now = int(seed) * 26000 // minutes
		s.t0 = float64(s.now)
		first := s.now
		var ts, zs []float64
		var minutes []int
		length := 200 + r.IntN(6000)
		weight := 500 + 800*r.Float64()
		for range length {
			if r.Float64() > 0.05 {
				for range 1 + r.IntN(12) {
					at := float64(s.now) + r.Float64()
					z := weight - 0.06*at/1e3 + 0.3*r.NormFloat64()
					s.gather(1, at, z)
					ts, zs, minutes = append(ts, at-float64(first)), append(zs, z), append(minutes, s.now)
				}
			}
			s.close(0)
		}
		for _, m := range []int{4, 15, 60, 500, 1440} {
			if m > s.length() {
				continue
			}
			var x, y []float64
			for i := range ts {
				if minutes[i] >= s.now-m {
					x, y = append(x, ts[i]), append(y, zs[i])
				}
			}
			_, want := stat.LinearRegression(x, y, nil, false)
			got := s.line(m)
			scale := math.Sqrt(stat.Variance(y, nil) / stat.Variance(x, nil))
			if int(got.n) != len(x) || math.Abs(got.slope-want) > 1e-9*scale {
				t.Errorf("seed %d, %d min: %d readings, slope %.15g, gonum %.15g of %d", seed, m, int(got.n), got.slope, want, len(x))
			}
		}
	}
}

// A level of its own for each piece between breaks: the slope is that of gonum's least
// squares once each piece has lost its mean.
func TestPiecesAgainstGonum(t *testing.T) {
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 7))
		var s series
		var ts, zs []float64
		piece := []int{0}
		level := 900.0
		for m := range 60 {
			if m == 20 || m == 45 {
				s.snap()
				piece = append(piece, len(ts))
				level += 100 * r.NormFloat64()
			}
			for range 6 {
				at := float64(m) + r.Float64()
				z := level - 0.1*at + 0.3*r.NormFloat64()
				s.gather(1, at, z)
				ts, zs = append(ts, at), append(zs, z)
			}
			s.close(0)
		}
		piece = append(piece, len(ts))
		for i := range len(piece) - 1 {
			x, y := ts[piece[i]:piece[i+1]], zs[piece[i]:piece[i+1]]
			mx, my := stat.Mean(x, nil), stat.Mean(y, nil)
			for k := range x {
				x[k], y[k] = x[k]-mx, y[k]-my
			}
		}
		_, want := stat.LinearRegression(ts, zs, nil, true)
		if got := s.line(60).slope; math.Abs(got-want) > 1e-9 {
			t.Errorf("seed %d: slope %.15g, gonum %.15g", seed, got, want)
		}
	}
}
