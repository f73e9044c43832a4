package alarms

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// Verb is what an order asks for.
type Verb string

// The verbs that are understood.
const (
	Acknowledge Verb = "acknowledge"
	ResetLatch  Verb = "reset"
	Shelve      Verb = "shelve"
	Unshelve    Verb = "unshelve"
	TakeOut     Verb = "out-of-service"
	BringBack   Verb = "in-service"
	Test        Verb = "test"
	Note        Verb = "note"
	GrabSample  Verb = "grab-sample"
	// Containers tells of containers that were changed, received or counted.
	Containers Verb = "container"
	Serviced   Verb = "serviced"
	Correct    Verb = "correct"
	Refresh    Verb = "refresh"
)

// Order asks for something on behalf of a person or a system.
type Order struct {
	Verb Verb
	ID   string // names the order, for the answer
	By   string // who asks
	// Role is the role that was proven for who asks, empty for none.
	Role  string
	Alarm string
	// Detector is the one that is tested, with all its alarms, or was serviced.
	Detector string
	Episode  uint64 // acknowledge only
	// For is how long to shelve or to test. A one-shot shelving may leave it out.
	For time.Duration
	// OneShot shelves for the present active time, or the next one.
	OneShot bool
	// Reason says why, and is the text of a note.
	Reason   string
	IssuedAt time.Time
	// Grab is what a grab sample found; other orders have none.
	Grab Grab
	// Container is what was done to containers; other orders have none.
	Container ContainerOrder
	// Service is what was done to Detector; other orders have none.
	Service Service
	// Correction is what a day's record should have said; other orders have none.
	Correction Correction
	// Refused is why it was refused where it came in; it then only goes into the
	// record.
	Refused string
}

// Correction says what an item of a day's record should have been. Whether there
// is such an item is for who keeps the record to say; here it goes into the record
// of events.
type Correction struct {
	// Date is the day, such as 2026-05-03, Item the name of the item.
	Date string `json:"date"`
	Item string `json:"item"`
	// Given is the value as it was given, with its unit; Value is in Unit, that of
	// the item, and nil for what nobody knows.
	Given string   `json:"given"`
	Value *float64 `json:"value"`
	Unit  string   `json:"unit"`
}

// Grab is a residual that a person measured by hand. What it means is for the
// agent to say; here it goes into the record.
type Grab struct {
	// Point is that of the analyser it stands in for, or distribution.
	Point    string
	Residual float64 // mg/L
	Taken    time.Time
}

// ContainerOrder is what a person says of containers. What it means is for the agent
// to say; here it goes into the record.
type ContainerOrder struct {
	// Action is on, off, correct, received or stock.
	Action string
	// Container is where it stands, Bank whose full containers they are.
	Container, Bank string
	Serial, Tare    string
	Count           int
}

// String is the order in words.
func (c ContainerOrder) String() string {
	var b strings.Builder
	b.WriteString(c.Action)
	for _, part := range [][2]string{{"container", c.Container}, {"bank", c.Bank}, {"serial", c.Serial}, {"tare", c.Tare}} {
		if part[1] != "" {
			b.WriteString(", " + part[0] + " " + part[1])
		}
	}
	if c.Bank != "" {
		fmt.Fprintf(&b, ", count %d", c.Count)
	}
	return b.String()
}

// Service is work that was done on a detector. What it means is for the agent to
// say; here it goes into the record.
type Service struct {
	// Work is calibration or bump-test.
	Work string
	Done time.Time
}

// Result is how an order ended.
type Result string

// The results.
const (
	Done    Result = "done"
	Already Result = "already"
	Refused Result = "refused"
)

// Answer tells what became of an order. Why is a sentence for people, empty
// when the order was done.
type Answer struct {
	Order  string `json:"order"`
	Alarm  string `json:"alarm,omitempty"`
	Result Result `json:"result"`
	Why    string `json:"why,omitempty"`
}

const (
	// MaxTest is the longest test in one go. Common practice, no source: a
	// detector's bump test takes minutes, and a forgotten one must end by itself.
	MaxTest = time.Hour
	// maxName and maxReason bound what an order brings into the record, in bytes.
	maxName   = 64
	maxReason = 500
	// maxItem bounds the name of an item, in bytes.
	maxItem = 160
)

