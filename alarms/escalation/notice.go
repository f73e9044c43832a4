package escalation

import (
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/alarms"
)

// Kind is why a person is told.
type Kind string

// The kinds.
const (
	Raised       Kind = "raised"       // a step of the plan has come
	CameAgain    Kind = "came-again"   // a new episode before the last was acknowledged
	Repeated     Kind = "repeated"     // nobody has acknowledged yet
	Acknowledged Kind = "acknowledged" // a person has taken it on
	Returned     Kind = "returned"     // the condition has gone
	Withheld     Kind = "withheld"     // shelved, suppressed or taken out of service
	Ended        Kind = "ended"        // reset or removed: the alarm is normal
)

// Notice is one message to one person over one channel. Its JSON is stable.
type Notice struct {
	// ID never changes for the same notice, so that a receiver can drop a copy.
	ID   string    `json:"id"`
	Kind Kind      `json:"kind"`
	Time time.Time `json:"time"`

	Person  string `json:"person"`
	Channel string `json:"channel"`
	To      string `json:"to"`

	// Thread is the same for all notices from an alarm's raise to its end, and
	// First the id of the first one in it to this person over this channel,
	// empty in that one itself.
	Thread string `json:"thread"`
	First  string `json:"first,omitempty"`

	// Step, from 1, and Repeat, from 0, are those of the plan.
	Step   int `json:"step"`
	Repeat int `json:"repeat"`

	Subject string `json:"subject"`
	Body    string `json:"body"`
	// Condition is the alarm's at the time of the notice.
	Condition alarms.Condition `json:"condition"`
}

func (n *Notice) to(r recipient) bool {
	return n.Person == r.Person && n.Channel == r.Channel && n.To == r.To
}

// tell writes one notice.
func (e *Escalator) tell(kind Kind, r *run, c *alarms.Condition, to recipient) {
	n := Notice{
		Kind: kind, Time: e.last, Person: to.Person, Channel: to.Channel, To: to.To,
		Thread: fmt.Sprintf("%s/%s/%d", e.s.Site, c.Alarm, r.Thread),
		Step:   r.Steps, Repeat: r.Repeats, Condition: storable(c),
	}
	n.ID = e.id(&n, r)
	i := slices.IndexFunc(r.Told, func(t recipient) bool { return n.to(t) })
	if i < 0 {
		to.First = n.ID
		r.Told = append(r.Told, to)
	} else {
		n.First = r.Told[i].First
	}
	r.LastTold, e.changed = e.elapsed, true
	n.Subject, n.Body = e.s.subject(&n), e.s.body(&n, e.elapsed-r.Start)
	e.out = append(e.out, n)
}

// id is made of what tells this notice from every other. What follows an alarm's
// change is told once for each change.
func (e *Escalator) id(n *Notice, r *run) string {
	parts := []string{e.s.Store, e.s.Site, n.Condition.Alarm, n.Person, n.Channel, n.To, string(n.Kind)}
	switch n.Kind {
	case Raised, CameAgain, Repeated:
		parts = append(parts, fmt.Sprint(r.Episode, r.Round, n.Step, n.Repeat))
	default:
		parts = append(parts, fmt.Sprint(r.Episode, n.Condition.Sequence))
	}
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return fmt.Sprintf("%x", sum[:16])
}

// storable is a condition without the numbers that JSON lacks.
func storable(c *alarms.Condition) alarms.Condition {
	out := *c
	for _, v := range []**float64{&out.Value, &out.Limit} {
		if *v != nil && (math.IsNaN(**v) || math.IsInf(**v, 0)) {
			*v = nil
		}
	}
	return out
}
