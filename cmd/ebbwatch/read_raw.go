package main

import (
	"cmp"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/field"
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
	values span
	inside bool // in all passes, if need be by its factor
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
			r.meanings = append(r.meanings, meaning{d, span{}, true})
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
		m.inside = m.inside && d.Inside != nil && (*d.Inside || d.Factor != 0) && d.Factor == m.Factor
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

// showPass prints all of a pass, or only what has changed when it repeats.
func (r *rawReader) showPass(w io.Writer, at time.Time, s field.Sample, before []byte, all []decodingJSON, repeats bool) error {
	switch {
	case s.Err != nil && !repeats:
		return nil // the exit tells
	case s.Err != nil:
		_, err := fmt.Fprintf(w, "%s  %s  %s\n", clock(at), took(s.Took), s.Quality)
		return err
	case !repeats:
		fmt.Fprintf(w, "%s, unit %d (%s), %s: answered in %s\n\n", r.lineName, r.request.Unit, r.name, r.addresses(), took(s.Took))
		if err := showRegisters(w, r.request.Table, r.request.Address, s.Data); err != nil {
			return err
		}
		if err := showDecodings(w, all, r.expected); err != nil || r.bits() {
			return err
		}
		return showExpected(w, all, r.expected)
	case r.tally.reads-r.tally.errors == 1:
		fmt.Fprintf(w, "%s, unit %d (%s), %s\n\n", r.lineName, r.request.Unit, r.name, r.addresses())
		if err := showRegisters(w, r.request.Table, r.request.Address, s.Data); err != nil {
			return err
		}
		_, err := fmt.Fprintf(w, "\n%s  %s\n", clock(at), took(s.Took))
		return err
	}
	var changed []string
	if before != nil {
		words, old := registers(r.request.Table, s.Data), registers(r.request.Table, before)
		for i := range words {
			if words[i] != old[i] {
				changed = append(changed, fmt.Sprintf("%d: %d -> %d", int(r.request.Address)+i, r.number(before, i), r.number(s.Data, i)))
			}
		}
	}
	_, err := fmt.Fprintf(w, "%s  %s  %s\n", clock(at), took(s.Took), or(strings.Join(changed, ", "), "no change"))
	return err
}

func clock(at time.Time) string { return at.UTC().Format("15:04:05.000Z") }

// addresses names the run.
func (r *rawReader) addresses() string {
	q := r.request
	if q.Quantity == 1 {
		return fmt.Sprintf("%s %d", q.Table, q.Address)
	}
	return fmt.Sprintf("%s %d to %d", q.Table, q.Address, int(q.Address)+q.Quantity-1)
}

// showSummary prints what changed in all passes, then what the registers can
// mean: as expected in every pass, or, without an expectation, in the registers
// that changed.
func (r *rawReader) showSummary(w io.Writer) error {
	t := &r.tally
	fmt.Fprintf(w, "\n%d reads, %d failed, %d with a change; quickest %s, mean %s, slowest %s\n", t.reads, t.errors, t.changes, took(t.quickest), took(t.mean()), took(t.slowest))
	if t.errors > 0 {
		fmt.Fprintln(w, t.reasons())
	}
	if t.last == nil {
		return nil
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "\nADDRESS\tCHANGES\tLEAST\tHIGHEST")
	for i, c := range r.cells {
		fmt.Fprintf(tw, "%d\t%d\t%.0f\t%.0f\n", int(r.request.Address)+i, c.changes, c.values.least, c.values.highest)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	shown := slices.Clone(r.meanings)
	if r.expected != nil {
		shown = slices.DeleteFunc(shown, func(m meaning) bool { return !m.inside })
		slices.SortStableFunc(shown, func(a, b meaning) int { return cmp.Compare(likely(a.decodingJSON), likely(b.decodingJSON)) })
		fmt.Fprintf(w, "\nInside %v in every pass, the likely first:", r.expected)
	} else {
		shown = slices.DeleteFunc(shown, func(m meaning) bool { return !r.moved(m) })
		fmt.Fprint(w, "\nWhat the registers that changed can mean:")
	}
	if len(shown) == 0 {
		_, err := fmt.Fprintln(w, " none")
		return err
	}
	fmt.Fprintln(tw, "\nFROM\tTYPE\tORDER\tSCALE\tLEAST\tHIGHEST")
	for _, m := range shown {
		scale := cmp.Or(m.Factor, 1)
		least, highest := digits(m.Type, m.values.least*scale), digits(m.Type, m.values.highest*scale)
		if m.Value == nil {
			least, highest = "-", "-"
		}
		fmt.Fprintf(tw, "%d\t%s\t%s\t%g\t%s\t%s\n", m.Address, m.Type, m.Order, scale, least, highest)
	}
	return tw.Flush()
}

// moved reports whether a register of m changed.
func (r *rawReader) moved(m meaning) bool {
	first := int(m.Address - r.request.Address)
	return slices.ContainsFunc(r.cells[first:first+len(m.Registers)], func(c cell) bool { return c.changes > 0 })
}

// rawJSON is a pass.
type rawJSON struct {
	Time       time.Time      `json:"time"`
	Line       string         `json:"line"`
	ModbusUnit byte           `json:"modbus_unit"`
	Table      field.Table    `json:"table"`
	Address    uint16         `json:"address"`
	Registers  []string       `json:"registers"`
	Quality    string         `json:"quality"`
	Took       float64        `json:"took_ms"`
	Error      string         `json:"error,omitempty"`
	Decodings  []decodingJSON `json:"decodings"`
}

func (r *rawReader) jsonPass(w io.Writer, at time.Time, s field.Sample, _ []byte, all []decodingJSON, _ bool) error {
	q := r.request
	pass := rawJSON{at.UTC(), r.lineName, q.Unit, q.Table, q.Address, registers(q.Table, s.Data), s.Quality.String(), milliseconds(s.Took), "", all}
	if s.Err != nil {
		pass.Error = s.Err.Error()
	}
	return json.NewEncoder(w).Encode(pass)
}

// rawSummaryJSON ends several passes. Its decodings were plausible in all.
type rawSummaryJSON struct {
	timingJSON
	Addresses []addressJSON `json:"addresses"`
	Decodings []meaningJSON `json:"decodings"`
}

type addressJSON struct {
	Address int     `json:"address"`
	Changes int     `json:"changes"`
	Least   float64 `json:"least"`
	Highest float64 `json:"highest"`
}

// meaningJSON has no least and highest for a text.
type meaningJSON struct {
	Address uint16   `json:"address"`
	Type    string   `json:"type"`
	Order   string   `json:"order"`
	Least   *float64 `json:"least"`
	Highest *float64 `json:"highest"`
	Text    string   `json:"text,omitempty"`
	Inside  *bool    `json:"inside,omitempty"`
	Factor  float64  `json:"factor,omitempty"`
}

func (r *rawReader) jsonSummary(w io.Writer) error {
	s := rawSummaryJSON{r.tally.json(), []addressJSON{}, []meaningJSON{}}
	for i, c := range r.cells {
		if c.values.n > 0 {
			s.Addresses = append(s.Addresses, addressJSON{int(r.request.Address) + i, c.changes, c.values.least, c.values.highest})
		}
	}
	for _, m := range r.meanings {
		mj := meaningJSON{Address: m.Address, Type: m.Type, Order: m.Order, Text: m.Text}
		if m.Value != nil {
			mj.Least, mj.Highest = &m.values.least, &m.values.highest
		}
		if r.expected != nil && m.Value != nil {
			mj.Inside = new(m.inside && m.Factor == 0)
			if m.inside {
				mj.Factor = m.Factor
			}
		}
		s.Decodings = append(s.Decodings, mj)
	}
	return json.NewEncoder(w).Encode(struct {
		Summary rawSummaryJSON `json:"summary"`
	}{s})
}
