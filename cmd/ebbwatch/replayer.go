package main

import (
	"time"

	"ebbwatch/agent/core"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/recording"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// newCore makes the core of a site, as the agent does.
func newCore(site *config.Site, settings plant.Settings, rules []alarms.Setting, w watching) (*core.Core, error) {
	p, err := plant.New(settings)
	if err != nil {
		return nil, err
	}
	_, rights := roles(site)
	return core.New(p, selfAlarms(site, w), rules, rights)
}

// replayer steps one core through what was recorded.
type replayer struct {
	site  *config.Site
	rules []alarms.Setting
	// settings of the plant, for a speed of the recording.
	settings func(watching) plant.Settings
	// onStep and onEvents see what comes out, with the wall clock's times; onStep may
	// be nil and may not keep the figures.
	onStep   func(at time.Time, figures []plant.Figure)
	onEvents func(ts []alarms.Transition)

	core    *core.Core
	own     []alarms.Sample
	boot    time.Time
	entries uint64
	last    time.Time // step
	steps   uint64
	// missed are the steps and orders that a recording lacks, runs the starts of the
	// daemon that it has, stepped how far the wall clock was set at most.
	missed  uint64
	runs    int
	stepped time.Duration
	// other is the name of another site that a recording is of, empty for none.
	other string
}

// begin makes the core anew, with what a checkpoint remembers.
func (r *replayer) begin(at time.Time, w watching, checkpoint []byte) error {
	c, err := newCore(r.site, r.settings(w), r.rules, w)
	if err != nil {
		return err
	}
	r.core, r.own, r.last = c, make([]alarms.Sample, len(selfAlarms(r.site, w))), time.Time{}
	for i := range r.own {
		r.own[i] = core.Failing(nil)
	}
	ts, err := c.Restore(checkpoint, at)
	if err != nil {
		return err
	}
	r.onEvents(ts)
	return nil
}

// head goes on with a file, or begins with it where it does not follow the one before.
func (r *replayer) head(e *recording.Entry) error {
	h := e.Head
	same := h.Boot.Equal(r.boot)
	if same && h.Entry == r.entries {
		return nil
	}
	switch {
	case !same:
		r.runs++
		r.missed += h.Entry
	case h.Entry > r.entries:
		r.missed += h.Entry - r.entries
	}
	r.boot, r.entries = h.Boot, h.Entry
	if h.Site != r.site.Name {
		r.other = h.Site
	}
	return r.begin(e.Time, watching{speed: h.Speed}, h.Checkpoint)
}

// take does what an entry says.
func (r *replayer) take(e *recording.Entry) error {
	if e.Kind == recording.Begin {
		return r.head(e)
	}
	if r.core == nil {
		if err := r.begin(e.Time, watching{}, nil); err != nil {
			return err
		}
	}
	r.entries++
	if e.Astray.Abs() > r.stepped {
		r.stepped = e.Astray.Abs()
	}
	if e.Kind == recording.Order {
		ts, _ := r.core.Order(e.Time, e.Order)
		r.tell(ts, e.Astray)
		return nil
	}
	if len(e.Self) == len(r.own) {
		copy(r.own, e.Self)
	}
	r.step(e)
	return nil
}

func (r *replayer) step(e *recording.Entry) {
	figures, ts := r.core.Step(e.Time, e.Readings, r.own)
	r.steps++
	r.last = e.Time
	if r.onStep != nil {
		r.onStep(e.Time.Add(e.Astray), figures)
	}
	r.tell(ts, e.Astray)
	r.core.Plant.Reuse(figures)
}

func (r *replayer) tell(ts []alarms.Transition, astray time.Duration) {
	for i := range ts {
		ts[i].Time = ts[i].Time.Add(astray)
	}
	if len(ts) > 0 {
		r.onEvents(ts)
	}
}

// lead is how long before new readings those before them are judged once more.
const lead = time.Second

// pass lets time pass up to a time, where a history has no steps: in fine ticks while
// a delay runs, the last of them just before the new readings, since what held until
// then has held; else in coarse ones, of a minute after ten without a reading.
func (r *replayer) pass(until time.Time, fine, coarse time.Duration) {
	if r.core == nil || r.last.IsZero() {
		return
	}
	for since := r.last; ; {
		at := r.last.Add(coarse)
		switch pending := r.core.Evaluator.Pending(); {
		case pending:
			if at = r.last.Add(fine); !at.Before(until) {
				at = until.Add(-lead)
			}
		case r.last.Sub(since) >= 10*time.Minute:
			at = r.last.Add(max(coarse, time.Minute))
		}
		if !at.After(r.last) || !at.Before(until) {
			return
		}
		r.step(&recording.Entry{Time: at})
	}
}
