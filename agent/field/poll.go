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
// restPeriods of its periods or leastRest, whichever is longer. Common practice,
// no source.
const (
	longestRest = 30 * time.Second
	restPeriods = 4
	leastRest   = 5 * time.Second
)

// What was learned from refused requests is forgotten after this time, for the
// instrument may have been mended. Common practice, no source.
const forgetAfter = 24 * time.Hour

// poll reads an instrument once. It returns the kind of failure, one of the
// keys of LineStats.Errors, when the instrument could not be read.
func (w *worker) poll(ctx context.Context, u *unit) (b Batch, failed string) {
	b = Batch{Line: w.line.Name, Instrument: u.Name, Readings: make([]reading.Reading, len(u.Points))}
	for i, p := range u.Points {
		b.Readings[i].Point = p.Name
	}
	if time.Now().Before(u.tryAt) {
		b.fill(u.reason, w.now())
		b.Err = u.last
		return b, kindOf(u.reason)
	}
	if len(u.learned) > 0 && time.Now().After(u.forgetAt) {
		u.learned = nil
		w.plan(u)
	}
	var first *failure
	var apart []barrier
	for _, blk := range u.blocks {
		f := w.readBlock(ctx, u, blk, &b)
		if f != nil && refusesMerging(f) && !blk.single(u.Points) && time.Now().After(u.splitAt) {
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
	w.learn(u, apart)
	w.rest(u, first)
	if first == nil {
		b.Err = w.explainPoints(u, b.Readings)
		return b, ""
	}
	b.Err = first.err
	return b, kindOf(first.reason)
}

// learn plans anew when a poll found what the one before had found, which was
// then no passing trouble.
func (w *worker) learn(u *unit, found []barrier) {
	again := slices.DeleteFunc(slices.Clone(found), func(n barrier) bool { return !slices.Contains(u.suspected, n) })
	u.suspected = found
	if len(again) == 0 {
		return
	}
	if len(u.learned) == 0 {
		u.forgetAt = time.Now().Add(forgetAfter)
	}
	u.learned = append(u.learned, again...)
	w.plan(u)
}

// readApart reads the halves of a refused block, and the halves of these where
// they are refused too, until single values are. It reports what to keep apart
// from now on, whether anything was answered with values, and the first failure,
// or the one that ends the poll.
func (w *worker) readApart(ctx context.Context, u *unit, blk block, b *Batch) (found []barrier, helped bool, first *failure) {
	left, right := blk.halves(u.Points)
	answered := 0
	for _, half := range [2]block{left, right} {
		f := w.readBlock(ctx, u, half, b)
		switch {
		case f == nil:
			answered++
			helped = true
		case !refusesMerging(f):
		case half.single(u.Points):
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

// readBlock makes one request and enters its points into the batch.
func (w *worker) readBlock(ctx context.Context, u *unit, blk block, b *Batch) *failure {
	data, err := w.read(ctx, u.Unit, blk)
	now := w.now()
	if err != nil {
		f := w.explain(u, blk, err)
		for _, i := range blk.points {
			b.Readings[i].Quality, b.Readings[i].Time = reading.BadBecause(f.reason), now
		}
		return f
	}
	for _, i := range blk.points {
		p := u.Points[i]
		part := blk.part(p, data)
		value, quality := Decode(p, part)
		b.Readings[i] = reading.Reading{Point: p.Name, Value: value, Quality: quality, Text: Text(p, part, b.Readings[i].Text), Time: now}
	}
	return nil
}

// fill makes every point bad that has no quality yet.
func (b *Batch) fill(reason string, now time.Time) {
	for i := range b.Readings {
		if r := &b.Readings[i]; r.Quality == (reading.Quality{}) {
			r.Quality, r.Time = reading.BadBecause(reason), now
		}
	}
}

// rest decides when a unit is tried again after a poll.
func (w *worker) rest(u *unit, f *failure) {
	if f == nil || f.reason == reading.NotConnected || !endsPoll(f) {
		u.failures = 0
		return
	}
	longest := min(max(longestRest, u.Every), max(restPeriods*u.Every, leastRest))
	wait := min(longest, u.Every<<min(u.failures, 10))
	if w.link.silence > 0 && alike(u.blocks) {
		// A reply later than the grace could be taken for that to another
		// request to this unit, for RTU replies do not say what they answer.
		wait = longest
	}
	u.failures++
	u.last, u.reason = f.err, f.reason
	u.tryAt = u.due.Add(wait - u.Every/2) // between two polls
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
