package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"ebbwatch/agent/demo"
	"ebbwatch/agent/peertest"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// BenchmarkFleet measures what many sites cost one broker: as many built daemons
// as EBBWATCH_FLEET says (20), each a process of its own on a simulated plant of
// its own, all at one mosquitto, with one receiver of everything. It counts
// messages and bytes by kind, what the broker uses, and how old a heartbeat is
// when the receiver has it. EBBWATCH_FLEET_PER_DAY is a per_day for each site.
//
//	EBBWATCH_FLEET=200 go test -run '^$' -bench Fleet -benchtime 1x -timeout 20m ./cmd/ebbwatch
func BenchmarkFleet(b *testing.B) {
	sites := 20
	if s := os.Getenv("EBBWATCH_FLEET"); s != "" {
		var err error
		if sites, err = strconv.Atoi(s); err != nil || sites < 1 {
			b.Fatalf("EBBWATCH_FLEET=%s: expected a number of sites", s)
		}
	}
	binary := buildBinary(b)
	broker := peertest.Mosquitto(b, peertest.Login{})
	var addresses []string
	for i := range sites {
		_, address, _ := startBinary(b, binary, fleetSite(b, broker.URL(), i))
		addresses = append(addresses, address)
	}
	for _, address := range addresses {
		eventually(b, "every site is ready", func() bool { return get(b, "http://"+address+"/readyz").code == 200 })
	}
	for b.Loop() {
		const measure = time.Minute
		<-time.After(20 * time.Second) // what a start tells once is told
		all := receive(b, broker.URL())
		before := cpuTime(b, broker.PID())
		<-time.After(measure)
		used := cpuTime(b, broker.PID()) - before
		all.mu.Lock()
		per := float64(sites) * measure.Seconds()
		for _, kind := range []string{"figure", "heartbeat", "alarm", "event", "summary"} {
			b.ReportMetric(float64(all.messages[kind])/per, kind+"s/s/site")
			b.ReportMetric(float64(all.bytes[kind])/per, kind+"-B/s/site")
		}
		if len(all.sites) != sites {
			b.Errorf("heartbeats came from %d sites, expected %d", len(all.sites), sites)
		}
		slices.Sort(all.ages)
		b.ReportMetric(all.ages[len(all.ages)/2].Seconds()*1000, "ms-heartbeat-p50")
		b.ReportMetric(all.ages[len(all.ages)-1].Seconds()*1000, "ms-heartbeat-max")
		all.mu.Unlock()
		b.ReportMetric(100*used.Seconds()/measure.Seconds(), "%-of-a-core-broker")
		b.ReportMetric(float64(residentKB(b, broker.PID()))/1024, "MB-RSS-broker")
		scrape := get(b, "http://"+addresses[0]+"/metrics").body
		b.ReportMetric(float64(len(regexp.MustCompile(`(?m)^[^#\n]`).FindAllString(scrape, -1))), "series/site")
		b.ReportMetric(float64(len(scrape)), "B-scrape")
	}
}

// fleetSite starts the plant of one site and writes the site file.
func fleetSite(b *testing.B, broker string, i int) (file string) {
	b.Helper()
	dir := b.TempDir()
	plant, err := demo.Start(b.Context(), demo.Options{Seed: uint64(i + 1), Speed: 1, Dir: dir, Listen: "127.0.0.1:0"})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(plant.Close)
	text := string(plant.SiteYAML())
	text = regexp.MustCompile(`(?m)^site: .*$`).ReplaceAllString(text, fmt.Sprintf("site: plant-%03d", i))
	text = strings.ReplaceAll(text, "tcp://"+plant.BrokerAddr(), broker)
	if bound := os.Getenv("EBBWATCH_FLEET_PER_DAY"); bound != "" {
		text = regexp.MustCompile(`(?m)^mqtt:$`).ReplaceAllString(text, "mqtt:\n  per_day: "+bound)
	}
	file = filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	return file
}

// received counts what came, by kind of topic.
type received struct {
	mu              sync.Mutex
	messages, bytes map[string]int
	sites           map[string]bool
	ages            []time.Duration // of heartbeats
}

// receive subscribes to every site, and counts what is not retained from before.
func receive(b *testing.B, broker string) *received {
	b.Helper()
	r := &received{messages: map[string]int{}, bytes: map[string]int{}, sites: map[string]bool{}}
	c := paho.NewClient(paho.NewClientOptions().AddBroker(broker).SetClientID("fleet"))
	take := func(_ paho.Client, m paho.Message) {
		level := bytes.Split([]byte(m.Topic()), []byte("/"))
		if m.Retained() || len(level) < 4 {
			return
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		kind := string(level[3])
		r.messages[kind]++
		r.bytes[kind] += len(m.Topic()) + len(m.Payload())
		if kind != "heartbeat" {
			return
		}
		var beat struct{ Time time.Time }
		if err := json.Unmarshal(m.Payload(), &beat); err != nil {
			b.Errorf("heartbeat %s: %v", m.Payload(), err)
		}
		r.sites[string(level[2])] = true
		r.ages = append(r.ages, time.Since(beat.Time))
	}
	done := func(t paho.Token) {
		if t.Wait(); t.Error() != nil {
			b.Fatal(t.Error())
		}
	}
	done(c.Connect())
	done(c.Subscribe("ebbwatch/v1/#", 0, take))
	b.Cleanup(func() { c.Disconnect(0) })
	return r
}
