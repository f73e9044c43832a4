// Package metrics lets a scraper pull every figure, alarm and count of a running
// agent, and answers whether the process is alive and ready.
//
// A figure that is bad is left out, never shown with its last value;
// ebbwatch_quality says why. Values are in base units: grams, seconds, degrees
// Celsius; mg/L equals grams per cubic metre and keeps its trade name.
package metrics

import (
	"runtime"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// Line is the work of one field line since start.
type Line struct {
	Name   string
	Polls  uint64
	Errors map[string]uint64
	// Cycle is the time that the last round took, Planned what the plan foresees.
	Cycle, Planned time.Duration
	// Slowest is the longest time until the end of a reply, Grace how long the
	// line is left silent after a failure.
	Slowest, Grace time.Duration
	Overruns       uint64
	// Discarded is the bytes that arrived although nobody had asked for them.
	Discarded   uint64
	Instruments []Instrument
}

// Instrument is the work of one instrument of a line since start.
type Instrument struct {
	Name   string
	Polls  uint64
	Errors map[string]uint64
	// Took is the time of its last poll, Slowest that of its slowest reply.
	Took, Slowest time.Duration
	Overruns      uint64
	// Resting tells that it is left alone for a while, since it did not answer.
	Resting bool
}

// Telling is how the telling goes: the events still to be told and the notices
// sent.
type Telling struct {
	// Broker tells whether the site has one; without it there is no session to be
	// up or down.
	Broker            bool
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
	// Times are what polls and publications took; nil for none.
	Times *Times
	// Certificates are when those of the site end, by the block that names them.
	Certificates map[string]time.Time
	// Recording tells how many steps and orders a recording lacks, and why nothing is
	// written, nil when it is; nil where nothing is recorded.
	Recording func() (dropped uint64, err error)
	// Receivers are those who are told over mail or webhook; nil for none.
	Receivers func() []Receiver
	Now       func() time.Time
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

	mu   sync.Mutex // guards last; a scrape holds it
	last map[seriesKey]series
}

// seriesKey names a series; its labels come from the site file and from closed
// sets, so that there are only so many.
type seriesKey struct {
	desc   *prometheus.Desc
	labels [3]string
}

// series is one as it was shown last. Most stay as they are from one scrape to
// the next, and making one is most of the cost.
type series struct {
	value  float64
	metric prometheus.Metric
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
	reading, age, quality, required             *prometheus.Desc
	active, unacknowledged, standing            *prometheus.Desc
	line                                        workDescs
	cycle, planned, grace, discarded            *prometheus.Desc
	instrument                                  workDescs
	took, resting                               *prometheus.Desc
	depth, oldest, connected, sent, acked, late *prometheus.Desc
	journalFailing, dropped                     *prometheus.Desc
	recordingFailing, recordingDropped          *prometheus.Desc
	steps, lastStep, sequence, build            *prometheus.Desc
	certificate                                 *prometheus.Desc
}

// workDescs are what a line and an instrument have in common.
type workDescs struct {
	polls, errors, overruns, slowest *prometheus.Desc
}

func (w *workDescs) all() []*prometheus.Desc {
	return []*prometheus.Desc{w.polls, w.errors, w.overruns, w.slowest}
}

const prefix = "ebbwatch_"

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(prefix+name, help, labels, nil)
}

// send shows one value.
func send(ch chan<- prometheus.Metric, d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
	ch <- metric(d, kind, v, labels)
}

// metric makes one value. Whatever a name holds cannot break the scrape: what is
// no text (UTF-8) is replaced.
func metric(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels []string) prometheus.Metric {
	for i := range labels {
		labels[i] = text(labels[i])
	}
	return prometheus.MustNewConstMetric(d, kind, v, labels...)
}

func text(s string) string { return strings.ToValidUTF8(s, "\uFFFD") }

