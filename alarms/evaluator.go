package alarms

import (
	"cmp"
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
	// Evidence tells what else speaks for or against the value, Vote how the
	// detectors of a room stand; both are for people, and may be empty.
	Evidence, Vote string
}

// usable guards against a value that claims to be usable and is no number.
func (s Sample) usable() bool {
	return s.Usable && !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0)
}

// unread is the sample of an alarm before its first step.
var unread = Sample{Quality: "bad:not-yet-read", Detail: "has not been read since the start"}

// Evaluator holds every alarm of a site. It is not safe for concurrent use.
type Evaluator struct {
	alarms   []*alarm
	byName   map[string]*alarm
	groups   []*group
	roles    map[string]Role
	sequence uint64
	last     time.Time
	orders   orderMemory
	refusals refusals
	health   performance
	// conditions is what Conditions last returned.
	conditions []Condition
}

// alarm is one alarm at work.
type alarm struct {
	Setting
	input, other, suppressor int
	group                    *group

	machine
	episode        uint64
	since          time.Time
	sequence       uint64
	acknowledgedBy string
	// shelver, suppressing and remover withhold the alarm from people.
	shelver, suppressing, remover withholder
	// raised is when the present episode began, acknowledged when it was answered.
	raised, acknowledged time.Time
	realarms             int
	firstOut, tie        bool
	// A shelving ends at shelvedUntil by the wall clock, or when shelfLeft has
	// passed by the steps' own time: whichever comes first. Shelved again, it may
	// not go over ShelveMax after shelvedAt.
	shelvedAt, shelvedUntil time.Time
	shelfLeft               time.Duration
	testUntil               time.Time // likewise
	testLeft                time.Duration
	// realarmLeft is the time until an acknowledged alarm calls again.
	realarmLeft time.Duration
	// lifting is how long the suppressor has been zero.
	lifting time.Duration

	// pending is how long the sought change (raise when inactive, clear when
	// active) has held; fresh means that the last usable sample sought it too.
	pending time.Duration
	fresh   bool
	slope   *slope
	still   stillness
	sample  Sample

	// changed: the condition is not the one last given out.
	changed bool
	health  alarmHealth
}

// withholder is who or what withholds an alarm, and why.
type withholder struct {
	By  string `json:"by"`
	Why string `json:"why,omitempty"`
}

// withheldBy is the one whose flag shows.
func (a *alarm) withheldBy() withholder {
	switch a.state() {
	case OutOfService:
		return a.remover
	case Suppressed:
		return a.suppressing
	case Shelved:
		return a.shelver
	default:
		return withholder{}
	}
}

// New makes an evaluator with every alarm normal. Inputs lists the figures in
// the order in which Step gets their samples.
func New(settings []Setting, inputs []string) (*Evaluator, error) {
	e := &Evaluator{byName: make(map[string]*alarm, len(settings))}
	for _, s := range settings {
		if err := s.check(); err != nil {
			return nil, err
		}
		a := &alarm{Setting: s, machine: machine{acked: true}, sample: unread, changed: true}
		for _, f := range []struct {
			name  string
			index *int
		}{{s.Input, &a.input}, {s.Other, &a.other}, {s.SuppressedBy, &a.suppressor}} {
			if *f.index = slices.Index(inputs, f.name); *f.index < 0 && (f.name != "" || f.index == &a.input) {
				return nil, fmt.Errorf("alarm %s: no figure is called %q", s.Name, f.name)
			}
		}
		if e.byName[s.Name] != nil {
			return nil, fmt.Errorf("two alarms are called %s", s.Name)
		}
		if s.Kind == Rising || s.Kind == Falling {
			a.slope = newSlope(s.Window)
		}
		if s.Group != "" {
			e.join(a)
		}
		e.byName[s.Name] = a
		e.alarms = append(e.alarms, a)
	}
	// The most urgent alarm of one step is told first.
	slices.SortStableFunc(e.alarms, func(a, b *alarm) int {
		return cmp.Or(-cmp.Compare(a.Priority.Rank(), b.Priority.Rank()), cmp.Compare(a.Name, b.Name))
	})
	return e, nil
}

