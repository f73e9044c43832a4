package plant

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"ebbwatch/agent/air"
	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

// station is one analyser with a residual and the points that tell its state,
// and one gas detector.
func station(change func(residual, gas *Point)) Settings {
	point := func(name, symbol string) Point {
		return Point{Name: name, Instrument: "analyser", Unit: unit(symbol), StaleAfter: 30 * time.Second}
	}
	s := Settings{
		Instruments: []Instrument{{Name: "analyser", Line: "line-a"}},
		Points:      []Point{point("residual", "mg/L"), point("gas", "ppm"), point("state", "1"), point("purge", "1")},
		Detectors:   []Detector{{Name: "gas-1", Concentration: "gas", Settings: air.Settings{Level1: 0.5, Level2: 1}}},
		Shown:       Shown{Mass: unit("kg"), MassFlow: unit("kg/d")},
	}
	change(&s.Points[0], &s.Points[1])
	return s
}

func good(point string, value float64, at time.Time) reading.Reading {
	return reading.Reading{Point: point, Value: value, Quality: reading.GoodQuality(), Time: at}
}

func bad(point, why string, at time.Time) reading.Reading {
	return reading.Reading{Point: point, Quality: reading.BadBecause(why), Time: at}
}

func after(seconds float64) time.Time {
	return start.Add(time.Duration(seconds * float64(time.Second)))
}

const fine = "good"

// The limit is 0.6 mg/L per min, 0.01 a second: 0.1 mg/L passes at once.
func TestJumps(t *testing.T) {
	type step struct {
		seconds, value float64 // a bad reading when NaN
		want           string
	}
	const jumped, uncertain = "bad:jumped", "uncertain:jumped"
	none := math.NaN()
	for _, tc := range []struct {
		reason string
		steps  []step
	}{
		{"within the limit and its slack", []step{{0, 1, fine}, {1, 1.1, fine}, {2, 1.11, fine}, {3, 1.12, fine}}},
		{"the slack is not had again with each reading", []step{{0, 1, fine}, {1, 1.1, fine}, {2, 1.2, jumped}}},
		{"a spike, and back", []step{{0, 1, fine}, {1, 3, jumped}, {2, 1, fine}}},
		{"down as well as up", []step{{0, 1, fine}, {1, 0, jumped}, {2, 1, fine}}},
		{"what is allowed grows with time", []step{{0, 1, fine}, {5, 1.4, jumped}, {29, 1.4, jumped}, {31, 1.4, fine}, {32, 1.41, fine}}},
		{"five readings are not enough", []step{{0, 1, fine}, {1, 4, jumped}, {2, 4, jumped}, {3, 4, jumped}, {4, 4, jumped}, {5, 4, jumped}, {6, 1, fine}}},
		{"a minute is not enough", []step{{0, 1, fine}, {1, 4, jumped}, {31, 4, jumped}, {59, 4, jumped}, {61, 4, jumped}, {62, 4, fine}, {63, 1, jumped}}},
		{"both are", []step{{0, 1, fine}, {10, 4, jumped}, {30, 4, jumped}, {50, 4.1, jumped}, {65, 4, jumped}, {70, 4, fine}, {71, 4.1, fine}}},
		{"not those that do not keep to it among themselves", []step{{0, 1, fine}, {10, 4, jumped}, {25, 5, jumped}, {40, 4, jumped}, {55, 5, jumped}, {70, 4, jumped}, {85, 5, jumped}}},
		{"the first reading after a gap", []step{{0, 1, fine}, {61, 4, fine}}},
		{"at the end of the gap it still counts", []step{{0, 1, fine}, {60, 4, jumped}}},
		{"bad readings are a gap", []step{{0, 1, fine}, {30, none, "bad:no-reply"}, {60, none, "bad:no-reply"}, {61, 4, fine}}},
		{"a bad reading in between is none", []step{{0, 1, fine}, {1, none, "bad:no-reply"}, {2, 4, jumped}, {3, none, "bad:no-reply"}, {4, 1, fine}}},
		{"no time between: the same is the same", []step{{0, 1, fine}, {0, 1, fine}, {0, 1.09, fine}, {0, 4, jumped}, {0, 1, fine}}},
		{"no time between adds no reading that counts", []step{{0, 1, fine}, {1, 4, jumped}, {2, 4, jumped}, {2, 4, jumped}, {2, 4, jumped}, {2, 4, jumped}, {61.5, 4, jumped}}},
		{"a spike ends what was claimed", []step{{0, 1, fine}, {10, 4, jumped}, {30, 4, jumped}, {50, 1, fine}, {55, 4, jumped}, {71, 4, jumped}, {75, 4, jumped}}},
		{"time that runs back a little", []step{{10, 1, fine}, {9, 4, jumped}, {5, 1.09, fine}, {11, 1.1, fine}}},
		{"time that runs back far starts afresh", []step{{100, 1, fine}, {39, 4, fine}, {40, 4, fine}}},
	} {
		for _, gas := range []bool{false, true} {
			p := newPlant(t, station(func(residual, detector *Point) {
				residual.RateLimit, detector.RateLimit = 0.01, 0.01
			}))
			for i, s := range tc.steps {
				at, name, want := after(s.seconds), "residual", s.want
				if gas {
					name = "gas"
					if want == jumped {
						want = uncertain // gas is never hidden
					}
				}
				r := good(name, s.value, at)
				if math.IsNaN(s.value) {
					r = bad(name, reading.NoReply, at)
				}
				f := find(t, p.Step(at, []reading.Reading{r}), name)
				if f.Quality.String() != want || f.Quality.Usable() && f.Value != s.value {
					t.Errorf("%s: step %d of %s is %g %v, expected %s", tc.reason, i, name, f.Value, f.Quality, want)
				}
			}
		}
	}
}

