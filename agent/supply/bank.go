// Package supply answers how much chlorine is left, how fast it goes, how fast
// it may go, when it ends, and where it went.
package supply

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Value is one figure of a bank in SI units. Low and High bound it with 90 %
// probability; they are NaN when there is no interval.
type Value struct {
	Value, Low, High float64
	Quality          reading.Quality
}

// Inputs are what a bank reads. All but Weights may be nil where a plant does not
// measure them.
type Inputs struct {
	// Weights are the scales' readings, one for each container in the order of the
	// settings, in kg; a reading that was given before is not taken twice.
	Weights []reading.Reading
	// Room is the room's temperature in °C.
	Room *reading.Reading
	// Feed is what a feeder says that it feeds, in kg/s. Without it flow times dose
	// is taken.
	Feed *reading.Reading
	// Flow is the water that is dosed, in m³/s.
	Flow *reading.Reading
	// Dose is the chlorine added, in mg/L. Without it residual plus demand is taken.
	Dose, Residual, Demand *reading.Reading
	// Stock is the chlorine in containers on the site that stand on no scale, in kg.
	Stock units.Kilograms
	// Closed tells of each container that its valve is known to be closed: it gives
	// off nothing. Nil where no valve is measured.
	Closed []bool
}

// BankResult holds the figures of a bank.
type BankResult struct {
	// Net is the chlorine in the containers, heel included, in kg.
	Net Value
	// Rate is the net withdrawal over the last hour in kg/s; a gain is negative.
	// With less than an hour of history, but 15 minutes, it is over that.
	Rate Value
	// RateQuarter is that over 15 minutes, RateDay that over 24 hours.
	RateQuarter, RateDay Value
	// Feed is what the feed signal takes from the bank, by the gain that was learnt, in
	// kg/s.
	Feed Value
	// Limit is what the containers that are not empty and not closed can give off, in
	// kg/s.
	Limit       Value
	LimitMethod LimitMethod
	// Ratio is rate over limit, at most MaxRatio.
	Ratio Value
	// TimeToEmpty is until the containers on duty are drawn to the heel, in seconds,
	// at most MaxTimeToEmpty, by the demand learnt over weeks. While less than a day
	// is known it is uncertain, learning, by the last hour's rate. While nothing is
	// drawn it is uncertain, a lower bound.
	TimeToEmpty Value
	// Draw is what the limit means.
	Draw Draw
	// Supply is how long the chlorine lasts otherwise.
	Supply Supply
	// Balance is what the books say.
	Balance Balance
	// Containers are in the order of the settings. They and Events are good until
	// the next step.
	Containers []ContainerResult
	// Events are what this step has understood.
	Events []Event
}

// ContainerResult holds the figures of one container.
type ContainerResult struct {
	// Net is the chlorine in it, in kg, Rate the withdrawal over the last hour in
	// kg/s, TimeToEmpty until it is drawn to the heel, in seconds, if it goes on giving
	// its part; for one that is not drawn it is uncertain, the time that it would last
	// alone.
	Net, Rate, TimeToEmpty Value
	// Drawn tells that the feed comes from it, Off that it is not on its scale,
	// Stuck that the scale's display stands still, TareWrong that the net weight is
	// more than it can hold, or less than none.
	Drawn, Off, Stuck, TareWrong bool
}

const (
	// MaxRatio is shown when chlorine is drawn where nothing can be given off.
	MaxRatio = 99
	// MaxTimeToEmpty is a year: what is drawn slower is not being drawn.
	MaxTimeToEmpty = 365 * secondsPerDay
	// overweight is the share of the nominal net weight above which the tare must
	// be wrong, and underweight that below nought at which it must (own choices).
	overweight, underweight = 1.15, -0.05
)

// Bank follows the containers of one header.
type Bank struct {
	settings   BankSettings
	containers []container
	inUse      []source // the containers that still hold chlorine to draw
	origin     time.Time
	minute     int // ended so far
	feed       feed
	duty       duty
	grouped    bool // there are several groups
	balance    balance
	books      Balance // of the last minute
	profile    profile
	forecast   forecast
	perFlow    float64 // kg of chlorine a m³ of water takes now
	jumped     bool    // in the minute that is open
	limited    Value
	rates      rates
	results    []ContainerResult
	events     []Event
}

