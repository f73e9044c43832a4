package supply

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
)

// Supply holds how long the chlorine lasts. Times are in seconds with their 90 %
// interval, at most MaxTimeToEmpty; while less than a day of demand is known they
// are uncertain, learning, and their intervals wide.
type Supply struct {
	// LiquidEnd is until the liquid of the containers on duty ends, WithStandby until
	// those of every group are drawn to the heel, AllStock until the stock on the
	// site is gone too.
	LiquidEnd, WithStandby, AllStock Value
	// Changeover is when the containers on duty will be drawn to the heel; zero when
	// that is not known. Staffed tells whether somebody is on the site then.
	Changeover time.Time
	Staffed    bool
	// OrderBy is the start of the last day on which an order still comes in time,
	// from the low end of AllStock; zero when that is not known or over a year away.
	OrderBy time.Time
}

// amounts of chlorine to draw, in kg.
type amounts struct{ duty, liquid, standby, stock, sd float64 }

// foresee makes the coming demand anew when an hour has ended.
func (b *Bank) foresee(t float64) {
	at := b.origin.Add(time.Duration(t * float64(time.Second)))
	// The demand is what the feed takes, or what the scales lose without one.
	mass, known := b.feed.drawn(), b.feed.known
	if !known {
		e := b.rates.hour
		mass, known = e.rate, e.quality.Usable()
	}
	if b.feed.known && b.feed.flow > 0 {
		b.perFlow += (b.feed.drawn()/b.feed.flow - b.perFlow) / 60
		if b.perFlow == 0 || math.Abs(b.perFlow*b.feed.flow/b.feed.drawn()-1) > 0.5 {
			b.perFlow = b.feed.drawn() / b.feed.flow
		}
	}
	if ended := b.profile.add(at, b.feed.flow, mass, known); b.profile.learning() || !ended && !b.profile.aheadAt.IsZero() {
		return
	}
	extra := 0.0
	if slope, sd, days, ok := b.balance.line(recentHours * 60); b.feed.known && ok && -slope > b.balance.allowance(days, b.feed.drawn()*b.balance.mistrust(&b.feed), 1)+lineFalse*b.balance.wandering(sd, days, 1) {
		extra = -slope
	}
	b.profile.foresee(at, b.perFlow, extra)
}

// forecast keeps the answers for a minute, as long as their qualities last.
type forecast struct {
	key    forecastKey
	empty  Value
	supply Supply
	each   []Value
}

type forecastKey struct {
	minute        int
	weighed, rate reading.Quality
	group         string
	stock         bool
}

// empties tells how long the amounts last.
func (b *Bank) empties(now time.Time, a amounts, weighed reading.Quality, r *BankResult, stock bool) {
	key := forecastKey{b.minute, weighed, r.Rate.Quality, b.duty.group, stock}
	if f := &b.forecast; f.key == key {
		r.TimeToEmpty, r.Supply = f.empty, f.supply
		for i := range b.results {
			b.results[i].TimeToEmpty = f.each[i]
		}
		return
	}
	defer func() {
		b.forecast.key, b.forecast.empty, b.forecast.supply = key, r.TimeToEmpty, r.Supply
		for i := range b.results {
			b.forecast.each[i] = b.results[i].TimeToEmpty
		}
	}()
	settled := b.rates.hour.settled
	one := func(amount float64) Value {
		day := b.rates.day
		still := r.Rate.Low <= 0 && day.rate-ninetyPercent*day.sd <= 0
		if b.profile.learning() || b.profile.aheadAt.IsZero() || still || !r.Rate.Quality.Usable() || amount <= 0 {
			rate := r.Rate
			if day.quality.Usable() && still && rate.Quality.Usable() {
				rate = day.value(rate.Quality)
			}
			return b.guess(amount, weighed, rate, settled)
		}
		v, low, high := b.profile.lasts(now, amount, a.sd)
		return between(v, low, high, r.Rate.Quality)
	}
	r.TimeToEmpty = one(a.duty)
	b.emptiesEach(one)
	r.Supply.LiquidEnd, r.Supply.WithStandby = one(a.liquid), one(a.standby)
	r.Supply.AllStock = r.Supply.WithStandby
	if stock {
		r.Supply.AllStock = one(a.stock)
	}
	if v := r.TimeToEmpty; v.Quality.Usable() && v.Quality.Reason != reading.NotDrawn && v.Value < MaxTimeToEmpty {
		r.Supply.Changeover = now.Add(time.Duration(v.Value * float64(time.Second)))
		r.Supply.Staffed = b.settings.Staffed == nil || b.settings.Staffed(r.Supply.Changeover)
	}
	if v := r.Supply.AllStock; v.Quality.Usable() && v.Low < MaxTimeToEmpty {
		r.Supply.OrderBy = b.profile.orderBy(now.Add(time.Duration(v.Low*float64(time.Second))), b.settings.LeadDays)
	}
}

// emptiesEach tells how long each container lasts.
func (b *Bank) emptiesEach(one func(float64) Value) {
	var drawn float64
	for i := range b.containers {
		if c := &b.containers[i]; c.drawn {
			drawn += max(0, c.hour.rate)
		}
	}
	for i := range b.containers {
		c, r := &b.containers[i], &b.results[i]
		left := max(0, r.Net.Value-float64(c.Heel)*c.count)
		switch part := max(0, c.hour.rate) / drawn; {
		case !r.Net.Quality.Usable() || c.scale.off:
			r.TimeToEmpty = exact(0, reading.Worst(r.Net.Quality, reading.BadBecause(reading.Missing)))
		case c.drawn && drawn > 0 && part > restShare:
			r.TimeToEmpty = one(left / part)
		default:
			alone := one(left)
			r.TimeToEmpty = between(alone.Value, alone.Low, MaxTimeToEmpty, reading.Worst(alone.Quality, reading.UncertainBecause(reading.NotDrawn)))
		}
	}
}

// guess is the time to empty by the present rate, while the demand is not known.
func (b *Bank) guess(amount float64, weighed reading.Quality, rate Value, settled bool) Value {
	if rate.Quality.Usable() && rate.Low > 0 && b.profile.learning() {
		// A day's demand swings by a third to either side, and days differ (common
		// practice, no source).
		rate.Low = min(rate.Low, rate.Value/1.75)
		rate.High = max(rate.High, rate.Value*1.75)
		rate.Quality = reading.Worst(rate.Quality, reading.UncertainBecause(reading.Learning))
	}
	return timeToEmpty(amount, weighed, rate, settled)
}

// ordered remembers the answer of orderBy, which is the same all day.
type ordered struct {
	year, day int
	by        time.Time
}

// orderBy is the start of the last working day on which an order is delivered, after
// so many working days, on a working day that ends before the stock does.
func (p *profile) orderBy(end time.Time, lead int) time.Time {
	local := end.In(p.zone)
	if local.YearDay() == p.ordered.day && local.Year() == p.ordered.year {
		return p.ordered.by
	}
	day := func(i int) time.Time {
		return time.Date(local.Year(), local.Month(), local.Day()-i, 0, 0, 0, 0, p.zone)
	}
	i := 0
	for left := lead + 1; left > 0 && i < 1000; {
		i++
		if p.works(day(i)) {
			left--
		}
	}
	p.ordered = ordered{local.Year(), local.YearDay(), day(i)}
	return p.ordered.by
}
