package plant

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/air"
	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func unit(symbol string) units.Unit { return units.MustParse(symbol) }

// ridge is the invented plant of the examples: a clearwell, two banks of ton
// containers, one of cylinders, and four gas detectors.
func ridge() Settings {
	s := Settings{Shown: Shown{Mass: unit("lb"), MassFlow: unit("lb/d")}}
	add := func(instrument, line string, points ...string) {
		s.Instruments = append(s.Instruments, Instrument{Name: instrument, Line: line})
		for i := 0; i < len(points); i += 2 {
			s.Points = append(s.Points, Point{Name: points[i], Instrument: instrument, Unit: unit(points[i+1]), Every: 2 * time.Second, StaleAfter: 10 * time.Second})
		}
	}
	add("plant-meters", "line-a", "plant-flow", "MGD", "clearwell-level", "ft")
	add("water-analysers", "line-a", "residual-in", "mg/L", "residual-out", "mg/L", "residual-entry", "mg/L", "ph-out", "pH", "temperature-out", "degC")
	add("north-scales", "line-b", "north-1-weight", "lb", "north-2-weight", "lb")
	add("south-scales", "line-b", "south-1-weight", "lb", "south-2-weight", "lb")
	add("chlorine-room-air", "line-b", "gas-1-ppm", "ppm", "gas-2-ppm", "ppm", "room-temperature", "degF")
	add("storage-bay-air", "line-c", "gas-3-ppm", "ppm")
	add("wellhouse-scale", "line-c", "wellhouse-1-weight", "lb", "wellhouse-2-weight", "lb")
	add("wellhouse-air", "line-c", "gas-4-ppm", "ppm", "wellhouse-temperature", "degF")
	s.Segments = []Segment{{
		Name: "clearwell", Residual: "residual-out", PH: "ph-out", Temperature: "temperature-out", Flow: []string{"plant-flow"}, Level: "clearwell-level",
		Settings: contact.Settings{
			Volume: units.CubicMetres(unit("gal").SI(150000)), LevelFull: units.Metres(unit("ft").SI(12)), BafflingFactor: 0.5,
			GiardiaLog: 0.5, VirusLog: 2, Method: contact.Table,
		},
	}}
	bank := func(name, room, kind string, tare, heel, division float64) {
		b := Bank{Name: name, Scales: []string{name + "-1-weight", name + "-2-weight"}, RoomTemperature: room}
		for i := range 2 {
			b.Settings.Containers = append(b.Settings.Containers, supply.ContainerSettings{
				Name: fmt.Sprintf("%s-%d", name, i+1), Kind: kind, Tare: units.Kilograms(unit("lb").SI(tare)), Heel: units.Kilograms(unit("lb").SI(heel)), Division: units.Kilograms(unit("lb").SI(division)),
			})
		}
		s.Banks = append(s.Banks, b)
	}
	bank("north", "room-temperature", "ton", 1500, 36, 1)
	bank("south", "room-temperature", "ton", 1500, 36, 1)
	bank("wellhouse", "wellhouse-temperature", "cylinder-150", 92, 2.7, 0.5)
	for _, n := range []string{"1", "2", "3", "4"} {
		s.Detectors = append(s.Detectors, Detector{Name: "gas-" + n, Concentration: "gas-" + n + "-ppm", Settings: air.Settings{Level1: 0.5, Level2: 1}})
	}
	return s
}

// quiet are the readings of a quiet plant in the points' own units.
var quiet = map[string]float64{
	"plant-flow": 4, "clearwell-level": 10, "residual-in": 1.4, "residual-out": 1.2, "residual-entry": 1.1, "ph-out": 7.4, "temperature-out": 9,
	"north-1-weight": 2500, "north-2-weight": 2600, "south-1-weight": 3500, "south-2-weight": 3500,
	"gas-1-ppm": 0.02, "gas-2-ppm": 0, "gas-3-ppm": 0, "gas-4-ppm": 0.01, "room-temperature": 65, "wellhouse-temperature": 60,
	"wellhouse-1-weight": 200, "wellhouse-2-weight": 240,
}