// Order carries out a person's order and puts it into the record. A refused
// order changes nothing but the record. A repeated order, same id, is answered
// with Already.
func (e *Evaluator) Order(now time.Time, o Order) ([]Transition, Answer) {
	ans := Answer{Order: o.ID, Alarm: o.Alarm}
	var out []Transition
	if o.Refused == "" && e.orders.has(o.ID) {
		ans.Result, ans.Why = Already, "this order was carried out before"
		return nil, ans
	}
	a := e.byName[o.Alarm]
	if ans.Why = e.refuse(a, &o); ans.Why != "" {
		ans.Result = Refused
		return e.refused(now, a, &o, ans), ans
	}
	var t Transition
	switch o.Verb {
	case Test:
		as := e.of(o.Detector)
		if a != nil {
			as = []*alarm{a}
		}
		if out, ans.Result, ans.Why = e.test(now, as, &o); ans.Result != Done {
			return e.refused(now, a, &o, ans), ans
		}
	case Serviced:
		ans.Result = Done
		t = e.siteRecord(now, Noted, ordered(&o, ans), fmt.Sprintf("Detector %s: %s done at %s, says %s.",
			o.Detector, o.Service.Work, o.Service.Done.UTC().Format(time.RFC3339), o.By))
	case Correct:
		ans.Result = Done
		t = e.siteRecord(now, Noted, ordered(&o, ans), fmt.Sprintf("Correction of the record of %s by %s: %s is %s. %s",
			o.Correction.Date, o.By, o.Correction.Item, o.Correction.Given, o.Reason))
	case Refresh: // what is retained is told again by who tells
		ans.Result = Done
		return nil, ans
	case Note:
		ans.Result = Done
		t = e.note(now, a, &o)
	case GrabSample:
		ans.Result = Done
		t = e.siteRecord(now, Noted, ordered(&o, ans), fmt.Sprintf("Grab sample by %s: %.4g mg/L of free chlorine at %s, taken at %s.",
			o.By, o.Grab.Residual, o.Grab.Point, o.Grab.Taken.UTC().Format(time.RFC3339)))
	case Containers:
		ans.Result = Done
		t = e.siteRecord(now, Noted, ordered(&o, ans), fmt.Sprintf("Told of containers by %s: %s.", o.By, o.Container))
	default:
		if t, ans.Result, ans.Why = e.carryOut(now, a, &o); ans.Result != Done {
			return e.refused(now, a, &o, ans), ans
		}
	}
	e.orders.add(o.ID, now)
	if out == nil {
		out = []Transition{t}
	}
	e.firstOut(out)
	return out, ans
}

// refuse tells why an order may not even be tried, empty when it may.
func (e *Evaluator) refuse(a *alarm, o *Order) string {
	switch {
	case o.Refused != "":
		return o.Refused
	case o.By == "":
		return "the order does not say who asks"
	case len(o.ID) > maxName || len(o.By) > maxName || len(o.Role) > maxName || len(o.Alarm) > maxName || len(o.Detector) > maxName || len(o.Service.Work) > maxName:
		return fmt.Sprintf("a name in the order is longer than %d bytes", maxName)
	case len(o.Correction.Date) > maxName || len(o.Correction.Item) > maxItem || len(o.Correction.Given) > maxName:
		return "the day, item or value of a correction is too long"
	case len(o.Reason) > maxReason:
		return fmt.Sprintf("the reason or note has %d bytes: expected at most %d", len(o.Reason), maxReason)
	case !utf8.ValidString(o.Reason):
		return "the reason or note is not UTF-8 text"
	case !slices.Contains(verbs, o.Verb):
		return fmt.Sprintf("the verb %.40q is not known", string(o.Verb))
	case o.Detector != "" && (o.Alarm != "" || o.Verb != Test && o.Verb != Serviced):
		return "the order names a detector: expected that for test, without an alarm, and for serviced"
	case o.Detector != "" && e.of(o.Detector) == nil:
		return fmt.Sprintf("no detector is called %q", o.Detector)
	case a == nil && o.Detector == "" && !(o.Alarm == "" && (o.Verb == Note || o.Verb == Refresh || o.Verb == GrabSample || o.Verb == Containers || o.Verb == Correct)):
		return fmt.Sprintf("no alarm is called %q", o.Alarm)
	case o.Reason == "" && (o.Verb == Shelve || o.Verb == TakeOut || o.Verb == Correct):
		return "the order gives no reason: say why, for those who come after"
	case o.Reason == "" && o.Verb == Note:
		return "the note is empty"
	}
	for _, a := range e.of(o.Detector) {
		if why := e.permit(a, o); why != "" {
			return why
		}
	}
	return e.permit(a, o)
}

var verbs = []Verb{Acknowledge, ResetLatch, Shelve, Unshelve, TakeOut, BringBack, Test, GrabSample, Containers, Serviced, Correct, Note, Refresh}

