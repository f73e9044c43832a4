package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// plantPeers are instruments and a broker that nobody here wrote: pymodbus over
// TCP, libmodbus over TCP and over a pair of pseudo-terminals, mosquitto.
type plantPeers struct {
	meters, analysers *peertest.ModbusTCP
	serial            *peertest.ModbusSerial
	broker            *peertest.Broker
	way               *peertest.Gate // the daemon's way to the broker
}

func startPeers(t testing.TB) plantPeers {
	t.Helper()
	flow, residual, total := float32Words(4), float32Words(1.25), float64Words(1234567.5)
	broker := peertest.Mosquitto(t, peertest.Login{User: "ebbwatch", Password: "quiet-river"})
	return plantPeers{
		meters: peertest.Pymodbus(t, peertest.Map{1: {peertest.Inputs: {
			0: {flow[0], flow[1]}, // MGD
			2: {1200},             // 0.01 ft
		}}}),
		analysers: peertest.Libmodbus(t, peertest.Map{2: {
			peertest.Holdings: {
				0:  {residual[1], residual[0]},                                       // mg/L, low word first
				2:  {740},                                                            // 0.01 pH
				3:  {95},                                                             // 0.1 degC
				10: {swap(total[3]), swap(total[2]), swap(total[1]), swap(total[0])}, // m3, all bytes reversed
				20: {0xffff, 0xffff, 0xffff, 0xfffe},                                 // -2
				30: {swap(0x0001), swap(0x86a0)},                                     // 100000, bytes swapped in each word
				40: {0b100},
			},
			peertest.Coils:     {5: {1}},
			peertest.Discretes: {7: {1}},
		}}),
		serial: peertest.LibmodbusRTU(t, peertest.Map{11: {
			peertest.Holdings: {0: {2480, 0}},       // lb, low word first
			peertest.Inputs:   {10: {0}, 11: {600}}, // 0.01 ppm, 0.1 degF
		}}, 9600, "even", 11),
		broker: broker,
		way:    peertest.NewGate(t, broker.Address(), nil),
	}
}

// setGas puts a concentration into the detector's register.
func (p plantPeers) setGas(ppm float64) {
	p.serial.Set(11, peertest.Inputs, 10, uint16(math.Round(ppm*100)))
}

// site writes the site file for the peers. Delays are short, so that the test is.
func (p plantPeers) site(t testing.TB, every time.Duration, password string) string {
	t.Helper()
	dir := t.TempDir()
	text := fmt.Sprintf(`ebbwatch: 1
site: acceptance
title: Acceptance
time_zone: UTC
units: us
state_dir: state
listen: 127.0.0.1:0
mqtt: {broker: %q, user: ebbwatch, password_file: password}
lines:
  line-a: {kind: tcp, address: %q, timeout: 1s}
  line-b: {kind: rtu, device: %q, baud: 9600, parity: even, timeout: 1s}
  line-c: {kind: tcp, address: %q, timeout: 1s}
instruments:
  meters:
    line: line-a
    unit: 1
    every: %[5]s
    points:
      plant-flow: {table: input-register, address: 0, type: float32, unit: MGD, range: 0 to 8}
      level:      {table: input-register, address: 2, type: uint16, scale: 0.01, unit: ft, range: 0 to 14}
  analysers:
    line: line-c
    unit: 2
    every: %[5]s
    lost: {on_delay: 0s, off_delay: 0s}
    points:
      residual-out: {table: holding-register, address: 0, type: float32, order: CDAB, unit: mg/L, range: 0 to 5}
      ph:           {table: holding-register, address: 2, type: int16, scale: 0.01, unit: pH, range: 0 to 14}
      temperature:  {table: holding-register, address: 3, type: int16, scale: 0.1, unit: degC, range: -5 to 50}
      total:        {table: holding-register, address: 10, type: float64, order: DCBA, unit: m3}
      balance:      {table: holding-register, address: 20, type: int64, unit: "1"}
      count:        {table: holding-register, address: 30, type: uint32, order: BADC, unit: "1"}
      fault:        {table: holding-register, address: 40, type: uint16, bit: 2, unit: "1"}
      fan:          {table: coil, address: 5, unit: "1"}
      door:         {table: discrete-input, address: 7, unit: "1"}
  chlorine-room:
    line: line-b
    unit: 11
    every: %[5]s
    points:
      weight: {table: holding-register, address: 0, type: int32, order: CDAB, unit: lb, range: -20 to 6000}
      gas:    {table: input-register, address: 10, type: int16, scale: 0.01, unit: ppm, range: 0 to 10}
      room:   {table: input-register, address: 11, type: int16, scale: 0.1, unit: degF, range: -40 to 140}
residuals:
  residual-out: {place: clearwell outlet}
segments:
  clearwell: {residual: residual-out, ph: ph, temperature: temperature, flow: plant-flow, level: level, level_full: 12 ft,
              volume: 150000 gal, baffling_factor: 0.5, giardia_log: 0.5, virus_log: 2}
banks:
  north:
    place: chlorine-room
    room_temperature: room
    header_pressure: 28 psig
    containers:
      north-1: {kind: ton, scale: weight, tare: 1480 lb, heel: 36 lb, division: 1 lb}
detectors:
  gas-1: {room: chlorine-room, concentration: gas, level_1: {limit: 0.5 ppm, off_delay: 0s}, level_2: {limit: 1 ppm, off_delay: 0s}}
`, "tcp://"+p.way.Address(), p.meters.Addr(), p.serial.Device(), p.analysers.Addr(), every)
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	write("password", password+"\n")
	return write("site.yaml", text)
}

