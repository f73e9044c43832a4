package supply

import "math"

const (
	drawnShare, restShare = 0.3, 0.15 // of the withdrawal: drawn, not drawn
	overtakes             = 0.5       // share by which another one must lead
	confirmed             = 2         // minutes
	rests                 = 60        // minutes after a switchover that no window spans
	leadSure, shareSure   = 0.14, 0.06
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
	if !b.sharesOf(d.shares, leadSure) {
		d.leads = 0
		return
	}
	best := 0
	for i, share := range d.shares {
		if share > d.shares[best] {
			best = i
		}
	}
	switch {
	case best == d.main || d.shares[best]-d.shares[d.main] < overtakes:
		d.leads = 0
	case best != d.rival:
		d.rival, d.leads = best, 1
	default:
		d.leads++
	}
	if d.leads >= confirmed {
		old := d.main
		d.main, d.leads, d.hold, d.group = best, 0, rests, b.containers[best].Group
		b.containers[best].scale.tell(Switchover, t, b.containers[old].net, b.containers[best].net)
		for i := range b.containers {
			b.containers[i].drawn = d.shares[i] > overtakes/2
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

// sharesOf reports whether the shares can be told as surely as asked, over the
// shortest window that will do.
func (b *Bank) sharesOf(shares []float64, sure float64) bool {
	for _, m := range dutyWindows {
		var total, variance float64
		for i := range b.containers {
			s := &b.containers[i].scale
			shares[i] = 0
			if s.off {
				continue
			}
			f := s.series.line(m)
			if f.n < 4 || f.span() < 0.6*float64(m) {
				return false
			}
			shares[i] = s.series.used(f.window)/float64(60*f.window) - f.slope/60
			variance = max(variance, (s.noise.variance()+square(s.noise.bias))/f.tt/3600)
			total += max(0, shares[i])
		}
		if total > 0 && math.Sqrt(variance) < sure*total {
			for i := range shares {
				shares[i] /= total
			}
			return true
		}
	}
	return false
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
