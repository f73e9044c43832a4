package field

import (
	"bytes"
	"math"
	"math/bits"

	"ebbwatch/agent/reading"
)

const (
	// underRange is how far below its range a detector's value may be, as a
	// part of the span, and still be drift around zero. Common practice, no
	// source.
	underRange = 0.05
	// rounding is the part of a range's limit by which a value at that limit
	// may lie outside it, because float32 and the scale round: 2^-24 is 6e-8.
	rounding = 1e-7
)

// The currents, in mA, that end the bands of NAMUR NE 43, by three secondary
// pages in agreement with each other; the recommendation itself was not read. A
// transmitter measures between the inner two and tells of its own failure from
// the outer two on. What lies between is disputed: other pages let measuring end
// at 4 and 20 mA. Here a value measured there is uncertain.
var ne43 = [4]float64{3.6, 3.8, 20.5, 21}

// Decode turns the part of a reply that holds p into a value in the SI unit of
// p's dimension and its quality. Data is the bytes of p's registers as they
// arrived, two for each; for a coil or discrete input one byte whose lowest bit
// is the state. The point must be one that New accepts.
//
// A value of two registers arrives as the bytes of ABCD in the order that
// p.Order spells, A the highest. One of four registers, ABCDEFGH, is ordered
// alike:
//
//	order   16 bits  32 bits  64 bits
//	ABCD    AB       ABCD     ABCDEFGH   high byte first
//	CDAB    AB       CDAB     GHEFCDAB   low register first
//	BADC    BA       BADC     BADCFEHG   bytes swapped in each register
//	DCBA    BA       DCBA     HGFEDCBA   low byte first
//
// Integers become the nearest float64: exact up to 2^53, beyond that within one
// part in 2^53. A float that is not finite, before or after scaling, is bad. So
// are BCD digits over 9, a value of p.NoReading, and a detector's float32 whose
// registers seem to have changed places. A text, of ABCD or BADC, is 1
// when it is as p.Expect has it, else 0, and bad when Text finds none.
//
// A value outside p.Range is bad, unless p.KeepOverRange: then one above is
// uncertain, and so is one at most 5 % of the span below. A value of a current
// loop is good from 3.8 to 20.5 mA, bad at 3.6 mA and under and at 21 mA and
// over, and uncertain between, or as p.Bands has it. What a bad value is has no
// meaning; out of range it is what the instrument sent.
func Decode(p Point, data []byte) (float64, reading.Quality) {
	raw, reason := p.raw(data)
	if reason != "" {
		return 0, reading.BadBecause(reason)
	}
	if p.saysNothing(raw) {
		return 0, reading.BadBecause(reading.NoReading)
	}
	// The conversion keeps the product apart from the sum, so that every
	// processor gives the same last bit.
	v := float64(raw*p.Scale) + p.Offset
	si := p.Unit.SI(v)
	if math.IsNaN(si) || math.IsInf(si, 0) {
		return 0, reading.BadBecause(reading.NotANumber)
	}
	if p.misordered(raw) {
		return 0, reading.BadBecause(reading.WordOrder)
	}
	if p.Current != nil {
		return si, p.judgeCurrent(raw)
	}
	return si, p.judge(v)
}

// raw is the number in the registers, or the reason for which there is none.
func (p Point) raw(data []byte) (raw float64, reason string) {
	if p.bits() {
		if len(data) != 1 {
			return 0, reading.WrongReply
		}
		return float64(data[0] & 1), ""
	}
	n := p.size()
	if n == 0 || len(data) != 2*n {
		return 0, reading.WrongReply
	}
	if p.Type == "text" {
		return p.judgeText(data)
	}
	lowFirst := p.Order == "CDAB" || p.Order == "DCBA"
	swapped := p.Order == "BADC" || p.Order == "DCBA"
	var u uint64
	for i := range data {
		if lowFirst {
			i = 2*(n-1-i/2) + i%2
		}
		if swapped {
			i ^= 1
		}
		u = u<<8 | uint64(data[i])
	}
	switch {
	case p.Bit != nil:
		return float64(u >> *p.Bit & 1), ""
	case p.Bits != nil:
		return float64(u >> p.Bits[0] & (1<<(p.Bits[1]-p.Bits[0]+1) - 1)), ""
	}
	switch p.Type {
	case "int16":
		return float64(int16(u)), ""
	case "int32":
		return float64(int32(u)), ""
	case "int64":
		return float64(int64(u)), ""
	case "float32":
		return float64(math.Float32frombits(uint32(u))), ""
	case "float64":
		return math.Float64frombits(u), ""
	case "bcd16", "bcd32":
		return bcd(u)
	default:
		return float64(u), ""
	}
}