// NewCollector makes a collector over src.
func NewCollector(src Source) prometheus.Collector {
	c := &collector{src: src, figures: map[figureKey]figureDesc{}, last: map[seriesKey]series{}}
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
	const ways = "Contact time by the way of its label: static as the regulator computes it, entry and inflow as the water moved."
	add(plant.SegmentKind, plant.T10Static, "segment_t10_by_seconds", ways, 1, "way", "static")
	add(plant.SegmentKind, plant.T10Entry, "segment_t10_by_seconds", ways, 1, "way", "entry")
	add(plant.SegmentKind, plant.T10Inflow, "segment_t10_by_seconds", ways, 1, "way", "inflow")
	add(plant.SegmentKind, plant.ResidualNeeded, "segment_residual_needed_mg_per_litre", "Residual from which on the ratio is at its target now.", 1)
	add(plant.SegmentKind, plant.FlowGreatest, "segment_flow_greatest_cubic_metres_per_second", "Flow up to which the present residual keeps the ratio at its target.", 1)
	add(plant.SegmentKind, plant.RatioAhead, "segment_inactivation_ratio_ahead", "Lowest inactivation ratio of the coming hour, if flow, level and residual go on as they do.", 1)
	add(plant.SegmentKind, plant.RatioAheadIn, "segment_inactivation_ratio_ahead_in_seconds", "How far ahead that is.", 1)
	const day = "Inactivation ratio of the regulatory day so far: by the values at the end of the peak hour, any 60 minutes or a clock hour, by the day's extremes each by itself, and the lowest at any one time."
	add(plant.SegmentKind, plant.DayRatio, "segment_day_inactivation_ratio", day, 1, "by", "peak-hour")
	add(plant.SegmentKind, plant.DayRatioClockHour, "segment_day_inactivation_ratio", day, 1, "by", "peak-clock-hour")
	add(plant.SegmentKind, plant.DayRatioExtremes, "segment_day_inactivation_ratio", day, 1, "by", "extremes")
	add(plant.SegmentKind, plant.DayLowestRatio, "segment_day_inactivation_ratio", day, 1, "by", "lowest")
	add(plant.SegmentKind, plant.DayLowestResidual, "segment_day_lowest_residual_mg_per_litre", "Lowest free chlorine of the day so far.", 1)
	const peak = "Highest mean flow of an hour of the day so far: of any 60 minutes, and from full to full hour."
	add(plant.SegmentKind, plant.DayPeakFlow, "segment_day_peak_flow_cubic_metres_per_second", peak, 1, "hour", "rolling")
	add(plant.SegmentKind, plant.DayPeakFlowClock, "segment_day_peak_flow_cubic_metres_per_second", peak, 1, "hour", "clock")
	add(plant.SegmentKind, plant.DayCovered, "segment_day_covered_ratio", "Share of the whole day of which all inputs are known.", 1)
	add(plant.TrainKind, plant.InactivationRatio, "train_inactivation_ratio", "Inactivation of the segments in series over what they owe, the lower of Giardia and virus.", 1)
	add(plant.TrainKind, plant.GiardiaLog, "train_inactivation_log", logs, 1, "organism", "giardia")
	add(plant.TrainKind, plant.VirusLog, "train_inactivation_log", logs, 1, "organism", "virus")
	const owed = "Log inactivation that is left to disinfection, filtration credit taken off."
	add(plant.TrainKind, plant.GiardiaLogOwed, "train_inactivation_owed_log", owed, 1, "organism", "giardia")
	add(plant.TrainKind, plant.VirusLogOwed, "train_inactivation_owed_log", owed, 1, "organism", "virus")
	const trainDay = "Inactivation ratio of the regulatory day so far, segments added: by the values at the end of their peak hour, any 60 minutes or a clock hour, and by the day's extremes each by itself."
	add(plant.TrainKind, plant.DayRatio, "train_day_inactivation_ratio", trainDay, 1, "by", "peak-hour")
	add(plant.TrainKind, plant.DayRatioClockHour, "train_day_inactivation_ratio", trainDay, 1, "by", "peak-clock-hour")
	add(plant.TrainKind, plant.DayRatioExtremes, "train_day_inactivation_ratio", trainDay, 1, "by", "extremes")
	add(plant.TrainKind, plant.DayCovered, "train_day_covered_ratio", "Share of the whole day of which all inputs are known, of the segment with the least.", 1)
	add(plant.TrainKind, plant.RatioAhead, "train_inactivation_ratio_ahead", "Lowest inactivation ratio of the coming hour, each segment at its own lowest.", 1)
	add(plant.EntryKind, plant.UnderResidual, "entry_under_residual_seconds", "How long the residual has been under its least without a break.", 1)
	add(plant.EntryKind, plant.UnderResidualLeft, "entry_under_residual_left_seconds", "How long it may still be so; negative after the limit.", 1)
	add(plant.EntryKind, plant.GrabSampleDue, "entry_grab_sample_due_seconds", "Time until the next grab sample is due while the analyser fails; negative when it is overdue.", 1)
	add(plant.EntryKind, plant.AnalyserBackIn, "entry_analyser_back_in_seconds", "Time until a failed analyser has to work again.", 1)
	add(plant.DistributionKind, plant.AnnualAverage, "distribution_residual_annual_average_mg_per_litre", "Running annual average of free chlorine in the distribution system.", 1)
	add(plant.BankKind, plant.NetWeight, "bank_net_weight_grams", "Chlorine in the bank, heel included.", 1000)
	add(plant.BankKind, plant.WithdrawalRate, "bank_withdrawal_grams_per_second", "Net withdrawal rate from the scales.", 1000)
	add(plant.BankKind, plant.WithdrawalLimit, "bank_withdrawal_limit_grams_per_second", "What the containers can give off as gas.", 1000)
	add(plant.BankKind, plant.WithdrawalRatio, "bank_withdrawal_ratio", "Withdrawal rate over its limit.", 1)
	add(plant.BankKind, plant.TimeToEmpty, "bank_time_to_empty_seconds", "Time until the containers on duty are drawn to the heel, by the demand learnt.", 1)
	const lasts = "Time that the chlorine lasts: to the end of the liquid, with the standby, with all stock on the site."
	add(plant.BankKind, plant.LiquidEnd, "bank_lasts_seconds", lasts, 1, "until", "liquid-end")
	add(plant.BankKind, plant.TimeToEmptyStandby, "bank_lasts_seconds", lasts, 1, "until", "standby-empty")
	add(plant.BankKind, plant.TimeToEmptyStock, "bank_lasts_seconds", lasts, 1, "until", "stock-empty")
	add(plant.BankKind, plant.TimeToOrder, "bank_order_due_seconds", "Time until the last day on which an order comes in time; negative when it has begun.", 1)
	add(plant.BankKind, plant.Stock, "bank_stock_grams", "Chlorine in full containers that stand on no scale.", 1000)
	const over = "Net withdrawal rate from the scales over 15 minutes and over 24 hours."
	add(plant.BankKind, plant.RateQuarter, "bank_withdrawal_over_grams_per_second", over, 1000, "over", "15m")
	add(plant.BankKind, plant.RateDay, "bank_withdrawal_over_grams_per_second", over, 1000, "over", "24h")
	add(plant.BankKind, plant.Headroom, "bank_withdrawal_headroom_grams_per_second", "Withdrawal limit less rate; negative when over it.", 1000)
	add(plant.BankKind, plant.PeakDemand, "bank_peak_demand_grams_per_second", "Greatest hourly demand of the coming day.", 1000)
	const needed = "Containers that give off the present rate, and that of the coming peak."
	add(plant.BankKind, plant.ContainersNeeded, "bank_containers_needed", needed, 1, "for", "now")
	add(plant.BankKind, plant.ContainersNeededPeak, "bank_containers_needed", needed, 1, "for", "peak")
	add(plant.BankKind, plant.LowestRoom, "bank_lowest_room_celsius", "Room temperature below which the present rate cannot be held.", 1)
	add(plant.BankKind, plant.FrostFrom, "bank_frost_from_grams_per_second", "Rate from which frost on the containers is expected, and is no fault.", 1000)
	add(plant.BankKind, plant.ExpectedRate, "bank_expected_grams_per_second", "What the feed signal takes from the bank.", 1000)
	add(plant.BankKind, plant.LossHour, "bank_unaccounted_grams_per_second", "What the scales lost over the last hour more than the feed explains.", 1000)
	add(plant.BankKind, plant.LossDay, "bank_unaccounted_day_grams", "What the scales lost in 24 hours more than the feed explains.", 1000)
	add(plant.BankKind, plant.SmallestLoss, "bank_smallest_loss_grams_per_second", "Least steady loss that can be told from an error of the feed.", 1000)
	const wrong = "1 while something is wrong at the bank, as its label says."
	for _, q := range []plant.Quantity{plant.Unaccounted, plant.LossReportable, plant.FeedLost, plant.Overdrawn, plant.ScaleStuck, plant.WeightMoved,
		plant.ContainerOff, plant.TareDoubtful, plant.ChangeoverUnstaffed, plant.HeaderLow} {
		add(plant.BankKind, q, "bank_state", wrong, 1, "state", string(q))
	}
	add(plant.ContainerKind, plant.NetWeight, "container_net_weight_grams", "Chlorine in the container, heel included.", 1000)
	add(plant.ContainerKind, plant.WithdrawalRate, "container_withdrawal_grams_per_second", "Net withdrawal rate from the container.", 1000)
	add(plant.ContainerKind, plant.TimeToEmpty, "container_time_to_empty_seconds", "Time until the container is drawn to the heel.", 1)
	add(plant.DetectorKind, plant.Concentration, "gas_concentration_ppm", "Chlorine gas in air by volume.", 1)
	add(plant.DetectorKind, plant.GasLevel, "gas_level", "Detector level reached: 0 to 3.", 1)
	add(plant.DetectorKind, plant.Unavailable, "detector_unavailable", "1 when a detector cannot be trusted to see gas.", 1)
	add(plant.DetectorKind, plant.Rise, "gas_rise_ppm_per_minute", "Rate of rise of the gas over the last half minute.", 60)
	add(plant.DetectorKind, plant.Ceiling, "gas_ceiling_ppm", "Highest concentration of the last 15 minutes.", 1)
	const mean = "Mean concentration over the time of its label; a lower bound while not all of that time is known."
	add(plant.DetectorKind, plant.ShortTerm, "gas_mean_ppm", mean, 1, "over", "15min")
	add(plant.DetectorKind, plant.EightHour, "gas_mean_ppm", mean, 1, "over", "8h")
	add(plant.DetectorKind, plant.Overdue, "detector_service_overdue", "1 when a calibration or bump test of a detector is overdue.", 1)
	const due = "Time until the work of its label is due; negative when it is overdue."
	add(plant.DetectorKind, plant.CalibrationDue, "detector_service_due_seconds", due, 1, "work", "calibration")
	add(plant.DetectorKind, plant.BumpTestDue, "detector_service_due_seconds", due, 1, "work", "bump-test")
	add(plant.RoomKind, plant.Calling, "room_detectors_calling", "Detectors of a room that show gas at their first level.", 1)
	add(plant.RoomKind, plant.Vote, "room_vote", "1 when as many detectors of a room as the site asks for show gas at their second level.", 1)
	add(plant.RoomKind, plant.Blind, "room_blind", "1 when no detector of a room can be trusted, or too few for its vote.", 1)
	add(plant.RoomKind, plant.Deviation, "room_deviation_ppm", "Difference between the highest and the lowest detector of a room.", 1)
	add(plant.RoomKind, plant.Ventilation, "room_ventilation_failed", "1 when the fan of a room is commanded to run while no air flows.", 1)
	add(plant.InstrumentKind, plant.Lost, "instrument_lost", "1 when an instrument does not answer or sends unusable values.", 1)
	add(plant.InstrumentKind, plant.Doubtful, "instrument_doubtful", "1 when values of an instrument may be wrong although they arrive.", 1)
	add(plant.LineKind, plant.Lost, "line_lost", "1 when nothing on a line can be read.", 1)
	add(plant.LineKind, plant.Pace, "line_pace_ratio", "Mean time between readings over the planned one, of the latest instrument.", 1)
	c.fixed = fixedDescs{
		reading:        desc("reading", "Value of a point in the unit of its label.", "point", "unit"),
		age:            desc("reading_age_seconds", "Time since the point was read.", "point"),
		quality:        desc("quality", "2 good, 1 uncertain, 0 bad, with the reason.", "figure", "reason"),
		required:       desc("segment_ct_required_info", "Always 1; the label tells how the required CT of the segment's ratios is read: table, interpolate or regression.", "segment", "method"),
		active:         desc("alarm_active", "1 while the alarm's condition holds.", "alarm", "priority"),
		unacknowledged: desc("alarm_unacknowledged", "1 while nobody has acknowledged the episode.", "alarm", "priority"),
		standing:       desc("alarm_standing", "1 unless the alarm is normal.", "alarm", "priority"),
		line: workDescs{
			polls:    desc("line_polls_total", "Polls of the line's instruments.", "line"),
			errors:   desc("line_errors_total", "Polls in which an instrument could not be read, by kind.", "line", "kind"),
			overruns: desc("line_overruns_total", "Polls left out because the line was not free in time.", "line"),
			slowest:  desc("line_slowest_reply_seconds", "Longest time until the end of a reply.", "line"),
		},
		cycle:     desc("line_cycle_seconds", "Time the last round over the line took.", "line"),
		planned:   desc("line_planned_cycle_seconds", "Time that the read plan foresees for a round.", "line"),
		grace:     desc("line_grace_seconds", "How long the line is left silent after a failure.", "line"),
		discarded: desc("line_discarded_bytes_total", "Bytes that arrived although nobody had asked for them.", "line"),
		instrument: workDescs{
			polls:    desc("instrument_polls_total", "Polls of the instrument.", "line", "instrument"),
			errors:   desc("instrument_errors_total", "Polls in which the instrument could not be read, by kind.", "line", "instrument", "kind"),
			overruns: desc("instrument_overruns_total", "Polls of the instrument left out because the line was not free in time.", "line", "instrument"),
			slowest:  desc("instrument_slowest_reply_seconds", "Longest time until the end of a reply of the instrument.", "line", "instrument"),
		},
		took:             desc("instrument_poll_seconds", "Time that the last poll of the instrument held the line.", "line", "instrument"),
		resting:          desc("instrument_resting", "1 while the instrument is left alone, since it did not answer.", "line", "instrument"),
		depth:            desc("outbox_depth", "Events committed and not yet acknowledged by the slowest receiver."),
		oldest:           desc("outbox_oldest_age_seconds", "Age of the oldest of them."),
		connected:        desc("broker_connected", "1 while the MQTT session is up; absent without a broker."),
		sent:             desc("notices_sent_total", "Events sent, repeats included."),
		acked:            desc("notices_acknowledged_total", "Events acknowledged by the broker."),
		late:             desc("notices_late_total", "Events told after a lost connection."),
		journalFailing:   desc("journal_failing", "1 while events cannot be written to the journal."),
		dropped:          desc("journal_dropped_total", "Events dropped because no bound left room for them."),
		recordingFailing: desc("recording_failing", "1 while the recording cannot be written, 0 while it can."),
		recordingDropped: desc("recording_dropped_total", "Steps and orders that the recording lacks."),
		steps:            desc("steps_total", "Steps of the evaluating loop."),
		lastStep:         desc("last_step_timestamp_seconds", "When the evaluating loop last stepped."),
		sequence:         desc("event_sequence", "Sequence of the last event."),
		certificate:      desc("certificate_expiry_timestamp_seconds", "When a certificate of ebbwatch's own ends.", "certificate"),
		build:            desc("build_info", "Always 1; the labels tell the build.", "version", "commit", "goversion"),
	}
	return c
}

