package notify

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
)

const operatorKey = "0123456789abcdef0123456789abcdef-operator-example"

// proven is an order as another program proved it.
type proven struct {
	Name, Topic, Key, Payload, Canonical, MAC string
}

// vectors are orders proven by Python's hmac, which agrees with openssl dgst.
func vectors(t testing.TB) []proven {
	t.Helper()
	raw, err := os.ReadFile("../../testdata/orders/vectors.json")
	if err != nil {
		t.Fatal(err)
	}
	var out []proven
	if err := json.Unmarshal(raw, &out); err != nil || len(out) == 0 {
		t.Fatalf("%d vectors, %v", len(out), err)
	}
	return out
}

func TestProofsOfPython(t *testing.T) {
	for _, v := range vectors(t) {
		text, err := Canonical(v.Topic, []byte(v.Payload))
		if err != nil || text != v.Canonical {
			t.Errorf("%s: the text is %q, %v; expected %q", v.Name, text, err, v.Canonical)
		}
		if got := hex.EncodeToString(mac([]byte(v.Key), text)); got != v.MAC {
			t.Errorf("%s: mac %s, expected %s", v.Name, got, v.MAC)
		}
	}
}

// withRoles is a publisher whose orders need a role.
func withRoles(t *testing.T) (p *Publisher, carried *[]alarms.Order) {
	t.Helper()
	o, _ := options("tcp://127.0.0.1:1883")
	o.Now = func() time.Time { return noon }
	carried = &[]alarms.Order{}
	o.Order = func(_ context.Context, a alarms.Order) alarms.Answer {
		if a.Refused != "" {
			return alarms.Answer{Result: alarms.Refused, Why: a.Refused}
		}
		if a.Verb != alarms.Note && a.Role != "operator" {
			t.Errorf("an order came in the role %q", a.Role)
		}
		*carried = append(*carried, a)
		return alarms.Answer{Result: alarms.Done}
	}
	o.Roles = []Role{
		{Name: "operator", Key: []byte(operatorKey)},
		{Name: "observer", Key: []byte(strings.Repeat("k", 32))},
	}
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p, carried
}

// sign proves an order with ours; TestProofsOfPython holds it against others.
func sign(t testing.TB, topic, key, payload string) string {
	t.Helper()
	text, err := Canonical(topic, []byte(payload))
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSuffix(payload, "}") + fmt.Sprintf(`,"mac":"%x"}`, mac([]byte(key), text))
}

func TestRoles(t *testing.T) {
	const (
		root    = "ebbwatch/v1/kestrel-ridge/order/"
		wrong   = "mac does not prove the role: are the role, its key and the text that was signed right?"
		lacking = "the order proves no role: fill in role, and mac, made with the role's key"
		bare    = `{"order":"o-1","issued_at":"2026-11-25T18:59:30.000Z","by":"on-call-1","alarm":"gas-1-level-2","episode":3}`
	)
	base := strings.TrimSuffix(bare, "}") + `,"role":"operator"}`
	ack := root + "acknowledge"
	good := sign(t, ack, operatorKey, base)
	for _, tt := range []struct{ reason, verb, payload, why string }{
		{"proven", "acknowledge", good, ""},
		{"an acknowledgement that Python proved", "acknowledge", vectors(t)[0].Payload, ""},
		{"the fields in another order", "acknowledge", `{"mac":` + good[strings.Index(good, `"mac":`)+6:len(good)-1] + "," + base[1:], ""},
		{"a refresh changes nothing", "refresh", bare, ""},
		{"no proof at all", "acknowledge", bare, lacking},
		{"a role in name only", "acknowledge", base, lacking},
		{"another episode", "acknowledge", strings.Replace(good, `"episode":3`, `"episode":4`, 1), wrong},
		{"another person", "acknowledge", strings.Replace(good, `"by":"on-call-1"`, `"by":"on-call-2"`, 1), wrong},
		{"another alarm", "acknowledge", strings.Replace(good, `"gas-1-level-2"`, `"gas-1-level-1"`, 1), wrong},
		{"another time", "acknowledge", strings.Replace(good, `18:59:30.000Z`, `18:59:31.000Z`, 1), wrong},
		{"another id", "acknowledge", strings.Replace(good, `"o-1"`, `"o-2"`, 1), wrong},
		{"another verb", "reset", good, wrong},
		{"another site", "acknowledge", sign(t, "ebbwatch/v1/elsewhere/order/acknowledge", operatorKey, base), wrong},
		{"another key", "acknowledge", sign(t, ack, strings.Repeat("k", 32), base), wrong},
		{"another role with one's own key", "acknowledge", strings.Replace(sign(t, ack, strings.Repeat("k", 32), strings.Replace(base, "operator", "observer", 1)), "observer", "operator", 1), wrong},
		{"an unknown role under no key", "acknowledge", sign(t, ack, strings.Repeat("\x00", 32), strings.Replace(base, "operator", "director", 1)), wrong},
		{"half a proof", "acknowledge", good[:len(good)-12] + `"}`, wrong},
		{"no hexadecimal", "acknowledge", strings.TrimSuffix(base, "}") + `,"mac":"please"}`, wrong},
		{"a note is free", "note", strings.Replace(bare, `"episode":3`, `"reason":"All quiet."`, 1), ""},
		{"a note with a false proof is not", "note", strings.Replace(good, `"episode":3`, `"reason":"All quiet."`, 1), wrong},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			p, carried := withRoles(t)
			_, a := p.carryOut(t.Context(), incoming{root + tt.verb, []byte(tt.payload), false})
			want := alarms.Refused
			if tt.why == "" {
				want = alarms.Done
			}
			if a.Result != want || a.Why != tt.why {
				t.Errorf("%s, %q; expected %s, %q", a.Result, a.Why, want, tt.why)
			}
			if reaches := tt.why == "" && tt.verb != refresh; reaches != (len(*carried) == 1) {
				t.Errorf("carried out: %+v", *carried)
			}
		})
	}
}

