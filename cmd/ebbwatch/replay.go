package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/recording"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

const replayUsage = `ebbwatch replay runs recorded readings through the very core that ebbwatch run uses,
as fast as it goes, and tells which alarms would have called people, and how often.

  ebbwatch replay --site site.yaml --readings /var/lib/ebbwatch/recording
  ebbwatch replay --site site.yaml --readings may.csv --set "residual-entry-low.limit=0.3 mg/L" --set residual-entry-low.on_delay=2m
  ebbwatch replay --site site.yaml --readings history.csv --map columns.yaml --every 1m --figures figures.csv --events events.csv

Readings are a recording of ebbwatch run, or CSV with the columns
time,point,value,quality, its rows in the order of their times. With --set, the
site's own settings run beside the changed ones, and --figures and --events are of
the changed ones. A file of --map tells how another CSV is to be read:

  time: Timestamp               # the column of the time
  time_format: MM/DD/YYYY hh:mm # absent: as in RFC 3339; also unix and unix-ms
  zone: America/Denver          # of times that name none; or an offset such as -07:00
  points:                       # columns, each with a point of the site, and its unit
    FIT-101: plant-flow gpm     # where that is another than the site's
    AIT-7: residual-entry

or, for a row for each reading, also point, value and quality with the names of
their columns, and qualities: {words of the file: good, uncertain:... or bad:...}.
missing lists texts that stand where there is no value; separator and decimal are
"," and "." where they are not given. Where daylight saving ends, a time that comes
twice is the first one until times go back.
`

// texts is a flag that may be given several times.
type texts []string

func (t *texts) String() string     { return strings.Join(*t, ", ") }
func (t *texts) Set(s string) error { *t = append(*t, s); return nil }

func runReplay(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := flags("replay")
	var readings, changes texts
	siteFile := fs.String("site", "", "the site `file`")
	fs.Var(&readings, "readings", "the readings: a CSV `file`, compressed or not, or the folder of a recording; may be repeated, oldest first")
	mapFile := fs.String("map", "", "a `file` that tells how the columns of another CSV are to be read")
	every := fs.Duration("every", 0, "how far apart the readings of a point are, where that is longer than the site file's every; values then grow stale after three times this `duration`")
	fs.Var(&changes, "set", "change a `setting` of an alarm: ALARM.limit, .deadband, .on_delay, .off_delay or .priority=VALUE; may be repeated")
	figures := fs.String("figures", "", "write each change of a figure into this `file`, as CSV")
	events := fs.String("events", "", "write alarm events into this `file`, as CSV")
	asJSON := fs.Bool("json", false, "print the summary as JSON")
	asCSV := fs.Bool("csv", false, "print the summary as CSV")
	if err := parse(fs, replayUsage, args, stdout); err != nil {
		return err
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(400) // time is what a replay is short of; it takes some 40 MB
	}
	site, err := replaySite(*siteFile)
	if err != nil {
		return err
	}
	switch {
	case len(readings) == 0:
		return badInput{errors.New("which readings? give a file or folder with --readings; ebbwatch replay --help shows an example")}
	case *every < 0 || *every > 24*time.Hour:
		return badInput{fmt.Errorf("--every %s: expected 0s to 24h", *every)}
	case *asJSON && *asCSV:
		return badInput{errors.New("--json and --csv: expected one of them")}
	}
	m, err := loadMapping(*mapFile)
	if err != nil {
		return badInput{err}
	}
	p := &replay{site: site, every: *every, changes: changes}
	if err := p.prepare(); err != nil {
		return badInput{err}
	}
	in, err := recording.Open(readings, recordedPoints(plantSettings(site)), m)
	if err != nil {
		return badInput{err}
	}
	defer in.Close()
	end, err := p.files(*figures, *events)
	if err != nil {
		return badInput{err}
	}
	err = errors.Join(p.run(ctx, in, progressOn(stderr)), end())
	if errors.As(err, new(*recording.Fault)) {
		return badInput{err}
	}
	if err != nil {
		return err
	}
	p.notes(stderr, in)
	if p.first.IsZero() {
		return badInput{fmt.Errorf("%s: found no reading, expected at least one", strings.Join(readings, ", "))}
	}
	switch s := p.summary(); {
	case *asJSON:
		return s.json(stdout)
	case *asCSV:
		return s.csv(stdout)
	default:
		return s.text(stdout, site.TimeZone)
	}
}

// replaySite reads the site file without the secrets, which are where the daemon is.
func replaySite(path string) (*config.Site, error) {
	if path == "" {
		return nil, badInput{errors.New("which plant? give a site file with --site FILE; ebbwatch replay --help shows an example")}
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, badInput{err}
	}
	site, err := config.Parse(path, data, config.ParseOptions{})
	if err != nil {
		return nil, err
	}
	return site, unknownAlarms(site)
}

