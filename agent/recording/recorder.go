package recording

import (
	"cmp"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// Options bound a recording. Dir, Site and MaxBytes are required.
type Options struct {
	// Dir is made when it is not there.
	Dir  string
	Site string
	// Points are those of the site.
	Points Points
	// MaxBytes is that of all files together, the one that is being written too.
	MaxBytes int64
	// MaxAge is how long files are kept; 0 for as long as MaxBytes allows.
	MaxAge time.Duration
	// Speed is that of Head.
	Speed float64
	Log   *slog.Logger

	// flushEvery is what a power cut may cost: more often wears flash. retryEvery is
	// the pause after the disk refused. Patience is how long Close waits.
	flushEvery, retryEvery, patience time.Duration
}

// The bounds that no option sets.
const (
	queueBytes = 4 << 20        // that may wait for the disk
	queueLen   = 1 << 14        // entries, likewise
	fileAge    = 24 * time.Hour // after which a new file begins
	shares     = 16             // files that MaxBytes is cut into
	maxFiles   = 5000           // of one that fails again and again
)

// Recorder writes what goes into the core. All but Close and Stats belong to one
// goroutine, the owner of the core, and never wait: a goroutine of its own writes, and
// what the disk does not take in time is left out. The recording then goes on with a
// new file, whose head tells how much is missing.
type Recorder struct {
	o      Options
	origin time.Time // the first head, of which boot is the wall clock's time
	boot   time.Time
	// entries are the steps and orders so far.
	entries uint64
	began   time.Time // of the present file
	gap     bool      // entries are left out until the next head
	self    []alarms.Sample
	astray  time.Duration

	queue   chan []byte // one that begins with the header row begins a file
	pending atomic.Int64
	free    chan []byte
	// wanted: the writer needs a head to go on.
	wanted  atomic.Bool
	dropped atomic.Uint64
	stop    sync.Once
	stopped chan struct{}
	writer  writer
}

// Stats tells how a recording does.
type Stats struct {
	// Dropped is how many steps and orders were left out since the start.
	Dropped uint64
	// Err is why nothing is written, nil when it is.
	Err error
}

// Start makes a recorder. It touches no disk; the writing goroutine does.
func Start(o Options) *Recorder {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.flushEvery = cmp.Or(o.flushEvery, time.Minute)
	o.retryEvery = cmp.Or(o.retryEvery, time.Minute)
	o.patience = cmp.Or(o.patience, 5*time.Second)
	r := &Recorder{
		o: o, queue: make(chan []byte, queueLen), free: make(chan []byte, 64), stopped: make(chan struct{}),
	}
	r.writer = writer{o: o, wanted: &r.wanted, dropped: &r.dropped}
	go r.write()
	return r
}

// Close writes what waits, for a few seconds at most: a disk that does not answer
// holds nobody. Nothing may be recorded any more.
func (r *Recorder) Close() {
	r.stop.Do(func() { close(r.queue) })
	select {
	case <-r.stopped:
	case <-time.After(r.o.patience):
		r.o.Log.Error("the recording could not be ended: the disk does not answer")
	}
}

// Stats returns how the recording does.
func (r *Recorder) Stats() Stats { return Stats{r.dropped.Load(), r.writer.failure()} }

// Due tells that Head is wanted before what comes next.
func (r *Recorder) Due(at time.Time) bool {
	if r.gap { // the writer has to catch up first
		return len(r.queue) == 0
	}
	return r.wanted.Load() || at.Sub(r.began) >= fileAge
}

// Head begins a file. The first call is the start of the daemon. The checkpoint is
// that of the core at this time, nil for none.
func (r *Recorder) Head(at time.Time, checkpoint []byte) {
	if r.origin.IsZero() {
		r.origin, r.boot = at, at.Round(0).UTC()
	}
	r.began, r.gap, r.self, r.astray = at, false, nil, 0
	r.wanted.Store(false)
	b := append(r.room(), header+lineEnd...)
	b = appendEntry(b, r.steady(at), entry{Head: &Head{r.o.Site, r.boot, r.entries, r.o.Speed, checkpoint}})
	r.put(r.clock(b, at), 0)
}

// Order records an order.
func (r *Recorder) Order(at time.Time, o alarms.Order) {
	r.entries++
	if !r.gap {
		r.put(appendEntry(r.clock(r.room(), at), r.steady(at), entry{Order: &o}), 1)
		return
	}
	r.dropped.Add(1)
}

// Step records the readings of a step, none for a mere tick, and the samples of the
// alarms over ebbwatch itself.
func (r *Recorder) Step(at time.Time, rs []reading.Reading, own []alarms.Sample) {
	r.entries++
	if r.gap {
		r.dropped.Add(1)
		return
	}
	b := r.clock(r.room(), at)
	if !slices.Equal(own, r.self) {
		r.self = append(r.self[:0], own...)
		b = appendEntry(b, r.steady(at), entry{Self: own})
	}
	for i := range rs {
		b = appendReading(b, r.steady(rs[i].Time), &rs[i], r.o.Points[rs[i].Point])
	}
	r.put(appendStep(b, r.steady(at)), 1)
}

// steady is a time as the recording has it: whatever the wall clock does, it goes on
// as the monotonic one.
func (r *Recorder) steady(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return r.boot.Add(t.Sub(r.origin))
}

// clock appends how far the wall clock has moved away, where that has changed.
func (r *Recorder) clock(b []byte, at time.Time) []byte {
	const glitch = time.Millisecond // the two clocks are not read at the same instant
	astray := at.Round(0).Sub(r.steady(at))
	if (astray - r.astray).Abs() < glitch {
		return b
	}
	r.astray = astray
	ns := int64(astray)
	return appendEntry(b, r.steady(at), entry{AstrayNs: &ns})
}

// room is an empty buffer, one that was written where there is one.
func (r *Recorder) room() []byte {
	select {
	case b := <-r.free:
		return b[:0]
	default:
		return nil
	}
}

// put hands rows to the writer, or leaves them out.
func (r *Recorder) put(b []byte, entries uint64) {
	if r.pending.Add(int64(len(b))) <= queueBytes {
		select {
		case r.queue <- b:
			return
		default:
		}
	}
	r.pending.Add(-int64(len(b)))
	r.gap = true
	r.dropped.Add(entries)
}

// write is the writing goroutine.
func (r *Recorder) write() {
	defer close(r.stopped)
	defer r.writer.close()
	flush := time.NewTicker(r.o.flushEvery)
	defer flush.Stop()
	for {
		select {
		case b, ok := <-r.queue:
			if !ok {
				return
			}
			r.writer.write(b, time.Now())
			r.pending.Add(-int64(len(b)))
			select {
			case r.free <- b:
			default:
			}
		case <-flush.C:
			r.writer.flush(time.Now())
		}
	}
}
