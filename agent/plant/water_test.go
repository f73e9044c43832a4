package plant

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// works is a plant of two segments in series with an entry point; the clearwell
// has two outlets and an analyser at its inlet.
func works(t testing.TB) *Plant {
	t.Helper()
	s := Settings{Shown: Shown{Mass: units.MustParse("kg"), MassFlow: units.MustParse("kg/d")}, Instruments: []Instrument{{Name: "meters", Line: "line-a"}}}
	for name, u := range map[string]string{
		"in": "mg/L", "out": "mg/L", "entry": "mg/L", "ph": "pH", "temperature": "degC", "flow-1": "m3/h", "flow-2": "m3/h", "level": "m",
	} {
		s.Points = append(s.Points, Point{Name: name, Instrument: "meters", Unit: units.MustParse(u), StaleAfter: 5 * time.Minute})
	}
	s.Segments = []Segment{
		{Name: "clearwell", Residual: "out", PH: "ph", Temperature: "temperature", Flow: []string{"flow-1", "flow-2"}, Level: "level",
			ResidualIn: "in", Decay: 0.1 / 3600, Within: 0.1, Blank: 0.02,
			Settings: contact.Settings{Volume: 600, LevelFull: 4, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2}},
		{Name: "main", Residual: "entry", PH: "ph", Temperature: "temperature", Flow: []string{"flow-1"}, Blank: 0.02,
			Settings: contact.Settings{Volume: 100, BafflingFactor: 1, GiardiaLog: 0.5, VirusLog: 2}},
	}
	s.Trains = []Train{{Name: "works", Segments: []string{"clearwell", "main"}, GiardiaLog: 1, VirusLog: 3}}
	s.EntryPoints = []EntryPoint{{Point: "entry", Residual: contact.SurfaceWaterRule, Analyser: contact.SurfaceWaterAnalyser, Calendar: contact.Calendar{Zone: time.UTC}}}
	p, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

var monday = time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)

// minutes steps a plant once a minute and returns its figures by name.
func (p *Plant) minutes(from, n int, values map[string]float64, bad map[string]string) map[string]Figure {
	var fs []Figure
	for m := from; m < from+n; m++ {
		now := monday.Add(time.Duration(m) * time.Minute)
		var rs []reading.Reading
		for name, v := range values {
			r := reading.Reading{Point: name, Value: v, Quality: reading.GoodQuality(), Time: now}
			if reason, ok := bad[name]; ok {
				r.Quality = reading.BadBecause(reason)
			}
			rs = append(rs, r)
		}
		fs = p.Step(now, rs)
	}
	out := map[string]Figure{}
	for _, f := range fs {
		out[f.Name] = f
	}
	return out
}

func calm() map[string]float64 {
	return map[string]float64{"in": 1, "out": 0.9, "entry": 0.8, "ph": 7.5, "temperature": 10, "flow-1": 0.06, "flow-2": 0.04, "level": 4}
}

