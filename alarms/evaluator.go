package alarms

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"
)

// Sample is what a figure says at one step.
type Sample struct {
	// Value is in the figure's SI unit; it means nothing unless Usable.
	Value float64
	// Usable is false when the value is bad, stale or missing.
	Usable bool
	// Quality is that of the figure: good, uncertain:reason or bad:reason.
	Quality string
	// Detail completes a sentence: why a value is not usable or not certain, or,
	// after the subject of a state alarm, what was found.
	Detail string
	// First is what to try first by what was found; it goes before the setting's
	// first actions. Empty when there is nothing to add.
	First string
}

// usable guards against a value that claims to be usable and is no number.
func (s Sample) usable() bool {
	return s.Usable && !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0)
}

// Evaluator holds every alarm of a site. It is not safe for concurrent use.
type Evaluator struct {
	alarms   []*alarm
	byName   map[string]*alarm
	sequence uint64
	last     time.Time
	orders   orderMemory
}

// alarm is one alarm at work.
type alarm struct {
	Setting
	input int
	stored
	// pending is how long the sought change (raise when inactive, clear when
	// active) has held; fresh means that the last usable sample sought it too.
	pending time.Duration
	fresh   bool
	sample  Sample
}

// stored is the part of an alarm that survives a restart.
type stored struct {
	State          State     `json:"state"`
	Episode        uint64    `json:"episode"`
	Since          time.Time `json:"since"`
	AcknowledgedBy string    `json:"acknowledged_by,omitempty"`
	Sequence       uint64    `json:"sequence"`
}

// New makes an evaluator with every alarm normal. Inputs lists the figures in
// the order in which Step gets their samples.
func New(settings []Setting, inputs []string) (*Evaluator, error) {
	e := &Evaluator{byName: make(map[string]*alarm, len(settings))}
	for _, s := range settings {
		if err := s.check(); err != nil {
			return nil, err
		}
		i := slices.Index(inputs, s.Input)
		if i < 0 {
			return nil, fmt.Errorf("alarm %s: no figure is called %q", s.Name, s.Input)
		}
		if e.byName[s.Name] != nil {
			return nil, fmt.Errorf("two alarms are called %s", s.Name)
		}
		a := &alarm{Setting: s, input: i, stored: stored{State: Normal}}
		e.byName[s.Name] = a
		e.alarms = append(e.alarms, a)
	}
	// The most urgent alarm of one step is told first.
	slices.SortStableFunc(e.alarms, func(a, b *alarm) int {
		return cmp.Or(-cmp.Compare(a.Priority.rank(), b.Priority.rank()), cmp.Compare(a.Name, b.Name))
	})
	return e, nil
}

// Step evaluates every alarm on the samples that hold at now, and returns what
// changed, the most urgent first. Samples lie in the order of New's inputs. A
// step with an earlier time than the one before counts no delay.
//
// A sample that is not usable holds an active alarm and never clears it; for an
// inactive one it freezes the on-delay, which goes on at the next usable sample.
func (e *Evaluator) Step(now time.Time, samples []Sample) []Transition {
	var elapsed time.Duration
	if !e.last.IsZero() {
		elapsed = max(0, now.Sub(e.last))
	}
	e.last = now
	var out []Transition
	for _, a := range e.alarms {
		if cause, to := a.step(elapsed, samples[a.input]); cause != "" {
			out = append(out, e.move(a, now, cause, to))
		}
	}
	return out
}

// step folds one sample in and returns the move it causes, if any.
func (a *alarm) step(elapsed time.Duration, in Sample) (Cause, State) {
	a.sample = in
	if !in.usable() {
		a.fresh = false
		if a.State.Active() {
			a.pending = 0 // an off-delay starts anew at the first good sample
		}
		return "", ""
	}
	active := a.State.Active()
	sought := a.holds(in.Value)
	delay := a.OnDelay
	if active {
		sought = a.gone(in.Value)
		delay = a.OffDelay
	}
	if !sought {
		a.pending, a.fresh = 0, false
		return "", ""
	}
	if a.fresh {
		a.pending += elapsed
	}
	a.fresh = true
	if a.pending < delay {
		return "", ""
	}
	a.pending, a.fresh = 0, false
	if !active {
		return Raised, Unacknowledged
	}
	return Cleared, a.cleared()
}

