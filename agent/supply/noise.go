package supply

import "math"

const (
	fastNoise, slowNoise = 100, 3000 // readings that the noise is learnt over
	learnDivision        = 60        // equal multiples after which the step is known
	noiseReadings        = 60        // after so many the noise is known well enough
)

// noise learns what the display does by itself: its step and its scatter, from
// neighbouring readings.
type noise struct {
	division   float64 // kg; of the site file, or learnt
	learnt     bool    // the division is to be learnt
	given      float64 // standard deviation of the site file, zero: to be learnt
	fast, slow float64 // variance of a reading as displayed, kg²
	n          float64
	previous   float64
	step       float64 // candidate for the division
	multiples  int
	change     float64 // share of readings that differ from the one before
	sigma      float64 // kg, under the rounding
	bias       float64 // kg, amplitude of the rounding that does not average out
}

func newNoise(division, given float64) noise {
	n := noise{division: division, learnt: division == 0, given: given, change: 0.5}
	n.fast = n.first()
	n.slow = n.fast
	n.settle()
	return n
}

func (n *noise) first() float64 {
	if n.given > 0 {
		return n.given*n.given + n.dither()
	}
	return max(n.division*n.division, 0.01)
}

// dither is the variance that rounding to the division adds.
func (n *noise) dither() float64 { return n.division * n.division / 12 }

// least keeps a display that stands still from calling its next step an outlier:
// that of the rounding, or 10 g where there is none (own choice).
func (n *noise) least() float64 { return max(n.dither(), 1e-4) }

// add learns from a reading and reports whether the noise turned out much
// greater than first thought.
func (n *noise) add(w float64) bool {
	if n.n == 0 {
		n.n, n.previous = 1, w
		return false
	}
	d := w - n.previous
	n.previous = w
	n.n++
	n.learn(math.Abs(d))
	v := d * d / 2
	n.fast = max(n.fast+(min(v, 9*n.fast)-n.fast)/fastNoise, n.least())
	n.slow += (min(v, 9*n.fast) - n.slow) / min(n.n, slowNoise)
	return n.n == noiseReadings && n.fast > 4*n.first()
}

// toggle learns how often a live display changes.
func (n *noise) toggle(changed bool) {
	x := 0.0
	if changed {
		x = 1
	}
	n.change += (x - n.change) / 1000
}

// learn finds the step whose multiples all changes are, within a fiftieth.
func (n *noise) learn(d float64) {
	if d == 0 {
		return
	}
	if n.step > 0 {
		if k := math.Round(d / n.step); k > 0 && math.Abs(d-k*n.step) < n.step/50 {
			if n.multiples++; n.multiples == learnDivision && n.learnt {
				n.division = n.step
				n.settle()
			}
			return
		}
	}
	n.multiples = 0
	if n.learnt {
		n.division = 0
	}
	if n.step == 0 || d < n.step {
		n.step = d
	} else {
		n.step *= 0.5
	}
}

// otherStep reports a display whose step is not that of the site file.
func (n *noise) otherStep() bool {
	return !n.learnt && n.multiples >= learnDivision && math.Abs(n.step/n.division-1) > 0.2
}

// variance is that of one reading.
func (n *noise) variance() float64 {
	if n.given > 0 {
		return n.given*n.given + n.dither()
	}
	return max(n.slow, n.dither(), 1e-8)
}

// settle finds the noise under the rounding and the bias that rounding leaves.
// Neighbours scatter by σ² + q²/12 less the mean square of the bias; the bias is
// that of Widrow & Kollár, Quantization Noise, 2008 (from memory), amplitude
// q/(πk)·exp(−2π²k²σ²/q²) in the harmonic k.
func (n *noise) settle() {
	if n.given > 0 {
		n.sigma = n.given
	} else {
		low, high := 0.0, math.Sqrt(n.slow)
		for range 20 {
			mid := (low + high) / 2
			v := mid*mid + n.dither()
			for k := 1.0; k <= 5; k++ {
				v -= square(n.amplitude(mid, k)) / 2
			}
			if v < n.slow {
				low = mid
			} else {
				high = mid
			}
		}
		n.sigma = (low + high) / 2
	}
	n.bias = n.amplitude(n.sigma, 1)
}

func (n *noise) amplitude(sigma, k float64) float64 {
	if n.division == 0 {
		return 0
	}
	return n.division / (math.Pi * k) * math.Exp(-2*square(math.Pi*k*sigma/n.division))
}

func square(v float64) float64 { return v * v }
