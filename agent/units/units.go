// Package units names the physical quantities that cross packages and converts
// between the units people write and the SI units used inside.
//
// Inside ebbwatch every value is in the unit of its type's name. A Unit turns a
// number written in a site file ("150000 gal") into that SI value and back.
// Conversion factors are exact by definition unless their comment says otherwise.
package units

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"
)

type (
	// Kilograms is a mass.
	Kilograms float64
	// KilogramsPerSecond is a mass flow.
	KilogramsPerSecond float64
	// CubicMetres is a volume.
	CubicMetres float64
	// CubicMetresPerSecond is a volume flow.
	CubicMetresPerSecond float64
	// Metres is a length, such as a level.
	Metres float64
	// Celsius is a temperature in degrees Celsius.
	Celsius float64
	// Pascals is an absolute pressure.
	Pascals float64
	// MilligramsPerLitre is a concentration in water, of chlorine as Cl2.
	MilligramsPerLitre float64
	// PartsPerMillion is a concentration of gas in air, by volume.
	PartsPerMillion float64
	// PH is acidity on the pH scale.
	PH float64
	// MilligramMinutesPerLitre is CT: concentration times contact time.
	MilligramMinutesPerLitre float64
)

// Dimension is the kind of quantity a unit measures. Two units convert into
// each other only when their dimensions are equal.
type Dimension string

// The dimensions that a site file can use.
const (
	Mass          Dimension = "mass"
	MassFlow      Dimension = "mass flow"
	Volume        Dimension = "volume"
	Flow          Dimension = "flow"
	Length        Dimension = "length"
	Temperature   Dimension = "temperature"
	Pressure      Dimension = "pressure"
	Concentration Dimension = "concentration in water"
	GasInAir      Dimension = "gas in air"
	GasRise       Dimension = "rise of gas in air"
	Acidity       Dimension = "pH"
	Ratio         Dimension = "ratio"
	Contact       Dimension = "CT"
	Time          Dimension = "time"
	Current       Dimension = "current"
)

// Unit is a unit of measure as people write it. SI = value*factor + offset.
// The zero Unit is not valid.
type Unit struct {
	Symbol    string
	Dimension Dimension
	factor    float64
	offset    float64
}

const (
	poundKilograms  = 0.45359237        // exact, international avoirdupois pound
	gallonCubicM    = 0.003785411784    // exact, US liquid gallon of 231 cubic inches
	footMetres      = 0.3048            // exact
	psiPascals      = 6894.757293168361 // lbf/in2 from the exact pound, foot and standard gravity
	atmPascals      = 101325            // standard atmosphere, the zero of the gauge units
	secondsPerDay   = 86400
	fahrenheitSlope = 5.0 / 9
)

var all = []Unit{
	{"kg", Mass, 1, 0},
	{"g", Mass, 1e-3, 0},
	{"lb", Mass, poundKilograms, 0},
	{"kg/s", MassFlow, 1, 0},
	{"kg/d", MassFlow, 1.0 / secondsPerDay, 0},
	{"kg/h", MassFlow, 1.0 / 3600, 0},
	{"g/h", MassFlow, 1e-3 / 3600, 0},
	{"lb/d", MassFlow, poundKilograms / secondsPerDay, 0},
	{"lb/h", MassFlow, poundKilograms / 3600, 0},
	{"m3", Volume, 1, 0},
	{"L", Volume, 1e-3, 0},
	{"gal", Volume, gallonCubicM, 0},
	{"ft3", Volume, footMetres * footMetres * footMetres, 0},
	{"m3/s", Flow, 1, 0},
	{"m3/h", Flow, 1.0 / 3600, 0},
	{"m3/d", Flow, 1.0 / secondsPerDay, 0},
	{"L/s", Flow, 1e-3, 0},
	{"gpm", Flow, gallonCubicM / 60, 0},
	{"MGD", Flow, 1e6 * gallonCubicM / secondsPerDay, 0},
	{"m", Length, 1, 0},
	{"ft", Length, footMetres, 0},
	{"in", Length, footMetres / 12, 0},
	{"degC", Temperature, 1, 0},
	{"degF", Temperature, fahrenheitSlope, -32 * fahrenheitSlope},
	{"Pa", Pressure, 1, 0},
	{"kPa", Pressure, 1e3, 0},
	{"bar", Pressure, 1e5, 0},
	{"psia", Pressure, psiPascals, 0},
	{"psig", Pressure, psiPascals, atmPascals},
	{"mg/L", Concentration, 1, 0},
	{"ppm", GasInAir, 1, 0},
	{"ppm/min", GasRise, 1.0 / 60, 0},
	{"pH", Acidity, 1, 0},
	{"1", Ratio, 1, 0},
	{"%", Ratio, 0.01, 0},
	{"mg.min/L", Contact, 1, 0},
	{"s", Time, 1, 0},
	{"min", Time, 60, 0},
	{"h", Time, 3600, 0},
	{"d", Time, secondsPerDay, 0},
	{"mA", Current, 1e-3, 0},
}