// daemon is ebbwatch run in this process.
type daemon struct {
	address string
	log     *lockedBuffer
	stop    func()
}

func startDaemon(t testing.TB, site string) daemon {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	d := daemon{log: &lockedBuffer{}}
	done := make(chan int, 1)
	go func() { done <- run(ctx, []string{"run", "--site", site}, &bytes.Buffer{}, d.log) }()
	stopped := false
	d.stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if code := <-done; code != 0 {
			t.Errorf("the daemon ended %d:\n%s", code, d.log.String())
		}
	}
	t.Cleanup(d.stop)
	eventually(t, "the daemon listens", func() bool {
		if m := regexp.MustCompile(`http=(\S+)`).FindStringSubmatch(d.log.String()); m != nil {
			d.address = m[1]
		}
		return d.address != ""
	})
	return d
}

func (d daemon) get(t testing.TB, path string) response { return get(t, "http://"+d.address+path) }

// metric returns one series of a scrape.
func metric(scrape, series string) (float64, bool) {
	for line := range strings.Lines(scrape) {
		if rest, ok := strings.CutPrefix(line, series+" "); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(rest), 64)
			return v, err == nil
		}
	}
	return 0, false
}

const root = "ebbwatch/v1/acceptance/"

// event is what an independent subscriber finds on the event topic.
type event struct {
	SpecVersion string `json:"specversion"`
	ID          string `json:"id"`
	Type        string `json:"type"`
	Sequence    string `json:"sequence"`
	Data        struct {
		Alarm, From, To, Cause, What string
		Episode                      uint64
		Value                        *float64
		FirstAction                  []string `json:"first_action"`
		History                      bool
	}
}

func decodeEvent(m peertest.Message) (event, bool) {
	var e event
	return e, strings.HasSuffix(m.Topic, "/event") && json.Unmarshal([]byte(m.Payload), &e) == nil
}

func isEvent(alarm, cause string) func(peertest.Message) bool {
	return func(m peertest.Message) bool {
		e, ok := decodeEvent(m)
		return ok && e.Data.Alarm == alarm && e.Data.Cause == cause
	}
}

