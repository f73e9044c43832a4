package contact

import (
	"math"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Method is how a required CT is read from the Giardia tables.
type Method string

// The methods. The conservative one is the default of a site.
const (
	// Table rounds to the strict side: temperature down, pH up, residual up.
	Table Method = "table"
	// Linear interpolates between the cells, as the footnote of the tables allows
	// for pH and temperature and guidance for the residual.
	Linear Method = "interpolate"
	// Regression is the equation that guidance prints beside the tables; it is
	// never under a cell of theirs, and a State has to accept it.
	Regression Method = "regression"
)

// regression is CT for 1 log: Smith, Clark, Pierce, Regli, An empirical model for
// interpolating C.t values for chlorine inactivation of Giardia lamblia, Aqua
// 44(5) 203-211, 1995 (coefficients from memory). It was made for the range of the
// tables; 12.5 degC belongs to the warmer branch.
func regression(c, t, ph float64) float64 {
	if t < 12.5 {
		return 0.353 * (12.006 + math.Exp(2.46-0.073*t+0.125*c+0.389*ph))
	}
	return 0.361 * (-2.261 + math.Exp(2.69-0.065*t+0.111*c+0.361*ph))
}

// within takes the end of a table's lines for a value outside them.
func within(lines []float64, v float64) float64 {
	return min(max(v, lines[0]), lines[len(lines)-1])
}

// edge forgives a value that misses a table line by the rounding of binary
// fractions only: 0.1 + 0.2 must not be rounded up to the next row.
const edge = 1e-9

// freezing is the temperature, in °C, under which water is none: a sensor fails,
// not by its error alone (own choice).
const freezing = -0.5

// RequiredGiardia returns the CT that free chlorine needs for a log inactivation
// of Giardia, log/3 of the 99.9 % tables. By their own titles the first table is
// for 0.5 °C or lower, the last for 25 °C and higher, the first row for 0.4 mg/L
// or less and the first column for pH 6 or less (from memory). A residual over
// 3.0 mg/L takes the last row and is uncertain, since the tables end there, and so
// is a temperature at which water is ice. Over pH 9 there is no value.
func RequiredGiardia(log float64, c units.MilligramsPerLitre, t units.Celsius, ph units.PH, m Method) (units.MilligramMinutesPerLitre, reading.Quality) {
	if !(log > 0) || !(c >= 0) || !number(float64(c), float64(t), float64(ph), log) || ph < 0 || ph > 14 {
		return 0, reading.BadBecause(reading.Inconsistent)
	}
	if float64(ph) > giardiaPHs[len(giardiaPHs)-1]+edge {
		return 0, reading.BadBecause(reading.OutsideTable)
	}
	q := reading.GoodQuality()
	if float64(c) > giardiaResiduals[len(giardiaResiduals)-1]+edge {
		q = reading.UncertainBecause(reading.OutsideTable)
	}
	if t < freezing {
		q = reading.UncertainBecause(reading.UnderRange)
	}
	if m == Regression {
		ct := regression(within(giardiaResiduals[:], float64(c)), within(giardiaTemperatures[:], float64(t)), within(giardiaPHs[:], float64(ph)))
		return units.MilligramMinutesPerLitre(ct * log), q
	}
	it, ft := locate(giardiaTemperatures[:], float64(t))
	ic, fc := locate(giardiaResiduals[:], float64(c))
	ip, fp := locate(giardiaPHs[:], float64(ph))
	if m != Linear {
		// Temperature down is the lower line; the others go up unless on a line.
		ft, fc, fp = 0, math.Ceil(fc), math.Ceil(fp)
	}
	var ct float64
	for k := range 8 {
		dt, dc, dp := k&1, k>>1&1, k>>2&1
		if w := weight(ft, dt) * weight(fc, dc) * weight(fp, dp); w > 0 {
			ct += w * giardia99_9[it+dt][ic+dc][ip+dp]
		}
	}
	return units.MilligramMinutesPerLitre(ct * log / 3), q
}

// RequiredVirus returns the CT that free chlorine needs for a log inactivation of
// viruses. The table has 2, 3 and 4 log; between them the next higher one
// counts, above 4 log the CT is log/4 of the 4-log value. Temperature is rounded
// down. Between pH 9 and 10 the value of pH 10 is taken and is uncertain; above
// pH 10 and under pH 6 the table is silent: above there is no value, under it the
// column of pH 6 to 9 serves and is uncertain, as is a temperature at which water
// is ice.
func RequiredVirus(log float64, t units.Celsius, ph units.PH) (units.MilligramMinutesPerLitre, reading.Quality) {
	if !(log > 0) || !number(float64(t), float64(ph), log) || ph < 0 || ph > 14 {
		return 0, reading.BadBecause(reading.Inconsistent)
	}
	if ph > 10+edge {
		return 0, reading.BadBecause(reading.OutsideTable)
	}
	q, column := reading.GoodQuality(), 0
	switch {
	case ph > 9+edge:
		q, column = reading.UncertainBecause(reading.OutsideTable), 1
	case ph < 6-edge:
		q = reading.UncertainBecause(reading.OutsideTable)
	}
	if column == 1 && ph >= 10-edge {
		q = reading.GoodQuality()
	}
	if t < freezing {
		q = reading.UncertainBecause(reading.UnderRange)
	}
	row, factor := 2, max(1, log/4)
	switch {
	case log <= 2:
		row = 0
	case log <= 3:
		row = 1
	}
	i, _ := locate(virusTemperatures[:], float64(t))
	return units.MilligramMinutesPerLitre(virusCT[column][row][i] * factor), q
}

// locate finds v among the lines of a table: the lower line and how far v lies
// towards the next, 0 to under 1. Outside it is the first or last line.
func locate(lines []float64, v float64) (int, float64) {
	last := len(lines) - 1
	if v <= lines[0]+edge {
		return 0, 0
	}
	for i := range last {
		if v < lines[i+1]-edge {
			if v <= lines[i]+edge {
				return i, 0
			}
			return i, (v - lines[i]) / (lines[i+1] - lines[i])
		}
	}
	return last, 0
}

func weight(f float64, upper int) float64 {
	if upper == 1 {
		return f
	}
	return 1 - f
}

func number(vs ...float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
