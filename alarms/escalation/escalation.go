// Package escalation decides who is told of an alarm, over which channel, and
// when. Conditions and the passing of time go in, notices come out. It has no
// clock, file, network or goroutine; time is an argument.
//
// One rule stands above the others: nothing but a person's acknowledgement ends
// the telling of an alarm. One that has returned to normal by itself is told on,
// of whatever priority, until somebody has said that he knows; where that is too
// much for low alarms their plan has one step and no repeat. Shelving,
// suppression and taking out of service hold the telling for as long as they
// last; when they end it begins anew.
package escalation

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"ebbwatch/alarms"
)

// Escalator holds the telling that is under way. It is not safe for concurrent
// use.
type Escalator struct {
	s Settings
	// elapsed runs on over all steps and restarts; the runs are timed by it.
	elapsed time.Duration
	last    time.Time
	runs    map[string]*run
	// due is when the next run wants to be looked at.
	due time.Duration
	// settled is false until the first step has compared the runs with the
	// conditions.
	settled bool
	changed bool
	out     []Notice
}

// run is the telling of one alarm, from its raise until it is normal again and
// everyone knows. Its times are on the escalator's elapsed time.
type run struct {
	Episode uint64       `json:"episode"`
	State   alarms.State `json:"state"`
	// Thread is the episode that the run began with.
	Thread uint64 `json:"thread"`
	// Round counts how often the telling of this episode began.
	Round    int           `json:"round"`
	Start    time.Duration `json:"start"`
	LastTold time.Duration `json:"last_told"`
	// Held is since when quiet hours hold the run.
	Held *time.Duration `json:"held,omitempty"`
	// Steps and Repeats count those of this round that were told.
	Steps   int `json:"steps"`
	Repeats int `json:"repeats"`
	// Again is set while those told before wait to hear of a new episode.
	Again bool `json:"again,omitempty"`
	// Answered is set once a person has acknowledged the episode.
	Answered bool `json:"answered,omitempty"`
	// Told are those who know of it and hear how it goes on.
	Told []recipient `json:"told,omitempty"`
	// Waiting is what they hear when the quiet hours end.
	Waiting *waiting `json:"waiting,omitempty"`
}

type waiting struct {
	Kind      Kind             `json:"kind"`
	Condition alarms.Condition `json:"condition"`
}

// recipient is a person on one channel. First is the id of the first notice to
// him in the thread.
type recipient struct {
	Person  string `json:"person"`
	Channel string `json:"channel"`
	To      string `json:"to"`
	First   string `json:"first,omitempty"`
}

// New makes an escalator that has told nobody yet.
func New(s Settings) (*Escalator, error) {
	if err := s.check(); err != nil {
		return nil, err
	}
	return &Escalator{s: s, runs: map[string]*run{}}, nil
}

// Step takes what changed and the present condition of every alarm, the most
// urgent first, and returns whom to tell now. A step with an earlier time than
// the one before counts no time.
func (e *Escalator) Step(now time.Time, ts []alarms.Transition, present []alarms.Condition) []Notice {
	if !e.last.IsZero() {
		e.elapsed += max(0, now.Sub(e.last))
	}
	e.last = now
	if len(ts) == 0 && e.settled && e.elapsed < e.due {
		return nil
	}
	e.out = nil
	for i := range ts {
		e.follow(ts[i].Cause, &ts[i].After)
		if ts[i].Cause == alarms.Retired {
			e.forget(ts[i].After.Alarm)
		}
	}
	if !e.settled {
		e.settle(present)
	}
	e.due = never
	for i := range present {
		if r := e.runs[present[i].Alarm]; r != nil {
			e.advance(r, &present[i])
		}
	}
	return e.out
}

// Changed reports whether there is something new to remember since it was last
// asked.
func (e *Escalator) Changed() bool {
	was := e.changed
	e.changed = false
	return was
}

// settle compares what was remembered with what holds, since each may have been
// stored without the other: an alarm that nobody was told of is told, and one
// that was answered is not told on.
func (e *Escalator) settle(present []alarms.Condition) {
	e.settled = true
	known := make(map[string]bool, len(present))
	for i := range present {
		known[present[i].Alarm] = true
		e.follow("", &present[i])
	}
	for name := range e.runs {
		if !known[name] {
			e.forget(name)
		}
	}
}

