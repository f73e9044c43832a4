package demo

import (
	"testing"
	"testing/synctest"
	"time"
)

func TestClockLeapsOverNoStandstill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Date(2026, 3, 2, 5, 0, 0, 0, time.UTC)
		c := fastClock{speed: 600, simulated: start, real: time.Now()}
		for range 50 {
			<-time.After(20 * time.Millisecond)
			c.tick()
		}
		if got := c.now().Sub(start); got != 10*time.Minute {
			t.Errorf("a real second is %s, expected 10 min", got)
		}
		before := c.now()
		<-time.After(time.Minute) // the machine stands still
		if got := c.now().Sub(before); got != 150*time.Second {
			t.Errorf("after a standstill %s have passed, expected a quarter of a second's worth", got)
		}
		at := c.now()
		if c.tick(); c.now().Before(at) {
			t.Error("a tick took the clock back")
		}
	})
}
