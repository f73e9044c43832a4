package field

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"time"

	"ebbwatch/agent/reading"

	"github.com/goburrow/modbus"
)

// A unit that does not answer is tried again after its period, then after
// twice, four times and so on, up to longestRest, but at least every
// restPeriods of its periods or leastRest, whichever is longer; and in any case
// up to restShare times as long as one attempt holds the line. Common practice,
// no source.
const (
	longestRest = 30 * time.Second
	restPeriods = 4
	leastRest   = 5 * time.Second
	restShare   = 10
)

// restOf is how long a unit of a period is left alone at most, when an attempt
// holds the line for some time: the timeout, and on a serial line the grace
// after it. A dead unit so takes at most one part in restShare of the line's
// time, holds/restOf, once it has rested that long.
func restOf(every, holds time.Duration) time.Duration {
	rest := max(holds*restShare, min(max(longestRest, every), max(restPeriods*every, leastRest)))
	return (rest + every - 1) / every * every // it is tried at its pace
}

// What was learned from refused requests is forgotten after this time, for the
// instrument may have been mended. Common practice, no source.
const forgetAfter = 24 * time.Hour

// poll makes the present visit of a unit. It returns the kind of failure, one of
// the keys of LineStats.Errors, when the unit could not be read.
func (w *worker) poll(ctx context.Context, u *unit) (b Batch, failed string) {
	v, began := u.now, time.Now()
	b = Batch{Line: w.line.Name, Instrument: u.Name, Readings: v.readings}
	for i := range v.points {
		b.Readings[i] = reading.Reading{Point: v.points[i].Name}
	}
	if began.Before(u.tryAt) {
		b.fill(u.reason, w.now())
		b.Err = u.last
		return b, kindOf(u.reason)
	}
	if len(u.learned) > 0 && u.failures == 0 && began.After(u.forgetAt) {
		u.learned = nil
		u.replan()
	}
	u.follow(began)
	from := 0
	if u.failures > 0 {
		from = v.shortest() // whether it answers again costs no more
	}
	var first *failure
	var apart []barrier
	for i := range v.blocks {
		blk := v.blocks[(from+i)%len(v.blocks)]
		f := w.readBlock(ctx, u, blk, &b)
		if f != nil && refusesMerging(f) && !blk.single(v.points) && time.Now().After(u.splitAt) {
			var found []barrier
			var helped bool
			if found, helped, f = w.readApart(ctx, u, blk, &b); helped {
				apart = append(apart, found...)
			} else if !endsPoll(f) {
				u.splitAt = time.Now().Add(longestRest)
			}
		}
		if ctx.Err() != nil {
			return b, ""
		}
		if first == nil {
			first = f
		}
		if f != nil && endsPoll(f) {
			first = f
			b.fill(f.reason, w.now())
			break
		}
	}
	u.learn(apart)
	w.rest(u, first)
	if first == nil {
		b.Err = w.explainPoints(u, b.Readings)
		return b, ""
	}
	b.Err = first.err
	return b, kindOf(first.reason)
}

// shortest is the number of the block with the fewest bytes.
func (v *visit) shortest() (least int) {
	for i, b := range v.blocks {
		if b.bytes() < v.blocks[least].bytes() {
			least = i
		}
	}
	return least
}

// learn plans anew when a visit found what the one before had found, which was
// then no passing trouble.
func (u *unit) learn(found []barrier) {
	again := slices.DeleteFunc(slices.Clone(found), func(n barrier) bool { return !slices.Contains(u.now.suspected, n) })
	u.now.suspected = found
	if len(again) == 0 {
		return
	}
	if len(u.learned) == 0 {
		u.forgetAt = time.Now().Add(forgetAfter)
	}
	u.learned = append(u.learned, again...)
	u.replan()
}

// readApart reads the halves of a refused block, and the halves of these where
// they are refused too, until single values are. It reports what to keep apart
// from now on, whether anything was answered with values, and the first failure,
// or the one that ends the poll.
func (w *worker) readApart(ctx context.Context, u *unit, blk block, b *Batch) (found []barrier, helped bool, first *failure) {
	points := u.now.points
	left, right := blk.halves(points)
	answered := 0
	for _, half := range [2]block{left, right} {
		f := w.readBlock(ctx, u, half, b)
		switch {
		case f == nil:
			answered++
			helped = true
		case !refusesMerging(f):
		case half.single(points):
			found = append(found, half.around())
		default:
			var more []barrier
			var some bool
			more, some, f = w.readApart(ctx, u, half, b)
			found, helped = append(found, more...), helped || some
		}
		if f != nil && endsPoll(f) {
			return found, helped, f
		}
		if first == nil {
			first = f
		}
	}
	if answered == 2 {
		found = append(found, between(left, right))
	}
	return found, helped, first
}

