package demo

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/goburrow/modbus"
	"go.yaml.in/yaml/v4"

	"ebbwatch/agent/units"
)

func startDemo(t *testing.T, o Options) *Demo {
	t.Helper()
	o.Dir = t.TempDir()
	// Not the test's context, which ends before the clients are closed.
	d, err := Start(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Close)
	return d
}

// eventually polls a condition until it holds, for at most 20 s.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(20 * time.Second)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("%s did not happen within 20 s", what)
		}
	}
}

// site is what these tests read of a site file.
type site struct {
	Lines       map[string]struct{ Kind, Address, Device string }
	Instruments map[string]struct {
		Line       string
		Unit       byte
		Every      string
		StaleAfter string `yaml:"stale_after"`
		Points     map[string]struct {
			Table, Type, Order, Unit string
			Address                  uint16
			Scale                    float64
		}
	}
}

func parseSite(t *testing.T, b []byte) site {
	t.Helper()
	var s site
	if err := yaml.Unmarshal(b, &s); err != nil {
		t.Fatalf("the site file is not YAML: %v\n%s", err, b)
	}
	return s
}

// flatten lists the leaves of a document by path.
func flatten(path string, v any, to map[string]string) {
	if m, ok := v.(map[string]any); ok {
		for k, v := range m {
			flatten(path+"/"+k, v, to)
		}
		return
	}
	to[path] = fmt.Sprint(v)
}

