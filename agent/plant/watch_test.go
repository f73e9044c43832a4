package plant

import (
	"slices"
	"strings"
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

// Values that arrive and may be wrong all the same are told apart from those
// that are what they say, and from those that are not there.
func TestDoubtful(t *testing.T) {
	lost := reading.BadBecause(reading.NoReply)
	for _, tc := range []struct {
		reason    string
		residual  reading.Quality
		ph        reading.Quality
		neighbour reading.Quality
		doubtful  string // the beginning of what is told, empty when all is well
		unknown   string
		lost      bool
	}{
		{"well", reading.GoodQuality(), reading.GoodQuality(), lost, "", "", false},
		{"frozen", reading.UncertainBecause(reading.Frozen), reading.GoodQuality(), lost, "answers, but is not to be trusted fully; it has not moved for longer than a live sensor would (residual)", "", false},
		{"two reasons", reading.UncertainBecause(reading.Jumped), reading.UncertainBecause(reading.Maintenance), lost,
			"answers, but is not to be trusted fully; it changed faster than what it measures can (residual); it reports that it is being worked on (ph)", "", false},
		{"one reason", reading.UncertainBecause(reading.WarmingUp), reading.UncertainBecause(reading.WarmingUp), lost, "answers, but is not to be trusted fully; it reports that it is not ready yet (residual, ph)", "", false},
		{"over the range is what it says", reading.UncertainBecause(reading.OverRange), reading.UncertainBecause(reading.UnderRange), lost, "", "", false},
		{"a bad one may hide a doubt", reading.BadBecause(reading.Exception + "-2"), reading.GoodQuality(), lost, "", "exception-2", true},
		{"one bad, one in doubt", reading.BadBecause(reading.Exception + "-2"), reading.UncertainBecause(reading.Fault), lost, "answers, but is not to be trusted fully; it reports a fault of its own (ph)", "", true},
		{"all of it is bad by its own word", reading.BadBecause(reading.Fault), reading.BadBecause(reading.Fault), lost, "", "fault", true},
		{"the line is lost", lost, lost, lost, "", reading.LineLost, false},
	} {
		p := newPlant(t, Settings{
			Instruments: []Instrument{{Name: "analyser", Line: "line-a", Unit: 7}, {Name: "meter", Line: "line-a", Unit: 8}},
			Points: []Point{
				{Name: "residual", Instrument: "analyser", Unit: unit("mg/L"), StaleAfter: time.Minute},
				{Name: "ph", Instrument: "analyser", Unit: unit("pH"), StaleAfter: time.Minute},
				{Name: "flow", Instrument: "meter", Unit: unit("m3/h"), StaleAfter: time.Minute},
			},
		})
		fs := p.Step(start, []reading.Reading{
			{Point: "residual", Value: 1, Quality: tc.residual, Time: start}, {Point: "ph", Value: 7, Quality: tc.ph, Time: start},
			{Point: "flow", Quality: tc.neighbour, Time: start},
		})
		f := find(t, fs, "instrument.analyser.doubtful")
		if tc.unknown != "" {
			if f.Quality != reading.BadBecause(tc.unknown) || f.Value != 0 {
				t.Errorf("%s: %g, %v, expected bad:%s", tc.reason, f.Value, f.Quality, tc.unknown)
			}
		} else if !f.Quality.Usable() || (f.Value == 1) != (tc.doubtful != "") || f.Detail != tc.doubtful || (f.First == "") != (tc.doubtful == "") {
			t.Errorf("%s: %g, %q, first %q, expected %q", tc.reason, f.Value, f.Detail, f.First, tc.doubtful)
		}
		if f := find(t, fs, "instrument.analyser.lost"); (f.Value == 1) != tc.lost {
			t.Errorf("%s: lost is %g, expected %v", tc.reason, f.Value, tc.lost)
		}
	}
}

// What is told stays the same while nothing changes, in the site's own time, and
// what to try first goes by the way to the instrument.
func TestWordsOfALostInstrument(t *testing.T) {
	zone := time.FixedZone("MST", -7*3600)
	settings := func(l Line) Settings {
		return Settings{
			Lines:       []Line{l},
			Instruments: []Instrument{{Name: "analyser", Line: "line-a", Unit: 7}},
			Points:      []Point{{Name: "residual", Instrument: "analyser", Unit: unit("mg/L"), StaleAfter: time.Minute}},
			Shown:       Shown{TimeZone: zone},
		}
	}
	network, serial := Line{Name: "line-a", Address: "192.0.2.1:502"}, Line{Name: "line-a", Device: "/dev/ttyS1", Serial: true}
	server := Line{Name: "line-a", Address: "192.0.2.1:4001", Serial: true}
	for _, tc := range []struct {
		line                 Line
		reason, figure, says string
	}{
		{network, reading.NoReply, "instrument.analyser.lost", "unit 7 does not answer"},
		{serial, reading.NoReply, "instrument.analyser.lost", "unit number (7), baud rate and parity"},
		{server, reading.NoReply, "instrument.analyser.lost", "unit number (7), baud rate and parity"},
		{network, reading.NotConnected, "line.line-a.lost", "192.0.2.1:502"},
		{server, reading.NotConnected, "line.line-a.lost", "192.0.2.1:4001"},
		{serial, reading.NotConnected, "line.line-a.lost", "/dev/ttyS1"},
		{Line{Name: "line-a"}, reading.NotConnected, "line.line-a.lost", "line-a"},
		{serial, reading.WrongReply, "instrument.analyser.lost", "a second instrument with unit number 7"},
		{network, reading.WrongReply, "instrument.analyser.lost", "two devices share the address 192.0.2.1:502"},
		{serial, reading.Exception + "-11", "instrument.analyser.lost", "The gateway answers, the instrument behind it does not"},
	} {
		p := newPlant(t, settings(tc.line))
		p.Step(start, []reading.Reading{{Point: "residual", Value: 1, Quality: reading.GoodQuality(), Time: start}})
		var before Figure
		for i := range 3 {
			at := start.Add(time.Duration(i+1) * 40 * time.Second)
			f := find(t, p.Step(at, []reading.Reading{{Point: "residual", Quality: reading.BadBecause(tc.reason), Time: at}}), tc.figure)
			if f.Value != 1 || !strings.Contains(f.First, tc.says) || !strings.HasSuffix(f.Detail, "last read well on 1 March at 23:00:00 MST") {
				t.Errorf("%s on %+v: %g, %q, first %q, expected %q", tc.reason, tc.line, f.Value, f.Detail, f.First, tc.says)
			}
			if i > 0 && (f.Detail != before.Detail || f.First != before.First) {
				t.Errorf("%s: %q has become %q", tc.reason, before.Detail, f.Detail)
			}
			before = f
		}
	}
}