// Step evaluates every alarm on the samples that hold at now, and returns what
// changed, the most urgent first. Samples lie in the order of New's inputs. A
// step with an earlier time than the one before counts no delay.
//
// A sample that is not usable holds an active alarm and never clears it; what it
// does to an inactive one is the alarm's BadPolicy.
func (e *Evaluator) Step(now time.Time, samples []Sample) []Transition {
	var elapsed time.Duration
	if !e.last.IsZero() {
		elapsed = max(0, now.Sub(e.last))
	}
	e.last = now
	e.health.pass(e, elapsed)
	var out []Transition
	for _, a := range e.alarms {
		// What hides an alarm goes before its condition, what shows it again after:
		// neither then calls anyone for nothing.
		if a.suppressor >= 0 && !a.suppressed && suppresses(samples[a.suppressor]) {
			a.suppressing = withholder{a.SuppressedBy, samples[a.suppressor].Detail}
			out = e.move(out, a, now, evSuppress, SuppressedBy)
		}
		in := a.derive(elapsed, samples)
		if in != a.sample {
			a.sample, a.changed = in, true
		}
		switch a.judge(elapsed, in) {
		case evRaise:
			out = e.move(out, a, now, evRaise, Raised)
		case evClear:
			out = e.move(out, a, now, evClear, Cleared)
		}
		out = e.tick(out, a, now, elapsed, samples)
	}
	e.firstOut(out)
	return out
}

// judge folds one sample in and returns the event it causes: evRaise, evClear,
// or evNone.
func (a *alarm) judge(elapsed time.Duration, in Sample) event {
	sought, delay := false, a.OnDelay
	switch usable := in.usable(); {
	case a.active && usable:
		sought, delay = a.gone(in.Value), a.OffDelay
	case a.active: // an off-delay starts anew at the first good sample
	case usable:
		sought = a.holds(in.Value)
	case a.OnBad == CountAsAlarm:
		sought = true
	case a.OnBad == Hold:
		a.fresh = false
		return evNone
	}
	if !sought {
		a.pending, a.fresh = 0, false
		return evNone
	}
	if a.fresh {
		a.pending += elapsed
	}
	a.fresh = true
	if a.pending < delay {
		return evNone
	}
	a.pending, a.fresh = 0, false
	if a.active {
		return evClear
	}
	return evRaise
}

// tick lets an alarm's own times pass.
func (e *Evaluator) tick(out []Transition, a *alarm, now time.Time, elapsed time.Duration, samples []Sample) []Transition {
	if a.suppressed {
		s := Sample{} // a suppressor that the site no longer has suppresses nothing
		if a.suppressor >= 0 {
			s = samples[a.suppressor]
		}
		switch {
		case suppresses(s):
			a.lifting = 0
		default:
			a.lifting += elapsed
			if a.lifting >= a.UnsuppressDelay || !s.usable() {
				a.lifting = 0
				out = e.move(out, a, now, evUnsuppress, Unsuppressed)
			}
		}
	}
	if a.shelve != unshelved {
		if a.shelfLeft -= elapsed; a.shelfLeft <= 0 || past(a.shelvedUntil, now) {
			out = e.move(out, a, now, evShelveExpire, ShelfExpired)
		}
	}
	if !a.testUntil.IsZero() {
		if a.testLeft -= elapsed; a.testLeft <= 0 || past(a.testUntil, now) {
			out = append(out, e.endTest(a, now, nil))
		}
	}
	if a.ReAlarm > 0 && a.machine.state() == Acknowledged {
		if a.realarmLeft -= elapsed; a.realarmLeft <= 0 {
			out = e.move(out, a, now, evRealarm, Realarmed)
		}
	}
	return out
}

// past compares with the wall clock, whatever the monotonic one says.
func past(until, now time.Time) bool { return !now.Round(0).Before(until.Round(0)) }

func suppresses(s Sample) bool { return s.usable() && s.Value != 0 }

// move takes an alarm through an event and appends the transition, if any.
func (e *Evaluator) move(out []Transition, a *alarm, now time.Time, ev event, cause Cause) []Transition {
	if t, f := e.apply(a, now, ev, cause, nil); f.has(record) {
		out = append(out, t)
	}
	return out
}

