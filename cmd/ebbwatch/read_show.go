package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/reading"
)

// table shows passes and tallies as tables, and each failure in words once. Of
// chosen points that are read once it shows all that their registers can mean.
func (r *pointReader) table(stdout, stderr io.Writer, once bool) output {
	told := map[string]bool{}
	return output{
		pass: func(at time.Time, samples []field.Sample) error {
			fmt.Fprintln(stdout, at.UTC().Format(time.RFC3339))
			tw := tabwriter.NewWriter(stdout, 0, 0, 2, ' ', 0)
			fmt.Fprintln(tw, "POINT\tLINE\tMODBUS UNIT\tTABLE\tADDRESS\tREGISTERS\tVALUE\tQUALITY\tTOOK")
			for i, s := range samples {
				t := r.targets[i]
				fmt.Fprintf(tw, "%s\t%s\t%d\t%s\t%d\t%s\t%s\t%s\t%s\n", t.point.Name, t.lineName, t.instrument.Unit,
					t.point.Table, t.point.Address, or(strings.Join(wordsOf(t.point.Table, s.Data), " "), "-"), shownValue(t.point, s), s.Quality, took(s.Took))
			}
			if err := tw.Flush(); err != nil {
				return err
			}
			for i, s := range samples {
				text := r.targets[i].hint(s)
				about := r.targets[i].point.Name // the value in a hint changes
				if s.Err != nil {
					text = s.Err.Error()
					about = text
				}
				if text != "" && !told[about] {
					told[about] = true
					fmt.Fprintln(stderr, "ebbwatch:", text)
				}
			}
			if !r.chosen || !once {
				return nil
			}
			for i, s := range samples {
				if err := r.targets[i].showMeanings(stdout, s); err != nil {
					return err
				}
			}
			return nil
		},
		tally: func() error {
			tw := tabwriter.NewWriter(stdout, 0, 0, 2, ' ', 0)
			fmt.Fprintln(tw, "\nPOINT\tREADS\tFAILED\tNOT GOOD\tCHANGES\tLEAST\tHIGHEST\tUNIT\tQUICKEST\tMEAN\tSLOWEST\tWHY NOT GOOD")
			for i, t := range r.tallies {
				least, highest := "-", "-"
				p := r.targets[i].point
				if t.values.n > 0 {
					least, highest = digits(p.Type, t.values.least), digits(p.Type, t.values.highest)
				}
				fmt.Fprintf(tw, "%s\t%d\t%d\t%d\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", p.Name, t.reads, t.errors, t.notGood, t.changes,
					least, highest, p.Unit, took(t.quickest), took(t.mean()), took(t.slowest), or(t.reasons(), "-"))
			}
			return tw.Flush()
		},
	}
}

// shownValue is a usable value with its unit. One that is bad because of what it
// is stands in brackets, since it tells what may be wrong with type or order.
func shownValue(p field.Point, s field.Sample) string {
	text := digits(p.Type, p.Unit.FromSI(s.Value))
	if p.Unit.String() != "1" {
		text += " " + p.Unit.String()
	}
	switch {
	case p.Type == "text" && s.Quality.Usable() && len(p.Expect) > 0:
		return strconv.Quote(s.Text) + map[bool]string{true: ", as expected", false: ", not as expected"}[slices.Contains(p.Expect, s.Text)]
	case p.Type == "text" && s.Quality.Usable():
		return strconv.Quote(s.Text)
	case s.Quality.Usable():
		return text
	case s.Quality.Reason == reading.OutOfRange, s.Quality.Reason == reading.SensorFailure:
		return "(" + text + ")"
	default:
		return "-"
	}
}

func took(d time.Duration) string { return fmt.Sprintf("%.1f ms", milliseconds(d)) }

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// expected is the range of the point, nil when it has none.
func (t target) expected() *expectation {
	if t.point.Range == nil {
		return nil
	}
	return &expectation{t.point.Range[0], t.point.Range[1], t.point.Unit.String()}
}

// decodings lists what the registers of the point can mean, with its scale.
func (t target) decodings(s field.Sample) []decodingJSON {
	return decodings(t.point.Table, t.point.Address, s.Data, t.point.Scale, t.point.Offset, t.expected())
}

