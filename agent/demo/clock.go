package demo

import (
	"sync"
	"time"
)

// longestTick is the longest real time that counts between two ticks. A machine
// that stands still for seconds would else leap over hours of simulated time, and
// everything would be stale at once.
const longestTick = 250 * time.Millisecond

// fastClock runs faster than real time, while it is ticked.
type fastClock struct {
	speed float64

	mu        sync.Mutex
	simulated time.Time
	real      time.Time // when simulated held
}

// now is the simulated time. It never goes back.
func (c *fastClock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at(time.Now())
}

func (c *fastClock) at(real time.Time) time.Time {
	passed := min(real.Sub(c.real), longestTick)
	return c.simulated.Add(time.Duration(float64(passed) * c.speed))
}

// tick lets the clock go on, and returns the simulated time.
func (c *fastClock) tick() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	real := time.Now()
	c.simulated, c.real = c.at(real), real
	return c.simulated
}
