package main

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/reading"
	"ebbwatch/config"
)

const readUsage = `ebbwatch read asks the instruments of a site file for chosen points, or for all,
each with a request of its own, and shows the registers as they arrived, the
value, its quality and the time that the answer took. It only reads. A serial
line must be free: stop ebbwatch run first.

  ebbwatch read --site site.yaml
  ebbwatch read --site site.yaml --repeat 1s --for 30s residual-out ph-out

With --line and --unit it reads registers of any unit on a line, and lists every
plausible value in them: each type in each byte order whose value is 0 or between
a millionth and a million million. A signed integer is there where it is negative.

  ebbwatch read --site site.yaml --line line-a --unit 7 --table input-register \
    --address 100 --quantity 4 --range "0 to 10"

Exit status: 0 all good, 1 a point was not good or could not be read, 2 bad input.
`

func runRead(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := flags("read")
	siteFile := fs.String("site", "", "the site file")
	asJSON := fs.Bool("json", false, "print JSON, one object a line")
	repeat := fs.Duration("repeat", 0, "read again after this time, until stopped; then show least, highest and changes")
	limit := fs.Duration("for", 0, "with --repeat: stop after this time")
	var raw rawRead
	raw.flags(fs)
	if err := parseWords(fs, readUsage, args, stdout); err != nil {
		return err
	}
	site, err := loadSite(*siteFile, "read")
	if err != nil {
		return err
	}
	points := fs.Args()
	given := map[string]bool{}
	fs.Visit(func(f *flag.Flag) { given[f.Name] = true })
	isRaw := slices.ContainsFunc(rawFlags, func(name string) bool { return given[name] })
	switch i := slices.IndexFunc(points, func(s string) bool { return strings.HasPrefix(s, "-") }); {
	case i >= 0:
		return badInput{fmt.Errorf("%q stands behind a point; flags stand before the points", points[i])}
	case isRaw && (len(points) > 0 || given["repeat"] || given["for"]):
		return badInput{fmt.Errorf("points, --repeat and --for do not go with --%s: read either points or registers", strings.Join(rawFlags, ", --"))}
	case isRaw:
		return raw.run(ctx, site, given, *asJSON, stdout, stderr)
	case given["repeat"] && *repeat <= 0, given["for"] && *limit <= 0, given["for"] && !given["repeat"]:
		return badInput{fmt.Errorf("--repeat %v and --for %v; expected durations over 0 such as --repeat 1s --for 30s, or --repeat alone", *repeat, *limit)}
	}
	r, err := newPointReader(site, points)
	if err != nil {
		return badInput{err}
	}
	defer r.close()
	out := r.table(stdout, stderr)
	if *asJSON {
		out = r.json(stdout)
	}
	return r.run(ctx, *repeat, *limit, out)
}

// target is a point to read.
type target struct {
	line       int // of the probes
	lineName   string
	instrument field.Instrument
	point      field.Point
}

// pointReader reads points, each line in its own goroutine.
type pointReader struct {
	targets []target
	probes  []*field.Probe
	tallies []tally
}

// tally is what became of a point in all passes.
type tally struct {
	reads, notGood, changes int
	usable                  bool
	least, highest          float64 // in the point's unit, when usable
	slowest                 time.Duration
	last                    []byte
}

// output shows passes as they end, and tallies at the end of several.
type output struct {
	pass  func(at time.Time, samples []field.Sample) error
	tally func() error
}

// newPointReader finds points of a site by name; none means all.
func newPointReader(site *config.Site, names []string) (*pointReader, error) {
	r := &pointReader{}
	var known []string
	for _, l := range lines(site) {
		first := len(r.targets)
		for _, in := range l.Instruments {
			for _, p := range in.Points {
				known = append(known, p.Name)
				if len(names) == 0 || slices.Contains(names, p.Name) {
					r.targets = append(r.targets, target{len(r.probes), l.Name, in, p})
				}
			}
		}
		if len(r.targets) == first {
			continue
		}
		probe, err := field.NewProbe(l)
		if err != nil {
			return nil, err
		}
		r.probes = append(r.probes, probe)
	}
	for _, name := range names {
		if !slices.Contains(known, name) {
			return nil, fmt.Errorf("there is no point %q in %s, expected one of %s", name, site.File, strings.Join(known, ", "))
		}
	}
	r.tallies = make([]tally, len(r.targets))
	return r, nil
}

func (r *pointReader) close() {
	for _, p := range r.probes {
		p.Close()
	}
}

// run reads once, or again and again until the limit or the end of ctx, which is
// how a person stops it.
func (r *pointReader) run(ctx context.Context, repeat, limit time.Duration, out output) error {
	if repeat <= 0 {
		if err := r.once(ctx, out); err != nil {
			return err
		}
		return r.verdict()
	}
	tick := time.NewTicker(repeat)
	defer tick.Stop()
	var end <-chan time.Time
	if limit > 0 {
		end = time.After(limit)
	}
	for going := true; going; {
		if err := r.once(ctx, out); err != nil && ctx.Err() == nil {
			return err
		}
		select {
		case <-ctx.Done():
			going = false
		case <-end:
			going = false
		case <-tick.C:
		}
	}
	if err := out.tally(); err != nil {
		return err
	}
	return r.verdict()
}

// once reads all points and shows them. A pass that ctx has ended is not shown.
func (r *pointReader) once(ctx context.Context, out output) error {
	at := time.Now()
	samples := make([]field.Sample, len(r.targets))
	var wg sync.WaitGroup
	for line, probe := range r.probes {
		wg.Go(func() {
			for i, t := range r.targets {
				if t.line == line && ctx.Err() == nil {
					samples[i] = probe.ReadPoint(ctx, t.instrument, t.point)
				}
			}
		})
	}
	wg.Wait()
	if ctx.Err() != nil {
		return errStopped
	}
	for i, s := range samples {
		r.tallies[i].add(r.targets[i].point, s)
	}
	return out.pass(at, samples)
}

func (t *tally) add(p field.Point, s field.Sample) {
	t.reads++
	t.slowest = max(t.slowest, s.Took)
	if s.Quality.Level != reading.Good {
		t.notGood++
	}
	if s.Data != nil {
		if t.last != nil && !bytes.Equal(t.last, s.Data) {
			t.changes++
		}
		t.last = s.Data
	}
	if !s.Quality.Usable() {
		return
	}
	v := p.Unit.FromSI(s.Value)
	if !t.usable {
		t.usable, t.least, t.highest = true, v, v
	}
	t.least, t.highest = min(t.least, v), max(t.highest, v)
}

var errStopped = errors.New("stopped before all was read")

// verdict says which points were not good, in any pass.
func (r *pointReader) verdict() error {
	var names []string
	for i, t := range r.tallies {
		if t.notGood > 0 {
			names = append(names, r.targets[i].point.Name)
		}
	}
	switch {
	case r.tallies[0].reads == 0:
		return errStopped
	case names == nil:
		return nil
	}
	return fmt.Errorf("%d of %d points not good: %s", len(names), len(r.tallies), strings.Join(names, ", "))
}
