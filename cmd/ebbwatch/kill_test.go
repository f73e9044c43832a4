package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/agent/journal"
	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
)

// kills is how often TestKill kills the daemon, unless EBBWATCH_KILLS says.
const kills = 100

const killSite = `ebbwatch: 1
site: acceptance
title: Acceptance
time_zone: UTC
state_dir: state
listen: 127.0.0.1:0
mqtt: {broker: %q}
lines:
  line-a: {kind: tcp, address: %q, timeout: 1s}
instruments:
  analyser:
    line: line-a
    unit: 1
    every: 100ms
    points:
      residual-a: {table: holding-register, address: 0, type: uint16, scale: 0.01, unit: mg/L, range: 0 to 5}
      residual-b: {table: holding-register, address: 1, type: uint16, scale: 0.01, unit: mg/L, range: 0 to 5}
      gas:        {table: holding-register, address: 2, type: uint16, scale: 0.01, unit: ppm, range: 0 to 10}
residuals:
  residual-a: {place: clearwell, low: {on_delay: 0s, off_delay: 0s}}
  residual-b: {place: entry point, low: {on_delay: 0s, off_delay: 0s}}
detectors:
  gas-1: {room: chlorine-room, concentration: gas, level_1: {off_delay: 0s}, level_2: {off_delay: 0s}}
`

// killInput is a register that the test moves over a limit and back. It holds
// each value until a daemon shows that every alarm on it has followed, however
// many are killed on the way: so the transitions that the inputs demand are known
// to the last one.
type killInput struct {
	address   uint16
	fine, bad uint16
	alarms    []string
	moves     int  // the value is bad after an odd number
	followed  bool // by every alarm
}

func (in *killInput) isBad() bool { return in.moves%2 == 1 }

// killRun is the daemon's surroundings and the script.
type killRun struct {
	t                   *testing.T
	rand                *rand.Rand
	binary, site, state string
	server              *peertest.ModbusTCP
	broker              *peertest.Broker
	gate                *peertest.Gate
	sub                 *peertest.Subscriber
	inputs              []*killInput

	cut, stopped                  bool // the way to the broker, the broker
	unheard, standing, cuts, ends int
}

// TestKill kills the daemon at random moments while alarms rise and clear, and
// while the broker goes and comes. Afterwards every transition that the inputs
// demanded is in the journal once, and has reached a subscriber whose session the
// broker keeps, in order. In full:
//
//	EBBWATCH_KILLS=1000 go test -run 'TestKill$' -v -timeout 30m ./cmd/ebbwatch
func TestKill(t *testing.T) {
	t.Parallel()
	want := int(number(t, "EBBWATCH_KILLS", kills))
	seed := number(t, "EBBWATCH_SEED", rand.Uint64())
	t.Logf("EBBWATCH_SEED=%d", seed)
	k := newKillRun(t, seed)
	for n := range want {
		k.life(n, false)
	}
	if k.stopped {
		k.broker.Start()
	}
	k.gate.Set(true)
	k.life(0, true)
	told := k.check()
	t.Logf("%d kills, %d of them before the daemon was heard and %d with an alarm standing; the broker was cut off %d times and stopped %d times; %d transitions were demanded, and told %d times",
		want, k.unheard, k.standing, k.cuts, k.ends, k.demanded(), told)
	if k.unheard == 0 || k.standing < want/10 || k.cuts == 0 || k.ends == 0 || k.demanded() < want/2 {
		t.Error("the moments were too much alike to prove anything")
	}
}

// number is what an environment variable holds, or something else when it is not
// set.
func number(t *testing.T, name string, otherwise uint64) uint64 {
	t.Helper()
	text := os.Getenv(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil {
		t.Fatalf("%s is %q, expected a whole number", name, text)
	}
	return n
}

func newKillRun(t *testing.T, seed uint64) *killRun {
	k := &killRun{t: t, rand: rand.New(rand.NewPCG(seed, 0)), inputs: []*killInput{
		{address: 0, fine: 120, bad: 5, alarms: []string{"residual-a-low"}},
		{address: 1, fine: 120, bad: 5, alarms: []string{"residual-b-low"}},
		// Two alarms move in one step: both are committed or none is.
		{address: 2, fine: 0, bad: 150, alarms: []string{"gas-1-level-2", "gas-1-level-1"}},
	}}
	values := map[uint16][]uint16{}
	for _, in := range k.inputs {
		values[in.address] = []uint16{in.fine}
	}
	k.server = peertest.Libmodbus(t, peertest.Map{1: {peertest.Holdings: values}})
	k.broker = peertest.Mosquitto(t, peertest.Login{})
	k.broker.Keep()
	k.sub = k.broker.SubscribeAs("control-room", root+"event")
	k.gate = peertest.NewGate(t, k.broker.Address(), nil)
	dir := t.TempDir()
	k.site, k.state = filepath.Join(dir, "site.yaml"), filepath.Join(dir, "state")
	text := fmt.Sprintf(killSite, "tcp://"+k.gate.Address(), k.server.Addr())
	if err := os.WriteFile(k.site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(k.state, 0o750); err != nil {
		t.Fatal(err)
	}
	k.binary = buildBinary(t)
	return k
}

// demanded is how many transitions the inputs have demanded.
func (k *killRun) demanded() int {
	n := 0
	for _, in := range k.inputs {
		n += in.moves * len(in.alarms)
	}
	return n
}

// mortal is a daemon in a process of its own.
type mortal struct {
	cmd     *exec.Cmd
	log     *lockedBuffer
	heard   chan string // where it listens
	ended   chan error
	address string
}

func startMortal(t *testing.T, binary, site string) *mortal {
	t.Helper()
	d := &mortal{cmd: exec.Command(binary, "run", "--site", site), log: &lockedBuffer{}, heard: make(chan string, 1), ended: make(chan error, 1)}
	out, err := d.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { d.cmd.Process.Kill() })
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			fmt.Fprintln(d.log, lines.Text())
			if m := regexp.MustCompile(`http=(\S+)`).FindStringSubmatch(lines.Text()); m != nil {
				d.heard <- m[1]
			}
		}
		d.ended <- d.cmd.Wait()
	}()
	return d
}

