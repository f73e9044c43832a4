package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/journal"
	"ebbwatch/agent/metrics"
	"ebbwatch/alarms"
	"ebbwatch/alarms/escalation"
	"ebbwatch/alarms/notify"
	"ebbwatch/alarms/notify/drain"
	"ebbwatch/alarms/notify/mail"
	"ebbwatch/alarms/notify/webhook"
	"ebbwatch/config"
)

// The channels by which people are told.
const (
	byMail    = "mail"
	byWebhook = "webhook"
	byMQTT    = "mqtt"
)

// stale is the age over which an event was held back.
const stale = time.Minute

// people are those who are told by mail and webhook. The notices have a journal
// of their own, in which each person on each channel is a receiver; a webhook
// that gets every event is a receiver of the events.
type people struct {
	notices    *journal.Journal // nil when nobody is told
	escalation *agent.Escalation
	drains     []*drain.Drain
	mail       *mail.Sender
	hooks      map[string]*webhook.Sender
	broker     *notify.Publisher // set before the drains run
}

// webhookReceivers names the webhooks in the journal of events.
func webhookReceivers(site *config.Site) []string {
	var names []string
	for _, w := range site.Webhooks {
		names = append(names, byWebhook+"/"+w.Name)
	}
	return names
}

// openPeople prepares the telling of people. Whatever is wrong with it is bad
// input; a server that is down is not, since it may come back.
func openPeople(site *config.Site, events *journal.Journal, w watching) (p *people, err error) {
	p = &people{hooks: map[string]*webhook.Sender{}}
	defer func() {
		if err != nil {
			err = errors.Join(badInput{err}, p.close())
		}
	}()
	if err := p.senders(site, w.now); err != nil {
		return p, err
	}
	for _, h := range site.Webhooks {
		if err := p.tellEvents(site, h, events, w); err != nil {
			return p, err
		}
	}
	if site.Escalation == nil {
		return p, nil
	}
	var receivers []string
	ways := addressees(site)
	for _, r := range ways {
		receivers = append(receivers, r.receiver())
	}
	p.notices, err = journal.Open(filepath.Join(site.StateDir, "notices"), journal.Options{Receivers: receivers, Keep: 2000, Beside: events})
	if err != nil {
		return p, err
	}
	x, err := escalation.New(escalationSettings(site, p.notices.ID()))
	if err != nil {
		return p, err
	}
	for _, r := range ways {
		if err := p.tellNotices(site, r, w.log); err != nil {
			return p, err
		}
	}
	p.escalation = &agent.Escalation{Escalator: x, Store: p.notices, Wake: p.wake}
	return p, nil
}

func (p *people) close() error {
	if p.notices == nil {
		return nil
	}
	return p.notices.Close()
}

// wake makes every drain look for something to tell.
func (p *people) wake() {
	for _, d := range p.drains {
		d.Wake()
	}
}

// edges run beside the agent.
func (p *people) edges() (out []func(context.Context) error) {
	for _, d := range p.drains {
		out = append(out, d.Run)
	}
	return out
}

// err is nil, or tells of the receiver that was tried in vain for longest.
func (p *people) err() error {
	var worst drain.Status
	for _, d := range p.drains {
		if s := d.Status(); !s.Failing.IsZero() && (worst.Failing.IsZero() || s.Failing.Before(worst.Failing)) {
			worst = s
		}
	}
	if worst.Failing.IsZero() {
		return nil
	}
	return errors.New(worst.LastError)
}

// metrics are those of every receiver.
func (p *people) metrics() (out []metrics.Receiver) {
	for _, d := range p.drains {
		s := d.Status()
		out = append(out, metrics.Receiver{Name: d.Receiver(), Sent: s.Sent, Passed: s.Passed, Failing: s.Failing})
	}
	return out
}

// senders opens the ways out.
func (p *people) senders(site *config.Site, now func() time.Time) (err error) {
	if m := site.Mail; m != nil {
		p.mail, err = mail.New(mail.Options{
			Server: m.Server, Security: mail.Security(m.Security), User: m.User, Password: m.Password.Reveal(),
			From: m.From, Name: site.Title, Now: now,
		})
		if err != nil {
			return err
		}
	}
	for _, h := range site.Webhooks {
		// The signature carries the real time, even when the plant's is simulated.
		p.hooks[h.Name], err = webhook.New(webhook.Options{URL: h.URL.Reveal(), Secret: h.Secret.Reveal()})
		if err != nil {
			return fmt.Errorf("webhooks.%s: %w", h.Name, err)
		}
	}
	return nil
}

