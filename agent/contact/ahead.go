package contact

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Ahead looks at what is needed now, and at the hour to come.
type Ahead struct {
	// NeededResidual is the residual, in mg/L, from which on the ratio is at the
	// target, with the present T10, temperature and pH. It is bad where not even
	// the table's highest residual is enough.
	NeededResidual Value
	// GreatestFlow is the flow, in m³/s, up to which the static T10 keeps the
	// ratio at the target with the present residual and the hour's lowest volume.
	GreatestFlow Value
	// Lowest is the lowest ratio of the coming hour, LowestIn how far ahead it is.
	// It assumes what Assumption says.
	Lowest   Value
	LowestIn time.Duration
}

// Assumption says on what a forecast rests.
const Assumption = "the water already inside, the flow and the change of the level of the last 15 minutes, the residual's trend of the last 30 minutes; temperature and pH stay"

// The forecast's reach, its steps and how often it is made anew. A pump that
// starts makes a new one within the last of these (own choice).
const (
	horizon = time.Hour
	outlook = 2 * time.Minute
	renewal = 10 * time.Second
)

// Windows of the trends, in minutes, and how many of them must have readings
// (own choice: long enough that an analyser's noise does not make a trend, short
// enough to follow a failing feed).
const (
	residualWindow, leastResiduals = 30, 10
	levelWindow, leastLevels       = 15, 5
)

// trends keeps the means of the last minutes, and the last forecast.
type trends struct {
	minutes  [residualWindow]minuteMean
	made     time.Time
	lowest   float64
	lowestIn time.Duration
	ok       bool
}

// minuteMean sums one minute's readings.
type minuteMean struct {
	minute                 int64
	residual, volume, flow mean
}

type mean struct {
	sum float64
	n   int
}

func (m *mean) add(v float64) { m.sum, m.n = m.sum+v, m.n+1 }

func (t *trends) add(minute int64, residual, flow reading.Reading, volume Value) {
	m := &t.minutes[minute%residualWindow]
	if m.minute != minute || minute == 0 && m.residual.n+m.volume.n+m.flow.n == 0 {
		*m = minuteMean{minute: minute}
	}
	if residual.Quality.Usable() {
		m.residual.add(max(0, residual.Value))
	}
	if volume.Quality.Usable() {
		m.volume.add(volume.Value)
	}
	if flow.Quality.Usable() {
		m.flow.add(max(0, flow.Value))
	}
}

// slope is the least-squares change a second of a quantity over the last minutes,
// and its mean. It is not known from less than a number of minutes.
func (t *trends) slope(newest int64, window int64, least int, of func(*minuteMean) mean) (perSecond, average float64, ok bool) {
	var n, sx, sy, sxx, sxy float64
	for i := range t.minutes {
		m := &t.minutes[i]
		v := of(m)
		if age := newest - m.minute; v.n == 0 || age < 0 || age >= window {
			continue
		}
		x, y := float64(m.minute-newest)*60, v.sum/float64(v.n)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
	}
	if n < float64(least) {
		return 0, 0, false
	}
	return (n*sxy - sx*sy) / (n*sxx - sx*sx), sy / n, true
}

// ahead looks forward from now. Lowest is the hour's lowest volume.
func (g *Segment) ahead(now time.Time, in Inputs, r *Result, volume Value, lowest float64) Ahead {
	minute := g.minute(g.last)
	g.trends.add(minute, in.Residual, in.Flow, volume)
	t, ph := units.Celsius(in.Temperature.Value), units.PH(in.PH.Value)
	conditions := reading.Worst(in.Temperature.Quality, in.PH.Quality)
	c := max(0, in.Residual.Value)

	var a Ahead
	if q := reading.Worst(r.T10.Quality, conditions); q.Usable() {
		needed, q2 := g.neededResidual(r.T10.Value/60, t, ph)
		a.NeededResidual = derive(needed, q, q2)
	} else {
		a.NeededResidual = derive(0, q)
	}
	required, q := g.required(c, t, ph)
	a.GreatestFlow = derive(g.s.BafflingFactor*lowest*c/(g.s.Target*required*60), conditions, in.Residual.Quality, volume.Quality, q)

	a.Lowest, a.LowestIn = g.forecast(now, minute, in, r, volume, t, ph)
	return a
}

