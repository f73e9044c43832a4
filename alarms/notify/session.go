package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
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

// keepAlive is the longest silence towards the broker. It gives a lost peer up,
// and publishes the last will, after one and a half times this (MQTT 3.1.1,
// 3.1.2.10).
const keepAlive = 10 * time.Second

// session is the life of one connection. A client never connects twice: paho
// completes the token of a message that was lost between two connections as if
// it had been acknowledged.
type session struct {
	p      *Publisher
	client mqtt.Client
	conn   net.Conn // below TLS
	lost   chan error

	flight []sent // oldest first
	cursor uint64 // the last event sent
	// backlog is the last event that was committed before the connection stood.
	backlog uint64
	ahead   []message // events read and not sent yet
	state   []message // conditions and summary to be sent
	figures []message
	shown   map[string][]byte // by alarm, the condition that was sent

	lookedAt, figuredAt time.Time
}

// sent is a message under way.
type sent struct {
	message
	token mqtt.Token
	at    time.Time
}

// connection connects, tells until the connection or ctx ends, and returns why
// it ended.
func (p *Publisher) connection(ctx context.Context) error {
	s := &session{p: p, lost: make(chan error, 1), shown: map[string][]byte{}}
	if err := s.connect(ctx); err != nil {
		return err
	}
	err := s.greet(ctx)
	if err == nil {
		p.up()
		err = s.tell(ctx)
	}
	s.returnAnswers()
	if ctx.Err() != nil {
		s.farewell()
	} else {
		s.drop()
	}
	return err
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
		SetPingTimeout(keepAlive/2).
		SetUsername(p.o.User).
		SetPassword(p.o.Password).
		SetBinaryWill(will.topic, will.payload, will.qos, will.retain).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { s.lost <- err }).
		SetCustomOpenConnectionFn(func(*url.URL, mqtt.ClientOptions) (conn net.Conn, err error) {
			conn, dialed = s.dial(ctx)
			if dialed == nil {
				unhook = context.AfterFunc(ctx, func() { s.conn.Close() })
			}
			return conn, dialed
		})
	o.Servers = []*url.URL{p.url}
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
		return fmt.Errorf("the certificate of the broker %s is not trusted: %w: is the address right, does this machine know the issuer?", p.url, dialed)
	case dialed != nil:
		return fmt.Errorf("cannot reach the broker %s: %w: is it running, is the address right?", p.url, dialed)
	case token.ReturnCode() == packets.ErrRefusedBadUsernameOrPassword, token.ReturnCode() == packets.ErrRefusedNotAuthorised:
		return fmt.Errorf("the broker %s refused the user name or password: check mqtt.user and the password file", p.url)
	case token.ReturnCode() == packets.ErrNetworkError:
		return fmt.Errorf("%s does not answer as an MQTT broker: is the address right, does it expect tcp or ssl?", p.url)
	default:
		return fmt.Errorf("the broker %s refused the connection: %w", p.url, err)
	}
}

func untrusted(err error) bool {
	_, ok := errors.AsType[*tls.CertificateVerificationError](err)
	return ok
}

func (s *session) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, s.p.pace.connect)
	defer cancel()
	raw, err := new(net.Dialer).DialContext(ctx, "tcp", s.p.url.Host)
	if err != nil {
		return nil, err
	}
	s.conn = raw
	if s.p.url.Scheme == "tcp" {
		return raw, nil
	}
	config := s.p.o.TLS.Clone()
	if config == nil {
		config = &tls.Config{}
	}
	if config.ServerName == "" {
		config.ServerName = s.p.url.Hostname()
	}
	conn := tls.Client(raw, config)
	if err := conn.HandshakeContext(ctx); err != nil {
		raw.Close()
		return nil, err
	}
	return conn, nil
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
	return fmt.Errorf("the broker %s takes messages and does not acknowledge them: is it overloaded, or something else than a broker?", s.p.url)
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
	return fmt.Errorf("the connection to the broker %s was lost: %w", s.p.url, err)
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
		if len(s.flight) > 0 && time.Since(s.flight[0].at) > s.p.pace.ack {
			return s.unacknowledged()
		}
	}
}

// fill sends until the window is full or there is nothing left.
func (s *session) fill() {
	for len(s.flight) < window {
		m, ok := s.next()
		if !ok {
			return
		}
		if m.event != 0 {
			s.cursor = m.event
			s.count(func(st *Status) { st.Sent++ })
		}
		s.flight = append(s.flight, sent{m, s.client.Publish(m.topic, m.qos, m.retain, m.payload), time.Now()})
	}
}

