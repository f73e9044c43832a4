package notify

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
)

// came is a message as it arrived at the broker behind a link.
type came struct {
	topic string
	at    time.Time
}

// behind is a publisher whose broker is behind a link, both in the fake time of a
// bubble. Connections counts those that were made.
type behind struct {
	*bench
	mu          sync.Mutex
	came        []came
	connections int
}

func (b *behind) arrived() []came {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.came)
}

func (b *behind) connected() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.connections
}

// startBehind runs a publisher at its usual pace until the test ends.
func startBehind(t *testing.T, change func(*Options), link func() *peertest.Link) *behind {
	t.Helper()
	o, bench := options("tcp://broker.example:1883")
	b := &behind{bench: bench}
	var ways sync.WaitGroup
	var ends []net.Conn
	o.Dial = func(context.Context, string, string) (net.Conn, error) {
		near, in := net.Pipe()
		out, far := net.Pipe()
		b.mu.Lock()
		b.connections++
		ends = append(ends, in, far)
		b.mu.Unlock()
		l := link()
		ways.Go(func() { l.Carry(in, out) })
		ways.Go(func() {
			welcome(far, func(p *packets.PublishPacket) (bool, error) {
				b.mu.Lock()
				defer b.mu.Unlock()
				b.came = append(b.came, came{strings.TrimPrefix(p.TopicName, "ebbwatch/v1/kestrel-ridge/"), time.Now()})
				return p.Qos > 0, nil
			})
			far.Close()
		})
		return near, nil
	}
	if change != nil {
		change(&o)
	}
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	b.Publisher = p
	ctx, cancel := context.WithCancel(t.Context())
	var done sync.WaitGroup
	done.Go(func() { p.Run(ctx) })
	done.Go(func() { // as the agent does
		tick := time.NewTicker(20 * time.Second)
		defer tick.Stop()
		for n := uint64(1); ctx.Err() == nil; n++ {
			p.Heartbeat(Heartbeat{Sequence: n, Time: morning, LoopAge: time.Second, WorstInstrumentAge: 2 * time.Second, Clock: "steady"})
			select {
			case <-ctx.Done():
			case <-tick.C:
			}
		}
	})
	b.stop = func() {
		cancel()
		done.Wait()
		b.mu.Lock()
		for _, c := range ends {
			c.Close()
		}
		b.mu.Unlock()
		ways.Wait()
	}
	return b
}

// plant gives a publisher what a plant of a usual size has to tell: 60 alarms, of
// which loud do not come back to normal, and 90 figures, all of which change.
func (b *behind) plant(loud int) {
	var cs []alarms.Condition
	for i := range 60 {
		c := condition(fmt.Sprintf("alarm-%d", i), alarms.Normal)
		if i < loud {
			c.State = alarms.Unacknowledged
		}
		cs = append(cs, c)
	}
	b.board.set(cs...)
	n := 0.0
	b.Figures(func() []Figure {
		n++
		var out []Figure
		for i := range 90 {
			out = append(out, Figure{Name: fmt.Sprintf("bank.north.figure-%d", i), Value: new(n / 7), Low: new(n / 8), High: new(n / 6), Unit: "mg/L", Quality: "good", Time: morning})
		}
		return out
	})
}

// figures counts those that came.
func (b *behind) figures() (n int) {
	for _, m := range b.arrived() {
		if strings.HasPrefix(m.topic, "figure/") {
			n++
		}
	}
	return n
}

