package notify

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/eclipse/paho.mqtt.golang/packets"

	"ebbwatch/alarms"
)

// window is how many messages are under way at once.
const window = 16

// On a slow link what is under way delays what is more urgent, so it is bounded in
// bytes too: by leastRoom to mostRoom, as quickly as the broker acknowledges.
const (
	leastRoom, firstRoom, mostRoom = 2 << 10, 4 << 10, 64 << 10
	// An acknowledgement within quick makes room for more, one after slow for less.
	quick, slow = 1500 * time.Millisecond, 3 * time.Second
	// maxExtra bounds what the size of the messages adds to the time that their
	// acknowledgement has.
	maxExtra = time.Minute
)

// keepAlive is the longest silence towards the broker. It gives a lost peer up,
// and publishes the last will, after one and a half times this (MQTT 3.1.1,
// 3.1.2.10). We give a silent broker up as late as LostWithin.
const keepAlive = 10 * time.Second

// LostWithin is the longest time until a connection that carries nothing any more
// is given up, such as one through a router that has forgotten it: a heartbeat
// goes every 20 s and has 10 s to be acknowledged. What a slow link needs for what
// is under way comes on top.
const LostWithin = 32 * time.Second

// session is the life of one connection. A client never connects twice: paho
// completes the token of a message that was lost between two connections as if
// it had been acknowledged.
type session struct {
	p      *Publisher
	url    *url.URL
	client mqtt.Client
	conn   net.Conn // below TLS
	wire   *wire    // above it
	lost   chan error

	flight []sent // oldest first
	flying int    // bytes of it
	room   int    // bytes that it may have
	cursor uint64 // the last event sent
	// backlog is the last event that was committed before the connection stood.
	backlog uint64
	ahead   []message // events read and not sent yet
	news    news
	figures []message
	unasked int // bytes of figures that went since the last probe

	shown map[string][]byte // by alarm, the condition that was sent
	// When values and figures were last gathered, and what that came to in bytes.
	valuedAt, figuredAt time.Time
	valued, figured     int
}

// sent is a message under way.
type sent struct {
	message
	token mqtt.Token
	at    time.Time
	size  int
	// limit is how long its acknowledgement may take.
	limit time.Duration
}

// connection connects to a broker, tells until the connection or ctx ends, and
// returns whether it stood and why it ended.
func (p *Publisher) connection(ctx context.Context, u *url.URL) (stood bool, err error) {
	s := &session{p: p, url: u, room: firstRoom, lost: make(chan error, 1), news: news{latest: map[string]alarms.Condition{}}, shown: map[string][]byte{}}
	if err := s.connect(ctx); err != nil {
		return false, err
	}
	err = s.greet(ctx)
	if stood = err == nil; stood {
		p.up(u)
		err = s.tell(ctx)
	}
	s.returnAnswers()
	if ctx.Err() != nil {
		s.farewell()
	} else {
		s.drop()
	}
	return stood, err
}

