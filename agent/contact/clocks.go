package contact

import (
	"math"
	"slices"
	"time"

	"ebbwatch/agent/reading"
)

// Stopwatch counts how long something has held, through restarts and stepped
// clocks: within a run by the monotonic clock, over a restart by the wall clock,
// which then counts nothing if it went backwards. Its JSON is its memory.
type Stopwatch struct {
	// Since is when it began to hold, by the wall clock; zero when it does not.
	Since   time.Time     `json:"since,omitzero"`
	Elapsed time.Duration `json:"elapsed_ns,omitzero"`
	Last    time.Time     `json:"last,omitzero"`
}

// Run counts the time up to now, when what it counts holds; else it is set back.
func (s *Stopwatch) Run(now time.Time, holds bool) {
	switch {
	case !holds:
		*s = Stopwatch{}
	case s.Since.IsZero():
		*s = Stopwatch{Since: now, Last: now}
	default:
		s.Elapsed += max(0, now.Sub(s.Last))
		s.Last = now
	}
}

// Running reports whether it counts.
func (s *Stopwatch) Running() bool { return !s.Since.IsZero() }

// ResidualRule is a least residual and how long the water may be under it.
type ResidualRule struct {
	Least   float64       // mg/L
	Allowed time.Duration // without a break
}

// SurfaceWaterRule is that of 40 CFR 141.72(a)(3) and (b)(2): the residual that
// enters the distribution system may not be under 0.2 mg/L for more than 4
// hours. EPA's answer to a frequent question reads them as consecutive hours.
var SurfaceWaterRule = ResidualRule{0.2, 4 * time.Hour}

// GroundWaterRule is that of 40 CFR 141.403(b)(3) and 141.404(c) for ground water
// that is treated to 4 log of viruses: the State sets the least residual. Its four
// hours begin when the operator determines that it is not kept (from memory);
// here they begin with the first reading under it, which is never later.
func GroundWaterRule(least float64) ResidualRule { return ResidualRule{least, 4 * time.Hour} }

// ResidualClock counts the time for which a residual is under its least.
type ResidualClock struct {
	Rule  ResidualRule `json:"-"`
	Under Stopwatch    `json:"under"`
}

// ResidualState is how a clock stands.
type ResidualState struct {
	// Under is how long, in s, the residual has been under the least, Left how long
	// it may still be so; Left is negative after the limit. While the residual is
	// not known well a running clock runs on, and both are uncertain.
	Under, Left Value
	Since       time.Time
}

// Step folds a residual in, in mg/L. A clock stops only at a good residual of
// the least or more; it starts only at a usable one under it.
func (c *ResidualClock) Step(now time.Time, residual reading.Reading) ResidualState {
	r := residual.Checked()
	under := c.Under.Running()
	q := reading.GoodQuality()
	if r.Quality.Level != reading.Good {
		q = reading.UncertainBecause(r.Quality.Reason)
	}
	switch {
	case r.Quality.Usable() && r.Value < c.Rule.Least-edge:
		under = true
	case r.Quality.Level == reading.Good:
		under = false
	}
	c.Under.Run(now, under)
	return ResidualState{
		Under: Value{c.Under.Elapsed.Seconds(), q},
		Left:  Value{(c.Rule.Allowed - c.Under.Elapsed).Seconds(), q},
		Since: c.Under.Since,
	}
}

// AnalyserRule is what to do while the continuous analyser has failed.
type AnalyserRule struct {
	// Grab is how often a sample is to be taken by hand.
	Grab time.Duration
	// WorkingDays is how many of them may pass; 0 counts Days instead.
	WorkingDays int
	Days        int
}

// The rules for a failed analyser: grab samples every 4 hours, for at most 5
// working days with surface water, 40 CFR 141.74(b)(5) and (c)(2) as repeated in
// 22 CCR 64656; within 14 days with ground water, 40 CFR 141.403(b)(3)(i)(A).
var (
	SurfaceWaterAnalyser = AnalyserRule{Grab: 4 * time.Hour, WorkingDays: 5}
	GroundWaterAnalyser  = AnalyserRule{Grab: 4 * time.Hour, Days: 14}
)

// Calendar knows the days on which nobody works: Saturdays, Sundays and the
// holidays of the site.
type Calendar struct {
	Zone     *time.Location
	Holidays []Date
}

// Date is a day of the calendar.
type Date struct {
	Year  int        `json:"year"`
	Month time.Month `json:"month"`
	Day   int        `json:"day"`
}

func dateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// Works reports whether people work on the day of t.
func (c Calendar) Works(t time.Time) bool {
	local := t.In(c.Zone)
	switch local.Weekday() {
	case time.Saturday, time.Sunday:
		return false
	}
	return !slices.Contains(c.Holidays, dateOf(local))
}

// EndOfWorkingDay is the midnight that ends the n-th working day after the day
// of t.
func (c Calendar) EndOfWorkingDay(t time.Time, n int) time.Time {
	local := t.In(c.Zone)
	day := func(i int) time.Time {
		return time.Date(local.Year(), local.Month(), local.Day()+i, 0, 0, 0, 0, c.Zone)
	}
	i := 0
	for ; n > 0; i++ {
		if c.Works(day(i + 1)) {
			n--
		}
	}
	return day(i + 1)
}

