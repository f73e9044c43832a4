package demo

import (
	"math"
	"math/rand/v2"

	"ebbwatch/agent/units"
)

// Modbus unit numbers of the instruments, by line.
const (
	plantMeters, waterAnalysers               = 1, 2       // line-a
	northScales, southScales, chlorineRoomAir = 11, 12, 13 // line-b
	storageBayAir, wellScale, wellAir         = 21, 22, 23 // line-c
)

// The lines, in the order of the site file.
const (
	lineA = iota
	lineB
	lineC
	lines
)

var unitsOfLine = [lines][]byte{
	lineA: {plantMeters, waterAnalysers},
	lineB: {northScales, southScales, chlorineRoomAir},
	lineC: {storageBayAir, wellScale, wellAir},
}

// point is one value that an instrument measures, and how it comes to lie in the
// instrument's registers.
type point struct {
	name    string
	unit    byte
	holding bool // in holding registers, not input registers
	address int
	measure units.Unit
	// In the unit of measure: standard deviation of the noise, and the range at
	// whose ends the instrument stops.
	noise, low, high float64
	lag              float64 // time constant, s
	encode           encoding
	truth            func(*Truth) float64 // in SI units
}

// encoding turns a value into registers, in wire order.
type encoding func(v float64) []uint16

// float32ABCD and float32CDAB are IEEE 754 single precision, high or low word
// first.
func float32ABCD(v float64) []uint16 {
	b := math.Float32bits(float32(v))
	return []uint16{uint16(b >> 16), uint16(b)}
}

func float32CDAB(v float64) []uint16 {
	b := math.Float32bits(float32(v))
	return []uint16{uint16(b), uint16(b >> 16)}
}

// int32CDAB is a whole number, low word first.
func int32CDAB(v float64) []uint16 {
	b := uint32(int32(math.Round(v)))
	return []uint16{uint16(b), uint16(b >> 16)}
}

// scaled is a 16-bit number of steps.
func scaled(step float64) encoding {
	return func(v float64) []uint16 { return []uint16{uint16(int32(math.Round(v / step)))} }
}

// Electrochemical detectors reach 90 % of a step in 30 to 60 s (typical, from
// memory): a time constant of 45 s / ln 10.
var detectorLag = 45 / math.Ln10

