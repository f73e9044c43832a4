package deploy_test

import (
	"slices"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
)

const (
	root  = "ebbwatch/v1/kestrel-ridge/"
	other = "ebbwatch/v1/harrow-point/" // another plant at the same broker
)

var (
	told  = []string{"presence", "heartbeat", "event", "alarm/gas-1-level-2", "figure/north.net", "summary"}
	verbs = []string{"acknowledge", "reset", "shelve", "unshelve", "out-of-service", "in-service", "test", "note", "grab-sample", "container", "serviced", "correct", "refresh"}
)

func under(kind string, names ...string) (out []string) {
	for _, n := range names {
		out = append(out, kind+"/"+n)
	}
	return out
}

// TestAccessControl lets each role of the example try every topic at a mosquitto.
// MQTT 3.1.1 does not refuse a message, so what comes through is what counts.
func TestAccessControl(t *testing.T) {
	// May is what a role may write and read; all else it tries in vain.
	roles := []struct {
		user        string
		write, read []string
	}{
		{"ebbwatch", slices.Concat(told, under("notice", "operator", "safety-officer"), under("answer", "operator", "integrator")), under("order", verbs...)},
		{"viewer", nil, told},
		{"integrator", under("order", "refresh"), slices.Concat(told, under("answer", "integrator"))},
		{"operator", under("order", "acknowledge", "reset", "note", "grab-sample", "container", "refresh"), slices.Concat(told, under("notice", "operator"), under("answer", "operator"))},
		{"safety-officer", under("order", verbs...), slices.Concat(told, under("notice", "safety-officer"), under("answer", "operator", "integrator"))},
	}
	all := slices.Concat(told, under("notice", "operator", "safety-officer"), under("answer", "operator", "integrator"), under("order", verbs...))

	watcher := peertest.Login{User: "test", Password: "test"} // sees and may do everything
	logins := []peertest.Login{}
	for _, r := range roles {
		logins = append(logins, peertest.Login{User: r.user, Password: r.user})
	}
	broker := peertest.Mosquitto(t, watcher)
	broker.Admit(read(t, "mosquitto", "ebbwatch.acl")+"\nuser test\ntopic readwrite #\n", logins...)

	spy := broker.Subscribe(1, "#")
	for i, r := range roles {
		as := broker.As(logins[i])
		for _, topic := range all {
			as.Publish(root+topic, r.user, false)
		}
		as.Publish(other+"order/acknowledge", r.user, false)
		as.Publish(other+"summary", r.user, false)
	}
	broker.Publish("end", "end", false)
	spy.Wait("the last message", func(m peertest.Message) bool { return m.Topic == "end" })
	through := map[string][]string{}
	for _, m := range spy.Messages() {
		through[m.Payload] = append(through[m.Payload], strings.TrimPrefix(m.Topic, root))
	}
	for _, r := range roles {
		same(t, r.user+" writes", through[r.user], r.write)
	}

	readers := make([]*peertest.Subscriber, len(roles))
	for i := range roles {
		readers[i] = broker.As(logins[i]).Subscribe(1, "#")
	}
	for _, topic := range slices.Concat([]string{other + "summary", other + "order/acknowledge"}, prefixed(all)) {
		broker.Publish(topic, "x", false)
	}
	broker.Publish(root+"summary", "end", false)
	broker.Publish(root+"order/acknowledge", "end", false) // which ebbwatch alone reads
	for i, r := range roles {
		readers[i].Wait(r.user+" has read the last message", func(m peertest.Message) bool { return m.Payload == "end" })
		var got []string
		for _, m := range readers[i].Messages() {
			if m.Payload == "x" {
				got = append(got, strings.TrimPrefix(m.Topic, root))
			}
		}
		same(t, r.user+" reads", got, r.read)
	}
}

func prefixed(topics []string) (out []string) {
	for _, topic := range topics {
		out = append(out, root+topic)
	}
	return out
}

// same compares two sets.
func same(t *testing.T, what string, got, want []string) {
	t.Helper()
	got, want = slices.Sorted(slices.Values(got)), slices.Sorted(slices.Values(want))
	if !slices.Equal(got, want) {
		t.Errorf("%s\n%v, expected\n%v", what, got, want)
	}
}
