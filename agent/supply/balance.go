package supply

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
)

// Thresholds of the balance, in standard deviations of white noise, are those at
// which a simulated year has one false alarm; own study.
const (
	hingeFalse, lineFalse = 4.9, 5.06
	lostFalse             = 4.5
	feedSure              = 3.5  // of the error of the feed
	slowFalse             = 3.4  // of the day against the day before
	leakRuns              = 1    // minutes; the thresholds are for one
	lostRuns              = 1    // minute
	lostCleared           = 2    // minutes
	lostAtLeast           = 1200 // s, by which the half hour shows it
	slowEvery             = 15   // minutes
	leastLevel            = 40   // minutes of level before a slope begins
	overRuns              = 2    // minutes
	clearRuns             = 30   // minutes without a sign
	gainDays              = 10   // over which the gain of the feed is learnt
	stands                = 3    // minutes that a scale's last one stands in
	longBlind             = 10   // minutes after which no level is sure
	bumpMinutes           = 3    // that a bump of 90 s can touch
	calmMinutes           = 6    // that a minute is judged by
	unknownGain           = 0.1  // trust in a feed whose gain is not learnt yet
)

// leastGain and mostGain bound what a unit of the feed signal can be.
const leastGain, mostGain = 0.5, 2.0

// ReportableQuantity is the release of chlorine within 24 h that has to be reported
// at once, 10 lb in kg. Source: 40 CFR 302.4 (from memory).
const ReportableQuantity = 10 * poundKilograms

// balanceWindows are spread evenly by their ratio from 4 to 500 minutes.
var balanceWindows = func() (w [26]int) {
	for i := range w {
		w[i] = int(math.Round(4 * math.Pow(125, float64(i)/float64(len(w)-1))))
	}
	return w
}()

// balance compares what the scales of a bank lose with what the feed explains.
//
// The weights of all containers together and what was fed are one series that
// stands still while the books agree. A generalised likelihood ratio over windows
// of 4 to 500 minutes, as a plain slope and as a level that begins to slope, tells
// when it does not (Basseville & Nikiforov, Detection of Abrupt Changes, 1993, from
// memory). What the drift of the scales and the error of the feed can do is allowed
// for first. A slow loss shows by the day against the day before.
type balance struct {
	series   series
	variance float64 // of one reading of all scales, kg²
	// drift, wander and bias of all scales together, kg.
	drift, wander, bias float64
	used                float64 // kg that the feed has taken
	usedAt              float64
	signal              float64 // kg by the feed signal itself, without its gain
	signals             [dayMinutes / slowEvery]float64
	quarters            int
	since               int // minute of the last jump or gap, before which no level is sure
	days                [dayMinutes / slowEvery]float64
	dayCount            int
	leak, lost, over    sign
	leakSize            float64 // kg/s, when it was raised
	leakWindow          int     // minutes that showed it
	leakFrom            int     // the minute from which they did
	slow                bool
	slowBase, slowAt    float64
	learnt              int     // quarter hours of gain
	gainError           float64 // share, of one day
	blind               int     // minutes since all scales were seen
	tainted             int     // the last minute of a loss of feed
	unknown             int     // the last minute without a feed signal
	aside               [bumpMinutes]minute
	setAside            int
}

// sign is something that is raised after some minutes of evidence and cleared
// after some without.
type sign struct {
	raised    bool
	runs, not int
	at        float64 // s; when it was raised
}

func (s *sign) see(evidence bool, runs, clear int, t float64) {
	if evidence {
		s.runs++
		s.not = 0
	} else {
		s.runs = 0
		s.not++
	}
	switch {
	case !s.raised && s.runs >= runs:
		s.raised, s.at = true, t
	case s.raised && s.not >= clear:
		s.raised = false
	}
}

// carry counts what the feed takes up to a time.
func (b *balance) carry(t float64, f *feed) {
	b.used += f.drawn() * (t - b.usedAt)
	b.signal += f.rate * (t - b.usedAt)
	b.usedAt = t
}