// TestAcceptance goes from registers on a wire to a metric pulled and an alarm
// received, with peers that nobody here wrote at every end. What the figures must
// be is computed here by hand: T10 = 0.5 x 150,000 gal / 4 MGD = 27 min; CT = 1.25
// mg/L x 27 min = 33.75; 40 CFR 141.74(b)(3)(v) Table 1.2 (5 degC), 1.4 mg/L, pH
// 7.5 is 187 for 3 log (from memory), a sixth of it for 0.5 log; viruses, 2 log
// at 5 degC: 4; net 2480 - 1480 lb; heat limit 8 lb/d/degF x (60 - 20) degF.
func TestAcceptance(t *testing.T) {
	peers := startPeers(t)
	sub := peers.broker.Subscribe(1, root+"#")
	d := startDaemon(t, peers.site(t, 100*time.Millisecond, "quiet-river"))
	eventually(t, "the daemon is ready", func() bool { return d.get(t, "/readyz").code == 200 })
	eventually(t, "all instruments are read", func() bool {
		_, ok := metric(d.get(t, "/metrics").body, `ebbwatch_segment_ct_mg_min_per_litre{segment="clearwell"}`)
		_, weighed := metric(d.get(t, "/metrics").body, `ebbwatch_bank_net_weight_grams{bank="north"}`)
		return ok && weighed
	})

	for path, want := range map[string]string{
		"/": "It is not a safety system", "/v1/snapshot": `"figure":"bank.north.time-to-empty"`,
		"/v1/history?figure=bank.north.net-weight": `"step_s":`, "/metrics": "ebbwatch_build_info", "/readyz": "polling: ok",
	} {
		r := d.get(t, path)
		if r.code != 200 || !strings.Contains(r.body, want) {
			t.Errorf("%s gives %d without %q: %.200s", path, r.code, want, r.body)
		}
		if strings.Contains(r.body, "quiet-river") {
			t.Errorf("%s shows the broker's password", path)
		}
	}

	scrape := d.get(t, "/metrics").body
	for _, tc := range []struct {
		series    string
		want      float64
		tolerance float64 // relative; 0 is the very value
	}{
		{`ebbwatch_reading{point="plant-flow",unit="MGD"}`, 4, 1e-12},
		{`ebbwatch_reading{point="level",unit="ft"}`, 12, 1e-12},
		{`ebbwatch_reading{point="residual-out",unit="mg/L"}`, 1.25, 0},
		{`ebbwatch_reading{point="ph",unit="pH"}`, 7.4, 1e-12},
		{`ebbwatch_reading{point="temperature",unit="degC"}`, 9.5, 1e-12},
		{`ebbwatch_reading{point="total",unit="m3"}`, 1234567.5, 0},
		{`ebbwatch_reading{point="balance",unit="1"}`, -2, 0},
		{`ebbwatch_reading{point="count",unit="1"}`, 100000, 0},
		{`ebbwatch_reading{point="fault",unit="1"}`, 1, 0},
		{`ebbwatch_reading{point="fan",unit="1"}`, 1, 0},
		{`ebbwatch_reading{point="door",unit="1"}`, 1, 0},
		{`ebbwatch_reading{point="weight",unit="lb"}`, 2480, 1e-12},
		{`ebbwatch_reading{point="room",unit="degF"}`, 60, 1e-12},
		{`ebbwatch_segment_t10_seconds{segment="clearwell"}`, 27 * 60, 1e-9},
		{`ebbwatch_segment_ct_mg_min_per_litre{segment="clearwell"}`, 33.75, 1e-9},
		{`ebbwatch_segment_ct_required_mg_min_per_litre{organism="giardia",segment="clearwell"}`, 187.0 / 6, 1e-12},
		{`ebbwatch_segment_ct_required_mg_min_per_litre{organism="virus",segment="clearwell"}`, 4, 0},
		{`ebbwatch_segment_inactivation_ratio{segment="clearwell"}`, 33.75 * 6 / 187, 1e-9},
		{`ebbwatch_bank_net_weight_grams{bank="north"}`, 453592.37, 1e-9},
		{`ebbwatch_bank_withdrawal_limit_grams_per_second{bank="north"}`, 320 * 453.59237 / 86400, 0.01},
		{`ebbwatch_gas_concentration_ppm{detector="gas-1"}`, 0, 0},
		{`ebbwatch_instrument_lost{instrument="analysers"}`, 0, 0},
		{`ebbwatch_alarm_active{alarm="gas-1-level-2",priority="critical"}`, 0, 0},
	} {
		got, ok := metric(scrape, tc.series)
		if !ok || math.Abs(got-tc.want) > tc.tolerance*math.Abs(tc.want) {
			t.Errorf("%s is %v (there: %v), expected %v", tc.series, got, ok, tc.want)
		}
	}
	// A rate needs a quarter of an hour of weights; until then there is none.
	if _, ok := metric(scrape, `ebbwatch_bank_withdrawal_grams_per_second{bank="north"}`); ok {
		t.Error("a withdrawal rate is shown after a second of weighing")
	}
	checkMetrics(t, scrape)

	for _, tc := range []struct {
		figure, unit, quality string
		value                 float64
	}{
		{"residual-out", "mg/L", "good", 1.25},
		{"total", "m3", "good", 1234567.5},
		{"segment.clearwell.t10", "min", "good", 27},
		{"segment.clearwell.ct", "mg.min/L", "good", 33.75},
		{"bank.north.net-weight", "lb", "good", 1000},
	} {
		m := sub.Wait("figure "+tc.figure, figureIs(tc.figure, func(value *float64) bool { return value != nil && math.Abs(*value-tc.value) < 1e-6 }))
		if !strings.Contains(m.Payload, `"unit":"`+tc.unit+`"`) || !strings.Contains(m.Payload, `"quality":"`+tc.quality+`"`) || !figureRetained(peers.broker, tc.figure) {
			t.Errorf("figure %s is %s, expected unit %s and quality %s, retained", tc.figure, m.Payload, tc.unit, tc.quality)
		}
	}
	sub.Wait("the limit names its method", func(m peertest.Message) bool {
		return m.Topic == root+"figure/bank.north.withdrawal-limit" && strings.Contains(m.Payload, `"method":"heat-balance"`)
	})
	sub.Wait("the rate is null and says why", func(m peertest.Message) bool {
		return m.Topic == root+"figure/bank.north.withdrawal-rate" && strings.Contains(m.Payload, `"value":null`) && strings.Contains(m.Payload, "bad:learning")
	})
	sub.Wait("an alarm that is normal is told too", func(m peertest.Message) bool {
		return m.Topic == root+"alarm/gas-1-level-2" && strings.Contains(m.Payload, `"state":"normal"`)
	})

	// The detector is stepped over its second level in the peer's register.
	peers.setGas(1.5)
	m := sub.Wait("the trip", isEvent("gas-1-level-2", "raised"))
	trip, _ := decodeEvent(m)
	if trip.SpecVersion != "1.0" || trip.Type != "ebbwatch.alarm.transition.v1" || trip.Data.Value == nil || *trip.Data.Value != 1.5 || len(trip.Data.FirstAction) == 0 || m.QoS != 1 {
		t.Errorf("the trip arrived as QoS %d %s", m.QoS, m.Payload)
	}
	sub.Wait("the first level", isEvent("gas-1-level-1", "raised"))
	late := peers.broker.Subscribe(1, root+"alarm/+", root+"summary")
	late.Wait("the retained condition", func(m peertest.Message) bool {
		return m.Topic == root+"alarm/gas-1-level-2" && m.Retain && strings.Contains(m.Payload, `"state":"unacknowledged"`)
	})
	late.Wait("the summary", func(m peertest.Message) bool {
		return m.Topic == root+"summary" && strings.Contains(m.Payload, "gas-1-level-2")
	})

	// A person acknowledges.
	order, err := json.Marshal(map[string]any{"order": "o-1", "issued_at": time.Now().UTC().Format(time.RFC3339Nano), "by": "on-call-1", "alarm": "gas-1-level-2", "episode": trip.Data.Episode})
	if err != nil {
		t.Fatal(err)
	}
	peers.broker.Publish(root+"order/acknowledge", string(order), false)
	sub.Wait("the answer", func(m peertest.Message) bool {
		return m.Topic == root+"answer/on-call-1" && strings.Contains(m.Payload, `"done"`)
	})
	sub.Wait("the acknowledgement", isEvent("gas-1-level-2", "acknowledged"))

	// The broker dies; what happens meanwhile is told when it is back.
	peers.broker.Kill()
	peers.setGas(0)
	eventually(t, "the trip has cleared with nobody to tell", func() bool {
		v, ok := metric(d.get(t, "/metrics").body, `ebbwatch_alarm_active{alarm="gas-1-level-2",priority="critical"}`)
		return ok && v == 0
	})
	if r := d.get(t, "/readyz"); r.code != 503 || !strings.Contains(r.body, "broker: ") {
		t.Errorf("without a broker /readyz gives %d %q", r.code, r.body)
	}
	// The subscriber is back first, else nobody would be there to see.
	peers.way.Set(false)
	peers.broker.Start()
	sub.Subscribed(2)
	peers.way.Set(true)
	cleared := sub.Wait("the return, late", isEvent("gas-1-level-2", "cleared"))
	if e, _ := decodeEvent(cleared); !e.Data.History || e.Data.To != "latched-acknowledged" {
		t.Errorf("the return arrived as %s, expected history and a latch", cleared.Payload)
	}

	// An analyser that sends no number: no figure, and an alarm of its own.
	nan := float32Words(float32(math.NaN()))
	peers.analysers.Set(2, peertest.Holdings, 0, nan[1], nan[0])
	lost := sub.Wait("the lost analyser", isEvent("analysers-lost", "raised"))
	if e, _ := decodeEvent(lost); !strings.Contains(e.Data.What, "residual-out sends a value that is not a number") {
		t.Errorf("the alarm says %q", e.Data.What)
	} else if len(e.Data.FirstAction) == 0 || !strings.HasPrefix(e.Data.FirstAction[0], "The line is well, the instrument has no value") {
		t.Errorf("what to try first is %q", e.Data.FirstAction)
	}
	sub.Wait("the calls of the last hour", figureIs("self.alarms.annunciations-hour", func(v *float64) bool { return v != nil && *v >= 1 }))
	sub.Wait("CT is null", func(m peertest.Message) bool {
		return m.Topic == root+"figure/segment.clearwell.ct" && strings.Contains(m.Payload, `"value":null`) && strings.Contains(m.Payload, "bad:not-a-number")
	})
	if v, ok := metric(d.get(t, "/metrics").body, `ebbwatch_segment_ct_mg_min_per_litre{segment="clearwell"}`); ok {
		t.Errorf("a CT of %v is shown without a residual", v)
	}

	eventually(t, "a heartbeat has come, one is made every 20 s", func() bool {
		return slices.ContainsFunc(sub.Messages(), func(m peertest.Message) bool { return m.Topic == root+"heartbeat" })
	})
	d.stop()
	sub.Wait("an orderly farewell", func(m peertest.Message) bool {
		return m.Topic == root+"presence" && strings.Contains(m.Payload, `"online":false`)
	})
	checkSequence(t, sub.Messages(), 5)
}

