package notify

import (
	"crypto/tls"
	"fmt"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// A broker that asks for a certificate takes ours, and says why it does not.
func TestClientCertificate(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	ours, theirs := peertest.NewAuthority(t), peertest.NewAuthority(t)
	url := broker.Secure(ours)
	later := time.Now().Add(time.Hour)
	for _, c := range []struct {
		reason string
		ca     *peertest.Authority
		issuer *peertest.Authority // of our own certificate; nil shows none
		until  time.Time
		want   string // empty when it connects
	}{
		{"shown and known", ours, ours, later, ""},
		{"none shown", ours, nil, later, "refused the TLS connection: "},
		{"of an issuer that the broker does not know", ours, theirs, later, "refused the TLS connection: "},
		{"no longer valid", ours, ours, time.Now().Add(-time.Minute), "refused the TLS connection: "},
		{"the broker's own is of an issuer that we do not know", theirs, ours, later, "is not trusted: "},
	} {
		t.Run(c.reason, func(t *testing.T) {
			m := config.MQTT{CA: c.ca.PEM}
			if c.issuer != nil {
				cert, key := c.issuer.Issue("kestrel-ridge", c.until)
				m.Certificate, m.Key = cert, config.Secret(key)
			}
			o, b := options(url)
			o.TLS = m.TLS()
			b.outbox.add(t, condition("gas-1-level-1", alarms.Unacknowledged), alarms.Raised)
			b.start(t, o)
			if c.want == "" {
				eventually(t, "the event told", func() bool { return b.Status().Acked == 1 })
				return
			}
			eventually(t, "the refusal", func() bool { return strings.Contains(b.Status().LastError, c.want) })
			t.Log(b.Status().LastError)
			if shown := strings.Contains(b.Status().LastError, "shown that of mqtt.certificate_file"); c.want[0] == 'r' && shown != (c.issuer != nil) {
				t.Errorf("the sentence is wrong about what was shown: %s", b.Status().LastError)
			}
			if b.Status().Acked != 0 {
				t.Error("an event counts as told")
			}
		})
	}
}

// TLS 1.1 and older are refused, whatever the settings say.
func TestOldTLS(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	a := peertest.NewAuthority(t)
	cert, key := a.Issue("broker", time.Now().Add(time.Hour))
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		version uint16
		ok      bool
	}{{tls.VersionTLS11, false}, {tls.VersionTLS12, true}, {tls.VersionTLS13, true}} {
		l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: c.version, MaxVersion: c.version})
		if err != nil {
			t.Fatal(err)
		}
		way := peertest.NewGate(t, broker.Address(), l)
		o, b := options("ssl://" + way.Address())
		o.TLS = config.MQTT{CA: a.PEM}.TLS()
		o.TLS.MinVersion = tls.VersionTLS10
		b.start(t, o)
		eventually(t, tls.VersionName(c.version), func() bool {
			s := b.Status()
			return s.Connected == c.ok && (c.ok || strings.Contains(s.LastError, "refused the TLS connection: ") || strings.Contains(s.LastError, "protocol version"))
		})
		b.stop()
	}
}

// The first broker dies while events come, then the second while the first is
// back: none is lost, none comes under two ids, and each broker has its own in
// order.
func TestFailover(t *testing.T) {
	first, second := peertest.Mosquitto(t, peertest.Login{}), peertest.Mosquitto(t, peertest.Login{})
	subs := []*peertest.Subscriber{first.Subscribe(0, everything), second.Subscribe(0, everything)}
	way := peertest.NewGate(t, first.Address(), nil)
	o, b := options("tcp://" + way.Address())
	o.Brokers = append(o.Brokers, second.URL())
	b.board.set(condition("gas-1-level-1", alarms.Unacknowledged))
	b.start(t, o)
	enough := b.keepRaising(t, 10*time.Millisecond)
	count := func(i int) int { return len(events(t, subs[i].Messages())) }
	eventually(t, "events at the first", func() bool { return count(0) >= 50 })
	first.Kill()
	way.Set(false)
	eventually(t, "events at the second", func() bool { return count(1) >= 50 })
	subs[1].Wait("the present at the second", on("alarm/gas-1-level-1", `"state":"unacknowledged"`))
	first.Start()
	subs[0].Subscribed(2)
	way.Set(true)
	before := count(0)
	second.Kill()
	eventually(t, "events at the first again", func() bool { return count(0) >= before+50 })
	enough()
	total := b.outbox.LastSequence()
	subs[0].Wait("the last event", on("event", fmt.Sprintf(`"sequence":"%020d"`, total)))
	eventually(t, "all acknowledged", func() bool { return b.Status().Acked >= total })
	b.stop()

	ids := map[uint64]string{}
	copies := 0
	for _, sub := range subs {
		last := uint64(0)
		seen := map[string]bool{}
		for _, e := range events(t, sub.Messages()) {
			seq := e.Data.Sequence
			if id, ok := ids[seq]; ok {
				copies++
				if id != e.ID {
					t.Errorf("event %d came as %s and as %s", seq, id, e.ID)
				}
			}
			if !seen[e.ID] && seq <= last {
				t.Errorf("event %d came after %d at the same broker", seq, last)
			}
			ids[seq], seen[e.ID] = e.ID, true
			last = max(last, seq)
		}
	}
	if uint64(len(ids)) != total {
		t.Errorf("%d events came, want %d", len(ids), total)
	}
	t.Logf("%d events over two failures, %d of them twice, with the same id", total, copies)
}