// allPoints lists every measured value with its registers, as the site file has
// them.
func allPoints() []point {
	mgdUnit, ft, mgl, degC, degF := units.MustParse("MGD"), units.MustParse("ft"), units.MustParse("mg/L"), units.MustParse("degC"), units.MustParse("degF")
	residual := func(name string, address int, f func(*Truth) float64) point {
		return point{name, waterAnalysers, false, address, mgl, 0.01, 0, 5, 30, float32ABCD, f}
	}
	gas := func(name string, unit byte, address, detector int, e encoding) point {
		return point{name, unit, false, address, units.MustParse("ppm"), 0.012, 0, 10, detectorLag, e,
			func(t *Truth) float64 { return float64(t.Gas[detector]) }}
	}
	weight := func(unit byte, holding bool, address, container int, tare, noise float64, e encoding) point {
		return point{containerNames[container] + "-weight", unit, holding, address, units.MustParse("lb"), noise, -20, 6000, 5, e,
			func(t *Truth) float64 { return float64(t.Containers[container].Net) + tare*pound }}
	}
	// What the feeder of a bank says that it feeds.
	feed := func(bank string, address int) point {
		return point{bank + "-feed", plantMeters, false, address, units.MustParse("lb/d"), 0.5, 0, 1000, 5, float32ABCD, func(t *Truth) float64 {
			if t.Online != bank {
				return 0
			}
			return float64(t.Feed)
		}}
	}
	return []point{
		{"plant-flow", plantMeters, false, 0, mgdUnit, 0.01, 0, 8, 3, float32ABCD, func(t *Truth) float64 { return float64(t.Flow) }},
		{"clearwell-level", plantMeters, false, 2, ft, 0.01, 0, 14, 10, scaled(0.01), func(t *Truth) float64 { return float64(t.Level) }},
		feed("north", 3),
		feed("south", 5),
		residual("residual-in", 0, func(t *Truth) float64 { return float64(t.ResidualIn) }),
		residual("residual-out", 2, func(t *Truth) float64 { return float64(t.ResidualOut) }),
		residual("residual-entry", 4, func(t *Truth) float64 { return float64(t.ResidualEntry) }),
		{"ph-out", waterAnalysers, false, 6, units.MustParse("pH"), 0.005, 2, 12, 30, scaled(0.01), func(t *Truth) float64 { return float64(t.PH) }},
		{"temperature-out", waterAnalysers, false, 7, degC, 0.03, -5, 50, 60, scaled(0.1), func(t *Truth) float64 { return float64(t.Water) }},
		weight(northScales, true, 0, 0, 1480, 0.3, int32CDAB),
		weight(northScales, true, 2, 1, 1510, 0.3, int32CDAB),
		weight(southScales, true, 0, 2, 1495, 0.3, int32CDAB),
		weight(southScales, true, 2, 3, 1470, 0.3, int32CDAB),
		gas("gas-1-ppm", chlorineRoomAir, 0, 0, scaled(0.01)),
		gas("gas-2-ppm", chlorineRoomAir, 1, 1, scaled(0.01)),
		{"room-temperature", chlorineRoomAir, false, 2, degF, 0.1, -40, 140, 120, scaled(0.1), func(t *Truth) float64 { return float64(t.Room) }},
		gas("gas-3-ppm", storageBayAir, 0, 2, float32CDAB),
		weight(wellScale, false, 0, 4, 92, 0.15, scaled(0.5)),
		weight(wellScale, false, 1, 5, 94.5, 0.15, scaled(0.5)),
		gas("gas-4-ppm", wellAir, 0, 3, scaled(0.01)),
		{"wellhouse-temperature", wellAir, false, 1, degF, 0.1, -40, 140, 120, scaled(0.1), func(t *Truth) float64 { return float64(t.Wellhouse) }},
	}
}

var containerNames = [6]string{"north-1", "north-2", "south-1", "south-2", "wellhouse-1", "wellhouse-2"}

// instruments measure the truth with lag, noise and resolution. Their noise has a
// random stream of its own, so that it changes nothing in the plant.
type instruments struct {
	rng    *rand.Rand
	points []point
	lagged []float64 // SI
	shown  []float64 // in the point's unit
	online string
}

func newInstruments(seed uint64, t *Truth) *instruments {
	ins := &instruments{rng: rand.New(rand.NewPCG(seed, 2)), points: allPoints(), online: t.Online}
	ins.lagged = make([]float64, len(ins.points))
	ins.shown = make([]float64, len(ins.points))
	for i, p := range ins.points {
		ins.lagged[i] = p.truth(t)
		ins.shown[i] = p.measure.FromSI(ins.lagged[i])
	}
	return ins
}

// step follows the truth for stepSeconds. A frozen point keeps what it shows.
func (ins *instruments) step(t *Truth, frozen func(point string) bool) {
	ins.online = t.Online
	for i := range ins.points {
		p := &ins.points[i]
		ins.lagged[i] += (p.truth(t) - ins.lagged[i]) * min(1, stepSeconds/p.lag)
		v := p.measure.FromSI(ins.lagged[i]) + p.noise*ins.rng.NormFloat64()
		if !frozen(p.name) {
			ins.shown[i] = min(max(v, p.low), p.high)
		}
	}
}

// fill writes what the instruments show into the units of a line.
func (ins *instruments) fill(t *unitTable) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, p := range ins.points {
		im := t.images[p.unit]
		if im == nil {
			continue
		}
		table := im.inputs
		if p.holding {
			table = im.holdings
		}
		copy(table[p.address:], p.encode(ins.shown[i]))
	}
	// Contacts that the site file does not use: the bank on line at the scales,
	// the running fan as a coil of the room's panel.
	if im := t.images[northScales]; im != nil {
		im.discretes[0] = ins.online == "north"
	}
	if im := t.images[southScales]; im != nil {
		im.discretes[0] = ins.online == "south"
	}
	if im := t.images[chlorineRoomAir]; im != nil {
		im.coils[0] = true
	}
}
