package agent

import (
	"cmp"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// midnight is where a synctest bubble begins.
var midnight = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// outside is a time with a monotonic clock, which those in a bubble lack.
var outside = time.Now()

// present is the bubble's time with a monotonic clock, and the wall clock a while
// away from it, as a step of the host's clock would leave it.
func present(t *testing.T, astray time.Duration, zone *time.Location) time.Time {
	t.Helper()
	true := time.Now()
	now := outside.Add(true.Sub(midnight)) // moves both clocks
	by := true.Add(astray).Sub(now.Round(0))
	before := now
	// The package time has no call that moves one of them, or that gives a time
	// another zone and leaves it its monotonic clock.
	inside := (*struct {
		wall uint64 // 1 bit for having a monotonic clock, 33 for seconds, 30 for nanoseconds
		ext  int64
		loc  *time.Location
	})(unsafe.Pointer(&now))
	inside.wall += uint64(int64(by)/int64(time.Second)) << 30
	inside.loc = zone
	if now.Sub(before) != 0 || now.Sub(outside) != true.Sub(midnight) || now.Location() != zone || (now.Round(0).Sub(true)-astray).Abs() >= time.Second {
		t.Fatalf("%s moved by %s is %s: the inside of time.Time is no longer what this test knows", before, by, now)
	}
	return now
}

const day = 24 * time.Hour

// wall is what the host's clock shows at a second of the run: a step at second
// `at`, in the middle of the on-delay.
type wall struct {
	reason        string
	before, after time.Duration
	zone          string
	clock         string // what the last heartbeat says of it
}

// The run begins at midnight of 1 January 2000, UTC.
var walls = []wall{
	{"right all the time", 0, 0, "UTC", "steady"},
	{"an hour forward", 0, time.Hour, "UTC", "stepped"},
	{"an hour back", 0, -time.Hour, "UTC", "stepped"},
	{"a day forward", 0, day, "UTC", "stepped"},
	{"a day back", 0, -day, "UTC", "stepped"},
	{"a second forward, as a leap second makes it", 0, time.Second, "UTC", "steady"},
	{"no clock at boot, then the right time", -10957 * day, 0, "UTC", "stepped"},
	{"no clock at all", -10957 * day, -10957 * day, "UTC", "steady"},
	// 2 April and 29 October 2000, 02:00 local time, 12 s after the start.
	{"daylight saving begins", 92*day + 9*time.Hour - 12*time.Second, 92*day + 9*time.Hour - 12*time.Second, "America/Denver", "steady"},
	{"daylight saving ends", 302*day + 8*time.Hour - 12*time.Second, 302*day + 8*time.Hour - 12*time.Second, "America/Denver", "steady"},
}

// stride is how a run under a wall clock differs from the monotonic truth: what
// was told, and when.
func (w wall) run(t *testing.T, store *memoryStore, values func(second int) float64, d time.Duration) (told []string, r rig) {
	zone, err := time.LoadLocation(w.zone)
	if err != nil {
		t.Skip(err) // a machine without the time zones
	}
	start := time.Now()
	now := func() time.Time {
		by := w.before
		if time.Since(start) >= 12*time.Second {
			by = w.after
		}
		return present(t, by, zone)
	}
	began := now()
	r = newRigAt(t, store, script(func(s int) []reading.Reading {
		return []reading.Reading{{Point: "residual", Value: values(s), Quality: reading.GoodQuality(), Time: now()}}
	}), now)
	r.runFor(t, d)
	for _, tr := range r.told.told {
		told = append(told, fmt.Sprintf("%s %s %s", tr.Time.Sub(began), tr.After.Alarm, tr.Cause))
	}
	return told, r
}

// A wall clock that is stepped, wrong or in daylight saving raises, clears, loses
// and delays nothing. (Scenarios: the step comes within the on-delay, 2 s after
// the water went bad; later it goes good and the alarm clears after its
// off-delay.)
func TestNoWallClockMovesAnAlarm(t *testing.T) {
	for _, w := range walls {
		t.Run(w.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				store := &memoryStore{}
				told, r := w.run(t, store, func(s int) float64 {
					if s >= 10 && s < 30 {
						return 0.1
					}
					return 1
				}, 2*time.Minute)
				if want := []string{"15s residual-low raised", "35s residual-low cleared"}; !slices.Equal(told, want) {
					t.Errorf("told %q, want %q", told, want)
				}
				beats := r.told.beats
				if got := beats[len(beats)-1].Clock; got != w.clock {
					t.Errorf("the heartbeat says that the clock is %s, expected %s", got, w.clock)
				}
				for i, b := range beats {
					if b.Sequence != uint64(i+1) || b.LoopAge > time.Second || b.WorstInstrumentAge > time.Second {
						t.Errorf("heartbeat %d: %+v", i, b)
					}
				}
				if n := r.told.last.Steps; n < 240 || n > 244 {
					t.Errorf("%d steps in two minutes, expected one for each reading and each second", n)
				}
			})
		})
	}
}

