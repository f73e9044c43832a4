package main

import (
	"sync"
	"time"
)

// steadyClock is the host's clock. Its wall clock goes on as the monotonic one does,
// to the nanosecond, until the host's was set: so a recording that has the one can
// give back the other.
type steadyClock struct {
	host func() time.Time

	mu   sync.Mutex
	base time.Time
}

// astray is how far the two may be apart before the wall clock counts as set. They are
// not read at the same instant.
const astray = 100 * time.Millisecond

func (c *steadyClock) now() time.Time {
	now := c.host()
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.base.IsZero() {
		steady := c.base.Add(now.Sub(c.base)) // by the monotonic clock
		if now.Round(0).Sub(steady.Round(0)).Abs() <= astray {
			return steady
		}
	}
	c.base = now
	return now
}
