package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/reading"
)

// table shows passes and tallies as tables, and each failure in words once.
func (r *pointReader) table(stdout, stderr io.Writer) output {
	told := map[string]bool{}
	return output{
		pass: func(at time.Time, samples []field.Sample) error {
			fmt.Fprintln(stdout, at.UTC().Format(time.RFC3339))
			tw := tabwriter.NewWriter(stdout, 0, 0, 2, ' ', 0)
			fmt.Fprintln(tw, "POINT\tLINE\tMODBUS UNIT\tTABLE\tADDRESS\tREGISTERS\tVALUE\tQUALITY\tTOOK")
			for i, s := range samples {
				t := r.targets[i]
				fmt.Fprintf(tw, "%s\t%s\t%d\t%s\t%d\t%s\t%s\t%s\t%s\n", t.point.Name, t.lineName, t.instrument.Unit,
					t.point.Table, t.point.Address, or(strings.Join(registers(t.point.Table, s.Data), " "), "-"), shownValue(t.point, s), s.Quality, took(s.Took))
			}
			if err := tw.Flush(); err != nil {
				return err
			}
			for _, s := range samples {
				if s.Err != nil && !told[s.Err.Error()] {
					told[s.Err.Error()] = true
					fmt.Fprintln(stderr, "ebbwatch:", s.Err)
				}
			}
			return nil
		},
		tally: func() error {
			tw := tabwriter.NewWriter(stdout, 0, 0, 2, ' ', 0)
			fmt.Fprintln(tw, "\nPOINT\tREADS\tNOT GOOD\tCHANGES\tLEAST\tHIGHEST\tUNIT\tSLOWEST")
			for i, t := range r.tallies {
				least, highest := "-", "-"
				p := r.targets[i].point
				if t.usable {
					least, highest = digits(p, t.least), digits(p, t.highest)
				}
				fmt.Fprintf(tw, "%s\t%d\t%d\t%d\t%s\t%s\t%s\t%s\n", p.Name, t.reads, t.notGood, t.changes, least, highest, p.Unit, took(t.slowest))
			}
			return tw.Flush()
		},
	}
}

// registers writes the data of a table as it arrived: registers in hexadecimal,
// single bits as they are.
func registers(table field.Table, data []byte) []string {
	words := []string{}
	if table == field.Coil || table == field.DiscreteInput {
		for _, bit := range data {
			words = append(words, strconv.Itoa(int(bit)))
		}
		return words
	}
	for i := 0; i+2 <= len(data); i += 2 {
		words = append(words, fmt.Sprintf("0x%02X%02X", data[i], data[i+1]))
	}
	return words
}

// shownValue is a usable value with its unit. One that is bad because of what it
// is stands in brackets, since it tells what may be wrong with type or order.
func shownValue(p field.Point, s field.Sample) string {
	text := digits(p, p.Unit.FromSI(s.Value))
	if p.Unit.String() != "1" {
		text += " " + p.Unit.String()
	}
	switch {
	case s.Quality.Usable():
		return text
	case s.Quality.Reason == reading.OutOfRange, s.Quality.Reason == reading.SensorFailure:
		return "(" + text + ")"
	default:
		return "-"
	}
}

// digits shows as many as a point's type has.
func digits(p field.Point, v float64) string {
	n := 12
	if p.Type == "float32" {
		n = 7
	}
	return strconv.FormatFloat(v, 'g', n, 64)
}

func took(d time.Duration) string { return fmt.Sprintf("%.1f ms", milliseconds(d)) }

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// pointJSON is a point in one pass. Value is null when it is bad.
type pointJSON struct {
	Point      string      `json:"point"`
	Line       string      `json:"line"`
	Instrument string      `json:"instrument"`
	ModbusUnit byte        `json:"modbus_unit"`
	Table      field.Table `json:"table"`
	Address    uint16      `json:"address"`
	Registers  []string    `json:"registers"`
	Value      *float64    `json:"value"`
	Unit       string      `json:"unit"`
	Quality    string      `json:"quality"`
	Took       float64     `json:"took_ms"`
	Error      string      `json:"error,omitempty"`
}

// tallyJSON is what became of a point in all passes.
type tallyJSON struct {
	Point   string   `json:"point"`
	Reads   int      `json:"reads"`
	NotGood int      `json:"not_good"`
	Changes int      `json:"changes"`
	Least   *float64 `json:"least"`
	Highest *float64 `json:"highest"`
	Unit    string   `json:"unit"`
	Slowest float64  `json:"slowest_ms"`
}

// json shows each pass, and the tallies, as an object on a line of its own.
func (r *pointReader) json(stdout io.Writer) output {
	enc := json.NewEncoder(stdout)
	return output{
		pass: func(at time.Time, samples []field.Sample) error {
			points := make([]pointJSON, len(samples))
			for i, s := range samples {
				t := r.targets[i]
				points[i] = pointJSON{
					Point: t.point.Name, Line: t.lineName, Instrument: t.instrument.Name, ModbusUnit: t.instrument.Unit,
					Table: t.point.Table, Address: t.point.Address, Registers: registers(t.point.Table, s.Data),
					Unit: t.point.Unit.String(), Quality: s.Quality.String(), Took: milliseconds(s.Took),
				}
				if s.Quality.Usable() {
					points[i].Value = new(t.point.Unit.FromSI(s.Value))
				}
				if s.Err != nil {
					points[i].Error = s.Err.Error()
				}
			}
			return enc.Encode(struct {
				Time   time.Time   `json:"time"`
				Points []pointJSON `json:"points"`
			}{at.UTC(), points})
		},
		tally: func() error {
			all := make([]tallyJSON, len(r.tallies))
			for i, t := range r.tallies {
				p := r.targets[i].point
				all[i] = tallyJSON{Point: p.Name, Reads: t.reads, NotGood: t.notGood, Changes: t.changes, Unit: p.Unit.String(), Slowest: milliseconds(t.slowest)}
				if t.usable {
					all[i].Least, all[i].Highest = &t.least, &t.highest
				}
			}
			return enc.Encode(struct {
				Summary []tallyJSON `json:"summary"`
			}{all})
		},
	}
}