func quietReadings(s Settings, at time.Time) []reading.Reading {
	var rs []reading.Reading
	for _, p := range s.Points {
		rs = append(rs, reading.Reading{Point: p.Name, Value: p.Unit.SI(quiet[p.Name]), Quality: reading.GoodQuality(), Time: at})
	}
	return rs
}

func newPlant(t testing.TB, s Settings) *Plant {
	t.Helper()
	p, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func find(t testing.TB, fs []Figure, name string) Figure {
	t.Helper()
	i := slices.IndexFunc(fs, func(f Figure) bool { return f.Name == name })
	if i < 0 {
		t.Fatalf("no figure %s", name)
	}
	return fs[i]
}

// run gives a plant quiet readings for some minutes, every 2 s.
func run(p *Plant, s Settings, length time.Duration) (fs []Figure, at time.Time) {
	for t := time.Duration(0); t <= length; t += 2 * time.Second {
		at = start.Add(t)
		fs = p.Step(at, quietReadings(s, at))
	}
	return fs, at
}

func TestFiguresKeepTheirNamesAndOrder(t *testing.T) {
	s := ridge()
	p := newPlant(t, s)
	names := p.Names()
	if want := len(s.Points) + 22*len(s.Segments) + 27*len(s.Banks) + 8*len(s.Detectors) + 2*len(s.Instruments) + 2*3; len(names) != want {
		t.Errorf("%d figures, expected %d", len(names), want)
	}
	if sorted := slices.Compact(slices.Sorted(slices.Values(names))); len(sorted) != len(names) {
		t.Error("two figures share a name")
	}
	check := func(fs []Figure) {
		for i, f := range fs {
			if f.Name != names[i] || f.Kind != PointKind && f.Name != Name(f.Kind, f.Owner, f.Quantity) || f.Unit.IsZero() {
				t.Errorf("figure %d is %+v, expected %s", i, f, names[i])
			}
		}
	}
	check(p.Step(start, nil))
	fs, _ := run(p, s, time.Minute)
	check(fs)
	for _, name := range []string{"residual-out", "segment.clearwell.inactivation-ratio", "bank.north.time-to-empty", "detector.gas-1.unavailable", "instrument.north-scales.lost"} {
		find(t, fs, name)
	}
}

func TestAQuietPlant(t *testing.T) {
	s := ridge()
	p := newPlant(t, s)
	fs, at := run(p, s, 65*time.Minute)
	for _, f := range fs {
		want := reading.Good
		switch f.Quantity {
		case TimeToEmpty, TimeToEmptyStock, LiquidEnd: // nothing is drawn
			want = reading.Uncertain
		case RateDay, PeakDemand, ContainersNeededPeak: // it needs a day
			want = reading.Bad
		case EightHour: // it has not been watched for so long
			want = reading.Uncertain
		}
		if f.Quality.Level != want || !f.Time.Equal(at) {
			t.Errorf("%s: %v at %v", f.Name, f.Quality, f.Time)
		}
		if f.Kind == PointKind && math.Abs(f.Shown()-quiet[f.Name]) > 1e-9 {
			t.Errorf("%s is %g, expected %g", f.Name, f.Shown(), quiet[f.Name])
		}
	}
	for name, want := range map[string]float64{
		// 150,000 gal x 10/12 x 0.5 over 4 MGD in minutes.
		"segment.clearwell.t10":                 62500 / (4e6 / 1440),
		"segment.clearwell.ct":                  1.2 * 62500 / (4e6 / 1440),
		"segment.clearwell.ct-required-giardia": 183.0 / 6, // 40 CFR 141.74 Table 1.2, 1.2 mg/L, pH 7.5
		"segment.clearwell.ct-required-virus":   4,         // Table E-7, 2 log, 5 degC
		"segment.clearwell.inactivation-ratio":  1.2 * 22.5 / (183.0 / 6),
		"bank.north.net-weight":                 2100,
		"bank.north.withdrawal-limit":           2 * 8 * 45,
		"bank.wellhouse.withdrawal-limit":       2 * 1 * 30,
		"bank.north.withdrawal-rate":            0,
		"detector.gas-1.concentration":          0.02,
		"detector.gas-1.level":                  0,
		"detector.gas-1.unavailable":            0,
		"instrument.plant-meters.lost":          0,
		"instrument.plant-meters.doubtful":      0,
		"line.line-a.pace":                      1,
	} {
		if f := find(t, fs, name); math.Abs(f.Shown()-want) > 0.005*want+1e-9 {
			t.Errorf("%s is %g %s, expected %g", name, f.Shown(), f.Unit, want)
		}
	}
	if low, high, ok := func() (float64, float64, bool) { f := find(t, fs, "bank.north.withdrawal-rate"); return f.Interval() }(); !ok || !(low < 0 && high > 0) {
		t.Errorf("interval %g to %g, %v", low, high, ok)
	}
	f := find(t, fs, "bank.north.net-weight")
	if _, _, ok := f.Interval(); ok {
		t.Error("a net weight has an interval")
	}
	if m := find(t, fs, "segment.clearwell.t10").Method; m != string(contact.Static) {
		t.Errorf("T10 is made by %q", m)
	}
	if m := find(t, fs, "bank.north.withdrawal-limit").Method; m != string(supply.HeatBalance) {
		t.Errorf("the limit is made by %q", m)
	}
}

// Every point in turn goes bad: exactly the figures that need it follow.
func TestABadInputMakesItsFiguresBad(t *testing.T) {
	segment := func(qs ...Quantity) (names []string) {
		for _, q := range qs {
			names = append(names, Name(SegmentKind, "clearwell", q))
		}
		return names
	}
	bank := func(name string) (names []string) {
		for _, q := range []Quantity{NetWeight, WithdrawalRate, WithdrawalLimit, WithdrawalRatio, TimeToEmpty, RateQuarter, Headroom, ContainersNeeded,
			LowestRoom, FrostFrom, LiquidEnd, TimeToEmptyStock, Overdrawn, ScaleStuck, ContainerOff} {
			names = append(names, Name(BankKind, name, q))
		}
		return append(names, Name(ContainerKind, name+"-1", TimeToEmpty), Name(ContainerKind, name+"-2", TimeToEmpty))
	}
	scale := func(name, container string) []string {
		return append(bank(name), Name(ContainerKind, container, NetWeight), Name(ContainerKind, container, WithdrawalRate))
	}
	frost := func(name string) []string { return []string{Name(BankKind, name, FrostFrom)} }
	detector := func(name string) (names []string) {
		for _, q := range []Quantity{Concentration, GasLevel, Rise, Ceiling, ShortTerm, EightHour} {
			names = append(names, Name(DetectorKind, name, q))
		}
		return names
	}
	ahead := segment(RatioAhead, RatioAheadIn)
	flow := append(segment(T10, T10Static, T10Entry, T10Inflow, CT, InactivationRatio, GiardiaLog, VirusLog, ResidualNeeded), ahead...)
	level := append(segment(FlowGreatest), flow...)
	conditions := append(segment(CTRequiredGiardia, CTRequiredVirus, InactivationRatio, GiardiaLog, VirusLog, ResidualNeeded, FlowGreatest), ahead...)
	residual := append(segment(CT, CTRequiredGiardia, InactivationRatio, GiardiaLog, VirusLog, FlowGreatest), ahead...)
	follow := map[string][]string{
		"plant-flow": flow, "clearwell-level": level, "ph-out": conditions, "temperature-out": conditions,
		"residual-in": nil, "residual-entry": nil, "residual-out": residual,
		"north-1-weight": scale("north", "north-1"), "north-2-weight": scale("north", "north-2"), "south-1-weight": scale("south", "south-1"), "south-2-weight": scale("south", "south-2"),
		"wellhouse-1-weight": scale("wellhouse", "wellhouse-1"), "wellhouse-2-weight": scale("wellhouse", "wellhouse-2"),
		"room-temperature": append(frost("north"), frost("south")...), "wellhouse-temperature": frost("wellhouse"),
		"gas-1-ppm": detector("gas-1"), "gas-2-ppm": detector("gas-2"), "gas-3-ppm": detector("gas-3"), "gas-4-ppm": detector("gas-4"),
	}
	s := ridge()
	for _, tc := range []struct {
		r    func(*reading.Reading)
		want string
	}{
		{func(r *reading.Reading) { r.Quality = reading.BadBecause(reading.NoReply) }, reading.NoReply},
		{func(r *reading.Reading) { r.Value = math.NaN() }, reading.NotANumber},
		{func(r *reading.Reading) { r.Value = math.Inf(-1) }, reading.NotANumber},
	} {
		for _, pt := range s.Points {
			p := newPlant(t, s)
			_, at := run(p, s, 65*time.Minute)
			at = at.Add(2 * time.Second)
			rs := quietReadings(s, at)
			i := slices.IndexFunc(rs, func(r reading.Reading) bool { return r.Point == pt.Name })
			tc.r(&rs[i])
			want, known := follow[pt.Name]
			if !known {
				t.Fatalf("%s is not in the test's table", pt.Name)
			}
			want = append([]string{pt.Name, Name(InstrumentKind, pt.Instrument, Doubtful)}, want...)
			for _, f := range p.Step(at, rs) {
				switch f.Quantity {
				case RateDay, PeakDemand, ContainersNeededPeak: // which need a day
					continue
				}
				if bad := slices.Contains(want, f.Name); bad == f.Quality.Usable() {
					t.Errorf("%s %s: %s is %v", pt.Name, tc.want, f.Name, f.Quality)
				} else if bad && (f.Quality.Reason != tc.want || f.Detail != reading.Explain(tc.want) || f.Value != 0 || !math.IsNaN(f.Low)) {
					t.Errorf("%s %s: %+v", pt.Name, tc.want, f)
				}
			}
		}
	}
}

func TestStale(t *testing.T) {
	s := Settings{
		Instruments: []Instrument{{Name: "meter", Line: "line-a"}}, Points: []Point{{Name: "flow", Instrument: "meter", Unit: unit("m3/h"), StaleAfter: 10 * time.Second}},
		Shown: Shown{Mass: unit("kg"), MassFlow: unit("kg/d")},
	}
	p := newPlant(t, s)
	at := func(seconds float64) time.Time { return start.Add(time.Duration(seconds * float64(time.Second))) }
	good := func(seconds float64) []reading.Reading {
		return []reading.Reading{{Point: "flow", Value: 1, Quality: reading.GoodQuality(), Time: at(seconds)}}
	}
	bad := func(seconds float64) []reading.Reading {
		return []reading.Reading{{Point: "flow", Quality: reading.BadBecause(reading.NoReply), Time: at(seconds)}}
	}
	for _, step := range []struct {
		seconds float64
		rs      []reading.Reading
		q       reading.Quality
		lost    float64
		age     time.Duration
		reason  string
	}{
		{0, nil, reading.BadBecause(reading.NotYetRead), 0, 0, "no attempt has ended: its time is given"},
		{10, nil, reading.BadBecause(reading.NotYetRead), 0, 10 * time.Second, "at the limit is not over it"},
		{10.1, nil, reading.BadBecause(reading.Stale), 1, 10100 * time.Millisecond, "a point that never answers is stale"},
		{12, good(12), reading.GoodQuality(), 0, 0, "read"},
		{22, nil, reading.GoodQuality(), 0, 10 * time.Second, "at the limit is not over it"},
		{22.1, nil, reading.BadBecause(reading.Stale), 1, 10100 * time.Millisecond, "good, but too old"},
		{23, good(11), reading.BadBecause(reading.Stale), 1, 12 * time.Second, "a reading that comes late is as old as its time"},
		{24, good(24), reading.GoodQuality(), 0, 0, "back"},
		{25, bad(25), reading.BadBecause(reading.NoReply), 1, time.Second, "a bad reading tells why"},
		{60, nil, reading.BadBecause(reading.NoReply), 1, 36 * time.Second, "and goes on telling why"},
	} {
		fs := p.Step(at(step.seconds), step.rs)
		lost := find(t, fs, "instrument.meter.lost")
		if fs[0].Quality != step.q || lost.Value != step.lost || p.WorstAge(at(step.seconds)) != step.age {
			t.Errorf("after %g s: %v, lost %g, age %v: %s", step.seconds, fs[0].Quality, lost.Value, p.WorstAge(at(step.seconds)), step.reason)
		}
		if step.lost == 1 && !strings.HasPrefix(lost.Detail, reading.Explain(step.q.Reason)+"; ") {
			t.Errorf("after %g s the instrument %q", step.seconds, lost.Detail)
		}
	}
	if age := newPlant(t, s).WorstAge(start); age != 0 {
		t.Errorf("before the first step the age is %v", age)
	}
}

func TestPartsThatAreLost(t *testing.T) {
	s := ridge()
	for _, tc := range []struct {
		bad    []string
		name   string
		value  float64
		detail string
		reason string
	}{
		{nil, "instrument.north-scales.lost", 0, "", "all is well"},
		{[]string{"north-1-weight", "north-2-weight"}, "instrument.north-scales.lost", 1, "does not answer; not read well since ebbwatch started", "all points are bad"},
		{[]string{"north-2-weight"}, "instrument.north-scales.lost", 1, "is only partly usable, 1 of its 2 points is not: north-2-weight does not answer; not read well since ebbwatch started", "one of two"},
		{[]string{"north-2-weight"}, "instrument.south-scales.lost", 0, "", "another instrument on the same line"},
		{[]string{"gas-1-ppm"}, "detector.gas-1.unavailable", 1, "does not answer", "a detector that cannot see gas"},
		{[]string{"gas-1-ppm"}, "detector.gas-2.unavailable", 0, "", "the other one can"},
	} {
		p := newPlant(t, s)
		rs := quietReadings(s, start)
		for i := range rs {
			if slices.Contains(tc.bad, rs[i].Point) {
				rs[i].Quality = reading.BadBecause(reading.NoReply)
			}
		}
		if f := find(t, p.Step(start, rs), tc.name); f.Value != tc.value || f.Detail != tc.detail || f.Quality.Level != reading.Good {
			t.Errorf("%s with %v bad: %+v, expected %g %q: %s", tc.name, tc.bad, f, tc.value, tc.detail, tc.reason)
		}
	}
	p := newPlant(t, s)
	if f := find(t, p.Step(start, nil), "detector.gas-1.unavailable"); f.Value != 0 || !f.Quality.Usable() {
		t.Errorf("a detector that is still to be read: %+v", f)
	}
	if f := find(t, p.Step(start.Add(11*time.Second), nil), "detector.gas-1.unavailable"); f.Value != 1 || f.Detail != reading.Explain(reading.Stale) {
		t.Errorf("a detector that was never read: %+v", f)
	}
}

func TestUnknownPointsAreIgnored(t *testing.T) {
	s := ridge()
	a, b := newPlant(t, s), newPlant(t, s)
	rs := quietReadings(s, start)
	want := a.Step(start, rs)
	got := b.Step(start, append(rs, reading.Reading{Point: "nobody", Value: 7, Quality: reading.GoodQuality(), Time: start}))
	if d := cmp.Diff(want, got, same); d != "" {
		t.Error(d)
	}
}

func TestWrongReferences(t *testing.T) {
	for _, tc := range []struct {
		change func(*Settings)
		want   string
	}{
		{func(s *Settings) { s.Points = append(s.Points, s.Points[0]) }, "two points are called plant-flow"},
		{func(s *Settings) { s.Segments[0].PH = "ph" }, `clearwell needs the point "ph"`},
		{func(s *Settings) { s.Segments[0].Level = "depth" }, `clearwell needs the point "depth"`},
		{func(s *Settings) { s.Banks[1].Scales[0] = "" }, `south needs the point ""`},
		{func(s *Settings) { s.Banks[1].RoomTemperature = "room" }, `south needs the point "room"`},
		{func(s *Settings) { s.Banks[0].Scales = s.Banks[0].Scales[:1] }, "bank north has 2 containers and 1 scales"},
		{func(s *Settings) { s.Detectors[2].Concentration = "gas" }, `gas-3 needs the point "gas"`},
	} {
		s := ridge()
		tc.change(&s)
		if _, err := New(s); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("error %v, expected one that says %q", err, tc.want)
		}
	}
}

var same = cmp.Options{cmpopts.EquateNaNs(), cmp.AllowUnexported(units.Unit{})}
