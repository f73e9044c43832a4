package contact

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"github.com/google/go-cmp/cmp"
)

// over takes a memory through its JSON, as a restart does.
func over(t testing.TB, m DayMemory) DayMemory {
	t.Helper()
	b, err := json.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	var out DayMemory
	if err := json.Unmarshal(b, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// A day through restarts is the day without them, but for the time between: the
// flow is highest over the first restart, the residual lowest before it and the
// water coldest after the second.
func TestADayOutlivesRestarts(t *testing.T) {
	z := zone(t, "America/Denver")
	from := time.Date(2026, 6, 10, 0, 0, 0, 0, z)
	at := func(m int) Inputs {
		in := water(0.3, 4)
		in.Residual.Value += 0.001 * float64(m%7)
		switch {
		case m == 5*60:
			in.Residual = good(0.4)
		case m >= 9*60 && m < 10*60+30:
			in.Flow = good(0.6)
		case m == 20*60:
			in.Temperature = good(4)
		}
		return in
	}
	run := func(restarts ...int) (closed DayRecord, last *Day) {
		g, d := tank(), NewDay(tank().s, z)
		down := 0
		for m := range 24*60 + 30 {
			for _, at := range restarts {
				if m == at { // and three minutes down
					again := NewDay(tank().s, z)
					if !again.Restore(over(t, d.Memory())) {
						t.Fatalf("minute %d: the day is not resumed", m)
					}
					d, down = again, 3
				}
			}
			now, in := from.Add(time.Duration(m)*time.Minute), at(m)
			r := g.Step(now, in) // its history is not what is tested here
			if down--; down >= 0 {
				continue
			}
			if c := d.Step(now, in, &r); c != nil {
				closed = *c
			}
		}
		return closed, d
	}
	whole, _ := run()
	broken, d := run(9*60+40, 15*60, 24*60-1) // the last one over midnight
	if want := 1 - float64(3*3-1+3)/(24*60); !near(broken.Covered, want, 1e-3) || whole.Covered != 1 {
		t.Errorf("covered %.5f and %.5f, want 1 and about %.5f", whole.Covered, broken.Covered, want)
	}
	if !near(broken.RollingHour.Flow.Value, 0.6, 1e-9) || !near(broken.AtRollingHour.Ratio.Value, whole.AtRollingHour.Ratio.Value, 0.02) {
		t.Errorf("peak hour %+v with %g, want %+v with %g", broken.RollingHour, broken.AtRollingHour.Ratio.Value, whole.RollingHour, whole.AtRollingHour.Ratio.Value)
	}
	opt := cmp.Comparer(func(a, b float64) bool { return near(a, b, 1e-9) })
	if d := cmp.Diff(whole.Extremes, broken.Extremes, opt); d != "" {
		t.Errorf("by extremes: %s", d)
	}
	if broken.LowestResidual != whole.LowestResidual || broken.LowestRatio != whole.LowestRatio || !broken.LowestRatioAt.Equal(whole.LowestRatioAt) {
		t.Errorf("the lowest are %+v and %+v at %v, want %+v and %+v at %v", broken.LowestResidual, broken.LowestRatio, broken.LowestRatioAt, whole.LowestResidual, whole.LowestRatio, whole.LowestRatioAt)
	}
	if f, ok := d.Finished(); !ok || !f.From.Equal(from) || f.Covered != broken.Covered {
		t.Errorf("the finished day is %+v, %v", f, ok)
	}
}

// A day is not resumed where it would not be the same day.
func TestADayIsNotResumedElsewhere(t *testing.T) {
	z := zone(t, "America/Denver")
	g, d := tank(), NewDay(tank().s, z)
	now := time.Date(2026, 6, 10, 9, 0, 0, 0, z)
	for range 60 {
		now = now.Add(time.Minute)
		r := g.Step(now, water(0.3, 4))
		d.Step(now, water(0.3, 4), &r)
	}
	m := over(t, d.Memory())
	other := tank().s
	other.BafflingFactor = 0.3
	retargeted := tank().s
	retargeted.Target = 1.2
	for _, tc := range []struct {
		reason string
		s      Settings
		zone   *time.Location
		change func(*DayMemory)
		want   bool
	}{
		{"nothing changed", tank().s, z, func(*DayMemory) {}, true},
		{"the target is no part of the record", retargeted, z, func(*DayMemory) {}, true},
		{"another baffling factor", other, z, func(*DayMemory) {}, false},
		{"another time zone", tank().s, time.UTC, func(*DayMemory) {}, false},
		{"a zone that agrees about this day", tank().s, zone(t, "America/Boise"), func(*DayMemory) {}, true},
		{"no memory", tank().s, z, func(m *DayMemory) { *m = DayMemory{} }, false},
		{"more seen than a day has", tank().s, z, func(m *DayMemory) { m.Seen = 25 * 3600 }, false},
		{"less than nothing seen", tank().s, z, func(m *DayMemory) { m.Seen = -1 }, false},
		{"a day that ends before it begins", tank().s, z, func(m *DayMemory) { m.Present.To = m.Present.From.Add(-time.Hour) }, false},
	} {
		changed := m
		tc.change(&changed)
		if got := NewDay(tc.s, tc.zone).Restore(changed); got != tc.want {
			t.Errorf("%s: resumed %v, want %v", tc.reason, got, tc.want)
		}
	}
}

// Whatever instruments send, the memory is JSON.
func TestAnyDayIsJSON(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	for _, tc := range []struct {
		reason string
		in     Inputs
	}{
		{"no flow all day", water(0, 4)},
		{"an empty tank and no flow", water(0, 0)},
		{"flow that is not a number", water(nan, 4)},
		{"endless flow", water(inf, 4)},
		{"flow that overflows a sum", water(math.MaxFloat64/8, 4)},
		{"level that is not a number", water(0.3, nan)},
		{"everything not a number", Inputs{good(nan), good(nan), good(nan), good(nan), good(nan)}},
		{"everything endless", Inputs{good(inf), good(-inf), good(inf), good(-inf), good(inf)}},
		{"everything huge", Inputs{good(1e308), good(1e308), good(1e308), good(1e306), good(1e308)}},
	} {
		g, d := tank(), NewDay(tank().s, time.UTC)
		now := start
		for range 26 * 60 {
			now = now.Add(time.Minute)
			r := g.Step(now, tc.in)
			d.Step(now, tc.in, &r)
		}
		m := d.Memory()
		over(t, m)
		for _, r := range []DayRecord{d.Record(), *m.Finished} {
			for _, v := range []Value{r.RollingHour.Flow, r.AtRollingHour.Ratio, r.AtClockHour.Ratio, r.Extremes.Ratio} {
				if !number(v.Value) || v.Quality.Usable() && v.Value == 0 && tc.in.Flow.Value > 0 {
					t.Errorf("%s: %+v", tc.reason, r)
				}
			}
			if r.AtRollingHour.Ratio.Quality.Usable() || r.Extremes.Ratio.Quality.Usable() {
				t.Errorf("%s: a ratio that looks usable: %+v and %+v", tc.reason, r.AtRollingHour.Ratio, r.Extremes.Ratio)
			}
		}
	}
}

// What went in with a doubt comes out with it.
func TestADayOfDoubtfulInputsIsDoubtful(t *testing.T) {
	doubt := reading.UncertainBecause(reading.Frozen)
	for _, tc := range []struct {
		reason string
		spoil  func(in *Inputs)
		flow   reading.Quality
	}{
		{"residual", func(in *Inputs) { in.Residual.Quality = doubt }, reading.GoodQuality()},
		{"pH", func(in *Inputs) { in.PH.Quality = doubt }, reading.GoodQuality()},
		{"temperature", func(in *Inputs) { in.Temperature.Quality = doubt }, reading.GoodQuality()},
		{"level", func(in *Inputs) { in.Level.Quality = doubt }, reading.GoodQuality()},
		{"flow", func(in *Inputs) { in.Flow.Quality = doubt }, doubt},
	} {
		from := time.Date(2026, 6, 10, 0, 0, 0, 0, time.UTC)
		closed, _ := oneDay(time.UTC, from, from.Add(25*time.Hour), func(now time.Time) Inputs {
			in := water(0.5, 4)
			tc.spoil(&in)
			return in
		})
		r := closed[0]
		if r.RollingHour.Flow.Quality != tc.flow || r.ClockHour.Flow.Quality != tc.flow {
			t.Errorf("%s: peak hours are %v and %v, want %v", tc.reason, r.RollingHour.Flow.Quality, r.ClockHour.Flow.Quality, tc.flow)
		}
		for _, v := range []Value{r.AtRollingHour.Ratio, r.AtClockHour.Ratio, r.Extremes.Ratio, r.LowestRatio} {
			if v.Quality != doubt {
				t.Errorf("%s: a ratio is %v, want %v", tc.reason, v.Quality, doubt)
			}
		}
	}
}

// A clock that was years ahead does not hold the day open until then; one that
// is set back within the day counts no time twice.
func TestADayWhoseClockIsSetBack(t *testing.T) {
	step := func(d *Day, g *Segment, now time.Time) {
		r := g.Step(now, water(0.3, 4))
		d.Step(now, water(0.3, 4), &r)
	}
	g, d := tank(), NewDay(tank().s, time.UTC)
	for _, now := range []time.Time{start.AddDate(4, 0, 0), start, start.Add(time.Minute)} {
		step(d, g, now)
	}
	if r := d.Record(); !r.From.Equal(start.Truncate(24 * time.Hour)) {
		t.Errorf("the day is that of %v", r.From)
	}
	g, d = tank(), NewDay(tank().s, time.UTC)
	for m := range 121 {
		step(d, g, start.Add(time.Duration(m)*time.Minute))
	}
	for m := 60; m <= 180; m++ {
		step(d, g, start.Add(time.Duration(m)*time.Minute))
	}
	if hour := d.Record().ClockHour; !near(hour.Flow.Value, 0.3, 1e-9) {
		t.Errorf("the highest clock hour is %+v", hour)
	}
	if got := d.Record().Covered * 24; !near(got, 3, 1e-9) {
		t.Errorf("%g h covered, want the 3 of the clock", got)
	}
}

// After the clock was set back an hour is an hour again, not all the time until
// the end of the one that had begun.
func TestAClockHourAfterAClockSetBack(t *testing.T) {
	g, d := tank(), NewDay(tank().s, time.UTC)
	step := func(m int, flow float64) {
		now := start.Add(time.Duration(m) * time.Minute)
		r := g.Step(now, water(flow, 4))
		d.Step(now, water(flow, 4), &r)
	}
	for m := range 190 { // from 6:00 to 9:10
		step(m, 0.3)
	}
	for m := 0; m < 190; m++ { // and once more
		flow := 0.3
		if m >= 60 && m < 120 {
			flow = 0.6
		}
		step(m, flow)
	}
	if hour := d.Record().ClockHour; !near(hour.Flow.Value, 0.6, 1e-9) || !hour.To.Equal(start.Add(2*time.Hour)) {
		t.Errorf("the highest clock hour is %+v, want 0.6 m3/s to 8:00", hour)
	}
}

// A drifting zero is met once: the time is that of the first.
func TestTheLowestResidualKeepsItsTime(t *testing.T) {
	g, d := tank(), NewDay(tank().s, time.UTC)
	for m, c := range []float64{1, -0.02, -0.05, 0, 1} {
		in := water(0.3, 4)
		in.Residual = good(c)
		now := start.Add(time.Duration(m) * time.Minute)
		r := g.Step(now, in)
		d.Step(now, in, &r)
	}
	if r := d.Record(); r.LowestResidual.Value != 0 || !r.LowestResidualAt.Equal(start.Add(time.Minute)) {
		t.Errorf("the lowest residual is %+v at %v", r.LowestResidual, r.LowestResidualAt)
	}
}
