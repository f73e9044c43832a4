package field

import (
	"cmp"
	"context"
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"

	"ebbwatch/agent/reading"
)

// worker owns a line: its run is the only goroutine that uses it.
type worker struct {
	line  Line
	link  *link
	units []*unit
	cost  cost
	now   func() time.Time
	log   *slog.Logger

	mu   sync.Mutex // guards sum
	sum  LineStats
	took map[string]time.Duration // of each instrument's last poll
}

// unit is an instrument and what was learned about reading it.
type unit struct {
	Instrument
	blocks []block
	due    time.Time
	// settled is when the first poll of its lasting pace is due.
	settled time.Time

	// suspected is what the last poll found to be kept apart. What the next
	// finds again is learned until forgetAt. When merging was not the reason
	// for a refusal, no block is split before splitAt.
	suspected, learned []barrier
	forgetAt, splitAt  time.Time

	// A unit that does not answer is left alone until tryAt and gives the same
	// failure meanwhile, so that its neighbours are read at their pace.
	failures int
	tryAt    time.Time
	last     error
	reason   string

	condition string // as last logged; empty when all is well
}

func newWorker(l Line, o Options) *worker {
	w := &worker{line: l, cost: costOf(l), now: o.Now, log: o.Log.With("line", l.Name), took: map[string]time.Duration{}}
	w.sum.Line = l.Name
	w.sum.Errors = map[string]uint64{reading.NotConnected: 0, reading.NoReply: 0, reading.WrongReply: 0, reading.Exception: 0}
	w.link = newLink(l, w.discarded)
	for _, in := range l.Instruments {
		in.Urgent = in.Urgent || slices.ContainsFunc(in.Points, func(p Point) bool { return p.KeepOverRange })
		u := &unit{Instrument: in}
		w.plan(u)
		w.units = append(w.units, u)
	}
	return w
}

// plan makes the requests of a unit by what is known of it.
func (w *worker) plan(u *unit) {
	u.blocks = plan(u.Points, w.cost, append(u.barriers(), u.learned...))
}

// firstSpread is the longest time over which the first polls are spread. Those
// after them are spread over the period.
const firstSpread = time.Second

// next is the unit to poll next. Of those that are due an urgent one goes first;
// after it whoever is due the longest, so that all have their turn even when the
// line is behind.
func next(units []*unit, now time.Time, afterUrgent bool) *unit {
	rank := func(u *unit) int {
		switch {
		case u.due.After(now):
			return 2
		case u.Urgent && !afterUrgent:
			return 0
		default:
			return 1
		}
	}
	return slices.MinFunc(units, func(a, b *unit) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), a.due.Compare(b.due))
	})
}

func (w *worker) run(ctx context.Context, emit func(Batch)) {
	defer w.link.close()
	start := time.Now()
	for i, u := range w.units {
		part := func(d time.Duration) time.Duration { return d * time.Duration(i) / time.Duration(len(w.units)) }
		u.due, u.settled = start.Add(part(min(u.Every, firstSpread))), start.Add(part(u.Every))
	}
	for afterUrgent := false; len(w.units) > 0; {
		u := next(w.units, time.Now(), afterUrgent)
		afterUrgent = u.Urgent
		select {
		case <-ctx.Done():
			return
		case <-time.After(time.Until(u.due)):
		}
		began := time.Now()
		b, failure := w.poll(ctx, u)
		if ctx.Err() != nil {
			return
		}
		now := time.Now()
		b.Took = now.Sub(began)
		// The pace is kept: what is missed is left out, not made up for.
		if u.due.Before(u.settled) {
			u.due = u.settled
		} else {
			u.due = u.due.Add(u.Every)
		}
		var overruns uint64
		if late := now.Sub(u.due); late > 0 {
			n := late/u.Every + 1
			u.due = u.due.Add(n * u.Every)
			overruns = uint64(n)
		}
		w.count(b, failure, overruns)
		w.logChange(u, b)
		emit(b)
	}
}

func (w *worker) count(b Batch, failure string, overruns uint64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sum.Polls++
	w.sum.Overruns += overruns
	if failure != "" {
		w.sum.Errors[failure]++
	}
	w.took[b.Instrument] = b.Took
	w.sum.Cycle = 0
	for _, d := range w.took {
		w.sum.Cycle += d
	}
}

func (w *worker) discarded(n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sum.Discarded += uint64(n)
}

func (w *worker) stats() LineStats {
	w.mu.Lock()
	defer w.mu.Unlock()
	s := w.sum
	s.Errors = maps.Clone(w.sum.Errors)
	return s
}

// logChange writes a line when the instrument's condition is another than
// before, not at each poll.
func (w *worker) logChange(u *unit, b Batch) {
	condition := ""
	for _, r := range b.Readings {
		if !r.Quality.Usable() {
			condition = cmp.Or(condition, r.Quality.Reason)
		}
	}
	if condition == u.condition {
		return
	}
	u.condition = condition
	if condition == "" {
		w.log.Info("instrument is read again", "instrument", u.Name)
		return
	}
	w.log.Warn("instrument is not read well", "instrument", u.Name, "reason", condition, "error", b.Err)
}