// How many times its range's limit a number must be to be hardly one, and which
// part of it another must at least be to be offered. Common practice, no source.
const gross, slight = 100, 1e-4

// hint tells of a number that is hardly one when its registers fit in another
// order, or as another type of the same size.
func (t target) hint(s field.Sample) string {
	p := t.point
	if p.Range == nil || p.Type == "text" || p.Bit != nil || p.Bits != nil || p.Current != nil {
		return ""
	}
	limit := max(math.Abs(p.Range[0]), math.Abs(p.Range[1]))
	switch q := s.Quality; {
	case q.Reason == reading.OutOfRange && math.Abs(p.Unit.FromSI(s.Value)) > gross*limit, q.Reason == reading.NotANumber, q.Reason == reading.InvalidCode, q.Reason == reading.WordOrder:
	case q.Level == reading.Good && strings.HasPrefix(p.Type, "float"):
	default:
		return ""
	}
	var others []string
	for _, d := range t.decodings(s) {
		switch {
		case d.Value == nil || len(d.Registers) != len(s.Data)/2:
		case d.Type == p.Type && d.Order == or(p.Order, "ABCD") && s.Quality.Level == reading.Good:
			return "" // it is plausible
		case *d.Inside && math.Abs(*d.Value) >= slight*limit:
			others = append(others, fmt.Sprintf("%s %s gives %s %s", d.Type, d.Order, d, p.Unit))
		}
	}
	if others == nil {
		return ""
	}
	return fmt.Sprintf("%s: as %s %s its registers hardly make sense; %s: compare with the display of the instrument",
		p.Name, p.Type, or(p.Order, "ABCD"), strings.Join(others, ", "))
}

// showMeanings prints what the registers of the point can mean.
func (t target) showMeanings(w io.Writer, s field.Sample) error {
	all := t.decodings(s)
	if len(all) == 0 {
		return nil
	}
	fmt.Fprintf(w, "\n%s is %s %s", t.point.Name, t.point.Type, or(t.point.Order, "ABCD"))
	if t.point.Scale != 1 || t.point.Offset != 0 {
		fmt.Fprintf(w, ", scale %.7g, offset %.7g", t.point.Scale, t.point.Offset)
	}
	if t.point.Unit.String() != "1" {
		fmt.Fprintf(w, ", in %s", t.point.Unit)
	}
	fmt.Fprintln(w)
	if err := showRegisters(w, t.point.Table, t.point.Address, s.Data); err != nil {
		return err
	}
	return showDecodings(w, all, t.expected())
}

// pointJSON is a point in one pass. Value is null when it is bad. Decodings are
// there when points were chosen.
type pointJSON struct {
	Point      string         `json:"point"`
	Line       string         `json:"line"`
	Instrument string         `json:"instrument"`
	ModbusUnit byte           `json:"modbus_unit"`
	Table      field.Table    `json:"table"`
	Address    uint16         `json:"address"`
	Registers  []string       `json:"registers"`
	Value      *float64       `json:"value"`
	Text       string         `json:"text,omitempty"`
	Unit       string         `json:"unit"`
	Quality    string         `json:"quality"`
	Took       float64        `json:"took_ms"`
	Error      string         `json:"error,omitempty"`
	Decodings  []decodingJSON `json:"decodings,omitempty"`
}

// tallyJSON is what became of a point in all passes.
type tallyJSON struct {
	Point string `json:"point"`
	timingJSON
	Least   *float64 `json:"least"`
	Highest *float64 `json:"highest"`
	Unit    string   `json:"unit"`
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
					Table: t.point.Table, Address: t.point.Address, Registers: wordsOf(t.point.Table, s.Data),
					Unit: t.point.Unit.String(), Quality: s.Quality.String(), Took: milliseconds(s.Took),
				}
				points[i].Text = s.Text
				if r.chosen {
					points[i].Decodings = t.decodings(s)
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
				all[i] = tallyJSON{Point: p.Name, timingJSON: t.json(), Unit: p.Unit.String()}
				if t.values.n > 0 {
					all[i].Least, all[i].Highest = &t.values.least, &t.values.highest
				}
			}
			return enc.Encode(struct {
				Summary []tallyJSON `json:"summary"`
			}{all})
		},
	}
}
