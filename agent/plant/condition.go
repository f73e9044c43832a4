package plant

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
)

// What a rate limit allows and asks for besides. Common practice, no source.
const (
	// rateSlack is the time whose change at the limit passes at once: noise and
	// the resolution of an instrument are no jump.
	rateSlack = 10 * time.Second
	// A value that jumped is believed when so many readings in a row, over such
	// a time, keep to the limit among themselves.
	believedReadings = 5
	believedAfter    = time.Minute
)

// condition is what is kept of a point to judge its readings by more than
// themselves. It only ever lowers their quality, in this order; of two reasons
// that weigh the same the first stands:
//
//   - Status: while another point tells of a fault, the value is at best as good
//     as Status says; while the other is not usable, it is uncertain. The other
//     is judged by what it says itself, not by its own statuses, so that two may
//     watch each other. A value read while its instrument was out of order does
//     not get better with the next status, but with the next reading.
//   - Rate: a value that changed faster than RateLimit is bad. It may come back,
//     or be believed in the end; see jumps.
//   - Stuck: a value that stands still for StuckAfter is uncertain until it
//     moves. It stays in use: a true value may stand still as well.
//   - Doubt: what the segment found that it belongs to, at the step before: it
//     disagrees with another analyser, or shows no chlorine in moving water.
//
// Gas is never hidden: on the point of a detector a jump makes the value
// uncertain, not bad, and so does a status on a value over the range.
type condition struct {
	statuses []int             // the points of Status
	gas      bool              // the point of a detector
	doubts   []reading.Quality // one for each check that a segment makes

	// Of the last reading.
	status reading.Quality // the worst that a status has said since
	jumped bool

	// For jumps.
	judged            time.Time // the last usable reading
	believed, claimed follower
	claimedSince      time.Time
	claims            int // readings in a row that keep to claimed

	// For stands.
	anchored bool
	anchor   float64
	still    time.Duration // spent within StuckWithin of anchor, while read well
	well     time.Time     // the last reading, zero when it was not usable
}

// judge takes one reading of the point in, after all readings of its step have
// come, so that their order between points does not matter.
func (pt *point) judge(p *Plant, r reading.Reading) {
	pt.status, pt.jumped = reading.GoodQuality(), false
	pt.hold(p, r.Quality)
	usable := reading.Worst(r.Quality, pt.status).Usable()
	if usable && pt.RateLimit > 0 {
		pt.jumped = pt.jumps(r.Value, r.Time)
	}
	if pt.StuckAfter > 0 {
		pt.stands(r.Value, r.Time, usable && (!pt.jumped || pt.gas))
	}
}

// hold lowers what the statuses have said of the last reading, of quality q, to
// what they say now.
func (pt *point) hold(p *Plant, q reading.Quality) {
	for i := range pt.Status {
		s, other := &pt.Status[i], &p.points[pt.statuses[i]].raw
		says := reading.GoodQuality()
		switch {
		case !other.Quality.Usable():
			says = reading.UncertainBecause(reading.NoStatus)
		case equal(other.Value, s.When):
			says = s.Quality
		}
		if pt.gas && q.Reason == reading.OverRange {
			says.Level = max(says.Level, reading.Uncertain)
		}
		pt.status = reading.Worst(pt.status, says)
	}
}

// digits is the share of a number that scaling may have changed.
const digits = 1e-9

func equal(a, b float64) bool { return math.Abs(a-b) <= digits*max(math.Abs(a), math.Abs(b)) }

// settle makes the current reading from the raw one.
func (pt *point) settle(p *Plant) {
	pt.current = pt.raw
	pt.hold(p, pt.raw.Quality)
	rate, stuck := reading.GoodQuality(), reading.GoodQuality()
	if pt.jumped {
		rate = reading.BadBecause(reading.Jumped)
		if pt.gas {
			rate.Level = reading.Uncertain
		}
	}
	if pt.StuckAfter > 0 && pt.still >= pt.StuckAfter {
		stuck = reading.UncertainBecause(reading.Frozen)
	}
	pt.current.Quality = reading.Worst(pt.raw.Quality, pt.status, rate, stuck, reading.Worst(pt.doubts...))
}

// jumps tells whether a usable value is further from the one believed than
// RateLimit allows in the time since. What is allowed grows with that time, so a
// value that comes back, or that the limit would have reached by now, is
// believed. So is one that has kept to the limit for believedReadings and
// believedAfter, and the first one after a gap: nothing is known of what came
// before. A reading that is no later than the last changes nothing.
func (pt *point) jumps(v float64, at time.Time) bool {
	since, gap := at.Sub(pt.judged), max(pt.StaleAfter, believedAfter)
	if pt.judged.IsZero() || since > gap || since < -gap {
		pt.judged, pt.believed, pt.claims = at, follower{v, at}, 0
		return false
	}
	if since <= 0 {
		return !pt.believed.near(v, at, pt.RateLimit)
	}
	pt.judged = at
	if pt.believed.follow(v, at, pt.RateLimit) {
		pt.claims = 0
		return false
	}
	if pt.claims == 0 || !pt.claimed.follow(v, at, pt.RateLimit) {
		pt.claimed, pt.claimedSince, pt.claims = follower{v, at}, at, 0
	}
	pt.claims++
	if pt.claims < believedReadings || at.Sub(pt.claimedSince) < believedAfter {
		return true
	}
	pt.believed, pt.claims = follower{v, at}, 0
	return false
}

// follower is a value that moves after readings, never faster than a limit. A
// series that keeps to the limit but for noise of half its slack is always near;
// one that goes on changing faster gets away, however small its steps are.
type follower struct {
	value float64
	at    time.Time
}

// near tells whether a value is within the limit, in SI units a second, and the
// slack.
func (f *follower) near(v float64, at time.Time, limit float64) bool {
	return math.Abs(v-f.value) <= f.reach(at, limit)+limit*rateSlack.Seconds()
}

func (f *follower) reach(at time.Time, limit float64) float64 {
	return limit * max(0, at.Sub(f.at).Seconds())
}

// follow moves towards a value that is near, and tells whether it is.
func (f *follower) follow(v float64, at time.Time, limit float64) bool {
	if !f.near(v, at, limit) {
		return false
	}
	reach := f.reach(at, limit)
	f.value, f.at = min(max(v, f.value-reach), f.value+reach), at
	return true
}

// stands adds up how long the value has stood still. Only time between two
// usable readings in a row counts; a reading that is not usable is no movement.
// What this cannot see: a sensor that has failed and goes on with noise.
func (pt *point) stands(v float64, at time.Time, usable bool) {
	if !usable {
		pt.well = time.Time{}
		return
	}
	dt := at.Sub(pt.well)
	switch {
	case !pt.anchored || math.Abs(v-pt.anchor) > pt.StuckWithin+digits*math.Abs(v):
		pt.anchored, pt.anchor, pt.still = true, v, 0
	case !pt.well.IsZero() && dt > 0 && dt <= pt.StaleAfter:
		pt.still += dt
	}
	pt.well = at
}
