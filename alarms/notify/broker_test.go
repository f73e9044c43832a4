package notify

import (
	"crypto/tls"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
)

const everything = "ebbwatch/v1/#"

// A late subscriber finds the present: every condition, normal ones too, the
// summary, presence. Nothing else is retained.
func TestPresentIsRetained(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	early := broker.Subscribe(1, everything)
	o, b := options(broker.URL())
	o.ConditionEvery = 100 * time.Millisecond
	quiet := condition("residual-entry-low", alarms.Normal)
	quiet.Since, quiet.Value, quiet.Limit, quiet.FirstAction, quiet.Sequence = time.Time{}, new(math.NaN()), nil, nil, 0
	quiet.Quality = "bad:no-reply"
	loud := condition("gas-1-level-1", alarms.Acknowledged)
	loud.AcknowledgedBy = "on-call-1"
	until := morning.Add(time.Hour)
	loud.ShelvedUntil = &until
	b.board.set(loud, quiet)
	b.outbox.add(t, loud, alarms.Acked)
	b.start(t, o)
	early.Wait("the event", on("event"))
	b.Heartbeat(Heartbeat{Sequence: 1, Time: morning, LoopAge: 1250 * time.Millisecond, WorstInstrumentAge: 2 * time.Second, OutboxDepth: 4, Clock: "steady"})
	h := early.Wait("the heartbeat", on("heartbeat"))
	want := `{"sequence":1,"time":"2026-11-25T14:30:00.123Z","loop_age_seconds":1.25,"worst_instrument_age_seconds":2,"outbox_depth":4,"clock":"steady"}`
	if h.Payload != want || h.QoS != 1 {
		t.Errorf("heartbeat at QoS %d:\ngot  %s\nwant %s", h.QoS, h.Payload, want)
	}

	late := broker.Subscribe(1, everything)
	late.Wait("presence", on("presence", `{"online":true,"boot":"7-0badcafe","since":"2026-11-25T14:30:00.123Z"}`))
	late.Wait("the loud alarm", on("alarm/gas-1-level-1", `"state":"acknowledged"`, `"since":"2026-11-25T14:30:00.123Z"`,
		`"shelved_until":"2026-11-25T15:30:00.123Z"`, `"value":0.62`, `"acknowledged_by":"on-call-1"`, `"sequence":17`))
	late.Wait("the quiet alarm", on("alarm/residual-entry-low", `"state":"normal"`, `"value":null`, `"limit":null`, `"since":null`, `"first_action":[]`))
	summary := late.Wait("the summary", on("summary", `"sequence":17`, `"gas-1-level-1"`))
	if strings.Contains(summary.Payload, "residual-entry-low") {
		t.Errorf("the summary lists a normal alarm: %s", summary.Payload)
	}
	for _, m := range late.Messages() {
		if !m.Retain || m.QoS != 1 {
			t.Errorf("%s came with retain %v, QoS %d", m.Topic, m.Retain, m.QoS)
		}
	}
	if n := len(late.Messages()); n != 4 {
		t.Errorf("%d messages are retained, want 4", n)
	}

	// A change that is handed over comes at once, one of the value alone in time.
	loud.Quality, loud.Value = "uncertain:over-range", new(9.0)
	b.board.set(loud, quiet)
	b.ConditionChanged([]alarms.Condition{loud})
	late.Wait("the new quality", on("alarm/gas-1-level-1", `"quality":"uncertain:over-range"`))
	loud.Value = new(11.5)
	b.board.set(loud, quiet)
	late.Wait("the new value", on("alarm/gas-1-level-1", `"value":11.5`))
	b.stop()
	loadSchemas(t).valid(t, early.Messages())
}

// arrived is the part of an event that the tests look at.
type arrived struct {
	ID       string `json:"id"`
	Sequence string `json:"sequence"`
	Subject  string `json:"subject"`
	Data     struct {
		Sequence uint64 `json:"sequence"`
		History  bool   `json:"history"`
	} `json:"data"`
}

