package supply

import "math"

const (
	dayMinutes = 24 * 60
	dayEdge    = 30 // minutes whose means a day is measured between
	// ringMinutes is a day with an hour before it, and room for both ends.
	ringMinutes = dayMinutes + hour + 2
	rebaseEvery = 64 // minutes; keeps the sums small where they are used
	maxBreaks   = 4
)

// sums are those of least squares: of times t in minutes and weights z in kg.
type sums struct{ n, t, tt, z, tz, zz float64 }

func (s *sums) add(t, z float64) { s.addMany(1, t, z) }

// addMany counts a reading as n.
func (s *sums) addMany(n, t, z float64) {
	s.n += n
	s.t += n * t
	s.tt += n * t * t
	s.z += n * z
	s.tz += n * t * z
	s.zz += n * z * z
}

func (s sums) plus(o sums) sums {
	return sums{s.n + o.n, s.t + o.t, s.tt + o.tt, s.z + o.z, s.tz + o.tz, s.zz + o.zz}
}

func (s sums) minus(o sums) sums {
	return sums{s.n - o.n, s.t - o.t, s.tt - o.tt, s.z - o.z, s.tz - o.tz, s.zz - o.zz}
}

// from moves the origin to t0 and z0.
func (s sums) from(t0, z0 float64) sums {
	return sums{
		n: s.n, t: s.t - t0*s.n, tt: s.tt - 2*t0*s.t + t0*t0*s.n, z: s.z - z0*s.n,
		tz: s.tz - t0*s.z - z0*s.t + t0*z0*s.n, zz: s.zz - 2*z0*s.z + z0*z0*s.n,
	}
}

// centred are the sums about the means.
func (s sums) centred() (tt, tz, zz float64) {
	if s.n == 0 {
		return 0, 0, 0
	}
	return max(0, s.tt-s.t*s.t/s.n), s.tz - s.t*s.z/s.n, max(0, s.zz-s.z*s.z/s.n)
}

// mark is what had been gathered when a minute ended.
type mark struct {
	sums
	used float64 // kg fed since the start, by the feed signal
}

// series keeps the running sums of a weight minute by minute, so that a straight
// line through any window costs the same. Memory is constant: a ring of a day.
type series struct {
	ring   [ringMinutes]mark
	now    int // minutes closed so far
	t0, z0 float64
	open   sums // since the last minute ended
	breaks [maxBreaks]int
	broken int // breaks so far
	begun  int // the minute before which no line looks back
}

// at is the mark of some minutes ago.
func (s *series) at(ago int) *mark {
	return &s.ring[(s.now-ago+ringMinutes*2)%ringMinutes]
}

// length is how many minutes can be looked back.
func (s *series) length() int { return min(s.now, ringMinutes-1) }

// gather takes a reading; t counts minutes since the start.
func (s *series) gather(n, t, z float64) { s.open.addMany(n, t-s.t0, z-s.z0) }

// close ends a minute.
func (s *series) close(used float64) {
	total := s.at(0).sums.plus(s.open)
	s.open = sums{}
	s.now++
	*s.at(0) = mark{total, used}
	if s.now%rebaseEvery == 0 || s.now == 1 {
		s.rebase()
	}
}

// rebase makes the latest minute the origin of the sums and of the time.
func (s *series) rebase() {
	last := s.at(0).sums
	dt := float64(s.now) - s.t0
	var dz float64
	if recent := last.minus(s.at(min(s.length(), rebaseEvery)).sums); recent.n > 0 {
		dz = recent.z / recent.n
	}
	for i := range min(s.now+1, ringMinutes) {
		m := s.at(i)
		m.sums = m.sums.minus(last).from(dt, dz)
	}
	s.t0 += dt
	s.z0 += dz
}

// snap tells the series that its level is not known across this minute.
func (s *series) snap() {
	s.breaks[s.broken%maxBreaks] = s.now
	s.broken++
}

// since are the sums of a window of whole minutes, from some minutes ago to some
// fewer.
func (s *series) since(from, to int) sums { return s.at(to).sums.minus(s.at(from).sums) }

// fit is a straight line by least squares.
type fit struct {
	slope, tt, zz float64 // kg/min; about the line
	n             float64
	window        int // minutes
}

// line fits one slope to the last minutes, with a level of its own to each piece
// between breaks.
func (s *series) line(window int) fit {
	window = min(window, s.length(), s.now-s.begun)
	var tz, zz float64
	f := fit{window: window}
	to := 0
	piece := func(from int) {
		if from > to {
			p := s.since(from, to)
			a, b, c := p.centred()
			f.tt, tz, zz, f.n = f.tt+a, tz+b, zz+c, f.n+p.n
			to = from
		}
	}
	for i := 0; i < maxBreaks && i < s.broken; i++ {
		ago := s.now - s.breaks[(s.broken-1-i)%maxBreaks]
		if ago >= window {
			break
		}
		piece(ago)
		if i == maxBreaks-1 {
			window = to // what lies before is forgotten
		}
	}
	piece(window)
	if f.tt > 0 {
		f.slope = tz / f.tt
		f.zz = max(0, zz-f.slope*tz)
	}
	return f
}

// begin makes lines start anew.
func (s *series) begin() { s.begun = s.now }

// hinge fits a level that begins to slope m minutes ago, after a level of some
// minutes, without the last ones. gain is what a constant slope shows as.
func (s *series) hinge(m, level, without int) (f fit, gain float64) {
	knee := float64(s.now-m) - s.t0
	after, before := s.since(m, without).from(knee, 0), s.since(m+level, m).from(knee, 0)
	n := after.n + before.n
	if n == 0 {
		return fit{}, 0
	}
	f = fit{tt: after.tt - after.t*after.t/n, n: n}
	if f.tt > 0 {
		f.slope = (after.tz - after.t*(after.z+before.z)/n) / f.tt
		gain = (after.tt - after.t*(after.t+before.t)/n) / f.tt
	}
	return f, gain
}

// day is the change between means of half an hour a day apart, in kg and
// minutes, and how many readings each has.
func (s *series) day() (change, lag, n1, n2 float64) {
	if s.now < dayMinutes+dayEdge {
		return 0, 0, 0, 0
	}
	a, b := s.since(dayEdge, 0), s.since(dayMinutes+dayEdge, dayMinutes)
	if a.n == 0 || b.n == 0 {
		return 0, 0, 0, 0
	}
	return a.z/a.n - b.z/b.n, a.t/a.n - b.t/b.n, a.n, b.n
}

// used is what was fed in the last minutes.
func (s *series) used(minutes int) float64 { return s.at(0).used - s.at(min(minutes, s.length())).used }

// span is the length of an even window with the same spread of times.
func (f fit) span() float64 {
	if f.n == 0 {
		return 0
	}
	return math.Sqrt(12 * f.tt / f.n)
}

// forget drops what was gathered since a minute.
func (s *series) forget(minute int) {
	kept := s.at(min(max(0, s.now-minute), s.length())).sums
	for i := range min(max(0, s.now-minute), s.length()) {
		s.at(i).sums = kept
	}
	s.open = sums{}
}
