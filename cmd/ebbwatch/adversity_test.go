package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"ebbwatch/agent/journal"
	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"
)

// hardTimes is a daemon whose state folder the test spoils, with its peers.
type hardTimes struct {
	daemon
	t      *testing.T
	state  string // the folder
	site   string
	server *peertest.ModbusTCP
	sub    *peertest.Subscriber
}

func newHardTimes(t *testing.T, state string) *hardTimes {
	h := &hardTimes{t: t, state: state}
	h.server = peertest.Libmodbus(t, peertest.Map{1: {peertest.Holdings: {0: {120}, 1: {120}, 2: {0}}}})
	broker := peertest.Mosquitto(t, peertest.Login{})
	h.sub = broker.Subscribe(1, root+"event")
	h.site = filepath.Join(t.TempDir(), "site.yaml")
	text := fmt.Sprintf(killSite, broker.URL(), h.server.Addr())
	text = strings.Replace(text, "state_dir: state", "state_dir: "+state, 1)
	if err := os.WriteFile(h.site, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return h
}

func (h *hardTimes) start() { h.daemon = startDaemon(h.t, h.site) }

func (h *hardTimes) file() string { return filepath.Join(h.state, "journal.db") }

// gas moves the detector over its levels, or back.
func (h *hardTimes) gas(over bool) {
	value := uint16(0)
	if over {
		value = 150
	}
	h.server.Set(1, peertest.Holdings, 2, value)
}

// told waits until an event has come n times in all, and returns the last.
func (h *hardTimes) told(alarm, cause string, n int) event {
	h.t.Helper()
	fits, seen := isEvent(alarm, cause), 0
	e, _ := decodeEvent(h.sub.Wait(fmt.Sprintf("%s %s, time %d", alarm, cause, n), func(m peertest.Message) bool {
		if fits(m) {
			seen++
		}
		return seen == n
	}))
	return e
}

// remembered ends the daemon and checks that its journal holds what was told, as
// far back as the journal goes, and nothing else.
func (h *hardTimes) remembered() {
	h.t.Helper()
	eventually(h.t, "the broker has acknowledged everything", func() bool {
		depth, ok := metric(h.get(h.t, "/metrics").body, "ebbwatch_outbox_depth")
		return ok && depth == 0
	})
	h.stop()
	j, err := journal.Open(h.state, journal.Options{Receivers: []string{receiver}})
	if err != nil {
		h.t.Fatal(err)
	}
	defer j.Close()
	if j.Lost() != "" || j.Depth() != 0 {
		h.t.Errorf("the journal lost %q, and has %d events to tell", j.Lost(), j.Depth())
	}
	var stored, told []string
	err = j.After(0, 1<<30, func(seq uint64, data []byte) bool {
		var tr alarms.Transition
		if err := json.Unmarshal(data, &tr); err != nil {
			h.t.Error(err)
		}
		stored = append(stored, fmt.Sprintf("%020d %s %s", seq, tr.After.Alarm, tr.Cause))
		return true
	})
	if err != nil {
		h.t.Fatal(err)
	}
	ids := map[string]bool{}
	for _, m := range h.sub.Messages() {
		if e, ok := decodeEvent(m); ok && !ids[e.ID] {
			ids[e.ID] = true
			told = append(told, fmt.Sprintf("%s %s %s", e.Sequence, e.Data.Alarm, e.Data.Cause))
		}
	}
	told = told[max(0, len(told)-len(stored)):]
	if strings.Join(stored, "\n") != strings.Join(told, "\n") || len(stored) == 0 {
		h.t.Errorf("stored:\n%s\ntold:\n%s", strings.Join(stored, "\n"), strings.Join(told, "\n"))
	}
}

// A journal that is missing or cut when the daemon starts: it starts all the
// same, says that the history is lost, and judges everything anew.
func TestWithoutItsJournal(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		reason, says string
		spoil        func(path string) error
	}{
		{"missing", "is missing", os.Remove},
		{"cut", "was damaged", func(path string) error { return os.Truncate(path, 20_000) }},
	} {
		t.Run(c.reason, func(t *testing.T) {
			t.Parallel()
			h := newHardTimes(t, filepath.Join(t.TempDir(), "state"))
			h.start()
			h.gas(true)
			h.told("gas-1-level-1", "raised", 1)
			h.stop()
			if err := c.spoil(h.file()); err != nil {
				t.Fatal(err)
			}
			h.start()
			if e := h.told("journal-lost", "raised", 1); !strings.Contains(e.Data.What, c.says) {
				t.Errorf("the alarm says %q", e.Data.What)
			}
			if e := h.told("gas-1-level-2", "raised", 2); e.Data.Episode != 1 {
				t.Errorf("the trip is told anew as episode %d", e.Data.Episode)
			}
			h.gas(false)
			h.told("gas-1-level-2", "cleared", 1)
			h.remembered()
		})
	}
}