// TestNoTwoOrdersAreSignedAlike: what differs in any field has another text.
func TestNoTwoOrdersAreSignedAlike(t *testing.T) {
	for _, payload := range []string{
		`{"by":"a\nrole=operator"}`, `{"by":"a\r"}`, `{"by\n":"a"}`, `{"by":["a"]}`, `{"by":{}}`, `{"by":null}`, `[]`, ``,
	} {
		if text, err := Canonical("t", []byte(payload)); err == nil {
			t.Errorf("%s may be signed as %q", payload, text)
		}
	}
}

// TestProvenOverABroker: Python proves an order, mosquitto carries it.
func TestProvenOverABroker(t *testing.T) {
	python := peertest.Tool(t, "python3")
	broker := peertest.Mosquitto(t, peertest.Login{})
	sub := broker.Subscribe(1, everything)
	o, b := options(broker.URL())
	o.Roles = []Role{{Name: "operator", Key: []byte(operatorKey)}}
	o.Order = func(_ context.Context, a alarms.Order) alarms.Answer {
		if a.Refused != "" {
			return alarms.Answer{Result: alarms.Refused, Why: a.Refused}
		}
		return alarms.Answer{Result: alarms.Done}
	}
	b.start(t, o)
	sub.Wait("presence", on("presence", `"online":true`))
	eventually(t, "orders are taken", func() bool { return b.Status().Connected })

	topic := "ebbwatch/v1/kestrel-ridge/order/acknowledge"
	key := filepath.Join(t.TempDir(), "key")
	if err := os.WriteFile(key, []byte(operatorKey+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	order := func(id string) string {
		return fmt.Sprintf(`{"order":%q,"issued_at":%q,"by":"on-call-1","alarm":"gas-1-level-1","episode":3,"role":"operator"}`, id, time.Now().UTC().Format(time.RFC3339))
	}
	cmd := exec.Command(python, "-B", "../../testdata/peers/sign_order.py", topic, key)
	cmd.Stdin = strings.NewReader(order("proven"))
	signed, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	broker.Publish(topic, string(signed), false)
	sub.Wait("the proven order done", on("answer/on-call-1", `"order":"proven"`, `"result":"done"`))
	broker.Publish(topic, order("unproven"), false)
	sub.Wait("the unproven order refused", on("answer/on-call-1", `"order":"unproven"`, `"result":"refused"`, "proves no role"))
	loadSchemas(t).valid(t, sub.Messages())
}

// FuzzCanonical: whatever arrives gives a text that reads back as its fields, or
// a reason.
func FuzzCanonical(f *testing.F) {
	for _, v := range vectors(f) {
		f.Add([]byte(v.Payload))
	}
	f.Add([]byte(`{"a":1e400,"b":"\ud800"}`))
	f.Fuzz(func(t *testing.T, payload []byte) {
		text, err := Canonical("topic", payload)
		if err != nil {
			return
		}
		var fields map[string]any
		if err := json.Unmarshal(payload, &fields); err != nil {
			if _, number := err.(*json.UnmarshalTypeError); number || strings.Contains(string(payload), "}") {
				return // a number beyond float64, or more than one object
			}
			t.Fatalf("signed, and not JSON: %v", err)
		}
		delete(fields, "mac")
		if lines := strings.Count(text, "\n"); lines != len(fields)+1 {
			t.Errorf("%d lines for the topic and %d fields: %q", lines, len(fields), text)
		}
	})
}