// The demo's site file is the example's, but for what a demo must set.
func TestSiteIsTheExample(t *testing.T) {
	example, err := os.ReadFile("../../testdata/sites/kestrel-ridge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	d := startDemo(t, Options{Speed: 60})
	leaves := func(b []byte) map[string]string {
		var v any
		if err := yaml.Unmarshal(b, &v); err != nil {
			t.Fatal(err)
		}
		m := map[string]string{}
		flatten("", v, m)
		return m
	}
	want, got := leaves(example), leaves(d.SiteYAML())
	ours := func(path string) bool {
		for _, end := range []string{"/state_dir", "/listen", "/mqtt/broker", "/mqtt/user", "/mqtt/password_file", "/address", "/device", "/timeout", "/every", "/stale_after", "/heel"} {
			if strings.HasSuffix(path, end) && !strings.Contains(path, "/points/") {
				return true
			}
		}
		return false
	}
	for path, w := range want {
		if g, ok := got[path]; !ours(path) && (!ok || g != w) {
			t.Errorf("%s is %q, the example has %q", path, g, w)
		}
	}
	for path := range got {
		if _, ok := want[path]; !ok && !ours(path) {
			t.Errorf("%s is not in the example", path)
		}
	}
	for name, i := range parseSite(t, d.SiteYAML()).Instruments {
		every, err1 := time.ParseDuration(i.Every)
		stale, err2 := time.ParseDuration(i.StaleAfter)
		if err1 != nil || err2 != nil || every < 100*time.Millisecond || stale < time.Duration(60*3*float64(every)) {
			t.Errorf("%s: every %q, stale after %q: expected at least 100 ms, and three periods of simulated time", name, i.Every, i.StaleAfter)
		}
	}
}

func TestSiteQuotesValues(t *testing.T) {
	b, err := renderSite(siteValues{StateDir: "/a \"b\": #c\n", LineA: "127.0.0.1:1"}, 1)
	if err != nil {
		t.Fatal(err)
	}
	var v struct {
		StateDir string `yaml:"state_dir"`
	}
	if err := yaml.Unmarshal(b, &v); err != nil || v.StateDir != "/a \"b\": #c\n" {
		t.Errorf("the folder came back as %q, %v", v.StateDir, err)
	}
}

func TestPeriods(t *testing.T) {
	for _, c := range []struct {
		speed                         float64
		every, slow, stale, staleSlow time.Duration
		reason                        string
	}{
		{1, time.Second, 2 * time.Second, 10 * time.Second, 10 * time.Second, "as the example polls; ten seconds at least"},
		{10, 200 * time.Millisecond, 400 * time.Millisecond, 19 * time.Second, 25 * time.Second, "3 periods and 1.3 s, ten times as long"},
		{60, 100 * time.Millisecond, 200 * time.Millisecond, 96 * time.Second, 114 * time.Second, "never more often than every 100 ms"},
		{1440, 100 * time.Millisecond, 200 * time.Millisecond, 2304 * time.Second, 2736 * time.Second, ""},
	} {
		every, slow, stale, staleSlow := periods(c.speed)
		if every != c.every || slow != c.slow || stale != c.stale || staleSlow != c.staleSlow {
			t.Errorf("at speed %g: %v %v %v %v, expected %v %v %v %v (%s)", c.speed, every, slow, stale, staleSlow, c.every, c.slow, c.stale, c.staleSlow, c.reason)
		}
	}
}

// lineClient connects goburrow's client to a unit by the words of the site file.
func lineClient(t *testing.T, s site, line string, unit byte) modbus.Client {
	t.Helper()
	switch l := s.Lines[line]; l.Kind {
	case "tcp":
		h := modbus.NewTCPClientHandler(l.Address)
		h.SlaveId, h.Timeout = unit, 5*time.Second
		t.Cleanup(func() { h.Close() })
		return modbus.NewClient(h)
	case "rtu":
		h := modbus.NewRTUClientHandler(l.Device)
		h.SlaveId, h.Timeout, h.BaudRate, h.Parity = unit, 5*time.Second, 115200, "N"
		t.Cleanup(func() { h.Close() })
		return modbus.NewClient(h)
	case "rtu-over-tcp":
		conn, err := net.Dial("tcp", l.Address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		h := modbus.NewRTUClientHandler("")
		h.SlaveId = unit
		return modbus.NewClient2(h, connTransport{conn})
	default:
		t.Fatalf("line %s is of kind %q", line, l.Kind)
		return nil
	}
}

// decode follows the words of the site file, as the contract describes them.
func decode(t *testing.T, kind, order string, b []byte) float64 {
	t.Helper()
	if order == "CDAB" {
		b = []byte{b[2], b[3], b[0], b[1]}
	}
	switch kind {
	case "float32":
		return float64(math.Float32frombits(binary.BigEndian.Uint32(b)))
	case "int32":
		return float64(int32(binary.BigEndian.Uint32(b)))
	case "int16":
		return float64(int16(binary.BigEndian.Uint16(b)))
	case "uint16":
		return float64(binary.BigEndian.Uint16(b))
	}
	t.Fatalf("type %q", kind)
	return 0
}

// Every point of the site file, read over its line and decoded by its words, is
// the truth but for noise and resolution.
func TestEveryPointOverTheWire(t *testing.T) {
	d := startDemo(t, Options{Seed: 5})
	s := parseSite(t, d.SiteYAML())
	ours := map[string]point{}
	for _, p := range allPoints() {
		ours[p.name] = p
	}
	for name, i := range s.Instruments {
		client := lineClient(t, s, i.Line, i.Unit)
		for pname, p := range i.Points {
			read, count := client.ReadInputRegisters, uint16(1)
			if p.Table == "holding-register" {
				read = client.ReadHoldingRegisters
			}
			if strings.HasSuffix(p.Type, "32") {
				count = 2
			}
			b, err := read(p.Address, count)
			if err != nil {
				t.Errorf("%s of %s: %v", pname, name, err)
				continue
			}
			if p.Scale == 0 {
				p.Scale = 1
			}
			unit, err := units.Parse(p.Unit)
			if err != nil {
				t.Fatal(err)
			}
			truth := d.Truth()
			o, ok := ours[pname]
			if !ok {
				t.Fatalf("%s of the site file is measured by nothing", pname)
			}
			delete(ours, pname)
			got, want := decode(t, p.Type, p.Order, b)*p.Scale, unit.FromSI(o.truth(&truth))
			// A register's step, six deviations of noise, and two percent for the lag.
			if room := p.Scale + 6*o.noise + 0.02*math.Abs(want); math.Abs(got-want) > room {
				t.Errorf("%s reads %g %s, the truth is %g", pname, got, p.Unit, want)
			}
		}
	}
	for name := range ours {
		t.Errorf("%s is measured, and not in the site file", name)
	}
}

func TestClock(t *testing.T) {
	start := time.Date(2026, 4, 14, 11, 0, 0, 0, time.UTC)
	d := startDemo(t, Options{Speed: 1440, Start: start})
	if now := d.Now(); now.Sub(start) < 0 || now.Sub(start) > time.Hour {
		t.Errorf("it is %v just after the start at %v", now, start)
	}
	if !strings.Contains(d.Now().String(), " m=") {
		t.Error("the simulated time carries no monotonic reading")
	}
	began, real := d.Now(), time.Now()
	eventually(t, "the passing of an hour", func() bool { return d.Now().Sub(began) >= time.Hour })
	if passed := time.Since(real); passed < 2400*time.Millisecond {
		t.Errorf("an hour passed in %v, expected 2.5 s at speed 1440", passed)
	}
	eventually(t, "the plant's catching up", func() bool { return d.Now().Sub(start)-d.Truth().Elapsed < 5*time.Minute })

	zone, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	if now := startDemo(t, Options{}).Now().In(zone); now.Hour() != 5 || now.Minute() > 1 {
		t.Errorf("by default it is %v at the start, expected 05:00 at the plant", now)
	}
}

func TestFaultHooks(t *testing.T) {
	d := startDemo(t, Options{Speed: 600})
	s := parseSite(t, d.SiteYAML())
	client := lineClient(t, s, "line-a", plantMeters)
	flow := func() string {
		b, err := client.ReadInputRegisters(0, 2)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	d.Freeze("plant-flow", true)
	at := d.Truth().Elapsed
	eventually(t, "a step after the freeze", func() bool { return d.Truth().Elapsed > at })
	held, from := flow(), d.Truth()
	eventually(t, "ten minutes", func() bool { return d.Truth().Elapsed > from.Elapsed+10*time.Minute })
	if flow() != held {
		t.Error("a frozen flow moved")
	}
	if d.Truth().Flow == from.Flow {
		t.Error("the true flow stands still")
	}
	d.Freeze("plant-flow", false)
	eventually(t, "the flow's moving again", func() bool { return flow() != held })

	d.Silence(plantMeters, true)
	conn, err := net.Dial("tcp", s.Lines["line-a"].Address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(10 * time.Second))
	// The second request is answered, the first is not.
	out := frame{1, 0, plantMeters, []byte{4, 0, 0, 0, 1}}.append(nil)
	conn.Write(frame{2, 0, waterAnalysers, []byte{4, 0, 0, 0, 1}}.append(out))
	if f, err := readFrame(conn); err != nil || f.transaction != 2 {
		t.Errorf("reply %+v, %v; expected that to request 2 alone", f, err)
	}
	d.Silence(plantMeters, false)
	conn.Write(frame{3, 0, plantMeters, []byte{4, 0, 0, 0, 1}}.append(nil))
	if f, err := readFrame(conn); err != nil || f.transaction != 3 {
		t.Errorf("reply %+v, %v; expected that to request 3", f, err)
	}
}

// The story silences the storage bay's detector for a while.
func TestStoryLosesInstrument(t *testing.T) {
	p := newPlant(1)
	state := p.truth()
	d := &Demo{plant: p, state: state, instruments: newInstruments(1, &state)}
	for i, here := range unitsOfLine {
		d.tables[i] = &unitTable{images: map[byte]*image{}}
		for _, u := range here {
			d.tables[i].images[u] = newImage()
		}
	}
	for _, c := range []struct {
		at   time.Duration
		lost bool
	}{{clock(8, 39), false}, {clock(8, 41), true}, {clock(8, 51), true}, {clock(8, 53), false}} {
		for d.state.Elapsed < c.at {
			d.advance(c.at)
		}
		d.publish()
		for _, table := range d.tables {
			for unit := range table.images {
				_, how := table.respond(unit, []byte{4, 0, 0, 0, 1})
				if want := c.lost && unit == lostUnit; want != (how == silent) {
					t.Errorf("%v after the start unit %d is silent: %v, expected %v", c.at, unit, how == silent, want)
				}
			}
		}
	}
}

// fakeDaemon is a client that stands where the daemon will: it publishes events
// and answers, and hears orders.
func fakeDaemon(t *testing.T, d *Demo) (paho.Client, <-chan paho.Message) {
	t.Helper()
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + d.BrokerAddr()).SetClientID("ebbwatch"))
	heard := make(chan paho.Message, 16)
	if err := done(t.Context(), c.Connect()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Disconnect(50) })
	if err := done(t.Context(), c.Subscribe(mqttRoot+"/order/#", 1, func(_ paho.Client, m paho.Message) { heard <- m })); err != nil {
		t.Fatal(err)
	}
	return c, heard
}

