package plant

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

// paced are two instruments on one line; the air is read more often, and one of
// its points more often than the other.
func paced() Settings {
	second := func(n int) time.Duration { return time.Duration(n) * time.Second }
	return Settings{
		Instruments: []Instrument{{Name: "scales", Line: "line-a", Unit: 1}, {Name: "air", Line: "line-a", Unit: 2}},
		Points: []Point{
			{Name: "weight", Instrument: "scales", Unit: unit("kg"), Every: second(2), StaleAfter: time.Hour},
			{Name: "temperature", Instrument: "air", Unit: unit("degC"), Every: second(60), StaleAfter: time.Hour},
			{Name: "gas", Instrument: "air", Unit: unit("ppm"), Every: second(1), StaleAfter: time.Hour},
		},
	}
}

// arrive gives a point readings after the intervals, and returns the last pace.
func arrive(t testing.TB, p *Plant, point string, quality reading.Quality, intervals ...time.Duration) Figure {
	t.Helper()
	at, f := start, Figure{}
	for _, d := range append([]time.Duration{0}, intervals...) {
		at = at.Add(d)
		f = find(t, p.Step(at, []reading.Reading{{Point: point, Quality: quality, Time: at}}), "line.line-a.pace")
	}
	return f
}

func times(n int, ds ...time.Duration) []time.Duration { return slices.Repeat(ds, n) }

func TestPace(t *testing.T) {
	const s = time.Second
	silent := reading.BadBecause(reading.NoReply)
	for _, tc := range []struct {
		reason    string
		point     string
		quality   reading.Quality
		intervals []time.Duration
		want      float64 // NaN for not yet known
	}{
		{"too little is known", "gas", reading.GoodQuality(), times(9, 5*s), math.NaN()},
		{"in time", "gas", reading.GoodQuality(), times(10, s), 1},
		{"every second poll is left out", "gas", reading.GoodQuality(), times(40, 2*s), 2},
		{"every third poll is left out", "gas", reading.GoodQuality(), times(40, s, 2*s), 1 + 13.0/28},
		{"a silent instrument is polled in time", "gas", silent, times(40, s), 1},
		{"a silent instrument is polled too late", "gas", silent, times(40, 3*s), 3},
		{"one that jitters", "gas", reading.GoodQuality(), times(40, s/2, 3*s/2), (15*0.5 + 13*1.5) / 28},
		{"a slow point does not tell the pace", "temperature", reading.GoodQuality(), times(40, 120*s), math.NaN()},
		{"another instrument has its own period", "weight", reading.GoodQuality(), times(40, 2*s), 1},
		{"a pause of the watch", "gas", reading.GoodQuality(), append(times(20, s), append(times(1, 3*time.Hour), times(20, s)...)...), 1},
		{"a clock put forward and back", "gas", reading.GoodQuality(), append(append(append(times(12, s), time.Hour), times(12, s)...), append(times(1, -time.Hour), times(12, s)...)...), 1},
		{"readings of one time", "gas", reading.GoodQuality(), times(12, s, 0), 1},
		{"it has recovered", "gas", reading.GoodQuality(), append(times(40, 3*s), times(40, s)...), 1},
		{"centuries", "gas", reading.GoodQuality(), times(12, math.MaxInt64/1000*time.Nanosecond*1000), math.MaxInt64 / 1e9},
	} {
		f := arrive(t, newPlant(t, paced()), tc.point, tc.quality, tc.intervals...)
		switch {
		case math.IsNaN(tc.want):
			if f.Quality != reading.BadBecause(reading.Learning) || f.Value != 0 {
				t.Errorf("%s: %g, %v, expected bad:learning", tc.reason, f.Value, f.Quality)
			}
		case !f.Quality.Usable() || math.Abs(f.Value-tc.want) > 1e-6*tc.want:
			t.Errorf("%s: %g, %v, expected %g", tc.reason, f.Value, f.Quality, tc.want)
		case (f.Detail != "") != (tc.want > slightlyLate):
			t.Errorf("%s: %g says %q", tc.reason, f.Value, f.Detail)
		}
	}
}

func TestPaceNamesTheLatestInstrument(t *testing.T) {
	p := newPlant(t, paced())
	arrive(t, p, "gas", reading.GoodQuality(), times(40, time.Second)...)
	f := arrive(t, p, "weight", reading.GoodQuality(), times(40, 3200*time.Millisecond)...)
	if want := "is that of scales, read every 3.2s where every 2s is planned"; f.Detail != want || math.Abs(f.Value-1.6) > 1e-9 {
		t.Errorf("%g, %q, expected %q", f.Value, f.Detail, want)
	}
}

// A line of which an instrument was not read for too long may have any pace: it
// is not known, so that an alarm neither clears nor is raised by the others.
func TestPaceIsUnknownWhileStale(t *testing.T) {
	s := paced()
	s.Points[0].StaleAfter = 5 * time.Second
	p := newPlant(t, s)
	arrive(t, p, "weight", reading.GoodQuality(), times(12, 2*time.Second)...)
	f := arrive(t, p, "gas", reading.GoodQuality(), times(60, time.Second)...)
	if f.Quality != reading.BadBecause(reading.Stale) || f.Value != 0 {
		t.Errorf("%g, %v, expected bad:stale", f.Value, f.Quality)
	}
}

func TestPaceWithoutAPeriod(t *testing.T) {
	s := paced()
	for i := range s.Points {
		s.Points[i].Every = 0
	}
	if f := arrive(t, newPlant(t, s), "gas", reading.GoodQuality(), times(40, time.Second)...); f.Quality != reading.BadBecause(reading.Learning) {
		t.Errorf("%v, expected bad:learning", f.Quality)
	}
}

// A line that keeps its pace within a tenth is never over 1.1, whatever the clock
// does twice in any 30 readings; one whose every poll takes half as long again is
// always over 1.25 once it is judged. A recording gives the same figures again.
func TestPaceProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		slow := rapid.Bool().Draw(rt, "slow")
		var ds []time.Duration
		sinceEvent := mostIntervals
		for range 120 {
			d := time.Duration((0.9 + 0.2*r.Float64()) * float64(time.Second))
			if slow {
				d += time.Second / 2
			} else if sinceEvent > mostIntervals/2 && r.IntN(4) == 0 {
				d += time.Duration(r.Int64N(int64(48*time.Hour))) - 24*time.Hour
				sinceEvent = 0
			}
			sinceEvent++
			ds = append(ds, d)
		}
		first, second := newPlant(t, paced()), newPlant(t, paced())
		at := start
		for i, d := range ds {
			at = at.Add(d)
			rs := []reading.Reading{{Point: "gas", Quality: reading.GoodQuality(), Time: at}}
			f := find(t, first.Step(at, rs), "line.line-a.pace")
			if again := find(t, second.Step(at, rs), "line.line-a.pace"); fmt.Sprint(again) != fmt.Sprint(f) {
				rt.Fatalf("after %d: %+v, replayed %+v", i, f, again)
			}
			switch {
			case !f.Quality.Usable():
				if slow && i > leastIntervals {
					rt.Fatalf("after %d readings: %v", i, f.Quality)
				}
			case slow && f.Value < 1.25, !slow && f.Value > slightlyLate:
				rt.Fatalf("after %d readings the pace is %g; slow: %v", i, f.Value, slow)
			}
		}
	})
}
