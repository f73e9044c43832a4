// Package metrics lets a scraper pull every figure, alarm and count of a running
// agent, and answers whether the process is alive and ready.
//
// A figure that is bad is left out, never shown with its last value;
// ebbwatch_quality says why. Values are in base units: grams, seconds, degrees
// Celsius; mg/L equals grams per cubic metre and keeps its trade name.
package metrics

import (
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// Line is the work of one field line since start.
type Line struct {
	Name     string
	Polls    uint64
	Errors   map[string]uint64
	Cycle    time.Duration
	Overruns uint64
	// Discarded is the bytes that arrived although nobody had asked for them.
	Discarded uint64
}

// Telling is how the telling goes: the events still to be told and the notices
// sent.
type Telling struct {
	Depth             int
	Oldest            time.Time // zero when Depth is 0
	Connected         bool
	Sent, Acked, Late uint64
	// Dropped counts events for which no bound left room.
	Dropped uint64
}

// Source is what is scraped.
type Source struct {
	Snapshot func() *agent.Snapshot
	Lines    func() []Line
	Telling  func() Telling
	Now      func() time.Time
	// StepAge is the real time since the evaluating loop last stepped.
	StepAge func() time.Duration
	Version string
	Commit  string
}

// collector turns a Source into metrics at each scrape.
type collector struct {
	src     Source
	figures map[figureKey]figureDesc
	fixed   fixedDescs
}

type figureKey struct {
	kind     plant.Kind
	quantity plant.Quantity
}

// figureDesc is how one kind of figure is shown.
type figureDesc struct {
	desc, low, high *prometheus.Desc
	// extra is the value of a second label, such as the organism.
	extra []string
	// factor turns the SI value into the metric's unit.
	factor float64
}

type fixedDescs struct {
	reading, age, quality                       *prometheus.Desc
	active, unacknowledged, standing            *prometheus.Desc
	polls, errors, cycle, overruns, discarded   *prometheus.Desc
	depth, oldest, connected, sent, acked, late *prometheus.Desc
	journalFailing, dropped                     *prometheus.Desc
	steps, lastStep, sequence, build            *prometheus.Desc
}

const prefix = "ebbwatch_"

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(prefix+name, help, labels, nil)
}

