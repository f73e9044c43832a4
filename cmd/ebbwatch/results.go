package main

import (
	"bufio"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

// figuresFile writes figures as CSV, each when it changes.
type figuresFile struct {
	out  *bufio.Writer
	last []plant.Figure
	row  []byte
}

func newFiguresFile(w io.Writer) *figuresFile {
	f := &figuresFile{out: bufio.NewWriterSize(w, 64<<10)}
	f.out.WriteString("time,figure,value,low,high,unit,quality\r\n")
	return f
}

// step writes what differs from the step before.
func (f *figuresFile) step(at time.Time, figures []plant.Figure) {
	for i := range figures {
		g := &figures[i]
		if i < len(f.last) && sameFigure(g, &f.last[i]) {
			continue
		}
		usable := g.Quality.Usable()
		b := append(csvTime(f.row[:0], at), ',')
		b = append(append(b, g.Name...), ',')
		b = append(appendNumber(b, g.Unit, g.Value, usable), ',')
		b = append(appendNumber(b, g.Unit, g.Low, usable), ',')
		b = append(appendNumber(b, g.Unit, g.High, usable), ',')
		b = append(append(b, g.Unit.Symbol...), ',')
		f.row = append(append(b, csvText(g.Quality.String())...), "\r\n"...)
		f.out.Write(f.row)
	}
	f.last = append(f.last[:0], figures...)
}

func (f *figuresFile) flush() error { return f.out.Flush() }

// sameFigure compares what a row shows; NaN is equal to itself.
func sameFigure(a, b *plant.Figure) bool {
	same := func(x, y float64) bool { return math.Float64bits(x) == math.Float64bits(y) }
	return a.Quality == b.Quality && same(a.Value, b.Value) && same(a.Low, b.Low) && same(a.High, b.High)
}

// appendNumber writes a number in the figure's unit, or nothing where there is none.
func appendNumber(b []byte, u units.Unit, si float64, usable bool) []byte {
	if !usable || math.IsNaN(si) {
		return b
	}
	if !u.IsZero() {
		si = u.FromSI(si)
	}
	return strconv.AppendFloat(b, si, 'g', -1, 64)
}

// eventsFile writes transitions as CSV.
type eventsFile struct{ out *bufio.Writer }

func newEventsFile(w io.Writer) *eventsFile {
	f := &eventsFile{bufio.NewWriter(w)}
	f.out.WriteString("time,alarm,from,to,cause,value,limit,unit\r\n")
	return f
}

func (f *eventsFile) add(ts []alarms.Transition) {
	number := func(v *float64) string {
		if v == nil {
			return ""
		}
		return strconv.FormatFloat(*v, 'g', -1, 64)
	}
	for i := range ts {
		t := &ts[i]
		f.out.WriteString(strings.Join([]string{
			string(csvTime(nil, t.Time)), t.After.Alarm, string(t.From), string(t.To), string(t.Cause),
			number(t.After.Value), number(t.After.Limit), t.After.Unit,
		}, ",") + "\r\n")
	}
}

func (f *eventsFile) flush() error { return f.out.Flush() }

func csvTime(b []byte, t time.Time) []byte { return t.UTC().AppendFormat(b, time.RFC3339Nano) }

// csvText quotes a text where RFC 4180 asks for it (section 2, rules 6 and 7).
func csvText(s string) string {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return s
	}
	return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
}