func loadMapping(path string) (*recording.Mapping, error) {
	if path == "" {
		return nil, nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return recording.ParseMapping(path, data)
}

// replay is one run of readings through one or two sets of settings.
type replay struct {
	site    *config.Site
	every   time.Duration
	changes []string
	// runs has the one whose results are written, after the site's own settings
	// where --set changed some.
	runs   []*replayer
	counts []*count

	first, last time.Time
	watched     time.Duration
	// thin is how many steps of a history came later than any value lasts.
	thin, gaps int
}

// prepare makes the settings of each run, and finds those that cannot be before
// anything is read.
func (p *replay) prepare() error {
	words, err := firstWords(p.site)
	if err != nil {
		return err
	}
	rules := alarmSettings(p.site, words)
	p.add(rules, p.settings)
	if len(p.changes) > 0 {
		changed := slices.Clone(rules)
		for _, c := range p.changes {
			if err := change(changed, c); err != nil {
				return err
			}
		}
		p.add(changed, func(w watching) plant.Settings {
			s := p.settings(w)
			trips(&s, changed)
			return s
		})
	}
	for _, r := range p.runs {
		if _, err := newCore(r.site, r.settings(watching{}), r.rules, watching{}); err != nil {
			return err
		}
	}
	return nil
}

// settings are those of the plant, for readings that may be far apart.
func (p *replay) settings(w watching) plant.Settings {
	s := w.plantSettings(p.site)
	for i := range s.Points {
		pt := &s.Points[i]
		if p.every > pt.Every {
			pt.Every, pt.StaleAfter = p.every, max(pt.StaleAfter, 3*p.every)
		}
	}
	return s
}

func (p *replay) add(rules []alarms.Setting, settings func(watching) plant.Settings) {
	c := newCount(p.site.TimeZone)
	p.counts = append(p.counts, c)
	p.runs = append(p.runs, &replayer{site: p.site, rules: rules, settings: settings, onEvents: c.add})
}

// files lets the last run write its results.
func (p *replay) files(figures, events string) (end func() error, err error) {
	r := p.runs[len(p.runs)-1]
	var ends []func() error
	end = func() error {
		var err error
		for _, e := range ends {
			err = errors.Join(err, e())
		}
		return err
	}
	create := func(path string, use func(*os.File) (flush func() error)) error {
		if path == "" {
			return nil
		}
		f, err := os.Create(path)
		if err == nil {
			ends = append(ends, use(f), f.Close)
		}
		return err
	}
	err = errors.Join(
		create(figures, func(f *os.File) func() error {
			w := newFiguresFile(f)
			r.onStep = w.step
			return w.flush
		}),
		create(events, func(f *os.File) func() error {
			w, count := newEventsFile(f), r.onEvents
			r.onEvents = func(ts []alarms.Transition) { w.add(ts); count(ts) }
			return w.flush
		}))
	if err != nil {
		return nil, errors.Join(err, end())
	}
	return end, nil
}

// run steps all runs through the readings. Between readings of a history time passes
// in ticks.
func (p *replay) run(ctx context.Context, in *recording.Files, progress func(done float64, at time.Time)) error {
	fine, coarse := max(time.Second, p.every/6), max(10*time.Second, p.every)
	for n := 0; ; n++ {
		e, err := in.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		if n%1024 == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
			progress(in.Progress(), e.Time)
		}
		p.note(e, in.Exact())
		for _, r := range p.runs {
			if !in.Exact() {
				r.pass(e.Time, fine, coarse)
			}
			if err := r.take(e); err != nil {
				return err
			}
		}
	}
	progress(1, p.last)
	return nil
}

// note keeps what is told of the readings as a whole.
func (p *replay) note(e *recording.Entry, exact bool) {
	if p.first.IsZero() {
		p.first = e.Time
	} else if gap := e.Time.Sub(p.last); gap > 0 && e.Kind != recording.Begin {
		p.watched += gap
		if !exact {
			p.gaps++
			if p.every == 0 && gap > 20*time.Second {
				p.thin++
			}
		}
	}
	p.last = e.Time
}

// notes tells what a reader of the results must know.
func (p *replay) notes(w io.Writer, in *recording.Files) {
	say := func(format string, args ...any) { fmt.Fprintf(w, "ebbwatch: "+format+"\n", args...) }
	for _, name := range in.Cut() {
		say("%s is still being written, or was cut or damaged: it was read up to its last whole row", name)
	}
	r := p.runs[0]
	if r.other != "" {
		say("the recording is of the site %s, the site file is that of %s", r.other, p.site.Name)
	}
	if r.missed > 0 {
		say("%d steps are missing from the recording: from there on ebbwatch learns anew, as after a restart, and results may differ from what was seen", r.missed)
	}
	if r.stepped > 0 {
		say("the clock was set while this was recorded, by up to %s: delays are those that were, days and shelvings go by the clock before", r.stepped)
	}
	if n := in.Twice(); n > 0 {
		say("%d times came twice, when daylight saving ended: they were taken in the order of the rows", n)
	}
	if p.thin > p.gaps/2 {
		say("the readings are far apart and were stale most of the time: give their distance, such as --every 1m")
	}
	unknown := in.Unknown()
	names := slices.Sorted(maps.Keys(unknown))
	for _, name := range names[:min(len(names), 10)] {
		say("%d readings of %q were left out: the site has no such point", unknown[name], name)
	}
	if more := len(names) - 10; more > 0 {
		say("and those of %d others", more)
	}
}