func (e *Escalator) forget(alarm string) {
	if e.runs[alarm] != nil {
		delete(e.runs, alarm)
		e.changed = true
	}
}

// follow brings an alarm's run to a new condition of it. The cause may be
// unknown.
func (e *Escalator) follow(cause alarms.Cause, c *alarms.Condition) {
	r := e.runs[c.Alarm]
	if r != nil && r.State == c.State && r.Episode == c.Episode {
		return
	}
	if r == nil || r.State == alarms.Normal {
		if c.State.Unanswered() {
			e.runs[c.Alarm] = &run{Episode: c.Episode, State: c.State, Thread: c.Episode, Round: 1, Start: e.elapsed}
			e.changed = true
		}
		return
	}
	e.changed = true
	was := r.State
	r.State = c.State
	if c.Episode != r.Episode {
		// Nobody has acknowledged the one before, so the time runs on: an alarm
		// that comes and goes reaches the later steps as well.
		r.Episode, r.Round = c.Episode, 1
		r.Again = len(r.Told) > 0
	}
	returned := was.Active() && !c.State.Active()
	switch {
	case c.State.Unanswered() && (r.Answered || was.Withheld()):
		r.begin(e.elapsed, c.Priority)
	case c.State.Unanswered():
		if returned && !r.Again { // else they do not know yet that it came
			e.tellOn(Returned, r, c)
		}
	case answered(c.State):
		if !r.Answered {
			e.tellOn(Acknowledged, r, c)
		} else if returned {
			e.tellOn(Returned, r, c)
		}
		r.Answered = true
	case c.State == alarms.Normal:
		kind := Ended
		switch {
		case cause == alarms.Retired:
		case was.Unanswered():
			kind = Acknowledged
		case was.Active():
			kind = Returned
		}
		e.tellOn(kind, r, c)
		if r.Waiting == nil {
			e.forget(c.Alarm)
		}
	case r.Steps > 0: // withheld, and somebody waits
		e.tellOn(Withheld, r, c)
	}
}

// begin starts a new round for an episode that is to be acknowledged once more,
// but leaves those who were told a moment ago in peace.
func (r *run) begin(elapsed time.Duration, p alarms.Priority) {
	r.Round++
	r.Start, r.Held, r.Steps, r.Repeats, r.Again, r.Answered, r.Waiting = elapsed, nil, 0, 0, false, false, nil
	if len(r.Told) > 0 {
		r.Start = max(elapsed, r.LastTold+calm(p))
	}
}

// calm is the shortest time between two notices to one person of the same alarm
// coming again. Common practice, no source.
func calm(p alarms.Priority) time.Duration {
	if p == alarms.Critical || p == alarms.High {
		return time.Minute
	}
	return 10 * time.Minute
}

// answered reports whether a person has acknowledged an alarm that is not yet
// normal.
func answered(s alarms.State) bool {
	return s == alarms.Acknowledged || s == alarms.LatchedAcknowledged
}

// quiet reports whether quiet hours hold an alarm now.
func (e *Escalator) quiet(c *alarms.Condition) bool {
	return c.Priority == alarms.Low && e.s.Quiet.holds(e.last, e.s.Zone)
}

// advance tells what is due of an alarm, and notes when to look again.
func (e *Escalator) advance(r *run, c *alarms.Condition) {
	if r.Waiting == nil && !r.State.Unanswered() {
		return
	}
	if e.quiet(c) {
		if r.Held == nil {
			at := max(e.elapsed, r.Start)
			r.Held, e.changed = &at, true
		}
		e.due = e.elapsed // look at every step
		return
	}
	if r.Held != nil {
		r.Start += e.elapsed - *r.Held // the held time does not count
		r.Held, e.changed = nil, true
	}
	if w := r.Waiting; w != nil {
		r.Waiting, e.changed = nil, true
		e.tellOn(w.Kind, r, &w.Condition)
		if r.State == alarms.Normal {
			e.forget(c.Alarm)
			return
		}
	}
	if r.State.Unanswered() {
		e.climb(r, c)
	}
}

