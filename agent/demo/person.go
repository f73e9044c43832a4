package demo

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// The on-call person of the story. It hears of alarms as a phone would, over
// MQTT, thinks for a while, and sends orders back.
const (
	onCall = "on-call-1"

	acknowledgeAfter = 2 * time.Minute // simulated, from the event
	resetAfter       = 5 * time.Minute // simulated, from the latched return
	againAfter       = 10 * time.Second
	maxTries         = 5
)

// task is an order that the person means to give, or has given and waits for its
// answer.
type task struct {
	verb    string // acknowledge or reset
	alarm   string
	episode uint64
	due     time.Time
	tries   int
}

// order is the JSON of an order to the daemon.
type order struct {
	Order    string `json:"order"`
	IssuedAt string `json:"issued_at"`
	By       string `json:"by"`
	Alarm    string `json:"alarm"`
	Episode  uint64 `json:"episode,omitempty"`
}

// person decides what to order, and when. It has no clock and no connection.
type person struct {
	tasks []task          // to do, at most two for each alarm
	asked map[string]task // by order id, until answered
	count int
}

// hear takes in an alarm event, a CloudEvents object. What is not one is ignored.
func (p *person) hear(now time.Time, payload []byte) {
	var e struct {
		Data struct {
			Alarm   string `json:"alarm"`
			State   string `json:"state"`
			Episode uint64 `json:"episode"`
		} `json:"data"`
	}
	if json.Unmarshal(payload, &e) != nil || e.Data.Alarm == "" {
		return
	}
	alarm := e.Data.Alarm
	// Whatever was meant for the state before has lost its reason.
	p.tasks = slices.DeleteFunc(p.tasks, func(t task) bool { return t.alarm == alarm })
	switch e.Data.State {
	case "unacknowledged", "returned-to-normal-unacknowledged", "latched-unacknowledged":
		p.tasks = append(p.tasks, task{"acknowledge", alarm, e.Data.Episode, now.Add(acknowledgeAfter), 0})
	case "latched-acknowledged":
		p.tasks = append(p.tasks, task{"reset", alarm, 0, now.Add(resetAfter), 0})
	}
}

// answer takes in the daemon's answer to an order. A refused one is tried again a
// few times: it may have been late, or too early.
func (p *person) answer(now time.Time, payload []byte) {
	var a struct {
		Order  string `json:"order"`
		Result string `json:"result"`
	}
	if json.Unmarshal(payload, &a) != nil {
		return
	}
	t, ok := p.asked[a.Order]
	if !ok {
		return
	}
	delete(p.asked, a.Order)
	newer := slices.ContainsFunc(p.tasks, func(o task) bool { return o.alarm == t.alarm })
	if a.Result == "refused" && t.tries < maxTries && !newer {
		t.due = now.Add(againAfter)
		p.tasks = append(p.tasks, t)
	}
}

// act returns the orders that are due with their verbs, oldest first.
func (p *person) act(now time.Time) (orders []order, verbs []string) {
	slices.SortStableFunc(p.tasks, func(a, b task) int { return a.due.Compare(b.due) })
	for len(p.tasks) > 0 && !p.tasks[0].due.After(now) {
		t := p.tasks[0]
		p.tasks = p.tasks[1:]
		t.tries++
		p.count++
		id := fmt.Sprintf("%s-%d", onCall, p.count)
		p.asked[id] = t
		orders = append(orders, order{id, now.UTC().Format("2006-01-02T15:04:05.000Z07:00"), onCall, t.alarm, t.episode})
		verbs = append(verbs, t.verb)
	}
	return orders, verbs
}

// next is when the next order is due.
func (p *person) next() (time.Time, bool) {
	if len(p.tasks) == 0 {
		return time.Time{}, false
	}
	return slices.MinFunc(p.tasks, func(a, b task) int { return cmp.Compare(a.due.UnixNano(), b.due.UnixNano()) }).due, true
}

// phone is the person's connection to the broker.
type phone struct {
	client paho.Client
	root   string
	inbox  chan paho.Message
	log    *slog.Logger
}

// callPerson connects the person to the broker and listens for events and answers.
func callPerson(ctx context.Context, address, root string, log *slog.Logger) (*phone, error) {
	ph := &phone{root: root, inbox: make(chan paho.Message, 64), log: log}
	ph.client = paho.NewClient(paho.NewClientOptions().
		AddBroker("tcp://" + address).SetClientID(onCall).
		// The broker keeps the subscriptions over a lost connection.
		SetCleanSession(false).SetResumeSubs(true).SetAutoReconnect(true).
		SetConnectTimeout(5 * time.Second).SetWriteTimeout(5 * time.Second))
	if err := done(ctx, ph.client.Connect()); err != nil {
		return nil, fmt.Errorf("the on-call person cannot reach the broker: %w", err)
	}
	hear := func(_ paho.Client, m paho.Message) {
		select {
		case ph.inbox <- m:
		case <-ctx.Done():
		}
	}
	for _, topic := range []string{root + "/event", root + "/answer/" + onCall} {
		if err := done(ctx, ph.client.Subscribe(topic, 1, hear)); err != nil {
			ph.hangUp()
			return nil, fmt.Errorf("the on-call person cannot subscribe to %s: %w", topic, err)
		}
	}
	return ph, nil
}

// done waits for a token.
func done(ctx context.Context, t paho.Token) error {
	select {
	case <-t.Done():
		return t.Error()
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(5 * time.Second):
		return errors.New("no answer from the broker within 5 s")
	}
}

func (ph *phone) hangUp() { ph.client.Disconnect(100) }

// live carries messages between the broker and the person until ctx ends. Now is
// the simulated clock, which runs speed times as fast as the real one.
func (ph *phone) live(ctx context.Context, now func() time.Time, speed float64) {
	defer ph.hangUp()
	p := person{asked: map[string]task{}}
	for {
		var due <-chan time.Time
		if next, ok := p.next(); ok {
			due = time.After(time.Duration(float64(next.Sub(now())) / speed))
		}
		select {
		case <-ctx.Done():
			return
		case m := <-ph.inbox:
			if strings.HasSuffix(m.Topic(), "/event") {
				p.hear(now(), m.Payload())
			} else {
				p.answer(now(), m.Payload())
			}
		case <-due:
			orders, verbs := p.act(now())
			ph.give(ctx, orders, verbs)
		}
	}
}

// give publishes orders.
func (ph *phone) give(ctx context.Context, orders []order, verbs []string) {
	for i, o := range orders {
		payload, err := json.Marshal(o)
		if err == nil {
			err = done(ctx, ph.client.Publish(ph.root+"/order/"+verbs[i], 1, false, payload))
		}
		if err != nil {
			ph.log.Warn("the on-call person's order did not leave", "order", o.Order, "error", err)
			continue
		}
		ph.log.Info("the on-call person gives an order", "verb", verbs[i], "alarm", o.Alarm)
	}
}
