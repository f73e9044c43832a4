package supply

import (
	"math"
	"time"
)

// Numbers of the gate; see the comment of scale for how they work together.
const (
	stepAfter    = 100.0 // s; a new level must last this long, ...
	stepReadings = 6     // ... over this many readings
	lockedOut    = 300.0 // s without a reading that fits: the line is wrong
	longGap      = 120.0 // s after which what was drawn meanwhile is not foreseen
	droppedOut   = 300.0 // s without a reading
	lively       = 0.35  // of a division is a noise that shows wherever the weight stands
	dueShare     = 0.5   // of a division that should have gone under a lively display that stops
	bumpAfter    = 10.0  // s off the line, over three readings
	// A container is another one when the weight differs by this share of what it
	// can hold (own choice).
	changedShare = 0.25
	removedShare = 0.35 // of the tare; less than that is no container
	putBackShare = 0.01 // of what it can hold: the same container as before
	fullShare    = 1.05 // a net weight above that is a wrong tare (own choice)
)

// scale follows the weight on one scale.
//
// What the feed explains is added back to the weight, so that the rest stands
// still or drifts slowly whatever the demand does. A reading far from where the
// rest leads is set aside: if such readings come back to the old level they were
// a bump or an outlier; if they stay on a new level for over 100 s the container
// was changed or moved, and the jump is taken out, without a false rate; if they
// find no level in five minutes, or slope, the chlorine has really gone. What was
// drawn during a gap in the readings is real too. Memory is constant. The method
// is a Kalman filter of level and slope for the gate (Bar-Shalom, Li, Kirubarajan
// 2001, from memory) and least squares for the rate.
type scale struct {
	noise  noise
	series series
	// capacity is what the container can hold, removed the net weight under which
	// none is there, tare the empty weight; kg.
	capacity, removed, tare float64
	drift, wander           float64 // kg; peak to peak in a day, standard deviation
	began                   bool
	last, previous          float64 // the last reading: s, kg
	interval                float64 // s between readings, learnt
	offset                  float64 // kg added to the net weight
	feed                    float64 // kg/s that the feed takes from this scale
	used, usedAt            float64 // kg that it has taken, until s
	trust                   float64 // kg/s of slope that the feed leaves unexplained
	gate                    gate
	off                     bool // no container is there
	before                  float64
	out                     bool // no readings come
	still                   still
	aside                   candidates
	astray                  int     // readings off the line in a row
	astraySince             float64 // s
	minute                  sums    // since the gate was last moved on
	anchored                float64 // s; when the gate was begun anew
	anew                    bool    // what was gathered before is not to be compared
	swapTold                bool
	events                  *[]Event
	index                   int
	origin                  time.Time
}

// gate is the level and slope of what the feed does not explain.
type gate struct {
	at, level, slope float64 // s, kg, kg/s
	p11, p12, p22    float64
}

// still tells a display that stands still from one that has nothing to show.
type still struct {
	since   float64 // s; the first reading of the run
	n       int
	gate    gate    // as it was then: a display that stands still must not teach it
	implied float64 // kg that should have gone since
	stuck   bool
}

// candidates are readings that do not follow the line.
type candidates struct {
	since, used float64
	low, top    float64
	sums        // times in s after since
}

func (s *scale) sigma() float64 {
	return math.Sqrt(max(s.noise.fast, s.noise.given*s.noise.given+s.noise.dither()))
}

func (s *scale) tell(k EventKind, at, from, to float64) {
	*s.events = append(*s.events, Event{k, s.origin.Add(time.Duration(at * float64(time.Second))), s.index, from, to})
}

// add folds one usable reading in: t seconds after the origin, w kg net. One not
// later than the last is ignored.
func (s *scale) add(t, w float64) {
	if !s.began {
		s.begin(t, w)
		return
	}
	if t <= s.last {
		return
	}
	s.carry(t)
	if s.out {
		s.out = false
		s.tell(Recovered, t, s.previous, w)
	}
	s.interval += (min(t-s.last, 10*s.interval) - s.interval) / 50
	if s.noise.add(w) && !s.off {
		// What was gathered so far was cut off by too narrow a gate.
		s.offset, s.series = 0, series{now: s.series.now, t0: float64(s.series.now)}
		s.begin(t, w)
		s.anew = true
		return
	}
	if s.noise.otherStep() && !s.swapTold {
		s.swapTold = true
		s.tell(Swapped, t, s.noise.division, s.noise.step)
	}
	s.watch(t, w)
	gap := t - s.last
	s.last, s.previous = t, w
	switch {
	case s.off:
		s.returning(t, w)
	case !s.still.stuck:
		s.judge(t, w, gap)
	}
}

func (s *scale) begin(t, w float64) {
	if s.interval == 0 {
		s.interval = 10
	}
	s.began, s.last, s.previous = true, t, w
	s.carry(t)
	s.still = still{since: t, n: 1}
	s.off = w < s.removed
	s.before = w
	s.anchor(t, w+s.used)
	s.still.gate = s.gate
	if !s.off {
		s.take(t, w+s.used)
	}
}

