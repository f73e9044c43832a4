package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"

	"ebbwatch/agent"
	"ebbwatch/agent/journal"
	"ebbwatch/agent/peertest"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/alarms/notify"
	"ebbwatch/config"
)

// soakHours is how long TestSoak runs, in simulated hours, unless EBBWATCH_SOAK_DAYS
// says: each kind of event and fault comes once.
const soakHours = 6

// falseAlarmsADay is the stated rate: more that neither an event nor a fault
// explains are too many.
const falseAlarmsADay = 0.5

// soak is the world around an agent: a plant that lives through events and faults,
// a broker, and what a receiver was told. It is in one bubble of fake time.
type soak struct {
	t      *testing.T
	site   *config.Site
	r      *rand.Rand     // of the events and faults
	noise  *rand.Rand     // of the readings
	disk   *peertest.Disk // nil where none can be mounted
	broker *mqtt.Server

	mu     sync.Mutex
	dark   map[string]bool // lines that do not answer
	gas    map[string]bool // detectors that trip
	low    bool            // the residual
	cut    bool            // the way to the broker
	offset time.Duration   // of the host's clock
	drawn  map[string]float64
	conns  []net.Conn

	told   map[uint64]string // ids by sequence
	copies int
	raised map[string]int
	said   map[string]string // by alarm, what it said last
}

// TestSoak runs the agent with its journal and its session to a broker through
// simulated days on the scenario's site, at a reading every 10 s, while lines fall
// silent, the way to the broker is cut, the disk fills, the host's clock is set, and
// the process is killed and started again. Every event that the plant lived through
// is raised, told and never doubled under another id; what else is raised is
// explained by a fault, but for a stated rate; and nothing grows.
//
//	EBBWATCH_SOAK_DAYS=30 go test -run 'TestSoak$' -v -timeout 60m ./cmd/ebbwatch
func TestSoak(t *testing.T) {
	hours := int(24 * number(t, "EBBWATCH_SOAK_DAYS", 0))
	if hours == 0 {
		hours = soakHours
	}
	dir := t.TempDir()
	var disk *peertest.Disk
	if os.Geteuid() == 0 {
		disk = peertest.NewDisk(t, 32<<10)
		dir = disk.Dir
	}
	synctest.Test(t, func(t *testing.T) { runSoak(t, hours, dir, disk) })
}

