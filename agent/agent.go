// Package agent joins the pure core to the world: one owner goroutine folds
// readings and orders through it in time order, commits what changed, and swaps
// in an immutable Snapshot for everyone else to read.
package agent

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"ebbwatch/agent/core"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// Source brings readings. Run calls emit with every batch, in time order for
// each point, until ctx ends. A batch may be all bad, but a due poll is never
// left out. The source may use a batch again once emit has returned.
type Source interface {
	Run(ctx context.Context, emit func([]reading.Reading)) error
}

// Store makes events durable before anyone is told.
type Store interface {
	// Commit stores events, the first with sequence first and the rest rising by
	// one, together with the checkpoint that holds after them. On an error the
	// store keeps them in memory and tries again with the next commit, which may
	// bring no event.
	Commit(first uint64, events [][]byte, checkpoint []byte) error
	// Checkpoint returns the last one committed, nil in a new store.
	Checkpoint() ([]byte, error)
	// Depth is how many events are still to be told.
	Depth() int
	// Lost tells in a sentence what an earlier store lost, or is empty.
	Lost() string
}

// Teller passes on what the agent found. No method may block.
type Teller interface {
	// Step is called after every step with what holds now. Transitions is not
	// empty when events were committed.
	Step(s *Snapshot, transitions []alarms.Transition)
	// Heartbeat is made by the owner goroutine itself: silence means that the
	// evaluation stands still.
	Heartbeat(h Heartbeat)
}

// Recorder keeps what goes into the core, so that a replay gives the same figures
// and transitions. No method may block, nor keep what it is given.
type Recorder interface {
	// Due tells that Head is wanted before what comes next.
	Due(at time.Time) bool
	// Head has what the core remembers at this time, nil for nothing. It is called
	// before anything else.
	Head(at time.Time, checkpoint []byte)
	// Step has the readings of a step, none for a mere tick, and the samples of
	// MemoryAlarms and those of the watches.
	Step(at time.Time, rs []reading.Reading, own []alarms.Sample)
	Order(at time.Time, o alarms.Order)
}

// Heartbeat tells that the evaluation advances.
type Heartbeat struct {
	Sequence uint64
	Time     time.Time
	// LoopAge is the longest time since the last heartbeat that no step ended.
	LoopAge time.Duration
	// WorstInstrumentAge is the age of the oldest usable reading.
	WorstInstrumentAge time.Duration
	OutboxDepth        int
	// Clock is "steady", or "stepped" when the wall clock has left the monotonic
	// one by over two seconds since start.
	Clock string
}

// Snapshot is what holds after a step. It is never changed once published.
type Snapshot struct {
	Time       time.Time
	Figures    []plant.Figure
	Conditions []alarms.Condition
	// Performance tells how much the alarms asked of people; it is at most
	// performanceEvery old.
	Performance alarms.Performance
	Steps       uint64
	// Sequence is that of the last event.
	Sequence uint64
	// Stepped is the real time of the step; Time differs from it when the agent
	// runs on simulated time.
	Stepped time.Time
	// StoreError tells why events cannot be remembered, nil when they are.
	StoreError error
}

// Options are the parts of an agent. Plant, Source, Store and Teller are
// required.
type Options struct {
	Plant  *plant.Plant
	Alarms []alarms.Setting
	Source Source
	Store  Store
	Teller Teller
	// Wake is called as soon as events were committed, before the notices are: a
	// disk that hangs holds them once, not twice. It may not block.
	Wake func()
	// Escalation tells people; nil tells nobody.
	Escalation *Escalation
	// Recorder keeps what goes into the core; nil keeps nothing.
	Recorder Recorder
	// Watches are what the edges report of themselves.
	Watches []Watch
	// Roles may give orders; without any, all whom the edges let in may.
	Roles []alarms.Role
	// Edges run beside the agent and end with it.
	Edges []func(context.Context) error
	// Now stamps steps; nil takes time.Now.
	Now func() time.Time
	// ClockUnsure reports whether a time may be wrong, since the host's clock was
	// not set yet: an event says so. Nil is never.
	ClockUnsure func(time.Time) bool
	Log         *slog.Logger
	// Tick is the longest time between two steps, Beat that between heartbeats,
	// Probe that between two commits, so that a disk which has failed in quiet
	// times is found; zero takes 1 s, 20 s and 30 min.
	Tick, Beat, Probe time.Duration
}