// figureIs matches a figure by its value.
func figureIs(figure string, fits func(*float64) bool) func(peertest.Message) bool {
	return func(m peertest.Message) bool {
		var f struct{ Value *float64 }
		return m.Topic == root+"figure/"+figure && json.Unmarshal([]byte(m.Payload), &f) == nil && fits(f.Value)
	}
}

// figureRetained asks the broker as a newcomer.
func figureRetained(b *peertest.Broker, figure string) bool {
	s := b.Subscribe(1, root+"figure/"+figure)
	defer s.End()
	return s.Wait("the retained figure "+figure, func(peertest.Message) bool { return true }).Retain
}

// checkSequence: every event once or more, in order, none missing, at least so
// many, and the same id for the same sequence.
func checkSequence(t *testing.T, all []peertest.Message, least int) {
	t.Helper()
	var order []int
	ids := map[int]string{}
	for _, m := range all {
		e, ok := decodeEvent(m)
		if !ok {
			continue
		}
		seq, err := strconv.Atoi(e.Sequence)
		if err != nil {
			t.Errorf("sequence %q is no number", e.Sequence)
		}
		if id, seen := ids[seq]; seen && id != e.ID {
			t.Errorf("sequence %d has the ids %s and %s", seq, id, e.ID)
		} else if !seen {
			ids[seq] = e.ID
			order = append(order, seq)
		}
	}
	for i, seq := range order {
		if seq != i+1 || len(order) < least {
			t.Fatalf("sequences arrived as %v, expected at least %d, from 1 without a gap", order, least)
		}
	}
}

