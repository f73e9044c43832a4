package field

import (
	"cmp"
	"context"
	"log/slog"
	"slices"
	"sync"
	"time"
)

// worker owns a line: its run is the only goroutine that uses it.
type worker struct {
	line  Line
	link  *link
	units []*unit
	cost  cost
	now   func() time.Time
	log   *slog.Logger
	emit  func(Batch)
	// round counts the requests to units that do not go first, and those without
	// an answer. A unit that goes first does so once in each.
	round uint64
	// elsewhere is the time given to urgent units amid the polls of others.
	elsewhere time.Duration

	mu  sync.Mutex // guards sum and the tallies of units
	sum LineStats  // but for what is the sum of the tallies
}

func newWorker(l Line, o Options) *worker {
	w := &worker{line: l, cost: costOf(l), now: o.Now, log: o.Log.With("line", l.Name)}
	w.sum.Line = l.Name
	w.link = newLink(l, w.discarded)
	for _, in := range l.Instruments {
		w.units = append(w.units, newUnit(in, w.cost))
	}
	return w
}

// goesFirst reports whether the unit is urgent and answers. One that does not is
// tried in turn, lest it hold up the others that are urgent.
func (u *unit) goesFirst() bool { return u.Urgent && u.failures == 0 }

// first reports whether the unit is due and goes before all others now.
func (u *unit) first(now time.Time, round uint64) bool {
	return u.goesFirst() && u.round != round && !u.due.After(now)
}

// next is the unit to poll next. Of those that are due an urgent one goes first,
// unless it went in this round; after these whoever is due the longest, so that
// all have their turn even when the line is behind.
func next(units []*unit, now time.Time, round uint64) *unit {
	rank := func(u *unit) int {
		switch {
		case u.first(now, round):
			return 0
		case !u.due.After(now):
			return 1
		default:
			return 2
		}
	}
	return slices.MinFunc(units, func(a, b *unit) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), a.due.Compare(b.due))
	})
}

// run polls the units as they fall due. An urgent one that falls due waits for
// at most one request to another unit that is not urgent, be it answered or not,
// and one poll of each other urgent unit.
func (w *worker) run(ctx context.Context, emit func(Batch)) {
	defer w.link.close()
	w.emit = emit
	start := time.Now()
	for i, u := range w.units {
		u.settle(start, i, len(w.units))
	}
	w.round++
	timer := time.NewTimer(0)
	defer timer.Stop()
	for len(w.units) > 0 {
		u := next(w.units, time.Now(), w.round)
		timer.Reset(time.Until(u.due))
		select {
		case <-ctx.Done():
			return
		case <-timer.C:
		}
		w.turn(ctx, u)
	}
}

// urgentFirst gives a turn to each urgent unit that goes before the next request
// to another.
func (w *worker) urgentFirst(ctx context.Context) {
	began := time.Now()
	for now := began; ctx.Err() == nil; now = time.Now() {
		u := next(w.units, now, w.round)
		if !u.first(now, w.round) {
			w.elsewhere += now.Sub(began)
			return
		}
		w.turn(ctx, u)
	}
}

// turn polls a unit and tells of it, unless ctx ends.
func (w *worker) turn(ctx context.Context, u *unit) {
	u.round = w.round
	began, elsewhere := time.Now(), w.elsewhere
	u.fallDue(began)
	resting := began.Before(u.tryAt)
	b, failure := w.poll(ctx, u)
	if ctx.Err() != nil {
		return
	}
	now := time.Now()
	b.Took = now.Sub(began) - (w.elsewhere - elsewhere)
	planned := u.planned()
	if resting {
		planned = 0
	}
	w.count(u, b, failure, u.advance(now), planned)
	w.logChange(u, b)
	w.emit(b)
}

func (w *worker) count(u *unit, b Batch, failure string, overruns uint64, planned time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	t := &u.tally
	t.polls++
	t.overruns += overruns
	if i := slices.Index(errorKinds[:], failure); i >= 0 {
		t.errors[i]++
	}
	t.took, t.planned, t.slowest, t.resting = b.Took, planned, u.slowest, time.Now().Before(u.tryAt)
	w.sum.Slowest, w.sum.Grace = w.link.slowest, w.link.grace()
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
	var errors errorCounts
	for _, u := range w.units {
		t := &u.tally
		s.Polls += t.polls
		s.Overruns += t.overruns
		s.Cycle += t.took
		s.Planned += t.planned
		for i, n := range t.errors {
			errors[i] += n
		}
		s.Units = append(s.Units, UnitStats{
			Instrument: u.Name, Unit: u.Unit, Polls: t.polls, Errors: t.errors.byKind(),
			Took: t.took, Slowest: t.slowest, Overruns: t.overruns, Resting: t.resting,
		})
	}
	s.Errors = errors.byKind()
	return s
}

// logChange writes a line when the instrument's condition is another than
// before, not at each poll.
func (w *worker) logChange(u *unit, b Batch) {
	for i, r := range b.Readings {
		reason := ""
		if !r.Quality.Usable() {
			reason = r.Quality.Reason
		}
		u.reasons[u.now.which[i]] = reason
	}
	condition := cmp.Or(u.reasons...)
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
