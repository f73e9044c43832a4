package field

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"time"

	"ebbwatch/agent/reading"
)

// After a failure the next opening of a line waits, doubling from the first to
// the last of these, less up to a quarter. Common practice, no source.
const (
	firstReopen = 250 * time.Millisecond
	lastReopen  = 3 * time.Second
)

// leastGrace is the shortest time that an RTU line is left silent after a
// failed transaction, so that a late reply is not taken for the next one. It
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
	open     func(context.Context) (stream, error)
	fit      fit
	function int // where a request has its function code
	timeout  time.Duration
	// silence comes before each request on RTU: 3.5 characters. It is 0 on
	// Modbus TCP, where transactions have numbers and need no grace either.
	silence time.Duration
	// keep leaves the device open after a failed transaction. A connection is
	// closed, since a late reply could still be in it.
	keep bool
	// discarded is told of bytes that arrived when no reply was awaited.
	discarded func(int)

	s        stream
	stop     func() bool // ends what ends s with its context
	got      buffer
	failures int       // of opening, or of what was opened, since the last reply
	openAt   time.Time // not before
	openErr  error     // why the last opening failed

	sent       time.Time     // when the last request was
	slowest    time.Duration // reply, of any unit
	graceUntil time.Time
}

// exchange sends a request to read and returns the reply that fits it, which is
// good until the next. From the first byte sent to the last received it takes at
// most the line's timeout. The error is a *failure, or that of ctx.
func (l *link) exchange(ctx context.Context, request []byte) ([]byte, error) {
	if f := request[l.function]; f < 1 || f > 4 {
		return nil, fmt.Errorf("function code %d is not one of 1 to 4, which read: not sent", f)
	}
	deadline := time.Now().Add(l.timeout)
	for {
		used := l.s != nil
		reply, err := l.attempt(ctx, deadline, request)
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
	s := l.s
	if err := s.SetDeadline(deadline); err != nil {
		return nil, err
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if l.silence > 0 {
		if err := l.listen(ctx); err != nil {
			return nil, err
		}
		if err := s.SetDeadline(time.Now().Add(l.timeout)); err != nil {
			return nil, err
		}
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
	}
	l.sent = time.Now()
	if _, err := s.Write(request); err != nil {
		return nil, err
	}
	return readReply(s, request, l.fit, &l.got)
}

// connect opens the line unless it is open, or was tried too recently.
func (l *link) connect(ctx context.Context, deadline time.Time) error {
	if l.s != nil {
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
	l.s = s
	// Whoever sets a deadline looks at ctx after that, so none outlasts this.
	l.stop = context.AfterFunc(ctx, func() { s.SetDeadline(past) })
	if l.silence > 0 {
		// A reply to a request of before may still come, or be held by a
		// serial server.
		l.graceUntil = latest(l.graceUntil, time.Now().Add(leastGrace))
	}
	return nil
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
// the slowest reply seen, be it in time or late, within bounds.
func (l *link) grace() time.Duration {
	return max(leastGrace, min(2*l.slowest, 3*l.timeout))
}

// coarse is how late a deadline may be noticed: Go's poller counts milliseconds.
const coarse = time.Millisecond

// listen waits until the grace is over and the line has been silent for 3.5
// characters, and discards what arrives meanwhile. On a device it waits the last
// millisecond by a finer clock and deaf: every request would be late else.
func (l *link) listen(ctx context.Context) error {
	until := latest(l.graceUntil, time.Now().Add(l.silence))
	limit := until.Add(l.timeout)
	var deaf time.Duration
	if _, device := l.s.(*os.File); device {
		deaf = coarse
	}
	var waste [maxFrame]byte
	for {
		if err := l.s.SetDeadline(until.Add(-deaf)); err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		n, err := l.s.Read(waste[:])
		now := time.Now()
		if n > 0 {
			l.discarded(n)
			if late := now.Sub(l.sent); late < 3*l.timeout {
				l.slowest = max(l.slowest, late)
			}
			until = latest(until, now.Add(l.silence))
		}
		switch {
		case isTimeout(err):
			if deaf > 0 {
				pause(time.Until(until))
			}
			return ctx.Err()
		case err != nil:
			return err
		case now.After(limit):
			return wrongReply("bytes keep arriving that nobody asked for")
		}
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
		l.s = nil
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
		return c, nil
	}
}

// characterSilence is the silence of 3.5 characters that separates RTU frames:
// MODBUS over Serial Line V1.02, 2.5.1.1 (from memory), by which a character has 11 bits and
// the silence is 1.75 ms above 19200 baud. Baud 0 is a line behind a serial
// server, which keeps the silence itself.
func characterSilence(baud int) time.Duration {
	if baud == 0 || baud > 19200 {
		return 1750 * time.Microsecond
	}
	return 7 * 11 * time.Second / time.Duration(2*baud)
}
