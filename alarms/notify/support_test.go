package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
)

// memory is an outbox for one receiver.
type memory struct {
	mu     sync.Mutex
	events [][]byte
	acked  uint64
	broken bool // acknowledgements cannot be stored
}

func (m *memory) After(seq uint64, limit int, visit func(uint64, []byte) bool) error {
	m.mu.Lock()
	events := m.events[min(int(seq), len(m.events)):]
	events = slices.Clone(events[:min(limit, len(events))])
	m.mu.Unlock()
	for i, data := range events {
		if !visit(seq+uint64(i)+1, data) {
			break
		}
	}
	return nil
}

func (m *memory) LastSequence() uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return uint64(len(m.events))
}

func (m *memory) Acked(string) (uint64, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.acked, nil
}

func (m *memory) Ack(_ string, seq uint64) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if seq <= m.acked || seq > uint64(len(m.events)) {
		return errors.New("an acknowledgement out of order")
	}
	m.acked = seq
	if m.broken {
		return errors.New("no space left on device")
	}
	return nil
}

// add appends a transition of an alarm and returns its sequence.
func (m *memory) add(t testing.TB, c alarms.Condition, cause alarms.Cause) uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	c.Sequence = uint64(len(m.events)) + 1
	data, err := json.Marshal(alarms.Transition{
		Sequence: c.Sequence, Time: morning.Add(time.Duration(c.Sequence) * time.Second),
		From: alarms.Normal, To: c.State, Cause: cause, After: c,
	})
	if err != nil {
		t.Error(err)
	}
	m.events = append(m.events, data)
	return c.Sequence
}

// A time in the plant's own zone: payloads carry it in UTC.
var morning = time.Date(2026, 11, 25, 7, 30, 0, 123_456_789, time.FixedZone("MST", -7*3600))

// condition is an alarm as the scenario has it.
func condition(name string, state alarms.State) alarms.Condition {
	return alarms.Condition{
		Alarm: name, Priority: alarms.High, State: state, Episode: 3, Since: morning,
		Value: new(0.62), Limit: new(0.5), Unit: "ppm", Quality: "good", Place: "chlorine-room",
		What: "Chlorine gas at gas-1 in chlorine-room is 0.62 ppm, over 0.50 ppm.", Consequence: "Chlorine harms.",
		FirstAction: []string{"Do not enter."}, RespondWithin: (3 * time.Minute).String(), Sequence: 17,
	}
}

// board holds the conditions that a publisher asks for.
type board struct {
	mu sync.Mutex
	cs []alarms.Condition
}

func (b *board) all() []alarms.Condition {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.cs)
}

func (b *board) set(cs ...alarms.Condition) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cs = cs
}

// logbook is a log for the test to read.
type logbook struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logbook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logbook) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// bench is a publisher under test.
type bench struct {
	*Publisher
	outbox *memory
	board  *board
	log    *logbook
	stop   func() // ends Run and waits
}

// options are those of a publisher for the broker at url.
func options(url string) (Options, *bench) {
	b := &bench{outbox: &memory{}, board: &board{}, log: &logbook{}}
	return Options{
		Site: "kestrel-ridge", StoreID: "0123456789abcdef", Boot: "7-0badcafe", Started: morning,
		Brokers: []string{url}, Receiver: "mqtt", Outbox: b.outbox, Conditions: b.board.all,
		Log: slog.New(slog.NewTextHandler(b.log, &slog.HandlerOptions{Level: slog.LevelDebug})),
	}, b
}

// start makes a publisher that is quick to come back, and runs it until the test
// ends.
func (b *bench) start(t *testing.T, o Options) *bench {
	t.Helper()
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	p.pace.retryMax, p.pace.retry, p.pace.tick = 100*time.Millisecond, 20*time.Millisecond, 50*time.Millisecond
	return b.run(t, p)
}

func (b *bench) run(t *testing.T, p *Publisher) *bench {
	t.Helper()
	b.Publisher = p
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- p.Run(ctx) }()
	b.stop = sync.OnceFunc(func() {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("run: %v", err)
			}
		case <-time.After(10 * time.Second):
			t.Error("run did not return within 10 s")
		}
		eventually(t, "no goroutine of the publisher or its client is left", func() bool {
			stacks := make([]byte, 1<<20)
			stacks = stacks[:runtime.Stack(stacks, true)]
			return !bytes.Contains(stacks, []byte("paho.mqtt.golang.")) && !bytes.Contains(stacks, []byte("notify.(*Publisher)"))
		})
		if t.Failed() {
			t.Logf("log:\n%s", b.log)
		}
	})
	t.Cleanup(b.stop)
	return b
}

// eventually waits until a condition holds.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.After(20 * time.Second)
	for !holds() {
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("in vain waited for: %s", what)
		}
	}
}

// schema finds the schema of a payload by its topic.
func schema(topic string) string {
	rest := strings.TrimPrefix(topic, "ebbwatch/v1/kestrel-ridge/")
	name, _, _ := strings.Cut(rest, "/")
	if name == "alarm" {
		return "condition"
	}
	return name
}

// schemas validates payloads against testdata/schema.
type schemas map[string]*jsonschema.Schema

func loadSchemas(t testing.TB) schemas {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	out := schemas{}
	for _, name := range []string{"presence", "heartbeat", "condition", "summary", "event", "figure", "order", "answer", "notice"} {
		s, err := c.Compile("../../testdata/schema/" + name + ".json")
		if err != nil {
			t.Fatal(err)
		}
		out[name] = s
	}
	return out
}

func (s schemas) check(name, payload string) error {
	v, err := jsonschema.UnmarshalJSON(strings.NewReader(payload))
	if err != nil {
		return err
	}
	if s[name] == nil {
		return errors.New("there is no schema " + name)
	}
	return s[name].Validate(v)
}

// valid fails the test for every message that is not as its schema says.
func (s schemas) valid(t *testing.T, ms []peertest.Message) {
	t.Helper()
	seen := map[string]int{}
	for _, m := range ms {
		name := schema(m.Topic)
		seen[name]++
		if name == "condition" && m.Payload == "" { // the alarm is no more
			continue
		}
		if name == "order" { // what the test itself sent
			continue
		}
		if err := s.check(name, m.Payload); err != nil {
			t.Errorf("%s: %v\n%s", m.Topic, err, m.Payload)
		}
	}
	t.Logf("checked against the schemas: %v", seen)
}

// on makes a predicate: a message on a topic of the site, with all the texts.
func on(topic string, texts ...string) func(peertest.Message) bool {
	return func(m peertest.Message) bool {
		return m.Topic == "ebbwatch/v1/kestrel-ridge/"+topic &&
			!slices.ContainsFunc(texts, func(s string) bool { return !strings.Contains(m.Payload, s) })
	}
}

// keepRaising adds an event every so often until enough is called, which waits for
// the last.
func (b *bench) keepRaising(t *testing.T, every time.Duration) (enough func()) {
	done := make(chan struct{})
	var adding sync.WaitGroup
	adding.Go(func() {
		tick := time.NewTicker(every)
		defer tick.Stop()
		for {
			select {
			case <-done:
				return
			case <-tick.C:
				b.outbox.add(t, condition("gas-1-level-1", alarms.Unacknowledged), alarms.Raised)
				b.Wake()
			}
		}
	})
	return func() {
		close(done)
		adding.Wait()
	}
}