// A limit must leave alone what keeps to it, with noise of half the slack, and
// find what does not, however small its steps.
func TestRateLimitFindsFastChangesAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.Float64Range(1e-6, 1e3).Draw(t, "limit")
		noise := limit * rateSlack.Seconds() / 2
		fast := rapid.Float64Range(1.5, 50).Draw(t, "fast")
		p, _ := New(station(func(residual, _ *Point) { residual.RateLimit = limit }))
		at, value := start, 0.0
		read := func(v float64) bool {
			return p.Step(at, []reading.Reading{good("residual", v, at)})[0].Quality.Usable()
		}
		for range rapid.IntRange(1, 60).Draw(t, "readings") {
			dt := rapid.Float64Range(0, 55).Draw(t, "dt")
			at = at.Add(time.Duration(dt * 1e9))
			value += 0.999 * limit * dt * rapid.Float64Range(-1, 1).Draw(t, "change")
			if !read(value + 0.999*noise*rapid.Float64Range(-1, 1).Draw(t, "noise")) {
				t.Fatalf("a change within %g a second is bad", limit)
			}
		}
		// Faster by its share over 1: the slack, and the noise left, are used up.
		var took time.Duration
		for dt := 2 * time.Second; ; took += dt {
			at, value = at.Add(dt), value+fast*limit*dt.Seconds()
			if !read(value) {
				break
			}
			if most := time.Duration(20/(fast-1)*1e9) + 2*dt; took > most {
				t.Fatalf("%g times the limit is not found within %s", fast, most)
			}
		}
	})
}