// checkMetrics asks promtool.
func checkMetrics(t *testing.T, scrape string) {
	t.Helper()
	cmd := exec.Command(peertest.Tool(t, "promtool"), "check", "metrics")
	var ours strings.Builder
	for line := range strings.Lines(scrape) {
		if strings.Contains(line, "ebbwatch_") {
			ours.WriteString(line)
		}
	}
	cmd.Stdin = strings.NewReader(ours.String())
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

// A broker that refuses the password must not stop the watching, and must say
// what to do without saying the password.
func TestBrokerRefusesThePassword(t *testing.T) {
	peers := startPeers(t)
	d := startDaemon(t, peers.site(t, 100*time.Millisecond, "loud-river"))
	eventually(t, "readyz says that the broker refuses", func() bool {
		r := d.get(t, "/readyz")
		return r.code == 503 && strings.Contains(r.body, "polling: ok") && strings.Contains(r.body, "refused the user name or password")
	})
	if d.get(t, "/healthz").code != 200 {
		t.Error("the daemon counts as dead")
	}
	d.stop()
	if strings.Contains(d.log.String(), "loud-river") {
		t.Errorf("the password is in the log:\n%s", d.log.String())
	}
}

// A daemon that is killed outright keeps its alarms: the same episode stands after
// the restart, what changed meanwhile is told, and the sequence has no gap.
func TestKilledAndStartedAgain(t *testing.T) {
	peers := startPeers(t)
	sub := peers.broker.Subscribe(1, root+"#")
	site, binary := peers.site(t, 100*time.Millisecond, "quiet-river"), buildBinary(t)
	first, _, _ := startBinary(t, binary, site)
	peers.setGas(1.5)
	sub.Wait("the trip", isEvent("gas-1-level-2", "raised"))
	if err := first.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	first.Wait() // the error is that it was killed
	sub.Wait("the last will", func(m peertest.Message) bool {
		return m.Topic == root+"presence" && strings.Contains(m.Payload, `"online":false`)
	})
	second, address, log := startBinary(t, binary, site)
	eventually(t, "the alarm stands as before", func() bool {
		v, ok := metric(get(t, "http://"+address+"/metrics").body, `ebbwatch_alarm_unacknowledged{alarm="gas-1-level-2",priority="critical"}`)
		return ok && v == 1
	})
	peers.setGas(0)
	cleared, _ := decodeEvent(sub.Wait("the return", isEvent("gas-1-level-2", "cleared")))
	if cleared.Data.To != "latched-unacknowledged" || cleared.Data.Episode != 1 {
		t.Errorf("after the restart the alarm cleared to %s in episode %d", cleared.Data.To, cleared.Data.Episode)
	}
	if err := second.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := second.Wait(); err != nil {
		t.Errorf("SIGTERM: %v\n%s", err, log.String())
	}
	checkSequence(t, sub.Messages(), 4)
	raises := map[string]bool{} // a copy has the id of the first
	for _, m := range sub.Messages() {
		if e, ok := decodeEvent(m); ok && e.Data.Alarm == "gas-1-level-2" && e.Data.Cause == "raised" {
			raises[e.ID] = true
		}
	}
	if len(raises) != 1 {
		t.Errorf("the trip was told as %d events", len(raises))
	}
}

// BenchmarkTripToSubscriber is the time from a register change in libmodbus, over
// RTU, to the MQTT event at mosquitto_sub, for two poll periods.
func BenchmarkTripToSubscriber(b *testing.B) {
	for _, every := range []time.Duration{100 * time.Millisecond, time.Second} {
		b.Run("poll="+every.String(), func(b *testing.B) {
			peers := startPeers(b)
			sub := peers.broker.Subscribe(1, root+"event")
			d := startDaemon(b, peers.site(b, every, "quiet-river"))
			eventually(b, "the daemon is ready", func() bool { return d.get(b, "/readyz").code == 200 })
			var worst time.Duration
			trips := 0
			reached := func(cause string) {
				trips++
				want := trips
				n := 0
				sub.Wait(cause, func(m peertest.Message) bool {
					if e, ok := decodeEvent(m); ok && e.Data.Alarm == "gas-1-level-2" {
						n++
					}
					return n >= want
				})
			}
			for b.Loop() {
				began := time.Now()
				peers.setGas(1.5)
				reached("raised")
				worst = max(worst, time.Since(began))
				b.StopTimer()
				peers.setGas(0)
				reached("cleared")
				b.StartTimer()
			}
			b.ReportMetric(float64(worst.Milliseconds()), "ms-worst")
			d.stop()
		})
	}
}

func float32Words(v float32) [2]uint16 {
	b := math.Float32bits(v)
	return [2]uint16{uint16(b >> 16), uint16(b)}
}

func float64Words(v float64) [4]uint16 {
	b := math.Float64bits(v)
	return [4]uint16{uint16(b >> 48), uint16(b >> 32), uint16(b >> 16), uint16(b)}
}

func swap(w uint16) uint16 { return w<<8 | w>>8 }
