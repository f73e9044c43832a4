package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"ebbwatch/alarms"
)

const (
	// maxOrder bounds an order, in bytes.
	maxOrder = 8 << 10
	// maxOrderAge is how old an order may be, and how far ahead its clock.
	maxOrderAge = time.Minute
	// refresh is the verb that asks for all that is retained once more.
	refresh = string(alarms.Refresh)
)

// incoming is a message on an order topic.
type incoming struct {
	topic    string
	payload  []byte
	retained bool
}

// receive takes an order from the client, which must not be made to wait.
func (p *Publisher) receive(in incoming) {
	if len(in.payload) > maxOrder { // do not hold it
		in.payload = bytes.Clone(in.payload[:maxOrder+1])
	}
	select {
	case p.in <- in:
	default:
		p.o.Log.Warn("an order was dropped: too many wait", "topic", in.topic)
	}
}

// obey carries out orders until ctx ends.
func (p *Publisher) obey(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case in := <-p.in:
			by, a := p.carryOut(ctx, in)
			p.answer(by, a)
		}
	}
}

// carryOut does what an order asks, or refuses it.
func (p *Publisher) carryOut(ctx context.Context, in incoming) (by string, a alarms.Answer) {
	verb := in.topic[strings.LastIndexByte(in.topic, '/')+1:]
	r, err := parseOrder(in.payload)
	by = r.By
	if !level(by) {
		by = "unknown"
	}
	if err == nil {
		err = r.check(verb, in.retained, p.o.Now())
	}
	var role string
	if err == nil {
		role, err = p.prove(verb, in, &r)
	}
	switch o := r.order(verb, role); {
	case p.o.Order == nil:
		a = alarms.Answer{Result: alarms.Refused, Why: "no orders are taken here"}
	case err != nil:
		o.Refused = err.Error()
		a = p.o.Order(ctx, o)
	case verb == refresh:
		p.mu.Lock()
		p.refresh = true
		p.mu.Unlock()
		a.Result = alarms.Done
	default:
		a = p.o.Order(ctx, o)
	}
	a.Order, a.Alarm = echo(r.Order), echo(r.Alarm)
	log := p.o.Log.Info
	if a.Result == alarms.Refused {
		log = p.o.Log.Warn
	}
	log("order", "verb", verb, "by", by, "role", role, "order", a.Order, "alarm", a.Alarm, "result", a.Result, "why", a.Why)
	return by, a
}

// echo is a name as answers and logs repeat it: not at all when it is not one.
func echo(name string) string {
	if level(name) {
		return name
	}
	return ""
}

// answer queues an answer. The oldest makes room when too many wait.
func (p *Publisher) answer(by string, a alarms.Answer) {
	p.mu.Lock()
	p.answers = append(p.answers, message{topic: p.root + "/answer/" + by, qos: 1, payload: encode(a), answer: true})
	p.answers = p.answers[max(0, len(p.answers)-maxAnswers):]
	p.mu.Unlock()
	p.nudge()
}

// request is the payload of an order.
type request struct {
	Order    string
	IssuedAt string
	By       string
	Alarm    string
	Episode  uint64
	Reason   string
	Duration string
	OneShot  bool
	// Point, Residual and TakenAt are those of a grab sample.
	Point    string
	Residual *float64
	TakenAt  string
	// Detector is the one tested or serviced, Work and DoneAt what was done to it.
	Detector, Work, DoneAt string
	// Day, Item and Value are those of a correction.
	Day, Item, Value string
	// Action and what follows it are those of a container.
	Action, Container, Bank, Serial, Tare string
	Count                                 *int
	// Role and MAC prove who may ask.
	Role, MAC string

	taken    time.Time
	done     time.Time
	issued   time.Time
	duration time.Duration
	episode  bool // whether the payload names one
}

// order is the request as the evaluator takes it, or as it goes into the record.
func (r *request) order(verb, role string) alarms.Order {
	grab := alarms.Grab{Point: r.Point, Taken: r.taken}
	if r.Residual != nil {
		grab.Residual = *r.Residual
	}
	container := alarms.ContainerOrder{Action: r.Action, Container: r.Container, Bank: r.Bank, Serial: r.Serial, Tare: r.Tare}
	if r.Count != nil {
		container.Count = *r.Count
	}
	return alarms.Order{
		Grab: grab, Container: container, Detector: r.Detector, Service: alarms.Service{Work: r.Work, Done: r.done}, Correction: alarms.Correction{Date: r.Day, Item: r.Item, Given: r.Value}, Verb: alarms.Verb(verb), ID: r.Order, By: r.By, Role: role, Alarm: r.Alarm, Episode: r.Episode,
		For: r.duration, OneShot: r.OneShot, Reason: r.Reason, IssuedAt: r.issued,
	}
}