// The flow out is the sum of the outlets, and a train the sum of its segments:
// by hand, 0.5 x 600 m³ / 0.1 m³/s = 3000 s and 100 m³ / 0.06 m³/s = 1667 s.
func TestOutletsAndSegmentsAdd(t *testing.T) {
	p := works(t)
	fs := p.minutes(0, 120, calm(), nil)
	for name, want := range map[string]float64{
		"segment.clearwell.t10-static": 3000, "segment.main.t10-static": 100 / 0.06,
		"train.works.giardia-log": fs["segment.clearwell.giardia-log"].Value + fs["segment.main.giardia-log"].Value,
		"train.works.virus-log":   fs["segment.clearwell.virus-log"].Value + fs["segment.main.virus-log"].Value,
	} {
		if got := fs[name]; !got.Quality.Usable() || got.Value < want*(1-1e-9) || got.Value > want*(1+1e-9) {
			t.Errorf("%s is %g (%v), expected %g", name, got.Value, got.Quality, want)
		}
	}
	ratio := fs["train.works.inactivation-ratio"]
	if want := min(fs["train.works.giardia-log"].Value/1, fs["train.works.virus-log"].Value/3); ratio.Value != want || want < 1 {
		t.Errorf("the train's ratio is %g, expected %g, over 1", ratio.Value, want)
	}
	// Nothing moves, so what comes is what is; it counts what each owes of both.
	clearwell, main := fs["segment.clearwell.inactivation-ratio"].Value, fs["segment.main.inactivation-ratio"].Value
	if got, want := fs["train.works.ratio-ahead"], min((clearwell+main)*0.5/1, (clearwell+main)*2/3); !got.Quality.Usable() || got.Value < want*0.999 || got.Value > want*1.001 {
		t.Errorf("ahead the train has %g (%v), expected %g", got.Value, got.Quality, want)
	}
	fs = p.minutes(120, 1, calm(), map[string]string{"flow-2": reading.NoReply})
	for _, name := range []string{"segment.clearwell.inactivation-ratio", "train.works.inactivation-ratio", "train.works.giardia-log"} {
		if q := fs[name].Quality; q != reading.BadBecause(reading.NoReply) {
			t.Errorf("with one outlet not known %s is %v", name, q)
		}
	}
	if q := fs["segment.main.inactivation-ratio"].Quality; !q.Usable() {
		t.Errorf("a segment that does not need that outlet is %v", q)
	}
}

// What a segment finds of its analysers lowers the points, their figures and the
// instrument's own state; what sends no chlorine stays in use.
func TestDoubtsReachTheirPoints(t *testing.T) {
	for _, tc := range []struct {
		reason string
		change map[string]float64
		want   map[string]string
	}{
		{"nothing odd", nil, map[string]string{"in": "good", "out": "good", "entry": "good", "segment.clearwell.ct": "good"}},
		{"the outlet shows more than came in", map[string]float64{"out": 1.5}, map[string]string{
			"in": "uncertain:disagrees", "out": "uncertain:disagrees", "entry": "good", "segment.clearwell.ct": "uncertain:disagrees", "train.works.giardia-log": "uncertain:disagrees"}},
		{"no chlorine at the entry", map[string]float64{"entry": 0.01}, map[string]string{
			"entry": "uncertain:no-residual", "out": "good", "segment.main.inactivation-ratio": "uncertain:no-residual"}},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			p, v := works(t), calm()
			for name, c := range tc.change {
				v[name] = c
			}
			fs := p.minutes(0, 600, v, nil)
			for name, want := range tc.want {
				if got := fs[name].Quality.String(); got != want {
					t.Errorf("%s is %s, expected %s", name, got, want)
				}
			}
			if doubtful := fs["instrument.meters.doubtful"].Value == 1; doubtful != (tc.change != nil) {
				t.Errorf("the instrument is doubtful: %v (%s)", doubtful, fs["instrument.meters.doubtful"].Detail)
			}
		})
	}
}

// The clocks of an entry point, as their figures show them.
func TestEntryFigures(t *testing.T) {
	p := works(t)
	fs := p.minutes(0, 10, calm(), nil)
	check := func(name string, want float64, quality string) {
		t.Helper()
		if f := fs["entry.entry."+name]; f.Value != want || f.Quality.String() != quality {
			t.Errorf("%s is %g (%v), expected %g (%s)", name, f.Value, f.Quality, want, quality)
		}
	}
	check("under-residual", 0, "good")
	check("under-residual-left", 4*3600, "good")
	check("grab-sample-due", 4*3600, "good")
	check("analyser-back-in", 5*86400, "good")
	low := calm()
	low["entry"] = 0.15
	fs = p.minutes(10, 61, low, nil)
	check("under-residual", 3600, "good")
	fs = p.minutes(71, 60, low, map[string]string{"entry": reading.NoReply})
	check("under-residual", 7200, "uncertain:no-reply") // it runs on
	check("under-residual-left", 7200, "uncertain:no-reply")
	check("grab-sample-due", 3*3600+60, "good")
	// It failed on Monday at 07:11; five working days later the Monday ends.
	check("analyser-back-in", time.Date(2026, 12, 1, 0, 0, 0, 0, time.UTC).Sub(monday.Add(130*time.Minute)).Seconds(), "good")
	if d := fs["entry.entry.analyser-back-in"].Detail; !strings.Contains(d, "ends on 1 December at 00:00 UTC") {
		t.Errorf("the detail is %q", d)
	}
	fs = p.minutes(131, 15, calm(), nil)
	check("under-residual", 0, "good")
	check("grab-sample-due", 3*3600-14*60, "good")
	if d := fs["entry.entry.grab-sample-due"].Detail; !strings.Contains(d, "gives a residual again, but not yet for 15 minutes") {
		t.Errorf("the detail is %q", d)
	}
	fs = p.minutes(146, 1, calm(), nil)
	check("grab-sample-due", 4*3600, "good")
}

