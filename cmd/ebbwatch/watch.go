package main

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/field"
	"ebbwatch/agent/journal"
	"ebbwatch/agent/metrics"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/recording"
	"ebbwatch/agent/registers"
	"ebbwatch/alarms"
	"ebbwatch/alarms/notify"
	"ebbwatch/config"
)

// watching is what one watch over a site needs besides the site.
type watching struct {
	log *slog.Logger
	// now is the time that readings and alarms are stamped with.
	now func() time.Time
	// speed is how many seconds of now pass in a real one; 0 is 1. Periods of
	// polling are in real time.
	speed float64
	// recording is the folder of the recording; empty for the site's.
	recording string
	// onStep sees every step, for a command that shows them; it may be nil.
	onStep func(*agent.Snapshot, []alarms.Transition)
	// ready is called once the HTTP server listens; it may be nil.
	ready func(httpAddress string)
}

// realTime lets an alarm about the way out keep its delays when the plant's time
// runs faster than the real one, in which connections are made.
func (w watching) realTime(a alarms.Setting) alarms.Setting {
	if w.speed > 1 {
		a.OnDelay = time.Duration(float64(a.OnDelay) * w.speed)
	}
	return a
}

// receiver names the broker in the journal's list of who was told what.
const receiver = "mqtt"

func receivers(site *config.Site) []string {
	names := webhookReceivers(site)
	if site.MQTT != nil {
		names = append(names, receiver)
	}
	return names
}

// watch opens the journal, the lines, the broker session and the HTTP server of
// a site and runs until ctx ends. Whatever cannot be opened at the start is bad
// input; a line or a broker that is down is not, since it may come back.
func watch(ctx context.Context, site *config.Site, w watching) error {
	settings := w.plantSettings(site)
	core, err := plant.New(settings)
	if err != nil {
		return badInput{err}
	}
	words, err := firstWords(site)
	if err != nil {
		return err
	}
	source, err := field.New(lines(site), field.Options{Now: w.now, Log: w.log})
	if err != nil {
		return badInput{err}
	}
	times := metrics.NewTimes(lineNames(site))
	store, err := journal.Open(site.StateDir, journal.Options{Receivers: receivers(site)})
	if err != nil {
		return badInput{err}
	}
	defer store.Close()
	out, err := listen(site, w.log)
	if err != nil {
		return err
	}
	defer out.close() // the servers close it too
	if warning := exposed(site); warning != "" {
		w.log.Warn(strings.TrimPrefix(warning, "WARNING: "))
	}

	told, err := openPeople(site, store, w)
	if err != nil {
		return err
	}
	defer told.close()
	kept, err := keepRecord(site, settings, core, w.log)
	if err != nil {
		return err
	}
	defer kept.close()
	keys, rights := roles(site)
	// What is served asks the agent, which is made last.
	var a *agent.Agent
	snapshot := func() *agent.Snapshot { return a.Snapshot() }
	observe, people, err := openPage(site, snapshot, keys, func(ctx context.Context, order alarms.Order) alarms.Answer { return a.Order(ctx, order) })
	if err != nil {
		return err
	}
	t := &teller{people: told, onStep: func(s *agent.Snapshot, ts []alarms.Transition) {
		if site.HTTP.Page {
			observe(s)
		}
		kept.step(s, ts)
		if w.onStep != nil {
			w.onStep(s, ts)
		}
	}}
	o := agent.Options{
		Plant: core, Alarms: alarmSettings(site, words), Now: w.now, Log: w.log, Teller: t, Wake: t.wake,
		Source: fieldSource{source, times}, Store: store, Escalation: told.escalation, Edges: append(told.edges(), kept.archive.Run), Roles: rights,
		Watches: []agent.Watch{{Alarm: w.realTime(alarms.RecordFailing(recordFigure)), Err: kept.archive.Err}},
	}
	if w.speed == 0 { // the host's clock, and no simulated one
		o.ClockUnsure = newClockJudge(store).unsure
	}
	rec := w.record(site, settings)
	if rec != nil {
		defer rec.Close()
		o.Recorder = rec
	}
	if site.MQTT != nil {
		t.publisher, err = notify.New(notify.Options{
			Site: site.Name, StoreID: store.ID(), Boot: store.Boot(), Started: w.now(), Receiver: receiver,
			Brokers: site.MQTT.Brokers, TLS: site.MQTT.TLS(), User: site.MQTT.User, Password: site.MQTT.Password.Reveal(),
			BytesPerDay: site.MQTT.PerDay,
			Outbox:      store, Now: w.now, Log: w.log,
			Conditions: func() []alarms.Condition { return a.Snapshot().Conditions },
			Order: func(ctx context.Context, order alarms.Order) alarms.Answer {
				return a.Order(ctx, kept.check(w.now(), order))
			},
			Roles: keys, Published: times.Published,
		})
		if err != nil {
			return badInput{err}
		}
		told.broker = t.publisher
		o.Edges = append(o.Edges, t.publisher.Run)
		o.Watches = append(o.Watches, agent.Watch{Alarm: w.realTime(alarms.BrokerFailing(brokerFigure)), Err: t.brokerError})
	}
	if len(told.drains) > 0 {
		o.Watches = append(o.Watches, agent.Watch{Alarm: w.realTime(alarms.NoticesFailing(noticesFigure)), Err: told.err})
	}
	var toRegisters func(context.Context) error
	if site.Registers != nil {
		o.Edges = append(o.Edges, func(ctx context.Context) error { return toRegisters(ctx) })
	}
	o.Edges = append(o.Edges, out.edges(handler(site, snapshot, source, store, t, times, rec, w.now), people)...)
	if a, err = agent.New(o); err != nil {
		return badInput{err}
	}
	if site.Registers != nil {
		ro := registers.Options{Snapshot: a.Snapshot, Now: w.now, Log: w.log}
		if toRegisters, err = serveRegisters(site, core, a.Snapshot().Conditions, ro); err != nil {
			return err
		}
	}
	w.log.Info("watching", append([]any{"site", site.Name, "instruments", len(site.Instruments)}, out.addresses()...)...)
	if w.ready != nil {
		w.ready(out.main.Addr().String())
	}
	return a.Run(ctx)
}

