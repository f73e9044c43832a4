package contact

import (
	"math"
	"sort"
	"time"

	"ebbwatch/agent/reading"
)

// Residence follows water through a segment as plug flow through a part of its
// volume, the baffling factor times the whole, while flow and level move. It
// gives the time for which the water that leaves now has been inside, by two
// readings of that thought:
//
//	entry form   the outflow since the water came in equals BF x the volume then
//	inflow form  the inflow since the water came in equals BF x the volume now
//
// They agree where BF is 1 or the level stands, and differ by some per cent
// elsewhere. No regulation prescribes either. Between samples the flow and the
// volume run straight; two samples at one time are a jump.
//
// It holds at most maxKnots past samples, however fast they come and however
// long the water stays: where it must thin them out, the water that passed is
// kept exactly. A step takes constant time on the average.
type Residence struct {
	bf    float64
	first time.Time // to which times count, in seconds
	// knots are the samples that are kept, and as the last one the newest.
	knots  []knot
	entry  frontier
	inflow frontier
}

// maxKnots bounds a Residence to about 80 kB. The error of a thinned history is
// that of straight flow over a thousandth of the time inside.
const maxKnots = 2048

// knot is one sample.
type knot struct {
	at     float64 // s since the first
	water  float64 // m³ that left since the first
	flow   float64 // m³/s from here on
	volume float64 // m³
}

// frontier finds the last knot at which a measure of the history was not above a
// target. It keeps the indices of those knots alone after which the measure was
// never lower: a deque of rising measures.
type frontier struct {
	// share of the volume that the measure adds to the water that left.
	share float64
	index []int32
	head  int // of those that count
	// known tells that the target has been within the history.
	known bool
}

// NewResidence makes a history that knows nothing yet.
func NewResidence(bafflingFactor float64) *Residence {
	return &Residence{
		bf: bafflingFactor, knots: make([]knot, 0, maxKnots),
		entry:  frontier{share: bafflingFactor, index: make([]int32, 0, maxKnots)},
		inflow: frontier{share: 1, index: make([]int32, 0, maxKnots)},
	}
}

// Step folds in the outflow, in m³/s, and the volume, in m³, at now. What is not
// usable leaves a gap; after a longer one than 5 minutes the history begins
// anew, for nobody knows what passed. A step earlier than the last counts
// nothing.
func (r *Residence) Step(now time.Time, outflow, volume Value) {
	if !outflow.Quality.Usable() || !volume.Quality.Usable() {
		return
	}
	if r.first.IsZero() {
		r.first = now
	}
	k := knot{at: now.Sub(r.first).Seconds(), flow: max(0, outflow.Value), volume: max(0, volume.Value)}
	n := len(r.knots)
	if n == 0 {
		r.knots = append(r.knots, k)
		return
	}
	last := &r.knots[n-1]
	span := k.at - last.at
	switch {
	case span < 0:
		return
	case span == 0:
		last.flow, last.volume = k.flow, k.volume
		return
	case span > gap.Seconds():
		r.forget()
		r.knots = append(r.knots, k)
		return
	}
	k.water = last.water + span*(last.flow+k.flow)/2
	r.forward(k)
	if n > maxKnots/2 && last.at-r.knots[n-2].at < 2*(last.at-r.knots[0].at)/maxKnots {
		*last = k // the newest was too near to the one before to be kept
		return
	}
	r.keep(n - 1)
	if n == maxKnots {
		r.thin()
	}
	r.knots = append(r.knots, k)
}

func (r *Residence) forget() {
	r.knots = r.knots[:0]
	r.entry.clear()
	r.inflow.clear()
	r.entry.known, r.inflow.known = false, false
}

// keep enters a knot, now one of the past, into both frontiers.
func (r *Residence) keep(i int) {
	for _, f := range []*frontier{&r.entry, &r.inflow} {
		f.push(r, i)
	}
}

func (f *frontier) push(r *Residence, i int) {
	m := f.measure(&r.knots[i])
	for n := len(f.index); n > f.head && f.measure(f.knot(r, n-1)) >= m; n-- {
		f.index = f.index[:n-1]
	}
	f.index = append(f.index, int32(i))
}

func (f *frontier) measure(k *knot) float64 { return k.water + f.share*k.volume }

// forward lets go of what the targets at the newest knot have passed.
func (r *Residence) forward(newest knot) {
	r.entry.forward(r, newest.water)
	r.inflow.forward(r, newest.water+(1-r.bf)*newest.volume)
}

func (f *frontier) forward(r *Residence, target float64) {
	f.known = f.known || f.head < len(f.index) && f.measure(f.knot(r, f.head)) <= target
	for f.head+1 < len(f.index) && f.measure(f.knot(r, f.head+1)) <= target {
		f.head++
	}
	if f.head > len(f.index)/2 { // as much to move as went before
		f.index = f.index[:copy(f.index, f.index[f.head:])]
		f.head = 0
	}
}