// anchor starts the gate at a level whose slope is not known.
func (s *scale) anchor(t, z float64) {
	v := s.noise.variance()
	s.gate = gate{at: t, level: z, p11: 100 * v, p22: square(float64(poundsPerDay(500)))}
	s.aside, s.astray, s.minute, s.anchored = candidates{}, 0, sums{}, t
}

// carry counts what the feed takes up to a time.
func (s *scale) carry(t float64) {
	if !s.off {
		s.used += s.feed * (t - s.usedAt)
	}
	s.usedAt = t
}

// feeds changes what the feed takes from this scale; open tells that the slope
// may be another one from now on.
func (s *scale) feeds(t, feed float64, open bool) {
	s.carry(t)
	if open {
		s.gate.p22 += square(max(feed, s.feed))
	}
	s.feed = feed
}

// judge takes a reading that follows the line, and sets one aside that does not.
func (s *scale) judge(t, w, gap float64) {
	z := w + s.used + s.offset
	dt := t - s.gate.at
	expected := s.gate.level + s.gate.slope*dt
	sigma := s.sigma()
	spread := math.Sqrt(s.gate.ahead(dt) + sigma*sigma)
	width := 4*spread + s.noise.division/2
	long := gap > max(longGap, 3*s.interval)
	if long {
		width += 0.5 * math.Abs(s.feed-s.gate.slope) * gap
	}
	if d := z - expected; math.Abs(d) <= width {
		if s.astray >= 3 && t-s.astraySince >= bumpAfter {
			s.tell(Bump, s.astraySince, expected-s.used-s.offset, s.aside.z/s.aside.n-s.aside.used-s.offset)
		}
		s.aside, s.astray = candidates{}, 0
		if long {
			s.gate.at, s.gate.level, s.gate.p11, s.gate.p12 = t, z, sigma*sigma, 0
			s.minute = sums{}
			expected = z
		}
		limit := 3*spread + s.noise.division/2
		s.take(t, expected+min(max(z-expected, -limit), limit))
		return
	}
	if s.astray == 0 {
		s.astraySince = t
	}
	s.astray++
	if !s.aside.settled(t, z, s.used, 6*sigma+2*s.noise.division) {
		if t-s.astraySince > lockedOut {
			s.tell(Relearnt, s.astraySince, expected-s.used-s.offset, w)
			slope := (z - expected) / (t - s.astraySince)
			s.series.begin()
			s.anchor(t, z)
			s.gate.slope, s.gate.p22 = slope, s.gate.p22+slope*slope
			s.take(t, z)
		}
		return
	}
	c := s.aside
	if s.astraySince-s.anchored < lockedOut && math.Abs(z-expected) < changedShare*s.capacity {
		// The first ones were wrong.
		s.series.forget(int(s.anchored / 60))
		s.series.begin()
		s.anchor(t, z)
		s.anew = true
		return
	}
	tt, tz, _ := c.centred()
	mean := c.z / c.n
	expected = s.gate.level + s.gate.slope*(c.since+c.t/c.n-s.gate.at)
	more := tz/tt - s.gate.slope
	sure := 5.0
	if math.Abs(mean-expected-more*c.t/c.n) < 2*width {
		sure = 3 // it leaves the line where a draw would
	}
	if slope := tz / tt; math.Abs(more) > sure*math.Sqrt(sigma*sigma/tt+s.gate.p22) {
		// No level but a slope: a draw, not a jump.
		s.series.begin()
		s.anchor(t, z)
		s.gate.slope, s.gate.p22 = slope, s.gate.p22+more*more
		return
	}
	s.jump(t, expected, mean)
}

// jump understands a weight that has moved to a new level at once.
func (s *scale) jump(t, expected, mean float64) {
	c := s.aside
	from, to := expected-s.used-s.offset, mean-s.used-s.offset
	if to < s.removed {
		// Nothing is drawn from a container that hangs on a hoist.
		s.off, s.before = true, from
		s.used = c.used
		s.gate.at, s.gate.level = t, s.gate.level+s.gate.slope*(c.since-s.gate.at)
		s.tell(Removed, c.since, from, to)
		s.aside, s.astray = candidates{}, 0
		return
	}
	s.explain(c.since, from, to)
	s.offset -= mean - expected
	s.aside, s.astray = candidates{}, 0
	s.series.snap()
}

// returning waits for a container to stand on the scale again.
func (s *scale) returning(t, w float64) {
	if w < s.removed {
		s.aside = candidates{}
		return
	}
	if !s.aside.settled(t, w, 0, 6*s.sigma()+2*s.noise.division) {
		return
	}
	c := s.aside
	mean := c.z / c.n
	s.off = false
	if math.Abs(mean-s.before) < max(10*s.sigma(), putBackShare*s.capacity) {
		s.tell(PutBack, c.since, s.before, mean)
	} else {
		s.explainChange(c.since, s.before, mean)
	}
	// A container comes back into use with its weight, and its slope, where it left
	// off.
	slope := s.gate.slope
	level := s.gate.level + slope*c.t/c.n
	s.offset = level - mean - s.used
	s.anchor(t, level+slope*(t-c.since-c.t/c.n))
	s.anchored = t - lockedOut // its weight is known well enough to tell a step
	s.gate.slope = slope
	s.series.snap()
}

