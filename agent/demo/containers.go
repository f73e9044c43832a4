package demo

import "math"

// Chlorine in its containers: liquid that boils as gas is drawn, cools by it, and
// takes heat from the room. Masses are in kg, temperatures in degrees Celsius,
// pressures in Pa absolute.

// saturationPressure of chlorine. Equation 101 with the coefficients of Perry's
// Chemical Engineers' Handbook, 8th ed., Table 2-8; valid from -101 to 144 degC.
func saturationPressure(t float64) float64 {
	k := t + 273.15
	return math.Exp(71.334 - 3855/k - 8.5171*math.Log(k) + 0.012378*k)
}

// saturatedVapour is the density of chlorine gas over its liquid, kg/m3: ideal
// gas with a compressibility fitted to the equation of state of Thol, Herrig,
// Span and Lemmon (AIChE Journal 2021) from -20 to 30 degC.
func saturatedVapour(t, pressure float64) float64 {
	const molar, gas = 0.070906, 8.314463
	return pressure * molar / ((0.935 - 0.0015*t) * gas * (t + 273.15))
}

// vaporisation is the heat that a kilogram takes to boil, J/kg: a line through
// the same equation of state from -20 to 30 degC.
func vaporisation(t float64) float64 { return 266.1e3 - 690*t }

// container is one ton container or cylinder.
type container struct {
	name          string
	kind          *containerKind
	net           float64 // chlorine in it
	temp          float64 // of liquid and wall
	drawn, boiled float64 // kg ever drawn; J ever taken by boiling
}

// containerKind is what containers of one size have in common.
type containerKind struct {
	volume float64 // m3
	steel  float64 // heat capacity of the wall, J/K
	ua     float64 // heat taken from the room, W/K
}

const (
	steelHeat  = 460.0 // J/(kg K), common handbook value, from memory
	liquidHeat = 950.0 // J/(kg K) of liquid chlorine, from memory
	waterAt60F = 999.0 // kg/m3
)

// A ton container holds 2,000 lb at a filling density of 125 % (49 CFR
// 173.314(c)), and takes up heat at the rate that lets it give 8 lb/d for each
// degree Fahrenheit (common practice, no source): 20.4 W/K.
func ton() *containerKind {
	return &containerKind{2000 * pound / 1.25 / waterAt60F, 1480 * pound * steelHeat, 20.4}
}

// A cylinder holds 150 lb at the same filling density (49 CFR 173.304a) and gives
// 1 lb/d for each degree Fahrenheit: 2.52 W/K.
func cylinder() *containerKind {
	return &containerKind{150 * pound / 1.25 / waterAt60F, 92 * pound * steelHeat, 2.52}
}

// pressure of the gas: that of saturation while there is liquid, and in
// proportion to what is left once it has gone.
func (c *container) pressure() float64 {
	p := saturationPressure(c.temp)
	return p * min(1, c.net/(saturatedVapour(c.temp, p)*c.kind.volume))
}

func (c *container) hasLiquid() bool {
	return c.net > saturatedVapour(c.temp, saturationPressure(c.temp))*c.kind.volume
}

// step draws flow kg/s for dt seconds in a room at temperature room, and returns
// the heat taken from the room in W.
func (c *container) step(dt, flow, room float64) float64 {
	heat := c.kind.ua * (room - c.temp)
	boiling := 0.0
	if c.hasLiquid() {
		boiling = flow * vaporisation(c.temp)
	}
	c.temp += (heat - boiling) * dt / (c.kind.steel + c.net*liquidHeat)
	c.net -= flow * dt
	c.drawn += flow * dt
	c.boiled += boiling * dt
	return heat
}

// bank is a set of containers open to one header.
type bank []*container

// header is the pressure in the header and the share that each container has in
// the flow: the more, the further its own pressure is above the atmosphere's.
// More than four containers are never on one header here.
func (b bank) header() (pressure float64, share [4]float64) {
	var total float64
	for i, c := range b {
		p := c.pressure()
		share[i] = max(p-atmosphere, 0)
		total += share[i]
		pressure += share[i] * p
	}
	if total == 0 {
		return atmosphere, share
	}
	for i := range b {
		share[i] /= total
	}
	return pressure / total, share
}

// step draws flow kg/s from the bank for dt seconds, and returns the heat it
// takes from the room in W.
func (b bank) step(dt, flow, room float64) float64 {
	_, share := b.header()
	var heat float64
	for i, c := range b {
		heat += c.step(dt, flow*share[i], room)
	}
	return heat
}

// limit is what the bank can give off without end, kg/s: the heat that the room
// gives to liquid at the lowest header pressure that the regulator accepts.
func (b bank) limit(room, lowest float64) float64 {
	var sum float64
	for _, c := range b {
		sum += c.kind.ua * max(room-lowest, 0) / vaporisation(lowest)
	}
	return sum
}

const (
	// The regulator passes the full flow down to 28 psig in the header, and less
	// in proportion below it; chlorine boils at -6.7 degC there.
	regulatorPressure    = atmosphere + 28*psi
	regulatorTemperature = -6.67
	// The switchover changes to the other bank when the header falls to 22 psig.
	switchPressure = atmosphere + 22*psi
)

// supply is the chlorine of the plant: a bank on line, and one to take over.
type supply struct {
	banks  [2]bank // north, south
	online int
}

// deliver draws what the chlorinator wants from the bank on line, or what the
// header's pressure can push, and changes banks when the pressure is gone.
// Gas that leaks from the header is drawn besides. Both are in kg/s. It returns
// the feed and the heat that all containers take from the room in W.
func (s *supply) deliver(dt, want, leak, room float64) (feed, heat float64) {
	p, _ := s.banks[s.online].header()
	if p < switchPressure {
		if other, _ := s.banks[1-s.online].header(); other >= regulatorPressure {
			s.online = 1 - s.online
			p = other
		}
	}
	feed = want * min(max((p-atmosphere)/(regulatorPressure-atmosphere), 0), 1)
	for i, b := range s.banks {
		flow := 0.0
		if i == s.online && p > atmosphere {
			flow = feed + leak
		}
		heat += b.step(dt, flow, room)
	}
	return feed, heat
}