// readBlock makes one request and enters its points into the batch. Urgent units
// that are due go before it, unless it is to one of them.
func (w *worker) readBlock(ctx context.Context, u *unit, blk block, b *Batch) *failure {
	if !u.goesFirst() {
		w.link.outlast(ctx)
		w.urgentFirst(ctx)
		w.round++
	}
	data, err := w.read(ctx, u.Unit, blk)
	now := w.now()
	took := time.Since(w.link.sent)
	if err != nil {
		f := w.explain(u, blk, err)
		if kindOf(f.reason) == reading.Exception {
			u.slowest = max(u.slowest, took)
		}
		for _, i := range blk.points {
			b.Readings[i] = reading.Reading{Point: u.now.points[i].Name, Quality: reading.BadBecause(f.reason), Time: now}
		}
		return f
	}
	u.slowest = max(u.slowest, took)
	u.learnThink(blk, took)
	for _, i := range blk.points {
		p := u.now.points[i]
		part := blk.part(p, data)
		value, quality := Decode(p, part)
		text := Text(p, part, u.now.texts[i])
		u.now.texts[i] = text
		b.Readings[i] = reading.Reading{Point: p.Name, Value: value, Quality: quality, Text: text, Time: now}
	}
	return nil
}

// fill makes every point bad that has no quality yet.
func (b *Batch) fill(reason string, now time.Time) {
	for i := range b.Readings {
		if r := &b.Readings[i]; r.Quality == (reading.Quality{}) {
			*r = reading.Reading{Point: r.Point, Quality: reading.BadBecause(reason), Time: now}
		}
	}
}

// rest decides when a unit is tried again after a poll.
func (w *worker) rest(u *unit, f *failure) {
	if f == nil || f.reason == reading.NotConnected || !endsPoll(f) {
		u.failures = 0
		return
	}
	every := u.paces[0].every
	wait := min(restOf(every, w.line.Timeout+w.link.grace()), every<<min(u.failures, 10))
	if w.link.silence > 0 && u.alike() && !errors.Is(f, wrongSum) {
		// A reply later than the grace could be taken for that to another
		// request to this unit, for RTU replies do not say what they answer. One
		// that was spoilt on the way is no longer to come.
		wait = max(wait, restOf(every, 0))
	}
	u.failures++
	w.round++ // whoever went in this one has waited as for a request to another
	u.last, u.reason = f.err, f.reason
	u.tryAt = u.due.Add(wait - every/2) // between two polls
}

// endsPoll reports whether the rest of the instrument need not be asked for: a
// failure of the way to it rather than of one request.
func endsPoll(f *failure) bool {
	code, is := exceptionCode(f)
	return !is || code >= modbus.ExceptionCodeGatewayPathUnavailable
}

// refusesMerging reports whether f may mean that some address of a block does
// not exist. Devices disagree on the code for it.
func refusesMerging(f *failure) bool {
	code, is := exceptionCode(f)
	return is && code >= modbus.ExceptionCodeIllegalDataAddress && code <= modbus.ExceptionCodeServerDeviceFailure
}

func exceptionCode(err error) (byte, bool) {
	e, ok := errors.AsType[*modbus.ModbusError](err)
	if !ok {
		return 0, false
	}
	return e.ExceptionCode, true
}

// reasonOf is the reason for bad readings after err.
func reasonOf(err error) string {
	if code, ok := exceptionCode(err); ok {
		return reading.Exception + "-" + strconv.Itoa(int(code))
	}
	if f, ok := errors.AsType[*failure](err); ok {
		return f.reason
	}
	return reading.WrongReply
}

// kindOf is the key of LineStats.Errors for a reason.
func kindOf(reason string) string {
	switch reason {
	case reading.NotConnected, reading.NoReply, reading.WrongReply:
		return reason
	default:
		return reading.Exception
	}
}