func TestPersonOverMQTT(t *testing.T) {
	d := startDemo(t, Options{Speed: 600})
	c, heard := fakeDaemon(t, d)
	expect := func(verb string) order {
		t.Helper()
		select {
		case m := <-heard:
			var o order
			if err := json.Unmarshal(m.Payload(), &o); err != nil {
				t.Fatal(err)
			}
			issued, err := time.Parse(time.RFC3339, o.IssuedAt)
			if age := d.Now().Sub(issued); err != nil || age < 0 || age > time.Hour {
				t.Errorf("issued at %q, it is %v", o.IssuedAt, d.Now())
			}
			if m.Topic() != mqttRoot+"/order/"+verb || m.Retained() || m.Qos() != 1 {
				t.Errorf("topic %s, retained %v, QoS %d; expected the verb %s, not retained, QoS 1", m.Topic(), m.Retained(), m.Qos(), verb)
			}
			return o
		case <-time.After(20 * time.Second):
			t.Fatalf("no order %s within 20 s", verb)
			return order{}
		}
	}
	publish := func(topic string, payload []byte) {
		t.Helper()
		if err := done(t.Context(), c.Publish(mqttRoot+topic, 1, false, payload)); err != nil {
			t.Fatal(err)
		}
	}
	raised := d.Now()
	publish("/event", event("gas-1-level-1", "unacknowledged", 4))
	o := expect("acknowledge")
	if waited := d.Now().Sub(raised); waited < acknowledgeAfter {
		t.Errorf("acknowledged after %v, expected no sooner than %v", waited, acknowledgeAfter)
	}
	if o.Alarm != "gas-1-level-1" || o.Episode != 4 || o.By != onCall {
		t.Errorf("order %+v", o)
	}
	publish("/answer/"+onCall, fmt.Appendf(nil, `{"order":%q,"result":"refused","why":"too old"}`, o.Order))
	if again := expect("acknowledge"); again.Order == o.Order || again.Episode != 4 {
		t.Errorf("tried again with %+v after %+v", again, o)
	}
	publish("/event", event("gas-1-level-1", "latched-acknowledged", 4))
	if o := expect("reset"); o.Alarm != "gas-1-level-1" {
		t.Errorf("order %+v", o)
	}
}