// AnalyserClock counts from the failure of an analyser.
type AnalyserClock struct {
	Rule     AnalyserRule `json:"-"`
	Calendar Calendar     `json:"-"`
	Failed   Stopwatch    `json:"failed"`
	// Grabbed counts from the last sample by hand, or from the failure.
	Grabbed Stopwatch `json:"grabbed"`
	// good counts how long it has given a residual since; a restart begins it anew.
	good Stopwatch
}

// BackAfter is for how long an analyser has to give a residual without a break
// before its failure is over: one that comes and goes would else begin its four
// hours and five days again and again, and no sample would ever be due (own
// choice; the rules do not say when an analyser is back).
const BackAfter = 15 * time.Minute

// AnalyserState is how a clock stands.
type AnalyserState struct {
	Failed bool
	// Returning tells that it gives a residual again, not yet for BackAfter.
	Returning bool
	Since     time.Time
	// GrabDue is the time, in s, until a sample by hand is due; negative when it is
	// overdue.
	GrabDue float64
	// Until is when the analyser has to be back.
	Until time.Time
}

// Step folds in whether the analyser gives a usable residual.
func (c *AnalyserClock) Step(now time.Time, usable bool) AnalyserState {
	c.good.Run(now, usable)
	failed := !usable || c.Failed.Running() && c.good.Elapsed < BackAfter
	c.Failed.Run(now, failed)
	c.Grabbed.Run(now, failed)
	if !failed {
		return AnalyserState{}
	}
	s := AnalyserState{Failed: true, Returning: usable, Since: c.Failed.Since, GrabDue: (c.Rule.Grab - c.Grabbed.Elapsed).Seconds()}
	if c.Rule.WorkingDays > 0 {
		s.Until = c.Calendar.EndOfWorkingDay(s.Since, c.Rule.WorkingDays)
	} else {
		s.Until = s.Since.AddDate(0, 0, c.Rule.Days)
	}
	return s
}

// Grab notes a sample taken by hand at a time; one older than the last counts
// nothing, nor does one from the time to come.
func (c *AnalyserClock) Grab(now, taken time.Time) {
	if !c.Failed.Running() || taken.After(now) || now.Sub(taken) > c.Grabbed.Elapsed {
		return
	}
	c.Grabbed = Stopwatch{Since: taken, Elapsed: now.Sub(taken), Last: now}
}

// MaximumResidual is the maximum residual disinfectant level of chlorine, in
// mg/L: 40 CFR 141.65(a).
const MaximumResidual = 4.0

// AnnualAverage is the running annual average of the residual in the distribution
// system: 40 CFR 141.132(c)(1) and 141.133(c)(1) average the last four quarters,
// each the mean of its monthly averages, once a quarter (from memory).
type AnnualAverage struct {
	Months []MonthAverage `json:"months"`
}

// MonthAverage is one month's samples.
type MonthAverage struct {
	Year  int        `json:"year"`
	Month time.Month `json:"month"`
	Sum   float64    `json:"sum"` // mg/L
	N     int        `json:"n"`
}

func (m MonthAverage) index() int { return m.Year*12 + int(m.Month) - 1 }

// Add enters a sample, in mg/L, of a month. It keeps the newest 15 months: a
// running year and the quarter that is not over.
func (a *AnnualAverage) Add(year int, month time.Month, residual float64) {
	if math.IsNaN(residual) || math.IsInf(residual, 0) || residual < 0 {
		return
	}
	at := MonthAverage{Year: year, Month: month}
	i, found := slices.BinarySearchFunc(a.Months, at, func(m, n MonthAverage) int { return m.index() - n.index() })
	if !found {
		a.Months = slices.Insert(a.Months, i, at)
	}
	a.Months[i].Sum += residual
	a.Months[i].N++
	if n := len(a.Months); n > 15 {
		a.Months = slices.Delete(a.Months, 0, n-15)
	}
}

// Mean is the running annual average, in mg/L, at the end of the quarter to which
// a month belongs, and of how many quarters it is. It is uncertain with fewer
// than four quarters, except that in the first year a quarter which forces the
// average over the limit whatever follows is told by Forced.
func (a *AnnualAverage) Mean(year int, month time.Month) (mean Value, quarters int) {
	last := (year*12 + int(month) - 1) / 3
	var sum float64
	for q := last - 3; q <= last; q++ {
		var months, n float64
		for _, m := range a.Months {
			if m.index()/3 == q && m.N > 0 {
				months, n = months+m.Sum/float64(m.N), n+1
			}
		}
		if n > 0 {
			sum += months / n
			quarters++
		}
	}
	switch quarters {
	case 0:
		return Value{Quality: reading.BadBecause(reading.Missing)}, 0
	case 4:
		return Value{sum / 4, reading.GoodQuality()}, 4
	}
	return Value{sum / float64(quarters), reading.UncertainBecause(reading.Learning)}, quarters
}

// Forced reports whether the quarters so far force the annual average over the
// limit, even if nothing more is found: 40 CFR 141.133(a)(3).
func (a *AnnualAverage) Forced(year int, month time.Month) bool {
	mean, quarters := a.Mean(year, month)
	return quarters > 0 && mean.Value*float64(quarters)/4 > MaximumResidual
}