// rates are those of the bank, made anew each minute.
type rates struct{ quarter, hour, day estimate }

type container struct {
	ContainerSettings
	source source
	count  float64
	scale  scale
	hour   estimate
	retare float64 // kg that the container on the scale is heavier than Tare
	net    float64 // kg, when last known
	drawn  bool
}

// NewBank makes a bank without history. It panics on a container kind that is
// neither in Kinds nor in the settings, which the settings' maker has to check.
func NewBank(s BankSettings) *Bank {
	b := &Bank{settings: s, feed: newFeed(s.FeedError, s.FeedGain), profile: newProfile(s.Zone, s.Works), containers: make([]container, len(s.Containers)), results: make([]ContainerResult, len(s.Containers))}
	for i, c := range s.Containers {
		k, err := s.kind(c.Kind)
		if err != nil {
			panic(err)
		}
		count := float64(max(1, c.Count))
		b.containers[i] = container{ContainerSettings: c, source: k.on(s.Header), count: count, hour: learning(), drawn: c.Group == s.Containers[0].Group}
		b.containers[i].scale.set(c, k, count, i, &b.events)
		b.grouped = b.grouped || c.Group != s.Containers[0].Group
	}
	b.rates = rates{learning(), learning(), learning()}
	b.books = b.balance.result(&b.feed, b.origin)
	b.forecast.each = make([]Value, len(s.Containers))
	b.forecast.key.minute = -1
	b.duty.shares = make([]float64, len(s.Containers))
	if len(s.Containers) > 0 {
		b.duty.group = s.Containers[0].Group
	}
	return b
}

// Step folds the readings in. A container whose scale is bad makes the bank's
// figures bad, since a sum without it would look like less, or like a rate that is
// not there.
func (b *Bank) Step(now time.Time, in Inputs) BankResult {
	if b.origin.IsZero() {
		b.origin = now
		for i := range b.containers {
			b.containers[i].scale.origin = now
		}
	}
	b.events = b.events[:0]
	t := now.Sub(b.origin).Seconds()
	b.balance.carry(t, &b.feed)
	for float64(b.minute+1)*60 <= t {
		b.minute++
		b.tick(float64(b.minute) * 60)
	}
	if !b.feed.known {
		b.balance.unknown = b.balance.series.now
	}
	known := b.feed.known
	if b.feed.read(t, in) {
		b.share(t, false)
	}
	var net float64
	var a amounts
	weighed, drawn := reading.GoodQuality(), reading.GoodQuality()
	b.inUse = b.inUse[:0]
	absent := 0
	for i := range b.containers {
		c := &b.containers[i]
		content, q := c.weigh(b.origin, in.Weights[i])
		c.scale.miss(t)
		b.results[i] = ContainerResult{Net: exact(content, q), Rate: c.hour.value(q), Drawn: c.drawn, Off: c.scale.off, Stuck: c.scale.still.stuck, TareWrong: c.tareWrong(content, in.Weights[i])}
		if c.scale.off && in.Weights[i].Checked().Quality.Usable() {
			absent++
			continue
		}
		weighed = reading.Worst(weighed, q)
		if !q.Usable() {
			continue
		}
		net += content
		left := max(0, content-float64(c.Heel)*c.count)
		a.standby += left
		if c.Group == b.duty.group {
			a.duty += left
			a.liquid += max(0, content-float64(c.source.GasLeft)*c.count)
		}
		a.sd = math.Hypot(a.sd, c.scale.uncertainty())
		closed := i < len(in.Closed) && in.Closed[i]
		if content > float64(c.Heel)*c.count && c.Group == b.duty.group && !closed {
			for range int(c.count) {
				b.inUse = append(b.inUse, c.source)
			}
		}
		drawn = reading.Worst(drawn, c.hour.quality)
	}
	switch {
	case absent > 0 && absent == len(b.containers):
		weighed = reading.BadBecause(reading.Inconsistent)
	case absent > 0:
		// A sum without the one that is off; a dead load cell looks the same.
		weighed = reading.Worst(weighed, reading.UncertainBecause(reading.Inconsistent))
	}
	var r BankResult
	r.Net = exact(net, weighed)
	r.Rate = b.rates.hour.value(reading.Worst(weighed, drawn))
	r.RateQuarter, r.RateDay = b.rates.quarter.value(weighed), b.rates.day.value(weighed)
	r.Feed = exact(0, reading.BadBecause(reading.Missing))
	if b.feed.known {
		r.Feed = exact(b.feed.drawn(), reading.GoodQuality())
	}
	r.Limit, r.LimitMethod = b.limit(weighed, in.Room)
	r.Ratio = b.ratio(r.Rate, r.Limit)
	r.Draw = b.draw(r.Rate, r.Limit, in.Room)
	a.stock = a.standby + float64(in.Stock)
	b.empties(now, a, weighed, &r, in.Stock > 0)
	b.limited = r.Limit
	if b.feed.known != known {
		b.books = b.balance.result(&b.feed, b.origin)
	}
	r.Balance = b.books
	r.Balance.LossHour, r.Balance.LossDay = r.Balance.LossHour.within(weighed), r.Balance.LossDay.within(weighed)
	r.Balance.Watched = reading.Worst(weighed, r.Balance.Watched)
	for i := range b.events {
		e := &b.events[i]
		if c := &b.containers[e.Container]; e.Kind != Switchover {
			e.From -= c.retare
			if e.Kind == Changed {
				c.retare = 0 // of the new one nothing is known yet
			}
			e.To -= c.retare
		}
		switch e.Kind {
		case Changed, PutBack, Removed, Step, Swapped, Relearnt:
			b.jumped = true
		}
	}
	r.Containers, r.Events = b.results, b.events
	return r
}

