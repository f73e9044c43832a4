package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"ebbwatch/agent/units"
)

const calcUsage = `ebbwatch calc does the trade's sums with the very figures that ebbwatch run uses,
units in, units out, and shows formula and source.

  ebbwatch calc ct --residual "1.2 mg/L" --ph 7.5 --temp "10 degC" --flow "1400 gpm" --volume "400000 gal" --baffling 0.5
  ebbwatch calc feed --flow "2.5 MGD" --dose "2 mg/L"
  ebbwatch calc feed --volume "3000 gal" --demand "2 mg/L" --residual "5 mg/L"
  ebbwatch calc limit --container ton --room "55 degF" --count 2 --rate "834 lb/d"
  ebbwatch calc empty --gross "2610 lb" --tare "1480 lb" --heel "36 lb" --rate "212 lb/d"

A number without a unit is taken in the unit that --help shows for its flag.
`

// sum is one of the trade's sums.
type sum struct {
	name string
	// setup declares the flags and returns what computes.
	setup func(c *calculation) func() error
}

func sums() []sum {
	return []sum{{"ct", calcCT}, {"feed", calcFeed}, {"limit", calcLimit}, {"empty", calcEmpty}}
}

func runCalc(_ context.Context, args []string, stdout, _ io.Writer) error {
	names := make([]string, 0, len(sums()))
	for _, s := range sums() {
		names = append(names, s.name)
		if len(args) == 0 || args[0] != s.name {
			continue
		}
		c := &calculation{fs: flags("calc " + s.name)}
		asJSON := c.fs.Bool("json", false, "print one JSON object")
		system := c.fs.String("units", "us", "units of the result, us or si")
		compute := s.setup(c)
		if err := parse(c.fs, calcUsage, args[1:], stdout); err != nil {
			return err
		}
		if *system != "us" && *system != "si" {
			return badInput{fmt.Errorf("--units %q: expected us or si", *system)}
		}
		c.si = *system == "si"
		if err := compute(); err != nil {
			return badInput{fmt.Errorf("calc %s: %w; ebbwatch calc %s --help shows an example", s.name, err, s.name)}
		}
		if *asJSON {
			return c.writeJSON(stdout)
		}
		return c.writeText(stdout)
	}
	if len(args) > 0 && (args[0] == "--help" || args[0] == "-h") {
		fmt.Fprint(stdout, calcUsage)
		return flag.ErrHelp
	}
	return badInput{fmt.Errorf("calc needs one of %s; ebbwatch calc --help shows examples", strings.Join(names, ", "))}
}

// calculation gathers what a sum was given and what it found.
type calculation struct {
	fs      *flag.FlagSet
	si      bool
	given   []*quantity
	results []result
	method  string
	formula []string
	sources []string
}

// quantity is a flag that takes a number with its unit.
type quantity struct {
	name  string
	unit  units.Unit // of a bare number
	text  string     // as given; empty when it was not
	value float64    // in SI
}

func (q *quantity) String() string { return q.text }

// Set implements flag.Value.
func (q *quantity) Set(s string) error {
	v, u, err := units.ParseQuantity(s)
	if bare, e := strconv.ParseFloat(strings.TrimSpace(s), 64); e == nil {
		v, u, err = bare, q.unit, nil
	}
	if err != nil {
		return err
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return errors.New("not a finite number")
	}
	if u.Dimension != q.unit.Dimension {
		return fmt.Errorf("%s is a unit of %s, expected %s such as %s", u.Symbol, u.Dimension, q.unit.Dimension, strings.Join(units.Symbols(q.unit.Dimension), ", "))
	}
	q.text, q.value = strings.TrimSpace(s), u.SI(v)
	return nil
}

func (q *quantity) isGiven() bool { return q.text != "" }

