package alarms

import (
	"fmt"
	"slices"
	"time"
)

// Refused orders go into the record, but a flood of them must not wear out the
// disk: as many as refusalsKept in refusalsTime, and a count of the rest.
const (
	refusalsKept = 60
	refusalsTime = 10 * time.Minute
)

// refusals counts what was recorded of late.
type refusals struct {
	began            time.Time
	kept, unrecorded int
}

// refused puts an order that was not carried out into the record, of its alarm
// or of the site.
func (e *Evaluator) refused(now time.Time, a *alarm, o *Order, ans Answer) []Transition {
	r := &e.refusals
	if r.began.IsZero() || now.Sub(r.began).Abs() >= refusalsTime {
		r.began, r.kept = now, 0
	}
	if r.kept == refusalsKept {
		r.unrecorded++
		return nil
	}
	r.kept++
	by := ordered(o, ans)
	by.Unrecorded, r.unrecorded = r.unrecorded, 0
	if a != nil {
		return []Transition{e.write(a, now, OrderRefused, a.state(), record, by)}
	}
	return []Transition{e.siteRecord(now, OrderRefused, by,
		fmt.Sprintf("An order to %q by %q was refused: %s.", string(by.Verb), by.By, by.Why))}
}

// remembered is how many order ids are kept to recognise a repeated order, and
// memorySpan how long across a restart: an order older than a minute is refused
// where it comes in.
const (
	remembered = 256
	memorySpan = 2 * time.Minute
)

// orderMemory is a ring of the orders that were carried out.
type orderMemory struct {
	ring [remembered]carriedOut
	next int
}

// carriedOut names an order and when it was done.
type carriedOut struct {
	ID string    `json:"id"`
	At time.Time `json:"at"`
}

func (m *orderMemory) has(id string) bool {
	return id != "" && slices.ContainsFunc(m.ring[:], func(c carriedOut) bool { return c.ID == id })
}

func (m *orderMemory) add(id string, at time.Time) {
	if id == "" {
		return
	}
	m.ring[m.next] = carriedOut{id, at}
	m.next = (m.next + 1) % remembered
}

// recent are the orders young enough to come again, the oldest first.
func (m *orderMemory) recent(now time.Time) []carriedOut {
	if last := m.ring[(m.next+remembered-1)%remembered].At; last.After(now) {
		now = last // no step since
	}
	var out []carriedOut
	for i := range m.ring {
		c := m.ring[(m.next+i)%remembered]
		if c.ID != "" && now.Sub(c.At).Abs() < memorySpan {
			out = append(out, c)
		}
	}
	return out
}

func (m *orderMemory) restore(cs []carriedOut) {
	for _, c := range cs {
		m.add(c.ID, c.At)
	}
}