func runSoak(t *testing.T, hours int, dir string, disk *peertest.Disk) {
	site, err := config.Load("../../testdata/sites/kestrel-ridge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	s := &soak{
		t: t, site: site, r: rand.New(rand.NewPCG(number(t, "EBBWATCH_SEED", 1), 0)), noise: rand.New(rand.NewPCG(number(t, "EBBWATCH_SEED", 1), 1)), disk: disk,
		dark: map[string]bool{}, gas: map[string]bool{}, drawn: map[string]float64{},
		told: map[uint64]string{}, raised: map[string]int{}, said: map[string]string{},
	}
	s.serve()
	defer s.broker.Close()
	began := time.Now()
	life := s.start(filepath.Join(dir, "state-0"))
	trips, lows, kills, cuts, darks, fulls, sets := map[string]int{}, 0, 0, 0, 0, 0, 0
	var early, late growth
	for hour := range hours {
		// Each hour has one of these, at a moment of its own.
		time.Sleep(time.Duration(s.r.IntN(600)) * time.Second)
		what := s.r.IntN(10)
		if first := []int{9, 4, 6, 3, 2, 7}; hour < len(first) {
			what = first[hour]
		}
		switch what {
		case 0, 1: // chlorine escapes
			d := site.Detectors[s.r.IntN(len(site.Detectors))].Name
			trips[d]++
			s.set(func() { s.gas[d] = true })
			time.Sleep(5 * time.Minute)
			s.set(func() { s.gas[d] = false })
			time.Sleep(5 * time.Minute)
			life.reset(d)
		case 2: // the residual is low
			lows++
			s.set(func() { s.low = true })
			time.Sleep(10 * time.Minute)
			s.set(func() { s.low = false })
		case 3: // a line falls silent
			line := site.Lines[s.r.IntN(len(site.Lines))].Name
			darks++
			s.set(func() { s.dark[line] = true })
			time.Sleep(time.Duration(1+s.r.IntN(20)) * time.Minute)
			s.set(func() { delete(s.dark, line) })
		case 4, 5: // the broker cannot be reached, and chlorine escapes meanwhile
			cuts++
			s.set(func() {
				s.cut = true
				for _, c := range s.conns {
					c.Close()
				}
				s.conns = nil
			})
			d := site.Detectors[s.r.IntN(len(site.Detectors))].Name
			trips[d]++
			s.set(func() { s.gas[d] = true })
			time.Sleep(5 * time.Minute)
			s.set(func() { s.gas[d] = false })
			time.Sleep(time.Duration(5+s.r.IntN(20)) * time.Minute)
			s.set(func() { s.cut = false })
			time.Sleep(time.Minute)
			life.reset(d)
		case 6: // the disk is full
			if disk == nil {
				break
			}
			fulls++
			disk.Fill()
			time.Sleep(time.Duration(1+s.r.IntN(20)) * time.Minute)
			disk.Empty()
		case 7: // the host's clock is set, by up to an hour either way
			sets++
			s.set(func() { s.offset += time.Duration(s.r.IntN(7200)-3600) * time.Second })
		default: // the process is killed, while chlorine escapes
			kills++
			d := site.Detectors[s.r.IntN(len(site.Detectors))].Name
			trips[d]++
			s.set(func() { s.gas[d] = true })
			time.Sleep(time.Duration(s.r.IntN(20)) * time.Second)
			life = s.kill(life, filepath.Join(dir, fmt.Sprintf("state-%d", kills)))
			time.Sleep(5 * time.Minute)
			s.set(func() { s.gas[d] = false })
			time.Sleep(5 * time.Minute)
			life.reset(d)
		}
		time.Sleep(time.Until(began.Add(time.Duration(hour+1) * time.Hour)))
		if hour == hours/3 {
			early = measure(life)
		}
	}
	late = measure(life)
	time.Sleep(5 * time.Minute)
	depth, last := life.store.Depth(), life.store.LastSequence()
	life.end()

	s.mu.Lock()
	defer s.mu.Unlock()
	if depth != 0 {
		t.Errorf("%d events were never told", depth)
	}
	for seq := uint64(1); seq <= last; seq++ {
		if s.told[seq] == "" {
			t.Errorf("event %d was lost", seq)
		}
	}
	expected := map[string]int{"residual-out-low": lows}
	for d, n := range trips {
		expected[d+"-level-1"], expected[d+"-level-2"] = n, n
	}
	unexplained := 0
	for _, alarm := range slices.Sorted(maps.Keys(s.raised)) {
		n := s.raised[alarm]
		if want, ok := expected[alarm]; ok {
			if n != want {
				t.Errorf("%s was raised %d times, the plant lived through %d", alarm, n, want)
			}
			delete(expected, alarm)
			continue
		}
		if !caused(alarm) {
			unexplained += n
			t.Logf("not explained: %s, %d times, such as: %s", alarm, n, s.said[alarm])
		}
	}
	for alarm, n := range expected {
		if n > 0 {
			t.Errorf("%s was never raised, the plant lived through %d", alarm, n)
		}
	}
	days := float64(hours) / 24
	t.Logf("%.1f days: %d events told, %d of them more than once with the same id; %d kills, %d cuts of the broker, %d silent lines, %d full disks, %d settings of the clock; %.2f alarms a day without a cause",
		days, last, s.copies, kills, cuts, darks, fulls, sets, float64(unexplained)/days)
	t.Logf("after a third and at the end: heap %d and %d kB, goroutines %d and %d, journal %d and %d kB",
		early.heap>>10, late.heap>>10, early.goroutines, late.goroutines, early.journal>>10, late.journal>>10)
	if float64(unexplained) > math.Ceil(falseAlarmsADay*days) {
		t.Errorf("%d alarms without a cause in %.1f days", unexplained, days)
	}
	if kills == 0 || cuts == 0 || lows+darks+sets == 0 {
		t.Error("too little happened to prove anything")
	}
	if late.goroutines > early.goroutines+8 || late.heap > early.heap+early.heap/2+1<<20 || late.journal > max(2*early.journal, 4<<20) {
		t.Error("something grows")
	}
}

// caused reports whether an alarm tells of what the faults and the events of the
// soak do: instruments and lines, the journal, the broker, the clocks and looks
// ahead that follow a low residual, the room of a detector, and the supply, which
// runs down and is changed.
func caused(alarm string) bool {
	for _, part := range []string{"-lost", "-doubtful", "-overrun", "journal-", "broker-", "record-", "-unavailable", "-blind", "-vote", "-deviation", "-exposure", "-rising", "-level-", "residual-", "clearwell-", "transmission-", "disinfection-", "-empty", "-withdrawal", "-bad"} {
		if strings.Contains(alarm, part) {
			return true
		}
	}
	return false
}