// connect opens the connection. Its errors are sentences.
func (s *session) connect(ctx context.Context) error {
	p := s.p
	var dialed error
	var unhook func() bool
	will := p.presence(false)
	o := mqtt.NewClientOptions().
		SetClientID("ebbw"+p.o.StoreID[:min(len(p.o.StoreID), 19)]). // at most 23 bytes (3.1.3.1)
		SetProtocolVersion(4).
		SetCleanSession(true).
		SetAutoReconnect(false).
		SetConnectRetry(false).
		SetConnectTimeout(p.pace.connect).
		SetWriteTimeout(p.pace.write).
		SetKeepAlive(keepAlive).
		SetPingTimeout(keepAlive*3/2).
		SetUsername(p.o.User).
		SetPassword(p.o.Password).
		SetBinaryWill(will.topic, will.payload, will.qos, will.retain).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { s.lost <- err }).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (conn net.Conn, err error) {
			conn, dialed = s.dial(ctx)
			if dialed != nil {
				return nil, dialed
			}
			unhook = context.AfterFunc(ctx, func() { s.conn.Close() })
			s.wire = &wire{Conn: conn}
			return s.wire, nil
		})
	o.Servers = []*url.URL{s.url}
	s.client = mqtt.NewClient(o)
	token := s.client.Connect().(*mqtt.ConnectToken)
	<-token.Done() // every step of it is bounded by the connect timeout and by ctx
	if unhook != nil {
		unhook()
	}
	switch err := token.Error(); {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	case untrusted(dialed):
		return fmt.Errorf("the certificate of the broker %s is not trusted: %w: is the address right, does this machine or mqtt.ca_file know the issuer, is the clock right?", s.url, dialed)
	case refusal(dialed) != nil:
		return s.refusedTLS(refusal(dialed))
	case s.wire != nil && refusal(s.wire.why()) != nil:
		return s.refusedTLS(refusal(s.wire.why()))
	case dialed != nil:
		return fmt.Errorf("cannot reach the broker %s: %w: is it running, is the address right?", s.url, dialed)
	case token.ReturnCode() == packets.ErrRefusedBadUsernameOrPassword, token.ReturnCode() == packets.ErrRefusedNotAuthorised:
		return fmt.Errorf("the broker %s refused the user name or password: check mqtt.user and the password file", s.url)
	case token.ReturnCode() == packets.ErrNetworkError:
		return fmt.Errorf("%s does not answer as an MQTT broker: is the address right, does it expect tcp or ssl?", s.url)
	default:
		return fmt.Errorf("the broker %s refused the connection: %w", s.url, err)
	}
}

// greet says that we are there, asks for orders, and finds where to go on.
func (s *session) greet(ctx context.Context) error {
	m := s.p.presence(true)
	if err := s.await(ctx, s.client.Publish(m.topic, m.qos, m.retain, m.payload)); err != nil {
		return err
	}
	topic := s.p.root + "/order/+"
	orders := s.client.Subscribe(topic, 1, func(_ mqtt.Client, m mqtt.Message) {
		s.p.receive(incoming{m.Topic(), m.Payload(), m.Retained()})
	}).(*mqtt.SubscribeToken)
	if err := s.await(ctx, orders); err != nil {
		return err
	}
	if orders.Result()[topic] > 2 { // a failure (3.9.3)
		s.p.o.Log.Warn("the broker does not let ebbwatch read orders: allow it to read the topic, or nobody can acknowledge from afar", "topic", topic)
	}
	acked, err := s.p.o.Outbox.Acked(s.p.o.Receiver)
	if err != nil {
		return fmt.Errorf("the outbox does not tell what the broker has: %w", err)
	}
	s.cursor, s.backlog = acked, s.p.o.Outbox.LastSequence()
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.refresh = true
	return nil
}

