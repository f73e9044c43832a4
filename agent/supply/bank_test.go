package supply

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
	"unsafe"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

func lb(v float64) units.Kilograms { return units.Kilograms(si("lb", v)) }

func tons(n int) BankSettings {
	var s BankSettings
	for range n {
		s.Containers = append(s.Containers, ContainerSettings{Kind: "ton", Tare: lb(1500), Heel: lb(36), Division: lb(1)})
	}
	return s
}

func weight(at time.Time, pounds float64) reading.Reading {
	return reading.Reading{Value: si("lb", pounds), Quality: reading.GoodQuality(), Time: at}
}

func room(f float64) *reading.Reading {
	return &reading.Reading{Value: si("degF", f), Quality: reading.GoodQuality()}
}

// draw runs a bank for two hours with an exact scale; each container starts at a
// gross weight and loses some pounds a day.
func draw(b *Bank, r *reading.Reading, gross, rates []float64) BankResult {
	var result BankResult
	for t := time.Duration(0); t <= 2*time.Hour; t += 10 * time.Second {
		var ws []reading.Reading
		for i := range gross {
			ws = append(ws, weight(start.Add(t), gross[i]-rates[i]*(t-2*time.Hour).Hours()/24))
		}
		result = b.Step(start.Add(t), Inputs{Weights: ws, Room: r})
	}
	return result
}

// Days of supply: derived-supply-1 and -2 of testdata/ct/examples.json and X27 of
// testdata/supply/examples.json, run through a bank whose scale shows net weight.
func TestDaysOfSupply(t *testing.T) {
	var ct, supply []struct {
		ID         string
		Inputs     map[string]any
		Recomputed any
		Tolerance  map[string]float64
	}
	load(t, "../../testdata/ct/examples.json", &ct)
	load(t, "../../testdata/supply/examples.json", &supply)
	n := 0
	for _, e := range append(ct, supply...) {
		in := func(name string) float64 { v, _ := e.Inputs[name].(float64); return v }
		use := in("lb_per_day") + in("use_lb_day")
		if use == 0 || in("net_lb") == 0 {
			continue
		}
		n++
		days, tolerance := 0.0, 0.05 // X examples are rounded to a tenth
		switch v := e.Recomputed.(type) {
		case float64:
			days = v
		case map[string]any:
			days, tolerance = v["days"].(float64), e.Tolerance["days"]
		}
		kind := "ton"
		if in("net_lb") == 150 {
			kind = "cylinder-150"
		}
		b := NewBank(BankSettings{Containers: []ContainerSettings{{Kind: kind, Heel: lb(in("heel_lb"))}}})
		r := draw(b, nil, []float64{in("net_lb")}, []float64{use})
		if got := r.TimeToEmpty.Value / 86400; math.Abs(got-days) > tolerance || r.TimeToEmpty.Quality != reading.UncertainBecause(reading.Learning) {
			t.Errorf("%s: %.5g days %v, expected %g within %g", e.ID, got, r.TimeToEmpty.Quality, days, tolerance)
		}
	}
	if n != 4 {
		t.Errorf("%d examples were found, expected 4", n)
	}
}

func TestBankFigures(t *testing.T) {
	r := draw(NewBank(tons(2)), room(60), []float64{2500, 3000}, []float64{100, 200})
	for _, tc := range []struct {
		name            string
		v               Value
		symbol          string
		want, tolerance float64
	}{
		{"net", r.Net, "lb", 1000 + 1500, 1e-6},
		{"rate", r.Rate, "lb/d", 300, 0.01},
		{"limit: 2 x 8 x (60 - 20)", r.Limit, "lb/d", 640, 6.4},
		{"ratio", r.Ratio, "1", 300.0 / 640, 0.005},
		{"time to empty: (2500 - 2 x 36)/300", r.TimeToEmpty, "d", 2428.0 / 300, 0.002},
	} {
		if got := shown(tc.symbol, tc.v.Value); math.Abs(got-tc.want) > tc.tolerance || tc.v.Quality.Level == reading.Bad {
			t.Errorf("%s is %.6g %v, expected %g", tc.name, got, tc.v.Quality, tc.want)
		}
	}
	for _, v := range []Value{r.Rate, r.Ratio, r.TimeToEmpty} {
		if !(v.Low < v.Value && v.Value < v.High) {
			t.Errorf("%+v is not inside its interval", v)
		}
	}
	if r.LimitMethod != HeatBalance || !math.IsNaN(r.Net.Low) || !math.IsNaN(r.Limit.High) {
		t.Errorf("%+v", r)
	}
}