// handler joins the ways out over HTTP that are for machines.
func handler(site *config.Site, snapshot func() *agent.Snapshot, source *field.Field, store *journal.Journal, t *teller, times *metrics.Times, rec *recording.Recorder, now func() time.Time) http.Handler {
	v, c := build()
	src := metrics.Source{
		Snapshot: snapshot,
		Lines:    func() []metrics.Line { return lineMetrics(source.Stats()) },
		Telling:  func() metrics.Telling { return telling(store, t) },
		Now:      now,
		StepAge:  func() time.Duration { return time.Since(snapshot().Stepped) },
		Version:  v, Commit: c, Certificates: certificates(site), Times: times,
	}
	if rec != nil {
		src.Recording = func() (uint64, error) {
			s := rec.Stats()
			return s.Dropped, s.Err
		}
	}
	if len(t.people.drains) > 0 {
		src.Receivers = t.people.metrics
	}
	return metrics.Handler(src, []metrics.Check{
		{Name: "polling", Err: func() error { return polling(snapshot()) }},
		{Name: "journal", Err: func() error { return snapshot().StoreError }},
		{Name: "broker", Err: func() error { return t.brokerError() }},
		{Name: "people", Err: func() error { return t.people.err() }},
	})
}

// polling reports whether at least one point is read well.
func polling(s *agent.Snapshot) error {
	for i := range s.Figures {
		if f := &s.Figures[i]; f.Kind == plant.PointKind && f.Quality.Usable() {
			return nil
		}
	}
	return errors.New("no instrument has given a usable value: see the log for each line")
}

// fieldSource hands the field's batches to the agent.
type fieldSource struct {
	*field.Field
	times *metrics.Times
}

func (f fieldSource) Run(ctx context.Context, emit func([]reading.Reading)) error {
	return f.Field.Run(ctx, func(b field.Batch) {
		f.times.Polled(b.Line, b.Took)
		emit(b.Readings)
	})
}

func lineNames(site *config.Site) (names []string) {
	for _, l := range site.Lines {
		names = append(names, l.Name)
	}
	return names
}
