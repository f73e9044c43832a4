package main

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/config"
)

// tripping is a detector of the scenario's site at work: clear, showing gas that
// nobody has been told of yet, or clearing again.
type tripping struct {
	name string
	set  func(ppm float64)
	// begin is when gas comes next, zero while it is there or goes.
	begin, wrote time.Time
	took         []time.Duration
	unjudged     int // trips while this machine was too busy to be on time itself
}

// busy is how late this process may run itself for a trip to be judged by what
// check promises. Outer bounds each of them: from initiation to display, NFPA 72,
// 26.6.3.1.10 in its editions of 2010 to 2016 (as quoted in the trade press).
const busy, outer = 50 * time.Millisecond, 90 * time.Second

// ridgePeers are pymodbus servers for every line of the scenario's site, over TCP,
// over a pair of pseudo-terminals and over TCP with the framing of RTU. The scales
// of the wellhouse are dead, beside two detectors. They write the site file.
func ridgePeers(t *testing.T, broker *peertest.Broker, edits ...string) (site string, detectors []*tripping) {
	t.Helper()
	flow, in, out, entry := float32Words(4), float32Words(1.4), float32Words(1.2), float32Words(1.1)
	meters := peertest.Pymodbus(t, peertest.Map{
		1: {peertest.Inputs: {0: {flow[0], flow[1], 1100}}},
		2: {peertest.Inputs: {0: {in[0], in[1], out[0], out[1], entry[0], entry[1], 740, 95}}},
	})
	room := peertest.PymodbusRTU(t, peertest.Map{
		11: {peertest.Holdings: {0: {2480, 0, 2510, 0}}},
		12: {peertest.Holdings: {0: {3495, 0, 3470, 0}}},
		13: {peertest.Inputs: {0: {0, 0, 600}}},
	}, 9600)
	far := peertest.PymodbusOverTCP(t, peertest.Map{
		21: {peertest.Inputs: {0: {0, 0}}},
		23: {peertest.Inputs: {0: {0, 550}}},
	}, "rtu")
	hundredths := func(ppm float64) uint16 { return uint16(math.Round(100 * ppm)) }
	detectors = []*tripping{
		{name: "gas-1", set: func(ppm float64) { room.Set(13, peertest.Inputs, 0, hundredths(ppm)) }},
		{name: "gas-2", set: func(ppm float64) { room.Set(13, peertest.Inputs, 1, hundredths(ppm)) }},
		{name: "gas-3", set: func(ppm float64) {
			w := float32Words(float32(ppm))
			far.Set(21, peertest.Inputs, 0, w[1], w[0])
		}},
		{name: "gas-4", set: func(ppm float64) { far.Set(23, peertest.Inputs, 0, hundredths(ppm)) }},
	}
	data, err := os.ReadFile("../../testdata/sites/kestrel-ridge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	text := string(data)
	quick := "level_1: {limit: 0.5 ppm, off_delay: 0s}, level_2: {limit: 1 ppm, off_delay: 0s}}"
	edits = append([]string{
		"/var/lib/ebbwatch", "state", "127.0.0.1:9640", "127.0.0.1:0", "tcp://127.0.0.1:1883", broker.URL(),
		"127.0.0.1:1502", meters.Addr(), "/dev/ttyUSB0", room.Device(), "parity: even", "parity: none", "127.0.0.1:1503", far.Addr(),
		"gas-1-ppm, level_1: {limit: 0.5 ppm}, level_2: {limit: 1 ppm}}", "gas-1-ppm, " + quick,
		"concentration: gas-2-ppm}", "concentration: gas-2-ppm, " + quick, "concentration: gas-3-ppm}", "concentration: gas-3-ppm, " + quick,
		"concentration: gas-4-ppm}", "concentration: gas-4-ppm, " + quick,
	}, edits...)
	for i := 0; i < len(edits); i += 2 {
		if !strings.Contains(text, edits[i]) {
			t.Fatalf("the site file lacks %q", edits[i])
		}
		text = strings.Replace(text, edits[i], edits[i+1], 1)
	}
	for name, text := range map[string]string{"site.yaml": text, "mqtt-password": "quiet-river\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return filepath.Join(dir, "site.yaml"), detectors
}

const ridgeRoot = "ebbwatch/v1/kestrel-ridge/"

// TestTripsReachASubscriber writes gas into the registers of pymodbus at random
// times and measures until mosquitto_sub has the event, under the whole load of
// the scenario's site and with a dead unit on the line of two detectors. No trip
// may take longer than check promises. EBBWATCH_TRIPS sets how many there are.
func TestTripsReachASubscriber(t *testing.T) {
	trips := 24
	if text := os.Getenv("EBBWATCH_TRIPS"); text != "" {
		var err error
		if trips, err = strconv.Atoi(text); err != nil {
			t.Fatalf("EBBWATCH_TRIPS: %v", err)
		}
	}
	broker := peertest.Mosquitto(t, peertest.Login{User: "ebbwatch", Password: "quiet-river"})
	path, detectors := ridgePeers(t, broker)
	site, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	sub := broker.Subscribe(1, ridgeRoot+"event")
	d := startDaemon(t, path)
	eventually(t, "the daemon is ready", func() bool { return d.get(t, "/readyz").code == 200 })
	eventually(t, "the dead unit is known to be dead", func() bool {
		v, ok := metric(d.get(t, "/metrics").body, `ebbwatch_instrument_resting{instrument="wellhouse-scale",line="line-c"}`)
		return ok && v == 1
	})

	tripAll(t, sub, detectors, trips)
	promised := map[string]gasDelay{}
	for _, g := range gasDelays(site, lines(site)) {
		promised[g.detector.Name] = g
	}
	for _, x := range detectors {
		if len(x.took) == 0 {
			t.Logf("%s: no trip could be judged, %d came while this machine was too busy", x.name, x.unjudged)
			continue
		}
		slices.Sort(x.took)
		at := func(share float64) time.Duration {
			return x.took[int(share*float64(len(x.took)-1))].Round(time.Millisecond)
		}
		g := promised[x.name]
		bound := g.usual()
		if g.line == "line-c" {
			bound = g.worst()
		}
		t.Logf("%s on %s: %d trips, p50 %s, p95 %s, longest %s; check promises %s", x.name, g.line, len(x.took), at(0.5), at(0.95), at(1), took(bound))
		if longest := x.took[len(x.took)-1]; longest > bound {
			t.Errorf("%s: a trip took %s, check promises %s", x.name, longest, bound)
		}
		if x.unjudged > 0 {
			t.Logf("%s: %d more trips came while this machine was too busy to be on time itself", x.name, x.unjudged)
		}
	}
	if r := d.get(t, "/readyz"); r.code != 200 {
		t.Errorf("after the trips /readyz gives %d %q", r.code, r.body)
	}
}

// tripAll lets gas come and go at each detector until there were so many trips in
// all, each at a random time of its own.
func tripAll(t *testing.T, sub *peertest.Subscriber, detectors []*tripping, trips int) {
	t.Helper()
	random := func() time.Time { return time.Now().Add(rand.N(2 * time.Second)) }
	for _, x := range detectors {
		x.begin = random()
	}
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	limit := time.After(time.Duration(trips)*5*time.Second + time.Minute)
	seen, begun, open := len(sub.Messages()), 0, 0
	var looked, late time.Time // when this loop ran last, and when it last was late
	for begun < trips || open > 0 {
		select {
		case <-tick.C:
			if now := time.Now(); now.Sub(looked) > busy {
				late = now
			}
			looked = time.Now()
		case <-limit:
			t.Fatalf("%d trips were begun, %d are open, and nothing comes any more", begun, open)
		}
		for _, x := range detectors {
			if !x.begin.IsZero() && begun < trips && time.Now().After(x.begin) {
				begun, open = begun+1, open+1
				x.begin, x.wrote = time.Time{}, time.Now()
				x.set(1.5)
			}
		}
		more := sub.Since(seen)
		seen += len(more)
		for _, m := range more {
			e, ok := decodeEvent(m)
			i := slices.IndexFunc(detectors, func(x *tripping) bool { return x.name+"-level-2" == e.Data.Alarm })
			if !ok || i < 0 {
				continue
			}
			switch x := detectors[i]; e.Data.Cause {
			case "raised":
				took := m.At.Sub(x.wrote)
				if took > outer {
					t.Errorf("%s: a trip took %s", x.name, took)
				}
				if late.Before(x.wrote) {
					x.took = append(x.took, took)
				} else {
					x.unjudged++
				}
				x.set(0)
			case "cleared":
				open--
				x.begin = random()
			}
		}
	}
}

// TestTripOnADiskThatHangs: the disk stops answering, and gas comes at that moment.
// The notice of it leaves within what check promises for such a disk.
func TestTripOnADiskThatHangs(t *testing.T) {
	t.Parallel()
	disk := peertest.NewFreezer(t)
	broker := peertest.Mosquitto(t, peertest.Login{User: "ebbwatch", Password: "quiet-river"})
	path, detectors := ridgePeers(t, broker, "state_dir: state", "state_dir: "+filepath.Join(disk.Dir, "state"))
	site, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	sub := broker.Subscribe(1, ridgeRoot+"event")
	d := startDaemon(t, path)
	eventually(t, "the daemon is ready", func() bool { return d.get(t, "/readyz").code == 200 })
	thaw := disk.Freeze()
	wrote := time.Now()
	detectors[2].set(1.5)
	m := sub.Wait("the trip on a hanging disk", isEvent("gas-3-level-2", "raised"))
	thaw()
	for _, g := range gasDelays(site, lines(site)) {
		if g.detector.Name != "gas-3" {
			continue
		}
		got := m.At.Sub(wrote)
		t.Logf("%s, check promises %s", got.Round(time.Millisecond), took(g.hanging()))
		if got > g.hanging() {
			t.Errorf("the trip took %s, check promises %s", got, g.hanging())
		}
	}
}