// Watch is an alarm about an edge. Err tells what fails, nil when nothing does;
// it may not block.
type Watch struct {
	Alarm alarms.Setting
	Err   func() error
}

// Agent is the running watch over one site.
type Agent struct {
	o        Options
	core     *core.Core
	self     []alarms.Sample // of the alarms over the agent itself
	snapshot atomic.Pointer[Snapshot]
	batches  chan []reading.Reading
	free     chan []reading.Reading // batches that were folded
	orders   chan order

	// Owned by the goroutine in own.
	steps       uint64
	started     time.Time
	lastStep    time.Time // the latest time that the core has seen
	lastWork    time.Time // when a step last ended
	loopAge     time.Duration
	beats       uint64
	performance alarms.Performance
	judged      time.Time // when performance was taken
	storeError  error
	noticeError error     // likewise of the notices
	storedAt    time.Time // when a commit last ended
	lostTold    string
	// closed are the transitions of the start, which the escalator has to see.
	closed []alarms.Transition
}

type order struct {
	alarms.Order
	answer chan alarms.Answer
}

// The figures that the agent adds about itself.
const (
	journalFigure = "self.journal"
	lostFigure    = "self.journal-lost"
)

// backlog is how many batches may wait for the core, so that polling goes on
// while a slow disk holds a commit.
const backlog = 1024

// MemoryAlarms are the alarms that every agent has over itself. They go before
// those of its watches.
func MemoryAlarms() []alarms.Setting {
	return []alarms.Setting{alarms.MemoryFailing(journalFigure), alarms.MemoryLost(lostFigure)}
}

// New joins the parts and restores the alarms' states from the store.
func New(o Options) (*Agent, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Tick == 0 {
		o.Tick = time.Second
	}
	if o.Beat == 0 {
		o.Beat = 20 * time.Second
	}
	if o.Probe == 0 {
		o.Probe = 30 * time.Minute
	}
	own := MemoryAlarms()
	for _, w := range o.Watches {
		own = append(own, w.Alarm)
	}
	c, err := core.New(o.Plant, own, o.Alarms, o.Roles)
	if err != nil {
		return nil, err
	}
	a := &Agent{
		o: o, core: c,
		self:    make([]alarms.Sample, len(own)),
		batches: make(chan []reading.Reading, backlog),
		free:    make(chan []reading.Reading, backlog),
		orders:  make(chan order),
		started: o.Now(),
	}
	if err := a.restore(); err != nil {
		return nil, err
	}
	a.o.Escalation.restore(a.started, a.o.Log)
	a.snapshot.Store(&Snapshot{Time: a.started, Conditions: c.Evaluator.Conditions(), Sequence: c.Evaluator.Sequence(), Stepped: time.Now()})
	return a, nil
}

// restore brings back what the store remembers.
func (a *Agent) restore() error {
	cp, err := a.o.Store.Checkpoint()
	if err != nil {
		return fmt.Errorf("read the alarm states from the journal: %w", err)
	}
	if a.o.Recorder != nil {
		a.o.Recorder.Head(a.started, cp)
	}
	closed, err := a.core.Restore(cp, a.started)
	if err != nil {
		return err
	}
	a.closed = closed
	return a.commit(closed)
}

// Snapshot returns what held after the last step.
func (a *Agent) Snapshot() *Snapshot { return a.snapshot.Load() }

// Run watches until ctx ends or an edge fails, and returns when all of it has
// stopped.
func (a *Agent) Run(parent context.Context) error {
	g, ctx := errgroup.WithContext(parent)
	for _, edge := range a.o.Edges {
		g.Go(func() error { return edge(ctx) })
	}
	g.Go(func() error {
		return a.o.Source.Run(ctx, func(rs []reading.Reading) { a.take(ctx, rs) })
	})
	g.Go(func() error { return a.own(ctx) })
	err := g.Wait()
	if stop := parent.Err(); stop != nil && errors.Is(err, stop) {
		return nil // asked to stop, and stopped
	}
	return err
}