// life runs the daemon until it is killed or, as the last one, until everything
// has been told.
func (k *killRun) life(n int, last bool) {
	d := startMortal(k.t, k.binary, k.site)
	moved := make(chan struct{}, 1)
	defer close(moved)
	if !last {
		defer k.doom(d, n, moved)()
	}
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.After(time.Minute)
	for {
		select {
		case err := <-d.ended:
			if killed := d.cmd.ProcessState.Sys().(syscall.WaitStatus).Signal() == syscall.SIGKILL; killed == last {
				k.t.Fatalf("the daemon ended by itself: %v\n%s", err, d.log.String())
			}
			if d.address == "" {
				k.unheard++
			}
			if slices.ContainsFunc(k.inputs, (*killInput).isBad) {
				k.standing++
			}
			return
		case d.address = <-d.heard:
			continue
		case <-late:
			k.t.Fatalf("the daemon does not end:\n%s", d.log.String())
		case <-tick.C:
		}
		scrape := ""
		if d.address != "" {
			scrape = get(k.t, "http://"+d.address+"/metrics").body
		}
		k.follow(scrape)
		if last {
			if depth, ok := metric(scrape, "ebbwatch_outbox_depth"); ok && depth == 0 && !slices.ContainsFunc(k.inputs, func(in *killInput) bool { return !in.followed }) {
				d.cmd.Process.Signal(syscall.SIGTERM)
			}
			continue
		}
		if k.move() {
			select {
			case moved <- struct{}{}:
			default:
			}
		}
		k.disturb()
	}
}

// doom kills a daemon soon, at a moment of one of four kinds. The function that
// it returns is to be called when the daemon has ended.
func (k *killRun) doom(d *mortal, n int, moved <-chan struct{}) (over func()) {
	within := func(ms int64) time.Duration { return time.Duration(k.rand.Int64N(ms * int64(time.Millisecond))) }
	kill := func() { d.cmd.Process.Kill() }
	at := within(700) // any time
	switch n % 4 {
	case 0: // while it starts
		at = within(60)
	case 1: // about when an input has moved: its poll, its commit, its telling
		wait := within(200)
		go func() {
			<-moved // closed when the daemon has ended
			time.AfterFunc(wait, kill)
		}()
		at = time.Second
	case 2: // about a write to the journal
		f := k.journalWrites()
		writes, wait := 1+k.rand.IntN(24), within(2)
		go func() {
			defer f.Close()
			for range writes {
				if _, err := f.Read(make([]byte, 4096)); err != nil {
					return
				}
			}
			time.AfterFunc(wait, kill)
		}()
		limit := time.AfterFunc(time.Second, kill)
		return func() { limit.Stop(); f.Close() }
	}
	limit := time.AfterFunc(at, kill)
	return func() { limit.Stop() }
}

// journalWrites gives something to read at each write to the journal, inotify(7).
func (k *killRun) journalWrites() *os.File {
	k.t.Helper()
	fd, err := unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC)
	if err != nil {
		k.t.Fatal(err)
	}
	if _, err := unix.InotifyAddWatch(fd, k.state, unix.IN_MODIFY); err != nil {
		k.t.Fatal(err)
	}
	return os.NewFile(uintptr(fd), "inotify")
}

var activeAlarm = regexp.MustCompile(`(?m)^ebbwatch_alarm_active\{alarm="([^"]+)".*\} ([01])$`)

// follow notes which inputs a daemon has followed. An alarm is never seen to move
// without its twin, nor before its input.
func (k *killRun) follow(scrape string) {
	active := map[string]bool{}
	for _, m := range activeAlarm.FindAllStringSubmatch(scrape, -1) {
		active[m[1]] = m[2] == "1"
	}
	if len(active) == 0 {
		return
	}
	for _, in := range k.inputs {
		now := active[in.alarms[0]]
		for _, twin := range in.alarms {
			if active[twin] != now {
				k.t.Errorf("%s is %v and %s is %v: half of a step was committed", in.alarms[0], now, twin, active[twin])
			}
		}
		if in.followed && now != in.isBad() {
			k.t.Errorf("%v went back on what was committed", in.alarms)
		}
		in.followed = in.followed || now == in.isBad()
	}
}