func TestStuck(t *testing.T) {
	type step struct {
		seconds, value float64 // a bad reading when NaN
		want           string
	}
	const frozen = "uncertain:frozen"
	none := math.NaN()
	for _, tc := range []struct {
		reason string
		within float64
		steps  []step
	}{
		{"a minute of one value", 0, []step{{0, 1, fine}, {20, 1, fine}, {40, 1, fine}, {59, 1, fine}, {60, 1, frozen}, {80, 1, frozen}}},
		{"any movement clears it", 0, []step{{0, 1, fine}, {30, 1, fine}, {60, 1, frozen}, {61, 1.0001, fine}, {62, 1.0001, fine}, {92, 1.0001, fine}, {122, 1.0001, frozen}}},
		{"movement within what is allowed is none", 0.01, []step{{0, 1, fine}, {30, 1.01, fine}, {60, 0.99, frozen}, {61, 1.02, fine}}},
		{"a slow drift leaves its first value", 0.01, []step{{0, 1, fine}, {30, 1.006, fine}, {60, 1.012, fine}, {90, 1.018, fine}, {120, 1.024, fine}}},
		{"bad readings are no movement, and their time does not count", 0, []step{{0, 1, fine}, {30, 1, fine}, {31, none, "bad:no-reply"}, {50, 1, fine}, {79, 1, fine}, {80, 1, frozen}}},
		{"time without readings does not count", 0, []step{{0, 1, fine}, {1000, 1, fine}, {1030, 1, fine}, {1060, 1, frozen}}},
		{"a stuck value that cannot be read is bad, and stuck when it is back", 0, []step{{0, 1, fine}, {30, 1, fine}, {60, 1, frozen}, {61, none, "bad:no-reply"}, {62, 1, frozen}}},
		{"time that stands still or runs back does not count", 0, []step{{0, 1, fine}, {30, 1, fine}, {30, 1, fine}, {10, 1, fine}, {39, 1, fine}, {40, 1, frozen}}},
	} {
		p := newPlant(t, station(func(residual, _ *Point) { residual.StuckAfter, residual.StuckWithin = time.Minute, tc.within }))
		for i, s := range tc.steps {
			at := after(s.seconds)
			r := good("residual", s.value, at)
			if math.IsNaN(s.value) {
				r = bad("residual", reading.NoReply, at)
			}
			f := find(t, p.Step(at, []reading.Reading{r}), "residual")
			if f.Quality.String() != s.want || f.Quality.Usable() && f.Value != s.value {
				t.Errorf("%s: step %d is %g %v, expected %s", tc.reason, i, f.Value, f.Quality, s.want)
			}
		}
	}
}

// With even intervals and no tolerance, a value is stuck when the flat line test
// of the QARTOD manuals for real-time data of the U.S. IOOS finds it (from
// memory): it equals each of so many before it.
func TestStuckIsTheFlatLineTest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		before := rapid.IntRange(2, 6).Draw(t, "before")
		values := rapid.SliceOfN(rapid.SampledFrom([]float64{0, 0, 0, 1}), 1, 60).Draw(t, "values")
		p, _ := New(station(func(residual, _ *Point) { residual.StuckAfter = time.Duration(before) * 10 * time.Second }))
		for i, v := range values {
			at := after(10 * float64(i))
			flat := i >= before && !slices.ContainsFunc(values[max(0, i-before):i], func(x float64) bool { return x != v })
			f := p.Step(at, []reading.Reading{good("residual", v, at)})[0]
			if frozen := f.Quality.Reason == reading.Frozen; frozen != flat || !f.Quality.Usable() {
				t.Fatalf("reading %d is %v, the flat line test says %v", i, f.Quality, flat)
			}
		}
	})
}

func TestStatus(t *testing.T) {
	type step struct {
		seconds float64
		rs      string // value, state, purge: a number, x for a bad reading, - for none
		want    string
	}
	const fault, warming, unknown = "bad:fault", "uncertain:warming-up", "uncertain:no-status"
	for _, tc := range []struct {
		reason string
		steps  []step
	}{
		{"all is well", []step{{0, "1 0 0", fine}, {20, "1 0 0", fine}}},
		{"a fault", []step{{0, "1 0 0", fine}, {1, "1 3 0", fault}, {2, "1 0 0", fine}}},
		{"another state is none", []step{{0, "1 2 0", fine}, {1, "1 4 0", fine}}},
		{"uncertain", []step{{0, "1 0 1", warming}}},
		{"the worst of two", []step{{0, "1 3 1", fault}}},
		{"a status that never came", []step{{0, "1 - 0", unknown}, {1, "1 0 0", fine}}},
		{"a status that cannot be read", []step{{0, "1 x 0", unknown}, {1, "1 0 0", fine}}},
		{"a status that is old", []step{{0, "1 0 0", fine}, {29, "1 - -", fine}, {31, "1 - -", unknown}}},
		{"one that tells of a fault weighs more than one that cannot be read", []step{{0, "1 3 x", fault}, {1, "1 x 1", unknown}}},
		{"a bad value keeps its reason", []step{{0, "x 3 0", "bad:no-reply"}}},
		{"a fault that comes before the next reading", []step{{0, "1 0 0", fine}, {1, "- 3 0", fault}}},
		{"one that goes leaves the value that was read in it", []step{{0, "1 3 0", fault}, {1, "- 0 0", fault}, {2, "1 - -", fine}}},
	} {
		p := newPlant(t, station(func(residual, _ *Point) {
			residual.Status = []Status{
				{Point: "state", When: 3, Quality: reading.BadBecause(reading.Fault)},
				{Point: "purge", When: 1, Quality: reading.UncertainBecause(reading.WarmingUp)},
			}
		}))
		for i, s := range tc.steps {
			at := after(s.seconds)
			var words [3]string
			fmt.Sscan(s.rs, &words[0], &words[1], &words[2])
			var rs []reading.Reading
			for j, name := range []string{"residual", "state", "purge"} {
				switch words[j] {
				case "-":
				case "x":
					rs = append(rs, bad(name, reading.NoReply, at))
				default:
					var v float64
					fmt.Sscan(words[j], &v)
					rs = append(rs, good(name, v, at))
				}
			}
			if f := find(t, p.Step(at, rs), "residual"); f.Quality.String() != s.want {
				t.Errorf("%s: step %d is %v, expected %s", tc.reason, i, f.Quality, s.want)
			}
		}
	}
}