// tick ends a minute.
func (b *Bank) tick(t float64) {
	var r rates
	for i := range b.containers {
		c := &b.containers[i]
		c.scale.trust = b.trust(c)
		c.scale.tick(t)
		b.jumped = b.jumped || c.scale.anew
		c.scale.anew = false
		c.hour = c.scale.rate(hour)
		if c.scale.off {
			continue
		}
		quarterly, daily := c.scale.rate(quarter), c.scale.day()
		if r.hour.quality == (reading.Quality{}) {
			r = rates{quarterly, c.hour, daily}
			continue
		}
		r = rates{r.quarter.plus(quarterly), r.hour.plus(c.hour), r.day.plus(daily)}
	}
	b.rates = r
	if len(b.containers) > 1 {
		b.watchDuty(t)
	}
	b.foresee(t)
	b.balance.carry(t, &b.feed)
	b.balance.gather(b.containers, b.jumped)
	b.jumped = false
	lost := b.balance.leak.raised || b.balance.lost.raised
	b.balance.watch(t, &b.feed, b.limited.Value, b.limited.Quality.Usable() && number(b.limited.Value))
	open := lost != (b.balance.leak.raised || b.balance.lost.raised)
	if b.minute%slowEvery == 0 && b.balance.slowly(&b.feed) || open {
		b.share(t, open)
	}
	b.books = b.balance.result(&b.feed, b.origin)
}

// SetTare gives the empty weight of the container that stands at a place, by its
// index in the settings, until another one does. The rate does not feel it. A scale
// of net weight has none to set.
func (b *Bank) SetTare(i int, tare units.Kilograms) {
	if c := &b.containers[i]; c.Tare > 0 {
		c.retare = float64(tare - c.Tare)
		b.forecast.key.minute = -1
	}
}

// weigh judges one container's weight and gives it to the scale's memory.
func (c *container) weigh(origin time.Time, r reading.Reading) (float64, reading.Quality) {
	q := r.Checked().Quality
	if !q.Usable() {
		return 0, q
	}
	content := r.Value - float64(c.Tare)
	c.scale.add(r.Time.Sub(origin).Seconds(), content)
	switch {
	case c.scale.astray > 0 || c.scale.off:
		// A hoist, a hand on the container or a stray reading: not believed yet.
		q = reading.Worst(q, reading.UncertainBecause(reading.Inconsistent))
	case c.scale.still.stuck:
		q = reading.Worst(q, reading.UncertainBecause(reading.Frozen))
	}
	content -= c.retare
	switch share := content / c.scale.capacity; {
	case share < underweight:
		return content, reading.BadBecause(reading.Inconsistent)
	case share > overweight:
		q = reading.Worst(q, reading.UncertainBecause(reading.Inconsistent))
	}
	c.net = content
	return content, q
}

