package supply

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Numbers of the estimator; see the comment of scale for how they work together.
const (
	blockLength = time.Minute
	window      = time.Hour
	minHistory  = 15 * time.Minute
	settling    = 55 * time.Minute // nearly the window, whose edges are blocks
	maxBlocks   = 90               // room for the window and its edges
	minBlocks   = 5
	lately      = 3 // blocks that say where the weight stands now

	stepAfter    = 100 * time.Second // a new level must last this long, ...
	stepReadings = 6                 // ... over this many readings

	noiseReadings = 60 // after so many the noise is known well enough

	lockedOut = 5 * time.Minute // without a reading that fits, the line is wrong

	ninetyPercent = 1.645 // two-sided normal quantile
)

// estimate is a rate with its standard deviation, in kg/s.
type estimate struct {
	rate, sd float64
	quality  reading.Quality
	// settled is false while much of the window is still to be filled.
	settled bool
}

// scale follows one container's weight.
//
// Readings are gathered in blocks of a minute, and the withdrawal rate is the
// slope of the blocks of the last hour by least squares: on a coarse display
// medians are biased, means are not. A reading far from where the blocks lead is
// set aside: if such readings come back to the old level they were a bump or an
// outlier, if they stay on a new one for over 100 s the container was changed or
// moved, and the slope starts anew there, without a false rate. What was drawn
// during a gap in the readings is real and stays in the slope. Memory is
// constant.
type scale struct {
	division float64 // kg
	first    time.Time
	last     time.Time
	blocks   [maxBlocks]block
	count    int
	open     block
	// noise is the variance of one reading as displayed, learnt from neighbours.
	noise    float64
	readings int // folded in, also those set aside
	previous float64
	off      time.Time // since when no reading has followed the line; zero while they do
	fit      line
	aside    candidates
}

// block is the mean of a minute's readings: t seconds after first, w in kg.
type block struct {
	n     float64
	t, w  float64 // sums while open, means once closed
	noise float64 // when it was closed
}

// line is the slope over the window.
type line struct {
	ok        bool
	slope, sd float64
	span      time.Duration
}

// candidates are readings that do not follow the line.
type candidates struct {
	n        int
	since    time.Time
	low, top float64
	sum      float64
}

// newScale starts with a noise of one division; the noise is learnt.
func newScale(division units.Kilograms) scale {
	s := scale{division: float64(division)}
	s.noise = s.firstNoise()
	return s
}

func (s *scale) firstNoise() float64 { return max(s.division*s.division, 0.01) }

// dither is the variance that rounding to the division adds.
func (s *scale) dither() float64 { return s.division * s.division / 12 }

// leastNoise keeps a display that stands still from calling its next step an
// outlier: that of the rounding, or 10 g where there is none (own choice).
func (s *scale) leastNoise() float64 { return max(s.dither(), 1e-4) }

// add folds one usable reading in; one not later than the last is ignored.
func (s *scale) add(at time.Time, w float64) {
	switch {
	case s.first.IsZero():
		s.restart(at, w)
		return
	case !at.After(s.last):
		return
	}
	gap := at.Sub(s.last).Seconds()
	d := w - s.previous
	s.last, s.previous = at, w
	s.noise = max(s.noise+(min(d*d/2, 9*s.noise)-s.noise)/100, s.leastNoise())
	if s.readings++; s.readings == noiseReadings && s.noise > 4*s.firstNoise() {
		// What was gathered so far was cut off by too narrow a gate.
		s.restart(at, w)
		return
	}
	expected, ok := s.expect(at)
	sigma := math.Sqrt(s.noise)
	gate := 5*sigma + s.division
	// What may have been drawn since the last reading widens the gate.
	if gap > blockLength.Seconds() {
		gate += gap * 2 * math.Abs(s.fit.slope)
	}
	if ok && math.Abs(w-expected) > gate {
		if s.off.IsZero() {
			s.off = at
		}
		switch {
		case s.aside.add(at, w, gate):
			s.restart(at, s.aside.sum/float64(s.aside.n))
		case at.Sub(s.off) > lockedOut:
			s.restart(at, w)
		}
		return
	}
	s.aside, s.off = candidates{}, time.Time{}
	s.gather(at, w)
}

// add notes a reading off the line, and reports whether a new level has settled.
func (c *candidates) add(at time.Time, w, gate float64) bool {
	if c.n == 0 || max(c.top, w)-min(c.low, w) > gate {
		*c = candidates{n: 1, since: at, low: w, top: w, sum: w}
		return false
	}
	c.n++
	c.low, c.top, c.sum = min(c.low, w), max(c.top, w), c.sum+w
	return c.n >= stepReadings && at.Sub(c.since) >= stepAfter
}