// Two points may watch each other: each is judged by what the other says itself.
func TestStatusesInACircle(t *testing.T) {
	s := station(func(residual, gas *Point) {
		residual.Status = []Status{{"gas", 1, reading.BadBecause(reading.Fault)}}
		gas.Status = []Status{{"residual", 1, reading.BadBecause(reading.Maintenance)}}
	})
	fs := newPlant(t, s).Step(start, []reading.Reading{good("residual", 1, start), good("gas", 1, start)})
	if a, b := find(t, fs, "residual").Quality.String(), find(t, fs, "gas").Quality.String(); a != "bad:fault" || b != "bad:maintenance" {
		t.Errorf("%s and %s", a, b)
	}
}

// What is read while the instrument is out of order is neither a jump nor a
// stand, and the first value after it needs no time to be believed.
func TestMaintenanceIsAGap(t *testing.T) {
	p := newPlant(t, station(func(residual, _ *Point) {
		residual.RateLimit, residual.StuckAfter = 0.01, time.Minute
		residual.Status = []Status{{"state", 1, reading.BadBecause(reading.Maintenance)}}
	}))
	for _, s := range []struct {
		seconds, value, state float64
		want                  string
	}{
		{0, 1, 0, fine}, {20, 4, 1, "bad:maintenance"}, {40, 4, 1, "bad:maintenance"}, {60, 4, 1, "bad:maintenance"}, {80, 4, 1, "bad:maintenance"}, {100, 3.5, 0, fine}, {120, 3.6, 0, fine},
	} {
		at := after(s.seconds)
		if f := find(t, p.Step(at, []reading.Reading{good("residual", s.value, at), good("state", s.state, at)}), "residual"); f.Quality.String() != s.want {
			t.Errorf("after %g s: %v, expected %s", s.seconds, f.Quality, s.want)
		}
	}
}

// Of reasons that weigh the same the first stands, and a jump is no movement.
func TestConditionsTogether(t *testing.T) {
	p := newPlant(t, station(func(residual, gas *Point) {
		for _, pt := range []*Point{residual, gas} {
			pt.RateLimit, pt.StuckAfter = 0.01, time.Minute
			pt.Status = []Status{{"state", 1, reading.UncertainBecause(reading.WarmingUp)}}
		}
	}))
	for _, s := range []struct {
		seconds, value, state float64
		residual, gas         string
	}{
		{0, 1, 0, fine, fine},
		{30, 1, 0, fine, fine},
		{40, 5, 0, "bad:jumped", "uncertain:jumped"},
		{50, 1, 0, fine, fine},
		{70, 1, 0, fine, fine}, // 30 + 20 s of the residual, which did not move
		{80, 1, 1, "uncertain:warming-up", "uncertain:warming-up"},
		{81, 1, 0, "uncertain:frozen", fine}, // the gas did move
		{110, 1, 0, "uncertain:frozen", "uncertain:frozen"},
		{111, 5, 1, "bad:jumped", "uncertain:warming-up"},
	} {
		at := after(s.seconds)
		fs := p.Step(at, []reading.Reading{good("residual", s.value, at), good("gas", s.value, at), good("state", s.state, at)})
		if a, b := find(t, fs, "residual").Quality.String(), find(t, fs, "gas").Quality.String(); a != s.residual || b != s.gas {
			t.Errorf("after %g s: %s and %s, expected %s and %s", s.seconds, a, b, s.residual, s.gas)
		}
	}
}