func events(t *testing.T, ms []peertest.Message) []arrived {
	t.Helper()
	var out []arrived
	for _, m := range ms {
		if !on("event")(m) {
			continue
		}
		var e arrived
		if err := json.Unmarshal([]byte(m.Payload), &e); err != nil {
			t.Fatal(err)
		}
		if e.Sequence != fmt.Sprintf("%020d", e.Data.Sequence) {
			t.Errorf("event %d has the sequence %q", e.Data.Sequence, e.Sequence)
		}
		out = append(out, e)
	}
	return out
}

// The broker is killed again and again while events come. Each arrives, the
// first arrivals are in order, and a copy has the id of the first.
func TestNoEventIsLostWhenTheBrokerIsKilled(t *testing.T) {
	const kills, live = 8, 15
	broker := peertest.Mosquitto(t, peertest.Login{})
	// With QoS 0 the broker has handed an event on when it acknowledges it: all
	// that it holds itself dies with it.
	sub := broker.Subscribe(0, everything)
	// The gate keeps the publisher out until the subscriber is back.
	way := peertest.NewGate(t, broker.Address(), nil)
	o, b := options("tcp://" + way.Address())
	b.start(t, o)
	enough := b.keepRaising(t, 15*time.Millisecond)
	for kill := range kills {
		eventually(t, "some events told as they came", func() bool {
			s := b.Status()
			return s.Acked-s.Late >= live*uint64(kill+1)
		})
		broker.Kill()
		way.Set(false)
		broker.Start()
		sub.Subscribed(kill + 2)
		way.Set(true)
	}
	eventually(t, "500 events", func() bool { return b.outbox.LastSequence() >= 500 })
	enough()
	total := int(b.outbox.LastSequence())
	sub.Wait("the last event", on("event", fmt.Sprintf(`"sequence":"%020d"`, total)))
	eventually(t, "all acknowledged", func() bool { return b.Status().Acked >= uint64(total) })
	b.stop()

	var first, copies, history int
	ids := map[string]bool{}
	for _, e := range events(t, sub.Messages()) {
		if e.Data.History {
			history++
		}
		if ids[e.ID] {
			copies++
			continue
		}
		ids[e.ID] = true
		if first++; e.Data.Sequence != uint64(first) {
			t.Fatalf("event %d arrived first where %d belongs", e.Data.Sequence, first)
		}
	}
	if first != total {
		t.Errorf("%d events arrived, want %d", first, total)
	}
	if history == 0 || history > total-kills*live+copies {
		t.Errorf("%d events were marked as history: want those that the kills held back, and no more", history)
	}
	s := b.Status()
	if s.Acked != uint64(total) || s.Sent < uint64(total) || s.Late == 0 || s.Late > s.Acked {
		t.Errorf("status %+v", s)
	}
	t.Logf("%d events over %d kills: %d copies, %d marked as history", first, kills, copies, history)
	loadSchemas(t).valid(t, sub.Messages())
}

// The last will tells of an end that nobody announced, and presence of one that
// was, each with the boot it belongs to.
func TestPresence(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	way := peertest.NewGate(t, broker.Address(), nil)
	sub := broker.Subscribe(1, "ebbwatch/v1/+/presence")
	o, b := options("tcp://" + way.Address())
	b.start(t, o)
	const online, offline = `{"online":true,"boot":"7-0badcafe",`, `{"online":false,"boot":"7-0badcafe",`
	said := func() (out []bool) {
		for _, m := range sub.Messages() {
			out = append(out, on("presence", online)(m))
		}
		return out
	}
	eventually(t, "online", func() bool { return fmt.Sprint(said()) == "[true]" })
	eventually(t, "connected", func() bool { return b.Status().Connected })
	way.Set(false)
	eventually(t, "the last will", func() bool { return fmt.Sprint(said()) == "[true false]" })
	eventually(t, "the loss to be known", func() bool { s := b.Status(); return !s.Connected && s.LastError != "" })
	way.Set(true)
	eventually(t, "online again", func() bool { return fmt.Sprint(said()) == "[true false true]" })
	b.stop()
	eventually(t, "offline", func() bool { return len(said()) == 4 })
	late := broker.Subscribe(1, "ebbwatch/v1/+/presence")
	if m := late.Wait("presence", on("presence")); !strings.HasPrefix(m.Payload, offline) || !m.Retain {
		t.Errorf("after the end a subscriber finds %+v", m)
	}
	if got := fmt.Sprint(said()); got != "[true false true false]" {
		t.Errorf("an orderly end gave %s: the last will must not come on top", got)
	}
	loadSchemas(t).valid(t, sub.Messages())
}

