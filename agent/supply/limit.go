package supply

import (
	"fmt"

	"ebbwatch/agent/units"
)

// Kind is a kind of container.
type Kind struct {
	Name string
	// Net is the nominal content.
	Net units.Kilograms
	// Nominal is the customary limit of gas withdrawal at about 70 °F.
	Nominal units.KilogramsPerSecond
	// PerKelvin is what heat lets a container give off for each degree that the
	// room is warmer than its liquid, in kg/(s·K).
	PerKelvin float64
	// Header is the header pressure that goes with PerKelvin and Nominal.
	Header units.Pascals
	// GasLeft is what is still in it when the last liquid has boiled away at 70 °F.
	GasLeft units.Kilograms
}

func poundsPerDay(v float64) units.KilogramsPerSecond {
	return units.KilogramsPerSecond(units.MustParse("lb/d").SI(v))
}

func perKelvin(poundsPerDayFahrenheit float64) float64 {
	return units.MustParse("lb/d").SI(poundsPerDayFahrenheit) * 9 / 5
}

func kind(name string, netPounds, nominal, perFahrenheit, psig, gasPounds float64) Kind {
	return Kind{
		Name: name, Net: units.Kilograms(units.MustParse("lb").SI(netPounds)),
		Nominal: poundsPerDay(nominal), PerKelvin: perKelvin(perFahrenheit),
		Header: units.Pascals(units.MustParse("psig").SI(psig)), GasLeft: units.Kilograms(units.MustParse("lb").SI(gasPounds)),
	}
}

// Kinds lists the kinds of container. Nominal limits: common practice, no
// source. 8 and 1 lb/d for each °F: from memory. The header pressures are those
// at which both give the nominal limit at 70 °F (own arithmetic with the vapour
// pressure of Thol 2021). A 100-lb cylinder is given two thirds of a 150-lb
// one, as its content is (own choice, on the safe side of 40 lb/d). The gas left is own
// arithmetic with the vapour density of Thol 2021 and customary volumes.
func Kinds() []Kind {
	return []Kind{
		kind("ton", 2000, 400, 8, 28.0, 36),
		kind("cylinder-150", 150, 40, 1, 36.8, 2.7),
		kind("cylinder-100", 100, 40*2.0/3, 2.0/3, 36.8, 1.8),
	}
}

// KindByName finds a kind.
func KindByName(name string) (Kind, error) {
	for _, k := range Kinds() {
		if k.Name == name {
			return k, nil
		}
	}
	return Kind{}, fmt.Errorf("container kind %q is not ton, cylinder-150 or cylinder-100", name)
}

// LimitMethod names how a withdrawal limit was made.
type LimitMethod string

// The methods.
const (
	NominalLimit LimitMethod = "nominal"
	HeatBalance  LimitMethod = "heat-balance"
	// LiquidWithdrawal has no limit by evaporation in the container: that of the
	// evaporator holds instead, and of the container's valve.
	LiquidWithdrawal LimitMethod = "liquid"
)

// source is a container on a header. In the steady state its liquid is at the
// saturation temperature of the header pressure, the threshold.
type source struct {
	Kind
	threshold units.Celsius
}

// on puts a container on a header; a pressure of zero takes the kind's own.
func (k Kind) on(header units.Pascals) source {
	if header == 0 {
		header = k.Header
	}
	return source{k, SaturationTemperature(header)}
}

// heat is what the container gives off when the room warms it: linear in the
// room's temperature above the threshold, zero at and below it.
func (s source) heat(room units.Celsius) units.KilogramsPerSecond {
	return units.KilogramsPerSecond(s.PerKelvin * max(0, float64(room-s.threshold)))
}

// Limit is what containers on one header can give off as gas: the lower of the
// nominal limit and, when the room is measured, that of the heat balance. A header
// of zero takes the kind's own.
func Limit(containers []Kind, room *units.Celsius, header units.Pascals) (units.KilogramsPerSecond, LimitMethod) {
	sources := make([]source, len(containers))
	for i, k := range containers {
		sources[i] = k.on(header)
	}
	return limit(sources, room)
}

// LowestRoom is the room temperature at which the heat balance of containers on one
// header gives a rate, and false when no room does: the rate is over the nominal limit.
func LowestRoom(containers []Kind, rate units.KilogramsPerSecond, header units.Pascals) (units.Celsius, bool) {
	sources := make([]source, len(containers))
	for i, k := range containers {
		sources[i] = k.on(header)
	}
	t, ok := lowestRoom(sources, float64(rate))
	return units.Celsius(t), ok && len(sources) > 0
}

func limit(sources []source, room *units.Celsius) (units.KilogramsPerSecond, LimitMethod) {
	var nominal, heat units.KilogramsPerSecond
	for _, s := range sources {
		nominal += s.Nominal
		if room != nil {
			heat += s.heat(*room)
		}
	}
	if room != nil && heat < nominal {
		return heat, HeatBalance
	}
	return nominal, NominalLimit
}
