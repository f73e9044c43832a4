package plant

import (
	"encoding/json"
	"fmt"
	"math"
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

// The bad inputs of a plant's life, through the plant: each has its outcome, the
// train's ratio never looks better for it than before, and the day does not
// either. After two calm hours each lasts for ten minutes.
func TestBadInputsThroughThePlant(t *testing.T) {
	for _, tc := range []struct {
		reason  string
		change  map[string]float64
		bad     map[string]string
		back    time.Duration // of the clock
		pause   time.Duration // without a reading
		segment string        // the quality of the clearwell's ratio
		day     string        // and of its day by extremes
	}{
		{reason: "calm", segment: "good", day: "good"},
		{reason: "no flow", change: map[string]float64{"flow-1": 0, "flow-2": 0}, segment: "bad:no-flow", day: "good"},
		{reason: "flow that reverses", change: map[string]float64{"flow-1": -0.2}, segment: "bad:inconsistent", day: "good"},
		{reason: "a flow of more than any pipe", change: map[string]float64{"flow-1": 1e300}, segment: "good", day: "good"}, // a ratio of 0
		{reason: "one outlet lost", bad: map[string]string{"flow-2": reading.NoReply}, segment: "bad:no-reply", day: "good"},
		{reason: "an empty tank", change: map[string]float64{"level": 0}, segment: "good", day: "good"}, // a ratio of 0
		{reason: "the level sensor lost", bad: map[string]string{"level": reading.SensorFailure}, segment: "bad:sensor-failure", day: "good"},
		{reason: "a level over the wall", change: map[string]float64{"level": 5}, segment: "bad:inconsistent", day: "good"},
		{reason: "a level that is not a number", change: map[string]float64{"level": math.NaN()}, segment: "bad:not-a-number", day: "good"},
		{reason: "a residual over the table", change: map[string]float64{"out": 3.9, "in": 3.9}, segment: "uncertain:outside-table", day: "uncertain:outside-table"},
		{reason: "a residual under zero", change: map[string]float64{"out": -0.1}, segment: "uncertain:under-range", day: "good"},
		{reason: "ice", change: map[string]float64{"temperature": -3}, segment: "uncertain:under-range", day: "uncertain:under-range"},
		{reason: "pH over the table", change: map[string]float64{"ph": 9.4}, segment: "bad:outside-table", day: "bad:outside-table"},
		{reason: "an hour without readings", pause: time.Hour, segment: "good", day: "good"},
		{reason: "readings that have grown stale", pause: -time.Hour, segment: "bad:stale", day: "good"},
		{reason: "a clock that runs an hour backward", back: time.Hour, segment: "good", day: "good"},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			p, v := works(t), calm()
			before := p.minutes(0, 120, v, nil)
			for name, x := range tc.change {
				v[name] = x
			}
			at := 120 + int((tc.pause-tc.back)/time.Minute)
			if tc.pause < 0 { // the mere passing of time
				at, v = 180, nil
			}
			after := p.minutes(at, 10, v, tc.bad)
			if got := after["segment.clearwell.inactivation-ratio"].Quality.String(); got != tc.segment {
				t.Errorf("the ratio is %s, expected %s", got, tc.segment)
			}
			if got := after["segment.clearwell.day-ratio-extremes"].Quality.String(); got != tc.day {
				t.Errorf("the day is %s, expected %s", got, tc.day)
			}
			for _, name := range []string{"segment.clearwell.inactivation-ratio", "train.works.inactivation-ratio", "train.works.day-ratio-extremes", "segment.clearwell.day-lowest-ratio"} {
				was, is := before[name], after[name]
				if is.Quality.Level == reading.Good && is.Value > was.Value*1.0001 {
					t.Errorf("%s rose from %g to %g", name, was.Value, is.Value)
				}
				if !is.Quality.Usable() && is.Value != 0 {
					t.Errorf("%s is bad and carries %g", name, is.Value)
				}
			}
			for _, f := range after {
				if f.Quality.Usable() && (math.IsNaN(f.Value) || math.IsInf(f.Value, 0)) {
					t.Errorf("%s is %g", f.Name, f.Value)
				}
			}
			if !json.Valid(p.Checkpoint()) {
				t.Error("the checkpoint is no JSON")
			}
		})
	}
}