func TestPassword(t *testing.T) {
	const password = "correct-horse"
	broker := peertest.Mosquitto(t, peertest.Login{User: "ebbwatch", Password: password})
	o, b := options(broker.URL())
	o.User, o.Password = "ebbwatch", "wrong-stable"
	b.start(t, o)
	want := "the broker " + broker.URL() + " refused the user name or password: check mqtt.user and the password file"
	eventually(t, "the refusal", func() bool { return b.Status().LastError == want })
	b.stop()
	if strings.Contains(b.log.String(), "wrong-stable") {
		t.Errorf("the log shows the password:\n%s", b.log)
	}
	if n := strings.Count(b.log.String(), "refused the user name"); n != 1 {
		t.Errorf("the same refusal was logged %d times:\n%s", n, b.log)
	}

	o, b = options(broker.URL())
	o.User, o.Password = "ebbwatch", password
	b.start(t, o)
	eventually(t, "the connection", func() bool { return b.Status().Connected })
	if s := b.Status(); s.LastError != "" {
		t.Errorf("connected, and yet %q", s.LastError)
	}
	b.stop()
	if strings.Contains(b.log.String(), password) {
		t.Errorf("the log shows the password:\n%s", b.log)
	}
}

// A figure without a good value is null, never a number.
func TestFigures(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	sub := broker.Subscribe(1, "ebbwatch/v1/kestrel-ridge/figure/+")
	o, b := options(broker.URL())
	o.FigureEvery = 50 * time.Millisecond
	b.start(t, o)
	b.Figures(func() []Figure {
		return []Figure{
			{Name: "residual-out", Value: new(1.2), Unit: "mg/L", Quality: "good", Time: morning},
			{Name: "bank.north.time-to-empty", Value: new(40.0), Low: new(36.5), High: new(math.Inf(1)), Unit: "h", Quality: "uncertain:not-drawn", Time: morning},
			{Name: "gas-1", Value: new(0.2), Low: new(0.0), High: new(1.0), Unit: "ppm", Quality: "bad:stale", Time: morning},
			{Name: "gas-2", Value: new(math.NaN()), Unit: "ppm", Quality: "good", Time: morning},
			{Name: "gas-3", Unit: "ppm", Quality: "bad:not-yet-read"},
			{Name: "no/topic/#", Value: new(1.0), Quality: "good"},
		}
	})
	for _, c := range []struct{ reason, name, want string }{
		{"a good value", "residual-out", `{"value":1.2,"low":null,"high":null,"unit":"mg/L","quality":"good","time":"2026-11-25T14:30:00.123Z"}`},
		{"infinity is no number", "bank.north.time-to-empty", `{"value":40,"low":36.5,"high":null,"unit":"h","quality":"uncertain:not-drawn","time":"2026-11-25T14:30:00.123Z"}`},
		{"a bad quality overrules the value", "gas-1", `{"value":null,"low":null,"high":null,"unit":"ppm","quality":"bad:stale","time":"2026-11-25T14:30:00.123Z"}`},
		{"NaN is no number", "gas-2", `{"value":null,"low":null,"high":null,"unit":"ppm","quality":"good","time":"2026-11-25T14:30:00.123Z"}`},
		{"never read", "gas-3", `{"value":null,"low":null,"high":null,"unit":"ppm","quality":"bad:not-yet-read","time":null}`},
	} {
		m := sub.Wait(c.reason, on("figure/"+c.name))
		if m.Payload != c.want || m.QoS != 0 {
			t.Errorf("%s: QoS %d\ngot  %s\nwant %s", c.reason, m.QoS, m.Payload, c.want)
		}
	}
	n := len(sub.Messages())
	eventually(t, "the next round", func() bool { return len(sub.Messages()) >= n+5 })
	late := broker.Subscribe(1, "ebbwatch/v1/kestrel-ridge/figure/gas-1")
	if m := late.Wait("a retained figure", on("figure/gas-1")); !m.Retain {
		t.Error("figures are not retained")
	}
	b.stop()
	loadSchemas(t).valid(t, sub.Messages())
}