// tellEvents gives every event to a webhook.
func (p *people) tellEvents(site *config.Site, h config.Webhook, events *journal.Journal, w watching) error {
	hook, store := p.hooks[h.Name], events.ID()
	late := func(t alarms.Transition) bool { return w.now().Sub(t.Time) > stale }
	return p.drain(drain.Options{
		Receiver: byWebhook + "/" + h.Name, Outbox: events, Log: w.log,
		Read: func(seq uint64, data []byte) (*drain.Message, error) {
			id, body, err := notify.TransitionEvent(site.Name, store, seq, data, late)
			if err != nil {
				return nil, err
			}
			return &drain.Message{ID: id, Send: func(ctx context.Context) error { return hook.Send(ctx, id, body) }}, nil
		},
	})
}

func (p *people) drain(o drain.Options) error {
	d, err := drain.New(o)
	if err != nil {
		return err
	}
	p.drains = append(p.drains, d)
	return nil
}

// addressee is a person on a channel.
type addressee struct {
	person string
	escalation.Address
}

func (r addressee) receiver() string { return r.Channel + "/" + r.person }

// reaches lists every addressee on every channel.
func addressees(site *config.Site) (out []addressee) {
	for _, p := range site.People {
		for _, a := range addresses(p) {
			out = append(out, addressee{p.Name, a})
		}
	}
	return out
}

func addresses(p config.Person) (out []escalation.Address) {
	if p.Mail != "" {
		out = append(out, escalation.Address{Channel: byMail, To: p.Mail})
	}
	if p.Webhook != "" {
		out = append(out, escalation.Address{Channel: byWebhook, To: p.Webhook})
	}
	if p.MQTT {
		out = append(out, escalation.Address{Channel: byMQTT, To: p.Name})
	}
	return out
}

// tellNotices gives a person the notices that are for him, at the address that
// the site has now.
func (p *people) tellNotices(site *config.Site, r addressee, log *slog.Logger) error {
	return p.drain(drain.Options{
		Receiver: r.receiver(), Outbox: p.notices, Log: log,
		Read: func(_ uint64, data []byte) (*drain.Message, error) {
			var n escalation.Notice
			if err := json.Unmarshal(data, &n); err != nil {
				return nil, err
			}
			if n.Person != r.person || n.Channel != r.Channel {
				return nil, nil
			}
			m := &drain.Message{ID: n.ID, Send: p.send(site, r, n)}
			if n.Kind == escalation.Repeated {
				m.Reminder = n.Thread
			}
			return m, nil
		},
	})
}

// send hands a notice to its channel.
func (p *people) send(site *config.Site, r addressee, n escalation.Notice) func(context.Context) error {
	if r.Channel == byMail {
		return func(ctx context.Context) error { return p.mail.Send(ctx, r.To, &n) }
	}
	id, body := notify.NoticeEvent(site.Name, n)
	if r.Channel == byMQTT {
		return func(ctx context.Context) error { return p.broker.Notify(ctx, r.person, body) }
	}
	return func(ctx context.Context) error { return p.hooks[r.To].Send(ctx, id, body) }
}

// roles are those who may give orders: with their keys for the broker's side,
// with their rights for the evaluator.
func roles(site *config.Site) (keys []notify.Role, rights []alarms.Role) {
	for _, r := range site.Roles {
		right := alarms.Role{Name: r.Name, Safety: r.Safety}
		for _, verb := range r.May {
			right.May = append(right.May, alarms.Verb(verb))
		}
		for _, p := range r.Priorities {
			right.Priorities = append(right.Priorities, alarms.Priority(p))
		}
		keys = append(keys, notify.Role{Name: r.Name, Key: []byte(r.Key.Reveal())})
		rights = append(rights, right)
	}
	return keys, rights
}

// escalationSettings gives the escalator who is told when.
func escalationSettings(site *config.Site, store string) escalation.Settings {
	s := escalation.Settings{
		Site: site.Name, Title: site.Title, Store: store, Zone: site.TimeZone,
		HowToAcknowledge: site.Escalation.HowToAcknowledge,
		Plans:            make(map[alarms.Priority]escalation.Plan),
	}
	if q := site.Escalation.Quiet; q != nil {
		s.Quiet = escalation.Quiet{From: q[0], To: q[1]}
	}
	for _, plan := range site.Escalation.Plans {
		out := escalation.Plan{Repeat: plan.Repeat}
		for _, turn := range plan.Tell { // in the order of time
			i := slices.IndexFunc(site.People, func(p config.Person) bool { return p.Name == turn.Person })
			person := escalation.Person{Name: turn.Person, Reach: addresses(site.People[i])}
			if last := len(out.Steps) - 1; last >= 0 && out.Steps[last].After == turn.After {
				out.Steps[last].Persons = append(out.Steps[last].Persons, person)
				continue
			}
			out.Steps = append(out.Steps, escalation.Step{After: turn.After, Persons: []escalation.Person{person}})
		}
		s.Plans[alarms.Priority(plan.Priority)] = out
	}
	return s
}
