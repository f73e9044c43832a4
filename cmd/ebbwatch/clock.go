package main

import (
	"sync"
	"time"
)

// steadyClock is the host's clock, in whole milliseconds. Its wall clock goes on
// exactly as the monotonic one does, until the host's was set: so a recording that has
// the one gives back the other.
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
	steady := c.base.Add(now.Sub(c.base).Truncate(time.Millisecond)) // by the monotonic clock
	if c.base.IsZero() || now.Round(0).Sub(steady.Round(0)).Abs() > astray {
		c.base = now.Add(-time.Duration(now.Nanosecond()) % time.Millisecond)
		return c.base
	}
	return steady
}
