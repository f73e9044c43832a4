package contact

import (
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// oneDay steps a segment and its day every minute from one time to another and
// returns the records that were closed, and the one still open.
func oneDay(z *time.Location, from, to time.Time, at func(time.Time) Inputs) (closed []DayRecord, open DayRecord) {
	g, d := tank(), NewDay(tank().s, z)
	for now := from; !now.After(to); now = now.Add(time.Minute) {
		in := at(now)
		r := g.Step(now, in)
		if c := d.Step(now, in, &r); c != nil {
			closed = append(closed, *c)
		}
	}
	return closed, d.Record()
}

// A day is as long as the site's clock makes it: 40 CFR 141.74 asks for each day.
func TestDaysFollowTheTimeZone(t *testing.T) {
	denver := zone(t, "America/Denver")
	for _, c := range []struct {
		name  string
		month time.Month
		day   int
		hours float64
	}{
		{"a common day", time.June, 10, 24},
		{"the day on which summer time begins", time.March, 8, 23},
		{"the day on which summer time ends", time.November, 1, 25},
		{"the last of the year", time.December, 31, 24},
	} {
		from := time.Date(2026, c.month, c.day, 0, 0, 0, 0, denver)
		closed, open := oneDay(denver, from, from.Add(26*time.Hour), func(time.Time) Inputs { return water(0.5, 4) })
		if len(closed) != 1 {
			t.Errorf("%s: %d records", c.name, len(closed))
			continue
		}
		r := closed[0]
		if got := r.To.Sub(r.From).Hours(); got != c.hours || !r.From.Equal(from) || !open.From.Equal(r.To) {
			t.Errorf("%s: from %v to %v, %g h, want %g; the next from %v", c.name, r.From, r.To, got, c.hours, open.From)
		}
		if r.Covered != 1 {
			t.Errorf("%s: %.4f covered", c.name, r.Covered)
		}
		if !near(r.RollingHour.Flow.Value, 0.5, 1e-12) || !near(r.ClockHour.Flow.Value, 0.5, 1e-12) {
			t.Errorf("%s: peak hours %+v and %+v", c.name, r.RollingHour, r.ClockHour)
		}
	}
}

// The two readings of the rule on one day: at the peak hour the residual is
// high, in the night it is low; it is warmest at noon. That a State takes the peak
// flow, the lowest residual for the CT achieved, and the highest residual and pH
// and the lowest temperature for the CT required, each by itself: Oregon Health
// Authority, contact report of 8 September 2009 on PWS OR41 00799
// (testdata/calc/examples.json, or-2009-day-rule).
func TestSimultaneousAndIndependentExtremes(t *testing.T) {
	utc := time.UTC
	from := time.Date(2026, 6, 10, 0, 0, 0, 0, utc)
	closed, _ := oneDay(utc, from, from.Add(25*time.Hour), func(now time.Time) Inputs {
		in := water(0.3, 4)
		switch minute := int(now.Sub(from).Minutes()); {
		case minute == 3*60:
			in.Residual = good(0.6)
		case minute == 4*60:
			in.Temperature = good(5)
		case minute == 5*60:
			in.PH = good(8)
		case minute == 6*60:
			in.Residual = good(1.6)
		case minute == 7*60:
			in.Level = good(3)
		// The highest hour runs from 8:30 to 9:30.
		case minute >= 8*60+30 && minute < 9*60+30:
			in.Flow = good(0.6)
		}
		return in
	})
	r := closed[0]
	// 600 m3 x 0.5 at 0.6 m3/s, 1.0 mg/L, pH 7.5 and 10 degC: 0.5 log of the 3-log
	// CT of 40 CFR 141.74 Table 1.3, testdata/ct/tables.json.
	table, _ := RequiredGiardia(0.5, 1, 10, 7.5, Table)
	if got, want := r.AtRollingHour.Ratio.Value, 500.0/60/float64(table); !near(got, want, 1e-9) {
		t.Errorf("at the rolling peak hour %g, want %g", got, want)
	}
	if !r.RollingHour.To.Equal(from.Add(9*time.Hour+30*time.Minute)) || !near(r.RollingHour.Flow.Value, 0.6, 1e-12) {
		t.Errorf("rolling peak hour %+v", r.RollingHour)
	}
	if !near(r.ClockHour.Flow.Value, 0.45, 1e-12) {
		t.Errorf("clock hour %+v, want half of 8 to 9 h at 0.3 and half at 0.6", r.ClockHour)
	}
	worst, _ := RequiredGiardia(0.5, 1.6, 5, 8, Table)
	if got, want := r.Extremes.Ratio.Value, 0.6*0.5*450/0.6/60/float64(worst); !near(got, want, 1e-9) {
		t.Errorf("by extremes %g, want %g", got, want)
	}
	if r.LowestResidual.Value != 0.6 || !r.LowestResidualAt.Equal(from.Add(3*time.Hour)) {
		t.Errorf("lowest residual %g at %v", r.LowestResidual.Value, r.LowestResidualAt)
	}
	if r.Extremes.Ratio.Value >= r.AtRollingHour.Ratio.Value {
		t.Error("independent extremes are not the stricter")
	}
}

func TestADayWithGapsSaysSo(t *testing.T) {
	utc := time.UTC
	from := time.Date(2026, 6, 10, 0, 0, 0, 0, utc)
	closed, _ := oneDay(utc, from, from.Add(25*time.Hour), func(now time.Time) Inputs {
		in := water(0.5, 4)
		if h := now.Sub(from).Hours(); h >= 6 && h < 12 {
			in.PH = bad(reading.NoReply)
		} else if h >= 18 {
			in.Flow = bad(reading.NoReply)
		}
		return in
	})
	if got := closed[0].Covered; math.Abs(got-0.5) > 0.001 {
		t.Errorf("%.4f covered, want half", got)
	}
	// No hour of the day is known, so there is no peak and no ratio.
	closed, _ = oneDay(utc, from, from.Add(25*time.Hour), func(now time.Time) Inputs {
		in := water(0.5, 4)
		if now.Minute() < 10 {
			in.Flow = bad(reading.NoReply)
		}
		return in
	})
	if r := closed[0]; r.RollingHour.Flow.Quality.Usable() || r.Extremes.Ratio.Quality.Usable() || r.AtClockHour.Ratio.Quality.Usable() {
		t.Errorf("of hours with gaps %+v", r)
	}
}

func TestAClockSetBackOpensNoClosedDay(t *testing.T) {
	d, g := NewDay(tank().s, time.UTC), tank()
	step := func(now time.Time) *DayRecord {
		r := g.Step(now, water(0.5, 4))
		return d.Step(now, water(0.5, 4), &r)
	}
	midnight := time.Date(2026, 6, 11, 0, 0, 0, 0, time.UTC)
	step(midnight.Add(-time.Minute))
	if c := step(midnight.Add(time.Minute)); c == nil || !c.To.Equal(midnight) {
		t.Fatalf("no record at midnight: %+v", c)
	}
	for _, now := range []time.Duration{-time.Hour, -time.Minute, time.Minute, time.Hour} {
		if c := step(midnight.Add(now)); c != nil {
			t.Errorf("%v from midnight a record from %v to %v", now, c.From, c.To)
		}
	}
	if r := d.Record(); !r.From.Equal(midnight) {
		t.Errorf("the present day is from %v", r.From)
	}
}

// The highest hour is recomputed from all minutes of the day.
func TestPeakHoursByBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := time.Date(2026, 6, 10, 0, 0, 0, 0, time.UTC)
		flows := rapid.SliceOfN(rapid.Float64Range(0.01, 1), 1440, 1440).Draw(t, "flows")
		closed, _ := oneDay(time.UTC, from, from.Add(24*time.Hour), func(now time.Time) Inputs {
			return water(flows[int(now.Sub(from).Minutes())%1440], 4)
		})
		var rolling, clock float64
		for m := 60; m <= 1440; m++ {
			var sum float64
			for _, q := range flows[m-60 : m] {
				sum += q
			}
			rolling = max(rolling, sum/60)
			if m%60 == 0 {
				clock = max(clock, sum/60)
			}
		}
		r := closed[0]
		if !near(r.RollingHour.Flow.Value, rolling, 1e-9) || !near(r.ClockHour.Flow.Value, clock, 1e-9) {
			t.Fatalf("peak hours %g and %g, by brute force %g and %g", r.RollingHour.Flow.Value, r.ClockHour.Flow.Value, rolling, clock)
		}
	})
}