// Gas over the range of a detector trips, whatever else is known of it; a fault
// makes the detector unavailable, which is not to say that there is no gas.
func TestConditioningHidesNoGas(t *testing.T) {
	for _, tc := range []struct {
		reason      string
		value       float64
		q           reading.Quality
		state       float64
		level       float64
		unavailable float64
		want        string
	}{
		{"clean air", 0, reading.GoodQuality(), 0, 0, 0, fine},
		{"a rise at any speed", 5, reading.GoodQuality(), 0, 2, 0, "uncertain:jumped"},
		{"over the range", 11, reading.UncertainBecause(reading.OverRange), 0, 2, 0, "uncertain:over-range"},
		{"over the range, and a fault", 11, reading.UncertainBecause(reading.OverRange), 1, 2, 0, "uncertain:over-range"},
		{"a fault", 0, reading.GoodQuality(), 1, 0, 1, "bad:fault"},
	} {
		p := newPlant(t, station(func(_, gas *Point) {
			gas.RateLimit, gas.StuckAfter = 0.001, time.Minute
			gas.Status = []Status{{"state", 1, reading.BadBecause(reading.Fault)}}
		}))
		p.Step(start, []reading.Reading{good("gas", 0, start), good("state", 0, start)})
		at := after(1)
		fs := p.Step(at, []reading.Reading{{Point: "gas", Value: tc.value, Quality: tc.q, Time: at}, good("state", tc.state, at)})
		level, unavailable := find(t, fs, "detector.gas-1.level"), find(t, fs, "detector.gas-1.unavailable")
		if q := find(t, fs, "gas").Quality.String(); q != tc.want || level.Value != tc.level || level.Quality.Usable() == (tc.unavailable == 1) || unavailable.Value != tc.unavailable {
			t.Errorf("%s: %s, level %g %v, unavailable %g", tc.reason, q, level.Value, level.Quality, unavailable.Value)
		}
	}
}

func TestText(t *testing.T) {
	p := newPlant(t, station(func(residual, _ *Point) {
		residual.Status = []Status{{"state", 0, reading.BadBecause(reading.Fault)}}
	}))
	for i, tc := range []struct {
		value            float64
		text             string
		q                reading.Quality
		detail, residual string
	}{
		{1, "READY", reading.GoodQuality(), "", fine},
		{0, "ERR 17", reading.GoodQuality(), `says "ERR 17"`, "bad:fault"},
		{0, "ERR\n18", reading.GoodQuality(), `says "ERR\n18"`, "bad:fault"},
		{0, "", reading.BadBecause(reading.NoReply), "does not answer", "uncertain:no-status"},
		{1, "READY", reading.GoodQuality(), "", fine},
	} {
		at := after(float64(i))
		fs := p.Step(at, []reading.Reading{good("residual", 1, at), {Point: "state", Value: tc.value, Text: tc.text, Quality: tc.q, Time: at}})
		f := find(t, fs, "state")
		if f.Detail != tc.detail || f.Quality != tc.q || f.Value != tc.value {
			t.Errorf("%q: %+v, expected %q", tc.text, f, tc.detail)
		}
		if q := find(t, fs, "residual").Quality.String(); q != tc.residual {
			t.Errorf("%q: the residual is %s, expected %s", tc.text, q, tc.residual)
		}
	}
}

// watched gives every point of the ridge all that can lower its quality, each by
// its neighbour.
func watched() Settings {
	s := ridge()
	for i := range s.Points {
		pt := &s.Points[i]
		pt.RateLimit = pt.Unit.SpanSI(0.02)
		pt.StuckAfter, pt.StuckWithin = 10*time.Second, pt.Unit.SpanSI(0.001)
		other := s.Points[(i+1)%len(s.Points)]
		pt.Status = []Status{{other.Name, other.Unit.SI(quiet[other.Name]), reading.UncertainBecause(reading.Maintenance)}}
	}
	return s
}

// history draws steps in which readings move, jump, stand still, fail and are
// missing. A step has each point at most once.
type step struct {
	at time.Time
	rs []reading.Reading
}

