package contact

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"pgregory.net/rapid"
)

func TestTheFourHourClock(t *testing.T) {
	type step struct {
		hours    float64
		residual reading.Reading
		under    float64 // h
	}
	lost := bad(reading.NoReply)
	for _, c := range []struct {
		name  string
		steps []step
	}{
		{"under for as long as it lasts", []step{{0, good(0.5), 0}, {1, good(0.19), 0}, {2, good(0.1), 1}, {5, good(0.19), 4}, {6, good(0), 5}}},
		{"0.2 is enough", []step{{0, good(0.2), 0}, {4, good(0.2), 0}, {5, good(0.19), 0}, {6, good(0.2), 0}}},
		{"consecutive hours: it starts anew", []step{{0, good(0.1), 0}, {3, good(0.1), 3}, {3.1, good(0.2), 0}, {3.2, good(0.1), 0}, {4.2, good(0.1), 1}}},
		{"an analyser that fails does not stop it", []step{{0, good(0.1), 0}, {1, lost, 1}, {3, lost, 3}, {4, good(0.1), 4}}},
		{"nor does it start it", []step{{0, good(0.5), 0}, {1, lost, 0}, {6, lost, 0}, {7, good(0.1), 0}}},
	} {
		clock := ResidualClock{Rule: SurfaceWaterRule}
		for _, s := range c.steps {
			state := clock.Step(start.Add(time.Duration(s.hours*float64(time.Hour))), s.residual)
			if !near(state.Under.Value, s.under*3600, 1e-3) || !near(state.Left.Value, (4-s.under)*3600, 1e-3) {
				t.Errorf("%s, hour %g: %+v, want %g h under", c.name, s.hours, state, s.under)
			}
			if s.residual.Quality.Usable() != (state.Under.Quality == reading.GoodQuality()) {
				t.Errorf("%s, hour %g: quality %v", c.name, s.hours, state.Under.Quality)
			}
		}
	}
}

// A clock goes on over a restart, and a stepped wall clock neither adds nor
// takes time within a run.
func TestClocksSurviveRestartsAndSteps(t *testing.T) {
	clock := ResidualClock{Rule: SurfaceWaterRule}
	now := time.Now() // with a monotonic reading
	clock.Step(now, good(0.1))
	clock.Step(now.Add(time.Hour), good(0.1))
	memory, err := json.Marshal(clock)
	if err != nil {
		t.Fatal(err)
	}
	restart := func(after time.Duration) time.Duration {
		back := ResidualClock{Rule: SurfaceWaterRule}
		if err := json.Unmarshal(memory, &back); err != nil {
			t.Fatal(err)
		}
		return time.Duration(back.Step(now.Add(time.Hour+after), good(0.1)).Under.Value) * time.Second
	}
	if got := restart(30 * time.Minute); got != 90*time.Minute {
		t.Errorf("over a restart of 30 min: %v, want 1h30m", got)
	}
	if got := restart(-24 * time.Hour); got != time.Hour {
		t.Errorf("with the wall clock a day back: %v, want the hour before", got)
	}
}

func TestTheFailedAnalyser(t *testing.T) {
	denver := zone(t, "America/Denver")
	// 2026-07-03 is a Friday; the Monday after it is a holiday of this site.
	failed := time.Date(2026, 7, 3, 15, 0, 0, 0, denver)
	c := AnalyserClock{Rule: SurfaceWaterAnalyser, Calendar: Calendar{denver, []Date{{2026, 7, 6}}}}
	c.Step(failed.Add(-time.Minute), true)
	s := c.Step(failed, false)
	if want := time.Date(2026, 7, 14, 0, 0, 0, 0, denver); !s.Until.Equal(want) || s.GrabDue != 4*3600 {
		t.Errorf("%+v, want until %v: the 7th, 8th, 9th, 10th and 13th are working days", s, want)
	}
	if s = c.Step(failed.Add(5*time.Hour), false); s.GrabDue != -3600 {
		t.Errorf("after 5 h %+v, want an hour overdue", s)
	}
	c.Grab(failed.Add(5*time.Hour), failed.Add(4*time.Hour+30*time.Minute))
	if s = c.Step(failed.Add(6*time.Hour), false); s.GrabDue != 2.5*3600 {
		t.Errorf("after a sample at 4:30 %+v, want 2.5 h", s)
	}
	c.Grab(failed.Add(6*time.Hour), failed.Add(time.Hour)) // older than the last
	c.Grab(failed.Add(6*time.Hour), failed.Add(7*time.Hour))
	if s = c.Step(failed.Add(6*time.Hour), false); s.GrabDue != 2.5*3600 {
		t.Errorf("after samples that count nothing %+v", s)
	}
	if s = c.Step(failed.Add(7*time.Hour), true); !s.Failed || !s.Returning || s.GrabDue != 1.5*3600 {
		t.Errorf("just back: %+v, want the same clock with 1.5 h", s)
	}
	if s = c.Step(failed.Add(7*time.Hour+BackAfter), true); s.Failed {
		t.Errorf("back: %+v", s)
	}
	ground := AnalyserClock{Rule: GroundWaterAnalyser, Calendar: c.Calendar}
	if s := ground.Step(failed, false); !s.Until.Equal(failed.AddDate(0, 0, 14)) {
		t.Errorf("ground water until %v", s.Until)
	}
}

