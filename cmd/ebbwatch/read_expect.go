package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"ebbwatch/agent/units"
)

// expectation is where a value is expected to be.
type expectation struct {
	low, high float64
	unit      string // may be empty
}

func (e *expectation) String() string {
	return strings.TrimSpace(fmt.Sprintf("%.7g to %.7g %s", e.low, e.high, e.unit))
}

// inside lets a limit count that float32 has rounded.
func (e *expectation) inside(v float64) bool {
	slack := 1e-7 * max(math.Abs(e.low), math.Abs(e.high))
	return e.low-slack <= v && v <= e.high+slack
}

// The parts of one in which integers often count. Common practice, no source.
var factors = []float64{1, 0.1, 0.01, 0.001}

// fits reports whether a value of a type is inside when counted in parts. Only
// integers and decimal digits are.
func (e *expectation) fits(kind string, v, part float64) bool {
	return (part == 1 || !strings.HasPrefix(kind, "float")) && e.inside(v*part)
}

// factor is the first that brings a value of a type inside, or 0 when none does.
func (e *expectation) factor(kind string, v float64) float64 {
	for _, f := range factors {
		if e.fits(kind, v, f) {
			return f
		}
	}
	return 0
}

// parseExpect reads "0.1 mg/L to 4 mg/L", "0 to 10", or the one number on a
// display, which may be off by one in its last digit. An empty text is nil.
func parseExpect(s string) (*expectation, error) {
	if s == "" {
		return nil, nil
	}
	fault := fmt.Errorf(`--expect %q, expected two numbers, the lower first, such as "0.1 mg/L to 4 mg/L" or "0 to 10", or the number on the display, such as 1.23`, s)
	first, second, two := strings.Cut(s, " to ")
	low, unit, err := parseNumber(first)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", fault, err)
	}
	high, highUnit := low, unit
	if two {
		if high, highUnit, err = parseNumber(second); err != nil {
			return nil, fmt.Errorf("%w: %w", fault, err)
		}
		if !unit.IsZero() && unit.Dimension != highUnit.Dimension {
			return nil, fmt.Errorf("%w: %q and %q do not go together", fault, first, second)
		}
		if !unit.IsZero() {
			low = highUnit.FromSI(unit.SI(low))
		}
	} else {
		numeral := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), unit.Symbol))
		if strings.ContainsAny(numeral, "eExX_") {
			return nil, fault
		}
		_, decimals, _ := strings.Cut(numeral, ".")
		digit := math.Pow10(-len(decimals))
		low, high = low-digit, high+digit
	}
	if !(low < high) || math.IsInf(high-low, 0) {
		return nil, fault
	}
	return &expectation{low, high, highUnit.Symbol}, nil
}

// parseNumber reads a number with a unit or without.
func parseNumber(s string) (float64, units.Unit, error) {
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
		return v, units.Unit{}, nil
	}
	return units.ParseQuantity(s)
}
