package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/field"
)

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
		words, old := wordsOf(r.request.Table, s.Data), wordsOf(r.request.Table, before)
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
		shown = slices.DeleteFunc(shown, func(m meaning) bool { return len(m.factors) == 0 })
		slices.SortStableFunc(shown, func(a, b meaning) int {
			return cmp.Compare(likely(a.decodingJSON, a.factors[0]), likely(b.decodingJSON, b.factors[0]))
		})
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
		scale := 1.0
		if len(m.factors) > 0 {
			scale = m.factors[0]
		}
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
	pass := rawJSON{at.UTC(), r.lineName, q.Unit, q.Table, q.Address, wordsOf(q.Table, s.Data), s.Quality.String(), milliseconds(s.Took), "", all}
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
			mj.Inside = new(slices.Contains(m.factors, 1))
			if len(m.factors) > 0 && !*mj.Inside {
				mj.Factor = m.factors[0]
			}
		}
		s.Decodings = append(s.Decodings, mj)
	}
	return json.NewEncoder(w).Encode(struct {
		Summary rawSummaryJSON `json:"summary"`
	}{s})
}