func (s *soak) set(f func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f()
}

// beforeSoak is a time with a monotonic clock, which those in a bubble lack.
var beforeSoak = time.Now()

// now is the host's clock: its monotonic clock is that of the bubble, its wall clock
// is set away from it. The package time has no call that moves one of them alone;
// TestNoWallClockMovesAnAlarm of package agent fails when its inside changes.
func (s *soak) now() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := beforeSoak.Add(time.Since(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)))
	(*struct{ wall uint64 })(unsafe.Pointer(&now)).wall += uint64(int64(s.offset/time.Second)) << 30
	return now
}

// everyone lets any client in.
type everyone struct{ mqtt.HookBase }

func (*everyone) ID() string { return "everyone" }
func (*everyone) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck
}
func (*everyone) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }
func (*everyone) OnACLCheck(*mqtt.Client, string, bool) bool              { return true }

// serve starts the broker, and a receiver inside it.
func (s *soak) serve() {
	s.broker = mqtt.New(&mqtt.Options{InlineClient: true, SysTopicResendInterval: 86400, Logger: slog.New(slog.DiscardHandler)})
	if err := s.broker.AddHook(new(everyone), nil); err != nil {
		s.t.Fatal(err)
	}
	if err := s.broker.Serve(); err != nil {
		s.t.Fatal(err)
	}
	err := s.broker.Subscribe("ebbwatch/v1/+/event", 1, func(_ *mqtt.Client, _ packets.Subscription, p packets.Packet) {
		var e event
		if err := json.Unmarshal(p.Payload, &e); err != nil {
			s.t.Errorf("%v in %s", err, p.Payload)
			return
		}
		seq, err := strconv.ParseUint(e.Sequence, 10, 64)
		if err != nil {
			s.t.Error(err)
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		if id := s.told[seq]; id != "" {
			s.copies++
			if id != e.ID {
				s.t.Errorf("event %d came as %s and as %s", seq, id, e.ID)
			}
			return
		}
		s.told[seq] = e.ID
		if e.Data.Cause == string(alarms.Raised) {
			s.raised[e.Data.Alarm]++
			s.said[e.Data.Alarm] = e.Data.What
		}
	})
	if err != nil {
		s.t.Fatal(err)
	}
}

// dial goes to the broker through a pipe.
func (s *soak) dial(context.Context, string, string) (net.Conn, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cut {
		return nil, errors.New("no route to host")
	}
	near, far := net.Pipe()
	s.conns = append(s.conns, near, far)
	go func() { _ = s.broker.EstablishConnection("pipe", far) }() // the error is that it ended
	return near, nil
}

// life is an agent from its start to its end.
type life struct {
	*agent.Agent
	s     *soak
	dir   string
	store *journal.Journal
	stop  context.CancelFunc
	ended chan error
}

func (s *soak) start(dir string) *life {
	s.t.Helper()
	settings := plantSettings(s.site)
	for i := range settings.Points {
		settings.Points[i].Every, settings.Points[i].StaleAfter = 10*time.Second, time.Minute
	}
	core, err := plant.New(settings)
	if err != nil {
		s.t.Fatal(err)
	}
	l := &life{s: s, dir: dir, ended: make(chan error, 1)}
	if l.store, err = journal.Open(dir, journal.Options{Receivers: []string{receiver}, Keep: 500}); err != nil {
		s.t.Fatal(err)
	}
	if l.store.Lost() != "" {
		s.t.Errorf("the journal was lost: %s", l.store.Lost())
	}
	publisher, err := notify.New(notify.Options{
		Site: s.site.Name, StoreID: l.store.ID(), Boot: l.store.Boot(), Started: s.now(), Receiver: receiver,
		Brokers: []string{"tcp://broker.example:1883"}, Dial: s.dial, Outbox: l.store, Now: s.now,
		Conditions:  func() []alarms.Condition { return l.Snapshot().Conditions },
		FigureEvery: time.Hour, ConditionEvery: time.Hour,
	})
	if err != nil {
		s.t.Fatal(err)
	}
	told := &teller{publisher: publisher, people: &people{}}
	l.Agent, err = agent.New(agent.Options{
		Plant: core, Alarms: alarmSettings(s.site, guidance.Default()), Source: s, Store: l.store, Teller: told, Wake: told.wake,
		Now: s.now, Tick: 10 * time.Second, Beat: time.Minute, Edges: []func(context.Context) error{publisher.Run},
	})
	if err != nil {
		s.t.Fatal(err)
	}
	var ctx context.Context
	ctx, l.stop = context.WithCancel(s.t.Context())
	go func() { l.ended <- l.Run(ctx) }()
	return l
}

// kill ends a life as kill -9 would: what was on the disk at that moment is what the
// next one finds.
func (s *soak) kill(l *life, dir string) *life {
	s.t.Helper()
	synctest.Wait()
	data, err := os.ReadFile(filepath.Join(l.dir, "journal.db"))
	if err != nil {
		s.t.Fatal(err)
	}
	l.end()
	if err := os.RemoveAll(l.dir); err != nil {
		s.t.Fatal(err)
	}
	if err := os.Mkdir(dir, 0o750); err != nil {
		s.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "journal.db"), data, 0o600); err != nil {
		s.t.Fatal(err)
	}
	return s.start(dir)
}

