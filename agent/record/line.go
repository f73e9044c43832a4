package record

import (
	"fmt"
	"slices"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/units"
)

// how a line is made from a figure in the course of a day.
type how int

const (
	lowest how = iota
	highest
	under  // the time for which it was under a limit
	rising // how often it came to the limit
	total  // what it summed up to, being a rate
)

// line is one item that is made from figures: of several it takes the extreme, or
// the sum.
type line struct {
	name    string
	figures []int
	how     how
	limit   float64    // SI
	unit    units.Unit // of the item
}

// tally is how a line stands. Times are in s, values in SI.
type tally struct {
	Seen   float64   `json:"seen_s"`
	Doubt  float64   `json:"doubt_s,omitempty"` // of Seen, of uncertain values
	Has    bool      `json:"has,omitempty"`
	Value  float64   `json:"value"`
	At     time.Time `json:"at,omitzero"`
	Detail string    `json:"detail,omitempty"`
	// What holds now.
	Known    bool    `json:"known,omitempty"`
	Doubtful bool    `json:"doubtful,omitempty"`
	Now      float64 `json:"now,omitempty"`
	// Above, for rising, is one bit for each figure.
	Above uint64 `json:"above,omitempty"`
}

// makeLines chooses what a site's record has.
func (r *Recorder) makeLines() error {
	var missing error
	find := func(name string) int {
		at := slices.IndexFunc(r.s.Figures, func(of plant.Figure) bool { return of.Name == name })
		if at < 0 {
			missing = fmt.Errorf("the record needs the figure %q, which does not exist", name)
		}
		return at
	}
	add := func(name string, h how, limit float64, unit string, figures ...string) {
		l := line{name: name, how: h, limit: limit}
		for _, f := range figures {
			at := find(f)
			if at < 0 {
				return
			}
			l.figures = append(l.figures, at)
		}
		l.unit = r.s.Figures[l.figures[0]].Unit
		if unit != "" {
			l.unit = units.MustParse(unit)
		}
		r.lines = append(r.lines, l)
	}
	for _, point := range r.s.Residuals {
		add(plant.Name(plant.PointKind, point, "lowest"), lowest, 0, "", point)
	}
	for _, e := range r.s.EntryPoints {
		name := func(q plant.Quantity) string { return plant.Name(plant.EntryKind, e.Point, q) }
		add(name(LowestResidual), lowest, 0, "", e.Point)
		r.entries = append(r.entries, find(e.Point))
		add(name(TimeUnder), under, e.Residual.Least, "min", e.Point)
		add(name(LongestUnder), highest, 0, "h", name(plant.UnderResidual))
	}
	for _, g := range r.s.Segments {
		name := func(q plant.Quantity) string { return plant.Name(plant.SegmentKind, g.Name, q) }
		add(name(LowestTemperature), lowest, 0, "", g.Temperature)
		add(name(HighestPH), highest, 0, "", g.PH)
	}
	for _, b := range r.s.Banks {
		name := func(q plant.Quantity) string { return plant.Name(plant.BankKind, b.Name, q) }
		add(name(LowestWeight), lowest, 0, "", name(plant.NetWeight))
		mass, volume := "lb", "gal"
		if at := len(r.lines) - 1; at >= 0 && missing == nil && r.lines[at].unit.Symbol != "lb" {
			mass, volume = "kg", "m3"
		}
		if b.Fed {
			add(name(FedByFeed), total, 0, mass, name(plant.ExpectedRate))
		}
		if len(b.Flow) > 0 {
			add(name(Water), total, 0, volume, b.Flow...)
		}
	}
	var rooms []string
	in := map[string][]string{}
	levels := map[string][]string{}
	for _, d := range r.s.Detectors {
		if in[d.Room] == nil {
			rooms = append(rooms, d.Room)
		}
		in[d.Room] = append(in[d.Room], plant.Name(plant.DetectorKind, d.Name, plant.Concentration))
		levels[d.Room] = append(levels[d.Room], plant.Name(plant.DetectorKind, d.Name, plant.GasLevel))
	}
	for _, room := range rooms {
		if len(in[room]) > 64 {
			return fmt.Errorf("room %s has %d detectors, expected at most 64", room, len(in[room]))
		}
		add(plant.Name(plant.RoomKind, room, HighestGas), highest, 0, "ppm", in[room]...)
		add(plant.Name(plant.RoomKind, room, Trips), rising, 1, "1", levels[room]...)
		add(plant.Name(plant.RoomKind, room, SecondTrips), rising, 2, "1", levels[room]...)
	}
	return missing
}

