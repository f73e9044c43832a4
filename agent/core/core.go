// Package core is the one step of ebbwatch: readings, orders and the mere passing
// of time become figures and alarm transitions. The daemon and a replay both call
// it and nothing else, so that they cannot differ.
package core

import (
	"encoding/json"
	"fmt"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// Core holds the state between steps. It is not safe for concurrent use.
type Core struct {
	Plant     *plant.Plant
	Evaluator *alarms.Evaluator

	samples []alarms.Sample
	figures int // so many samples are of figures, the rest of ebbwatch itself
}

// New joins a plant with the alarms over its figures. Own are alarms over what
// ebbwatch says of itself: their samples come with each step, in this order.
func New(p *plant.Plant, own, settings []alarms.Setting, roles []alarms.Role) (*Core, error) {
	inputs := p.Names()
	figures := len(inputs)
	for _, s := range own {
		inputs = append(inputs, s.Input)
	}
	all := append(append([]alarms.Setting(nil), own...), settings...)
	e, err := alarms.New(all, inputs)
	if err != nil {
		return nil, err
	}
	if err := e.Permit(roles); err != nil {
		return nil, err
	}
	return &Core{Plant: p, Evaluator: e, samples: make([]alarms.Sample, len(inputs)), figures: figures}, nil
}

// Step folds readings, or the mere passing of time when there are none, through
// the plant and the alarms. Own are the samples of the alarms over ebbwatch
// itself. The figures are the caller's to keep.
func (c *Core) Step(now time.Time, rs []reading.Reading, own []alarms.Sample) ([]plant.Figure, []alarms.Transition) {
	figures := c.Plant.Step(now, rs)
	for i := range figures {
		f := &figures[i]
		c.samples[i] = alarms.Sample{Value: f.Value, Usable: f.Quality.Usable(), Quality: f.Quality.String(), Detail: f.Detail, First: f.First, Evidence: f.Evidence, Vote: f.Vote}
	}
	copy(c.samples[c.figures:], own)
	ts := c.Evaluator.Step(now, c.samples)
	return figures, append(ts, c.told(now)...)
}

// told are the entries of what the plant itself has to tell.
func (c *Core) told(now time.Time) []alarms.Transition {
	var ts []alarms.Transition
	for _, change := range c.Plant.Changes() {
		ts = append(ts, c.Evaluator.Record(now, change.Words, change.Record))
	}
	return ts
}

// Order carries out a person's order. A sample, a service or what was done to
// containers enters the plant only when the order is done.
func (c *Core) Order(now time.Time, o alarms.Order) ([]alarms.Transition, alarms.Answer) {
	enter := func() {}
	var err error
	switch {
	case o.Refused != "":
	case o.Verb == alarms.GrabSample:
		enter, err = c.Plant.Sample(now, plant.Sample(o.Grab))
	case o.Verb == alarms.Containers:
		enter, err = c.Plant.Container(now, plant.ContainerOrder(o.Container), o.By)
	case o.Verb == alarms.Serviced:
		enter, err = c.Plant.Serviced(now, o.Detector, plant.Work(o.Service.Work), o.Service.Done)
	}
	if err != nil {
		o.Refused = err.Error()
	}
	ts, answer := c.Evaluator.Order(now, o)
	if answer.Result == alarms.Done {
		enter()
	}
	return ts, answer
}

// memory is what is kept over a restart. The one of version 0 was the evaluator's
// alone.
type memory struct {
	Version   int             `json:"agent_checkpoint"`
	Evaluator json.RawMessage `json:"evaluator"`
	Plant     json.RawMessage `json:"plant"`
}

const memoryVersion = 1

// Checkpoint is what Restore needs after a restart.
func (c *Core) Checkpoint() []byte {
	b, err := json.Marshal(memory{memoryVersion, c.Evaluator.Checkpoint(), c.Plant.Checkpoint()})
	if err != nil { // what is JSON already always marshals
		panic(err)
	}
	return b
}

// Restore brings back what a checkpoint remembers, and returns the transitions
// that a changed site brings. Without a checkpoint it does nothing.
func (c *Core) Restore(checkpoint []byte, now time.Time) ([]alarms.Transition, error) {
	if checkpoint == nil {
		return nil, nil
	}
	var m memory
	if err := json.Unmarshal(checkpoint, &m); err != nil {
		return nil, fmt.Errorf("the checkpoint in the journal is not readable: %w", err)
	}
	if m.Version == 0 { // from before there was more to keep than the alarms
		m.Evaluator = checkpoint
	} else if m.Version != memoryVersion {
		return nil, fmt.Errorf("the checkpoint in the journal has version %d, expected %d: a newer ebbwatch wrote it; start that one, or move the state folder away", m.Version, memoryVersion)
	} else if err := c.Plant.Restore(m.Plant); err != nil {
		return nil, err
	}
	return c.Evaluator.Restore(m.Evaluator, now)
}

// PlantCheckpoint is the plant's part of a checkpoint: what plant.Ledgers reads. It is
// nil when there is none.
func PlantCheckpoint(checkpoint []byte) ([]byte, error) {
	if checkpoint == nil {
		return nil, nil
	}
	var m memory
	if err := json.Unmarshal(checkpoint, &m); err != nil {
		return nil, fmt.Errorf("the checkpoint in the journal is not readable: %w", err)
	}
	return m.Plant, nil
}

// Failing is the sample of a part of ebbwatch that works while err is nil.
func Failing(err error) alarms.Sample {
	s := alarms.Sample{Usable: true, Quality: "good"}
	if err != nil {
		s.Value, s.Detail = 1, "fails: "+err.Error()
	}
	return s
}