func TestBankStates(t *testing.T) {
	badRoom := &reading.Reading{Value: 20, Quality: reading.BadBecause(reading.Stale)}
	nanRoom := &reading.Reading{Value: math.NaN(), Quality: reading.GoodQuality()}
	uncertainRoom := room(60)
	uncertainRoom.Quality = reading.UncertainBecause(reading.OverRange)
	is := func(v Value, si float64, q reading.Quality) bool {
		return math.Abs(v.Value-si) < 1e-9 && v.Quality == q
	}
	pounds := func(v Value) float64 { return shown("lb/d", v.Value) }
	fine := reading.GoodQuality()
	for _, tc := range []struct {
		name         string
		s            BankSettings
		room         *reading.Reading
		gross, rates []float64
		ok           func(BankResult) bool
		reason       string
	}{
		{"empty and not drawn", tons(1), nil, []float64{1530}, []float64{0}, func(r BankResult) bool { return is(r.TimeToEmpty, 0, fine) && is(r.Limit, 0, fine) }, "nothing above the heel: zero whatever the rate"},
		{"under the heel and drawn", tons(1), nil, []float64{1500}, []float64{50}, func(r BankResult) bool {
			return is(r.TimeToEmpty, 0, fine) && is(r.Ratio, 0, reading.UncertainBecause(reading.Inconsistent))
		}, "an empty container cannot be overdrawn"},
		{"standby", tons(2), nil, []float64{3500, 3500}, []float64{0, 0}, func(r BankResult) bool {
			return r.TimeToEmpty.Quality == reading.UncertainBecause(reading.NotDrawn) && r.TimeToEmpty.Value == r.TimeToEmpty.Low && r.TimeToEmpty.High == MaxTimeToEmpty && r.TimeToEmpty.Value > 3*86400
		}, "not drawn: a lower bound"},
		{"gains weight", tons(1), nil, []float64{3000}, []float64{-100}, func(r BankResult) bool {
			return math.Abs(pounds(r.Rate)+100) < 1 && r.TimeToEmpty.Quality.Reason == reading.NotDrawn && is(r.TimeToEmpty, MaxTimeToEmpty, r.TimeToEmpty.Quality)
		}, "a gain is negative and never empties"},
		{"one of two is empty", tons(2), nil, []float64{1500, 3000}, []float64{0, 100}, func(r BankResult) bool { return math.Abs(pounds(r.Limit)-400) < 1e-6 }, "an empty container gives no gas"},
		{"cold room, drawn", tons(1), room(10), []float64{3000}, []float64{100}, func(r BankResult) bool {
			return is(r.Limit, 0, fine) && r.LimitMethod == HeatBalance && is(r.Ratio, MaxRatio, fine)
		}, "limit 0: any sure withdrawal is over it"},
		{"cold room, not drawn", tons(1), room(10), []float64{3000}, []float64{0}, func(r BankResult) bool { return is(r.Ratio, 0, fine) }, "limit 0 and no withdrawal"},
		{"warm room", tons(1), room(90), []float64{3000}, []float64{100}, func(r BankResult) bool {
			return r.LimitMethod == NominalLimit && math.Abs(pounds(r.Limit)-400) < 1e-6 && r.Limit.Quality == fine
		}, "the nominal limit is the lower"},
		{"room not measured", tons(1), nil, []float64{3000}, []float64{100}, func(r BankResult) bool { return r.LimitMethod == NominalLimit && r.Limit.Quality == fine }, "practice, and known"},
		{"room bad", tons(1), badRoom, []float64{3000}, []float64{100}, func(r BankResult) bool {
			return r.LimitMethod == NominalLimit && r.Limit.Quality == reading.UncertainBecause(reading.Missing) && r.Ratio.Quality.Level == reading.Uncertain
		}, "may be too high for a cool room"},
		{"room not a number", tons(1), nanRoom, []float64{3000}, []float64{100}, func(r BankResult) bool {
			return r.Limit.Quality == reading.UncertainBecause(reading.Missing) && r.Limit.Value > 0
		}, "whatever its quality says"},
		{"room uncertain", tons(1), uncertainRoom, []float64{3000}, []float64{100}, func(r BankResult) bool {
			return r.Limit.Quality == uncertainRoom.Quality && r.LimitMethod == HeatBalance
		}, "passes on"},
		{"lifted off", tons(1), nil, []float64{0}, []float64{0}, func(r BankResult) bool {
			return r.Net.Quality == reading.BadBecause(reading.Inconsistent) && !r.Rate.Quality.Usable() && !r.TimeToEmpty.Quality.Usable() && !r.Limit.Quality.Usable()
		}, "no container weighs less than its tare"},
		{"a little under the tare", tons(1), nil, []float64{1450}, []float64{0}, func(r BankResult) bool { return r.Net.Quality == fine && is(r.TimeToEmpty, 0, fine) }, "a zero that drifts is not a missing container"},
		{"far too heavy", tons(1), nil, []float64{1500 + 2400}, []float64{0}, func(r BankResult) bool { return r.Net.Quality == reading.UncertainBecause(reading.Inconsistent) }, "20 % over the nominal content: the tare is wrong"},
		{"no container", BankSettings{}, nil, nil, nil, func(r BankResult) bool { return !r.Limit.Quality.Usable() && !r.Ratio.Quality.Usable() }, "no limit is not a limit of nought"},
	} {
		if r := draw(NewBank(tc.s), tc.room, tc.gross, tc.rates); !tc.ok(r) {
			t.Errorf("%s: %+v: %s", tc.name, r, tc.reason)
		}
	}
}

