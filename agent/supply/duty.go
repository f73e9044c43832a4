package supply

import "math"

const (
	drawnShare, restShare = 0.3, 0.15 // of the withdrawal: drawn, not drawn
	overtakes             = 0.4       // share by which another one must lead at least, ...
	overtakesSure         = 2.5       // in standard deviations
	takenOver             = 0.25      // share of one that is drawn after a switchover
	confirmed             = 2         // minutes
	rests                 = 60        // minutes after a switchover that no window spans
	leadSure, shareSure   = 0.26, 0.06
)

var dutyWindows = [...]int{8, 12, 15, 18, 24, 30, 60}

// duty tells which containers are drawn.
type duty struct {
	main   int // the one drawn most
	group  string
	rival  int
	leads  int       // minutes
	hold   int       // minutes
	shares []float64 // of the withdrawal
}

// watchDuty finds what share of the withdrawal comes from each container: over a
// short window whether another one has taken over, over a longer one which ones are
// drawn together.
func (b *Bank) watchDuty(t float64) {
	d := &b.duty
	if d.hold > 0 {
		d.hold--
	}
	switch best := b.overtaken(); {
	case best < 0:
		d.leads = 0
	case best != d.rival:
		d.rival, d.leads = best, 1
	default:
		d.leads++
	}
	if d.leads >= confirmed {
		best, old := d.rival, d.main
		d.main, d.leads, d.hold, d.group = best, 0, rests, b.containers[best].Group
		b.containers[best].scale.tell(Switchover, t, b.containers[old].net, b.containers[best].net)
		for i := range b.containers {
			b.containers[i].drawn = d.shares[i] > takenOver
		}
		b.share(t, true)
	}
	if d.hold > 0 || !b.sharesOf(d.shares, shareSure) {
		return
	}
	changed := false
	for i, share := range d.shares {
		c := &b.containers[i]
		was := c.drawn
		c.drawn = !c.scale.off && (share > drawnShare || c.drawn && share > restShare)
		changed = changed || c.drawn != was
	}
	if changed {
		b.share(t, true)
	}
}

// overtaken is the container that has taken over from the one on duty, or -1. The
// containers of a group count as one. Where there are no groups and others are drawn
// beside it, the one on duty must have stopped, since the shares of containers that are
// drawn together wander.
func (b *Bank) overtaken() int {
	d := &b.duty
	beside := false
	for i := range b.containers {
		beside = beside || !b.grouped && b.containers[i].drawn && i != d.main
	}
	for _, m := range dutyWindows {
		if d.hold > 0 && m > rests-d.hold {
			return -1 // it would look back to before the last switchover
		}
		sd, ok := b.sharesOver(m, d.shares)
		if !ok {
			return -1
		}
		if sd > leadSure || beside && sd > shareSure {
			continue
		}
		best := -1
		for i, share := range d.shares {
			if !b.together(i, d.main) && (best < 0 || share > d.shares[best]) {
				best = i
			}
		}
		if best < 0 {
			return -1
		}
		lead, on, n := 0.0, 0.0, 0.0
		for i, share := range d.shares {
			switch {
			case b.together(i, d.main):
				on += share
				n++
			case b.together(i, best):
				lead += share
				n++
			}
		}
		if lead-on > max(overtakes, overtakesSure*sd*math.Sqrt(n)) && (!beside || on < restShare) {
			return best
		}
	}
	return -1
}

// together reports whether two containers are one or of one group. Where there is one
// group only, each is for itself.
func (b *Bank) together(i, j int) bool {
	return i == j || b.grouped && b.containers[i].Group == b.containers[j].Group
}

// sharesOf reports whether the shares can be told as surely as asked, over the
// shortest window that will do.
func (b *Bank) sharesOf(shares []float64, sure float64) bool {
	for _, m := range dutyWindows {
		if sd, ok := b.sharesOver(m, shares); !ok {
			return false
		} else if sd < sure {
			return true
		}
	}
	return false
}

// sharesOver finds the shares over the last m minutes and the greatest standard
// deviation of one.
func (b *Bank) sharesOver(m int, shares []float64) (sd float64, ok bool) {
	var total, variance float64
	for i := range b.containers {
		s := &b.containers[i].scale
		shares[i] = 0
		if s.off {
			continue
		}
		f := s.series.line(m)
		if f.n < 4 || f.span() < 0.6*float64(m) {
			return 0, false
		}
		shares[i] = s.series.used(f.window)/float64(60*f.window) - f.slope/60
		variance = max(variance, (s.noise.variance()+square(s.noise.bias))/f.tt/3600)
		total += max(0, shares[i])
	}
	if total <= 0 {
		return math.Inf(1), true
	}
	for i := range shares {
		shares[i] /= total
	}
	return math.Sqrt(variance) / total, true
}

// share gives each container that is drawn its part of the feed. The parts need
// not be right: what is wrong in them the slope of the rest makes good.
func (b *Bank) share(t float64, open bool) {
	n := 0
	for i := range b.containers {
		if b.containers[i].drawn {
			n++
		}
	}
	for i := range b.containers {
		c := &b.containers[i]
		part := 0.0
		if c.drawn {
			part = b.feed.drawn() / float64(n)
		}
		c.scale.feeds(t, part, open)
	}
}

// trust is how far a container's slope may wander from what the feed explains.
func (b *Bank) trust(c *container) float64 {
	if !b.feed.known {
		return 1.5 * max(0, c.hour.rate) // a demand that nothing foretells
	}
	return b.feed.trust * c.scale.feed
}
