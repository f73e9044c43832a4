package metrics

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Receiver is one who is told over mail or webhook: a person on a channel, or a
// web server that gets every event.
type Receiver struct {
	Name string
	// Sent counts what was taken since start, Passed what was given up.
	Sent, Passed uint64
	// Failing is since when nothing was taken although there was something to
	// tell, the zero time when all goes well.
	Failing time.Time
}

// receivers turns receivers into metrics at each scrape.
type receivers struct {
	list                  func() []Receiver
	sent, passed, failing *prometheus.Desc
}

func newReceivers(list func() []Receiver) *receivers {
	return &receivers{
		list:    list,
		sent:    desc("receiver_sent_total", "Notices and events that the receiver has taken.", "receiver"),
		passed:  desc("receiver_passed_over_total", "Notices and events given up, since the receiver refused them for too long.", "receiver"),
		failing: desc("receiver_failing_seconds", "How long nothing was taken although there was something to tell, 0 when all goes well.", "receiver"),
	}
}

// Describe implements prometheus.Collector.
func (r *receivers) Describe(ch chan<- *prometheus.Desc) {
	ch <- r.sent
	ch <- r.passed
	ch <- r.failing
}

// Collect implements prometheus.Collector.
func (r *receivers) Collect(ch chan<- prometheus.Metric) {
	for _, one := range r.list() {
		failing := 0.0
		if !one.Failing.IsZero() {
			failing = time.Since(one.Failing).Seconds() // drains run on the real time
		}
		send(ch, r.sent, prometheus.CounterValue, float64(one.Sent), one.Name)
		send(ch, r.passed, prometheus.CounterValue, float64(one.Passed), one.Name)
		send(ch, r.failing, prometheus.GaugeValue, failing, one.Name)
	}
}