// A disk that cannot be written, at the start or while the daemon runs: trips are
// told, and so is that nothing is remembered; once it can be written, all of it is
// on it.
func TestWithoutADisk(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		reason, says  string
		disk          func(testing.TB) *peertest.Disk
		before, after func(h *hardTimes, d *peertest.Disk) (mend func()) // the start
		cleared       bool                                               // wait for it too, which takes 10 s
	}{
		{"read-only at the start", "the disk is read-only", smallDisk, func(_ *hardTimes, d *peertest.Disk) func() {
			d.SetReadOnly(true)
			return func() { d.SetReadOnly(false) }
		}, nil, true},
		{"full at the start", "free some space", smallDisk, func(_ *hardTimes, d *peertest.Disk) func() {
			d.Fill()
			return d.Empty
		}, nil, false},
		{"full later", "free some space", smallDisk, nil, func(h *hardTimes, d *peertest.Disk) func() {
			d.Fill()
			for n := 1; !h.failing(); n++ { // until the file has to grow
				h.gas(true)
				h.told("gas-1-level-1", "raised", n)
				h.gas(false)
				h.told("gas-1-level-1", "cleared", n)
			}
			return d.Empty
		}, false},
		{"does not answer", "has not answered", peertest.NewFreezer, nil, func(_ *hardTimes, d *peertest.Disk) func() {
			return d.Freeze()
		}, false},
	} {
		t.Run(c.reason, func(t *testing.T) {
			t.Parallel()
			d := c.disk(t)
			h := newHardTimes(t, filepath.Join(d.Dir, "state"))
			if err := os.Mkdir(h.state, 0o750); err != nil {
				t.Fatal(err)
			}
			var mend func()
			if c.before != nil {
				mend = c.before(h, d)
			}
			h.start()
			eventually(t, "the daemon polls", func() bool { return strings.Contains(h.get(t, "/readyz").body, "polling: ok") })
			if c.after != nil {
				mend = c.after(h, d)
			}
			n := 1
			for _, m := range h.sub.Messages() {
				if isEvent("gas-1-level-2", "raised")(m) {
					n++
				}
			}
			h.gas(true)
			h.told("gas-1-level-2", "raised", n)
			if e := h.told("journal-failing", "raised", 1); !strings.Contains(e.Data.What, c.says) {
				t.Errorf("the alarm says %q, expected %q", e.Data.What, c.says)
			}
			if r := h.get(t, "/readyz"); r.code != 503 || !strings.Contains(r.body, "journal: ") {
				t.Errorf("/readyz gives %d %q", r.code, r.body)
			}
			h.gas(false)
			h.told("gas-1-level-2", "cleared", n)
			mend()
			eventually(t, "the disk takes what was held", func() bool { return !h.failing() })
			if c.cleared {
				h.told("journal-failing", "cleared", 1)
			}
			h.remembered()
		})
	}
}

func smallDisk(t testing.TB) *peertest.Disk { return peertest.NewDisk(t, 512) }

func (h *hardTimes) failing() bool {
	v, ok := metric(h.get(h.t, "/metrics").body, "ebbwatch_journal_failing")
	return ok && v == 1
}
