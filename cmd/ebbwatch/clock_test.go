package main

import (
	"testing"
	"time"
)

// Both clocks of every time go on alike, also when asked by many at once, and by whole
// milliseconds; a clock that was set is followed, once.
func TestSteadyClock(t *testing.T) {
	var ahead time.Duration
	c := steadyClock{host: func() time.Time { return setAhead(t, time.Now(), ahead) }}
	for _, tc := range []struct {
		reason string
		ahead  time.Duration
	}{{"right", 0}, {"an hour ahead", time.Hour}, {"an hour back", -time.Hour}} {
		ahead = tc.ahead
		first := c.now()
		if off := first.Round(0).Sub(time.Now().Round(0)) - ahead; off.Abs() > astray {
			t.Errorf("%s: the clock is %s off", tc.reason, off)
		}
		last := first
		for range 5000 {
			now := c.now()
			if now.Sub(first) != now.Round(0).Sub(first.Round(0)) || now.Sub(last) < 0 || now.Nanosecond()%1e6 != 0 {
				t.Fatalf("%s: %s after %s: monotonic %s, wall %s", tc.reason, now, first, now.Sub(first), now.Round(0).Sub(first.Round(0)))
			}
			last = now
		}
	}
}
