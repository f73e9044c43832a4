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
	// ASCII frames, of characters instead of bytes, on a serial device or
	// through a serial server.
	ASCII        Kind = "ascii"
	ASCIIOverTCP Kind = "ascii-over-tcp"
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
	// Address is host:port, for the kinds that go over TCP.
	Address string
	// Device is the serial device of the others, with Baud, Parity (none, even
	// or odd), StopBits (1 or 2) and, for ASCII, DataBits (7 or 8).
	Device   string
	Baud     int
	Parity   string
	StopBits int
	DataBits int
	// RS485 lets the kernel switch a transceiver between sending and receiving;
	// nil where the adapter does so itself.
	RS485 *RS485
	// Timeout bounds one whole transaction.
	Timeout     time.Duration
	Instruments []Instrument
}

// RS485 is how the kernel drives the transmitter of a serial device.
type RS485 struct {
	// SendLow sets RTS low while sending, not high.
	SendLow bool
	// BeforeSend and AfterSend are how long RTS is held before the first and
	// after the last character, in whole milliseconds.
	BeforeSend, AfterSend time.Duration
}

// Instrument is one Modbus unit on a line.
type Instrument struct {
	Name string
	Unit byte
	// Every is the period of the points that have none of their own.
	Every  time.Duration
	Points []Point
	// Unreadable has the addresses that no request may touch, be it only to
	// read over them.
	Unreadable []Span
	// Urgent instruments go before the others when they are due, between two
	// requests of a poll too. One with a point that has KeepOverRange is urgent in
	// any case.
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
	// Every is the point's own period, 0 for that of the instrument.
	Every time.Duration
	// Type is int16, uint16, int32, uint32, int64, uint64, float32, float64,
	// bcd16, bcd32 or text; bit for coils and discrete inputs.
	Type string
	// Registers is how many a text takes, 1 to 125; 0 for other types.
	Registers int
	// Expect has the texts that are as they should be, for a text: its value is
	// 1 for these, or for any text when there is none, and 0 for another.
	Expect []string
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
	// Bands are the currents, in mA, that end the bands of the loop, the lowest
	// first: failed up to the first, measuring from the second to the third,
	// failed from the fourth. Nil takes those of NAMUR NE 43.
	Bands *[4]float64
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
	// Readings has every point of the instrument that was due, in the order of
	// its Points. They are good until emit returns.
	Readings []reading.Reading
	// Took is the time that the poll held the line, without that of urgent
	// instruments that went between.
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
	// Cycle is the time that the last poll of every instrument took together,
	// Planned what the plan foresees for these, with what the units think of late.
	// An instrument that rests adds to neither.
	Cycle, Planned time.Duration
	// Slowest is the longest time until the end of a reply so far. Grace is how
	// long the line is left silent after a failure; 0 where it needs none.
	Slowest, Grace time.Duration
	// Units is the work by instrument, in the order of the line's.
	Units []UnitStats
	// Overruns counts the polls left out because the line was still busy when
	// they became due.
	Overruns uint64
	// Discarded counts bytes that arrived when no reply was awaited.
	Discarded uint64
}

// UnitStats is the work of one instrument since the start.
type UnitStats struct {
	Instrument string
	Unit       byte
	Polls      uint64
	// Errors is as in LineStats.
	Errors map[string]uint64
	// Took is the time of its last poll, Slowest that of its slowest reply.
	Took, Slowest time.Duration
	// Overruns counts its polls left out.
	Overruns uint64
	// Resting tells that it is left alone for a while, since it did not answer.
	Resting bool
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
