package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"

	"ebbwatch/agent/field"
	"ebbwatch/config"
)

// rawRead is a request for registers whose meaning is to be found.
type rawRead struct {
	line, table, expected   string
	unit, address, quantity int
}

// rawFlags are the flags by which it is known.
var rawFlags = []string{"line", "unit", "table", "address", "quantity", "range"}

func (r *rawRead) flags(fs *flag.FlagSet) {
	fs.StringVar(&r.line, "line", "", "registers: the line's name in the site file")
	fs.IntVar(&r.unit, "unit", 0, "registers: the Modbus unit, which need not be in the site file")
	fs.StringVar(&r.table, "table", string(field.HoldingRegister), "registers: coil, discrete-input, holding-register or input-register")
	fs.IntVar(&r.address, "address", 0, "registers: the first address, counted from 0")
	fs.IntVar(&r.quantity, "quantity", 4, "registers: how many addresses")
	fs.StringVar(&r.expected, "range", "", `registers: mark the values inside, such as "0 to 10"`)
}

// rawJSON is the answer. Inside is absent when no range was given.
type rawJSON struct {
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

type decodingJSON struct {
	Address   uint16   `json:"address"`
	Registers []string `json:"registers"`
	Type      string   `json:"type"`
	Order     string   `json:"order"`
	Value     float64  `json:"value"`
	Inside    *bool    `json:"inside,omitempty"`
}

func (r *rawRead) run(ctx context.Context, site *config.Site, given map[string]bool, asJSON bool, stdout, stderr io.Writer) error {
	for _, name := range []string{"line", "unit", "address"} {
		if !given[name] {
			return badInput{fmt.Errorf("which registers? give --line, --unit and --address; --%s is missing", name)}
		}
	}
	all := lines(site)
	i := slices.IndexFunc(all, func(l field.Line) bool { return l.Name == r.line })
	if i < 0 {
		var names []string
		for _, l := range all {
			names = append(names, l.Name)
		}
		return badInput{fmt.Errorf("there is no line %q in %s, expected one of %s", r.line, site.File, strings.Join(names, ", "))}
	}
	expected, err := parseRange(r.expected)
	if err != nil {
		return badInput{err}
	}
	if r.unit < 0 || r.unit > 255 || r.address < 0 || r.address > 65535 {
		return badInput{fmt.Errorf("unit %d and address %d; expected a unit up to 255 and an address up to 65535, none of them negative", r.unit, r.address)}
	}
	request := field.Request{Unit: byte(r.unit), Table: field.Table(r.table), Address: uint16(r.address), Quantity: r.quantity}
	if err := request.Check(all[i].Kind); err != nil {
		return badInput{err}
	}
	probe, err := field.NewProbe(all[i])
	if err != nil {
		return badInput{err}
	}
	defer probe.Close()
	name := "not in the site file"
	for _, in := range all[i].Instruments {
		if in.Unit == request.Unit {
			name = in.Name
		}
	}
	s := probe.Read(ctx, name, request)
	if ctx.Err() != nil {
		return errStopped
	}
	answer := rawJSON{
		Line: r.line, ModbusUnit: request.Unit, Table: request.Table, Address: request.Address, Registers: registers(request.Table, s.Data),
		Quality: s.Quality.String(), Took: milliseconds(s.Took), Decodings: decodings(request, s.Data, expected),
	}
	if s.Err != nil {
		answer.Error = s.Err.Error()
	}
	show := answer.table
	if asJSON {
		show = func(w io.Writer, _ *[2]float64) error { return json.NewEncoder(w).Encode(answer) }
	}
	if err := show(stdout, expected); err != nil {
		return err
	}
	return s.Err
}

// parseRange reads "0 to 10"; an empty text is no range.
func parseRange(s string) (*[2]float64, error) {
	if s == "" {
		return nil, nil
	}
	before, after, _ := strings.Cut(s, " to ")
	low, err := strconv.ParseFloat(strings.TrimSpace(before), 64)
	high, err2 := strconv.ParseFloat(strings.TrimSpace(after), 64)
	if err = errors.Join(err, err2); err != nil || !(low < high) {
		return nil, fmt.Errorf(`--range %q, expected two numbers, the lower first, such as "0 to 10"`, s)
	}
	return &[2]float64{low, high}, nil
}

// decodings lists what registers can mean; single bits mean what they are.
func decodings(r field.Request, data []byte, expected *[2]float64) []decodingJSON {
	all := []decodingJSON{}
	if r.Table == field.Coil || r.Table == field.DiscreteInput {
		return all
	}
	for _, d := range field.Decodings(r.Address, data) {
		dj := decodingJSON{d.Address, registers(r.Table, d.Data), d.Type, d.Order, d.Value, nil}
		if expected != nil {
			dj.Inside = new(expected[0] <= d.Value && d.Value <= expected[1])
		}
		all = append(all, dj)
	}
	return all
}

func (a rawJSON) table(w io.Writer, expected *[2]float64) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	if a.Error == "" {
		fmt.Fprintf(w, "%s, unit %d: answered in %.1f ms\n\n", a.Line, a.ModbusUnit, a.Took)
		fmt.Fprintln(tw, strings.ToUpper(string(a.Table))+"\tAS IT ARRIVED")
		for i, word := range a.Registers {
			fmt.Fprintf(tw, "%d\t%s\n", int(a.Address)+i, word)
		}
	}
	if len(a.Decodings) > 0 {
		inside := ""
		if expected != nil {
			inside = fmt.Sprintf("\t%g TO %g", expected[0], expected[1])
		}
		fmt.Fprintln(tw, "\nFROM\tREGISTERS\tTYPE\tORDER\tVALUE"+inside)
		for _, d := range a.Decodings {
			mark := ""
			if d.Inside != nil && *d.Inside {
				mark = "\tinside"
			}
			fmt.Fprintf(tw, "%d\t%s\t%s\t%s\t%s%s\n", d.Address, strings.Join(d.Registers, " "), d.Type, d.Order, digits(field.Point{Type: d.Type}, d.Value), mark)
		}
	}
	return tw.Flush()
}
