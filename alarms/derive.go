package alarms

import (
	"math"
	"time"
)

// derive makes the sample that is judged out of those of the figures.
func (a *alarm) derive(elapsed time.Duration, samples []Sample) Sample {
	in := samples[a.input]
	switch a.Kind {
	case Stale:
		return Sample{Value: bit(!in.usable()), Usable: true, Quality: in.Quality, Detail: in.Detail}
	case Deviation:
		if !in.usable() {
			return in
		}
		other := samples[a.other]
		if !other.usable() {
			return Sample{Quality: other.Quality, Detail: "has nothing to be compared with: " + a.Other + " " + other.Detail}
		}
		in.Value = math.Abs(in.Value - other.Value)
		if in.Quality == "good" {
			in.Quality, in.Detail = other.Quality, other.Detail
		}
	case Rising, Falling:
		if !in.usable() {
			a.slope.gap += elapsed
			return in
		}
		rate, ok := a.slope.add(elapsed, in.Value)
		if !ok {
			return Sample{Quality: "bad:not-yet-known", Detail: a.slope.short}
		}
		in.Value = rate
		if a.Kind == Falling {
			in.Value = -rate
		}
	case Stuck:
		if !in.usable() { // it may be stuck behind that
			return in
		}
		moves := a.other < 0 || samples[a.other].usable() && samples[a.other].Value > 0
		in.Value = a.still.add(elapsed, in.Value, a.Play, moves).Seconds()
		if a.active && !a.still.moved && a.gone(in.Value) { // after a restart
			return Sample{Quality: "bad:not-yet-known", Detail: "has not moved since the start"}
		}
	}
	return in
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// stillness measures how long a value has not moved.
type stillness struct {
	at          float64
	seen, moved bool
	time        time.Duration
}

// add takes the next value. Time counts only while the value should move.
func (s *stillness) add(elapsed time.Duration, v, play float64, moves bool) time.Duration {
	if !s.seen || math.Abs(v-s.at) > play {
		*s = stillness{at: v, seen: true, moved: s.seen}
	} else if moves {
		s.time += elapsed
	}
	return s.time
}

// spans is how many means of equal spans stand for a window.
const spans = 16

// slope takes the slope of a value over a window: the least-squares line through
// the means of the window's spans. Its memory is constant.
type slope struct {
	window time.Duration
	// short says why there is no slope yet.
	short string
	// age is the time since the first sample, since that in the present span, gap
	// that without samples.
	age, since, gap time.Duration
	past            [spans]span
	n, next         int
	now             span
}

// span is the mean time, in seconds after the first sample, and value of a span.
type span struct {
	t, v  float64
	count int
}

func newSlope(window time.Duration) *slope {
	return &slope{window: window, short: "has not been taken over " + window.String() + " yet"}
}

// add takes the next value and returns the slope per second, once samples cover
// the window. After a gap of a quarter of the window it starts anew: a line over
// both sides of a gap would be made up.
func (s *slope) add(elapsed time.Duration, v float64) (float64, bool) {
	elapsed += s.gap
	s.gap = 0
	if elapsed > s.window/4 {
		*s = slope{window: s.window, short: s.short}
	} else {
		s.age += elapsed
		s.since += elapsed
	}
	if s.since >= s.window/spans && s.now.count > 0 {
		s.past[s.next] = s.now
		s.next = (s.next + 1) % spans
		s.n = min(s.n+1, spans)
		s.now, s.since = span{}, 0
	}
	s.now.count++
	s.now.t += (s.age.Seconds() - s.now.t) / float64(s.now.count)
	s.now.v += (v - s.now.v) / float64(s.now.count)
	if s.age < s.window {
		return 0, false
	}
	return s.fit(), true
}

// fit is the least-squares slope through the spans that lie in the window.
func (s *slope) fit() float64 {
	from := (s.age - s.window).Seconds()
	var n, t, v float64
	for _, p := range s.past[:s.n] {
		if p.t >= from {
			n, t, v = n+1, t+p.t, v+p.v
		}
	}
	t, v = (t+s.now.t)/(n+1), (v+s.now.v)/(n+1)
	var tv, tt float64
	for _, p := range s.past[:s.n] {
		if p.t >= from {
			tv += (p.t - t) * (p.v - v)
			tt += (p.t - t) * (p.t - t)
		}
	}
	tv += (s.now.t - t) * (s.now.v - v)
	tt += (s.now.t - t) * (s.now.t - t)
	if tt == 0 {
		return 0
	}
	return tv / tt
}
