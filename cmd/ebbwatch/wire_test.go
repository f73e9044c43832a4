package main

import (
	"cmp"
	"encoding/binary"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"

	"ebbwatch/agent/air"
	"ebbwatch/agent/contact"
	"ebbwatch/agent/field"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"
)

// What a site file tells of lines, points and their trust reaches the parts that
// act on it.
func TestEveryKeyReachesItsPart(t *testing.T) {
	site, err := config.Load("../../testdata/sites/every-key.yaml")
	if err != nil {
		t.Fatal(err)
	}
	ways, core := lines(site), plantSettings(site)
	if _, err := plant.New(core); err != nil {
		t.Error(err)
	}
	meters, room := ways[0].Instruments[0], ways[1].Instruments[0]
	point := func(name string) plant.Point {
		return core.Points[slices.IndexFunc(core.Points, func(p plant.Point) bool { return p.Name == name })]
	}
	flow := point("plant-flow")
	text, loop := meters.Points[6], room.Points[8]
	for _, tc := range []struct {
		reason    string
		got, want any
	}{
		{"RS-485", ways[1].RS485, &field.RS485{SendLow: true, BeforeSend: time.Millisecond, AfterSend: 2 * time.Millisecond}},
		{"none on a network", ways[0].RS485, (*field.RS485)(nil)},
		{"ASCII", []any{ways[2].Kind, ways[2].DataBits, ways[2].Parity, ways[2].Baud}, []any{field.ASCII, 8, "even", 19200}},
		{"ASCII over TCP", []any{ways[3].Kind, ways[3].DataBits, ways[3].Parity, ways[3].Baud}, []any{field.ASCIIOverTCP, 7, "odd", 300}},
		{"urgent", []bool{meters.Urgent, room.Urgent}, []bool{true, false}},
		{"unreadable", meters.Unreadable[3], field.Span{Table: field.HoldingRegister, From: 300, To: 300}},
		{"the points' periods", []time.Duration{meters.Every, meters.Points[0].Every, text.Every, flow.Every}, []time.Duration{2 * time.Second, 5 * time.Second, 2 * time.Second, 5 * time.Second}},
		{"a text", []any{text.Type, text.Registers, text.Expect}, []any{"text", 4, []string{"OK", "READY"}}},
		{"bands", loop.Bands, &[4]float64{3.5, 3.9, 20.2, 22}},
		{"an instrument", core.Instruments[0], plant.Instrument{Name: "meters", Line: "line-a", Unit: 255}},
		{"its ages", []time.Duration{flow.StaleAfter, point("pump-on").StaleAfter}, []time.Duration{30 * time.Second, 20 * time.Second}},
		{"rate and stand", []any{units.MustParse("gpm").SpanFromSI(flow.RateLimit * 60), flow.StuckAfter, units.MustParse("gpm").SpanFromSI(flow.StuckWithin)}, []any{600.0, 2 * time.Hour, 1.0}},
		{"status", flow.Status, []plant.Status{
			{Point: "meter-says", When: 0, Quality: reading.UncertainBecause(reading.WarmingUp)},
			{Point: "pump-mode", When: 3, Quality: reading.BadBecause(reading.Maintenance)}}},
	} {
		if d := gocmp.Diff(tc.want, tc.got); d != "" {
			t.Errorf("%s (-expected +got):\n%s", tc.reason, d)
		}
	}
}

