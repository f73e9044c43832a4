package config

import (
	"fmt"
	"math"
	"strings"

	"go.yaml.in/yaml/v4"
)

// ne43 are the currents of a loop, in mA, that end its bands: NAMUR NE 43, as
// field.Decode describes. Up to the first and from the last a transmitter tells
// that it has failed.
var ne43 = [4]float64{3.6, 3.8, 20.5, 21}

// readScale reads what makes a value of registers: the keys bits, no_reading,
// and scale and offset or what stands in their place. Those that do not go with
// a single bit have been told of.
func (p *Point) readScale(b block, single bool) {
	b.get("scale").number(&p.Scale, func(f float64) bool { return f != 0 })
	b.get("offset").number(&p.Offset, func(float64) bool { return true })
	if single {
		return
	}
	p.readBits(b.get("bits"))
	p.readNoReading(b.get("no_reading"))
	p.readBands(b)

	raw, instead := "from", []string{"scale", "offset"}
	if b.has("current") {
		raw, instead = "current", []string{"scale", "offset", "from", "range", "bits"}
	}
	if !b.has(raw) && !b.has("to") {
		return
	}
	for _, name := range instead {
		if v := b.get(name); b.has(name) && b.has(raw) {
			v.fault(v.line, fmt.Sprintf("%s beside %s in %s", name, raw, b.path), "one of them")
		}
	}
	for _, name := range []string{raw, "to"} {
		if v := b.get(name); !b.has(name) {
			v.fault(b.line, fmt.Sprintf("no %s in %s", name, b.path), v.keys[v.key].Expects)
		}
	}
	var from, to *[2]float64
	fromRead := b.get(raw).pair(&from, ascending)
	toRead := b.get("to").pair(&to, func(a, b float64) bool { return a != b })
	if !fromRead || !toRead {
		return
	}
	scale := (to[1] - to[0]) / (from[1] - from[0])
	offset := to[0] - from[0]*scale
	if v := b.get("to"); scale == 0 || math.IsInf(scale, 0) || math.IsNaN(scale) || math.IsInf(offset, 0) || math.IsNaN(offset) {
		v.bad(show(v.node.Value))
		return
	}
	p.Scale, p.Offset = scale, offset
	if raw == "current" {
		p.Current = from
		p.Range = &[2]float64{min(to[0], to[1]), max(to[0], to[1])}
		p.seesFailure(b.get(raw))
	}
}

// seesFailure tells of a type that cannot hold the value of a failed loop: a
// broken wire would be taken for a measurement.
func (p *Point) seesFailure(v value) {
	bands := ne43
	if p.Bands != nil {
		bands = *p.Bands
	}
	low, high := p.limits()
	for _, mA := range []float64{bands[0], bands[3]} {
		if at := p.Current[0] + (mA-4)/16*(p.Current[1]-p.Current[0]); at < low || at > high {
			v.fault(v.line, fmt.Sprintf("%s of a %s for %s", show(v.node.Value), p.Type, v.path),
				fmt.Sprintf("a type that also holds %.6g, the value at %g mA, or a failed loop would be taken for a measurement; from in place of current, if the instrument tells of it otherwise", at, mA))
		}
	}
}

func (p *Point) readBands(b block) {
	v := b.get("bands")
	s, ok := v.scalar()
	if !ok {
		return
	}
	switch c := parseNumbers(s, ","); {
	case !b.has("current"):
		v.fault(v.line, "bands without current in "+b.path, v.keys[v.key].Expects)
	case len(c) != 4 || c[0] <= 0 || c[0] >= c[1] || c[1] > 4 || c[2] < 20 || c[2] >= c[3] || c[3] > 24:
		v.bad(show(s))
	default:
		p.Bands = (*[4]float64)(c)
	}
}

func (p *Point) readBits(v value) {
	var bits *[2]float64
	low, high := p.limits()
	width := math.Log2(high + 1)
	unsigned := low == 0 && !strings.HasPrefix(p.Type, "bcd")
	switch {
	case v.node == nil, p.Type == "":
	case !unsigned && v.node.Kind == yaml.ScalarNode:
		v.bad("bits of a " + p.Type)
	case v.pair(&bits, func(a, b float64) bool {
		return a >= 0 && a < b && b < width && a == math.Trunc(a) && b == math.Trunc(b)
	}):
		p.Bits = &[2]int{int(bits[0]), int(bits[1])}
	}
}

func (p *Point) readNoReading(v value) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	low, high := p.limits()
	values := parseNumbers(s, " or ")
	if values == nil {
		v.bad(show(s))
	}
	for _, f := range values {
		if f < low || f > high || f != math.Trunc(f) && !strings.HasPrefix(p.Type, "float") {
			what := p.Type
			if p.Bits != nil {
				what = "field of bits"
			}
			v.fault(v.line, fmt.Sprintf("%s, which a %s cannot be, for %s", show(s), what, v.path), v.keys[v.key].Expects)
			return
		}
	}
	p.NoReading = values
}

// limits are the least and the highest value before scaling. A type that is not
// known has none.
func (p *Point) limits() (low, high float64) {
	width := 16
	switch {
	case strings.HasSuffix(p.Type, "64"):
		width = 64
	case strings.HasSuffix(p.Type, "32"):
		width = 32
	}
	switch {
	case p.Bits != nil:
		return 0, math.Exp2(float64(p.Bits[1]-p.Bits[0]+1)) - 1
	case strings.HasPrefix(p.Type, "uint"):
		return 0, math.Exp2(float64(width)) - 1
	case strings.HasPrefix(p.Type, "int"):
		return -math.Exp2(float64(width - 1)), math.Exp2(float64(width-1)) - 1
	case strings.HasPrefix(p.Type, "bcd"):
		return 0, math.Pow10(width/4) - 1
	case p.Type == "float32":
		return -math.MaxFloat32, math.MaxFloat32
	default:
		return math.Inf(-1), math.Inf(1)
	}
}
