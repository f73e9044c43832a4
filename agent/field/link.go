package field

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"time"

	"ebbwatch/agent/reading"
)

// After a failure the next opening of a line waits, doubling from the first to
// the last of these, less up to a quarter. Common practice, no source.
const (
	firstReopen = 250 * time.Millisecond
	lastReopen  = 3 * time.Second
)

// leastGrace is the shortest time that a line of RTU or ASCII is left silent after
// a failed transaction, so that a late reply is not taken for the next one. It
// sufficed for replies up to 450 ms late. A slower unit lengthens it.
const leastGrace = 500 * time.Millisecond

// stream is a connection or a serial device.
type stream interface {
	io.ReadWriteCloser
	SetDeadline(time.Time) error
}

// past is a deadline that ends reading and writing at once.
var past = time.Unix(1, 0)

// failure is why a transaction failed; reason is one of package reading.
type failure struct {
	reason string
	err    error
}

func (f *failure) Error() string { return f.err.Error() }
func (f *failure) Unwrap() error { return f.err }

// link carries frames between a line and its units. Only the goroutine that
// owns the line uses it.
type link struct {
	framing
	open    func(context.Context) (stream, error)
	timeout time.Duration
	// silence comes before each request. It is 0 on Modbus TCP, where
	// transactions have numbers and need no grace either.
	silence time.Duration
	// gap is the longest pause within a reply, 0 where none is known.
	gap time.Duration
	// keep leaves the device open after a failed transaction. A connection is
	// closed, since a late reply could still be in it.
	keep bool
	// discarded is told of bytes that arrived when no reply was awaited.
	discarded func(int)

	requests map[ask][]byte
	number   uint16 // of the last transaction

	s        stream
	ctx      context.Context // that ends s
	stop     func()          // ends that
	deadline time.Time       // of the transaction
	used     bool            // whether s has carried one
	got      buffer
	failures int       // of opening, or of what was opened, since the last reply
	openAt   time.Time // not before
	openErr  error     // why the last opening failed

	sent       time.Time     // when the last request was
	slowest    time.Duration // reply, of any unit
	graceUntil time.Time
}

// newLink makes the link of a line. It opens nothing.
func newLink(line Line, discarded func(int)) *link {
	l := &link{
		framing: framingOf(line.Kind), open: dial(line.Address), timeout: line.Timeout, silence: line.silence(),
		discarded: discarded, requests: map[ask][]byte{},
	}
	if line.Kind.ascii() {
		l.gap = asciiGap
	}
	if line.Kind.serial() {
		l.keep = true
		l.open = func(context.Context) (stream, error) { return openTTY(line) }
	}
	return l
}

// exchange sends a request to read and returns the reply that fits it, which is
// good until the next. From the first byte sent to the last received it takes at
// most the line's timeout. The error is a *failure, or that of ctx.
func (l *link) exchange(ctx context.Context, request []byte) ([]byte, error) {
	if f := l.function(request); f < 1 || f > 4 {
		return nil, fmt.Errorf("function code %d is not one of 1 to 4, which read: not sent", f)
	}
	deadline := time.Now().Add(l.timeout)
	for {
		used := l.s != nil && l.used
		reply, err := l.attempt(ctx, deadline, request)
		l.used = true
		if err == nil {
			l.failures = 0
			l.slowest = max(l.slowest, time.Since(l.sent))
			return reply, nil
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if f, ok := errors.AsType[*failure](err); ok { // of opening
			return nil, f
		}
		f := l.fail(err)
		// Many devices close a connection that has been idle. Reading again
		// on a new one does no harm.
		if f.reason == reading.NotConnected && used {
			l.openAt = time.Time{}
			continue
		}
		return nil, f
	}
}

func (l *link) attempt(ctx context.Context, deadline time.Time, request []byte) ([]byte, error) {
	if err := l.connect(ctx, deadline); err != nil {
		return nil, err
	}
	if l.silence > 0 {
		if err := l.listen(); err != nil {
			return nil, err
		}
		deadline = time.Now().Add(l.timeout)
	}
	l.deadline = deadline
	if err := l.until(deadline); err != nil {
		return nil, err
	}
	l.sent = time.Now()
	if _, err := l.s.Write(request); err != nil {
		return nil, err
	}
	return readReply(l, request, l.fit, &l.got)
}

// Read reads a part of a reply. After it no pause is longer than the gap.
func (l *link) Read(b []byte) (int, error) {
	n, err := l.s.Read(b)
	if l.gap > 0 && err == nil {
		if next := time.Now().Add(l.gap); next.Before(l.deadline) {
			err = l.until(next)
		}
	}
	return n, err
}

// until sets the deadline of what follows. Whoever does so has to look at the
// context after it, whose end has set one too.
func (l *link) until(t time.Time) error {
	if err := l.s.SetDeadline(t); err != nil {
		return err
	}
	return l.ctx.Err()
}

// connect opens the line unless it is open, or was tried too recently.
func (l *link) connect(ctx context.Context, deadline time.Time) error {
	if l.s != nil {
		l.bind(ctx)
		return nil
	}
	if l.openErr != nil && time.Now().Before(l.openAt) {
		return &failure{reading.NotConnected, l.openErr}
	}
	until, cancel := context.WithDeadline(ctx, deadline)
	defer cancel()
	s, err := l.open(until)
	if err != nil {
		return l.shut(err)
	}
	l.s, l.used = s, false
	l.bind(ctx)
	if l.silence > 0 {
		// A reply to a request of before may still come, or be held by a
		// serial server.
		l.graceUntil = latest(l.graceUntil, time.Now().Add(l.grace()))
	}
	return nil
}

// bind lets the end of ctx end what s waits for.
func (l *link) bind(ctx context.Context) {
	if l.ctx == ctx {
		return
	}
	if l.stop != nil {
		l.stop()
	}
	s, ended := l.s, make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		s.SetDeadline(past)
		close(ended)
	})
	l.ctx, l.stop = ctx, func() {
		if !stop() {
			<-ended // else it could end what another context waits for
		}
	}
}

