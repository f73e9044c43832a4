package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
)

var noon = time.Date(2026, 11, 25, 19, 0, 0, 0, time.UTC)

// Every way in which an order can be wrong is refused in words, and the answer
// finds its way when there is one.
func TestOrders(t *testing.T) {
	const fresh = `"issued_at":"2026-11-25T18:59:30.000Z"`
	full := `{"order":"o-1",` + fresh + `,"by":"on-call-1","alarm":"gas-1-level-1","episode":3}`
	const id = `"order":"o-1",`
	const containerNeeds = "for container, an order names action: on, off or correct with container and, as text, serial and tare such as 1480 lb; received or stock with bank and count"
	s := loadSchemas(t)
	for _, c := range []struct {
		reason, verb, payload string
		retained              bool
		by                    string
		result                alarms.Result
		why                   string
	}{
		{"a whole order", "acknowledge", full, false, "on-call-1", alarms.Done, ""},
		{"an offset from UTC is RFC 3339 too", "acknowledge", strings.Replace(full, "18:59:30.000Z", "11:59:30-07:00", 1), false, "on-call-1", alarms.Done, ""},
		{"a reset needs no episode", "reset", strings.Replace(full, `,"episode":3`, "", 1), false, "on-call-1", alarms.Done, ""},
		{"a refresh needs no alarm", "refresh", "{" + id + fresh + `,"by":"historian"}`, false, "historian", alarms.Done, ""},
		{"just in time", "refresh", "{" + id + `"issued_at":"2026-11-25T18:59:00Z","by":"historian"}`, false, "historian", alarms.Done, ""},

		{"a shelving", "shelve", strings.Replace(full, `"episode":3`, `"duration":"1h30m","reason":"pump change"`, 1), false, "on-call-1", alarms.Done, ""},
		{"a shelving for one time", "shelve", strings.Replace(full, `"episode":3`, `"one_shot":true,"reason":"pump change"`, 1), false, "on-call-1", alarms.Done, ""},
		{"a test", "test", strings.Replace(full, `"episode":3`, `"duration":"10m"`, 1), false, "on-call-1", alarms.Done, ""},
		{"a note about nothing in particular", "note", "{" + id + fresh + `,"by":"on-call-1","reason":"All quiet."}`, false, "on-call-1", alarms.Done, ""},
		{"a grab sample", "grab-sample", "{" + id + fresh + `,"by":"operator","point":"residual-entry","residual":0.45,"taken_at":"2026-11-25T18:40:00Z"}`, false, "operator", alarms.Done, ""},
		{"a grab sample of no chlorine", "grab-sample", "{" + id + fresh + `,"by":"operator","point":"residual-entry","residual":0,"taken_at":"2026-11-25T18:40:00Z"}`, false, "operator", alarms.Done, ""},
		{"a grab sample without a residual", "grab-sample", "{" + id + fresh + `,"by":"operator","point":"residual-entry","taken_at":"2026-11-25T18:40:00Z"}`, false, "operator", alarms.Refused, "for grab-sample, an order names point, residual in mg/L and taken_at in RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"a grab sample from any time", "grab-sample", "{" + id + fresh + `,"by":"operator","point":"residual-entry","residual":0.45}`, false, "operator", alarms.Refused, "for grab-sample, an order names point, residual in mg/L and taken_at in RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"a residual in quotes", "grab-sample", "{" + id + fresh + `,"by":"operator","residual":"0.45"}`, false, "operator", alarms.Refused, "the order's field residual has the wrong type: expected text, a whole number for episode and count, a number for residual, true or false for one_shot"},
		{"a test of a detector", "test", "{" + id + fresh + `,"by":"operator","detector":"gas-1","duration":"20m"}`, false, "operator", alarms.Done, ""},
		{"a test of a detector and an alarm", "test", "{" + id + fresh + `,"by":"operator","detector":"gas-1","alarm":"gas-1-level-1","duration":"20m"}`, false, "operator", alarms.Refused, "for test, an order names detector, or an alarm alone, and duration; 0s ends the test"},
		{"a bump test that was done", "serviced", "{" + id + fresh + `,"by":"operator","detector":"gas-1","work":"bump-test","done_at":"2026-11-25T18:40:00Z"}`, false, "operator", alarms.Done, ""},
		{"a correction of the record", "correct", "{" + id + fresh + `,"by":"operator","day":"2026-11-03","item":"entry.residual-entry.lowest-residual","value":"0.45 mg/L","reason":"calibration"}`, false, "operator", alarms.Done, ""},
		{"a correction of what", "correct", "{" + id + fresh + `,"by":"operator","day":"2026-11-03","value":"0.45 mg/L","reason":"calibration"}`, false, "operator", alarms.Refused, "for correct, an order names day, such as 2026-05-03, item, value with its unit, such as 0.45 mg/L, or unknown, and reason"},
		{"a service at no time", "serviced", "{" + id + fresh + `,"by":"operator","detector":"gas-1","work":"bump-test"}`, false, "operator", alarms.Refused, "for serviced, an order names detector, work, which is calibration or bump-test, and done_at in RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"a changed container", "container", "{" + id + fresh + `,"by":"operator","action":"on","container":"north-1","serial":"KR-114","tare":"1492 lb"}`, false, "operator", alarms.Done, ""},
		{"full containers", "container", "{" + id + fresh + `,"by":"operator","action":"received","bank":"north","count":2}`, false, "operator", alarms.Done, ""},
		{"full containers, not counted", "container", "{" + id + fresh + `,"by":"operator","action":"received","bank":"north"}`, false, "operator", alarms.Refused, containerNeeds},
		{"a container in the air", "container", "{" + id + fresh + `,"by":"operator","action":"on"}`, false, "operator", alarms.Refused, containerNeeds},
		{"an action that is not there", "container", "{" + id + fresh + `,"by":"operator","action":"open","container":"north-1"}`, false, "operator", alarms.Refused, containerNeeds},
		{"a shelving without an end", "shelve", strings.Replace(full, `,"episode":3`, "", 1), false, "on-call-1", alarms.Refused, "for shelve, an order names alarm and duration"},
		{"a test for once", "test", strings.Replace(full, `"episode":3`, `"one_shot":true`, 1), false, "on-call-1", alarms.Refused, "for test, an order names detector, or an alarm alone, and duration; 0s ends the test"},
		{"a duration that is none", "shelve", strings.Replace(full, `"episode":3`, `"duration":"an hour"`, 1), false, "on-call-1", alarms.Refused, "duration is not one: expected a number with h, m or s such as 1h30m"},
		{"out of service, nothing named", "out-of-service", "{" + id + fresh + `,"by":"on-call-1"}`, false, "on-call-1", alarms.Refused, "for out-of-service, an order names alarm"},
		{"a truth for text", "shelve", strings.Replace(full, `"episode":3`, `"one_shot":"yes"`, 1), false, "on-call-1", alarms.Refused, "the order's field one_shot has the wrong type: expected text, a whole number for episode and count, a number for residual, true or false for one_shot"},

		{"retained", "acknowledge", full, true, "on-call-1", alarms.Refused, "the order was retained by the broker, and may be old: send it without the retain flag"},
		{"61 s old", "refresh", "{" + id + `"issued_at":"2026-11-25T18:58:59Z","by":"historian"}`, false, "historian", alarms.Refused, "the order was issued at 2026-11-25T18:58:59.000Z and the time here is 2026-11-25T19:00:00.000Z: they may differ by at most 1m0s; compare the clocks"},
		{"61 s ahead", "refresh", "{" + id + `"issued_at":"2026-11-25T19:01:01Z","by":"historian"}`, false, "historian", alarms.Refused, "the order was issued at 2026-11-25T19:01:01.000Z and the time here is 2026-11-25T19:00:00.000Z: they may differ by at most 1m0s; compare the clocks"},
		{"no time", "refresh", "{" + id + `"by":"historian"}`, false, "historian", alarms.Refused, "issued_at is not a time: expected RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"a time without a zone", "refresh", "{" + id + `"issued_at":"2026-11-25T19:00:00","by":"historian"}`, false, "historian", alarms.Refused, "issued_at is not a time: expected RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"an hour of one digit", "refresh", "{" + id + `"issued_at":"2026-11-25T9:00:00Z","by":"historian"}`, false, "historian", alarms.Refused, "issued_at is not a time: expected RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"an hour of one digit, and a fraction", "refresh", "{" + id + `"issued_at":"2026-11-25T9:00:00.00Z","by":"historian"}`, false, "historian", alarms.Refused, "issued_at is not a time: expected RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"a comma for the point", "refresh", "{" + id + `"issued_at":"2026-11-25T19:00:00,0Z","by":"historian"}`, false, "historian", alarms.Refused, "issued_at is not a time: expected RFC 3339, such as 2026-11-25T08:00:00.000Z"},
		{"a verb that is not there", "open-valve", full, false, "on-call-1", alarms.Refused, `the verb "open-valve" is not known: expected acknowledge, reset, shelve, unshelve, out-of-service, in-service, test, grab-sample, container, serviced, correct, note or refresh`},
		{"an acknowledgement without an episode", "acknowledge", strings.Replace(full, `,"episode":3`, "", 1), false, "on-call-1", alarms.Refused, "to acknowledge, an order names alarm and episode"},
		{"an acknowledgement without an alarm", "acknowledge", "{" + id + fresh + `,"by":"on-call-1","episode":3}`, false, "on-call-1", alarms.Refused, "to acknowledge, an order names alarm and episode"},
		{"a reset of everything", "reset", "{" + id + fresh + `,"by":"on-call-1","alarm":"#"}`, false, "on-call-1", alarms.Refused, "for reset, an order names alarm"},
		{"nobody asks", "refresh", "{" + id + fresh + "}", false, "unknown", alarms.Refused, "the order does not say who asks: fill in by"},
		{"the answer would reach everyone", "refresh", "{" + id + fresh + `,"by":"+"}`, false, "unknown", alarms.Refused, "by cannot be part of a topic: expected at most 64 characters, without / + #"},
		{"the answer would go elsewhere", "refresh", "{" + id + fresh + `,"by":"a/b"}`, false, "unknown", alarms.Refused, "by cannot be part of a topic: expected at most 64 characters, without / + #"},
		{"no id", "refresh", "{" + fresh + `,"by":"historian"}`, false, "historian", alarms.Refused, "the order has no usable id: fill in order, at most 64 characters, without / + #"},
		{"an id that is a novel", "refresh", `{"order":"` + strings.Repeat("o", 65) + `",` + fresh + `,"by":"historian"}`, false, "historian", alarms.Refused, "the order has no usable id: fill in order, at most 64 characters, without / + #"},
		{"an unknown field", "refresh", `{"by":"historian",` + id + fresh + `,"force":true}`, false, "historian", alarms.Refused, `the order has a field "force" that is not known or comes twice: expected order, issued_at, by, alarm, episode, reason, duration, one_shot, point, residual, taken_at, detector, work, done_at, day, item, value, action, container, bank, serial, tare, count, role, mac`},
		{"a field in other letters", "refresh", `{"by":"historian",` + id + `"Issued_At":"2026-11-25T19:00:00Z"}`, false, "historian", alarms.Refused, `the order has a field "Issued_At" that is not known or comes twice: expected order, issued_at, by, alarm, episode, reason, duration, one_shot, point, residual, taken_at, detector, work, done_at, day, item, value, action, container, bank, serial, tare, count, role, mac`},
		{"a field twice", "refresh", `{"by":"historian",` + id + fresh + `,"by":"operator"}`, false, "historian", alarms.Refused, `the order has a field "by" that is not known or comes twice: expected order, issued_at, by, alarm, episode, reason, duration, one_shot, point, residual, taken_at, detector, work, done_at, day, item, value, action, container, bank, serial, tare, count, role, mac`},
		{"a number for text", "refresh", `{"by":"historian","order":1}`, false, "historian", alarms.Refused, "the order's field order has the wrong type: expected text, a whole number for episode and count, a number for residual, true or false for one_shot"},
		{"text for a number", "acknowledge", strings.Replace(full, `"episode":3`, `"episode":"3"`, 1), false, "on-call-1", alarms.Refused, "the order's field episode has the wrong type: expected text, a whole number for episode and count, a number for residual, true or false for one_shot"},
		{"half an episode", "acknowledge", strings.Replace(full, `"episode":3`, `"episode":3.5`, 1), false, "on-call-1", alarms.Refused, "the order's field episode has the wrong type: expected text, a whole number for episode and count, a number for residual, true or false for one_shot"},
		{"null", "acknowledge", strings.Replace(full, `"episode":3`, `"episode":null`, 1), false, "on-call-1", alarms.Refused, "the order's field episode has the wrong type: expected text, a whole number for episode and count, a number for residual, true or false for one_shot"},
		{"two objects", "refresh", "{" + id + fresh + `,"by":"historian"}{}`, false, "historian", alarms.Refused, "the order is not one JSON object: expected order, issued_at, by, alarm and, to acknowledge, episode"},
		{"a list", "refresh", `[]`, false, "unknown", alarms.Refused, "the order is not one JSON object: expected order, issued_at, by, alarm and, to acknowledge, episode"},
		{"cut off", "refresh", full[:60], false, "unknown", alarms.Refused, "the order is not one JSON object: expected order, issued_at, by, alarm and, to acknowledge, episode"},
		{"nothing, as when a retained message is removed", "refresh", "", false, "unknown", alarms.Refused, "the order is not one JSON object: expected order, issued_at, by, alarm and, to acknowledge, episode"},
		{"oversized", "acknowledge", full + strings.Repeat(" ", maxOrder), false, "unknown", alarms.Refused, "the order is larger than 8192 bytes"},
	} {
		t.Run(c.reason, func(t *testing.T) {
			o, b := options("tcp://127.0.0.1:1883")
			o.Now = func() time.Time { return noon }
			var got, refused []alarms.Order
			o.Order = func(_ context.Context, a alarms.Order) alarms.Answer {
				if a.Refused != "" {
					refused = append(refused, a)
					return alarms.Answer{Result: alarms.Refused, Why: a.Refused}
				}
				got = append(got, a)
				return alarms.Answer{Result: alarms.Done}
			}
			p, err := New(o)
			if err != nil {
				t.Fatal(err)
			}
			by, a := p.carryOut(t.Context(), incoming{p.root + "/order/" + c.verb, []byte(c.payload), c.retained})
			if by != c.by || a.Result != c.result || a.Why != c.why {
				t.Errorf("to %s: %s, %q\nwant %s: %s, %q", by, a.Result, a.Why, c.by, c.result, c.why)
			}
			if err := s.check("answer", string(encode(a))); err != nil {
				t.Errorf("the answer is not as its schema says: %v", err)
			}
			if reaches := c.result == alarms.Done && c.verb != refresh; reaches != (len(got) == 1) {
				t.Fatalf("carried out: %+v", got)
			}
			if (c.result == alarms.Refused) != (len(refused) == 1) {
				t.Errorf("for the record: %+v", refused)
			}
			if !strings.Contains(b.log.String(), "verb="+c.verb) {
				t.Errorf("the log does not tell of the order:\n%s", b.log)
			}
			if len(got) == 1 {
				o := got[0]
				if string(o.Verb) != c.verb || o.ID != "o-1" || o.By != c.by || o.Alarm != "gas-1-level-1" && o.Detector != "gas-1" && c.verb != "note" && c.verb != "grab-sample" && c.verb != "correct" && c.verb != "container" || !o.IssuedAt.Equal(noon.Add(-30*time.Second)) {
					t.Errorf("carried out: %+v", o)
				}
				if c.verb == "container" {
					if (o.Container.Action == "on") != (o.Container == alarms.ContainerOrder{Action: "on", Container: "north-1", Serial: "KR-114", Tare: "1492 lb"}) ||
						(o.Container.Action == "received") != (o.Container == alarms.ContainerOrder{Action: "received", Bank: "north", Count: 2}) {
						t.Errorf("the container is %+v", o.Container)
					}
				}
				if grab := c.verb == "grab-sample"; grab != (o.Grab.Point == "residual-entry") || grab != o.Grab.Taken.Equal(noon.Add(-20*time.Minute)) || o.Grab.Residual != 0 && o.Grab.Residual != 0.45 {
					t.Errorf("the sample is %+v", o.Grab)
				}
				want := alarms.Correction{Date: "2026-11-03", Item: "entry.residual-entry.lowest-residual", Given: "0.45 mg/L"}
				if (c.verb == "correct") != (o.Correction == want) {
					t.Errorf("a correction came as %+v", o.Correction)
				}
				if done := c.verb == "serviced"; done != (o.Service == alarms.Service{Work: "bump-test", Done: noon.Add(-20 * time.Minute)}) {
					t.Errorf("the service is %+v", o.Service)
				}
			}
		})
	}
}

// Orders and answers over a real broker.
func TestOrdersOverABroker(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	const root = "ebbwatch/v1/kestrel-ridge/order/"
	order := func(id, by string, at time.Time) string {
		return fmt.Sprintf(`{"order":%q,"issued_at":%q,"by":%q,"alarm":"gas-1-level-1","episode":3}`, id, at.UTC().Format(time.RFC3339Nano), by)
	}
	broker.Publish(root+"acknowledge", order("left-over", "ghost", time.Now()), true)
	sub := broker.Subscribe(1, everything)
	o, b := options(broker.URL())
	b.board.set(condition("gas-1-level-1", alarms.Unacknowledged))
	var mu sync.Mutex
	done := map[string]bool{}
	o.Order = func(_ context.Context, a alarms.Order) alarms.Answer {
		mu.Lock()
		defer mu.Unlock()
		if a.Refused != "" {
			return alarms.Answer{Result: alarms.Refused, Why: a.Refused}
		}
		if done[a.ID] {
			return alarms.Answer{Result: alarms.Already, Why: "this order was carried out before"}
		}
		done[a.ID] = true
		return alarms.Answer{Result: alarms.Done}
	}
	b.start(t, o)
	sub.Wait("the retained order refused", on("answer/ghost", `"order":"left-over"`, `"result":"refused"`, "retained"))

	broker.Publish(root+"acknowledge", order("o-1", "on-call-1", time.Now()), false)
	m := sub.Wait("the order done", on("answer/on-call-1", `"order":"o-1"`, `"result":"done"`))
	if m.Retain || m.QoS != 1 || m.Payload != `{"order":"o-1","alarm":"gas-1-level-1","result":"done"}` {
		t.Errorf("the answer is %+v", m)
	}
	broker.Publish(root+"acknowledge", order("o-1", "on-call-2", time.Now()), false)
	sub.Wait("the repeated order", on("answer/on-call-2", `"order":"o-1"`, `"result":"already"`))
	broker.Publish(root+"acknowledge", order("o-2", "on-call-3", time.Now().Add(-5*time.Minute)), false)
	sub.Wait("the old order", on("answer/on-call-3", `"result":"refused"`, "issued at"))
	broker.Publish(root+"acknowledge", strings.Repeat("x", 100_000), false)
	sub.Wait("the oversized order", on("answer/unknown", `"order":""`, "larger than 8192 bytes"))

	count := func(topic string) (n int) {
		for _, m := range sub.Messages() {
			if on(topic)(m) {
				n++
			}
		}
		return n
	}
	before := count("summary")
	broker.Publish(root+"refresh", `{"order":"o-3","issued_at":"`+time.Now().UTC().Format(time.RFC3339)+`","by":"historian"}`, false)
	sub.Wait("the refresh done", on("answer/historian", `"result":"done"`))
	eventually(t, "all published again", func() bool { return count("summary") == before+1 && count("alarm/gas-1-level-1") == 2 })
	b.stop()
	mu.Lock()
	defer mu.Unlock()
	if len(done) != 1 || !done["o-1"] {
		t.Errorf("carried out: %v, want o-1 alone", done)
	}
	loadSchemas(t).valid(t, sub.Messages())
}

// Too many orders and answers are bounded.
func TestOrdersAreBounded(t *testing.T) {
	o, b := options("tcp://127.0.0.1:1883")
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	for range maxOrders + 5 {
		p.receive(incoming{payload: make([]byte, 1<<20)})
	}
	if n := strings.Count(b.log.String(), "an order was dropped: too many wait"); n != 5 {
		t.Errorf("%d orders dropped, want 5", n)
	}
	if in := <-p.in; cap(in.payload) > 2*maxOrder {
		t.Errorf("an oversized order is kept with %d bytes", cap(in.payload))
	}
	for i := range maxAnswers + 5 {
		p.answer("operator", alarms.Answer{Order: fmt.Sprint(i), Result: alarms.Done})
	}
	if len(p.answers) != maxAnswers || !strings.Contains(string(p.answers[0].payload), `"5"`) {
		t.Errorf("%d answers wait, the first is %s", len(p.answers), p.answers[0].payload)
	}
}

// FuzzOrder: whatever arrives gives an order that its schema allows, or a reason.
func FuzzOrder(f *testing.F) {
	f.Add([]byte(`{"order":"o-1","issued_at":"2026-11-25T18:59:30.000Z","by":"on-call-1","alarm":"gas-1-level-1","episode":3}`))
	f.Add([]byte(`{"order":"o-1","issued_at":"2026-11-25T11:59:30-07:00","by":"über","alarm":"a"}`))
	f.Add([]byte(`{"order":"0","issued_at":"0000-01-01T0:00:00,0Z","by":"0","alarm":"0","episode":0}`))
	f.Add([]byte(`{"by":"x","by":"y"}`))
	f.Add([]byte(`{"episode":1e400}`))
	f.Add([]byte(`{"order":null}`))
	f.Add([]byte("{\"by\":\"\\ud800\xff\"}"))
	f.Add([]byte(`[[[[{"`))
	s := loadSchemas(f)
	f.Fuzz(func(t *testing.T, payload []byte) {
		r, err := parseOrder(payload)
		if err != nil {
			if err.Error() == "" {
				t.Error("refused without a reason")
			}
			return
		}
		var issued time.Time
		if issued.UnmarshalText([]byte(r.IssuedAt)) != nil {
			issued = noon
		}
		if r.check(string(alarms.Acknowledge), false, issued) != nil {
			return
		}
		if err := s.check("order", string(payload)); err != nil {
			t.Errorf("taken against its schema: %v", err)
		}
		again, err := json.Marshal(map[string]any{"order": r.Order, "issued_at": r.IssuedAt, "by": r.By, "alarm": r.Alarm, "episode": r.Episode})
		if err != nil {
			t.Fatal(err)
		}
		if back, err := parseOrder(again); err != nil || back.Order != r.Order || back.By != r.By || back.Alarm != r.Alarm || back.Episode != r.Episode {
			t.Errorf("written again as %s it is %+v (%v), was %+v", again, back, err, r)
		}
	})
}