// VerbNames lists the verbs for a sentence.
func VerbNames() string {
	names := make([]string, len(verbs))
	for i, v := range verbs {
		names[i] = string(v)
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}

// carryOut does to an alarm what an order asks.
func (e *Evaluator) carryOut(now time.Time, a *alarm, o *Order) (Transition, Result, string) {
	var ev event
	var cause Cause
	switch o.Verb {
	case Acknowledge:
		ev, cause = evAck, Acked
		if o.Episode != a.episode {
			ev = evAckStale
		}
	case ResetLatch:
		ev, cause = evReset, Reset
	case Shelve:
		ev, cause = evShelveTimed, ShelvedBy
		if o.OneShot {
			ev = evShelveOneShot
		}
		until, why := a.shelf(now, o)
		if why != "" {
			return Transition{}, Refused, why
		}
		if a.shelvedAt.IsZero() {
			a.shelvedAt = now
		}
		a.shelvedUntil, a.shelfLeft = until, until.Sub(now)
	case Unshelve:
		ev, cause = evUnshelve, Unshelved
	case TakeOut:
		ev, cause = evOutOfService, TakenOut
	case BringBack:
		ev, cause = evInService, BroughtBack
	}
	switch {
	case o.Verb == Shelve:
		a.shelver = withholder{o.By, o.Reason}
	case o.Verb == TakeOut && !a.outOfService:
		a.remover = withholder{o.By, o.Reason}
	}
	answered := a.acknowledgedBy
	if ev == evAck && !a.acked {
		a.acknowledgedBy = o.By
	}
	t, f := e.apply(a, now, ev, cause, ordered(o, Answer{Result: Done}))
	if f.has(record) {
		return t, Done, ""
	}
	a.acknowledgedBy = answered
	switch {
	case f.has(staleEpisode):
		return t, Refused, fmt.Sprintf("episode %d is not the present one, %d", o.Episode, a.episode)
	case f.has(nothingToAck) && a.acked && answered != "":
		return t, Already, "acknowledged before by " + answered
	case f.has(nothingToAck):
		return t, Refused, "there is nothing to acknowledge"
	case f.has(notLatching):
		return t, Refused, "this alarm does not latch"
	case f.has(stillActive):
		return t, Refused, "the condition still holds"
	case ev == evReset:
		return t, Refused, "there is no latch to reset"
	case ev == evUnshelve:
		return t, Already, "the alarm is not shelved"
	case ev == evOutOfService:
		return t, Already, "the alarm is out of service"
	default:
		return t, Already, "the alarm is in service"
	}
}

// shelf is until when an order would shelve an alarm, or why it may not.
func (a *alarm) shelf(now time.Time, o *Order) (time.Time, string) {
	if a.ShelveMax == 0 {
		return time.Time{}, "this alarm may not be shelved"
	}
	length := o.For
	if o.OneShot && length == 0 {
		length = a.ShelveMax
		if !a.shelvedAt.IsZero() {
			length -= max(0, now.Sub(a.shelvedAt))
		}
	}
	if length <= 0 || length > a.ShelveMax {
		return time.Time{}, fmt.Sprintf("a shelving of %s was asked for: expected more than 0 and at most %s", length, a.ShelveMax)
	}
	until := now.Add(length)
	if left := a.ShelveMax - now.Sub(a.shelvedAt); !a.shelvedAt.IsZero() && length > left {
		return time.Time{}, fmt.Sprintf("the alarm has been shelved since %s and may be for at most %s in one go: expected at most %s more",
			a.shelvedAt.UTC().Format(time.RFC3339), a.ShelveMax, left.Truncate(time.Second))
	}
	return until, ""
}

// note puts a person's words into the record of an alarm, or of the site.
func (e *Evaluator) note(now time.Time, a *alarm, o *Order) Transition {
	by := ordered(o, Answer{Result: Done})
	if a != nil {
		return e.write(a, now, Noted, a.state(), record, by)
	}
	return e.siteRecord(now, Noted, by, "Note by "+o.By+": "+o.Reason)
}

// Record puts what the plant itself has to tell into the record of the site: a
// sentence, and a JSON object for programs, which may be nil.
func (e *Evaluator) Record(now time.Time, what string, object []byte) Transition {
	t := e.siteRecord(now, Recorded, nil, what)
	t.Record = object
	return t
}

// siteRecord is an entry that concerns no alarm.
func (e *Evaluator) siteRecord(now time.Time, cause Cause, by *Ordered, what string) Transition {
	e.sequence++
	return Transition{
		Sequence: e.sequence, Time: now, From: Normal, To: Normal, Cause: cause, Order: by,
		After: Condition{
			Alarm: Site, Priority: Low, State: Normal, Since: now, Quality: "good", Place: Site, What: what,
			RespondWithin: "0s", FirstAction: []string{}, Sequence: e.sequence,
		},
	}
}

// ordered is an order for the record, no longer than it may be.
func ordered(o *Order, ans Answer) *Ordered {
	out := &Ordered{
		Verb: Verb(cut(string(o.Verb), maxName)), ID: cut(o.ID, maxName), By: cut(o.By, maxName), Role: cut(o.Role, maxName),
		Reason: cut(o.Reason, maxReason), Result: ans.Result, Why: ans.Why,
	}
	if o.Verb == Correct && ans.Result == Done {
		c := o.Correction
		out.Correction = &c
	}
	return out
}

// cut shortens a text from outside to whole characters.
func cut(s string, n int) string {
	if len(s) > n {
		s = s[:n]
	}
	for !utf8.ValidString(s) && s != "" {
		s = s[:len(s)-1]
	}
	return s
}