// An alarm that the site no longer has is not normal, it is no more.
func TestRetiredAlarmIsRemoved(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	broker.Publish("ebbwatch/v1/kestrel-ridge/alarm/gas-9-level-1", "what an earlier run had retained", true)
	o, b := options(broker.URL())
	b.board.set(condition("gas-1-level-1", alarms.Normal))
	b.outbox.add(t, condition("gas-9-level-1", alarms.Normal), alarms.Retired)
	b.outbox.add(t, condition("gas-1-level-1", alarms.Normal), alarms.Retired) // and came back since
	b.start(t, o)
	eventually(t, "both events told", func() bool { return b.Status().Acked == 2 })
	b.stop() // and so all before it acknowledged
	sub := broker.Subscribe(1, "ebbwatch/v1/kestrel-ridge/alarm/+", "ebbwatch/v1/kestrel-ridge/presence")
	sub.Wait("presence", on("presence"))
	sub.Wait("the alarm that exists", on("alarm/gas-1-level-1"))
	for _, m := range sub.Messages() {
		if on("alarm/gas-9-level-1")(m) {
			t.Errorf("the retired alarm is still there: %+v", m)
		}
	}
}

// An outbox that cannot store acknowledgements, and an event that nobody can
// read, do not stop the telling.
func TestBrokenOutbox(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	sub := broker.Subscribe(1, "ebbwatch/v1/+/event")
	o, b := options(broker.URL())
	b.outbox.broken = true
	b.outbox.add(t, condition("gas-1-level-1", alarms.Unacknowledged), alarms.Raised)
	b.outbox.events = append(b.outbox.events, []byte("not a transition"))
	b.outbox.add(t, condition("gas-1-level-1", alarms.Acknowledged), alarms.Acked)
	b.start(t, o)
	eventually(t, "both events told", func() bool { return b.Status().Acked == 2 })
	eventually(t, "both events arrived", func() bool { return len(sub.Messages()) == 2 })
	b.stop()
	if got := events(t, sub.Messages()); got[0].Data.Sequence != 1 || got[1].Data.Sequence != 3 {
		t.Errorf("arrived: %+v", got)
	}
	for _, want := range []string{"an event in the outbox cannot be read; it is passed over", "could not be stored"} {
		if !strings.Contains(b.log.String(), want) {
			t.Errorf("the log does not say %q", want)
		}
	}
}

// An id belongs to one event: when a sequence comes again with another event,
// after a restart that forgot the first, a receiver must not drop it as a copy.
func TestIDTellsEventsWithTheSameSequenceApart(t *testing.T) {
	o, _ := options("tcp://127.0.0.1:1883")
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	id := func(data string, history bool) string {
		var e arrived
		if err := json.Unmarshal(p.event(12, []byte(data), alarms.Transition{}, history).payload, &e); err != nil {
			t.Fatal(err)
		}
		return e.ID
	}
	if a, b := id("one", false), id("one", true); a != b {
		t.Errorf("the same event has the ids %s and %s", a, b)
	}
	if a, b := id("one", false), id("another", false); a == b {
		t.Errorf("two events have the id %s", a)
	}
}

// Over TLS the broker's certificate is verified.
func TestTLS(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	server := httptest.NewTLSServer(nil) // has a certificate for 127.0.0.1
	defer server.Close()
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: server.TLS.Certificates})
	if err != nil {
		t.Fatal(err)
	}
	way := peertest.NewGate(t, broker.Address(), l)

	o, b := options("ssl://" + way.Address())
	b.start(t, o)
	eventually(t, "the refusal", func() bool {
		return strings.Contains(b.Status().LastError, "the certificate of the broker "+o.Brokers[0]+" is not trusted: ")
	})
	b.stop()

	o, b = options("ssl://" + way.Address())
	o.TLS = &tls.Config{RootCAs: server.Client().Transport.(*http.Transport).TLSClientConfig.RootCAs}
	b.start(t, o)
	eventually(t, "the connection", func() bool { return b.Status().Connected })
	b.stop()
}