func TestABadScaleMakesTheBankBad(t *testing.T) {
	for _, tc := range []struct {
		r    reading.Reading
		want string
	}{
		{reading.Reading{Value: 900, Quality: reading.BadBecause(reading.NoReply)}, reading.NoReply},
		{reading.Reading{}, ""},
		{reading.Reading{Value: math.NaN(), Quality: reading.GoodQuality()}, reading.NotANumber},
		{reading.Reading{Value: math.Inf(1), Quality: reading.GoodQuality()}, reading.NotANumber},
	} {
		b := NewBank(tons(2))
		draw(b, nil, []float64{2500, 3000}, []float64{100, 100})
		at := start.Add(2*time.Hour + 10*time.Second)
		r := b.Step(at, Inputs{Weights: []reading.Reading{weight(at, 2500), tc.r}})
		for i, v := range []Value{r.Net, r.Rate, r.Limit, r.Ratio, r.TimeToEmpty} {
			if want := reading.BadBecause(tc.want); v.Quality.Level != reading.Bad || v.Quality.Reason != want.Reason || v.Value != 0 || !math.IsNaN(v.Low) {
				t.Errorf("%v: figure %d is %+v", tc.r, i, v)
			}
		}
		if r = b.Step(at.Add(time.Minute), Inputs{Weights: []reading.Reading{weight(at.Add(time.Minute), 2500), weight(at.Add(time.Minute), 3000)}}); r.Rate.Quality.Level != reading.Good {
			t.Errorf("%v: one bad reading cost the history: %+v", tc.r, r.Rate)
		}
	}
}

func TestAReadingIsNotTakenTwice(t *testing.T) {
	once, often := NewBank(tons(1)), NewBank(tons(1))
	var a, b BankResult
	for i := range 1000 {
		w := []reading.Reading{weight(start.Add(time.Duration(i)*10*time.Second), 3000-float64(i%3))}
		a = once.Step(w[0].Time, Inputs{Weights: w})
		for range 3 {
			b = often.Step(w[0].Time, Inputs{Weights: w})
		}
	}
	if a.Rate != b.Rate || a.TimeToEmpty != b.TimeToEmpty {
		t.Errorf("%+v once, %+v three times", a.Rate, b.Rate)
	}
}

func TestAnUnknownKindPanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a barrel was taken")
		}
	}()
	NewBank(BankSettings{Containers: []ContainerSettings{{Kind: "barrel"}}})
}

// With a quarter of an hour of history the scales cannot tell a slow withdrawal
// from none, and the shortest time that they allow would cry wolf over a bank that
// is nearly empty; with an hour it is worth telling.
func TestNoWolfAfterAStart(t *testing.T) {
	b := NewBank(BankSettings{Containers: []ContainerSettings{{Name: "a", Kind: "ton", Division: units.Kilograms(si("lb", 1))}}})
	begin := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for at := time.Duration(0); at <= 70*time.Minute; at += 5 * time.Second {
		r := b.Step(begin.Add(at), Inputs{Weights: []reading.Reading{{Value: si("lb", 60), Quality: reading.GoodQuality(), Time: begin.Add(at)}}})
		switch {
		case at < 54*time.Minute && r.TimeToEmpty.Quality != reading.BadBecause(reading.Learning):
			t.Fatalf("after %s the time to empty is %+v, expected none yet", at, r.TimeToEmpty)
		case at > 58*time.Minute && (r.TimeToEmpty.Quality != reading.UncertainBecause(reading.NotDrawn) || r.TimeToEmpty.Value < 24*3600):
			t.Fatalf("after %s the time to empty is %+v, expected a lower bound over a day", at, r.TimeToEmpty)
		}
	}
}

// Two scales of one bank: the errors add as independent ones. Seeds 0 and up.
func TestErrorsOfABankAdd(t *testing.T) {
	var h score
	for seed := range seeds(30, 200) {
		g := tonRig()
		g.seed, g.containers, g.drift, g.wander, g.every = uint64(seed), 2, 2, 0.2, 20*time.Second
		last, before := 0, 0.0
		g.run(12*time.Hour, func(tr truth, r BankResult) {
			if m := int(tr.days*24 + 1e-9); m != last {
				if last = m; m > 1 {
					h.add(r.Rate, perDay((tr.drawn-before)*24))
				}
				before = tr.drawn
			}
		})
	}
	row(t, "two scales D 2 w .2", "coverage 1 h", h.coverage(), 0.87, 0.9, "")
	if c := h.coverage(); c < 0.87-2.5*math.Sqrt(0.09/h.n) || c > 0.93+2.5*math.Sqrt(0.09/h.n) {
		t.Errorf("the intervals of the sum hold %.3f of %g", c, h.n)
	}
}

// The feed is taken from the best signal there is: a feeder's own, flow times dose,
// flow times residual and demand.
func TestFeedSignals(t *testing.T) {
	say := func(symbol string, v float64) *reading.Reading {
		return &reading.Reading{Value: si(symbol, v), Quality: reading.GoodQuality()}
	}
	lost := &reading.Reading{Quality: reading.BadBecause(reading.NoReply)}
	hole := &reading.Reading{Value: math.NaN(), Quality: reading.GoodQuality()}
	flow, dose := say("MGD", 2.5), say("mg/L", 2)
	for _, tc := range []struct {
		name  string
		in    Inputs
		want  float64 // lb/d
		known bool
	}{
		{"feeder", Inputs{Feed: say("lb/d", 50), Flow: flow, Dose: dose}, 50, true},
		{"flow and dose, 2.5 x 2 x 8.3454", Inputs{Flow: flow, Dose: dose}, 41.727, true},
		{"the feeder is lost", Inputs{Feed: lost, Flow: flow, Dose: dose}, 41.727, true},
		{"residual and demand", Inputs{Flow: flow, Residual: say("mg/L", 1.2), Demand: say("mg/L", 0.8)}, 41.727, true},
		{"no water", Inputs{Flow: say("MGD", 0), Dose: dose}, 0, true},
		{"no dose", Inputs{Flow: flow}, 0, false},
		{"a dose that is no number", Inputs{Flow: flow, Dose: hole}, 0, false},
		{"nothing", Inputs{}, 0, false},
	} {
		f := newFeed(0, 0)
		f.at = -1e6
		f.read(0, tc.in)
		if got := shown("lb/d", f.drawn()); f.known != tc.known || math.Abs(got-tc.want) > 0.001 {
			t.Errorf("%s: %.5g lb/d, known %v; expected %g, %v", tc.name, got, f.known, tc.want, tc.known)
		}
	}
	// A signal that is lost stands in for five minutes.
	f := newFeed(0, 0)
	f.read(100, Inputs{Feed: say("lb/d", 50)})
	f.read(399, Inputs{Feed: lost})
	held := f.known
	f.read(401, Inputs{Feed: lost})
	if !held || f.known || f.drawn() != 0 {
		t.Errorf("held %v, then known %v at %g", held, f.known, f.drawn())
	}
}