// NewCollector makes a collector over src.
func NewCollector(src Source) prometheus.Collector {
	c := &collector{src: src, figures: map[figureKey]figureDesc{}}
	add := func(k plant.Kind, q plant.Quantity, name, help string, factor float64, labelsAndExtra ...string) {
		labels := []string{string(k)}
		var extra []string
		if len(labelsAndExtra) == 2 {
			labels, extra = append(labels, labelsAndExtra[0]), labelsAndExtra[1:]
		}
		c.figures[figureKey{k, q}] = figureDesc{
			desc:  desc(name, help, labels...),
			low:   desc(name+"_low", help+" Lower end of the 90 % interval.", labels...),
			high:  desc(name+"_high", help+" Upper end of the 90 % interval.", labels...),
			extra: extra, factor: factor,
		}
	}
	add(plant.SegmentKind, plant.T10, "segment_t10_seconds", "Contact time that 90 % of the water exceeds.", 1)
	add(plant.SegmentKind, plant.CT, "segment_ct_mg_min_per_litre", "CT: residual times T10.", 1)
	const required = "CT required for the log inactivation that disinfection owes."
	add(plant.SegmentKind, plant.CTRequiredGiardia, "segment_ct_required_mg_min_per_litre", required, 1, "organism", "giardia")
	add(plant.SegmentKind, plant.CTRequiredVirus, "segment_ct_required_mg_min_per_litre", required, 1, "organism", "virus")
	add(plant.SegmentKind, plant.InactivationRatio, "segment_inactivation_ratio", "CT over the required CT, the lower of Giardia and virus.", 1)
	const logs = "Log inactivation achieved, not capped."
	add(plant.SegmentKind, plant.GiardiaLog, "segment_inactivation_log", logs, 1, "organism", "giardia")
	add(plant.SegmentKind, plant.VirusLog, "segment_inactivation_log", logs, 1, "organism", "virus")
	add(plant.BankKind, plant.NetWeight, "bank_net_weight_grams", "Chlorine in the bank, heel included.", 1000)
	add(plant.BankKind, plant.WithdrawalRate, "bank_withdrawal_grams_per_second", "Net withdrawal rate from the scales.", 1000)
	add(plant.BankKind, plant.WithdrawalLimit, "bank_withdrawal_limit_grams_per_second", "What the containers can give off as gas.", 1000)
	add(plant.BankKind, plant.WithdrawalRatio, "bank_withdrawal_ratio", "Withdrawal rate over its limit.", 1)
	add(plant.BankKind, plant.TimeToEmpty, "bank_time_to_empty_seconds", "Time until the bank is empty at the present rate.", 1)
	add(plant.DetectorKind, plant.Concentration, "gas_concentration_ppm", "Chlorine gas in air by volume.", 1)
	add(plant.DetectorKind, plant.GasLevel, "gas_level", "Detector level reached: 0, 1 or 2.", 1)
	add(plant.DetectorKind, plant.Unavailable, "detector_unavailable", "1 when a detector cannot be trusted to see gas.", 1)
	add(plant.InstrumentKind, plant.Lost, "instrument_lost", "1 when an instrument does not answer or sends unusable values.", 1)
	add(plant.LineKind, plant.Lost, "line_lost", "1 when nothing on a line can be read.", 1)
	c.fixed = fixedDescs{
		reading:        desc("reading", "Value of a point in the unit of its label.", "point", "unit"),
		age:            desc("reading_age_seconds", "Time since the point was read.", "point"),
		quality:        desc("quality", "2 good, 1 uncertain, 0 bad, with the reason.", "figure", "reason"),
		active:         desc("alarm_active", "1 while the alarm's condition holds.", "alarm", "priority"),
		unacknowledged: desc("alarm_unacknowledged", "1 while nobody has acknowledged the episode.", "alarm", "priority"),
		standing:       desc("alarm_standing", "1 unless the alarm is normal.", "alarm", "priority"),
		polls:          desc("line_polls_total", "Transactions on the line.", "line"),
		errors:         desc("line_errors_total", "Failed transactions on the line by kind.", "line", "kind"),
		cycle:          desc("line_cycle_seconds", "Time the last round over the line took.", "line"),
		overruns:       desc("line_overruns_total", "Polls that were due before the line was free.", "line"),
		discarded:      desc("line_discarded_bytes_total", "Bytes that arrived although nobody had asked for them.", "line"),
		depth:          desc("outbox_depth", "Events committed and not yet acknowledged by the broker."),
		oldest:         desc("outbox_oldest_age_seconds", "Age of the oldest of them."),
		connected:      desc("broker_connected", "1 while the MQTT session is up."),
		sent:           desc("notices_sent_total", "Events sent, repeats included."),
		acked:          desc("notices_acknowledged_total", "Events acknowledged by the broker."),
		late:           desc("notices_late_total", "Events told after a lost connection."),
		journalFailing: desc("journal_failing", "1 while events cannot be written to the journal."),
		dropped:        desc("journal_dropped_total", "Events dropped because no bound left room for them."),
		steps:          desc("steps_total", "Steps of the evaluating loop."),
		lastStep:       desc("last_step_timestamp_seconds", "When the evaluating loop last stepped."),
		sequence:       desc("event_sequence", "Sequence of the last event."),
		build:          desc("build_info", "Always 1; the labels tell the build.", "version", "commit", "goversion"),
	}
	return c
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	sent := map[*prometheus.Desc]bool{}
	send := func(ds ...*prometheus.Desc) {
		for _, d := range ds {
			if !sent[d] {
				sent[d] = true
				ch <- d
			}
		}
	}
	for _, f := range c.figures {
		send(f.desc, f.low, f.high)
	}
	x := &c.fixed
	send(x.reading, x.age, x.quality, x.active, x.unacknowledged, x.standing, x.polls, x.errors, x.cycle, x.overruns, x.discarded,
		x.depth, x.oldest, x.connected, x.sent, x.acked, x.late, x.journalFailing, x.dropped, x.steps, x.lastStep, x.sequence, x.build)
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	count := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
	}
	x, now, s := &c.fixed, c.src.Now(), c.src.Snapshot()
	for i := range s.Figures {
		c.figure(&s.Figures[i], now, gauge)
	}
	for i := range s.Conditions {
		a := &s.Conditions[i]
		gauge(x.active, bit(a.State.Active()), a.Alarm, string(a.Priority))
		gauge(x.unacknowledged, bit(a.State.Unanswered()), a.Alarm, string(a.Priority))
		gauge(x.standing, bit(a.State != alarms.Normal), a.Alarm, string(a.Priority))
	}
	for _, l := range c.src.Lines() {
		count(x.polls, float64(l.Polls), l.Name)
		for kind, n := range l.Errors {
			count(x.errors, float64(n), l.Name, kind)
		}
		gauge(x.cycle, l.Cycle.Seconds(), l.Name)
		count(x.overruns, float64(l.Overruns), l.Name)
		count(x.discarded, float64(l.Discarded), l.Name)
	}
	t := c.src.Telling()
	gauge(x.depth, float64(t.Depth))
	age := 0.0
	if !t.Oldest.IsZero() {
		age = now.Sub(t.Oldest).Seconds()
	}
	gauge(x.oldest, age)
	gauge(x.connected, bit(t.Connected))
	count(x.sent, float64(t.Sent))
	count(x.acked, float64(t.Acked))
	count(x.late, float64(t.Late))
	gauge(x.journalFailing, bit(s.StoreError != nil))
	count(x.dropped, float64(t.Dropped))
	count(x.steps, float64(s.Steps))
	gauge(x.lastStep, float64(s.Time.UnixMilli())/1e3)
	gauge(x.sequence, float64(s.Sequence))
	gauge(x.build, 1, c.src.Version, c.src.Commit, runtime.Version())
}

// figure shows one figure, or only its quality when it is bad.
func (c *collector) figure(f *plant.Figure, now time.Time, gauge func(*prometheus.Desc, float64, ...string)) {
	gauge(c.fixed.quality, float64(f.Quality.Level), f.Name, f.Quality.Reason)
	if f.Kind == plant.PointKind {
		if !f.Time.IsZero() {
			gauge(c.fixed.age, now.Sub(f.Time).Seconds(), f.Owner)
		}
		if f.Quality.Level != reading.Bad {
			gauge(c.fixed.reading, f.Shown(), f.Owner, f.Unit.Symbol)
		}
		return
	}
	d, ok := c.figures[figureKey{f.Kind, f.Quantity}]
	if !ok || f.Quality.Level == reading.Bad {
		return
	}
	labels := append([]string{f.Owner}, d.extra...)
	gauge(d.desc, f.Value*d.factor, labels...)
	if _, _, ok := f.Interval(); ok {
		gauge(d.low, f.Low*d.factor, labels...)
		gauge(d.high, f.High*d.factor, labels...)
	}
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