// gather makes one minute of all scales. A scale that is read seldom stands in with
// its last minute, since what the feed does not explain hardly moves.
func (b *balance) gather(cs []container, jumped bool) {
	var z, at, n, v, mean, wander float64
	b.drift, b.bias = 0, 0
	whole, fresh := true, false
	for i := range cs {
		s := &cs[i].scale
		v += s.noise.variance()
		b.drift += s.drift
		b.bias += s.noise.bias
		wander += square(s.wander)
		if s.off {
			z += s.gate.level - s.used
			whole = whole && !cs[i].drawn
			continue
		}
		ago := 0
		m := s.series.since(1, 0)
		for ; m.n == 0 && ago < stands && ago+2 <= s.series.length(); ago++ {
			m = s.series.since(ago+2, ago+1)
		}
		if m.n == 0 {
			whole = false
			continue
		}
		fresh = fresh || ago == 0
		z += m.z/m.n + s.series.z0 - s.used
		at += m.t/m.n + s.series.t0 + float64(ago)
		n++
		mean += s.noise.variance() / m.n
	}
	b.variance, b.wander = v, math.Sqrt(wander)
	if whole && fresh {
		b.take(minute{v / mean, at / n, z + b.used})
	}
	b.series.close(b.used)
	if b.blind++; whole && n > 0 {
		b.blind = 0
	}
	if jumped {
		b.series.snap()
	}
	if jumped || b.blind > longBlind {
		b.since = b.series.now
	}
}

// minute is the mean of all scales in a minute, and as how many readings it counts.
type minute struct{ n, at, z float64 }

// take sets a minute aside that is far from the last ones, as a hand on a container or
// a bump too small for the gate makes it, and gives it back when too many follow.
func (b *balance) take(m minute) {
	last := b.series.since(min(calmMinutes, b.series.length()), 0)
	calm := b.series.now-max(b.since, b.unknown) > calmMinutes && last.n > 0
	expected := b.series.z0 + last.z/last.n
	if f := b.series.line(hour); f.span() > hour/2 {
		expected += f.slope * (m.at - b.series.t0 - last.t/last.n)
	}
	if sd := math.Sqrt(b.variance * (1/m.n + 1/last.n)); calm && math.Abs(m.z-expected) > 3*sd+math.Pi*b.bias {
		if b.setAside < len(b.aside) {
			b.aside[b.setAside] = m
			b.setAside++
			return
		}
		for _, a := range b.aside {
			b.series.gather(a.n, a.at, a.z)
		}
	}
	b.setAside = 0
	b.series.gather(m.n, m.at, m.z)
}

// line is a plain slope over the last m minutes, in kg/s, with the standard
// deviation that noise alone gives it.
func (b *balance) line(m int) (slope, sd, days float64, ok bool) {
	return b.judged(b.series.line(m), m)
}

func (b *balance) judged(f fit, m int) (slope, sd, days float64, ok bool) {
	if f.tt <= 0 || f.n < 3 {
		return 0, 0, 0, false
	}
	return f.slope / 60, math.Sqrt(b.variance/f.tt) / 60, float64(m) / dayMinutes, true
}

// allowance is what drift, rounding and the error of the feed can make of a slope, in
// kg/s; gain is how a constant slope shows in it.
func (b *balance) allowance(days, feedError, gain float64) float64 {
	return gain*(math.Pi*b.drift/secondsPerDay+feedSure*feedError) + 3*b.bias/days/secondsPerDay
}

// fed is what the feed has taken in the last minutes, in kg/s.
func (b *balance) fed(minutes int) float64 {
	return b.series.used(minutes) / float64(60*max(1, min(minutes, b.series.length())))
}

// wandering is the standard deviation that noise and wander together give a slope, in
// kg/s; gain is how the wander of a straight line shows in it.
func (b *balance) wandering(sd, days, gain float64) float64 {
	return math.Hypot(sd, gain*b.wander*math.Sqrt(7.2/days)/secondsPerDay)
}

// holds reports that a slope shows without the last minutes too, which a bump may have
// bent; level is that of the hinge, or 0.
func (b *balance) holds(m, level int, slope float64) bool {
	f, _ := b.series.hinge(m, level, bumpMinutes)
	before, _, _, ok := b.judged(f, m)
	return ok && before/slope > 0.5
}