// A link that carries nothing any more, without a word from anyone, is noticed
// within the bound, with figures to send and without.
func TestDeadLinkIsNoticed(t *testing.T) {
	for _, c := range []struct {
		reason  string
		figures bool
	}{{"figures every 5 s", true}, {"heartbeats alone", false}} {
		t.Run(c.reason, func(t *testing.T) {
			worst := time.Duration(0)
			for after := range 20 { // seconds between two heartbeats at which it dies
				synctest.Test(t, func(t *testing.T) {
					link := &peertest.Link{Delay: 50 * time.Millisecond}
					b := startBehind(t, nil, func() *peertest.Link { return link })
					defer b.stop()
					if c.figures {
						b.plant(0)
					}
					time.Sleep(time.Minute + time.Duration(after)*time.Second + 10*time.Millisecond)
					if !b.Status().Connected {
						t.Fatal("not connected")
					}
					link.Die()
					died := time.Now()
					for b.Status().Connected {
						time.Sleep(100 * time.Millisecond)
						if time.Since(died) > 2*LostWithin {
							t.Fatal("it was not noticed")
						}
					}
					worst = max(worst, time.Since(died))
				})
			}
			t.Logf("noticed within %s", worst)
			if worst > LostWithin {
				t.Errorf("a dead link was noticed after %s, want %s", worst, LostWithin)
			}
		})
	}
}

// Over a link of 9.6 kbit/s (960 bytes a second, as on an asynchronous line), with
// half a second each way and lost packets, a trip's notice and condition go before
// all else, its event next, and figures last; and the link stands all the while.
func TestSlowLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const trips, limit = 50, 10 * time.Second
		r := rand.New(rand.NewPCG(1, 2))
		var mu sync.Mutex
		lost := rand.New(rand.NewPCG(3, 4))
		link := &peertest.Link{BytesPerSecond: 960, Delay: 500 * time.Millisecond, Stall: func() time.Duration {
			mu.Lock()
			defer mu.Unlock()
			if lost.IntN(200) == 0 { // of pieces of 48 bytes: once in 10 kB
				return 1500 * time.Millisecond // what TCP waits before it sends again, and more
			}
			return 0
		}}
		b := startBehind(t, nil, func() *peertest.Link { return link })
		defer b.stop()
		b.plant(5)
		time.Sleep(10 * time.Minute)
		var worst [3]time.Duration
		for trip := range trips {
			gas := condition(fmt.Sprintf("gas-%d-level-2", trip), alarms.Unacknowledged)
			gas.Priority, gas.Consequence = alarms.Critical, strings.Repeat("Chlorine harms. ", 40)
			b.board.set(append([]alarms.Condition{gas}, b.board.all()[min(trip, 1):]...)...)
			before := time.Now()
			seen := len(b.arrived())
			seq := b.outbox.add(t, gas, alarms.Raised)
			b.ConditionChanged([]alarms.Condition{gas})
			b.Wake()
			told := make(chan error, 1)
			go func() { told <- b.Notify(t.Context(), "on-call-1", []byte(strings.Repeat("x", 1500))) }()
			for { // until all three are there
				time.Sleep(100 * time.Millisecond)
				acked, _ := b.outbox.Acked("mqtt")
				if acked == seq || time.Since(before) > time.Minute {
					break
				}
			}
			if err := <-told; err != nil {
				t.Fatal(err)
			}
			order := ""
			figures := 0
			for _, m := range b.arrived()[seen:] {
				for i, topic := range []string{"notice/on-call-1", "alarm/" + gas.Alarm, "event"} {
					if m.topic == topic {
						order += "nae"[i : i+1]
						worst[i] = max(worst[i], m.at.Sub(before))
					}
				}
				if strings.HasPrefix(m.topic, "figure/") && order != "" && len(order) < 3 {
					figures++
				}
			}
			if order != "nae" && order != "ane" || figures > 0 {
				t.Errorf("trip %d: the order was %q with %d figures between, want notice and alarm, then the event", trip, order, figures)
			}
			time.Sleep(time.Duration(r.IntN(60_000)) * time.Millisecond)
		}
		t.Logf("after a trip the notice came within %s, the condition within %s, the event within %s", worst[0], worst[1], worst[2])
		if worst[0] > limit || worst[1] > limit {
			t.Errorf("want the notice and the condition within %s", limit)
		}
		if n := b.figures(); n < 20*90 {
			t.Errorf("%d figures came, want at least 20 rounds of 90", n)
		}
		if n := b.connected(); n != 1 {
			t.Errorf("the link was made %d times, want once", n)
		}
	})
}

