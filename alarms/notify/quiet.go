package notify

import "time"

// LeastPerDay is the least of Options.BytesPerDay.
const LeastPerDay = 2 * unbounded

const (
	// unbounded is what goes in a quiet day whatever the bound, in bytes: heartbeats
	// and what keeps the connection, with what TLS, TCP and IP add.
	unbounded = 3_000_000
	// What TLS, TCP and IP add to a message that is acknowledged, both ways together,
	// and to one that is not, with its share of the probes.
	ackedExtra, figureExtra = 260, 200
)

// size is what a message takes on the way to the broker, in bytes.
func (m message) size() int { return len(m.topic) + len(m.payload) + 7 }

// cost is what a message adds to the day, in bytes.
func (m message) cost() int {
	if m.qos == 0 {
		return m.size() + figureExtra
	}
	return m.size() + ackedExtra
}

// due reports whether it is time for another round of figures or of values, each
// of which has half of what the bound leaves. The last one came to cost bytes.
func (p *Publisher) due(last time.Time, every time.Duration, cost int) bool {
	if p.o.BytesPerDay > 0 {
		share := float64(p.o.BytesPerDay-unbounded) / 2
		every = max(every, time.Duration(float64(cost)/share*float64(24*time.Hour)))
	}
	return time.Since(last) >= every
}
