package field

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"math"
	"slices"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Probe reads a line once in a while for the person who commissions it, without
// the pace and the rests of a Field. One goroutine may use it at a time.
type Probe struct{ w *worker }

// NewProbe checks how a line is reached and makes a probe for it, which opens
// the line when it first reads. The line's instruments do not matter.
func NewProbe(l Line) (*Probe, error) {
	l.Instruments = nil
	if err := check([]Line{l}); err != nil {
		return nil, err
	}
	return &Probe{newWorker(l, Options{Now: time.Now, Log: slog.New(slog.DiscardHandler)})}, nil
}

// Close closes the line.
func (p *Probe) Close() { p.w.link.close() }

// Request asks a unit for a run of addresses of one table.
type Request struct {
	Unit     byte
	Table    Table
	Address  uint16
	Quantity int
}

// Sample is what one request gave.
type Sample struct {
	// Data is the bytes as they arrived, two for each register. Of coils and
	// discrete inputs each has one byte, 0 or 1. It is nil after a failure.
	Data []byte
	// Value is in the SI unit of the point's dimension, and means nothing when
	// Quality is bad. Only a point has one.
	Value   float64
	Quality reading.Quality
	// Text is what a text point says.
	Text string
	// Took is the time from the request to the end of its reply or its failure.
	Took time.Duration
	// Err tells a person why there is no data and what to do.
	Err error
}

// Check tells why a line of a kind cannot carry a request: a unit, a table or an
// address that does not exist, or more than one reply can hold.
func (r Request) Check(k Kind) error {
	most := maxRegisters
	if r.Table == Coil || r.Table == DiscreteInput {
		most = maxBits
	}
	switch {
	case k != TCP && (r.Unit < 1 || r.Unit > 247):
		return fmt.Errorf("unit %d, expected 1 to 247 on a serial line", r.Unit)
	case !slices.Contains(tables, r.Table):
		return fmt.Errorf("table %q, expected one of %v", r.Table, tables)
	case r.Quantity < 1 || r.Quantity > most:
		return fmt.Errorf("%d addresses, expected 1 to %d of a %s in one request", r.Quantity, most, r.Table)
	case int(r.Address)+r.Quantity > 1<<16:
		return fmt.Errorf("addresses %d to %d, expected none over %d", r.Address, int(r.Address)+r.Quantity-1, 1<<16-1)
	}
	return nil
}

// Read makes one request. Name is the instrument's, for messages.
func (p *Probe) Read(ctx context.Context, name string, r Request) Sample {
	if err := r.Check(p.w.line.Kind); err != nil {
		return Sample{Quality: reading.BadBecause(reading.WrongReply), Err: err}
	}
	b := block{table: r.Table, address: r.Address, quantity: r.Quantity}
	began := time.Now()
	data, err := p.w.read(ctx, r.Unit, b)
	ended := time.Now()
	if p.w.link.sent.After(began) {
		began = p.w.link.sent
	}
	// What read returns is good until the next read; a sample is the caller's.
	sample := Sample{Data: bytes.Clone(data), Quality: reading.GoodQuality(), Took: ended.Sub(began)}
	switch {
	case ctx.Err() != nil:
		sample.Data, sample.Quality, sample.Err = nil, reading.BadBecause(reading.NotYetRead), ctx.Err()
	case err != nil:
		f := p.w.explain(&unit{Instrument: Instrument{Name: name, Unit: r.Unit}}, b, err)
		sample.Data, sample.Quality, sample.Err = nil, reading.BadBecause(f.reason), f
	case r.Table == Coil || r.Table == DiscreteInput:
		sample.Data = make([]byte, r.Quantity)
		for i := range sample.Data {
			sample.Data[i] = data[i/8] >> (i % 8) & 1
		}
	}
	return sample
}

// ReadPoint makes one request for a point of an instrument alone, and decodes
// the reply as a Field does. The point must be one that New accepts.
func (p *Probe) ReadPoint(ctx context.Context, in Instrument, pt Point) Sample {
	s := p.Read(ctx, in.Name, Request{in.Unit, pt.Table, pt.Address, pt.size()})
	if s.Err == nil {
		s.Value, s.Quality = Decode(pt, s.Data)
		s.Text = Text(pt, s.Data, "")
	}
	return s
}

// Decoding is one way to read a value out of registers.
type Decoding struct {
	Address     uint16
	Type, Order string
	Data        []byte // as it arrived
	Value       float64
	Text        string // of a text, which has no value
}

// The magnitudes between which a value other than 0 is plausible, and the fewest
// characters that are a plausible text. Common practice, no source.
const (
	leastPlausible = 1e-6
	mostPlausible  = 1e12
	shortestText   = 3
)

// numberTypes are the types of numbers, by size.
var numberTypes = []string{"uint16", "int16", "bcd16", "uint32", "int32", "float32", "bcd32", "uint64", "int64", "float64"}

// Decodings lists what the registers from an address on can mean: every type in
// every order at every address, where the value is finite and plausible, then
// every text as long as it goes. Signed integers stand there only where they are
// negative: elsewhere they equal the unsigned ones.
func Decodings(address uint16, data []byte) []Decoding {
	p := Point{Table: HoldingRegister, Scale: 1, Unit: units.MustParse("1")}
	var all []Decoding
	for at := 0; at+2 <= len(data); at += 2 {
		for _, p.Type = range numberTypes {
			end := at + 2*p.size()
			if end > len(data) {
				continue
			}
			for _, p.Order = range orders[1:] {
				if p.size() == 1 && (p.Order == "CDAB" || p.Order == "DCBA") {
					continue // as ABCD and BADC
				}
				v, q := Decode(p, data[at:end])
				size := math.Abs(v)
				if !q.Usable() || p.Type[0] == 'i' && v >= 0 || v != 0 && (size < leastPlausible || size > mostPlausible) {
					continue
				}
				all = append(all, Decoding{address + uint16(at/2), p.Type, p.Order, data[at:end], v, ""})
			}
		}
	}
	return append(append(all, texts("ABCD", address, data)...), texts("BADC", address, data)...)
}

// texts lists the runs of registers that are texts in an order, each as long as
// it goes: to a register that has a character and a zero, or to the last with two
// characters.
func texts(order string, address uint16, data []byte) (all []Decoding) {
	p := Point{Table: HoldingRegister, Type: "text", Order: order}
	for at := 0; at+2 <= len(data); at += 2 * max(1, p.Registers) {
		p.Registers = 0
		for end, more := at, true; more && end+2 <= len(data); end += 2 {
			first, second := data[end], data[end+1]
			if order == "BADC" {
				first, second = second, first
			}
			if !printable(first) || !printable(second) && second != 0 {
				break
			}
			p.Registers++
			more = second != 0
		}
		own := data[at : at+2*p.Registers]
		if text := Text(p, own, ""); len(text) >= shortestText {
			all = append(all, Decoding{address + uint16(at/2), p.Type, order, own, 0, text})
		}
	}
	return all
}