// quantity declares a flag. The text of an otherwise is what holds when the flag
// is not given; empty for none.
func (c *calculation) quantity(name, unit, otherwise, help string) *quantity {
	q := &quantity{name: name, unit: units.MustParse(unit)}
	if otherwise != "" {
		if err := q.Set(otherwise); err != nil {
			panic(err) // a default of ours
		}
	}
	shown := unit
	if unit == "1" {
		shown = "a number"
	}
	c.fs.Var(q, name, fmt.Sprintf("%s (%s)", help, shown))
	c.given = append(c.given, q)
	return q
}

// need reports the first flag that is missing or outside its bounds.
func need(bounds ...bound) error {
	for _, b := range bounds {
		if !b.q.isGiven() {
			return fmt.Errorf("--%s is missing", b.q.name)
		}
		if v := b.q.unit.FromSI(b.q.value); !(v >= b.low && v <= b.high) || b.open && v == b.low {
			from := "from"
			if b.open {
				from = "over"
			}
			return fmt.Errorf("--%s %s: expected %s %g to %g %s", b.q.name, b.q.text, from, b.low, b.high, b.q.unit)
		}
	}
	return nil
}

// bound is what a flag's value may be, in the flag's own unit.
type bound struct {
	q         *quantity
	low, high float64
	open      bool // low itself is not allowed
}

func from(q *quantity, low, high float64) bound { return bound{q, low, high, false} }
func over(q *quantity, low, high float64) bound { return bound{q, low, high, true} }

// result is one named value.
type result struct {
	name string
	si   float64
	us   units.Unit
	// metric is the unit under --units si, the same where the zero Unit.
	metric units.Unit
}

func (c *calculation) result(name string, si float64, us, metric string) {
	c.results = append(c.results, result{name, si, units.MustParse(us), units.MustParse(metric)})
}

func (c *calculation) shown(r result) (float64, units.Unit) {
	u := r.us
	if c.si {
		u = r.metric
	}
	return u.FromSI(r.si), u
}

// writeJSON prints the object of the contract.
func (c *calculation) writeJSON(w io.Writer) error {
	type value struct {
		Value float64 `json:"value"`
		Unit  string  `json:"unit"`
	}
	type input struct {
		Given string `json:"given"`
		SI    value  `json:"si"`
	}
	out := struct {
		Inputs  map[string]input `json:"inputs"`
		Result  map[string]value `json:"result"`
		Method  string           `json:"method"`
		Sources []string         `json:"sources"`
	}{map[string]input{}, map[string]value{}, c.method, c.sources}
	for _, q := range c.given {
		if q.isGiven() {
			out.Inputs[q.name] = input{q.text, value{q.value, siSymbol(q.unit.Dimension)}}
		}
	}
	for _, r := range c.results {
		v, u := c.shown(r)
		out.Result[r.name] = value{v, u.Symbol}
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(out)
}

// siSymbol is the unit whose values are the SI values of its dimension.
func siSymbol(d units.Dimension) string {
	all := units.Symbols(d)
	i := slices.IndexFunc(all, func(s string) bool { u := units.MustParse(s); return u.SI(1) == 1 && u.SI(0) == 0 })
	if i < 0 {
		return string(d)
	}
	return all[i]
}

func (c *calculation) writeText(w io.Writer) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, r := range c.results {
		v, u := c.shown(r)
		unit := u.Symbol
		if unit == "1" {
			unit = ""
		}
		text := strconv.FormatFloat(v, 'g', 4, 64)
		if math.Abs(v) >= 1000 {
			text = strconv.FormatFloat(v, 'f', 0, 64)
		}
		fmt.Fprintf(tw, "%s\t%s\n", strings.ReplaceAll(r.name, "_", " "), strings.TrimSpace(text+" "+unit))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(w, "\nmethod   %s\n", c.method)
	for _, f := range c.formula {
		fmt.Fprintln(w, "formula ", f)
	}
	for _, s := range c.sources {
		fmt.Fprintln(w, "source  ", s)
	}
	return nil
}
