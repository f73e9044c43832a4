package contact

import (
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func good(v float64) reading.Reading {
	return reading.Reading{Value: v, Quality: reading.GoodQuality()}
}

func bad(reason string) reading.Reading {
	return reading.Reading{Quality: reading.BadBecause(reason)}
}

// water is treated water at rest in its conditions: 1.0 mg/L, pH 7.5, 10 degC.
func water(flow, level float64) Inputs {
	return Inputs{Residual: good(1), PH: good(7.5), Temperature: good(10), Flow: good(flow), Level: good(level)}
}

// tank holds 600 m3 at 4 m; at 0.5 m3/s and baffling factor 0.5 T10 is 600 s.
func tank() *Segment {
	return NewSegment(Settings{Volume: 600, LevelFull: 4, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2, Method: Table})
}

func near(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

func si(symbol string, v float64) float64 { return units.MustParse(symbol).SI(v) }

// Worked examples of public agencies, run through a whole segment with constant
// readings. Sources and tolerances: testdata/ct/examples.json.
func TestWorkedExamples(t *testing.T) {
	pipe, clearwell := exampleByID(t, "or-2020-pipe-4log"), exampleByID(t, "epa-2003-lt1-clearwell")
	main := exampleByID(t, "alvord-131-direct-filtration-pipe")
	circle := func(diameter, length float64) units.CubicMetres {
		return units.CubicMetres(math.Pi / 4 * si("ft", diameter) * si("ft", diameter) * si("ft", length))
	}
	type check struct {
		name            string
		got             func(Result) float64
		want, tolerance float64
	}
	t10 := func(r Result) float64 { return r.T10.Value / 60 }
	ct := func(r Result) float64 { return r.CT.Value }
	ratio := func(r Result) float64 { return r.Ratio.Value }
	type step struct {
		id     string
		s      Settings
		in     Inputs
		checks []check
	}
	cases := []step{
		{pipe.ID, Settings{Volume: circle(pipe.number("pipe_diameter_in")/12, pipe.number("pipe_length_ft")), BafflingFactor: pipe.number("baffling_factor"), VirusLog: 4},
			Inputs{Residual: good(pipe.Recomputed["min_residual_from_unrounded_T"]), PH: good(7.5), Temperature: good(pipe.number("temp_c")), Flow: good(si("gpm", pipe.number("peak_flow_gpm")))},
			[]check{
				{"T10", t10, pipe.Recomputed["t_min"], pipe.Tolerance["t_min"]},
				{"required CT", func(r Result) float64 { return r.RequiredVirus.Value }, 6, 0},
				{"ratio at the published residual", ratio, 1, pipe.Tolerance["minimum_residual_mg_l"] / 0.32},
			}},
		// From memory: the publication's page was not opened.
		{clearwell.ID, Settings{Volume: circle(clearwell.number("diameter_ft"), clearwell.number("min_operating_depth_ft")), BafflingFactor: clearwell.number("baffling_factor"), GiardiaLog: 3, VirusLog: 4},
			Inputs{Residual: good(clearwell.number("residual_mg_l")), PH: good(clearwell.number("ph")), Temperature: good(clearwell.number("temp_c")), Flow: good(si("gpm", clearwell.number("peak_hourly_flow_gpm")))},
			[]check{
				{"CT", ct, clearwell.Recomputed["ct"], clearwell.Tolerance["ct"]},
				{"required CT", func(r Result) float64 { return r.RequiredGiardia.Value }, 145, 0},
				{"ratio", ratio, clearwell.Recomputed["ratio"], 0.001},
				{"Giardia log", func(r Result) float64 { return r.GiardiaLog.Value }, clearwell.Recomputed["log_giardia"], 0.002},
				{"virus log", func(r Result) float64 { return r.VirusLog.Value }, 21.67, 0.02},
			}},
		{main.ID, Settings{Volume: circle(main.number("diameter_ft"), main.number("length_mi")*5280), BafflingFactor: 1},
			Inputs{Residual: good(1), PH: good(7), Temperature: good(10), Flow: good(si("MGD", main.number("flow_mgd")))},
			[]check{{"T10", t10, main.Recomputed["t_pipe_min"], main.Tolerance["t_pipe_min"]}}},
	}
	// A state minimum of 6 mg.min/L is the 4-log virus value at 10 degC.
	for _, id := range []string{"wa-331-343-a", "wa-331-343-b", "wa-331-343-c", "nl-standard-ct6"} {
		e := exampleByID(t, id)
		cases = append(cases, step{id, Settings{Volume: units.CubicMetres(60 * e.number("t_min")), BafflingFactor: 1, VirusLog: 4},
			Inputs{Residual: good(e.number("residual_mg_l")), PH: good(7.5), Temperature: good(10), Flow: good(1)},
			[]check{
				{"CT", ct, e.Recomputed["ct"], e.Tolerance["ct"]},
				{"ratio", ratio, e.Recomputed["ct"] / 6, 1e-12}, // exactly on the limit counts as met
			}})
	}
	for _, tc := range cases {
		g := NewSegment(tc.s)
		var r Result
		for i := range 61 {
			r = g.Step(start.Add(time.Duration(i)*time.Minute), tc.in)
		}
		if !r.T10.Quality.Usable() || !r.CT.Quality.Usable() {
			t.Errorf("%s: %+v", tc.id, r)
		}
		for _, c := range tc.checks {
			if got := c.got(r); !near(got, c.want, c.tolerance) {
				t.Errorf("%s: %s is %g, expected %g within %g", tc.id, c.name, got, c.want, c.tolerance)
			}
		}
	}
}

// 40 CFR 141.534: the log inactivation of a plant is 3.0 times the sum of the
// segments' ratios of CT to CT99.9. The three ratios are own numbers.
func TestLogsOfSegmentsAdd(t *testing.T) {
	e := exampleByID(t, "cfr-534-log")
	var segments []Credit
	for _, ratio := range []float64{0.10, 0.25, 0.07} {
		// 134 mg.min/L is CT99.9 at 10 degC, 1.0 mg/L and pH 7.5, Table 1.3.
		g := NewSegment(Settings{Volume: units.CubicMetres(60 * 134 * ratio), BafflingFactor: 1, GiardiaLog: 3})
		r := g.Step(start, water(1, 0))
		if !near(r.Ratio.Value, ratio, 1e-12) {
			t.Errorf("ratio is %g, expected %g", r.Ratio.Value, ratio)
		}
		segments = append(segments, r.Credit)
	}
	total := Total(0.5, 0, segments...)
	if want := e.Recomputed["for_ratios_0.10_0.25_0.07"]; !near(total.GiardiaLog.Value, want, e.Tolerance["log"]) {
		t.Errorf("the sum is %g log, expected %g", total.GiardiaLog.Value, want)
	}
	if want := total.GiardiaLog.Value / 0.5; !near(total.Ratio.Value, want, 1e-12) {
		t.Errorf("the ratio to half a log is %g, expected %g", total.Ratio.Value, want)
	}
	segments[1].GiardiaLog = Value{Quality: reading.BadBecause(reading.NoReply)}
	if total := Total(0.5, 0, segments...); total.Ratio.Quality.Usable() || total.GiardiaLog.Quality.Usable() {
		t.Errorf("with one segment not known %+v", total)
	}
	for _, empty := range []Credit{Total(3, 4), Total(0, 0, segments...)} {
		if empty.Ratio.Quality.Usable() {
			t.Errorf("of nothing, or owing nothing, %+v", empty)
		}
	}
}

// What a State's letter leaves to disinfection: testdata/ct/examples.json. The
// other rows are from memory, as the code says.
func TestFiltrationCredit(t *testing.T) {
	e := exampleByID(t, "or-2012-credit")
	credit, _, _ := Conventional.Credit()
	left, _, _ := Conventional.LeftToDisinfection()
	if credit != e.number("filtration_credit_log") || left != e.number("required_total_log")-e.number("filtration_credit_log") {
		t.Errorf("conventional filtration counts for %g log and leaves %g", credit, left)
	}
	for _, f := range []Filtration{Unfiltered, Conventional, DirectFiltered, SlowSand, Diatomaceous} {
		g, v, ok := f.Credit()
		lg, lv, _ := f.LeftToDisinfection()
		if !ok || g+lg != 3 || v+lv != 4 {
			t.Errorf("%s: %g and %g log count, %g and %g are left", f, g, v, lg, lv)
		}
	}
	if _, _, ok := Filtration("membrane").Credit(); ok {
		t.Error("a kind without a published credit has one")
	}
}

func TestTheLowerOrganismDecides(t *testing.T) {
	for _, tc := range []struct {
		giardia, virus float64
		want           float64
		usable         bool
		reason         string
	}{
		// CT is 1.0 mg/L x 10 min; Giardia asks 134/3 a log, viruses 3, 4 and 6 for 2, 3 and 4.
		{0.5, 2, 10 / (134.0 / 6), true, "Giardia asks for more"},
		{0.05, 4, 10.0 / 6, true, "viruses ask for more"},
		{0.5, 0, 10 / (134.0 / 6), true, "only Giardia is owed"},
		{0, 2, 10.0 / 3, true, "only viruses are owed"},
		{0, 0, 0, false, "nothing is owed: no ratio, not an endless one"},
	} {
		r := NewSegment(Settings{Volume: 600, BafflingFactor: 0.5, GiardiaLog: tc.giardia, VirusLog: tc.virus}).Step(start, water(0.5, 0))
		if r.Ratio.Quality.Usable() != tc.usable || !near(r.Ratio.Value, tc.want, 1e-9) {
			t.Errorf("%g and %g log: ratio %+v, expected %g: %s", tc.giardia, tc.virus, r.Ratio, tc.want, tc.reason)
		}
	}
}

func TestTheRollingHour(t *testing.T) {
	type at struct {
		minutes float64
		in      Inputs
		t10     float64 // seconds; 0 for bad
		reason  string
	}
	gone := func(in Inputs, f func(*Inputs)) Inputs { f(&in); return in }
	for name, steps := range map[string][]at{
		"flow up": {
			{0, water(0.5, 4), 600, "600 m3 x 0.5 / 0.5 m3/s"},
			{30, water(0.5, 4), 600, "steady"},
			{31, water(1, 4), 300, "the larger flow counts at once"},
		},
		"flow down": {
			{0, water(1, 4), 300, "600 m3 x 0.5 / 1 m3/s"},
			{1, water(1, 4), 300, ""}, {2, water(1, 4), 300, ""}, {3, water(0.5, 4), 300, "the hour's mean is still 1 m3/s"},
			{4, water(0.5, 4), 300 * 4 / 3.5, "3 min at 1, 1 min at 0.5 m3/s"},
			{6, water(0.5, 4), 300 * 6 / 4.5, "3 min at 1, 3 min at 0.5 m3/s"},
			{9, water(0.5, 4), 300 * 9 / 6.0, "3 min at 1, 6 min at 0.5 m3/s"},
		},
		"level down": {
			{0, water(0.5, 4), 600, ""},
			{1, water(0.5, 2), 300, "half the level, half the time, at once"},
			{2, water(0.5, 4), 300, "the lowest volume of the hour stays"},
			{60, water(0.5, 4), 300, "the minute of the low level is the oldest of the hour"},
			{61, water(0.5, 4), 600, "the hour has passed"},
		},
		"flow stops": {
			{0, water(0.5, 4), 600, ""},
			{1, water(0, 4), 0, "no water moves, or its meter has failed"},
			{2, water(0, 4), 0, "and standing makes it no longer"},
			{3, water(0.1, 4), 1800, "1 min at 0.5, 2 min at 0 m3/s"},
			{30, water(0.5, 4), 600, "it flows again"},
		},
		"no water from the start": {{0, water(0, 4), 0, "no flow: contact time has no meaning"}, {1, water(1e-4, 4), 0, "0.1 L/s does not count as moving"}, {2, water(-0.2, 4), 0, "backward is not forward"}},
		"gap": {
			{0, water(1, 4), 300, ""},
			{5, water(1, 4), 300, "5 min are still one span"},
			{20, water(0.5, 4), 300, "of 15 min nothing is known: the hour knows 5 min at 1 m3/s"},
			{21, water(0.5, 4), 300 * 6 / 5.5, "5 min at 1, 1 min at 0.5 m3/s"},
		},
		"bad flow": {
			{0, water(1, 4), 300, ""}, {1, water(1, 4), 300, ""},
			{2, gone(water(0, 4), func(in *Inputs) { in.Flow = bad(reading.NoReply) }), 0, "no flow, no contact time"},
			{4, water(0.5, 4), 300, "the time of the bad flow is not in the hour: 2 min at 1 m3/s"},
			{6, water(0.5, 4), 300 * 4 / 3.0, "2 min at 1, 2 min at 0.5 m3/s"},
		},
		"bad level": {
			{0, water(0.5, 2), 300, ""},
			{1, gone(water(0.5, 0), func(in *Inputs) { in.Level = bad(reading.Stale) }), 0, "no volume, no contact time"},
			{2, water(0.5, 4), 300, "the low level before it stays in the hour"},
		},
		"impossible level": {
			{0, water(0.5, 4.79), 600, "a surcharge under 1.2 of the full level earns no more than full"},
			{1, water(0.5, 4.81), 0, "over 1.2 of the full level"},
			{2, water(0.5, -0.1), 0, "a basin has no negative depth"},
			{3, water(0.5, 4), 600, "neither entered the hour"},
			{4, water(0.5, 0), 0.0001, "an empty basin holds nothing back: zero, and known"},
		},
		"time stands still or runs back": {
			{0, water(1, 4), 300, ""}, {5, water(0.5, 4), 300, ""},
			{5, water(0.5, 4), 300, "no time, no change"},
			{5, water(2, 4), 150, "yet a larger flow counts"},
			{4, water(0.5, 4), 300, "a step back adds nothing"},
			{6, water(0.5, 4), 300 * 6 / 7.0, "5 min at 1, then 1 min at the 2 m3/s that were read at minute 5"},
		},
		"a jump of the clock by days": {
			{0, water(1, 2), 150, ""}, {1, water(1, 2), 150, ""},
			{5000, water(0.5, 4), 600, "nothing of the last hour is known but the present"},
		},
	} {
		g := tank()
		for _, s := range steps {
			r := g.Step(start.Add(time.Duration(s.minutes*float64(time.Minute))), s.in)
			want := s.t10
			if usable := want != 0; r.Static.Quality.Usable() != usable || !near(r.Static.Value, want, 1e-3) {
				t.Errorf("%s, minute %g: T10 %+v, expected %g s: %s", name, s.minutes, r.Static, want, s.reason)
			}
		}
	}
}

func TestABadInputMakesItsFiguresBad(t *testing.T) {
	const (
		t10 = 1 << iota
		ct
		giardia
		virus
		ratio
		giardiaLog
		virusLog
		none = 0
		all  = t10 | ct | giardia | virus | ratio | giardiaLog | virusLog
	)
	for _, tc := range []struct {
		name   string
		change func(*Inputs)
		bad    int
		reason string
		why    string
	}{
		{"nothing", func(*Inputs) {}, none, "", "all is well"},
		{"residual", func(in *Inputs) { in.Residual = bad(reading.NoReply) }, ct | giardia | ratio | giardiaLog | virusLog, reading.NoReply, "neither CT nor the Giardia table is known, the virus table does not need it"},
		{"pH", func(in *Inputs) { in.PH = bad(reading.Stale) }, giardia | virus | ratio | giardiaLog | virusLog, reading.Stale, "CT stays"},
		{"temperature", func(in *Inputs) { in.Temperature = bad(reading.OutOfRange) }, giardia | virus | ratio | giardiaLog | virusLog, reading.OutOfRange, "CT stays"},
		{"flow", func(in *Inputs) { in.Flow = bad(reading.NotConnected) }, t10 | ct | ratio | giardiaLog | virusLog, reading.NotConnected, "the required CTs stay"},
		{"level", func(in *Inputs) { in.Level = bad(reading.NotYetRead) }, t10 | ct | ratio | giardiaLog | virusLog, reading.NotYetRead, "the required CTs stay"},
		{"never read", func(in *Inputs) { *in = Inputs{} }, all, "", "the zero reading is bad"},
		{"residual not a number", func(in *Inputs) { in.Residual = good(math.NaN()) }, ct | giardia | ratio | giardiaLog | virusLog, reading.NotANumber, "whatever its quality says"},
		{"endless flow", func(in *Inputs) { in.Flow = good(math.Inf(1)) }, t10 | ct | ratio | giardiaLog | virusLog, reading.NotANumber, "whatever its quality says"},
		{"endless level", func(in *Inputs) { in.Level = good(math.Inf(-1)) }, t10 | ct | ratio | giardiaLog | virusLog, reading.NotANumber, "whatever its quality says"},
		{"pH over the tables", func(in *Inputs) { in.PH = good(9.3) }, giardia | giardiaLog | ratio, reading.OutsideTable, "the virus table goes on to pH 10"},
	} {
		in := water(0.5, 4)
		tc.change(&in)
		r := tank().Step(start, in)
		for i, v := range []Value{r.T10, r.CT, r.RequiredGiardia, r.RequiredVirus, r.Ratio, r.GiardiaLog, r.VirusLog} {
			want := tc.bad&(1<<i) != 0
			if v.Quality.Usable() == want {
				t.Errorf("%s: figure %d is %+v: %s", tc.name, i, v, tc.why)
			}
			if want && (v.Quality.Reason != tc.reason || v.Value != 0) {
				t.Errorf("%s: figure %d is %+v, expected no value and %q", tc.name, i, v, tc.reason)
			}
		}
	}
}

func TestUncertainInputsPassOn(t *testing.T) {
	in := water(0.5, 4)
	in.Residual.Quality = reading.UncertainBecause(reading.OverRange)
	r := tank().Step(start, in)
	if q := reading.UncertainBecause(reading.OverRange); r.CT.Quality != q || r.Ratio.Quality != q || r.T10.Quality.Level != reading.Good {
		t.Errorf("%+v", r)
	}
	in = water(0.5, 4)
	in.Residual.Value = -0.02
	r = tank().Step(start, in)
	if r.CT != (Value{0, reading.UncertainBecause(reading.UnderRange)}) || r.Ratio.Value != 0 || !r.Ratio.Quality.Usable() {
		t.Errorf("an analyser's zero under nought: CT %+v, ratio %+v: expected none, and known enough to alarm", r.CT, r.Ratio)
	}
}