func (s *scale) explain(at, from, to float64) {
	ratio := (to + s.tare) / (from + s.tare)
	switch {
	case math.Abs(ratio*poundKilograms-1) < 0.01 || math.Abs(ratio/poundKilograms-1) < 0.01:
		s.tell(Swapped, at, from, to)
	case math.Abs(to-from) > changedShare*s.capacity:
		s.explainChange(at, from, to)
	default:
		s.tell(Step, at, from, to)
	}
}

func (s *scale) explainChange(at, from, to float64) {
	s.tell(Changed, at, from, to)
	if to > fullShare*s.capacity {
		s.tell(TareWrong, at, s.capacity, to)
	}
}

// settled notes a reading off the line, and reports whether a new level has
// settled.
func (c *candidates) settled(t, z, used, width float64) bool {
	if c.n == 0 || max(c.top, z)-min(c.low, z) > width {
		*c = candidates{since: t, used: used, low: z, top: z}
	}
	c.low, c.top = min(c.low, z), max(c.top, z)
	c.add(t-c.since, z)
	return c.n >= stepReadings && t-c.since >= stepAfter
}

// take puts a reading into its minute.
func (s *scale) take(t, z float64) {
	s.series.gather(1, t/60, z)
	s.minute.add(t-s.gate.at, z-s.gate.level)
}

// watch tells a stuck display: a run of equal readings much longer than usual
// while at least a step should have gone, or a run in which several should have.
func (s *scale) watch(t, w float64) {
	r := &s.still
	q, sigma := s.noise.division, s.noise.sigma
	if w != s.previous {
		s.noise.toggle(true)
		if r.stuck {
			s.tell(Recovered, t, s.previous, w)
			s.last = r.since // the time stuck is a gap
			s.gate.p22 += square(s.feed)
		}
		*r = still{since: t, n: 1, gate: s.gate}
		return
	}
	if r.n++; float64(r.n)*s.noise.change < 10 {
		s.noise.toggle(false)
	}
	if s.off || r.stuck {
		return
	}
	// What should go at least, as far as the slope is known.
	rate := s.feed
	if r.since-s.anchored > lockedOut {
		rate -= r.gate.slope + math.Sqrt(r.gate.p22)
	}
	r.implied += max(0, rate) * (t - s.last)
	// Without a feed signal a quiet display that stops looks like a draw that stops.
	due := s.feed > 0 && r.implied > 3*q+6*sigma && r.n > 3
	quiet := s.feed == 0 && sigma < lively*q
	if due || !quiet && float64(r.n)*s.noise.change > 30 && r.implied > dueShare*max(q, sigma) {
		r.stuck = true
		s.tell(Stuck, r.since, w+r.implied, w)
		s.series.forget(int(r.since / 60))
		s.minute, s.gate = sums{}, r.gate
	}
}

// miss tells when no reading has come for too long.
func (s *scale) miss(t float64) {
	if s.began && !s.out && t-s.last >= max(droppedOut, 5*s.interval) {
		s.out = true
		s.tell(DroppedOut, s.last, s.previous, s.previous)
	}
}

// tick ends a minute t seconds after the origin.
func (s *scale) tick(t float64) {
	s.carry(t)
	s.series.close(s.used)
	if s.series.now%60 == 1 {
		s.noise.settle()
	}
	if s.minute.n > 0 {
		dt := s.minute.t / s.minute.n
		s.gate.update(dt, s.minute.z/s.minute.n, s.noise.variance()/s.minute.n, s.wandering(), s.minute.n >= 3)
		s.minute = sums{}
	}
}

// wandering is how fast the slope of the rest may change, kg²/s³: the drift of
// the scale, the error of the feed, and 2 lb/d in a day (own choice).
func (s *scale) wandering() float64 {
	const day = 86400
	return (2*square(0.71*2*math.Pi*s.drift) + square(day*s.trust) + 4*square(poundKilograms)) / (day * day * day)
}

// ahead is the variance of the level some seconds on.
func (g *gate) ahead(dt float64) float64 { return g.p11 + dt*(2*g.p12+dt*g.p22) }

// update is one step of a Kalman filter with the mean of a minute, dt seconds on
// and d kg from the level. A minute far from what was foreseen opens both, if it may.
func (g *gate) update(dt, d, variance, q float64, may bool) {
	p11, p12, p22 := g.ahead(dt)+q*dt*dt*dt/3, g.p12+dt*g.p22+q*dt*dt/2, g.p22+q*dt
	innovation := d - g.slope*dt
	if may && innovation*innovation > 16*(p11+variance) {
		// A jump or a slope: the next minute tells.
		p11, p22 = p11+square(innovation), p22+square(innovation/dt)
	}
	k1, k2 := p11/(p11+variance), p12/(p11+variance)
	g.at += dt
	g.level += g.slope*dt + k1*innovation
	g.slope += k2 * innovation
	g.p11, g.p12, g.p22 = (1-k1)*p11, (1-k1)*p12, p22-k2*p12
}