// Two containers on one scale hold, weigh and give off twice as much; a site has kinds
// of its own.
func TestSeveralOnOneScaleAndOwnKinds(t *testing.T) {
	drum := kind("drum", 800, 100, 2, 28, 10)
	s := BankSettings{Kinds: []Kind{drum}, Containers: []ContainerSettings{{Kind: "drum", Count: 2, Tare: lb(1000), Heel: lb(10), Division: lb(1)}}}
	r := draw(NewBank(s), nil, []float64{1000 + 1500}, []float64{100})
	for _, tc := range []struct {
		name      string
		v         Value
		symbol    string
		want, tol float64
	}{
		{"net", r.Net, "lb", 1500, 1e-6},
		{"limit", r.Limit, "lb/d", 200, 1e-6},
		{"time to empty: (1500 - 2 x 10)/100", r.TimeToEmpty, "d", 14.8, 0.01},
	} {
		if got := shown(tc.symbol, tc.v.Value); math.Abs(got-tc.want) > tc.tol || !tc.v.Quality.Usable() {
			t.Errorf("%s is %.6g %v, expected %g", tc.name, got, tc.v.Quality, tc.want)
		}
	}
}

// A reading costs no memory.
func TestAStepAllocatesNothing(t *testing.T) {
	b, now := NewBank(tons(2)), start
	ws := make([]reading.Reading, 2)
	warm, feed := room(60), &reading.Reading{Value: perDay(200), Quality: reading.GoodQuality()}
	step := func() {
		now = now.Add(5 * time.Second)
		net := 1900 - 200*now.Sub(start).Hours()/24
		ws[0], ws[1] = weight(now, 1500+math.Round(net)), weight(now, 3400)
		feed.Time = now
		b.Step(now, Inputs{Weights: ws, Room: warm, Feed: feed})
	}
	for range 2 * 17280 { // two days: everything is learnt, and has its room
		step()
	}
	day := func() {
		for range 17280 {
			step()
		}
	}
	if n := testing.AllocsPerRun(1, day); n > 0 {
		t.Errorf("%g allocations in a day", n)
	}
}

// A year at one reading in 5 s through a bank of two.
func BenchmarkBankYear(b *testing.B) {
	b.ReportAllocs()
	ws, r := make([]reading.Reading, 2), rand.New(rand.NewPCG(1, 1))
	const steps = 365 * 86400 / 5
	var noise [1024]float64
	for i := range noise {
		noise[i] = math.Round(r.NormFloat64()) * poundKilograms
	}
	for b.Loop() {
		bank := NewBank(tons(2))
		feed := &reading.Reading{Value: perDay(200), Quality: reading.GoodQuality()}
		for i := range steps {
			at := start.Add(time.Duration(i) * 5 * time.Second)
			net := 1900 - 200*math.Mod(float64(i)/17280, 8)
			for k := range ws {
				ws[k] = weight(at, 1500+net)
				ws[k].Value += noise[(i*7+k)%1024]
			}
			bank.Step(at, Inputs{Weights: ws, Feed: feed})
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/steps/2, "ns/reading")
	b.ReportMetric(float64(unsafe.Sizeof(container{})), "B/scale")
	b.ReportMetric(float64(unsafe.Sizeof(Bank{})), "B/bank")
}