// await waits until the broker has acknowledged.
func (s *session) await(ctx context.Context, t mqtt.Token) error {
	late := time.NewTimer(s.p.pace.ack)
	defer late.Stop()
	select {
	case <-t.Done():
		if t.Error() != nil {
			return s.lostBecause(t.Error())
		}
		return nil
	case <-late.C:
		return s.unacknowledged()
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *session) unacknowledged() error {
	return fmt.Errorf("the broker %s takes messages and does not acknowledge them: is it overloaded, or something else than a broker?", s.url)
}

// lostBecause makes a sentence of the loss. The client's own reason, which may
// come a moment later, says more than that of a message that was under way.
func (s *session) lostBecause(err error) error {
	select {
	case err = <-s.lost:
	case <-time.After(100 * time.Millisecond):
	}
	if errors.Is(err, io.EOF) {
		err = errors.New("the broker ended it")
	}
	return fmt.Errorf("the connection to the broker %s was lost: %w", s.url, err)
}

// tell sends what there is to send until the connection or ctx ends.
func (s *session) tell(ctx context.Context) error {
	tick := time.NewTicker(s.p.pace.tick)
	defer tick.Stop()
	for {
		s.fill()
		var head <-chan struct{}
		if len(s.flight) > 0 {
			head = s.flight[0].token.Done()
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-s.lost:
			s.lost <- err
			return s.lostBecause(err)
		case <-head:
		case <-s.p.wake:
		case <-tick.C:
		}
		if err := s.settle(); err != nil {
			return err
		}
		if len(s.flight) > 0 && time.Since(s.flight[0].at) > s.flight[0].limit {
			return s.unacknowledged()
		}
	}
}

// fill sends until the window is full or there is nothing left.
func (s *session) fill() {
	for len(s.flight) < window && (s.flying < s.room || len(s.flight) == 0) {
		m, ok := s.next()
		if !ok {
			return
		}
		if m.event != 0 {
			s.cursor = m.event
			s.count(func(st *Status) { st.Sent++ })
		}
		switch {
		case m.probe:
			s.fly(m, s.unasked, s.client.Unsubscribe(m.topic))
			s.unasked = 0
		case m.qos == 0: // nobody acknowledges it
			s.unasked += m.size()
			s.client.Publish(m.topic, m.qos, m.retain, m.payload)
		default:
			s.fly(m, m.size(), s.client.Publish(m.topic, m.qos, m.retain, m.payload))
		}
	}
}

// fly notes that a message is under way.
func (s *session) fly(m message, size int, token mqtt.Token) {
	s.flying += size
	extra := min(time.Duration(s.flying)*time.Second/time.Duration(s.p.pace.slowest), maxExtra)
	s.flight = append(s.flight, sent{m, token, time.Now(), size, s.p.pace.ack + extra})
}

// settle takes the acknowledged messages from the head of the flight, and tells
// the outbox.
func (s *session) settle() error {
	var acked uint64
	var err error
	for len(s.flight) > 0 && err == nil {
		head := s.flight[0]
		select {
		case <-head.token.Done():
		default:
			s.ack(acked)
			return nil
		}
		if err = head.token.Error(); err != nil {
			break
		}
		if head.event != 0 {
			acked = head.event
			s.count(func(st *Status) {
				st.Acked++
				if head.event <= s.backlog {
					st.Late++
				}
			})
		}
		if head.done != nil {
			head.done <- nil
		}
		s.landed(head)
		s.flight = s.flight[1:]
	}
	s.ack(acked)
	if err != nil {
		return s.lostBecause(err)
	}
	return nil
}

// landed frees the room that a message took, and learns from its time how much
// room there should be.
func (s *session) landed(m sent) {
	s.flying -= m.size
	took := time.Since(m.at)
	if s.p.o.Published != nil {
		s.p.o.Published(took)
	}
	switch {
	case took < quick:
		s.room = min(s.room+m.size, mostRoom)
	case took > slow:
		s.room = max(s.room/2, leastRoom)
	}
}

// ack tells the outbox up to where the broker has acknowledged. An outbox that
// cannot store that still knows it, so the telling goes on.
func (s *session) ack(seq uint64) {
	if seq == 0 {
		return
	}
	if err := s.p.o.Outbox.Ack(s.p.o.Receiver, seq); err != nil {
		s.p.o.Log.Warn("an acknowledgement could not be stored: after a restart events may be told again", "sequence", seq, "err", err)
	}
}

func (s *session) count(f func(*Status)) {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	f(&s.p.status)
}

// returnAnswers keeps the answers that nobody acknowledged for the next
// connection, and fails the notices.
func (s *session) returnAnswers() {
	var back []message
	for _, f := range s.flight {
		fail([]message{f.message})
		if f.answer {
			back = append(back, f.message)
		}
	}
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.answers = append(back, s.p.answers...)
}

// farewell ends the connection in good order, within a bound: the last will does
// not come when we leave by ourselves.
func (s *session) farewell() {
	ctx, cancel := context.WithTimeout(context.Background(), s.p.pace.farewell)
	defer cancel()
	// The client does not tell of a connection that was closed on this side.
	defer context.AfterFunc(ctx, func() { s.conn.Close() })()
	m := s.p.presence(false)
	s.await(ctx, s.client.Publish(m.topic, m.qos, m.retain, m.payload))
	s.client.Disconnect(uint(s.p.pace.farewell.Milliseconds()))
	s.conn.Close()
}

// drop ends the connection at once, which lets the broker publish the last will,
// and waits until the client has noticed.
func (s *session) drop() {
	s.conn.Close()
	s.client.Disconnect(uint(s.p.pace.farewell.Milliseconds()))
}