// What a site file tells of water reaches the core and the alarms: how a segment
// is worked, what a train owes, and the rules of an entry point.
func TestWaterReachesItsPart(t *testing.T) {
	site, err := config.Load("../../testdata/sites/every-key.yaml")
	if err != nil {
		t.Fatal(err)
	}
	core := plantSettings(site)
	clearwell, pipe, reservoir := core.Segments[0], core.Segments[1], core.Segments[2]
	entry := core.EntryPoints[0]
	named := map[string]alarms.Setting{}
	for _, a := range alarmSettings(site, guidance.Default()) {
		named[a.Name] = a
	}
	day := func(m time.Month, d int) contact.Date { return contact.Date{Year: 2026, Month: m, Day: d} }
	for _, tc := range []struct {
		reason    string
		got, want any
	}{
		{"method and target", []any{clearwell.Settings.Method, clearwell.Settings.Target}, []any{contact.Regression, 1.2}},
		{"the method without one", pipe.Settings.Method, contact.Table},
		{"two analysers", []any{clearwell.ResidualIn, clearwell.Within, clearwell.Blank}, []any{"residual-in", 0.2, 0.03}},
		{"two outlets", []any{pipe.Flow, pipe.Settings.FlowsIn}, []any{[]string{"plant-flow", "filtered-flow"}, false}},
		{"the inlet alone", []any{reservoir.Flow, reservoir.Settings.FlowsIn}, []any{[]string{"filtered-flow"}, true}},
		// 3 - 2.5 and 4 - 2: contact.Filtration has the source.
		{"what conventional filtration leaves", core.Trains[0], plant.Train{Name: "main", Segments: []string{"clearwell", "transmission"}, GiardiaLog: 0.5, VirusLog: 2, Filtration: contact.Conventional}},
		{"logs of its own", core.Trains[1], plant.Train{Name: "side", Segments: []string{"reservoir"}, GiardiaLog: 1, VirusLog: 3}},
		{"ground water", []any{entry.Residual.Least, entry.Residual.Allowed, entry.Analyser.Days}, []any{0.5, 4 * time.Hour, 14}},
		{"holidays", entry.Calendar.Holidays, []contact.Date{day(time.November, 26), day(time.December, 25)}},
		{"the look ahead, adjusted", []any{math.Round(100 * named["clearwell-ratio-ahead-low"].Limit), named["clearwell-ratio-ahead-low"].OnDelay}, []any{115.0, time.Minute}},
		{"a train speaks for a segment of which nothing is asked", []string{named["transmission-inactivation-low"].Name, named["transmission-ratio-ahead-low"].Name}, []string{"", ""}},
		{"a segment of a train of which something is asked", named["clearwell-inactivation-low"].Name, "clearwell-inactivation-low"},
		{"a train", []any{named["main-inactivation-low"].Limit, named["main-ratio-ahead-low"].Limit}, []any{1.05, 1.1}},
		{"the stages of a low residual, s", []any{named["residual-out-under"].Limit, named["residual-out-under-half"].Limit, named["residual-out-under-limit"].Limit}, []any{60.0, 7200.0, 14400.0}},
		{"samples and the analyser, s", []any{named["residual-out-grab-due"].Limit, named["residual-out-grab-overdue"].Limit, named["residual-out-back-due"].Limit}, []any{1800.0, 0.0, 86400.0}},
		{"the average of the system, mg/L", named["distribution-residual-high"].Limit, contact.MaximumResidual},
	} {
		if d := gocmp.Diff(tc.want, tc.got); d != "" {
			t.Errorf("%s (-expected +got):\n%s", tc.reason, d)
		}
	}
	// Each alarm watches a figure that there is.
	p, err := plant.New(core)
	if err != nil {
		t.Fatal(err)
	}
	for name, a := range named {
		if !slices.Contains(p.Names(), a.Input) {
			t.Errorf("%s watches %q, which is no figure", name, a.Input)
		}
		if a.Consequence == "" || len(a.FirstAction) == 0 || a.RespondWithin <= 0 {
			t.Errorf("%s does not say what follows and what to do: %+v", name, a)
		}
	}
	for _, name := range []string{"clearwell-ratio-ahead-low", "main-inactivation-low", "main-ratio-ahead-low", "residual-out-under", "residual-out-under-half", "residual-out-under-limit",
		"residual-out-grab-due", "residual-out-grab-overdue", "residual-out-back-due", "distribution-residual-high"} {
		if len(named[name].LikelyCause) == 0 {
			t.Errorf("%s names no cause", name)
		}
	}
}

// TestDetectorOnACurrentLoop follows a loop current from the site file to the
// judgement. Under 21 mA a detector over its range trips; from there on, and at
// a broken wire, it is not available, which is not to say that there is no gas.
func TestDetectorOnACurrentLoop(t *testing.T) {
	path := siteFile(t, func(s string) string {
		return strings.Replace(s, "residuals:", "      gas: {table: input-register, address: 2, type: uint16, current: 4000 to 20000, to: 0 to 10, unit: ppm}\n"+
			"detectors:\n  gas-1: {room: store, concentration: gas}\nresiduals:", 1)
	})
	site, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	p := lines(site)[0].Instruments[0].Points[1]
	s := plantSettings(site).Detectors[0].Settings
	for _, c := range []struct {
		reason       string
		microamperes uint16
		level        int
		available    bool
	}{
		{"clean air", 4000, 0, true},
		{"a zero that drifts", 3700, 0, true},
		{"0.6 ppm", 4960, 1, true},
		{"the end of the range", 20000, 2, true},
		{"over the range", 20700, 2, true},
		{"a failed sensor", 21000, 0, false},
		{"a failed sensor that goes low", 3600, 0, false},
		{"a broken wire", 0, 0, false},
	} {
		v, q := field.Decode(p, binary.BigEndian.AppendUint16(nil, c.microamperes))
		got := air.Judge(reading.Reading{Point: p.Name, Value: v, Quality: q}, s)
		if got.Level != c.level || got.Available != c.available {
			t.Errorf("%s: %d uA is %v, %v and judged %+v", c.reason, c.microamperes, v, q, got)
		}
	}
}

// The plant judges a line's pace by the very periods in which its points are
// polled, and by the words of the site file tells where they hang.
func TestTheFieldAndThePlantAgree(t *testing.T) {
	for _, name := range []string{"every-key.yaml", "kestrel-ridge.yaml"} {
		site, err := config.Load(filepath.Join("..", "..", "testdata", "sites", name))
		if err != nil {
			t.Fatal(err)
		}
		s, points := plantSettings(site), 0
		for i, l := range lines(site) {
			if got := s.Lines[i]; got.Name != l.Name || got.Device != l.Device || got.Address != l.Address || got.Serial != (l.Kind != field.TCP) {
				t.Errorf("%s: the plant has line %+v, the field %s %s", name, got, l.Kind, l.Name)
			}
			for _, in := range l.Instruments {
				for _, p := range in.Points {
					for _, pt := range s.Points {
						if pt.Name != p.Name {
							continue
						}
						points++
						if want := cmp.Or(p.Every, in.Every); pt.Every != want {
							t.Errorf("%s: the plant expects %s every %s, the field polls it every %s", name, p.Name, pt.Every, want)
						}
					}
				}
			}
		}
		if points == 0 || points != len(s.Points) {
			t.Errorf("%s: %d points of the field, %d of the plant", name, points, len(s.Points))
		}
	}
}