// next picks the most urgent message. What holds now goes before what happened,
// so that a long backlog does not hide the present.
func (s *session) next() (message, bool) {
	if m, ok := s.p.urgent(); ok {
		return m, true
	}
	if len(s.state) == 0 {
		s.look()
	}
	if m, ok := pop(&s.state); ok {
		return m, true
	}
	if len(s.ahead) == 0 {
		s.read()
	}
	if m, ok := pop(&s.ahead); ok {
		return m, true
	}
	if len(s.figures) == 0 {
		s.figure()
	}
	return pop(&s.figures)
}

func pop(q *[]message) (message, bool) {
	if len(*q) == 0 {
		return message{}, false
	}
	m := (*q)[0]
	*q = (*q)[1:]
	return m, true
}

// urgent takes the heartbeat, a notice or an answer.
func (p *Publisher) urgent() (message, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if h := p.heartbeat; h != nil {
		p.heartbeat = nil
		if time.Since(p.beatAt) < maxBeatAge {
			return p.heartbeatMessage(*h), true
		}
	}
	if m, ok := pop(&p.notices); ok {
		return m, true
	}
	return pop(&p.answers)
}

// look queues the conditions that changed since they were last sent: all of them
// at the start and on demand, those that were handed over, and now and then those
// of which only the value moved.
func (s *session) look() {
	p := s.p
	p.mu.Lock()
	changed, refresh := p.changed, p.refresh
	p.changed, p.refresh = map[string]alarms.Condition{}, false
	p.mu.Unlock()
	if refresh {
		clear(s.shown)
		s.figuredAt = time.Time{}
	}
	due := time.Since(s.lookedAt) >= p.o.ConditionEvery
	if len(changed) == 0 && !refresh && !due {
		return
	}
	all := p.o.Conditions()
	if refresh || due {
		s.lookedAt = time.Now()
		for _, c := range all {
			changed[c.Alarm] = c
		}
	}
	for _, c := range all { // they come in the order of urgency
		if now, ok := changed[c.Alarm]; ok {
			s.show(now)
		}
	}
	if len(s.state) > 0 || refresh {
		s.state = append(s.state, p.summary(all))
	}
}

// show queues a condition unless the broker has it already.
func (s *session) show(c alarms.Condition) {
	payload := encode(newCondition(c))
	if !level(c.Alarm) || bytes.Equal(payload, s.shown[c.Alarm]) {
		return
	}
	s.shown[c.Alarm] = payload
	s.state = append(s.state, message{topic: s.p.alarmTopic(c.Alarm), qos: 1, retain: true, payload: payload})
}

// read takes the next events from the outbox.
func (s *session) read() {
	p := s.p
	err := p.o.Outbox.After(s.cursor, window, func(seq uint64, data []byte) bool {
		var t alarms.Transition
		if err := json.Unmarshal(data, &t); err != nil || t.Sequence != seq {
			p.o.Log.Error("an event in the outbox cannot be read; it is passed over", "sequence", seq, "err", err)
			s.cursor = seq
			return len(s.ahead) == 0
		}
		s.ahead = append(s.ahead, p.event(seq, data, t, seq <= s.backlog))
		if _, exists := s.shown[t.After.Alarm]; t.Cause == alarms.Retired && !exists && level(t.After.Alarm) {
			// An empty retained message removes the one before (3.3.1.3): the
			// alarm is not normal, it is no more.
			s.ahead = append(s.ahead, message{topic: p.alarmTopic(t.After.Alarm), qos: 1, retain: true})
		}
		return true
	})
	if err != nil {
		p.o.Log.Error("the outbox cannot be read", "err", err)
	}
}

// figure queues the figures when they are due.
func (s *session) figure() {
	p := s.p
	if time.Since(s.figuredAt) < p.o.FigureEvery {
		return
	}
	p.mu.Lock()
	figures := p.figures
	p.mu.Unlock()
	if figures == nil {
		return
	}
	s.figuredAt = time.Now()
	for _, f := range figures() {
		if level(f.Name) {
			s.figures = append(s.figures, p.figureMessage(f))
		}
	}
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
		s.flight = s.flight[1:]
	}
	s.ack(acked)
	if err != nil {
		return s.lostBecause(err)
	}
	return nil
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
	stop := time.AfterFunc(s.p.pace.farewell, func() { s.conn.Close() })
	defer stop.Stop()
	m := s.p.presence(false)
	s.await(context.Background(), s.client.Publish(m.topic, m.qos, m.retain, m.payload))
	s.client.Disconnect(uint(s.p.pace.farewell.Milliseconds()))
	s.conn.Close()
}

// drop ends the connection at once, which lets the broker publish the last will,
// and waits until the client has noticed.
func (s *session) drop() {
	s.conn.Close()
	s.client.Disconnect(uint(s.p.pace.farewell.Milliseconds()))
}
