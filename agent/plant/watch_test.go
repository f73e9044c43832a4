package plant

import (
	"slices"
	"testing"
	"time"

	"ebbwatch/agent/reading"
)

// One alarm speaks for a whole line, not one for each instrument on it; what is
// wrong with a single instrument stays its own.
func TestLineLost(t *testing.T) {
	s := ridge()
	lineOf := map[string]string{}
	for _, in := range s.Instruments {
		lineOf[in.Name] = in.Line
	}
	for _, tc := range []struct {
		reason      string
		quality     func(instrument string) string // reason of a bad quality, empty when good
		lost        []string                       // figures that are 1
		unknown     []string                       // figures that are bad:line-lost
		unavailable string                         // a detector that must speak for itself
	}{
		{"all is well", func(string) string { return "" }, nil, nil, ""},
		{"one instrument is silent", func(in string) string { return only(in == "north-scales", reading.NoReply) }, []string{"instrument.north-scales.lost"}, nil, ""},
		{"all of line-b is silent", func(in string) string { return only(lineOf[in] == "line-b", reading.NoReply) },
			[]string{"line.line-b.lost"}, []string{"instrument.north-scales.lost", "instrument.south-scales.lost", "instrument.chlorine-room-air.lost"}, "detector.gas-1.unavailable"},
		{"line-c cannot be opened", func(in string) string { return only(lineOf[in] == "line-c", reading.NotConnected) },
			[]string{"line.line-c.lost"}, []string{"instrument.storage-bay-air.lost", "instrument.wellhouse-scale.lost", "instrument.wellhouse-air.lost"}, "detector.gas-3.unavailable"},
		{"an instrument that answers nonsense is reached", func(in string) string {
			switch {
			case in == "south-scales":
				return reading.OutOfRange
			default:
				return only(lineOf[in] == "line-b", reading.NoReply)
			}
		}, []string{"instrument.south-scales.lost", "instrument.north-scales.lost", "instrument.chlorine-room-air.lost"}, nil, ""},
	} {
		p := newPlant(t, s)
		rs := quietReadings(s, start)
		for i := range rs {
			at := slices.IndexFunc(s.Points, func(pt Point) bool { return pt.Name == rs[i].Point })
			if why := tc.quality(s.Points[at].Instrument); why != "" {
				rs[i].Quality = reading.BadBecause(why)
			}
		}
		by := map[string]Figure{}
		for _, f := range p.Step(start, rs) {
			by[f.Name] = f
			switch {
			case f.Quantity != Lost:
			case slices.Contains(tc.unknown, f.Name):
				if f.Quality != reading.BadBecause(reading.LineLost) {
					t.Errorf("%s: %s is %s, expected bad:line-lost", tc.reason, f.Name, f.Quality)
				}
			default:
				want := slices.Contains(tc.lost, f.Name)
				if !f.Quality.Usable() || (f.Value == 1) != want || (f.Detail != "") != want {
					t.Errorf("%s: %s is %v (%s) %q, expected lost: %v", tc.reason, f.Name, f.Value, f.Quality, f.Detail, want)
				}
			}
		}
		if f, ok := by[tc.unavailable]; ok && (f.Value != 1 || !f.Quality.Usable()) {
			t.Errorf("%s: %s does not speak for itself", tc.reason, tc.unavailable)
		}
	}
}

func only(is bool, reason string) string {
	if is {
		return reason
	}
	return ""
}

// A line with one instrument that is silent is that instrument's matter.
func TestASingleSilentInstrumentIsNoLine(t *testing.T) {
	s := Settings{
		Instruments: []Instrument{{Name: "analyser", Line: "line-a"}},
		Points:      []Point{{Name: "residual", Instrument: "analyser", Unit: unit("mg/L"), StaleAfter: time.Minute}},
	}
	for reason, line := range map[string]float64{reading.NoReply: 0, reading.NotConnected: 1} {
		p := newPlant(t, s)
		fs := p.Step(start, []reading.Reading{{Point: "residual", Quality: reading.BadBecause(reason), Time: start}})
		if f := fs[slices.Index(p.Names(), "line.line-a.lost")]; f.Value != line {
			t.Errorf("%s: the line is %v, expected %v", reason, f.Value, line)
		}
	}
}