func history(t *rapid.T, s Settings) []step {
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
	var steps []step
	at := start
	for range rapid.IntRange(1, 80).Draw(t, "steps") {
		at = at.Add(time.Duration(r.IntN(8000)) * time.Millisecond)
		var rs []reading.Reading
		for _, one := range quietReadings(s, at) {
			switch r.IntN(12) {
			case 0:
				one.Quality = reading.BadBecause(reading.NoReply)
			case 1:
				one.Quality = reading.UncertainBecause(reading.OverRange)
			case 2:
				one.Value *= 1.5
			case 3:
				one.Time = at.Add(-time.Duration(r.IntN(20000)) * time.Millisecond)
			case 4:
				continue
			case 5:
				one.Value = math.Inf(1)
			case 6, 7, 8:
				one.Value += 0.002 * r.NormFloat64()
			}
			rs = append(rs, one)
		}
		steps = append(steps, step{at, rs})
	}
	return steps
}

// Conditioning lowers a quality or leaves it, and never touches a value; it
// gives the same again for the same steps, in whatever order the readings of a
// step stand.
func TestConditioningOnlyLowersQuality(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		plain, s := ridge(), watched()
		a, _ := New(plain)
		b, _ := New(s)
		again, _ := New(s)
		turned, _ := New(s)
		gas := map[string]bool{}
		for _, d := range s.Detectors {
			gas[d.Concentration] = true
		}
		lowered := map[string]bool{}
		for _, st := range history(t, s) {
			raw, got := a.Step(st.at, st.rs), b.Step(st.at, st.rs)
			for i, f := range raw[:len(s.Points)] {
				g := got[i]
				switch {
				case g.Quality.Level > f.Quality.Level, g.Quality.Level == f.Quality.Level && g.Quality != f.Quality:
					t.Fatalf("%s was %v and is %v", f.Name, f.Quality, g.Quality)
				case g.Quality.Usable() && g.Value != f.Value, !g.Time.Equal(f.Time):
					t.Fatalf("%s was %g at %v and is %g at %v", f.Name, f.Value, f.Time, g.Value, g.Time)
				case gas[f.Name] && g.Quality.Usable() != f.Quality.Usable():
					t.Fatalf("%s was %v and is hidden: %v", f.Name, f.Quality, g.Quality)
				case g.Quality.Level != reading.Good && g.Detail == "":
					t.Fatalf("%s is %v without a word why", g.Name, g.Quality)
				}
				lowered[g.Quality.Reason] = lowered[g.Quality.Reason] || g.Quality != f.Quality
			}
			if f, ok := alike(got, again.Step(st.at, st.rs)); !ok {
				t.Fatalf("the same steps differ: %+v", f)
			}
			backward := slices.Clone(st.rs)
			slices.Reverse(backward)
			if f, ok := alike(got, turned.Step(st.at, backward)); !ok {
				t.Fatalf("the order within a step matters: %+v", f)
			}
		}
		for why := range lowered {
			seen[why] = seen[why] || lowered[why]
		}
	})
	for _, why := range []string{reading.Jumped, reading.Frozen, reading.Maintenance, reading.NoStatus} {
		if !seen[why] {
			t.Errorf("no history lowered a quality because of %s: the test proves nothing about it", why)
		}
	}
}

var seen = map[string]bool{}

// alike compares figures, and returns two that differ.
func alike(a, b []Figure) ([]Figure, bool) {
	for i := range a {
		f, g := a[i], b[i]
		for _, n := range []*float64{&f.Low, &f.High, &g.Low, &g.High} {
			if math.IsNaN(*n) {
				*n = -1e300
			}
		}
		if f != g {
			return []Figure{f, g}, false
		}
	}
	return nil, true
}

// Conditioning allocates nothing, be the readings good or not.
func TestConditioningAllocatesNothing(t *testing.T) {
	s := watched()
	p := newPlant(t, s)
	_, at := run(p, s, 2*time.Minute)
	rs := quietReadings(s, at)
	i := 0
	lowered := map[string]bool{}
	allocations := testing.AllocsPerRun(200, func() {
		at = at.Add(time.Second)
		i++
		for j := range rs {
			rs[j].Time = at
			if i%20 == 0 {
				rs[j].Value *= 1.5
			}
			pt := &p.points[j]
			pt.take(rs[j])
			pt.age(at, start)
			pt.judge(p, rs[j])
			pt.settle(p)
			lowered[pt.current.Quality.Reason] = true
		}
	})
	if allocations > 0 || !lowered[reading.Jumped] || !lowered[reading.Frozen] {
		t.Errorf("%g allocations for %d readings, which became %v", allocations, len(rs), lowered)
	}
}