// apply takes an alarm through an event. The transition is one only when the
// effect has record.
func (e *Evaluator) apply(a *alarm, now time.Time, ev event, cause Cause, order *Ordered) (Transition, effect) {
	from, before := a.state(), a.acked
	next, f := a.on(ev, a.Latching)
	if !f.has(record) {
		return Transition{}, f
	}
	a.machine = next
	if f.has(newEpisode) {
		a.episode++
		a.raised, a.realarms = now, 0
		if f.has(annunciate) && a.group != nil {
			a.group.raised = append(a.group.raised, a)
		}
	}
	if f.has(countRealarm) {
		a.realarms++
	}
	switch {
	case !a.acked:
		a.acknowledgedBy = ""
	case !before:
		a.acknowledged, a.realarmLeft = now, a.ReAlarm
	}
	if a.shelve == unshelved {
		a.shelvedAt, a.shelvedUntil, a.shelfLeft = time.Time{}, time.Time{}, 0
	}
	return e.write(a, now, cause, from, f, order), f
}

// write gives an alarm's change, or other news of it, its place in the record.
func (e *Evaluator) write(a *alarm, now time.Time, cause Cause, from State, f effect, order *Ordered) Transition {
	e.sequence++
	a.sequence, a.changed = e.sequence, true
	if a.state() != from {
		a.since = now
	}
	t := Transition{
		Sequence: e.sequence, Time: now, From: from, To: a.state(), Cause: cause, Order: order,
		Annunciate: f.has(annunciate), StopEscalation: f.has(stopEscalation),
		ShowAgain: f.has(showUnacked), Closed: f.has(closeEpisode),
		After: a.condition(),
	}
	e.health.note(a, &t)
	return t
}

// condition is the alarm as people see it.
func (a *alarm) condition() Condition {
	c := Condition{
		Alarm:          a.Name,
		Priority:       a.Priority,
		State:          a.state(),
		Episode:        a.episode,
		Since:          a.since,
		Unit:           a.Shown.Unit,
		Quality:        a.sample.Quality,
		Place:          a.Place,
		What:           a.sentence(a.machine, a.sample),
		LikelyCause:    a.LikelyCause,
		Consequence:    a.Consequence,
		FirstAction:    a.FirstAction,
		RespondWithin:  a.RespondWithin.String(),
		AcknowledgedBy: a.acknowledgedBy,
		WithheldBy:     a.withheldBy().By,
		WithheldWhy:    a.withheldBy().Why,
		FirstOut:       a.firstOut,
		FirstOutTie:    a.tie,
		Group:          a.Group,
		Realarms:       a.realarms,
		Sequence:       a.sequence,
		Evidence:       a.sample.Evidence,
		Vote:           a.sample.Vote,
	}
	if a.sample.First != "" {
		c.FirstAction = append([]string{a.sample.First}, c.FirstAction...)
	}
	if a.AtTest != "" && !a.testUntil.IsZero() {
		c.FirstAction = slices.Insert(slices.Clone(c.FirstAction), min(1, len(c.FirstAction)), a.AtTest)
	}
	c.Evidence = a.tested(c.Evidence)
	if a.hidden() {
		c.Underlying = a.core()
	}
	if a.shelve != unshelved {
		t := a.shelvedUntil
		c.ShelvedUntil = &t
	}
	if !a.testUntil.IsZero() {
		t := a.testUntil
		c.Test, c.TestUntil = true, &t
	}
	if a.Kind.limited() {
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
// most urgent priority first. The caller must not change them: what stayed the
// same is given out again.
func (e *Evaluator) Conditions() []Condition {
	copied := e.conditions == nil
	for i, a := range e.alarms {
		if !a.changed && e.conditions != nil {
			continue
		}
		if !copied {
			e.conditions, copied = slices.Clone(e.conditions), true
		}
		if e.conditions == nil {
			e.conditions = make([]Condition, len(e.alarms))
		}
		e.conditions[i] = a.condition()
		a.changed = false
	}
	return e.conditions
}

// Pending tells whether a delay runs, so that the mere passing of seconds may raise or
// clear an alarm.
func (e *Evaluator) Pending() bool {
	for _, a := range e.alarms {
		if a.fresh {
			return true
		}
	}
	return false
}

// Sequence is that of the last transition.
func (e *Evaluator) Sequence() uint64 { return e.sequence }