// Text returns what a text point says: the printable characters of ISO 646 (ASCII)
// without the spaces and zero bytes behind them. Empty is also the text of any
// other point, and of data that Decode finds bad. Where the text is last,
// or one of p.Expect, that very string is returned, so that a text which stays as
// it is costs no memory.
func Text(p Point, data []byte, last string) string {
	if p.Type != "text" || len(data) != 2*p.size() {
		return ""
	}
	var room [2 * maxRegisters]byte
	text, ok := p.characters(data, room[:0])
	if !ok || string(text) == last {
		return last[:len(text)]
	}
	if i := p.expects(text); i >= 0 {
		return p.Expect[i]
	}
	return string(text)
}

// misordered reports whether a detector's float32 is next to nothing as it is, and
// within the range when its registers change places: gas that would read as clean
// air. Real zeros are zero, or move by more than this.
func (p Point) misordered(raw float64) bool {
	if p.Type != "float32" || !p.KeepOverRange || p.Range == nil || raw == 0 {
		return false
	}
	nothing := 1e-7 * (p.Range[1] - p.Range[0])
	other := float64(math.Float32frombits(bits.RotateLeft32(math.Float32bits(float32(raw)), 16)))
	v := float64(other*p.Scale) + p.Offset
	return math.Abs(raw*p.Scale) < nothing && v > 1e4*nothing && v <= p.Range[1]
}

// characters puts the text of data into room, unless some are not printable.
func (p Point) characters(data, room []byte) (text []byte, ok bool) {
	for i := range data {
		if p.Order == "BADC" {
			i ^= 1
		}
		room = append(room, data[i])
	}
	text = bytes.TrimRight(room, " \x00")
	for _, c := range text {
		if !printable(c) {
			return nil, false
		}
	}
	return text, true
}

func printable(c byte) bool { return ' ' <= c && c <= '~' }

// expects is the place of a text in p.Expect, or -1.
func (p Point) expects(text []byte) int {
	for i, e := range p.Expect {
		if string(text) == e {
			return i
		}
	}
	return -1
}

// judgeText is 1 for a text as it should be.
func (p Point) judgeText(data []byte) (raw float64, reason string) {
	var room [2 * maxRegisters]byte
	switch text, ok := p.characters(data, room[:0]); {
	case !ok:
		return 0, reading.InvalidCode
	case len(p.Expect) == 0 || p.expects(text) >= 0:
		return 1, ""
	}
	return 0, ""
}

// bcd is the number whose decimal digits have four bits each.
func bcd(u uint64) (v float64, reason string) {
	for weight := 1.0; u > 0; u, weight = u>>4, weight*10 {
		digit := u & 0xF
		if digit > 9 {
			return 0, reading.InvalidCode
		}
		v += float64(digit) * weight
	}
	return v, ""
}

// saysNothing reports whether raw is one of p.NoReading.
func (p Point) saysNothing(raw float64) bool {
	for _, none := range p.NoReading {
		if p.Type == "float32" {
			none = float64(float32(none)) // as it would arrive
		}
		if raw == none {
			return true
		}
	}
	return false
}

// judgeCurrent grades a value by the current of its loop.
func (p Point) judgeCurrent(raw float64) reading.Quality {
	bands := ne43
	if p.Bands != nil {
		bands = *p.Bands
	}
	slack := rounding * bands[3]
	mA := 4 + 16*(raw-p.Current[0])/(p.Current[1]-p.Current[0])
	high := mA > bands[2]+slack
	switch {
	case mA <= bands[0]+slack, mA >= bands[3]-slack:
		return reading.BadBecause(reading.SensorFailure)
	case !high && mA >= bands[1]-slack:
		return reading.GoodQuality()
	case high == (p.Scale > 0):
		return reading.UncertainBecause(reading.OverRange)
	default:
		return reading.UncertainBecause(reading.UnderRange)
	}
}

// judge grades a finite value in p.Unit by p.Range.
func (p Point) judge(v float64) reading.Quality {
	if p.Range == nil {
		return reading.GoodQuality()
	}
	low, high := p.Range[0], p.Range[1]
	slack := rounding * max(math.Abs(low), math.Abs(high))
	above, below := v > high+slack, v < low-slack
	switch {
	case above && p.KeepOverRange:
		return reading.UncertainBecause(reading.OverRange)
	case below && p.KeepOverRange && v >= low-underRange*(high-low)-slack:
		return reading.UncertainBecause(reading.UnderRange)
	case above || below:
		return reading.BadBecause(reading.OutOfRange)
	}
	return reading.GoodQuality()
}

// bits reports whether p is a single bit of its own table.
func (p Point) bits() bool { return p.Table == Coil || p.Table == DiscreteInput }

// size is how many addresses p takes in its table, 0 when its type is unknown.
func (p Point) size() int {
	switch p.Type {
	case "bit", "int16", "uint16", "bcd16":
		return 1
	case "int32", "uint32", "float32", "bcd32":
		return 2
	case "int64", "uint64", "float64":
		return 4
	case "text":
		return p.Registers
	}
	return 0
}
