package demo

import (
	"math"
	"math/rand/v2"
	"time"

	"ebbwatch/agent/units"
)

// SI values of the units in which the plant is described.
const (
	pound      = 0.45359237
	gallon     = 0.003785411784
	foot       = 0.3048
	psi        = 6894.757293168361
	atmosphere = 101325.0
	day        = 86400.0
	mgd        = 1e6 * gallon / day
)

// stepSeconds is the fixed step of the simulation.
const stepSeconds = 1.0

// plant is the whole physical plant. It is a function of its seed and the number
// of its steps, and knows nothing of instruments.
type plant struct {
	rng     *rand.Rand
	seconds float64

	demandNoise, rawNoise, acidity, warmth wander

	melt, raw       float64 // share of meltwater, fast demand in mg/L
	inflow, outflow float64
	feed            float64 // g/s into the water
	water           water
	chlorinator     chlorinator
	supply          supply
	room, wellRoom  room
	gas             gasRoom
	leak            float64 // kg/s
	well            bank
}

// wander is a value that drifts about zero and comes back: a first-order
// autoregressive noise with a standard deviation and a time constant.
type wander struct{ value, keep, kick float64 }

func newWander(sd, seconds float64) wander {
	keep := math.Exp(-stepSeconds / seconds)
	return wander{keep: keep, kick: sd * math.Sqrt(1-keep*keep)}
}

func (w *wander) step(rng *rand.Rand) float64 {
	w.value = w.keep*w.value + w.kick*rng.NormFloat64()
	return w.value
}

func newPlant(seed uint64) *plant {
	rng := rand.New(rand.NewPCG(seed, 1))
	t, c := ton(), cylinder()
	some := func() float64 { return rng.Float64() * 2 * pound }
	p := &plant{
		rng:         rng,
		demandNoise: newWander(0.012, 1200),
		rawNoise:    newWander(0.03, 1800),
		acidity:     newWander(0.04, 2*3600),
		warmth:      newWander(0.25, 6*3600),
		water:       newWater(11.7*foot, residualTarget-0.1),
		chlorinator: chlorinator{analyser: residualTarget, integral: residualTarget + fastDemand(0)},
		room:        chlorineRoom(),
		wellRoom:    wellhouse(),
		supply: supply{banks: [2]bank{
			{{name: "north-1", kind: t, net: 78*pound + some(), temp: 7.5}, {name: "north-2", kind: t, net: 82*pound + some(), temp: 7.5}},
			{{name: "south-1", kind: t, net: 1990*pound + some(), temp: 9.5}, {name: "south-2", kind: t, net: 1984*pound + some(), temp: 9.5}},
		}},
		// One cylinder of the wellhouse is on duty, the other stands by, shut.
		well: bank{{name: "wellhouse-1", kind: c, net: 96*pound + some(), temp: 12.5}, {name: "wellhouse-2", kind: c, net: 149 * pound, temp: 13}},
	}
	p.flows()
	p.feed = p.chlorinator.integral * p.inflow
	return p
}

// flows sets what the time of day and the level ask for.
func (p *plant) flows() {
	h := hours(p.seconds)
	p.melt = meltwater(h)
	p.raw = fastDemand(p.melt) * (1 + p.rawNoise.value)
	p.outflow = demand(h) * (1 + p.demandNoise.value)
	p.inflow = production(p.water.level())
	p.leak = leaking(h)
}

// step advances the plant by stepSeconds.
func (p *plant) step() {
	const dt = stepSeconds
	p.demandNoise.step(p.rng)
	p.rawNoise.step(p.rng)
	p.acidity.step(p.rng)
	p.warmth.step(p.rng)
	p.flows()

	want := p.chlorinator.request(dt, p.inflow, p.water.residualIn())
	feed, taken := p.supply.deliver(dt, want/1e3, p.leak, p.room.temp)
	p.feed = feed * 1e3
	p.water.step(dt, p.inflow, p.outflow, p.feed, p.raw, decayRate(p.temperature(), p.melt))
	p.gas.step(dt, p.leak*1e3)

	h := hours(p.seconds)
	p.room.step(dt, outside(h), taken)
	draw := 0.0
	if wellRuns(h) && p.well[0].pressure() > atmosphere {
		draw = wellFeed
	}
	taken = p.well[0].step(dt, draw, p.wellRoom.temp) + p.well[1].step(dt, 0, p.wellRoom.temp)
	p.wellRoom.step(dt, outside(h), taken)
	p.seconds += dt
}

