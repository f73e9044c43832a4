package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/reading"
	"ebbwatch/config"
)

// rawRead is a request for registers whose meaning is to be found.
type rawRead struct {
	line, table, expected   string
	unit, address, quantity int
}

// rawFlags are the flags by which it is known.
var rawFlags = []string{"line", "unit", "table", "address", "quantity", "expect"}

func (r *rawRead) flags(fs *flag.FlagSet) {
	fs.StringVar(&r.line, "line", "", "registers: the line's name in the site file")
	fs.IntVar(&r.unit, "unit", 0, "registers: the Modbus unit, which need not be in the site file")
	fs.StringVar(&r.table, "table", string(field.HoldingRegister), "registers: coil, discrete-input, holding-register or input-register")
	fs.IntVar(&r.address, "address", 0, "registers: the first address, counted from 0")
	fs.IntVar(&r.quantity, "quantity", 4, "registers: how many addresses")
	fs.StringVar(&r.expected, "expect", "", `registers: mark the values inside, such as "0.1 mg/L to 4 mg/L" or "0 to 10", or near the number on the display, such as 1.23`)
}

// rawReader reads one run of addresses.
type rawReader struct {
	lineName, name string
	request        field.Request
	probe          *field.Probe
	expected       *expectation
	tally          tally
	cells          []cell // of each address
	meanings       []meaning
	last           error // of the last failure
	told           string
}

// cell is what became of one address: its changes, and its unsigned value.
type cell struct {
	changes int
	values  span
}

// meaning is a decoding that was plausible in all passes.
type meaning struct {
	decodingJSON
	values  span
	factors []float64 // that brought it inside in all passes
}

// open checks the request and readies the line.
func (r *rawRead) open(site *config.Site, given map[string]bool) (*rawReader, error) {
	for _, name := range []string{"line", "unit", "address"} {
		if !given[name] {
			return nil, fmt.Errorf("which registers? give --line, --unit and --address; --%s is missing", name)
		}
	}
	all := lines(site)
	i := slices.IndexFunc(all, func(l field.Line) bool { return l.Name == r.line })
	if i < 0 {
		var names []string
		for _, l := range all {
			names = append(names, l.Name)
		}
		return nil, fmt.Errorf("there is no line %q in %s, expected one of %s", r.line, site.File, strings.Join(names, ", "))
	}
	expected, err := parseExpect(r.expected)
	if err != nil {
		return nil, err
	}
	if r.unit < 0 || r.unit > 255 || r.address < 0 || r.address > 65535 {
		return nil, fmt.Errorf("unit %d and address %d; expected a unit up to 255 and an address up to 65535, none of them negative", r.unit, r.address)
	}
	request := field.Request{Unit: byte(r.unit), Table: field.Table(r.table), Address: uint16(r.address), Quantity: r.quantity}
	if err := request.Check(all[i].Kind); err != nil {
		return nil, err
	}
	if expected != nil && (request.Table == field.Coil || request.Table == field.DiscreteInput) {
		return nil, fmt.Errorf("--expect %q of a %s, expected with registers alone: a single bit is 0 or 1", r.expected, request.Table)
	}
	probe, err := field.NewProbe(all[i])
	if err != nil {
		return nil, err
	}
	name := "not in the site file"
	for _, in := range all[i].Instruments {
		if in.Unit == request.Unit {
			name = in.Name
		}
	}
	return &rawReader{lineName: r.line, name: name, request: request, probe: probe, expected: expected, cells: make([]cell, r.quantity)}, nil
}

// run reads once, or again and again with a summary at the end.
func (r *rawReader) run(ctx context.Context, repeat, limit time.Duration, asJSON bool, stdout, stderr io.Writer) error {
	show, summary := r.showPass, r.showSummary
	if asJSON {
		show, summary = r.jsonPass, r.jsonSummary
	}
	once := func(ctx context.Context) error {
		at := time.Now()
		s := r.probe.Read(ctx, r.name, r.request)
		if ctx.Err() != nil {
			return errStopped
		}
		if r.request.Quantity > 1 && s.Quality == reading.BadBecause(reading.Exception+"-2") {
			s.Err = fmt.Errorf("%w; one address that does not exist is enough: try fewer", s.Err)
		}
		all := decodings(r.request.Table, r.request.Address, s.Data, 1, 0, r.expected)
		before := r.add(s, all)
		if s.Err != nil && repeat > 0 && r.told != s.Err.Error() {
			r.told = s.Err.Error()
			fmt.Fprintln(stderr, "ebbwatch:", r.told)
		}
		return show(stdout, at, s, before, all, repeat > 0)
	}
	if repeat <= 0 {
		if err := once(ctx); err != nil {
			return err
		}
		return r.last
	}
	if err := again(ctx, repeat, limit, once); err != nil {
		return err
	}
	if r.tally.reads == 0 {
		return errStopped
	}
	if err := summary(stdout); err != nil {
		return err
	}
	if r.tally.errors > 0 {
		return fmt.Errorf("%d of %d reads failed: %s", r.tally.errors, r.tally.reads, r.tally.reasons())
	}
	return nil
}

// add takes up a sample. It returns the data before when the sample has other.
func (r *rawReader) add(s field.Sample, all []decodingJSON) (before []byte) {
	first := r.tally.last == nil
	before = r.tally.add(s)
	if s.Data == nil {
		r.last = s.Err
		return nil
	}
	for i := range r.cells {
		v := r.number(s.Data, i)
		r.cells[i].values.add(float64(v))
		if before != nil && v != r.number(before, i) {
			r.cells[i].changes++
		}
	}
	now := map[key]decodingJSON{}
	for _, d := range all {
		now[keyOf(d)] = d
		if first {
			r.meanings = append(r.meanings, meaning{d, span{}, slices.Clone(factors)})
		}
	}
	r.meanings = slices.DeleteFunc(r.meanings, func(m meaning) bool { _, still := now[keyOf(m.decodingJSON)]; return !still })
	for i := range r.meanings {
		m := &r.meanings[i]
		d := now[keyOf(m.decodingJSON)]
		m.Text = d.Text
		if d.Value != nil {
			m.values.add(*d.Value)
		}
		m.factors = slices.DeleteFunc(m.factors, func(f float64) bool {
			return r.expected == nil || d.Value == nil || !r.expected.fits(d.Type, *d.Value, f)
		})
	}
	return before
}

// key tells decodings apart.
type key struct {
	address     uint16
	kind, order string
}

func keyOf(d decodingJSON) key { return key{d.Address, d.Type, d.Order} }

// number is the unsigned value at the i-th address.
func (r *rawReader) number(data []byte, i int) int {
	if r.bits() {
		return int(data[i])
	}
	return int(data[2*i])<<8 | int(data[2*i+1])
}

func (r *rawReader) bits() bool {
	return r.request.Table == field.Coil || r.request.Table == field.DiscreteInput
}
