// Package supply answers how much chlorine is left, how fast it goes, how fast
// it may go, and when it ends.
package supply

import (
	"math"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// ContainerSettings describe one container on one scale.
type ContainerSettings struct {
	Name string
	// Kind is a name of Kinds.
	Kind string
	// Tare is the stamped empty weight; zero when the scale shows net weight.
	Tare units.Kilograms
	// Heel is what cannot be drawn as gas.
	Heel units.Kilograms
	// Division is the smallest step that the scale shows.
	Division units.Kilograms
}

// BankSettings describe containers on one header, drawn together as gas.
type BankSettings struct {
	Containers []ContainerSettings
	// Header is the lowest absolute pressure that the regulator needs; zero takes
	// the one of the container kind.
	Header units.Pascals
}

// Value is one figure of a bank in SI units. Low and High bound it with 90 %
// probability; they are NaN when there is no interval.
type Value struct {
	Value, Low, High float64
	Quality          reading.Quality
}

// BankResult holds the figures of a bank.
type BankResult struct {
	// Net is the chlorine in the containers, heel included, in kg.
	Net Value
	// Rate is the net withdrawal in kg/s; a gain is negative.
	Rate Value
	// Limit is what the containers that are not empty can give off, in kg/s.
	Limit       Value
	LimitMethod LimitMethod
	// Ratio is rate over limit, at most MaxRatio.
	Ratio Value
	// TimeToEmpty is what can be drawn over the rate, in seconds, at most
	// MaxTimeToEmpty. While nothing is drawn it is uncertain, a lower bound.
	TimeToEmpty Value
}

const (
	// MaxRatio is shown when chlorine is drawn where nothing can be given off.
	MaxRatio = 99
	// MaxTimeToEmpty is a year: what is drawn slower is not being drawn.
	MaxTimeToEmpty = 365 * 24 * 3600.0
	// overweight is the share of the nominal net weight above which the tare must
	// be wrong, and underweight that below nought at which it must (own choices).
	overweight, underweight = 1.15, -0.05
)

// Bank follows the containers of one header.
type Bank struct {
	containers []container
	inUse      []source // the containers that still hold chlorine to draw
}

type container struct {
	ContainerSettings
	source source
	scale  scale
}

// NewBank makes a bank without history. It panics on a container kind that is
// not in Kinds, which the settings' maker has to check.
func NewBank(s BankSettings) *Bank {
	b := &Bank{}
	for _, c := range s.Containers {
		k, err := KindByName(c.Kind)
		if err != nil {
			panic(err)
		}
		b.containers = append(b.containers, container{c, k.on(s.Header), newScale(c.Division)})
	}
	return b
}

// Step folds the scales' readings in, one for each container in the order of the
// settings, in kg; a reading that was folded in before is not taken twice. Room is
// the room's temperature, nil when it is not measured. A container whose scale is
// bad makes the bank's figures bad, since a sum without it would look like less,
// or like a rate that is not there.
func (b *Bank) Step(weights []reading.Reading, room *reading.Reading) BankResult {
	var net, usable, rate, variance float64
	weighed, drawn := reading.GoodQuality(), reading.GoodQuality()
	b.inUse = b.inUse[:0]
	settled := true
	for i := range b.containers {
		c := &b.containers[i]
		content, q := c.weigh(weights[i])
		weighed = reading.Worst(weighed, q)
		if !q.Usable() {
			continue
		}
		net += content
		usable += max(0, content-float64(c.Heel))
		if content > float64(c.Heel) {
			b.inUse = append(b.inUse, c.source)
		}
		e := c.scale.withdrawal()
		drawn = reading.Worst(drawn, e.quality)
		settled = settled && e.settled
		rate += e.rate
		variance += e.sd * e.sd
	}
	var r BankResult
	r.Net = exact(net, weighed)
	half := ninetyPercent * math.Sqrt(variance)
	r.Rate = between(rate, rate-half, rate+half, reading.Worst(weighed, drawn))
	r.Limit, r.LimitMethod = b.limit(weighed, room)
	r.Ratio = ratio(r.Rate, r.Limit)
	r.TimeToEmpty = timeToEmpty(usable, weighed, r.Rate, settled)
	return r
}

// weigh judges one container's weight and gives it to the scale's memory.
func (c *container) weigh(r reading.Reading) (float64, reading.Quality) {
	q := r.Checked().Quality
	if !q.Usable() {
		return 0, q
	}
	content := r.Value - float64(c.Tare)
	c.scale.add(r.Time, content)
	if c.scale.aside.n > 0 {
		// A hoist, a hand on the container or a stray reading: not believed yet.
		q = reading.Worst(q, reading.UncertainBecause(reading.Inconsistent))
	}
	switch share := content / float64(c.source.Net); {
	case share < underweight:
		return 0, reading.BadBecause(reading.Inconsistent)
	case share > overweight:
		q = reading.Worst(q, reading.UncertainBecause(reading.Inconsistent))
	}
	return content, q
}

// limit counts the containers that still hold chlorine to draw. When the room is
// measured but not known at present, the nominal limit may be too high for a cool
// room: it is uncertain.
func (b *Bank) limit(weighed reading.Quality, room *reading.Reading) (Value, LimitMethod) {
	if len(b.containers) == 0 || !weighed.Usable() {
		return exact(0, reading.Worst(weighed, reading.BadBecause(reading.Missing))), NominalLimit
	}
	var t *units.Celsius
	q := reading.GoodQuality()
	switch {
	case room != nil && room.Checked().Quality.Usable():
		c := units.Celsius(room.Value)
		t, q = &c, room.Quality
	case room != nil:
		q = reading.UncertainBecause(reading.Missing)
	}
	l, m := limit(b.inUse, t)
	return exact(float64(l), q), m
}

// ratio of rate to limit, not under nought, since a gain is no withdrawal;
// without a limit any sure withdrawal is over it.
func ratio(rate, limit Value) Value {
	q := reading.Worst(rate.Quality, limit.Quality)
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

func number(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
