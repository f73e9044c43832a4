package metrics

import (
	"github.com/prometheus/client_golang/prometheus"

	"ebbwatch/agent"
)

// performance turns the health figures of the alarm system into metrics at each
// scrape.
type performance struct {
	snapshot                                  func() *agent.Snapshot
	calls, peak, busy                         *prometheus.Desc
	watched, flood, inFlood                   *prometheus.Desc
	chattering, stale, withheld, bursts, gone *prometheus.Desc
	load, share                               *prometheus.Desc
}

func newPerformance(snapshot func() *agent.Snapshot) *performance {
	return &performance{
		snapshot:   snapshot,
		calls:      desc("annunciations", "Calls for people by alarms, of the last 10 min, hour, day and 30 days.", "window"),
		watched:    desc("annunciations_watched_seconds", "Time that the figures of 30 days cover."),
		peak:       desc("annunciations_peak", "Most calls in 10 min within 30 days; over 10 are too many."),
		busy:       desc("annunciations_busy_spans", "Spans of 10 min with over 10 calls, and of an hour with over 30, within 30 days.", "length"),
		flood:      desc("alarm_flood", "1 from over 10 calls in 10 min until fewer than 5."),
		inFlood:    desc("alarm_flood_seconds", "Time in flood within 30 days."),
		chattering: desc("alarms_chattering", "Alarms that called three times within the last minute."),
		stale:      desc("alarms_stale", "Alarms that have stood for over 24 h."),
		withheld:   desc("alarms_withheld", "Alarms that are shelved, suppressed or out of service."),
		bursts:     desc("alarm_chatter_bursts_total", "Times that an alarm began to chatter."),
		gone:       desc("alarms_fleeting_total", "Alarms that were gone before anyone could act."),
		load:       desc("alarm_annunciations", "Calls within 30 days of the ten alarms that called most.", "alarm"),
		share:      desc("alarm_top_ten_ratio", "Share of these ten in all calls."),
	}
}

// Describe implements prometheus.Collector.
func (p *performance) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{
		p.calls, p.watched, p.peak, p.busy, p.flood, p.inFlood, p.chattering,
		p.stale, p.withheld, p.bursts, p.gone, p.load, p.share,
	} {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (p *performance) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		send(ch, d, prometheus.GaugeValue, v, labels...)
	}
	f := &p.snapshot().Performance
	gauge(p.calls, float64(f.Last10Minutes), "10m")
	gauge(p.calls, float64(f.LastHour), "1h")
	gauge(p.calls, float64(f.LastDay), "1d")
	gauge(p.calls, float64(f.Annunciations), "30d")
	gauge(p.watched, f.Watched.Seconds())
	gauge(p.peak, float64(f.Peak))
	gauge(p.busy, float64(f.BusySpans), "10m")
	gauge(p.busy, float64(f.BusyHours), "1h")
	gauge(p.flood, bit(f.Flood))
	gauge(p.inFlood, f.TimeInFlood.Seconds())
	gauge(p.chattering, float64(len(f.Chattering)))
	gauge(p.stale, float64(f.Stale))
	gauge(p.withheld, float64(f.Withheld))
	for _, l := range f.Top {
		gauge(p.load, float64(l.Annunciations), l.Alarm)
	}
	gauge(p.share, f.TopShare)
	send(ch, p.bursts, prometheus.CounterValue, float64(f.Bursts))
	send(ch, p.gone, prometheus.CounterValue, float64(f.Fleeting))
}