// shut closes the line because of err and sets when it may be opened again.
func (l *link) shut(err error) *failure {
	l.close()
	wait := min(lastReopen, firstReopen<<min(l.failures, 10))
	l.failures++
	l.openErr = err
	l.openAt = time.Now().Add(wait - rand.N(wait/4))
	return &failure{reading.NotConnected, err}
}

// fail does what a failed transaction needs before the next.
func (l *link) fail(err error) *failure {
	if l.silence > 0 {
		l.graceUntil = time.Now().Add(l.grace())
	}
	reason := reading.NoReply
	if _, ok := errors.AsType[wrongReply](err); ok {
		reason = reading.WrongReply
	} else if !isTimeout(err) {
		if errors.Is(err, io.EOF) {
			err = errors.New("it closed without an answer")
		}
		return l.shut(err)
	}
	if !l.keep {
		l.close()
	}
	return &failure{reason, err}
}

// grace is how long the line is left silent after a failed transaction: twice
// the slowest reply seen, be it in time or late, within bounds. It is 0 where
// transactions have numbers.
func (l *link) grace() time.Duration {
	if l.silence == 0 {
		return 0
	}
	return max(leastGrace, min(2*l.slowest, l.mostLate()))
}

// mostLate is how long after a request bytes are still thought to answer it.
func (l *link) mostLate() time.Duration { return max(3*l.timeout, 2*leastGrace) }

// coarse is how late a deadline may be noticed: Go's poller counts milliseconds.
const coarse = time.Millisecond

// listen waits until the grace is over and the line has been silent, and discards
// what arrives meanwhile. On a serial device it waits the last millisecond by a
// finer clock, then looks once more: every request would be late else.
func (l *link) listen() error {
	until := latest(l.graceUntil, time.Now().Add(l.silence))
	limit := until.Add(l.timeout)
	var fine time.Duration
	if isTTY(l.s) {
		fine = coarse
	}
	for {
		if err := l.until(until.Add(-fine)); err != nil {
			return err
		}
		n, err := l.s.Read(l.got[:])
		if fine > 0 && isTimeout(err) {
			pause(time.Until(until))
			if n = waiting(l.s, l.got[:]); n > 0 {
				err = nil
			}
		}
		now := time.Now()
		if n > 0 {
			l.discarded(n)
			if late := now.Sub(l.sent); late < l.mostLate() {
				l.slowest = max(l.slowest, late)
			}
			until = latest(until, now.Add(l.silence))
		}
		switch {
		case isTimeout(err):
			return l.ctx.Err()
		case err != nil:
			return err
		case now.After(limit):
			return wrongReply("bytes keep arriving that nobody asked for")
		}
	}
}

// outlast waits for the end of a grace, so that whoever sends next is chosen
// after it. What goes wrong meanwhile, the next exchange meets too.
func (l *link) outlast(ctx context.Context) {
	if l.silence > 0 && l.connect(ctx, time.Now().Add(l.timeout)) == nil && time.Now().Before(l.graceUntil) {
		l.listen()
	}
}

func latest(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

func (l *link) close() {
	if l.s != nil {
		l.stop()
		l.s.Close()
		l.s, l.ctx, l.stop = nil, nil, nil
	}
}

// dial opens a TCP connection.
func dial(address string) func(context.Context) (stream, error) {
	return func(ctx context.Context) (stream, error) {
		c, err := new(net.Dialer).DialContext(ctx, "tcp", address)
		if err != nil {
			if op, ok := errors.AsType[*net.OpError](err); ok {
				err = op.Err
			}
			return nil, err
		}
		return lean(c)
	}
}

// shortSilence is the shortest between RTU frames, above 19200 baud: MODBUS over
// Serial Line V1.02, 2.5.1.1 (from memory).
const shortSilence = 1750 * time.Microsecond

// asciiGap is the longest pause between two characters of an ASCII frame: MODBUS
// over Serial Line V1.02, 2.5.2 (from memory).
const asciiGap = time.Second

// silence is how long the line is silent before a request. ASCII frames need
// none, but only a wait as long as a character hears one that nobody asked for.
func (l Line) silence() time.Duration {
	switch {
	case l.Kind == TCP:
		return 0
	case l.Kind.ascii():
		return max(shortSilence, l.character())
	default:
		return characterSilence(l.Baud)
	}
}

// characterSilence is the silence of 3.5 characters that separates RTU frames:
// MODBUS over Serial Line V1.02, 2.5.1.1 (from memory), by which a character has
// 11 bits. Baud 0 is a line behind a serial server, which keeps the silence
// itself.
func characterSilence(baud int) time.Duration {
	if baud == 0 || baud > 19200 {
		return shortSilence
	}
	return 7 * 11 * time.Second / time.Duration(2*baud)
}

// serial reports whether frames travel on a serial device.
func (k Kind) serial() bool { return k == RTU || k == ASCII }

// ascii reports whether frames are made of characters.
func (k Kind) ascii() bool { return k == ASCII || k == ASCIIOverTCP }
