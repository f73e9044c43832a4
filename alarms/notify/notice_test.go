package notify

import (
	"context"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"ebbwatch/agent/peertest"
)

// TestNotify: a notice counts as told with mosquitto's acknowledgement.
func TestNotify(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	sub := broker.Subscribe(1, everything)
	o, b := options(broker.URL())
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.Notify(t.Context(), "on-call-1", []byte("{}")); err == nil || !strings.Contains(err.Error(), "not connected") {
		t.Errorf("without a connection: error %v", err)
	}
	b.run(t, p)
	eventually(t, "the session stands", func() bool { return p.Status().Connected })
	if err := p.Notify(t.Context(), "on-call-1", []byte(`{"id":"n1"}`)); err != nil {
		t.Fatal(err)
	}
	if m := sub.Wait("the notice", on("notice/on-call-1", `"id":"n1"`)); m.Retain || m.QoS != 1 {
		t.Errorf("the notice came as %+v", m)
	}
	if err := p.Notify(t.Context(), "a/b", nil); err == nil {
		t.Error("a name with a slash is told")
	}
}

// TestNotifyWithoutAcknowledgement: a broker that swallows a notice, or hangs up,
// has not got it, and nobody waits for ever.
func TestNotifyWithoutAcknowledgement(t *testing.T) {
	for _, hangUp := range []bool{false, true} {
		f := newFake(t, func(conn net.Conn) {
			welcome(conn, func(p *packets.PublishPacket) (bool, error) {
				if !strings.Contains(p.TopicName, "/notice/") {
					return true, nil
				}
				if hangUp {
					return false, net.ErrClosed
				}
				return false, nil
			})
		})
		o, b := options(f.url())
		p, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		p.pace.ack, p.pace.tick, p.pace.retry, p.pace.retryMax = 200*time.Millisecond, 20*time.Millisecond, 10*time.Millisecond, 50*time.Millisecond
		b.run(t, p)
		eventually(t, "the session stands", func() bool { return p.Status().Connected })
		if err := p.Notify(t.Context(), "on-call-1", []byte("{}")); err == nil || !strings.Contains(err.Error(), "broker") {
			t.Errorf("hanging up %t: error %v, expected that the notice is not told", hangUp, err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := p.Notify(ctx, "on-call-1", []byte("{}")); err == nil {
			t.Error("a caller who gave up got no error")
		}
		b.stop()
	}
}
