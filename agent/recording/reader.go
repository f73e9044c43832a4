package recording

import (
	"cmp"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

// Reader reads one file, row by row.
type Reader struct {
	file    string
	csv     *csv.Reader
	points  map[string]known
	columns columns
	exact   bool // the file has steps
	wide    []wideColumn
	m       *Mapping

	at       time.Time // of atText
	atText   string
	parse    func(string) (time.Time, error)
	accepted string      // by parse, for people
	local    *localTimes // where the file names no zone, else nil

	entry   Entry
	held    []string // the first row of the next time
	heldAt  time.Time
	self    []alarms.Sample
	astray  time.Duration
	unknown map[string]int
}

// known is a point with the unit that its values are written in.
type known struct {
	name string
	unit units.Unit
}

type wideColumn struct {
	column int
	known
}

// columns are the places of the fields in a row, -1 where there is none.
type columns struct{ time, point, value, quality, text int }

// NewReader reads the header of a file. Name is for messages. A nil mapping takes
// the columns of a recording, or of what was made after its pattern. Errors in the
// file are of type *Fault.
func NewReader(in io.Reader, name string, points Points, m *Mapping) (*Reader, error) {
	r := &Reader{
		file: name, csv: csv.NewReader(in), points: make(map[string]known, len(points)), m: m, unknown: map[string]int{},
		parse:    func(s string) (time.Time, error) { return time.Parse(time.RFC3339Nano, s) },
		accepted: "a time as in RFC 3339, such as 2026-11-25T14:05:00Z",
	}
	r.csv.ReuseRecord = true
	if m != nil {
		r.csv.Comma = m.separator
	}
	row, err := r.row()
	if err == io.EOF {
		return nil, &Fault{name, 1, "an empty file", "a header row with the names of the columns"}
	}
	if err != nil {
		return nil, err
	}
	row[0] = strings.TrimPrefix(row[0], "\ufeff") // a byte order mark
	if m != nil {
		return r, m.apply(r, row, points)
	}
	for p, u := range points {
		r.points[p] = known{p, u}
	}
	at := func(name string) int { return slices.Index(row, name) }
	r.columns = columns{at("time"), at("point"), at("value"), at("quality"), at("text")}
	if c := r.columns; min(c.time, c.point, c.value, c.quality) < 0 {
		return nil, r.fault("the columns "+quote(strings.Join(row, ",")), "time,point,value,quality, or --map FILE for a file with other columns")
	}
	r.exact = r.columns.text >= 0
	return r, nil
}

// Exact tells whether the file has every step, as a recording has. In one that has
// not, readings may be far apart.
func (r *Reader) Exact() bool { return r.exact }

// Twice counts the times that a clock of the file showed twice, when daylight saving
// ended. They are taken in the order of the rows.
func (r *Reader) Twice() int {
	if r.local == nil {
		return 0
	}
	return r.local.twice
}

// Unknown counts the readings that were left out because the site has no such
// point, by point.
func (r *Reader) Unknown() map[string]int { return r.unknown }

func (r *Reader) fault(found, expected string) *Fault {
	line, _ := r.csv.FieldPos(0)
	return &Fault{r.file, line, found, expected}
}

// row reads a row of the file.
func (r *Reader) row() ([]string, error) {
	row, err := r.csv.Read()
	var syntax *csv.ParseError
	if errors.As(err, &syntax) {
		if errors.Is(err, csv.ErrFieldCount) {
			return nil, &Fault{r.file, syntax.Line, fmt.Sprintf("%d fields", len(row)), fmt.Sprintf("%d, as in the header row", r.csv.FieldsPerRecord)}
		}
		return nil, &Fault{r.file, syntax.Line, "a row that is not CSV (" + syntax.Err.Error() + ")", "CSV as in RFC 4180: quotes around a field that has a comma, a quote or a line break in it, and its quotes doubled"}
	}
	return row, err
}

// Next returns what went into the core next, and io.EOF after the last. The entry
// and its readings are valid until the next call.
func (r *Reader) Next() (*Entry, error) {
	r.entry = Entry{Readings: r.entry.Readings[:0], Self: r.self, Astray: r.astray}
	if r.exact {
		return r.nextStep(&r.entry)
	}
	return r.nextTime(&r.entry)
}

// nextStep reads up to a row that ends a step. Readings behind the last such row
// never went into the core.
func (r *Reader) nextStep(e *Entry) (*Entry, error) {
	for {
		row, err := r.row()
		if err != nil {
			return nil, err
		}
		if e.Time, err = r.time(row[r.columns.time]); err != nil {
			return nil, err
		}
		switch {
		case row[r.columns.point] != "":
			if err := r.reading(e, row); err != nil {
				return nil, err
			}
		case row[r.columns.text] == "":
			return e, nil
		default:
			if done, err := r.special(e, row[r.columns.text]); done || err != nil {
				return e, err
			}
		}
	}
}

// special reads the JSON of a row, and tells whether it is an entry of its own.
func (r *Reader) special(e *Entry, text string) (bool, error) {
	var in entry
	err := json.Unmarshal([]byte(text), &in)
	switch {
	case err == nil && in.Head != nil:
		e.Kind, e.Head = Begin, in.Head
		r.self, r.astray, e.Self, e.Astray = nil, 0, nil, 0
		return true, nil
	case err == nil && in.Order != nil:
		e.Kind, e.Order = Order, *in.Order
		return true, nil
	case err == nil && in.AstrayNs != nil:
		r.astray = time.Duration(*in.AstrayNs)
		e.Astray = r.astray
		return false, nil
	case err == nil && in.Self != nil:
		r.self, e.Self = in.Self, in.Self
		return false, nil
	}
	return false, r.fault("the entry "+quote(text), "JSON with head, self, order or astray_ns, as ebbwatch run records it")
}

// nextTime reads the rows of one time.
func (r *Reader) nextTime(e *Entry) (*Entry, error) {
	for first := true; ; first = false {
		row, at := r.held, r.heldAt
		if r.held == nil {
			var err error
			if row, err = r.row(); err == io.EOF && !first {
				return e, nil
			}
			if err != nil {
				return nil, err
			}
			if at, err = r.time(row[r.columns.time]); err != nil {
				return nil, err
			}
		}
		switch {
		case first:
			e.Time = at
		case at.Before(e.Time):
			return nil, r.disorder(row[r.columns.time])
		case !at.Equal(e.Time):
			r.held, r.heldAt = row, at
			return e, nil
		}
		r.held = nil
		if err := r.readings(e, row); err != nil {
			return nil, err
		}
	}
}

func (r *Reader) disorder(text string) *Fault {
	return r.fault("the time "+quote(text)+" after a later one", "rows in the order of their times: sort the file by its time column, oldest first")
}

// readings reads what a row has: one reading, none, or one of each column.
func (r *Reader) readings(e *Entry, row []string) error {
	if r.wide == nil {
		if row[r.columns.point] == "" {
			return nil
		}
		return r.reading(e, row)
	}
	for _, c := range r.wide {
		if row[c.column] == "" { // not read at this time
			continue
		}
		v, q, err := r.value(row[c.column], c.known, reading.GoodQuality())
		if err != nil {
			return err
		}
		e.Readings = append(e.Readings, reading.Reading{Point: c.name, Value: v, Quality: q, Time: r.at})
	}
	return nil
}

// time reads a time. Rows often repeat it.
func (r *Reader) time(s string) (time.Time, error) {
	if s != r.atText || r.atText == "" {
		at, err := r.parse(s)
		if err != nil {
			var f *Fault
			if errors.As(err, &f) {
				return at, r.fault(f.Found, f.Expected)
			}
			return at, r.fault("the time "+quote(s), r.accepted)
		}
		if y := at.Year(); !r.exact && (y < 1970 || y > 2200) {
			return at, r.fault("the time "+quote(s)+", of the year "+strconv.Itoa(y), r.accepted)
		}
		r.at, r.atText = at.UTC(), strings.Clone(s)
	}
	return r.at, nil
}

// reading reads a row with a point.
func (r *Reader) reading(e *Entry, row []string) error {
	c := &r.columns
	k, ok := r.points[row[c.point]]
	if !ok {
		r.leaveOut(row[c.point])
		return nil
	}
	q := reading.GoodQuality()
	var err error
	if c.quality >= 0 {
		if q, err = r.quality(row[c.quality]); err != nil {
			return err
		}
	}
	out := reading.Reading{Point: k.name, Time: r.at}
	if out.Value, out.Quality, err = r.value(row[c.value], k, q); err != nil {
		return err
	}
	if c.text >= 0 {
		out.Text = strings.Clone(row[c.text])
	}
	e.Readings = append(e.Readings, out)
	return nil
}

// value reads a number in the unit of its column. A number that is left out is no
// reading, however good it is said to be.
func (r *Reader) value(s string, k known, q reading.Quality) (float64, reading.Quality, error) {
	if s == "" || r.m != nil && slices.Contains(r.m.missing, s) {
		if q.Usable() {
			q = reading.BadBecause(reading.NoReading)
		}
		return 0, q, nil
	}
	number := s
	if r.m != nil && r.m.decimal == ',' {
		number = strings.Replace(s, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || r.m != nil && r.m.decimal == ',' && strings.Contains(s, ".") {
		decimal := "a point for its decimals"
		if r.m != nil && r.m.decimal == ',' {
			decimal = "a comma for its decimals"
		}
		return 0, q, r.fault("the value "+quote(s)+" for "+k.name, "a number in "+cmp.Or(k.unit.Symbol, "no unit")+" with "+decimal+" and no separator of thousands, or nothing where there is none")
	}
	if !k.unit.IsZero() {
		v = k.unit.SI(v)
	}
	return v, q, nil
}

func (r *Reader) quality(s string) (reading.Quality, error) {
	if r.m != nil && r.m.qualities != nil {
		q, ok := r.m.qualities[s]
		if !ok {
			return q, r.fault("the quality "+quote(s), "one of those under qualities in "+r.m.file)
		}
		return q, nil
	}
	if s == "good" {
		return reading.GoodQuality(), nil
	}
	q, err := reading.ParseQuality(s)
	if err != nil {
		return q, r.fault("the quality "+quote(s), "good, uncertain:reason or bad:reason")
	}
	q.Reason = strings.Clone(q.Reason)
	return q, nil
}

// leaveOut counts a reading that the site has no point for, of 100 points at most.
func (r *Reader) leaveOut(point string) {
	if _, ok := r.unknown[point]; ok || len(r.unknown) < 100 {
		r.unknown[strings.Clone(point)]++
	}
}

// quote shows what was found, no longer than a line.
func quote(s string) string {
	if cut := []rune(s); len(cut) > 60 {
		s = string(cut[:60]) + "…"
	}
	return strconv.Quote(s)
}