func (l *life) end() {
	l.stop()
	if err := <-l.ended; err != nil {
		l.s.t.Errorf("the agent ended with %v", err)
	}
	if err := l.store.Close(); err != nil {
		l.s.t.Error(err)
	}
}

// reset acknowledges and resets the alarms of a detector, as a person would.
func (l *life) reset(detector string) {
	time.Sleep(2 * time.Minute) // after the off-delay
	for _, verb := range []alarms.Verb{"acknowledge", "reset"} {
		for _, c := range l.Snapshot().Conditions {
			if strings.HasPrefix(c.Alarm, detector+"-") && c.State != alarms.Normal {
				l.Order(l.s.t.Context(), alarms.Order{Verb: verb, ID: fmt.Sprintf("%s-%s-%d-%d", c.Alarm, verb, c.Episode, c.Sequence), By: "operator", Alarm: c.Alarm, Episode: c.Episode})
			}
		}
	}
}

// Run implements agent.Source: every 10 s a reading of every point, bad on a line
// that is dark.
func (s *soak) Run(ctx context.Context, emit func([]reading.Reading)) error {
	tick := time.NewTicker(10 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
			emit(s.readings())
		}
	}
}

func (s *soak) readings() (out []reading.Reading) {
	now := s.now()
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, in := range s.site.Instruments {
		for _, p := range in.Points {
			r := reading.Reading{Point: p.Name, Value: p.Unit.SI(s.value(p)), Quality: reading.GoodQuality(), Time: now}
			if s.dark[in.Line] {
				r.Value, r.Quality = math.NaN(), reading.BadBecause(reading.NoReply)
			}
			out = append(out, r)
		}
	}
	return out
}

// value is what a point shows, in its unit: about the middle of what is usual, with
// noise.
func (s *soak) value(p config.Point) float64 {
	noise := s.noise.NormFloat64()
	switch p.Unit.Dimension {
	case units.GasInAir:
		for _, d := range s.site.Detectors {
			if d.Concentration == p.Name && s.gas[d.Name] {
				return 3 + 0.05*noise
			}
		}
		return 0.01 * math.Abs(noise)
	case units.Mass: // one bank feeds, at 2.4 mg/L of the flow, and is changed in time
		full, least, step := 3300.0, 2400.0, 1.0
		if strings.HasPrefix(p.Name, "wellhouse") {
			full, step = 240, 0.5
		}
		if strings.HasPrefix(p.Name, "north") {
			s.drawn[p.Name] += 15.0 / 8640
		}
		if s.drawn[p.Name] > full-least {
			s.drawn[p.Name] = 0
		}
		return step * math.Round((full-s.drawn[p.Name])/step+0.3*noise)
	}
	switch p.Name {
	case "residual-out":
		if s.low {
			return 0.3 + 0.01*noise
		}
		return 1.4 + 0.01*noise
	case "residual-in":
		return 1.7 + 0.01*noise
	case "residual-entry":
		return 1.1 + 0.01*noise
	case "ph-out":
		return 7.4 + 0.02*noise
	case "temperature-out":
		return 12 + 0.1*noise
	case "clearwell-level":
		return 10 + 0.02*noise
	case "plant-flow":
		return 1.5 + 0.02*noise
	}
	return 68 + 0.2*noise // rooms, degF
}

type growth struct {
	heap       uint64
	goroutines int
	journal    int64
}

func measure(l *life) growth {
	synctest.Wait()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	info, err := os.Stat(filepath.Join(l.dir, "journal.db"))
	if err != nil {
		l.s.t.Fatal(err)
	}
	return growth{m.HeapAlloc, runtime.NumGoroutine(), info.Size()}
}