// take puts a copy of a batch into the backlog, in the room of one that was
// folded.
func (a *Agent) take(ctx context.Context, rs []reading.Reading) {
	var room []reading.Reading
	select {
	case room = <-a.free:
	default:
	}
	select {
	case a.batches <- append(room[:0], rs...):
	case <-ctx.Done():
	}
}

// Order carries out a person's order in the owner goroutine.
func (a *Agent) Order(ctx context.Context, o alarms.Order) alarms.Answer {
	in := order{o, make(chan alarms.Answer, 1)}
	select {
	case a.orders <- in:
		return <-in.answer
	case <-ctx.Done():
		return alarms.Answer{Order: o.ID, Alarm: o.Alarm, Result: alarms.Refused, Why: "ebbwatch is stopping"}
	}
}

// own is the owner goroutine: nothing else touches the core.
func (a *Agent) own(ctx context.Context) error {
	tick := time.NewTicker(a.o.Tick)
	defer tick.Stop()
	beat := time.NewTicker(a.o.Beat)
	defer beat.Stop()
	a.step(a.o.Now(), nil)
	a.beat()
	a.probe()
	for {
		select {
		case <-ctx.Done():
			a.probe() // what is counted since the last commit outlives a stop
			return ctx.Err()
		case rs := <-a.batches:
			a.fold(rs)
		case o := <-a.orders:
			a.catchUp()
			o.answer <- a.obey(o.Order)
		case <-tick.C:
			if a.forgetful() != nil || a.o.Now().Sub(a.storedAt) >= a.o.Probe {
				a.probe()
			}
			a.catchUp()
			a.step(a.o.Now(), nil)
		case <-beat.C:
			a.beat()
		}
	}
}

// obey carries out an order. What a sample or a service changes is committed with
// its record.
func (a *Agent) obey(o alarms.Order) alarms.Answer {
	now := a.o.Now()
	if r := a.recorder(now); r != nil {
		r.Order(now, o)
	}
	ts, answer := a.core.Order(now, o)
	a.settle(ts)
	return answer
}

// catchUp folds the batches that wait, so that time never runs ahead of them.
func (a *Agent) catchUp() {
	for {
		select {
		case rs := <-a.batches:
			a.fold(rs)
		default:
			return
		}
	}
}

// fold steps the core at the time of a batch, not at the time of its turn: a
// commit that took long makes what follows late, but not stale.
func (a *Agent) fold(rs []reading.Reading) {
	at := a.lastStep
	for i := range rs {
		if rs[i].Time.After(at) {
			at = rs[i].Time
		}
	}
	if now := a.o.Now(); at.After(now) {
		at = now
	}
	// After a standstill of the process or the host, what was known before it
	// grows stale before anything new is judged.
	if at.Sub(a.lastStep) > 2*a.o.Tick {
		a.step(at, nil)
	}
	a.step(at, rs)
	select {
	case a.free <- rs:
	default:
	}
}

// step folds a batch, or the mere passing of time, through the core.
func (a *Agent) step(now time.Time, rs []reading.Reading) {
	a.lastStep = now
	a.steps++
	a.self[0], a.self[1] = a.selfSamples()
	for i, w := range a.o.Watches {
		a.self[2+i] = core.Failing(w.Err())
	}
	if r := a.recorder(now); r != nil {
		r.Step(now, rs, a.self)
	}
	figures, ts := a.core.Step(now, rs, a.self)
	a.publish(now, figures, ts)
}

// recorder is ready for what comes next; nil where nothing is recorded.
func (a *Agent) recorder(now time.Time) Recorder {
	r := a.o.Recorder
	if r != nil && r.Due(now) {
		r.Head(now, a.core.Checkpoint())
	}
	return r
}

// selfSamples are those of journalFigure and lostFigure.
func (a *Agent) selfSamples() (memory, lost alarms.Sample) {
	memory, lost = core.Failing(nil), core.Failing(nil)
	if err := a.forgetful(); err != nil {
		memory.Value, memory.Detail = 1, "cannot be written: "+err.Error()
	}
	// A loss is news once; the alarm latches until a person has taken note.
	if what := cmp.Or(a.o.Store.Lost(), a.o.Escalation.lost()); what != a.lostTold {
		a.lostTold = what
		lost.Value, lost.Detail = 1, "was started anew: "+what
	}
	return memory, lost
}

