package deploy_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
)

// TestFleet bridges a plant's mosquitto to one that plants share, with the files
// that are shipped: a plant speaks under its own name alone, what it tells goes
// out and orders come in, and what is told while the way is cut arrives later.
func TestFleet(t *testing.T) {
	test := peertest.Login{User: "test", Password: "test"} // sees and may do everything
	north, south, room := login("kestrel-ridge"), login("harrow-point"), login("control-room")
	shared := peertest.Mosquitto(t, test)
	shared.Keep()
	shared.Admit(read(t, "mosquitto", "fleet.acl")+"\nuser test\ntopic readwrite #\n", north, south, room)
	plant := peertest.Mosquitto(t, peertest.Login{})
	plant.Bridge(localBridge(t, shared.Address(), north.Password))

	seen := shared.As(room).SubscribeAs("screen", "#")
	here := plant.Subscribe(1, root+"order/#")
	const tells = "ebbwatch/v1/kestrel-ridge/"
	out := []string{"presence", "heartbeat", "summary", "event", "alarm/gas-1-level-2", "figure/bank.north.time-to-empty"}
	for _, topic := range append(out, "figure/bank.north.net") {
		plant.Publish(tells+topic, "plant", false)
	}
	shared.As(south).Publish(tells+"event", "not of this plant", false)
	shared.As(south).Publish(other+"event", "of the other plant", false)
	shared.As(room).Publish(tells+"order/acknowledge", "not allowed", false)
	shared.As(room).Publish(tells+"order/refresh", "asked", false)
	here.Wait("the order has come to the plant", func(m peertest.Message) bool { return m.Payload == "asked" })
	seen.Wait("the event of the other plant", func(m peertest.Message) bool { return m.Topic == other+"event" })
	plant.Publish(tells+"event", "second", false)
	seen.Wait("the last event", func(m peertest.Message) bool { return m.Payload == "second" })

	shared.Stop()
	plant.Publish(tells+"event", "while cut", false)
	shared.Start()
	seen.Wait("what was told while the way was cut", func(m peertest.Message) bool { return m.Payload == "while cut" })

	var got []string
	for _, m := range seen.Messages() {
		if m.Payload == "plant" {
			got = append(got, strings.TrimPrefix(m.Topic, tells))
		}
		if strings.HasPrefix(m.Payload, "not ") {
			t.Errorf("%s came through: %s", m.Topic, m.Payload)
		}
	}
	same(t, "the plant tells", got, out)
	for _, m := range here.Messages() {
		if m.Payload == "not allowed" {
			t.Error("the control room gave an order that it may not give")
		}
	}
	if !slices.ContainsFunc(seen.Messages(), func(m peertest.Message) bool { return m.Payload == "of the other plant" }) {
		t.Error("the other plant is not heard")
	}
}

func login(user string) peertest.Login {
	return peertest.Login{User: user, Password: "of-" + user}
}

// localBridge is the shipped configuration with an address and a password, and
// without TLS.
func localBridge(t *testing.T, address, password string) string {
	t.Helper()
	text := read(t, "mosquitto", "bridge.conf")
	for pattern, with := range map[string]string{
		`(?m)^address .*$`:         "address " + address,
		`(?m)^remote_password .*$`: "remote_password " + password,
		`(?m)^bridge_cafile .*\n`:  "",
		`(?m)^restart_timeout .*$`: "restart_timeout 1",
	} {
		re := regexp.MustCompile(pattern)
		if !re.MatchString(text) {
			t.Fatalf("bridge.conf has no line %s", pattern)
		}
		text = re.ReplaceAllString(text, with)
	}
	return text
}