// restart forgets the history and begins at a weight.
func (s *scale) restart(at time.Time, w float64) {
	*s = scale{division: s.division, noise: s.noise, readings: s.readings, first: at, last: at, previous: w}
	s.gather(at, w)
}

// expect is where the weight should be: the last blocks carried on by the slope.
// The hour's line itself lags when the draw changes.
func (s *scale) expect(at time.Time) (float64, bool) {
	t := at.Sub(s.first).Seconds()
	if s.fit.ok {
		var n, bt, bw float64
		for _, b := range s.blocks[max(0, s.count-lately):s.count] {
			n, bt, bw = n+b.n, bt+b.n*b.t, bw+b.n*b.w
		}
		return bw/n + s.fit.slope*(t-bt/n), true
	}
	if s.open.n > 0 {
		return s.open.w / s.open.n, true
	}
	if s.count > 0 {
		return s.blocks[s.count-1].w, true
	}
	return 0, false
}

// gather puts a reading into its minute, closing the one before.
func (s *scale) gather(at time.Time, w float64) {
	t := at.Sub(s.first).Seconds()
	if s.open.n > 0 && math.Floor(t/blockLength.Seconds()) > math.Floor(s.open.t/s.open.n/blockLength.Seconds()) {
		s.close()
	}
	s.open.n++
	s.open.t += t
	s.open.w += w
}

// close makes the open block a mean, forgets what has left the window, and fits
// the line anew.
func (s *scale) close() {
	b := block{s.open.n, s.open.t / s.open.n, s.open.w / s.open.n, s.noise}
	s.open = block{}
	old := 0
	for old < s.count && (b.t-s.blocks[old].t > window.Seconds() || s.count-old == maxBlocks) {
		old++
	}
	copy(s.blocks[:], s.blocks[old:s.count])
	s.count -= old
	s.blocks[s.count] = b
	s.count++
	s.refit()
}

// refit is ordinary least squares over the blocks. The standard deviation joins
// the scatter of the blocks, not less than the noise of the readings allows; their
// misfit to a line; the display's bias that does not average out in a short
// window, a/T for an amplitude a = q/π·exp(−2π²σ²/q²) (Widrow & Kollár,
// Quantization Noise, 2008, from memory); and a slow drift of one division a day
// (own choice). It is about the rate of the window, which follows a change of the
// true rate within the hour.
func (s *scale) refit() {
	n := float64(s.count)
	s.fit = line{}
	if s.count < 2 {
		return
	}
	blocks := s.blocks[:s.count]
	var mt, mw, readings, noise float64
	quietest := s.noise
	for _, b := range blocks {
		mt += b.t / n
		mw += b.w / n
		readings += b.n / n
		noise += b.noise / n
		quietest = min(quietest, b.noise) // a display about to step looks noisy
	}
	var tt, tw, ww float64
	for _, b := range blocks {
		tt += (b.t - mt) * (b.t - mt)
		tw += (b.t - mt) * (b.w - mw)
		ww += (b.w - mw) * (b.w - mw)
	}
	if tt == 0 {
		return
	}
	slope := tw / tt
	length := blocks[s.count-1].t - blocks[0].t
	s.fit = line{slope: slope, span: time.Duration(length * float64(time.Second)), ok: s.count >= minBlocks}
	if s.count < 3 {
		return
	}
	scatter, expected := (ww-slope*tw)/(n-2), noise/readings
	variance := max(scatter, expected) / tt
	// Blocks that do not lie on a line: a step too small to be told from noise, say.
	// Of one in the middle of the window the misfit tells the slope's error.
	if misfit := scatter - 2*expected - s.dither(); misfit > 0 {
		variance += misfit * square(4/length)
	}
	if s.division > 0 {
		bias := s.division / math.Pi * math.Exp(-2*math.Pi*math.Pi*max(0, quietest-s.dither())/(s.division*s.division))
		variance += square(1.7*bias/length) + square(2.22*s.division/(24*3600))
	}
	s.fit.sd = math.Sqrt(variance)
}

func square(v float64) float64 { return v * v }

// withdrawal is the rate at which the weight falls.
func (s *scale) withdrawal() estimate {
	if !s.fit.ok || s.fit.span < minHistory {
		return estimate{quality: reading.BadBecause(reading.Learning)}
	}
	return estimate{rate: -s.fit.slope, sd: s.fit.sd, quality: reading.GoodQuality(), settled: s.fit.span >= settling}
}