// watch looks for a loss that no feed explains, for a feed that draws nothing, and
// for a draw over the limit.
func (b *balance) watch(t float64, f *feed, limit float64, limited bool) {
	if b.series.now == 0 {
		return
	}
	sure := b.series.now - b.since - calmMinutes // a hand may still be on the container
	mistrust := b.mistrust(f)
	lost, over := false, false
	strongest, size, window := 0.0, 0.0, 0 // of the signs of a leak
	for _, m := range balanceWindows {
		if m > sure {
			break
		}
		slope, sd, days, ok := b.line(m)
		if !ok {
			continue
		}
		if limited && m >= 6 && m <= 150 {
			rate := b.series.used(m)/float64(60*m) - slope
			over = over || rate-4.9*sd-(math.Pi*b.drift+3*b.bias/days)/secondsPerDay > limit
		}
		if !f.known || m > b.series.now-b.unknown {
			continue
		}
		level := max(2*m, leastLevel)
		// What a feed was out by shows while the window sees it, even when it has stopped.
		feedError := mistrust * max(f.drawn(), b.fed(m), b.fed(m+level))
		test := func(level int, slope, sd, false, gain, wander float64) {
			allowed := b.allowance(days, feedError, gain)
			sd = b.wandering(sd, days, wander)
			if sign := -slope / (allowed + false*sd); sign > strongest && (sign < 1 || b.holds(m, level, slope)) {
				strongest, size, window = sign, -slope, m
			}
			// The likelihood of a slope as great as the feed against none.
			if u := f.drawn(); u > 0 && (slope-allowed-u/2)*u > lostFalse*lostFalse/2*sd*sd {
				lost = lost || b.holds(m, level, slope)
			}
		}
		test(0, slope, sd, lineFalse, 1, 1)
		if m+level <= sure && m+level <= b.series.now-b.unknown {
			f, gain := b.series.hinge(m, level, 0)
			if slope, sd, _, ok := b.judged(f, m); ok {
				test(level, slope, sd, hingeFalse, gain, 1.3)
			}
		}
	}
	was, had := b.leak.raised, b.lost.raised
	leak := strongest > 1
	if b.leak.raised {
		leak = b.leaks(mistrust * max(f.drawn(), b.fed(hour)))
	} else if leak {
		b.leakSize, b.leakWindow, b.leakFrom = size, window, b.series.now-window
	}
	if b.lost.raised {
		slope, _, _, ok := b.line(2 * quarter)
		lost = t-b.lost.at < lostAtLeast || ok && slope > f.drawn()/2 && f.drawn() > 0
	}
	// What is raised stays so while nothing can be seen.
	if b.blind == 0 && f.known {
		b.lost.see(lost, lostRuns, lostCleared, t)
		b.leak.see(leak && !b.lost.raised, leakRuns, clearRuns, t)
	}
	if b.blind == 0 && limited {
		b.over.see(over, overRuns, quarter, t)
	}
	if b.lost.raised {
		b.tainted = b.series.now
	}
	if was != b.leak.raised && was || had != b.lost.raised {
		b.since = b.series.now
	}
}

// leaks reports that a leak which was raised still shows: by a good part of what has
// been lost since it began, as far as that can be told. The window that raised it shows
// it too great, since it is the one in which chance helped most.
func (b *balance) leaks(feedError float64) bool {
	whole, _, _, ok := b.line(b.series.now - b.leakFrom)
	slope, sd, days, also := b.line(max(hour, 2*b.leakWindow))
	sd = math.Hypot(b.wandering(sd, days, 1), 2.22*b.drift/secondsPerDay+feedError)
	return ok && also && -slope > max(0.3*min(b.leakSize, -whole), sd)
}

// slowly compares the day with the day before, for a loss too slow for an hour,
// and learns the gain of the feed. A loss that lasts for weeks becomes part of the
// gain.
func (b *balance) slowly(f *feed) (learnt bool) {
	// What the signal itself has shown in a day, whatever the gain was then.
	shown := b.signal - b.signals[b.quarters%len(b.signals)]
	b.signals[b.quarters%len(b.signals)] = b.signal
	b.quarters++
	change, lag, n1, n2 := b.series.day()
	if lag == 0 || !f.known || b.series.now-max(b.unknown, b.tainted) < dayMinutes+dayEdge {
		b.dayCount = 0
		return false
	}
	used := b.series.used(dayMinutes)
	// Half the day before foretells the day best, if what the feed is out by lasts
	// about a day (own choice, as is the share of the feed error that is left).
	sd := math.Sqrt(3*(square(b.wander)+square(0.01*poundKilograms)+square(0.7*b.bias)) + square(0.75*f.trust*used) +
		1.25*b.variance*(1/n1+1/n2) + b.jumps())
	if !f.given {
		sd *= math.Sqrt(1 + dayMinutes/slowEvery/max(1, float64(b.learnt))) // while the gain is new
	}
	before := b.days[b.dayCount%len(b.days)] / 2
	b.days[b.dayCount%len(b.days)] = change
	b.dayCount++
	switch {
	case b.slow:
		b.slow = change-b.slowBase < -slowFalse*sd/2
	case (f.given || b.learnt > 2*len(b.days)) && b.dayCount > len(b.days) && change-before < -slowFalse*sd:
		b.slow, b.slowBase, b.slowAt = true, before, b.usedAt
	}
	if used <= 0 || (b.slow || b.leak.raised) && b.learnt < len(b.days) {
		return false
	}
	b.gainError = math.Sqrt(b.variance*(1/n1+1/n2)+1.9*square(b.wander)+square(b.bias)) / used
	b.learnt = min(b.learnt+1, gainDays*dayMinutes/slowEvery)
	if f.given {
		return false
	}
	if shown <= 0 {
		return false
	}
	off := 1 - (used-change)/(f.gain*shown)
	if b.learnt > len(b.days) {
		// One day with a loss must not teach the gain.
		off = min(max(off, -feedSure*f.trust), feedSure*f.trust)
	}
	f.gain = min(max(f.gain*(1-off/float64(b.learnt)), leastGain), mostGain)
	if b.learnt == 1 {
		b.since, b.dayCount = b.series.now, 0
	}
	return true
}

