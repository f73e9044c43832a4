package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/config"
)

const readUsage = `ebbwatch read asks the instruments of a site file for points, each with a request
of its own, and shows the registers as they arrived, the value, its quality and
the time that the answer took. Name points or instruments to read these alone and
to see all that their registers can mean. It only reads. A serial line must be
free: stop ebbwatch run first.

  ebbwatch read --site site.yaml
  ebbwatch read --site site.yaml residual-out
  ebbwatch read --site site.yaml --repeat 1s --for 30s analyser-1 scale-north

With --line and --unit it reads any registers of any unit on a line, and lists
every plausible value in them: each type in each order of the bytes whose value is
0 or between a millionth and a million million, and texts. A signed integer is
there where it is negative. --expect takes the range, or the number that the
display of the instrument shows, and finds the registers that hold it, also as a
whole number of tenths, hundredths or thousandths.

  ebbwatch read --site site.yaml --line line-a --unit 7 --address 100 --quantity 20 --expect 1.23
  ebbwatch read --site site.yaml --line line-a --unit 7 --table input-register \
    --address 0 --quantity 4 --expect "0.1 mg/L to 4 mg/L" --repeat 1s

Addresses count from 0: what a manual calls holding register 40101 is often
--table holding-register --address 100, and input register 30101 is often
--table input-register --address 100. One value may fit by chance: let it change,
with --repeat, and compare it with the display.

With --repeat it reads until Ctrl-C or --for, then shows the least and highest
value, changes, failures and timing. With --json each pass is one object on a line:
{time, points: [...]}, or {time, line, ..., registers, decodings: [...]} with
--line; after --repeat the last one is {summary: ...}.

Exit status: 0 all good, 1 a point was not good or could not be read, 2 bad input.
`

func runRead(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := flags("read")
	siteFile := fs.String("site", "", "the site `file`")
	asJSON := fs.Bool("json", false, "print JSON, one object a line for each pass")
	repeat := fs.Duration("repeat", 0, "read again after this time, until stopped; then show least, highest, changes, failures and timing")
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
	case isRaw && len(points) > 0:
		return badInput{fmt.Errorf("points do not go with --%s: read either points or registers", strings.Join(rawFlags, ", --"))}
	case given["repeat"] && *repeat <= 0, given["for"] && *limit <= 0, given["for"] && !given["repeat"]:
		return badInput{fmt.Errorf("--repeat %v and --for %v; expected durations over 0 such as --repeat 1s --for 30s, or --repeat alone", *repeat, *limit)}
	case isRaw:
		r, err := raw.open(site, given)
		if err != nil {
			return badInput{err}
		}
		defer r.probe.Close()
		return r.run(ctx, *repeat, *limit, *asJSON, stdout, stderr)
	}
	r, err := newPointReader(site, points)
	if err != nil {
		return badInput{err}
	}
	defer r.close()
	out := r.table(stdout, stderr, *repeat <= 0)
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
	chosen  bool // by name
	probes  []*field.Probe
	tallies []tally
}

// output shows passes as they end, and tallies at the end of several.
type output struct {
	pass  func(at time.Time, samples []field.Sample) error
	tally func() error
}

// newPointReader finds points of a site by their name or their instrument's; none
// means all.
func newPointReader(site *config.Site, names []string) (*pointReader, error) {
	r := &pointReader{chosen: len(names) > 0}
	var known, instruments []string
	for _, l := range lines(site) {
		first := len(r.targets)
		for _, in := range l.Instruments {
			instruments = append(instruments, in.Name)
			for _, p := range in.Points {
				known = append(known, p.Name)
				if !r.chosen || slices.Contains(names, p.Name) || slices.Contains(names, in.Name) {
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
		if !slices.Contains(known, name) && !slices.Contains(instruments, name) {
			return nil, fmt.Errorf("there is no point and no instrument %q in %s, expected one of %s; or of the instruments %s",
				name, site.File, strings.Join(known, ", "), strings.Join(instruments, ", "))
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
	if err := again(ctx, repeat, limit, func(ctx context.Context) error { return r.once(ctx, out) }); err != nil {
		return err
	}
	if r.tallies[0].reads == 0 {
		return errStopped
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
		r.tallies[i].add(s)
		if s.Quality.Usable() {
			r.tallies[i].values.add(r.targets[i].point.Unit.FromSI(s.Value))
		}
	}
	return out.pass(at, samples)
}

// verdict says which points were not good, in any pass.
func (r *pointReader) verdict() error {
	var names []string
	for i, t := range r.tallies {
		if t.notGood > 0 {
			names = append(names, r.targets[i].point.Name)
		}
	}
	if names == nil {
		return nil
	}
	return fmt.Errorf("%d of %d points not good: %s", len(names), len(r.tallies), strings.Join(names, ", "))
}