// The same at mosquitto, once, in real time.
func TestSlowLinkToMosquitto(t *testing.T) {
	broker := peertest.Mosquitto(t, peertest.Login{})
	sub := broker.Subscribe(0, everything)
	link := &peertest.Link{BytesPerSecond: 960, Delay: 500 * time.Millisecond}
	o, b := options("tcp://" + peertest.NewLink(t, broker.Address(), link))
	p, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	b.Publisher = p
	(&behind{bench: b}).plant(0)
	b.run(t, p)
	eventually(t, "the connection", func() bool { return b.Status().Connected })
	gas := condition("alarm-0", alarms.Unacknowledged)
	cs := b.board.all()
	cs[0] = gas
	b.board.set(cs...)
	b.outbox.add(t, gas, alarms.Raised)
	b.ConditionChanged([]alarms.Condition{gas})
	b.Wake()
	began := time.Now()
	sub.Wait("the event", on("event"))
	t.Logf("the event came after %s", time.Since(began).Round(100*time.Millisecond))
	order := []string{}
	for _, m := range sub.Messages() {
		kind := strings.Split(m.Topic, "/")[3]
		if len(order) == 0 || order[len(order)-1] != kind {
			order = append(order, kind)
		}
	}
	if text := strings.Join(order, " "); !strings.HasSuffix(text, " alarm summary event") {
		t.Errorf("the order was %s, want the alarm, the summary and the event at its end", text)
	}
	b.stop()
}

// A quiet day stays under the bound, with what TLS, TCP and IP add: 52 bytes of
// headers (IPv4, TCP with timestamps) and 22 of a TLS 1.3 record for each packet,
// and a bare acknowledgement of 52 for each that is not answered (from memory).
func TestQuietDay(t *testing.T) {
	for _, perDay := range []int64{0, LeastPerDay, 20_000_000} {
		synctest.Test(t, func(t *testing.T) {
			link := &peertest.Link{}
			b := startBehind(t, func(o *Options) { o.BytesPerDay = perDay }, func() *peertest.Link { return link })
			defer b.stop()
			b.plant(0)
			time.Sleep(time.Minute) // the connection and the first round
			before := len(b.arrived())
			up0, down0 := link.Carried()
			span := 6 * time.Hour
			if perDay == 0 {
				span = time.Hour
			}
			for began := time.Now(); time.Since(began) < span; time.Sleep(time.Minute) {
				cs := b.board.all()
				for i := range cs { // every value moves
					cs[i].Value = new(*cs[i].Value + 0.01)
				}
				b.board.set(cs...)
			}
			up, down := link.Carried()
			messages := b.arrived()[before:]
			answered := int(down-down0) / 4 // PUBACK and UNSUBACK have 4 bytes, PINGRESP 2
			packets := len(messages) + 2*answered + answered
			day := 24 / span.Hours() * float64(up-up0+down-down0+int64(packets)*(52+22))
			kinds := map[string]int{}
			for _, m := range messages {
				kind, _, _ := strings.Cut(m.topic, "/")
				kinds[kind]++
			}
			t.Logf("bound %.1f MB: %.1f MB a day, in %s %v", float64(perDay)/1e6, day/1e6, span, kinds)
			if perDay > 0 && day > float64(perDay) {
				t.Errorf("a quiet day comes to %.0f bytes, the bound is %d", day, perDay)
			}
			if kinds["heartbeat"] < int(span/(20*time.Second))-1 || kinds["figure"] < 90 || kinds["alarm"] < 60 {
				t.Errorf("in %s came only %v", span, kinds)
			}
		})
	}
}