var bySymbol = func() map[string]Unit {
	m := make(map[string]Unit, len(all))
	for _, u := range all {
		m[u.Symbol] = u
	}
	return m
}()

// Parse finds a unit by its symbol. Symbols are case sensitive, as in the SI.
func Parse(symbol string) (Unit, error) {
	u, ok := bySymbol[symbol]
	if !ok {
		return Unit{}, fmt.Errorf("unknown unit %q", symbol)
	}
	return u, nil
}

// MustParse is Parse for symbols written in the source; it panics when the
// symbol is unknown.
func MustParse(symbol string) Unit {
	u, err := Parse(symbol)
	if err != nil {
		panic(err)
	}
	return u
}

// Symbols lists the symbols of one dimension, for messages.
func Symbols(d Dimension) []string {
	var s []string
	for _, u := range all {
		if u.Dimension == d {
			s = append(s, u.Symbol)
		}
	}
	return s
}

// Dimensions lists every dimension that has a unit, sorted.
func Dimensions() []Dimension {
	seen := map[Dimension]bool{}
	var ds []Dimension
	for _, u := range all {
		if !seen[u.Dimension] {
			seen[u.Dimension] = true
			ds = append(ds, u.Dimension)
		}
	}
	sort.Slice(ds, func(i, j int) bool { return ds[i] < ds[j] })
	return ds
}

// SI converts a value in u to the SI unit of its dimension.
func (u Unit) SI(v float64) float64 { return v*u.factor + u.offset }

// FromSI converts an SI value to u.
func (u Unit) FromSI(si float64) float64 { return (si - u.offset) / u.factor }

// Exactly converts an SI value to a number in u that SI turns into the very same
// value. There is one for every value that SI gave; else it is that of FromSI.
func (u Unit) Exactly(si float64) float64 {
	v := u.FromSI(si)
	up, down := v, v
	// The division and the offset lose a few units in the last place at most.
	for range 64 {
		if u.SI(up) == si {
			return up
		}
		if u.SI(down) == si {
			return down
		}
		up, down = math.Nextafter(up, math.Inf(1)), math.Nextafter(down, math.Inf(-1))
	}
	return v
}

// SpanSI converts a difference (a deadband, a division), where an offset such
// as that of the Fahrenheit scale has no place.
func (u Unit) SpanSI(v float64) float64 { return v * u.factor }

// SpanFromSI is the inverse of SpanSI.
func (u Unit) SpanFromSI(si float64) float64 { return si / u.factor }

// IsZero reports whether u is the zero Unit.
func (u Unit) IsZero() bool { return u.Symbol == "" }

func (u Unit) String() string { return u.Symbol }

// ParseQuantity reads a number with its unit as people write it, "150000 gal"
// or "0.5mg/L", and returns the number as written and its unit.
// The number must be finite.
func ParseQuantity(s string) (float64, Unit, error) {
	s = strings.TrimSpace(s)
	i := len(s)
	for j, r := range s {
		if !strings.ContainsRune("+-.0123456789eE_", r) {
			i = j
			break
		}
		// An e that opens no exponent belongs to the unit.
		if (r == 'e' || r == 'E') && (j+1 >= len(s) || !strings.ContainsRune("+-0123456789", rune(s[j+1]))) {
			i = j
			break
		}
	}
	num, sym := s[:i], strings.TrimSpace(s[i:])
	v, err := strconv.ParseFloat(num, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, Unit{}, fmt.Errorf("%q does not start with a number", s)
	}
	if sym == "" {
		return 0, Unit{}, fmt.Errorf("%q has no unit", s)
	}
	u, err := Parse(sym)
	if err != nil {
		return 0, Unit{}, fmt.Errorf("%q: %w", s, err)
	}
	return v, u, nil
}