// cleared is where an active alarm goes when its condition has gone.
func (a *alarm) cleared() State {
	switch {
	case a.State == Unacknowledged && a.Latching:
		return LatchedUnacknowledged
	case a.State == Unacknowledged:
		return ReturnedUnacknowledged
	case a.Latching:
		return LatchedAcknowledged
	default:
		return Normal
	}
}

// move takes an alarm to its next state and records the transition.
func (e *Evaluator) move(a *alarm, now time.Time, cause Cause, to State) Transition {
	e.sequence++
	t := Transition{Sequence: e.sequence, Time: now, From: a.State, To: to, Cause: cause}
	if cause == Raised {
		a.Episode++
		a.AcknowledgedBy = ""
	}
	a.State, a.Since, a.Sequence = to, now, e.sequence
	t.After = a.condition()
	return t
}

// condition is the alarm as people see it.
func (a *alarm) condition() Condition {
	c := Condition{
		Alarm:          a.Name,
		Priority:       a.Priority,
		State:          a.State,
		Episode:        a.Episode,
		Since:          a.Since,
		Unit:           a.Shown.Unit,
		Quality:        a.sample.Quality,
		Place:          a.Place,
		What:           a.sentence(a.State, a.sample),
		Consequence:    a.Consequence,
		FirstAction:    a.FirstAction,
		RespondWithin:  a.RespondWithin.String(),
		AcknowledgedBy: a.AcknowledgedBy,
		Sequence:       a.Sequence,
	}
	if a.sample.First != "" {
		c.FirstAction = append([]string{a.sample.First}, a.FirstAction...)
	}
	if a.Kind != StateOn {
		l := a.Shown.show(a.Limit)
		c.Limit = &l
		if a.sample.usable() {
			v := a.Shown.show(a.sample.Value)
			c.Value = &v
		}
	}
	return c
}

// Conditions returns the present condition of every alarm, normal ones too, the
// most urgent priority first.
func (e *Evaluator) Conditions() []Condition {
	cs := make([]Condition, len(e.alarms))
	for i, a := range e.alarms {
		cs[i] = a.condition()
	}
	return cs
}

// Sequence is that of the last transition.
func (e *Evaluator) Sequence() uint64 { return e.sequence }

// checkpoint is the evaluator's memory across restarts.
type checkpoint struct {
	Sequence uint64            `json:"sequence"`
	Alarms   map[string]stored `json:"alarms"`
}

// Checkpoint returns what Restore needs after a restart. Delays in progress are
// not kept: a restart costs an alarm at most its on-delay.
func (e *Evaluator) Checkpoint() []byte {
	cp := checkpoint{Sequence: e.sequence, Alarms: make(map[string]stored, len(e.alarms))}
	for _, a := range e.alarms {
		cp.Alarms[a.Name] = a.stored
	}
	b, err := json.Marshal(cp)
	if err != nil { // plain data always marshals
		panic(err)
	}
	return b
}

// Restore brings back the states, episodes and sequence of a checkpoint, as
// ISA-18.2 asks: an alarm that stood before the restart still stands, and needs
// no second acknowledgement. An alarm that the site no longer has is retired, a
// normal one too, so that nobody keeps its last condition: its closing transition
// is returned.
func (e *Evaluator) Restore(data []byte, now time.Time) ([]Transition, error) {
	var cp checkpoint
	if err := json.Unmarshal(data, &cp); err != nil {
		return nil, fmt.Errorf("alarm checkpoint is not readable: %w", err)
	}
	e.sequence = max(e.sequence, cp.Sequence)
	var gone []string
	for name, s := range cp.Alarms {
		a := e.byName[name]
		switch {
		case a == nil:
			gone = append(gone, name)
		default:
			a.stored = s
			a.sample = Sample{Quality: "bad:not-yet-read", Detail: "has not been read since the restart"}
		}
	}
	slices.Sort(gone)
	var out []Transition
	for _, name := range gone {
		s := cp.Alarms[name]
		a := &alarm{Setting: Setting{Name: name, Kind: StateOn, Priority: Low, Subject: "Alarm " + name}, stored: s}
		t := e.move(a, now, Retired, Normal)
		t.After.What = "Alarm " + name + " was removed from the site file while it stood in state " + string(s.State) + "."
		t.After.Quality = "good"
		out = append(out, t)
	}
	return out, nil
}
