package plant

import (
	"fmt"
	"slices"
	"time"

	"ebbwatch/agent/reading"
)

// The pace of an instrument is judged by the last intervals between readings,
// as soon as there are leastIntervals. The longest ones are left out, since a
// pause of the whole watch or a stepped clock is not a slow line. Common
// practice, no source.
const (
	mostIntervals  = 30
	leastIntervals = 10
	leftOut        = 2
)

// slightlyLate is the pace over which a figure names the latest instrument.
const slightlyLate = 1.1

// pace follows how often one point is really read.
type pace struct {
	point     int
	every     time.Duration // as planned
	last      time.Time
	intervals [mostIntervals]time.Duration // the last ones, in a ring
	next, n   int
	mean      time.Duration // 0 until there are enough of them
}

// paceOf follows the point of an instrument that is read most often. An
// instrument that does not answer is followed too, for its points get bad
// readings at their usual pace.
func (p *Plant) paceOf(points []int) *pace {
	var c *pace
	for _, i := range points {
		if every := p.points[i].Every; every > 0 && (c == nil || every < c.every) {
			c = &pace{point: i, every: every}
		}
	}
	if c != nil {
		p.points[c.point].pace = c
	}
	return c
}

// read counts the interval that ends with a reading. After a clock that was put
// back there is none.
func (c *pace) read(at time.Time) {
	interval := at.Sub(c.last)
	first := c.last.IsZero()
	c.last = at
	if first || interval <= 0 {
		return
	}
	c.intervals[c.next] = interval
	c.next = (c.next + 1) % mostIntervals
	if c.n = min(c.n+1, mostIntervals); c.n < leastIntervals {
		return
	}
	sorted := c.intervals
	slices.Sort(sorted[:c.n])
	kept := sorted[:c.n-leftOut]
	sum := 0.0 // of centuries, too
	for _, d := range kept {
		sum += float64(d)
	}
	c.mean = time.Duration(sum / float64(len(kept)))
}

// ratio is the mean interval over the planned one: 1 is in time.
func (c *pace) ratio() float64 { return float64(c.mean) / float64(c.every) }

// stepPace gives a line the pace of its latest instrument. An instrument that was
// not read for too long may be a later one, so nothing is known then.
func (l *line) stepPace(p *Plant, w *writer) {
	var latest *instrument
	var at time.Time
	quality := reading.GoodQuality()
	for _, i := range l.instruments {
		it := &p.instruments[i]
		if it.pace == nil || it.pace.mean == 0 {
			continue
		}
		if latest == nil || it.pace.ratio() > latest.pace.ratio() {
			latest, at = it, it.pace.last
		}
		if q := p.points[it.pace.point].current.Quality; q.Reason == reading.Stale {
			quality = q
		}
	}
	if latest == nil {
		w.next(reading.BadBecause(reading.Learning), at)
		return
	}
	c := latest.pace
	f := w.next(quality, at).set(c.ratio())
	if f.Quality.Usable() && f.Value > slightlyLate {
		f.Detail = fmt.Sprintf("is that of %s, read every %s where every %s is planned", latest.Name, c.mean.Round(max(c.every/100, time.Millisecond)), c.every)
	}
}
