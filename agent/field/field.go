// Package field reads instruments over Modbus lines and hands on what they
// said, each value with its quality and time.
//
// It only reads: function codes 1 to 4, and the transport refuses every other.
// One goroutine owns a line. A transaction has one deadline from the first byte
// sent to the last received, and a reply counts only when its unit, function,
// byte count and, on TCP, transaction fit the request. An instrument that
// cannot be read gives bad readings at its usual pace, never silence.
package field

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Kind is how Modbus frames travel on a line.
type Kind string

// The kinds of line.
const (
	TCP        Kind = "tcp"          // Modbus TCP
	RTU        Kind = "rtu"          // RTU on a serial device
	RTUOverTCP Kind = "rtu-over-tcp" // RTU frames through a serial server
)

// Table is one of the four Modbus tables.
type Table string

// The four tables of the Modbus specification.
const (
	Coil            Table = "coil"
	DiscreteInput   Table = "discrete-input"
	HoldingRegister Table = "holding-register"
	InputRegister   Table = "input-register"
)

// Line is a way to reach instruments.
type Line struct {
	Name string
	Kind Kind
	// Address is host:port, for TCP and RTUOverTCP.
	Address string
	// Device is the serial device, for RTU, with Baud, Parity (none, even or
	// odd) and StopBits (1 or 2).
	Device   string
	Baud     int
	Parity   string
	StopBits int
	// Timeout bounds one whole transaction.
	Timeout     time.Duration
	Instruments []Instrument
}

// Instrument is one Modbus unit on a line.
type Instrument struct {
	Name   string
	Unit   byte
	Every  time.Duration
	Points []Point
	// Unreadable has the addresses that no request may touch, be it only to
	// read over them.
	Unreadable []Span
	// Urgent instruments go first when several are due. One with a point that
	// has KeepOverRange is urgent in any case.
	Urgent bool
}

// Span is a run of addresses of one table, From and To included.
type Span struct {
	Table    Table
	From, To uint16
}

// Point is one measured value of an instrument.
type Point struct {
	Name    string
	Table   Table
	Address uint16
	// Type is int16, uint16, int32, uint32, int64, uint64, float32, float64,
	// bcd16 or bcd32; bit for coils and discrete inputs.
	Type string
	// Order is the order in which the bytes of the value arrive: ABCD, CDAB,
	// BADC or DCBA, as Decode describes. Empty is ABCD.
	Order string
	// Bit picks one bit of a 16-bit register, 0 the lowest; nil for the whole.
	Bit *int
	// Bits picks a field of bits of an unsigned integer, the first to the last
	// of them, 0 the lowest; nil for the whole.
	Bits *[2]int
	// NoReading are the values, before scaling, by which the instrument says
	// that it has no reading.
	NoReading []float64
	// Current is the raw values at 4 and at 20 mA of a loop, the lower first;
	// nil when there is no loop. It grades values in place of Range.
	Current *[2]float64
	// Scale and Offset make the engineering value: raw*Scale + Offset, in Unit.
	Scale, Offset float64
	Unit          units.Unit
	// Range is the instrument's range in Unit, nil when it is not known.
	Range *[2]float64
	// KeepOverRange keeps a value over the range as an uncertain one, for gas
	// detectors: hiding it would hide gas.
	KeepOverRange bool
}

// Batch is the outcome of one due poll of one instrument.
type Batch struct {
	Line, Instrument string
	// Readings has every point of the instrument, in the order of its Points.
	Readings []reading.Reading
	// Took is the time that the poll held the line.
	Took time.Duration
	// Err tells a person why readings are bad and what to do; nil when none is.
	Err error
}

// Options adjust a Field. The zero value is usable.
type Options struct {
	// Now stamps readings; nil takes time.Now. Intervals do not use it.
	Now func() time.Time
	// Log receives each change of an instrument's condition; nil discards.
	Log *slog.Logger
}

// LineStats is the work of one line since the start.
type LineStats struct {
	Line string
	// Polls counts batches.
	Polls uint64
	// Errors counts the batches in which the instrument could not be read, by
	// kind: not-connected, no-reply, wrong-reply or exception. All four are
	// always there.
	Errors map[string]uint64
	// Cycle is the time that the last poll of every instrument took together.
	Cycle time.Duration
	// Overruns counts the polls left out because the line was still busy when
	// they became due.
	Overruns uint64
	// Discarded counts bytes that arrived when no reply was awaited.
	Discarded uint64
}

// Field is a set of lines.
type Field struct{ workers []*worker }

// New checks lines and makes a Field of them. It opens nothing. The error joins
// every fault that was found.
func New(lines []Line, o Options) (*Field, error) {
	if err := check(lines); err != nil {
		return nil, err
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	f := &Field{}
	for _, l := range lines {
		f.workers = append(f.workers, newWorker(l, o))
	}
	return f, nil
}

// Run polls every instrument and emits one batch for each due poll until ctx
// ends, then returns nil once all its goroutines have ended. It calls emit from
// one goroutine at a time; emit must return when ctx ends. A Field runs once at
// a time.
func (f *Field) Run(ctx context.Context, emit func(Batch)) error {
	var one sync.Mutex
	var wg sync.WaitGroup
	for _, w := range f.workers {
		wg.Go(func() {
			w.run(ctx, func(b Batch) {
				one.Lock()
				defer one.Unlock()
				emit(b)
			})
		})
	}
	<-ctx.Done()
	wg.Wait()
	return nil
}

// Stats returns the work of each line so far. It may be called at any time from
// any goroutine.
func (f *Field) Stats() []LineStats {
	all := make([]LineStats, len(f.workers))
	for i, w := range f.workers {
		all[i] = w.stats()
	}
	return all
}
