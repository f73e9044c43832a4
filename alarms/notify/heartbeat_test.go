package notify

import (
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// A daemon that has just started shows that it lives as soon as it is connected,
// and one whose loop has stood still since does not.
func TestHeartbeatOnConnecting(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	for _, c := range []struct {
		reason string
		age    time.Duration // of the heartbeat when the connection stands
		first  string
	}{
		{"just made", 0, `{"sequence":1,`},
		{"made before the loop stood still", maxBeatAge, `{"sequence":2,`},
	} {
		t.Run(c.reason, func(t *testing.T) {
			sub := broker.Subscribe(1, "ebbwatch/#")
			o, b := options(broker.URL())
			p, err := New(o)
			if err != nil {
				t.Fatal(err)
			}
			p.Heartbeat(Heartbeat{Sequence: 1, Time: morning, Clock: "steady"})
			p.beatAt = p.beatAt.Add(-c.age)
			b.run(t, p)
			// The summary comes after what is most urgent.
			sub.Wait("the summary", func(m peertest.Message) bool { return on("summary")(m) && !m.Retain })
			b.Heartbeat(Heartbeat{Sequence: 2, Time: morning, Clock: "steady"})
			sub.Wait("the first heartbeat", on("heartbeat", c.first))
			n := 0
			for _, m := range sub.Messages() {
				if on("heartbeat", `{"sequence":1,`)(m) {
					n++
				}
			}
			if want := map[bool]int{true: 1, false: 0}[c.age == 0]; n != want {
				t.Errorf("the heartbeat of before came %d times, want %d", n, want)
			}
		})
	}
}