// edge forgives the last digit of a limit.
const edge = 1e-9

// pass lets the time up to t pass, with what held since the last step.
func (r *Recorder) pass(t time.Time) {
	d := &r.day
	seconds := t.Sub(d.Last).Seconds()
	d.Watched += seconds
	d.Last = t
	for i := range d.Tallies {
		y := &d.Tallies[i]
		if !y.Known {
			continue
		}
		y.Seen += seconds
		if y.Doubtful {
			y.Doubt += seconds
		}
		switch l := &r.lines[i]; l.how {
		case under:
			y.Has = true
			if y.Now < l.limit-edge {
				y.Value += seconds
			}
		case total:
			y.Has, y.Value = true, y.Value+seconds*y.Now
		case rising:
			y.Has = true
		}
	}
}

// forget: nothing is known of the time since the last step.
func (r *Recorder) forget() {
	for i := range r.day.Tallies {
		r.day.Tallies[i].Known = false
	}
	for i := range r.day.Periods {
		r.day.Periods[i].Open = false
	}
}

// take notes what holds now.
func (r *Recorder) take(s Step) {
	for i := range r.lines {
		l, y := &r.lines[i], &r.day.Tallies[i]
		// Of several figures the least known one counts: a sum would lack a part, and
		// a room is watched as far as all its detectors are.
		y.Known, y.Doubtful, y.Now = true, false, 0
		for n, at := range l.figures {
			f := &s.Figures[at]
			if !f.Quality.Usable() {
				y.Known = false
				continue
			}
			y.Doubtful = y.Doubtful || f.Quality.String() != "good"
			switch l.how {
			case lowest, highest:
				if !y.Has || l.how == lowest && f.Value < y.Value || l.how == highest && f.Value > y.Value {
					y.Has, y.Value, y.At = true, f.Value, s.Time.UTC()
					if len(l.figures) > 1 {
						y.Detail = f.Owner
					}
				}
			case under, total:
				y.Now += f.Value
			case rising:
				above, bit := f.Value >= l.limit-edge, uint64(1)<<n
				if above && y.Above&bit == 0 {
					y.Has, y.Value, y.At = true, y.Value+1, s.Time.UTC()
				}
				if y.Above &^= bit; above {
					y.Above |= bit
				}
			}
		}
	}
	r.under(s)
}

// under keeps the periods of the entry points.
func (r *Recorder) under(s Step) {
	d, now := &r.day, s.Time.UTC()
	for i, e := range r.s.EntryPoints {
		f := &s.Figures[r.entries[i]]
		at := slices.IndexFunc(d.Periods, func(p Period) bool { return p.Open && p.Point == e.Point })
		switch low := f.Value < e.Residual.Least-edge; {
		case !f.Quality.Usable():
			// A period goes on while nobody knows better, as its clock does.
			if at >= 0 {
				d.Periods[at].To = now
			}
		case low && at >= 0:
			d.Periods[at].To, d.Periods[at].Lowest = now, min(d.Periods[at].Lowest, f.Value)
		case low && len(d.Periods) < maxPeriods:
			d.Periods = append(d.Periods, Period{Point: e.Point, From: now, To: now, Lowest: f.Value, Least: e.Residual.Least, Open: true})
		case !low && at >= 0:
			d.Periods[at].To, d.Periods[at].Open = now, false
		}
	}
}

// lineItems are those of the lines.
func (r *Recorder) lineItems() []Item {
	items := make([]Item, 0, len(r.lines))
	for i := range r.lines {
		l, y := &r.lines[i], &r.day.Tallies[i]
		it := Item{Name: l.name, Unit: l.unit.Symbol, At: y.At, Covered: r.share(y.Seen), Detail: y.Detail}
		if y.Has {
			v := y.Value
			if l.how != rising {
				v = l.unit.FromSI(v)
			}
			it.Value = &v
		}
		if y.Doubt > 0 {
			it.doubt(fmt.Sprintf("%.1f %% of the day uncertain", 100*r.share(y.Doubt)))
		}
		items = append(items, it)
	}
	return items
}

// doubt adds to the detail of an item.
func (i *Item) doubt(why string) {
	if i.Detail != "" {
		why = i.Detail + "; " + why
	}
	i.Detail = why
}
