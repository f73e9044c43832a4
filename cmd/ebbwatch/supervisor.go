package main

import (
	"cmp"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"

	"ebbwatch/agent"
	"ebbwatch/alarms"
)

// supervisor tells systemd that the watching has begun and goes on, by datagrams
// to the socket that it names: sd_notify(3), sd_watchdog_enabled(3). The owner
// goroutine feeds it after each step, so that a standstill gets the process
// restarted.
type supervisor struct {
	socket net.Conn
	every  time.Duration // between two datagrams
	told   time.Time
}

// statusEvery is how often the status is told where no watchdog is asked for.
const statusEvery = 10 * time.Second

// newSupervisor returns nil when nothing supervises this process.
func newSupervisor(getenv func(string) string, pid int) (*supervisor, error) {
	name := getenv("NOTIFY_SOCKET")
	if name == "" {
		return nil, nil
	}
	socket, err := net.Dial("unixgram", name) // a leading @ is for an abstract one
	if err != nil {
		return nil, fmt.Errorf("cannot tell systemd anything over NOTIFY_SOCKET: %w: let the unit have Type=notify and AF_UNIX, or unset it", err)
	}
	s := &supervisor{socket: socket, every: statusEvery}
	// WATCHDOG_PID is missing or ours, or the watchdog is for another process.
	if limit := getenv("WATCHDOG_USEC"); limit != "" && cmp.Or(getenv("WATCHDOG_PID"), strconv.Itoa(pid)) == strconv.Itoa(pid) {
		us, err := strconv.ParseInt(limit, 10, 64)
		if err != nil || us <= 0 || us > int64(24*time.Hour/time.Microsecond) {
			socket.Close()
			return nil, fmt.Errorf("WATCHDOG_USEC is %q, expected microseconds up to a day: give WatchdogSec in the unit", limit)
		}
		// A quarter: one datagram or two may be lost. sd_watchdog_enabled(3) asks for
		// half at most.
		s.every = min(s.every, time.Duration(us)*time.Microsecond/4)
	}
	return s, nil
}

// step is called by the owner goroutine after each step. The first step is made
// before anything is polled; with the second the loop stands, whatever the
// instruments answer: a dead line is a reason to watch, not to be restarted.
func (s *supervisor) step(now *agent.Snapshot, _ []alarms.Transition) {
	if now.Steps < 2 || !s.told.IsZero() && now.Stepped.Sub(s.told) < s.every {
		return
	}
	text := "WATCHDOG=1\nSTATUS=" + statusLine(now)
	if s.told.IsZero() {
		text = "READY=1\n" + text
	}
	if s.tell(text) == nil {
		s.told = now.Stepped
	}
}

// tell gives up soon, since the owner goroutine waits for it; the next step tries
// again.
func (s *supervisor) tell(text string) error {
	if err := s.socket.SetWriteDeadline(time.Now().Add(20 * time.Millisecond)); err != nil {
		return err
	}
	_, err := s.socket.Write([]byte(text))
	return err
}

func (s *supervisor) stopping() { _ = s.tell("STOPPING=1") }

// statusLine is what systemctl status shows.
func statusLine(now *agent.Snapshot) string {
	usable := 0
	for i := range now.Figures {
		if now.Figures[i].Quality.Usable() {
			usable++
		}
	}
	standing := map[alarms.Priority]int{}
	for i := range now.Conditions {
		if now.Conditions[i].State != alarms.Normal {
			standing[now.Conditions[i].Priority]++
		}
	}
	var stand []string
	for _, p := range alarms.Priorities {
		if standing[p] > 0 {
			stand = append(stand, fmt.Sprintf("%d %s", standing[p], p))
		}
	}
	text := fmt.Sprintf("%d of %d figures known; alarms: %s", usable, len(now.Figures), cmp.Or(strings.Join(stand, ", "), "none"))
	if now.StoreError != nil {
		text += "; the journal cannot be written"
	}
	return text
}