// climb tells the steps and repeats of an unanswered alarm that are due. Nobody
// is told twice in one moment, however much is due after a standstill.
func (e *Escalator) climb(r *run, c *alarms.Condition) {
	plan := e.s.Plans[c.Priority]
	age := e.elapsed - r.Start
	begin := len(e.out)
	tell := func(kind Kind, to recipient) {
		if !slices.ContainsFunc(e.out[begin:], func(n Notice) bool { return n.to(to) }) {
			e.tell(kind, r, c, to)
		}
	}
	first := r.Steps
	for r.Steps < len(plan.Steps) && age >= plan.Steps[r.Steps].After {
		r.Steps++
		for _, p := range plan.Steps[r.Steps-1].Persons {
			for _, a := range p.Reach {
				tell(Raised, recipient{Person: p.Name, Channel: a.Channel, To: a.To})
			}
		}
	}
	if n := plan.repeats(r.Steps, age); n > r.Repeats {
		r.Repeats, e.changed = n, true
		for _, to := range slices.Clone(r.Told) {
			tell(Repeated, to)
		}
	}
	if r.Again && e.elapsed >= r.LastTold+calm(c.Priority) {
		r.Again, e.changed = false, true
		for _, to := range slices.Clone(r.Told) {
			tell(CameAgain, to)
		}
	}
	e.changed = e.changed || r.Steps > first
	if next := plan.next(r.Steps, r.Repeats); next != never {
		e.due = min(e.due, r.Start+next)
	}
	if r.Again {
		e.due = min(e.due, r.LastTold+calm(c.Priority))
	}
}

// tellOn tells those who know of an alarm how it goes on.
func (e *Escalator) tellOn(kind Kind, r *run, c *alarms.Condition) {
	if len(r.Told) == 0 {
		return
	}
	if e.quiet(c) {
		r.Waiting = &waiting{kind, storable(c)}
		e.due = e.elapsed
		return
	}
	for _, to := range slices.Clone(r.Told) {
		e.tell(kind, r, c, to)
	}
}

// checkpoint is the escalator's memory across restarts.
type checkpoint struct {
	Time    time.Time       `json:"time"`
	Elapsed time.Duration   `json:"elapsed"`
	Runs    map[string]*run `json:"runs"`
}

// Checkpoint returns what Restore needs after a restart.
func (e *Escalator) Checkpoint() []byte {
	b, err := json.Marshal(checkpoint{e.last, e.elapsed, e.runs})
	if err != nil { // plain data always marshals
		panic(err)
	}
	return b
}

// longestStop bounds the time that a restart may seem to have taken, by a clock
// that was wrong.
const longestStop = 366 * 24 * time.Hour

// longestRun bounds the time that all steps together have taken.
const longestRun = 100 * longestStop

// possible reports whether a run can have come about by a time.
func (r *run) possible(elapsed time.Duration) bool {
	within := func(t time.Duration) bool { return t >= -longestRun && t <= elapsed+calm(alarms.Low) }
	return within(r.Start) && within(r.LastTold) && (r.Held == nil || within(*r.Held)) &&
		r.Steps >= 0 && r.Repeats >= 0 && time.Duration(r.Repeats) <= 2*longestRun/time.Minute
}

// Restore goes on from a checkpoint. The time that has passed since then by the
// wall clock counts, unless that clock has gone back: a restart costs nobody's
// turn.
func (e *Escalator) Restore(data []byte, now time.Time) error {
	var cp checkpoint
	if err := json.Unmarshal(data, &cp); err != nil {
		return fmt.Errorf("escalation checkpoint is not readable: %w", err)
	}
	if cp.Elapsed < 0 || cp.Elapsed > longestRun {
		return fmt.Errorf("escalation checkpoint has run for %s", cp.Elapsed)
	}
	for name, r := range cp.Runs {
		if r == nil || !r.possible(cp.Elapsed) {
			return fmt.Errorf("escalation checkpoint makes no sense of alarm %.64q", name)
		}
	}
	e.elapsed = cp.Elapsed + min(max(0, now.Sub(cp.Time)), longestStop)
	e.last = now
	maps.Copy(e.runs, cp.Runs)
	return nil
}