// move sets some of the inputs that have been followed to their other value.
func (k *killRun) move() bool {
	moved := false
	for _, in := range k.inputs {
		if (in.followed || in.moves == 0) && k.rand.IntN(5) == 0 {
			in.moves++
			in.followed = false
			value := in.fine
			if in.isBad() {
				value = in.bad
			}
			k.server.Set(1, peertest.Holdings, in.address, value)
			moved = true
		}
	}
	return moved
}

// disturb lets the broker, or the way to it, go or come now and then.
func (k *killRun) disturb() {
	switch k.rand.IntN(150) {
	case 0:
		k.gate.Set(k.cut)
		k.cut = !k.cut
		if k.cut {
			k.cuts++
		}
	case 1:
		if k.stopped {
			k.broker.Start()
		} else {
			k.broker.Stop()
			k.ends++
		}
		k.stopped = !k.stopped
	}
}

// check compares what the journal holds, and what the subscriber was told, with
// what the inputs demanded. It returns how many messages told it.
func (k *killRun) check() int {
	j, err := journal.Open(k.state, journal.Options{Receivers: []string{receiver}})
	if err != nil {
		k.t.Fatal(err)
	}
	defer j.Close()
	if j.Lost() != "" {
		k.t.Errorf("a kill damaged the journal: %s", j.Lost())
	}
	var stored []alarms.Transition
	err = j.After(0, 1<<30, func(seq uint64, data []byte) bool {
		var tr alarms.Transition
		if err := json.Unmarshal(data, &tr); err != nil || tr.Sequence != seq || seq != uint64(len(stored)+1) {
			k.t.Errorf("event %d of the journal has sequence %d and holds %s (%v)", len(stored)+1, seq, data, err)
		}
		stored = append(stored, tr)
		return true
	})
	if err != nil {
		k.t.Fatal(err)
	}
	k.checkStored(stored)
	if acked, err := j.Acked(receiver); err != nil || acked != uint64(len(stored)) {
		k.t.Errorf("the broker has acknowledged %d of %d events (%v)", acked, len(stored), err)
	}
	return k.checkTold(stored)
}

// checkStored: each alarm rises and clears as often as its input moved, by turns.
func (k *killRun) checkStored(stored []alarms.Transition) {
	byAlarm := map[string][]alarms.Transition{}
	for _, tr := range stored {
		byAlarm[tr.After.Alarm] = append(byAlarm[tr.After.Alarm], tr)
	}
	for _, in := range k.inputs {
		for _, alarm := range in.alarms {
			mine, state := byAlarm[alarm], alarms.Normal
			delete(byAlarm, alarm)
			if len(mine) != in.moves {
				k.t.Errorf("%s moved %d times, its input %d times", alarm, len(mine), in.moves)
			}
			for i, tr := range mine {
				cause := alarms.Raised
				if i%2 == 1 {
					cause = alarms.Cleared
				}
				if tr.Cause != cause || tr.From != state || tr.To != tr.After.State || tr.To.Active() != (cause == alarms.Raised) || tr.After.Episode != uint64(i/2+1) {
					k.t.Errorf("move %d of %s is %s from %s to %s in episode %d, expected %s from %s in episode %d",
						i+1, alarm, tr.Cause, tr.From, tr.To, tr.After.Episode, cause, state, i/2+1)
				}
				state = tr.To
			}
		}
	}
	for alarm, trs := range byAlarm {
		k.t.Errorf("%s moved %d times, and no input demanded it: %+v", alarm, len(trs), trs[0])
	}
}

// checkTold: what the subscriber got is what is stored, every event at least once,
// first arrivals in order, and each under one id.
func (k *killRun) checkTold(stored []alarms.Transition) int {
	last := fmt.Sprintf("%020d", len(stored))
	k.sub.Wait("the last event", func(m peertest.Message) bool {
		e, ok := decodeEvent(m)
		return ok && e.Sequence == last
	})
	k.sub.End()
	all := k.sub.Messages()
	checkSequence(k.t, all, len(stored))
	ids := map[string]bool{}
	for _, m := range all {
		e, ok := decodeEvent(m)
		seq, err := strconv.Atoi(e.Sequence)
		if !ok || err != nil || seq < 1 || seq > len(stored) {
			k.t.Errorf("the subscriber got %s", m.Payload)
			continue
		}
		ids[e.ID] = true
		if tr := stored[seq-1]; e.Data.Alarm != tr.After.Alarm || e.Data.Cause != string(tr.Cause) || e.Data.To != string(tr.To) || e.Data.Episode != tr.After.Episode {
			k.t.Errorf("event %d was told as %s, stored as %+v", seq, m.Payload, tr)
		}
	}
	if len(ids) != len(stored) {
		k.t.Errorf("%d events were told under %d ids", len(stored), len(ids))
	}
	return len(all)
}
