package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Times are the histograms of what was waited for. Their methods may be called
// from any goroutine.
type Times struct {
	poll    *prometheus.HistogramVec
	publish prometheus.Histogram
}

// NewTimes returns empty histograms. The lines are there from the start, so that
// a rate sees the first poll.
func NewTimes(lines []string) *Times {
	t := &Times{
		poll: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: prefix + "poll_duration_seconds", Help: "Time that a poll of an instrument held its line.",
			// From one question over a network to a serial line with a dead unit.
			Buckets: []float64{0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5},
		}, []string{"line"}),
		publish: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: prefix + "publish_duration_seconds", Help: "Time until the broker acknowledged a message.",
			// From a broker on this machine to one behind a slow link.
			Buckets: []float64{0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30},
		}),
	}
	for _, line := range lines {
		t.poll.WithLabelValues(text(line))
	}
	return t
}

// Polled counts a poll of an instrument on a line.
func (t *Times) Polled(line string, took time.Duration) {
	t.poll.WithLabelValues(text(line)).Observe(took.Seconds())
}

// Published counts a message that the broker has acknowledged.
func (t *Times) Published(took time.Duration) { t.publish.Observe(took.Seconds()) }
