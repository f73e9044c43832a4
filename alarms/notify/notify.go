// Package notify tells people and systems of alarms over MQTT 3.1.1, and takes
// their orders. Events come from a durable outbox and count as told only when
// the broker has acknowledged them on the connection that carried them. Clauses of MQTT 3.1.1 are cited from memory.
package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net"
	"net/url"
	"sync"
	"time"

	"ebbwatch/alarms"
)

// Outbox holds the events, each the JSON of an alarms.Transition, until every
// receiver has acknowledged them.
type Outbox interface {
	// After calls visit with the events that follow sequence seq, at most limit
	// of them, oldest first, until it returns false.
	After(seq uint64, limit int, visit func(seq uint64, data []byte) bool) error
	// LastSequence is that of the newest event.
	LastSequence() uint64
	Acked(receiver string) (uint64, error)
	Ack(receiver string, seq uint64) error
}

// Options are the parts of a Publisher. Site, StoreID, Boot, Brokers, Receiver,
// Outbox and Conditions are required.
type Options struct {
	// Site is the site's short name, one level of every topic.
	Site string
	// StoreID names the outbox, and is part of each event's id.
	StoreID string
	// Boot tells this run from those before, and Started when it began.
	Boot    string
	Started time.Time
	// Brokers are tcp://host:port or ssl://host:port, at least one. The first that
	// answers is used until it fails, then the next, in a circle.
	Brokers        []string
	User, Password string
	// TLS is for ssl; nil trusts the system's certificates and shows none of our own.
	TLS *tls.Config
	// Receiver is the broker's name in the outbox.
	Receiver string
	Outbox   Outbox
	// Conditions returns the present condition of every alarm.
	Conditions func() []alarms.Condition
	// Order carries out an order; nil refuses all.
	Order func(context.Context, alarms.Order) alarms.Answer
	// Roles are those who may give orders, each with its key; without any, all
	// whom the broker lets in may.
	Roles []Role
	// FigureEvery is the shortest time between two rounds of figures, 0 for 5 s.
	FigureEvery time.Duration
	// ConditionEvery is how often conditions of which only the value changed are
	// published again, 0 for 1 min.
	ConditionEvery time.Duration
	// BytesPerDay bounds what a quiet day sends and receives, by making figures and
	// values rarer; 0 is no bound. It is at least LeastPerDay.
	BytesPerDay int64
	// Dial opens a connection; nil is that of the system.
	Dial func(ctx context.Context, network, address string) (net.Conn, error)
	// Now stamps summaries and judges the age of orders; nil takes time.Now.
	Now func() time.Time
	// Published is told how long the broker took to acknowledge each message; nil
	// for nobody.
	Published func(time.Duration)
	Log       *slog.Logger
}

// Status is how the telling goes.
type Status struct {
	// Connected is true while the broker takes messages and acknowledges them.
	Connected bool
	// LastError is a sentence on why there is no connection, empty when there is.
	LastError string
	// Sent counts events handed to the broker, each time; Acked those that it
	// acknowledged; Late those among them that a lost connection had held back.
	Sent, Acked, Late uint64
}

// Publisher keeps a connection to the broker. Its methods are safe for
// concurrent use and, but for Run, never block.
type Publisher struct {
	o    Options
	urls []*url.URL
	root string
	wake chan struct{}
	in   chan incoming
	pace pace

	mu        sync.Mutex
	status    Status
	heartbeat *Heartbeat
	beatAt    time.Time
	figures   func() []Figure
	changed   map[string]alarms.Condition
	refresh   bool
	answers   []message
	notices   []message
}

// pace is how long the publisher waits for what.
type pace struct {
	connect  time.Duration // until the broker has accepted
	write    time.Duration // until the network takes a message
	ack      time.Duration // until the broker acknowledges it
	slowest  int           // what a link carries at least, in bytes a second; ack is longer by what is under way
	farewell time.Duration // for the last message in an orderly end
	retry    time.Duration // before the second try to connect; doubled each time
	retryMax time.Duration
	tick     time.Duration
}

const (
	// maxAnswers bounds the answers that wait for a connection.
	maxAnswers = 64
	// maxBeatAge is how old a heartbeat may be when it is sent.
	maxBeatAge = 20 * time.Second
	// maxOrders bounds the orders that wait for being carried out.
	maxOrders = 32
)