// settle commits and publishes transitions that no new figure caused.
func (a *Agent) settle(ts []alarms.Transition) {
	a.publish(a.lastStep, a.snapshot.Load().Figures, ts)
}

// performanceEvery is how long the health figures of the alarms stand.
const performanceEvery = 10 * time.Second

// publish makes transitions durable, then lets everyone see.
func (a *Agent) publish(now time.Time, figures []plant.Figure, ts []alarms.Transition) {
	if len(ts) > 0 {
		a.remember(&a.storeError, a.commit(ts))
		if a.o.Wake != nil {
			a.o.Wake()
		}
	}
	conditions := a.core.Evaluator.Conditions()
	a.escalate(now, ts, conditions)
	if len(ts) > 0 || a.judged.IsZero() || now.Sub(a.judged).Abs() >= performanceEvery {
		a.performance, a.judged = a.core.Evaluator.Performance(), now
	}
	s := &Snapshot{
		Time: now, Figures: figures, Conditions: conditions, Performance: a.performance,
		Steps: a.steps, Sequence: a.core.Evaluator.Sequence(), Stepped: time.Now(), StoreError: a.forgetful(),
	}
	a.snapshot.Store(s)
	a.o.Teller.Step(s, ts)
	ended := a.o.Now()
	if !a.lastWork.IsZero() {
		a.loopAge = max(a.loopAge, ended.Sub(a.lastWork))
	}
	a.lastWork = ended
}

// forgetful tells why events or notices cannot be remembered, nil when they are.
func (a *Agent) forgetful() error {
	if a.storeError != nil {
		return a.storeError
	}
	return a.noticeError
}

// remember notes in was whether the last commit worked, and logs a change.
func (a *Agent) remember(was *error, err error) {
	switch {
	case err != nil && *was == nil:
		a.o.Log.Error("the journal cannot be written: alarms are still told, but a restart would forget them", "err", err)
	case err == nil && *was != nil:
		a.o.Log.Info("the journal can be written again")
	}
	*was = err
	a.storedAt = a.o.Now()
}

// probe commits no event: it finds out whether the store can be written, and lets
// it write what it held back.
func (a *Agent) probe() {
	a.remember(&a.storeError, a.o.Store.Commit(0, nil, a.core.Checkpoint()))
	if e := a.o.Escalation; e != nil {
		a.remember(&a.noticeError, e.Store.Commit(0, nil, e.Escalator.Checkpoint()))
	}
}

// commit makes transitions durable together with the state after them.
func (a *Agent) commit(ts []alarms.Transition) error {
	if len(ts) == 0 {
		return nil
	}
	events := make([][]byte, len(ts))
	for i := range ts {
		ts[i].ClockUnsure = a.o.ClockUnsure != nil && a.o.ClockUnsure(ts[i].Time)
		b, err := json.Marshal(&ts[i])
		if err != nil {
			return fmt.Errorf("write event %d: %w", ts[i].Sequence, err)
		}
		events[i] = b
	}
	return a.o.Store.Commit(ts[0].Sequence, events, a.core.Checkpoint())
}

// beat tells that the loop is alive.
func (a *Agent) beat() {
	a.beats++
	now := a.o.Now()
	h := Heartbeat{
		Sequence: a.beats, Time: now,
		LoopAge:            max(a.loopAge, now.Sub(a.lastWork)),
		WorstInstrumentAge: a.o.Plant.WorstAge(now),
		OutboxDepth:        a.o.Store.Depth(),
		Clock:              "steady",
	}
	a.loopAge = 0
	// Sub uses the monotonic clock; without it the difference is the wall's.
	if d := now.Round(0).Sub(a.started.Round(0)) - now.Sub(a.started); d.Abs() > 2*time.Second {
		h.Clock = "stepped"
	}
	a.o.Teller.Heartbeat(h)
}