// An alarm that stands when the power fails stands after it, under whatever clock
// the host wakes up with, in the same episode; and it clears when the water does.
func TestRestartUnderAnotherClock(t *testing.T) {
	for _, w := range walls {
		t.Run(w.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				store := &memoryStore{}
				bad := func(int) float64 { return 0.1 }
				if told, _ := walls[0].run(t, store, bad, 20*time.Second); !slices.Equal(told, []string{"5s residual-low raised"}) {
					t.Fatalf("told %q", told)
				}
				told, r := w.run(t, store, bad, 2*time.Minute)
				if len(told) != 0 {
					t.Errorf("after the restart, told %q", told)
				}
				i := slices.IndexFunc(r.Snapshot().Conditions, func(c alarms.Condition) bool { return c.Alarm == "residual-low" })
				if c := r.Snapshot().Conditions[i]; c.State != alarms.Unacknowledged || c.Episode != 1 {
					t.Errorf("after the restart the alarm is %s in episode %d", c.State, c.Episode)
				}
				told, _ = w.run(t, store, func(int) float64 { return 1 }, time.Minute)
				if want := []string{"5s residual-low cleared"}; !slices.Equal(told, want) {
					t.Errorf("told %q, want %q", told, want)
				}
			})
		})
	}
}

// A host that sleeps for 20 min tells nothing by mere lapse of time: what was
// read before is stale, and what is read next is judged by itself. (The
// monotonic clock of Linux stands still in a suspend; a stopped process or a
// paused virtual machine sees it jump.)
func TestSuspendedHost(t *testing.T) {
	for _, c := range []struct {
		reason string
		woken  func(t *testing.T) time.Time
		gap    time.Duration // that the heartbeat tells
	}{
		{"suspended", func(t *testing.T) time.Time { return present(t, 20*time.Minute, time.UTC) }, 0},
		{"stopped", func(t *testing.T) time.Time { return present(t, 0, time.UTC).Add(20 * time.Minute) }, 20 * time.Minute},
	} {
		for _, water := range []struct {
			reason string
			value  func(second int) float64
			want   string
		}{
			{"good", func(int) float64 { return 1 }, ""},
			// Three of the five seconds were still to come.
			{"bad 2 s before and after", func(s int) float64 { return map[bool]float64{true: 0.1, false: 1}[s >= 10] }, "residual-low raised; "},
			{"bad 2 s before, good after", func(s int) float64 { return map[bool]float64{true: 0.1, false: 1}[s >= 10 && s < 12] }, ""},
		} {
			t.Run(c.reason+", "+water.reason, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					start := time.Now()
					now := func() time.Time {
						if time.Since(start) >= 12*time.Second {
							return c.woken(t)
						}
						return present(t, 0, time.UTC)
					}
					began := now()
					r := newRigAt(t, &memoryStore{}, script(func(s int) []reading.Reading {
						return []reading.Reading{{Point: "residual", Value: water.value(s), Quality: reading.GoodQuality(), Time: now()}}
					}), now)
					r.runFor(t, time.Minute)
					if got := r.told.story(); got != water.want {
						t.Fatalf("told %q, want %q", got, water.want)
					}
					for _, tr := range r.told.told {
						if awake := tr.Time.Sub(began) - c.gap; awake < 15*time.Second || awake > 17*time.Second {
							t.Errorf("raised %s after the start, not counting the sleep: expected 5 s of bad water", awake)
						}
					}
					longest := slices.MaxFunc(r.told.beats, func(a, b Heartbeat) int { return cmp.Compare(a.LoopAge, b.LoopAge) })
					if longest.LoopAge < c.gap {
						t.Errorf("no heartbeat tells of the gap: the longest is %s", longest.LoopAge)
					}
				})
			})
		}
	}
}

// An event that was committed while the clock was not sure says so, for ever.
func TestEventsAreMarkedWhileTheClockIsUnsure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		start := time.Now()
		r := newRigAt(t, store, script(func(s int) []reading.Reading {
			value := 1.0
			if s >= 10 && s < 30 {
				value = 0.1
			}
			return []reading.Reading{{Point: "residual", Value: value, Quality: reading.GoodQuality(), Time: time.Now()}}
		}), nil)
		r.Agent.o.ClockUnsure = func(time.Time) bool { return time.Since(start) < 20*time.Second }
		r.runFor(t, 2*time.Minute)
		if len(store.events) != 2 || !store.events[0].ClockUnsure || store.events[1].ClockUnsure {
			t.Errorf("the events are %+v", store.events)
		}
	})
}