// An analyser that comes and goes has failed until it stays: its clocks go on, so
// that a sample falls due. One that stays for the spell begins anew.
func TestAFlappingAnalyser(t *testing.T) {
	for _, tc := range []struct {
		reason    string
		good, bad int     // minutes in turn
		due       float64 // s, after 5 h
	}{
		{"it never gives a residual", 0, 1, -3600},
		{"a good reading now and then", 1, 10, -3600},
		{"good most of the time", 14, 1, -3600},
		{"good for the spell each time", 16, 1, 4 * 3600},
		{"it never fails", 1, 0, 0},
	} {
		c := AnalyserClock{Rule: SurfaceWaterAnalyser, Calendar: Calendar{Zone: time.UTC}}
		worst, failures := math.Inf(1), 0
		for m := range 5*60 + 1 {
			usable := (m+tc.good)%(tc.good+tc.bad) < tc.good && m > 0 || tc.bad == 0
			s := c.Step(start.Add(time.Duration(m)*time.Minute), usable)
			if s.Failed {
				worst = min(worst, s.GrabDue)
				failures++
			}
		}
		switch {
		case tc.due == 0 && failures > 0, tc.due < 0 && worst != tc.due, tc.due > 0 && (failures == 0 || worst < tc.due-20*60):
			t.Errorf("%s: the least time to a sample is %g s, want %g", tc.reason, worst, tc.due)
		}
	}
}

func TestWorkingDaysByCounting(t *testing.T) {
	denver := zone(t, "America/Denver")
	rapid.Check(t, func(t *rapid.T) {
		c := Calendar{Zone: denver}
		from := time.Date(2026, 1, rapid.IntRange(1, 365).Draw(t, "day"), rapid.IntRange(0, 23).Draw(t, "hour"), 0, 0, 0, denver)
		for range rapid.IntRange(0, 5).Draw(t, "holidays") {
			c.Holidays = append(c.Holidays, dateOf(from.AddDate(0, 0, rapid.IntRange(0, 20).Draw(t, "holiday"))))
		}
		n := rapid.IntRange(1, 10).Draw(t, "working days")
		end := c.EndOfWorkingDay(from, n)
		worked := 0
		for d := from.AddDate(0, 0, 1); d.Before(end); d = d.AddDate(0, 0, 1) {
			if c.Works(d) {
				worked++
			}
		}
		if worked != n || !c.Works(end.Add(-time.Hour)) || end.Hour() != 0 {
			t.Fatalf("from %v %d working days end at %v, which counts %d", from, n, end, worked)
		}
	})
}

func TestTheRunningAnnualAverage(t *testing.T) {
	var a AnnualAverage
	add := func(year int, month time.Month, residuals ...float64) {
		for _, r := range residuals {
			a.Add(year, month, r)
		}
	}
	// Months of unequal numbers of samples count alike.
	add(2025, time.January, 1, 1, 1, 1, 1, 1)
	add(2025, time.February, 3)
	if mean, n := a.Mean(2025, time.March); n != 1 || mean.Value != 2 || mean.Quality != reading.UncertainBecause(reading.Learning) {
		t.Errorf("after one quarter %+v of %d", mean, n)
	}
	add(2025, time.April, 4)
	add(2025, time.August, 4)
	add(2025, time.December, 5)
	if mean, n := a.Mean(2025, time.December); n != 4 || mean.Value != 3.75 || mean.Quality != reading.GoodQuality() {
		t.Errorf("after a year %+v of %d, want (2+4+4+5)/4", mean, n)
	}
	add(2026, time.March, 6)
	if mean, _ := a.Mean(2026, time.January); mean.Value != 4.75 {
		t.Errorf("a quarter on %+v, want (4+4+5+6)/4", mean)
	}
	if a.Forced(2025, time.March) || !a.Forced(2026, time.March) {
		t.Error("forced is not what makes the average exceed 4.0")
	}
	for i := range 60 {
		add(2027+i/12, time.Month(i%12+1), 1)
	}
	if len(a.Months) != 15 {
		t.Errorf("%d months kept", len(a.Months))
	}
	// In the first year 17 mg/L in a quarter cannot be averaged away.
	var first AnnualAverage
	first.Add(2026, time.January, 17)
	if !first.Forced(2026, time.March) {
		t.Error("17 mg/L in the first quarter does not force the year")
	}
}
