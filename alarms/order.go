package alarms

import (
	"fmt"
	"slices"
	"time"
)

// remembered is how many order ids are kept to recognise a repeated order.
const remembered = 256

// orderMemory is a ring of the ids of orders that were carried out.
type orderMemory struct {
	ids  [remembered]string
	next int
}

func (m *orderMemory) has(id string) bool { return id != "" && slices.Contains(m.ids[:], id) }

func (m *orderMemory) add(id string) {
	m.ids[m.next] = id
	m.next = (m.next + 1) % remembered
}

// Order carries out a person's order. A refused order changes nothing. A
// repeated order, same id, is answered with Already.
func (e *Evaluator) Order(now time.Time, o Order) ([]Transition, Answer) {
	ans := Answer{Order: o.ID, Alarm: o.Alarm}
	if e.orders.has(o.ID) {
		ans.Result, ans.Why = Already, "this order was carried out before"
		return nil, ans
	}
	a := e.byName[o.Alarm]
	if a == nil {
		ans.Result, ans.Why = Refused, fmt.Sprintf("no alarm is called %q", o.Alarm)
		return nil, ans
	}
	var cause Cause
	var to State
	switch o.Verb {
	case Acknowledge:
		to, ans.Result, ans.Why = a.acknowledge(o.Episode)
		cause = Acked
	case ResetLatch:
		to, ans.Result, ans.Why = a.reset()
		cause = Reset
	default:
		ans.Result, ans.Why = Refused, fmt.Sprintf("the verb %q is not known", o.Verb)
	}
	if ans.Result != Done {
		return nil, ans
	}
	e.orders.add(o.ID)
	if cause == Acked {
		a.AcknowledgedBy = o.By
	}
	return []Transition{e.move(a, now, cause, to)}, ans
}

// acknowledge follows the ISA-18.2 table: an acknowledgement names the episode
// it has seen, and never touches the condition itself.
func (a *alarm) acknowledge(episode uint64) (State, Result, string) {
	if episode != a.Episode {
		return "", Refused, fmt.Sprintf("episode %d is not the present one, %d", episode, a.Episode)
	}
	switch a.State {
	case Unacknowledged:
		return Acknowledged, Done, ""
	case ReturnedUnacknowledged:
		return Normal, Done, ""
	case LatchedUnacknowledged:
		return LatchedAcknowledged, Done, ""
	case Acknowledged, LatchedAcknowledged:
		return "", Already, "acknowledged before by " + a.AcknowledgedBy
	default:
		return "", Refused, "there is nothing to acknowledge"
	}
}

// reset lets go of a latch. An unacknowledged latch still needs its
// acknowledgement afterwards; an active alarm cannot be reset.
func (a *alarm) reset() (State, Result, string) {
	switch {
	case !a.Latching:
		return "", Refused, "this alarm does not latch"
	case a.State.Active():
		return "", Refused, "the condition still holds"
	case a.State == LatchedUnacknowledged:
		return ReturnedUnacknowledged, Done, ""
	case a.State == LatchedAcknowledged:
		return Normal, Done, ""
	default:
		return "", Refused, "there is no latch to reset"
	}
}
