package field

import (
	"cmp"
	"slices"
	"time"

	"ebbwatch/agent/reading"
)

// mostPeriods is how many different periods the points of an instrument have at
// most. There may be a visit for each set of them.
const mostPeriods = 5

// unit is an instrument and what was learned about reading it.
type unit struct {
	Instrument
	paces []pace
	// visits are the ways in which its points fall due together. Now is the one
	// that is read, or was last.
	visits []*visit
	now    *visit
	due    time.Time // of the pace that is due first
	round  uint64    // of the worker, in which it was read last

	// cost is that with which its requests were planned, at plannedAt. Think is
	// what it takes of late until a reply begins, slowest the longest until the
	// end of one.
	cost           cost
	plannedAt      time.Time
	think, slowest time.Duration

	// What two visits of a kind in a row found to be kept apart is learned until
	// forgetAt. When merging was not the reason for a refusal, no block is split
	// before splitAt.
	learned           []barrier
	forgetAt, splitAt time.Time

	// A unit that does not answer is left alone until tryAt and gives the same
	// failure meanwhile, so that its neighbours are read at their pace.
	failures int
	tryAt    time.Time
	last     error
	reason   string

	reasons   []string // for which its points are bad, empty of the others
	condition string   // as last logged; empty when all is well

	tally tally // guarded by the worker's mutex
}

// pace is a period of a unit, and when the points that have it fall due.
type pace struct {
	every time.Duration
	due   time.Time
	// settled is when the first poll of its lasting pace is due.
	settled time.Time
}

// visit is the points of a unit that fall due together and the requests that
// read them. It has a plan of its own: a slow point shares the request of the
// fast ones around it when it is due, and is left out of it when it is not. So
// no poll takes longer than the best plan for just what is due.
type visit struct {
	paces     uint64 // a bit for each of the unit's
	points    []Point
	which     []int // of the unit's points
	blocks    []block
	suspected []barrier         // what the last of its kind found
	readings  []reading.Reading // of the last of its kind
	texts     []string          // of its points, as last read
}

func newUnit(in Instrument, c cost) *unit {
	in.Urgent = in.urgent()
	u := &unit{Instrument: in, cost: c, think: c.think, reasons: make([]string, len(in.Points))}
	for _, every := range in.periods() {
		u.paces = append(u.paces, pace{every: every})
	}
	for k := range u.paces {
		u.now = u.visit(together(in.periods(), k))
	}
	return u
}

// urgent reports whether the instrument goes first.
func (in Instrument) urgent() bool {
	return in.Urgent || slices.ContainsFunc(in.Points, func(p Point) bool { return p.KeepOverRange })
}

// period is that of one of the instrument's points.
func (in Instrument) period(p Point) time.Duration { return cmp.Or(p.Every, in.Every) }

