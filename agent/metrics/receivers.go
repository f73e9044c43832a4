package metrics

import (
	"time"
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
	sent, passed, failing *Desc
}

func newReceivers(list func() []Receiver) *receivers {
	return &receivers{
		list:    list,
		sent:    desc("receiver_sent_total", "Notices and events that the receiver has taken.", "receiver"),
		passed:  desc("receiver_passed_over_total", "Notices and events given up, since the receiver refused them for too long.", "receiver"),
		failing: desc("receiver_failing_seconds", "How long nothing was taken although there was something to tell, 0 when all goes well.", "receiver"),
	}
}

// Collect implements Collector.
func (r *receivers) Collect(out *Samples) {
	for _, one := range r.list() {
		failing := 0.0
		if !one.Failing.IsZero() {
			failing = time.Since(one.Failing).Seconds() // drains run on the real time
		}
		out.Count(r.sent, float64(one.Sent), one.Name)
		out.Count(r.passed, float64(one.Passed), one.Name)
		out.Gauge(r.failing, failing, one.Name)
	}
}
