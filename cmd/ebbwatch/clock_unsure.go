package main

import (
	"encoding/json"
	"os"
	"time"

	"ebbwatch/agent/journal"
	"ebbwatch/alarms"
)

// clockWait is how long the clock of a host that has just started is given to be
// set over the network. After that it is the plant's own clock, right or wrong.
const clockWait = 10 * time.Minute

// clockJudge tells whether what the clock shows may be wrong, as on a board without
// a battery for it. Nothing waits for the clock: alarms go at once, and are marked.
type clockJudge struct {
	started time.Time // when the daemon did, by the monotonic clock
	latest  time.Time // the clock is wrong when it shows less
	// synchronized reports whether the clock is set over the network; known is
	// false where the system does not say.
	synchronized func() (yes, known bool)
}

func newClockJudge(store *journal.Journal) *clockJudge {
	j := &clockJudge{started: time.Now(), synchronized: synchronized}
	if last := store.LastSequence(); last > 0 {
		// An event that cannot be read tells nothing; the journal says so itself.
		_ = store.After(last-1, 1, func(_ uint64, data []byte) bool {
			var t alarms.Transition
			if json.Unmarshal(data, &t) == nil && !t.ClockUnsure {
				j.latest = t.Time
			}
			return false
		})
	}
	return j
}

// firstTime is before any ebbwatch: an older clock begins at the year 1970 or at
// the making of the system's image.
var firstTime = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// unsure reports whether a time by the wall clock may be wrong.
func (j *clockJudge) unsure(now time.Time) bool {
	if now = now.Round(0); now.Before(firstTime) || now.Before(j.latest.Round(0)) {
		return true
	}
	yes, known := j.synchronized()
	return known && !yes && time.Since(j.started) < clockWait
}

// synchronizedFile is there once systemd-timesyncd has set the clock:
// systemd-timesyncd.service(8).
const synchronizedFile = "/run/systemd/timesync/synchronized"

func synchronized() (yes, known bool) {
	if _, err := os.Stat(synchronizedFile); err == nil {
		return true, true
	}
	return kernelSynchronized()
}