// parseOrder reads an order strictly: one JSON object with known fields of the
// right type, none twice. On an error the fields read so far are returned, so
// that the answer finds its way.
func parseOrder(payload []byte) (request, error) {
	var r request
	if len(payload) > maxOrder {
		return r, fmt.Errorf("the order is larger than %d bytes", maxOrder)
	}
	fields := map[string]any{
		"order": &r.Order, "issued_at": &r.IssuedAt, "by": &r.By, "alarm": &r.Alarm, "episode": &r.Episode,
		"reason": &r.Reason, "duration": &r.Duration, "one_shot": &r.OneShot, "role": &r.Role, "mac": &r.MAC,
		"point": &r.Point, "residual": &r.Residual, "taken_at": &r.TakenAt, "detector": &r.Detector, "work": &r.Work, "done_at": &r.DoneAt,
		"action": &r.Action, "container": &r.Container, "bank": &r.Bank, "serial": &r.Serial, "tare": &r.Tare, "count": &r.Count,
		"day": &r.Day, "item": &r.Item, "value": &r.Value,
	}
	malformed := errors.New("the order is not one JSON object: expected order, issued_at, by, alarm and, to acknowledge, episode")
	d := json.NewDecoder(bytes.NewReader(payload))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return r, malformed
	}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return r, malformed
		}
		name, _ := t.(string)
		target, ok := fields[name]
		if !ok {
			return r, fmt.Errorf("the order has a field %.40q that is not known or comes twice: expected order, issued_at, by, alarm, episode, reason, duration, one_shot, point, residual, taken_at, detector, work, done_at, day, item, value, action, container, bank, serial, tare, count, role, mac", name)
		}
		delete(fields, name)
		var raw json.RawMessage
		if err := d.Decode(&raw); err != nil {
			return r, malformed
		}
		if bytes.Equal(raw, []byte("null")) || json.Unmarshal(raw, target) != nil {
			return r, fmt.Errorf("the order's field %s has the wrong type: expected text, a whole number for episode and count, a number for residual, true or false for one_shot", name)
		}
		r.episode = r.episode || name == "episode"
	}
	if _, err := d.Token(); err != nil {
		return r, malformed
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return r, malformed
	}
	return r, nil
}

// check tells why an order is refused, nil when it is not.
func (r *request) check(verb string, retained bool, now time.Time) (err error) {
	switch {
	case r.By == "":
		return errors.New("the order does not say who asks: fill in by")
	case !level(r.By):
		return errors.New("by cannot be part of a topic: expected at most 64 characters, without / + #")
	case !level(r.Order):
		return errors.New("the order has no usable id: fill in order, at most 64 characters, without / + #")
	case retained:
		return errors.New("the order was retained by the broker, and may be old: send it without the retain flag")
	}
	if !rfc3339(r.IssuedAt, &r.issued) {
		return errors.New("issued_at is not a time: expected RFC 3339, such as 2026-11-25T08:00:00.000Z")
	}
	if age := now.Sub(r.issued); age.Abs() > maxOrderAge {
		return fmt.Errorf("the order was issued at %s and the time here is %s: they may differ by at most %s; compare the clocks",
			r.issued.UTC().Format(alarms.StampLayout), now.UTC().Format(alarms.StampLayout), maxOrderAge)
	}
	if r.Duration != "" {
		if r.duration, err = time.ParseDuration(r.Duration); err != nil {
			return errors.New("duration is not one: expected a number with h, m or s such as 1h30m")
		}
	}
	return r.complete(alarms.Verb(verb))
}

// rfc3339 reads a time. Go also takes an hour of one digit and a comma, RFC 3339
// does not.
func rfc3339(s string, t *time.Time) bool {
	return t.UnmarshalText([]byte(s)) == nil && strings.IndexByte(s, ':') == len("2006-01-02T15") && !strings.Contains(s, ",")
}

// complete tells what an order lacks for its verb. Whether it may be given is for
// the evaluator to say.
func (r *request) complete(verb alarms.Verb) error {
	switch verb {
	case alarms.Acknowledge:
		if !level(r.Alarm) || !r.episode {
			return errors.New("to acknowledge, an order names alarm and episode")
		}
	case alarms.ResetLatch, alarms.Unshelve, alarms.TakeOut, alarms.BringBack:
		if !level(r.Alarm) {
			return fmt.Errorf("for %s, an order names alarm", verb)
		}
	case alarms.Shelve:
		if !level(r.Alarm) || r.Duration == "" && !r.OneShot {
			return errors.New("for shelve, an order names alarm and duration")
		}
	case alarms.Test:
		if level(r.Alarm) == level(r.Detector) || r.Duration == "" {
			return errors.New("for test, an order names detector, or an alarm alone, and duration; 0s ends the test")
		}
	case alarms.Serviced:
		if !level(r.Detector) || r.Work == "" || !rfc3339(r.DoneAt, &r.done) {
			return errors.New("for serviced, an order names detector, work, which is calibration or bump-test, and done_at in RFC 3339, such as 2026-11-25T08:00:00.000Z")
		}
	case alarms.GrabSample:
		if !level(r.Point) || r.Residual == nil || !rfc3339(r.TakenAt, &r.taken) {
			return errors.New("for grab-sample, an order names point, residual in mg/L and taken_at in RFC 3339, such as 2026-11-25T08:00:00.000Z")
		}
	case alarms.Containers:
		return r.completeContainer()
	case alarms.Correct:
		if r.Day == "" || r.Item == "" || r.Value == "" || r.Reason == "" {
			return errors.New("for correct, an order names day, such as 2026-05-03, item, value with its unit, such as 0.45 mg/L, or unknown, and reason")
		}
	case alarms.Note, alarms.Refresh:
		if r.Alarm != "" && !level(r.Alarm) {
			return errors.New("the order names an alarm that cannot be one")
		}
	default:
		return fmt.Errorf("the verb %.40q is not known: expected %s", string(verb), alarms.VerbNames())
	}
	return nil
}

// completeContainer tells what an order about containers lacks. What it means is for
// the plant to say.
func (r *request) completeContainer() error {
	switch {
	case len(r.Serial) > 64 || len(r.Tare) > 64:
		return errors.New("serial or tare is longer than 64 bytes")
	case (r.Action == "on" || r.Action == "off" || r.Action == "correct") && level(r.Container) && r.Bank == "" && r.Count == nil:
	case (r.Action == "received" || r.Action == "stock") && level(r.Bank) && r.Count != nil && r.Container == "" && r.Serial == "" && r.Tare == "":
	default:
		return errors.New("for container, an order names action: on, off or correct with container and, as text, serial and tare such as 1480 lb; received or stock with bank and count")
	}
	return nil
}