// A frozen or doubtful analyser that shows enough does not stop a clock that
// runs; a restored plant goes on where the old one was.
func TestRestoredClocksGoOn(t *testing.T) {
	old, low := works(t), calm()
	low["entry"] = 0.1
	old.minutes(0, 61, low, nil)
	cp := old.Checkpoint()
	p := works(t)
	if err := p.Restore(cp); err != nil {
		t.Fatal(err)
	}
	if again := p.Checkpoint(); string(again) != string(cp) {
		t.Errorf("restored and kept again:\n%s\n%s", cp, again)
	}
	if f := p.minutes(90, 1, low, nil)["entry.entry.under-residual"]; f.Value != 90*60 {
		t.Errorf("after a pause of 29 min the clock shows %g s, expected 5400", f.Value)
	}
	for _, tc := range []struct{ data, want string }{
		{`{"version":2}`, "newer ebbwatch"}, {`x`, "not readable"}, {`{}`, "version 0"},
	} {
		if err := works(t).Restore([]byte(tc.data)); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: error %v, expected one that says %q", tc.data, err, tc.want)
		}
	}
	// Entry points that are gone, and times that cannot be, count nothing.
	if err := p.Restore([]byte(`{"version":1,"entries":{"gone":{},"entry":{"residual":{"under":{"since":"2026-11-23T06:00:00Z","elapsed_ns":-5,"last":"2027-01-01T00:00:00Z"}}}}}`)); err != nil {
		t.Fatal(err)
	}
	if f := p.minutes(100, 2, low, nil)["entry.entry.under-residual"]; f.Value != 60 {
		t.Errorf("from a time to come the clock shows %g s, expected 60", f.Value)
	}
}

// BenchmarkStep is a step with one reading of everything, through segments in a
// train.
func BenchmarkStep(b *testing.B) {
	for _, n := range []int{1, 5, 20} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			s := Settings{Shown: Shown{Mass: units.MustParse("kg"), MassFlow: units.MustParse("kg/d")}}
			values := []float64{0.9, 7.5, 10, 0.1, 3}
			for i, u := range []string{"mg/L", "pH", "degC", "m3/h", "m"} {
				s.Points = append(s.Points, Point{Name: fmt.Sprint(i), Unit: units.MustParse(u), StaleAfter: time.Minute})
			}
			train := Train{Name: "all", GiardiaLog: 3, VirusLog: 4}
			for i := range n {
				name := fmt.Sprint("s", i)
				s.Segments = append(s.Segments, Segment{Name: name, Residual: "0", PH: "1", Temperature: "2", Flow: []string{"3"}, Level: "4", Blank: 0.02,
					Settings: contact.Settings{Volume: 600, LevelFull: 4, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2}})
				train.Segments = append(train.Segments, name)
			}
			s.Trains = []Train{train}
			p, err := New(s)
			if err != nil {
				b.Fatal(err)
			}
			rs := make([]reading.Reading, len(values))
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				now := monday.Add(time.Duration(i) * time.Second)
				for k, v := range values {
					rs[k] = reading.Reading{Point: s.Points[k].Name, Value: v, Quality: reading.GoodQuality(), Time: now}
				}
				p.Step(now, rs)
			}
		})
	}
}
