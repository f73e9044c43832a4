package agent

import (
	"encoding/json"
	"log/slog"
	"time"

	"ebbwatch/alarms"
	"ebbwatch/alarms/escalation"
)

// NoticeStore makes notices durable before anyone is told. It is a store of its
// own: the alarms' states and the notices may be stored one without the other,
// and the escalator compares the two after a restart.
type NoticeStore interface {
	Store
	// LastSequence is that of the last notice committed, 0 in a new store.
	LastSequence() uint64
}

// Escalation is how people are told.
type Escalation struct {
	Escalator *escalation.Escalator
	Store     NoticeStore
	// Wake is called when notices were committed. It may not block.
	Wake func()
}

// restore brings back what the store remembers. Without it people are told anew,
// which is better than not to start.
func (e *Escalation) restore(now time.Time, log *slog.Logger) {
	if e == nil {
		return
	}
	cp, err := e.Store.Checkpoint()
	if err == nil && cp != nil {
		err = e.Escalator.Restore(cp, now)
	}
	if err != nil {
		log.Error("who was told before the start is not known: people are told anew", "err", err)
	}
}

// lost tells in a sentence what an earlier store lost, or is empty.
func (e *Escalation) lost() string {
	if e == nil {
		return ""
	}
	return e.Store.Lost()
}

// escalate makes durable who is to be told now, then wakes those who tell.
func (a *Agent) escalate(now time.Time, ts []alarms.Transition, conditions []alarms.Condition) {
	e := a.o.Escalation
	if e == nil {
		return
	}
	notices := e.Escalator.Step(now, append(a.closed, ts...), conditions)
	a.closed = nil
	if !e.Escalator.Changed() {
		return
	}
	data := make([][]byte, len(notices))
	for i := range notices {
		b, err := json.Marshal(&notices[i])
		if err != nil { // plain data always marshals
			panic(err)
		}
		data[i] = b
	}
	a.remember(&a.noticeError, e.Store.Commit(e.Store.LastSequence()+1, data, e.Escalator.Checkpoint()))
	if len(notices) > 0 && e.Wake != nil {
		e.Wake()
	}
}