// Describe implements prometheus.Collector.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	sent := map[*prometheus.Desc]bool{}
	describe := func(ds ...*prometheus.Desc) {
		for _, d := range ds {
			if !sent[d] {
				sent[d] = true
				ch <- d
			}
		}
	}
	for _, f := range c.figures {
		describe(f.desc, f.low, f.high)
	}
	x := &c.fixed
	describe(x.line.all()...)
	describe(x.instrument.all()...)
	describe(x.reading, x.age, x.quality, x.required, x.active, x.unacknowledged, x.standing, x.cycle, x.planned, x.grace, x.discarded, x.took, x.resting,
		x.depth, x.oldest, x.connected, x.sent, x.acked, x.late, x.journalFailing, x.dropped, x.recordingFailing, x.recordingDropped, x.steps, x.lastStep, x.sequence, x.certificate, x.build)
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	c.mu.Lock()
	defer c.mu.Unlock()
	show := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels []string) {
		key := seriesKey{desc: d}
		copy(key.labels[:], labels)
		last := c.last[key]
		if last.metric == nil || last.value != v {
			last = series{v, metric(d, kind, v, labels)}
			c.last[key] = last
		}
		ch <- last.metric
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) { show(d, prometheus.GaugeValue, v, labels) }
	count := func(d *prometheus.Desc, v float64, labels ...string) { show(d, prometheus.CounterValue, v, labels) }
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
	work := func(d *workDescs, polls uint64, errors map[string]uint64, overruns uint64, slowest time.Duration, owner ...string) {
		count(d.polls, float64(polls), owner...)
		for kind, n := range errors {
			count(d.errors, float64(n), append(owner[:len(owner):len(owner)], kind)...)
		}
		count(d.overruns, float64(overruns), owner...)
		gauge(d.slowest, slowest.Seconds(), owner...)
	}
	for _, l := range c.src.Lines() {
		work(&x.line, l.Polls, l.Errors, l.Overruns, l.Slowest, l.Name)
		gauge(x.cycle, l.Cycle.Seconds(), l.Name)
		gauge(x.planned, l.Planned.Seconds(), l.Name)
		gauge(x.grace, l.Grace.Seconds(), l.Name)
		count(x.discarded, float64(l.Discarded), l.Name)
		for _, in := range l.Instruments {
			work(&x.instrument, in.Polls, in.Errors, in.Overruns, in.Slowest, l.Name, in.Name)
			gauge(x.took, in.Took.Seconds(), l.Name, in.Name)
			gauge(x.resting, bit(in.Resting), l.Name, in.Name)
		}
	}
	t := c.src.Telling()
	gauge(x.depth, float64(t.Depth))
	age := 0.0
	if !t.Oldest.IsZero() {
		age = now.Sub(t.Oldest).Seconds()
	}
	gauge(x.oldest, age)
	if t.Broker {
		gauge(x.connected, bit(t.Connected))
	}
	count(x.sent, float64(t.Sent))
	count(x.acked, float64(t.Acked))
	count(x.late, float64(t.Late))
	gauge(x.journalFailing, bit(s.StoreError != nil))
	count(x.dropped, float64(t.Dropped))
	if c.src.Recording != nil {
		dropped, err := c.src.Recording()
		gauge(x.recordingFailing, bit(err != nil))
		count(x.recordingDropped, float64(dropped))
	}
	count(x.steps, float64(s.Steps))
	gauge(x.lastStep, float64(s.Time.UnixMilli())/1e3)
	gauge(x.sequence, float64(s.Sequence))
	for name, end := range c.src.Certificates {
		gauge(x.certificate, float64(end.Unix()), name)
	}
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
	if f.Quantity == plant.CTRequiredGiardia && f.Method != "" {
		gauge(c.fixed.required, 1, f.Owner, f.Method)
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