// New makes a publisher; Run starts it.
func New(o Options) (*Publisher, error) {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.FigureEvery == 0 {
		o.FigureEvery = 5 * time.Second
	}
	if o.ConditionEvery == 0 {
		o.ConditionEvery = time.Minute
	}
	if o.Dial == nil {
		o.Dial = new(net.Dialer).DialContext
	}
	var urls []*url.URL
	for _, broker := range o.Brokers {
		u, err := brokerURL(broker)
		if err != nil {
			return nil, err
		}
		urls = append(urls, u)
	}
	switch {
	case len(urls) == 0:
		return nil, errors.New("mqtt.broker is empty: expected tcp://host:port or ssl://host:port")
	case !level(o.Site):
		return nil, fmt.Errorf("site %q cannot be part of an MQTT topic: expected letters, digits and hyphens", o.Site)
	case o.Password != "" && o.User == "":
		return nil, errors.New("mqtt has a password and no user: MQTT 3.1.1 needs both, name the user in mqtt.user")
	case o.BytesPerDay != 0 && o.BytesPerDay < LeastPerDay:
		return nil, fmt.Errorf("mqtt.per_day is %d bytes: expected %d or more, which heartbeats need", o.BytesPerDay, int64(LeastPerDay))
	case o.StoreID == "" || o.Boot == "" || o.Receiver == "" || o.Outbox == nil || o.Conditions == nil:
		return nil, errors.New("notify needs a store id, a boot, a receiver, an outbox and the alarms' conditions")
	}
	return &Publisher{
		o: o, urls: urls, root: "ebbwatch/v1/" + o.Site,
		wake: make(chan struct{}, 1), in: make(chan incoming, maxOrders),
		changed: map[string]alarms.Condition{},
		pace: pace{
			connect: 5 * time.Second, write: 3 * time.Second, ack: 10 * time.Second, slowest: 600, farewell: 2 * time.Second,
			retry: 200 * time.Millisecond, retryMax: 5 * time.Second, tick: time.Second,
		},
	}, nil
}

// brokerURL checks the broker's address. Its errors never show a password that
// somebody has put there.
func brokerURL(s string) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return nil, errors.New("mqtt.broker is not a URL: expected tcp://host:port or ssl://host:port")
	case u.User != nil:
		return nil, errors.New("mqtt.broker names a user: put the user into mqtt.user and the password into the password file")
	case u.Scheme != "tcp" && u.Scheme != "ssl" || u.Hostname() == "" || u.Port() == "" || u.Path != "" || u.RawQuery != "" || u.Fragment != "":
		return nil, fmt.Errorf("mqtt.broker is %q: expected tcp://host:port or ssl://host:port", s)
	}
	return u, nil
}

// Run keeps a connection to the broker until ctx ends, and returns when it has
// said goodbye and its goroutines have ended.
func (p *Publisher) Run(ctx context.Context) error {
	var orders sync.WaitGroup
	orders.Go(func() { p.obey(ctx) })
	defer orders.Wait()
	delay := p.pace.retry
	told := map[*url.URL]string{} // what was logged of each broker since one was connected
	for i := 0; ; i++ {
		u := p.urls[i%len(p.urls)]
		began := time.Now()
		stood, err := p.connection(ctx, u)
		if ctx.Err() != nil {
			p.down(nil)
			return nil
		}
		p.down(err)
		if stood {
			clear(told)
		}
		if told[u] != err.Error() {
			told[u] = err.Error()
			p.o.Log.Warn("no connection to the broker; events wait", "err", err)
		}
		if time.Since(began) > 2*p.pace.retryMax {
			delay = p.pace.retry
		}
		// A random part keeps many sites from coming back at the same moment.
		wait := time.NewTimer(delay/2 + rand.N(delay/2+1))
		select {
		case <-ctx.Done():
			wait.Stop()
			return nil
		case <-wait.C:
		}
		if (i+1)%len(p.urls) == 0 { // the other brokers are asked at once
			delay = min(2*delay, p.pace.retryMax)
		}
	}
}

// up notes that a connection stands.
func (p *Publisher) up(u *url.URL) {
	p.mu.Lock()
	p.status.Connected, p.status.LastError = true, ""
	p.mu.Unlock()
	p.o.Log.Info("the broker is connected", "broker", u.String())
}

// down notes that there is no connection, and why.
func (p *Publisher) down(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.status.Connected = false
	fail(p.notices)
	p.notices = nil
	if err != nil {
		p.status.LastError = err.Error()
	}
}

// nudge makes the connection look for something to send.
func (p *Publisher) nudge() {
	select {
	case p.wake <- struct{}{}:
	default:
	}
}

// Wake tells that new events are in the outbox.
func (p *Publisher) Wake() { p.nudge() }

// ConditionChanged hands over the conditions of alarms that changed. Only the
// latest of each alarm is kept until it is sent.
func (p *Publisher) ConditionChanged(cs []alarms.Condition) {
	p.mu.Lock()
	if p.status.Connected { // a new connection begins with all of them
		for _, c := range cs {
			p.changed[c.Alarm] = c
		}
	}
	p.mu.Unlock()
	p.nudge()
}

// Figures hands over the present figures. Make is called when they are due.
func (p *Publisher) Figures(make func() []Figure) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.figures = make
}

// Heartbeat sends a heartbeat. Without a connection the latest is kept for the
// next one, but not for long: it would tell of life that is past.
func (p *Publisher) Heartbeat(h Heartbeat) {
	p.mu.Lock()
	p.heartbeat, p.beatAt = &h, time.Now()
	p.mu.Unlock()
	p.nudge()
}

// Status tells how it goes.
func (p *Publisher) Status() Status {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.status
}