// periods are those of the instrument's points, the shortest first.
func (in Instrument) periods() []time.Duration {
	var all []time.Duration
	for _, p := range in.Points {
		all = append(all, in.period(p))
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// together is the periods that fall due whenever the one with number k does: it
// is a multiple of theirs.
func together(periods []time.Duration, k int) (paces uint64) {
	for i := range periods[:k+1] {
		if periods[k]%periods[i] == 0 {
			paces |= 1 << i
		}
	}
	return paces
}

// dueWith is the points of some of the instrument's periods.
func (in Instrument) dueWith(periods []time.Duration, paces uint64) (points []Point, which []int) {
	for i, p := range in.Points {
		if k := slices.Index(periods, in.period(p)); paces>>k&1 == 1 {
			points, which = append(points, p), append(which, i)
		}
	}
	if len(points) == len(in.Points) {
		points = in.Points // which need not be there twice
	}
	return slices.Clip(points), slices.Clip(which)
}

// visit returns the one for some paces, which it makes when there was none yet.
func (u *unit) visit(paces uint64) *visit {
	for _, v := range u.visits {
		if v.paces == paces {
			return v
		}
	}
	v := &visit{paces: paces}
	v.points, v.which = u.dueWith(u.periods(), paces)
	v.readings, v.texts = make([]reading.Reading, len(v.points)), make([]string, len(v.points))
	u.plan(v)
	u.visits = append(u.visits, v)
	return v
}

// plan makes the requests of a visit by what is known of the unit.
func (u *unit) plan(v *visit) {
	v.blocks = plan(v.points, u.cost, append(u.barriers(), u.learned...))
}

// replan makes all requests anew.
func (u *unit) replan() {
	for _, v := range u.visits {
		u.plan(v)
	}
}

// alike reports whether replies to two of the unit's requests look the same.
func (u *unit) alike() bool {
	var all []block
	for _, v := range u.visits {
		all = append(all, v.blocks...)
	}
	return alike(all)
}

// firstSpread is the longest time over which the first polls are spread. Those
// after them are spread over the period.
const firstSpread = time.Second

// settle sets when number i of n units is due: at first with all its points,
// then by its periods. A period that is a multiple of the shorter ones keeps
// step with them, so that one visit reads all that is due.
func (u *unit) settle(start time.Time, i, n int) {
	part := func(d time.Duration) time.Duration { return d * time.Duration(i) / time.Duration(n) }
	u.due = start.Add(part(min(u.paces[0].every, firstSpread)))
	after, step, inStep := time.Duration(0), time.Duration(1), true
	for k := range u.paces {
		p := &u.paces[k]
		if inStep = inStep && p.every%step == 0; inStep {
			after += (part(p.every) - after) / step * step
			step = p.every
		}
		p.due, p.settled = u.due, start.Add(after)
	}
}

// fallDue makes the visit for what is due the present one.
func (u *unit) fallDue(at time.Time) {
	var paces uint64
	for k := range u.paces {
		if !u.paces[k].due.After(at) {
			paces |= 1 << k
		}
	}
	u.now = u.visit(paces)
}

// advance sets when what was read is due again, and counts the polls for which
// the line was too busy. The pace is kept: what is missed is left out, not made
// up for.
func (u *unit) advance(now time.Time) (overruns uint64) {
	for k := range u.paces {
		p := &u.paces[k]
		if u.now.paces>>k&1 == 1 {
			if p.due.Before(p.settled) {
				p.due = p.settled
			} else {
				p.due = p.due.Add(p.every)
			}
			if late := now.Sub(p.due); late > 0 {
				n := late/p.every + 1
				p.due = p.due.Add(n * p.every)
				overruns += uint64(n)
			}
		}
		if k == 0 || p.due.Before(u.due) {
			u.due = p.due
		}
	}
	return overruns
}

// A plan is made anew when a unit thinks longer or shorter than it supposed by
// over a quarter and thinkStep, but not more often than every replanAfter.
// Common practice, no source: so a plan follows a unit, not its mood.
const (
	thinkStep   = time.Millisecond
	replanAfter = time.Minute
)

// learnThink follows what a unit takes until its reply to b begins, by an eighth
// of each difference, as RFC 6298 smooths round-trip times (from memory). Took is
// the time from the request to the end of the reply.
func (u *unit) learnThink(b block, took time.Duration) {
	// Of the two silences the one before the request has passed by then.
	think := max(0, took-u.cost.wire(b)+u.cost.turns/2)
	u.think += (think - u.think) / 8
}

// follow plans anew when the unit has become another. After a failure it waits
// for an answer first: a late reply to a request of before must not meet a new
// one that looks like it.
func (u *unit) follow(now time.Time) {
	if u.plannedAt.IsZero() {
		u.plannedAt = now
	}
	off := (u.think - u.cost.think).Abs()
	if u.failures == 0 && off > u.cost.think/4+thinkStep && now.Sub(u.plannedAt) >= replanAfter {
		u.cost.think, u.plannedAt = u.think, now
		u.replan()
	}
}

// planned is the time that the present visit takes by what is known of the unit.
func (u *unit) planned() (sum time.Duration) {
	for _, b := range u.now.blocks {
		sum += u.cost.wire(b) + u.think
	}
	return sum
}

// tally is the work of a unit since the start.
type tally struct {
	polls, overruns        uint64
	errors                 errorCounts
	took, planned, slowest time.Duration
	resting                bool
}

// errorKinds are the keys of LineStats.Errors.
var errorKinds = [...]string{reading.NotConnected, reading.NoReply, reading.WrongReply, reading.Exception}

// errorCounts has one for each of the errorKinds.
type errorCounts [len(errorKinds)]uint64

func (c errorCounts) byKind() map[string]uint64 {
	m := make(map[string]uint64, len(errorKinds))
	for i, k := range errorKinds {
		m[k] = c[i]
	}
	return m
}