// required is the CT that the segment owes, the higher of the two organisms.
func (g *Segment) required(c float64, t units.Celsius, ph units.PH) (float64, reading.Quality) {
	var most float64
	q := reading.GoodQuality()
	if g.s.GiardiaLog > 0 {
		ct, quality := RequiredGiardia(g.s.GiardiaLog, units.MilligramsPerLitre(c), t, ph, g.s.Method)
		most, q = float64(ct), reading.Worst(q, quality)
	}
	if g.s.VirusLog > 0 {
		ct, quality := RequiredVirus(g.s.VirusLog, t, ph)
		most, q = max(most, float64(ct)), reading.Worst(q, quality)
	}
	return most, q
}

// neededResidual is the least residual, in mg/L, from which on the ratio is at
// the target at a T10 in minutes. Between two lines of the table the surplus of
// CT over what is required rises, or rises and falls again, by every method; at a
// line it may drop. So where both ends of a box have a surplus all of it has.
func (g *Segment) neededResidual(minutes float64, t units.Celsius, ph units.PH) (float64, reading.Quality) {
	worst := reading.GoodQuality()
	surplus := func(c float64) float64 {
		ct, q := g.required(c, t, ph)
		worst = reading.Worst(worst, q)
		return c*minutes - g.s.Target*ct
	}
	top := len(giardiaResiduals) - 1
	for i := top; i >= 0; i-- {
		line, under := giardiaResiduals[i], 0.0
		if i > 0 {
			under = giardiaResiduals[i-1] + 2*edge
		}
		switch {
		case !worst.Usable():
			return 0, worst
		case surplus(line) < 0 && i == top:
			return 0, reading.Worst(worst, reading.BadBecause(reading.OutsideTable))
		case surplus(line) < 0:
			return line + 2*edge, worst
		case surplus(under) >= 0:
			continue
		}
		for high := line; ; {
			if middle := (under + high) / 2; high-under < edge {
				return high, worst
			} else if surplus(middle) < 0 {
				under = middle
			} else {
				high = middle
			}
		}
	}
	return 0, worst
}

// forecast is the lowest ratio of the coming hour and how far ahead it is.
func (g *Segment) forecast(now time.Time, minute int64, in Inputs, r *Result, volume Value, t units.Celsius, ph units.PH) (Value, time.Duration) {
	tr := &g.trends
	q := reading.Worst(r.Ratio.Quality, in.Flow.Quality, volume.Quality)
	if !q.Usable() {
		tr.ok = false
		return Value{Quality: q}, 0
	}
	if since := now.Sub(tr.made); !tr.ok || since < 0 || since >= renewal {
		tr.made = now
		tr.lowest, tr.lowestIn, tr.ok = g.lowest(minute, in, r, volume, t, ph)
	}
	if !tr.ok {
		return Value{Quality: reading.BadBecause(reading.Learning)}, 0
	}
	return Value{tr.lowest, q}, tr.lowestIn
}

func (g *Segment) lowest(minute int64, in Inputs, r *Result, volume Value, t units.Celsius, ph units.PH) (lowest float64, at time.Duration, ok bool) {
	trend, _, ok := g.trends.slope(minute, residualWindow, leastResiduals, func(m *minuteMean) mean { return m.residual })
	if !ok {
		return 0, 0, false
	}
	change, _, ok := g.trends.slope(minute, levelWindow, leastLevels, func(m *minuteMean) mean { return m.volume })
	_, flow, known := g.trends.slope(minute, levelWindow, leastLevels, func(m *minuteMean) mean { return m.flow })
	if !ok || !known {
		return 0, 0, false
	}
	// A pump that has just started counts whole; one that stopped, by the mean.
	flow = max(flow, in.Flow.Value)
	full := float64(g.s.Volume)
	if g.s.LevelFull == 0 {
		change = 0
	}
	lowest = r.Ratio.Value
	for ahead := outlook; ahead <= horizon; ahead += outlook {
		s := ahead.Seconds()
		v := min(max(volume.Value+change*s, 0), full)
		c := max(0, in.Residual.Value+trend*s)
		t10 := Value{g.s.BafflingFactor * min(v, volume.Value) / flow, reading.GoodQuality()}
		entry, inflow := g.water.Ahead(s, flow, change)
		t10, _ = shortest(t10, entry, inflow)
		required, q := g.required(c, t, ph)
		if !q.Usable() {
			return 0, 0, false
		}
		if ratio := c * t10.Value / 60 / required; ratio < lowest {
			lowest, at = ratio, ahead
		}
	}
	return lowest, at, !math.IsNaN(lowest)
}