// Every figure of disinfection that practice makes in several ways says which.
func TestEveryMethodIsNamed(t *testing.T) {
	fs := works(t).minutes(0, 180, calm(), nil)
	for name, f := range fs {
		if f.Kind != SegmentKind && f.Kind != TrainKind {
			continue
		}
		if f.Method == "" {
			t.Errorf("%s names no method", name)
		}
	}
	for name, words := range map[string][]string{
		"segment.clearwell.t10-static":         {"static", "no regulation prescribes", "not always the shortest"},
		"segment.clearwell.t10-entry":          {"entry form", "no regulation prescribes"},
		"segment.clearwell.t10-inflow":         {"inflow form", "no regulation prescribes"},
		"segment.clearwell.inactivation-ratio": {"T10 static", "required CT by the method table"},
		"segment.clearwell.ratio-ahead":        {"the water already inside", "method table"},
		"segment.clearwell.day-ratio":          {"any 60 minutes", "table"},
		"train.works.inactivation-ratio":       {"40 CFR 141.534", "clearwell by table", "main by table"},
		"train.works.day-ratio-extremes":       {"each by itself", "141.534"},
		"entry.entry.under-residual":           {"under 0.2 mg/L for at most 4 h"},
	} {
		for _, w := range words {
			if !strings.Contains(fs[name].Method, w) {
				t.Errorf("%s says %q, without %q", name, fs[name].Method, w)
			}
		}
	}
	if d := fs["segment.clearwell.inactivation-ratio"].Detail; d != `rests on T10 by the form "static" and the required CT by the method table` {
		t.Errorf("the detail of the ratio is %q", d)
	}
}

// The day of a train adds what its segments earn, and is covered as the least.
func TestTheDayOfATrain(t *testing.T) {
	p := works(t)
	p.minutes(0, 120, calm(), nil)
	fs := p.minutes(120, 60, calm(), map[string]string{"entry": reading.NoReply})
	for _, q := range []Quantity{DayRatio, DayRatioClockHour, DayRatioExtremes} {
		clearwell, main := fs[Name(SegmentKind, "clearwell", q)], fs[Name(SegmentKind, "main", q)]
		got := fs[Name(TrainKind, "works", q)]
		// Giardia decides in both, each owes half a log of it and the train one.
		if want := (clearwell.Value + main.Value) / 2; !got.Quality.Usable() || math.Abs(got.Value-want) > 1e-9 {
			t.Errorf("%s is %g (%v), expected %g", q, got.Value, got.Quality, want)
		}
	}
	if got, want := fs["train.works.day-covered"].Value*24, 2.0; math.Abs(got-want) > 0.02 {
		t.Errorf("%g h covered, expected the %g of the segment with the least", got, want)
	}
}

// Ground water that is treated to 4 log of viruses: the State's least residual
// with the same four hours, and 14 days for the analyser with a sample every four
// hours, 40 CFR 141.403(b)(3)(i)(A) and 141.404(c).
func TestGroundWater(t *testing.T) {
	p, err := New(Settings{
		Points: []Point{{Name: "well", Unit: units.MustParse("mg/L"), StaleAfter: 5 * time.Minute}},
		EntryPoints: []EntryPoint{{
			Point: "well", Residual: contact.GroundWaterRule(0.5), Analyser: contact.GroundWaterAnalyser, Calendar: contact.Calendar{Zone: time.UTC},
		}},
	})
	if err != nil {
		t.Fatal(err)
	}
	const minute, hour, day = 60.0, 3600.0, 86400.0
	lost := map[string]string{"well": reading.NoReply}
	for _, tc := range []struct {
		reason            string
		from, n           int
		residual          float64
		bad               map[string]string
		under, left, grab float64
		back              float64
		method            string
	}{
		{"enough", 0, 10, 0.5, nil, 0, 4 * hour, 4 * hour, 14 * day, "under 0.5 mg/L for at most 4 h"},
		{"under the State's least, over the surface water's", 10, 121, 0.4, nil, 2 * hour, 2 * hour, 4 * hour, 14 * day, ""},
		{"past the limit", 131, 180, 0.4, nil, 5 * hour, -hour, 4 * hour, 14 * day, ""},
		{"restored", 311, 1, 0.5, nil, 0, 4 * hour, 4 * hour, 14 * day, ""},
		{"the analyser fails", 312, 61, 0, lost, 0, 4 * hour, 3 * hour, 14*day - hour, ""},
		{"for long", 373, 300, 0, lost, 0, 4 * hour, -2 * hour, 14*day - 6*hour, ""},
		{"and is back", 673, 16, 0.6, nil, 0, 4 * hour, 4 * hour, 14 * day, ""},
	} {
		fs := p.minutes(tc.from, tc.n, map[string]float64{"well": tc.residual}, tc.bad)
		for q, want := range map[Quantity]float64{UnderResidual: tc.under, UnderResidualLeft: tc.left, GrabSampleDue: tc.grab, AnalyserBackIn: tc.back} {
			f := fs[Name(EntryKind, "well", q)]
			if math.Abs(f.Value-want) > minute || !strings.Contains(f.Method, tc.method) && q == UnderResidual {
				t.Errorf("%s: %s is %g s (%s), expected %g", tc.reason, q, f.Value, f.Method, want)
			}
		}
	}
}