func (p *plant) temperature() float64 { return 9 + p.warmth.value }

func (p *plant) dose() float64 { return p.feed / p.inflow }

// pH falls a little with the dose, since chlorine gas makes acid in water. The
// slope is an assumption, no source.
func (p *plant) pH() float64 { return 7.42 + p.acidity.value - 0.015*p.dose() }

// Container is the true state of one container.
type Container struct {
	Name        string
	Net         units.Kilograms
	Temperature units.Celsius
	Pressure    units.Pascals
}

// Truth is the true state of the simulated plant at one time, for tests: what
// perfect instruments would show.
type Truth struct {
	// Elapsed is the simulated time since the start, in whole steps.
	Elapsed time.Duration
	// Flow leaves the clearwell, Inflow enters it.
	Flow, Inflow                           units.CubicMetresPerSecond
	Level                                  units.Metres
	Dose, Demand                           units.MilligramsPerLitre
	ResidualIn, ResidualOut, ResidualEntry units.MilligramsPerLitre
	PH                                     units.PH
	Water, Room, Wellhouse                 units.Celsius
	// Feed is the chlorine that goes into the water; Limit is what the bank on
	// line can give off without end in the present room.
	Feed, Limit units.KilogramsPerSecond
	// Online is the bank on line: north or south.
	Online string
	// Gas is what hangs in the air at gas-1 to gas-4.
	Gas  [4]units.PartsPerMillion
	Leak units.KilogramsPerSecond
	// North 1 and 2, south 1 and 2, wellhouse 1 and 2.
	Containers [6]Container
}

// Ratio is the share of the limit that is drawn from the bank on line.
func (t *Truth) Ratio() float64 { return float64(t.Feed / t.Limit) }

// TimeToEmpty is how long the bank on line lasts at the present feed, down to a
// heel in each container; zero when the heel is reached.
func (t *Truth) TimeToEmpty(heel units.Kilograms) time.Duration {
	first := 0
	if t.Online == "south" {
		first = 2
	}
	var usable units.Kilograms
	for _, c := range t.Containers[first : first+2] {
		usable += max(c.Net-heel, 0)
	}
	if t.Feed <= 0 {
		return math.MaxInt64
	}
	// Capped at ten years, far inside what a Duration can hold.
	return time.Duration(min(float64(usable)/float64(t.Feed), 10*365*day) * float64(time.Second))
}

// truth reads the plant's state.
func (p *plant) truth() Truth {
	near, far := p.gas.ppm()
	t := Truth{
		Elapsed: time.Duration(p.seconds * float64(time.Second)),
		Flow:    units.CubicMetresPerSecond(p.outflow), Inflow: units.CubicMetresPerSecond(p.inflow),
		Level:         units.Metres(p.water.level()),
		Dose:          units.MilligramsPerLitre(p.dose()),
		Demand:        units.MilligramsPerLitre(p.raw),
		ResidualIn:    units.MilligramsPerLitre(p.water.residualIn()),
		ResidualOut:   units.MilligramsPerLitre(p.water.residualOut()),
		ResidualEntry: units.MilligramsPerLitre(p.water.residualEntry()),
		PH:            units.PH(p.pH()),
		Water:         units.Celsius(p.temperature()), Room: units.Celsius(p.room.temp), Wellhouse: units.Celsius(p.wellRoom.temp),
		Feed:   units.KilogramsPerSecond(p.feed / 1e3),
		Limit:  units.KilogramsPerSecond(p.supply.banks[p.supply.online].limit(p.room.temp, regulatorTemperature)),
		Online: [2]string{"north", "south"}[p.supply.online],
		Gas:    [4]units.PartsPerMillion{units.PartsPerMillion(near), units.PartsPerMillion(far)},
		Leak:   units.KilogramsPerSecond(p.leak),
	}
	i := 0
	for _, b := range [3]bank{p.supply.banks[0], p.supply.banks[1], p.well} {
		for _, c := range b {
			t.Containers[i] = Container{c.name, units.Kilograms(c.net), units.Celsius(c.temp), units.Pascals(c.pressure())}
			i++
		}
	}
	return t
}