func (f *frontier) knot(r *Residence, i int) *knot { return &r.knots[f.index[i]] }

func (f *frontier) clear() { f.index, f.head = f.index[:0], 0 }

// thin makes room: by the knots that nobody asks for any more or, while the
// water is longer inside than that, by every second one.
func (r *Residence) thin() {
	oldest := len(r.knots) - 1
	for _, f := range []*frontier{&r.entry, &r.inflow} {
		if f.head < len(f.index) {
			oldest = min(oldest, int(f.index[f.head]))
		}
	}
	kept := copy(r.knots, r.knots[oldest:])
	if kept > maxKnots*3/4 {
		n := 0
		for i := 0; i < kept; i++ {
			if i%2 == 0 || i == kept-1 {
				r.knots[n] = r.knots[i]
				n++
			}
		}
		kept = n
	}
	r.knots = r.knots[:kept]
	r.entry.clear()
	r.inflow.clear()
	for i := range r.knots {
		r.keep(i)
	}
}

// Times returns how long, in seconds, the water that leaves at the newest step
// has been inside. Before the history reaches back that far they are bad.
func (r *Residence) Times() (entry, inflow Value) {
	n := len(r.knots)
	if n == 0 {
		unknown := Value{Quality: reading.BadBecause(reading.Learning)}
		return unknown, unknown
	}
	newest := r.knots[n-1]
	return r.since(&r.entry, newest.water), r.since(&r.inflow, newest.water+(1-r.bf)*newest.volume)
}

// since is the time since the measure was last at the target.
func (r *Residence) since(f *frontier, target float64) Value {
	newest := &r.knots[len(r.knots)-1]
	if f.measure(newest) <= target { // nothing is inside
		return Value{0, reading.GoodQuality()}
	}
	at, ok := f.last(r, target)
	if !ok {
		return Value{Quality: reading.BadBecause(reading.Learning)}
	}
	a, b := &r.knots[at], &r.knots[at+1]
	return Value{newest.at - a.at - f.crossing(a, b, target), reading.GoodQuality()}
}

// last is the last past knot at which the measure was not above the target. A
// level that quivers can take the target back behind what was let go of: then it
// is the oldest, which makes the time a little shorter, never longer.
func (f *frontier) last(r *Residence, target float64) (int, bool) {
	n := len(f.index) - f.head
	above := sort.Search(n, func(i int) bool { return f.measure(f.knot(r, f.head+i)) > target })
	if above == 0 && (!f.known || n == 0) {
		return 0, false
	}
	return int(f.index[f.head+max(above-1, 0)]), true
}

// crossing is the time from knot a at which the measure rises past the target
// before knot b. The water that left runs from a with a's flow, straight, so
// that it meets b's; where thinning has made that impossible, evenly.
func (f *frontier) crossing(a, b *knot, target float64) float64 {
	h := b.at - a.at
	left := b.water - a.water
	flow, bend := a.flow, (left-a.flow*h)/(h*h)
	if flow+2*bend*h < 0 {
		flow, bend = left/h, 0
	}
	slope := flow + f.share*(b.volume-a.volume)/h
	short := max(0, target-f.measure(a))
	// The positive root of bend*s² + slope*s = short, in the form that does not
	// cancel.
	root := math.Sqrt(max(0, slope*slope+4*bend*short))
	var s float64
	switch {
	case short == 0 && slope >= 0:
		s = 0
	case slope+root > 0:
		s = 2 * short / (slope + root)
	default:
		s = h
	}
	if slope < 0 && bend > 0 { // it falls before it rises
		s = (root - slope) / (2 * bend)
	}
	return min(max(s, 0), h)
}

// Ahead returns what Times would say after a time to come, in seconds, through
// which the flow, in m³/s, and the change of the volume, in m³/s, stay.
func (r *Residence) Ahead(in, flow, change float64) (entry, inflow Value) {
	if len(r.knots) == 0 {
		return r.Times()
	}
	newest := &r.knots[len(r.knots)-1]
	water, volume := newest.water+flow*in, max(0, newest.volume+change*in)
	return r.ahead(&r.entry, water, in, flow, change), r.ahead(&r.inflow, water+(1-r.bf)*volume, in, flow, change)
}

func (r *Residence) ahead(f *frontier, target, in, flow, change float64) Value {
	newest := &r.knots[len(r.knots)-1]
	rest := target - f.measure(newest)
	if rest <= 0 {
		v := r.since(f, target)
		v.Value += in
		return v
	}
	// The water is still to come in.
	rise := flow + f.share*change
	if rise <= 0 {
		return Value{0, reading.GoodQuality()}
	}
	return Value{max(0, in-rest/rise), reading.GoodQuality()}
}