// tareWrong reports whether a net weight cannot be.
func (c *container) tareWrong(content float64, r reading.Reading) bool {
	share := content / c.scale.capacity
	return r.Checked().Quality.Usable() && !c.scale.off && c.scale.astray == 0 && (share < underweight || share > overweight)
}

// limit counts the containers that still hold chlorine to draw. When the room is
// measured but not known at present, the nominal limit may be too high for a cool
// room: it is uncertain.
func (b *Bank) limit(weighed reading.Quality, room *reading.Reading) (Value, LimitMethod) {
	if b.settings.Liquid {
		return exact(0, reading.BadBecause(NotEvaporated)), LiquidWithdrawal
	}
	if len(b.containers) == 0 || !weighed.Usable() {
		return exact(0, reading.Worst(weighed, reading.BadBecause(reading.Missing))), NominalLimit
	}
	var t *units.Celsius
	q := reading.GoodQuality()
	if c, ok := celsius(room); ok {
		t, q = &c, room.Quality
	} else if room != nil {
		q = reading.UncertainBecause(reading.Missing)
	}
	l, m := limit(b.inUse, t)
	return exact(float64(l), q), m
}

// ratio of rate to limit, not under nought, since a gain is no withdrawal;
// without a limit any sure withdrawal is over it.
func (b *Bank) ratio(rate, limit Value) Value {
	q := reading.Worst(rate.Quality, limit.Quality)
	if len(b.inUse) == 0 && q.Usable() {
		// Empty containers cannot be overdrawn. A weight that has fallen in the last
		// hour says that they were not empty then, or that the tare is wrong.
		if rate.Low > 0 {
			q = reading.Worst(q, reading.UncertainBecause(reading.Inconsistent))
		}
		return between(0, 0, 0, q)
	}
	share := func(v float64) float64 {
		switch {
		case limit.Value > 0:
			return min(max(0, v/limit.Value), MaxRatio)
		case rate.Low > 0:
			return MaxRatio
		default:
			return 0
		}
	}
	return between(share(rate.Value), share(rate.Low), share(rate.High), q)
}

// timeToEmpty needs no rate when nothing is left. While the scales cannot tell a
// withdrawal, it is the shortest time that they allow; with little history that
// would be so short as to cry wolf.
func timeToEmpty(usable float64, weighed reading.Quality, rate Value, settled bool) Value {
	at := func(r float64) float64 {
		if r <= usable/MaxTimeToEmpty {
			return MaxTimeToEmpty
		}
		return usable / r
	}
	switch {
	case weighed.Usable() && usable <= 0:
		return between(0, 0, 0, weighed)
	case rate.Quality.Usable() && rate.Low <= 0 && !settled:
		return exact(0, reading.BadBecause(reading.Learning))
	case rate.Quality.Usable() && rate.Low <= 0:
		low := at(rate.High)
		return between(low, low, MaxTimeToEmpty, reading.UncertainBecause(reading.NotDrawn))
	default:
		return between(at(rate.Value), at(rate.High), at(rate.Low), rate.Quality)
	}
}

func exact(v float64, q reading.Quality) Value { return between(v, math.NaN(), math.NaN(), q) }

func between(v, low, high float64, q reading.Quality) Value {
	if q.Usable() && !number(v) {
		q = reading.BadBecause(reading.Inconsistent)
	}
	if !q.Usable() {
		return Value{0, math.NaN(), math.NaN(), q}
	}
	return Value{v, low, high, q}
}

// within lowers a quality to that of what the figure was made from.
func (v Value) within(q reading.Quality) Value {
	return between(v.Value, v.Low, v.High, reading.Worst(q, v.Quality))
}

func number(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