// mistrust is the share by which the feed may be out, with what is not known yet of
// its gain.
func (b *balance) mistrust(f *feed) float64 {
	switch {
	case f.given:
		return f.trust
	case b.learnt == 0:
		return unknownGain
	}
	return math.Hypot(f.trust, 0.5*b.gainError*math.Sqrt(max(1, dayMinutes/slowEvery/float64(b.learnt))))
}

// jumps is the variance of the jumps that were taken out in the last two days.
func (b *balance) jumps() float64 {
	var v float64
	for i := 0; i < maxBreaks && i < b.series.broken; i++ {
		if b.series.now-b.series.breaks[i] < 2*dayMinutes+dayEdge {
			v += b.variance / 3
		}
	}
	return v
}

// Balance holds what the books of a bank say. Its figures are bad while no feed
// signal is known.
type Balance struct {
	// LossHour is what the scales lost in the last hour more than the feed explains,
	// in kg/s; LossDay is that of the last 24 h, in kg. A gain is negative.
	LossHour, LossDay Value
	// Watched is good while a loss and a loss of feed would be seen; what is raised
	// stays raised while it is bad.
	Watched reading.Quality
	// Leak is raised when a loss that nothing explains is sure, FeedLost when the
	// feed should draw and the weight stands still, OverLimit when the withdrawal is
	// surely over the limit. Each has its time; zero when it is not raised.
	Leak, FeedLost, OverLimit time.Time
	// Gain is what the scales have shown a unit of the feed signal to be.
	Gain float64
	// Smallest is the least steady loss that can be told from an error of the feed,
	// in kg/s, however long one waits.
	Smallest float64
}

// result makes the figures.
func (b *balance) result(f *feed, origin time.Time) Balance {
	r := Balance{Gain: f.gain, Smallest: f.trust * f.drawn()}
	when := func(t float64) time.Time { return origin.Add(time.Duration(t * float64(time.Second))) }
	if b.leak.raised {
		r.Leak = when(b.leak.at)
	} else if b.slow {
		r.Leak = when(b.slowAt)
	}
	if b.lost.raised {
		r.FeedLost = when(b.lost.at)
	}
	if b.over.raised {
		r.OverLimit = when(b.over.at)
	}
	missing := func(minutes int) (reading.Quality, bool) {
		switch {
		case !f.known || b.blind > 0:
			return reading.BadBecause(reading.Missing), true
		case b.series.now-b.unknown < minutes:
			return reading.BadBecause(reading.Learning), true
		}
		return reading.GoodQuality(), false
	}
	r.Watched, _ = missing(leastLevel)
	if q, bad := missing(hour); bad {
		r.LossHour = exact(0, q)
	} else if f2 := b.series.line(hour); f2.span() < settledHistory*0.9 {
		r.LossHour = exact(0, reading.BadBecause(reading.Learning))
	} else {
		days := f2.span() / dayMinutes
		slopeVariance := b.variance/(f2.tt/square(dayMinutes)) + square(2.22*b.drift) + 7.2*square(b.wander)/days + square(1.7*b.bias/days)
		e := estimate{rate: -f2.slope / 60, sd: math.Hypot(math.Sqrt(slopeVariance)/secondsPerDay, f.trust*f.drawn())}
		r.LossHour = e.value(reading.GoodQuality())
	}
	change, lag, n1, n2 := b.series.day()
	if q, bad := missing(dayMinutes + dayEdge); bad {
		r.LossDay = exact(0, q)
	} else if lag == 0 {
		r.LossDay = exact(0, reading.BadBecause(reading.Learning))
	} else {
		fed := b.series.used(dayMinutes)
		half := ninetyPercent * math.Sqrt(b.variance*(1/n1+1/n2)+1.9*square(b.wander)+square(b.bias)+b.jumps()/2+square(f.trust*fed))
		loss := -change * dayMinutes / lag
		r.LossDay = between(loss, loss-half, loss+half, reading.GoodQuality())
	}
	return r
}