func TestBrokerRetains(t *testing.T) {
	d := startDemo(t, Options{})
	c, _ := fakeDaemon(t, d)
	if err := done(t.Context(), c.Publish(mqttRoot+"/alarm/gas-1-level-1", 1, true, "x")); err != nil {
		t.Fatal(err)
	}
	late := make(chan paho.Message, 1)
	if err := done(t.Context(), c.Subscribe(mqttRoot+"/alarm/+", 1, func(_ paho.Client, m paho.Message) { late <- m })); err != nil {
		t.Fatal(err)
	}
	select {
	case m := <-late:
		if !m.Retained() || string(m.Payload()) != "x" {
			t.Errorf("retained %v, payload %q", m.Retained(), m.Payload())
		}
	case <-time.After(20 * time.Second):
		t.Fatal("the retained message did not come within 20 s")
	}
}

func TestStartRefuses(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	port, dir := taken.Addr().String(), t.TempDir()
	for _, c := range []struct {
		name string
		o    Options
		want []string
	}{
		{"too fast", Options{Dir: dir, Speed: 5000}, []string{"speed", "1 to 1440"}},
		{"backwards", Options{Dir: dir, Speed: -1}, []string{"speed", "1 to 1440"}},
		{"not a number", Options{Dir: dir, Speed: math.NaN()}, []string{"speed", "1 to 1440"}},
		{"no folder", Options{}, []string{"folder", "expected one that exists"}},
		{"a folder that is not there", Options{Dir: dir + "/none"}, []string{dir + "/none"}},
		{"line-a taken", Options{Dir: dir, LineAAddress: port}, []string{"line-a", port, "another program has that port"}},
		{"line-c taken", Options{Dir: dir, LineCAddress: port}, []string{"line-c", port, "another program has that port"}},
		{"broker taken", Options{Dir: dir, BrokerAddress: port}, []string{"the broker", port, "another program has that port"}},
		{"open to all", Options{Dir: dir, BrokerAddress: "0.0.0.0:0"}, []string{"loopback", "127.0.0.1"}},
		{"no port", Options{Dir: dir, LineAAddress: "127.0.0.1"}, []string{"host:port"}},
	} {
		d, err := Start(t.Context(), c.o)
		if err == nil {
			d.Close()
			t.Errorf("%s: it started", c.name)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %q, expected %q in it", c.name, err, w)
			}
		}
	}
}

// Everything ends with the context, and with it every port is free again.
func TestEndsWithContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	d, err := Start(ctx, Options{Dir: t.TempDir(), Speed: 60})
	if err != nil {
		t.Fatal(err)
	}
	s := parseSite(t, d.SiteYAML())
	conn, err := net.Dial("tcp", s.Lines["line-a"].Address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	cancel()
	ended := make(chan struct{})
	go func() { defer close(ended); d.Wait() }()
	select {
	case <-ended:
	case <-time.After(20 * time.Second):
		t.Fatal("the demo did not end within 20 s")
	}
	if _, err := io.ReadAll(conn); err != nil && !strings.Contains(err.Error(), "reset") {
		t.Errorf("the open connection: %v", err)
	}
	for _, address := range []string{s.Lines["line-a"].Address, s.Lines["line-c"].Address, d.BrokerAddr()} {
		if c, err := net.Dial("tcp", address); err == nil {
			c.Close()
			t.Errorf("something still listens on %s", address)
		}
	}
	d.Close() // again, for nothing
}
