// Package drain tells the entries of a durable outbox to one receiver, in order,
// each until the receiver has taken it. Every receiver has a drain of its own, so
// that one who cannot be reached holds up nobody else.
package drain

import (
	"context"
	"errors"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"
)

// Outbox holds the entries until every receiver has acknowledged them.
type Outbox interface {
	// After calls visit with the entries that follow sequence seq, at most limit
	// of them, oldest first, until it returns false.
	After(seq uint64, limit int, visit func(seq uint64, data []byte) bool) error
	Acked(receiver string) (uint64, error)
	Ack(receiver string, seq uint64) error
}

// Message is one entry as its receiver gets it.
type Message struct {
	// ID names it in the log.
	ID string
	// Reminder is what it reminds of, empty when it is none. It is passed over
	// when a later one of the same is waiting: after a long standstill one
	// reminder is enough.
	Reminder string
	// Send tells it and returns nil once the receiver has taken it.
	Send func(context.Context) error
}

// Options are the parts of a Drain; all but Log are required.
type Options struct {
	// Receiver is the name in the outbox.
	Receiver string
	Outbox   Outbox
	// Read makes a message of an entry, nil when it is for somebody else.
	Read func(seq uint64, data []byte) (*Message, error)
	Log  *slog.Logger
}

// Refusal is an error of Send: the receiver has understood and will not have
// this message. It is tried for a while, since a person may mend the cause, and
// then passed over.
type Refusal struct{ Err error }

func (r *Refusal) Error() string { return r.Err.Error() }
func (r *Refusal) Unwrap() error { return r.Err }

// Later is an error of Send: the receiver asks for a pause.
type Later struct {
	Err   error
	Pause time.Duration
}

func (l *Later) Error() string { return l.Err.Error() }
func (l *Later) Unwrap() error { return l.Err }

const (
	batch = 16
	// timeout bounds one try.
	timeout = time.Minute
	// patience is how long a refused message is tried.
	patience = 15 * time.Minute
	retry    = time.Second // before the second try; doubled each time
	retryMax = time.Minute
	// maxPause bounds what a receiver may ask for.
	maxPause = 10 * time.Minute
	// look is how often the outbox is looked into without being asked to.
	look = 10 * time.Second
)

// Status is how the telling goes.
type Status struct {
	// Sent counts messages that were taken, Passed those given up.
	Sent, Passed uint64
	// Failing is since when nothing was taken although there was something to
	// tell, the zero time when all goes well; LastError is why, as a sentence.
	Failing   time.Time
	LastError string
}

// Drain tells one receiver.
type Drain struct {
	o    Options
	wake chan struct{}

	mu     sync.Mutex
	status Status
}

// New makes a drain; Run starts it.
func New(o Options) (*Drain, error) {
	if o.Receiver == "" || o.Outbox == nil || o.Read == nil {
		return nil, errors.New("a drain needs a receiver, an outbox and a way to read it")
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	o.Log = o.Log.With("receiver", o.Receiver)
	return &Drain{o: o, wake: make(chan struct{}, 1)}, nil
}

// Receiver is the name in the outbox.
func (d *Drain) Receiver() string { return d.o.Receiver }

// Wake tells that new entries are in the outbox. It never blocks.
func (d *Drain) Wake() {
	select {
	case d.wake <- struct{}{}:
	default:
	}
}

// Status tells how it goes.
func (d *Drain) Status() Status {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.status
}

// Run tells until ctx ends.
func (d *Drain) Run(ctx context.Context) error {
	cursor, err := d.o.Outbox.Acked(d.o.Receiver)
	if err != nil {
		return err
	}
	tick := time.NewTicker(look)
	defer tick.Stop()
	for {
		for more := true; more; {
			if cursor, more = d.tell(ctx, cursor); ctx.Err() != nil {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return nil
		case <-d.wake:
		case <-tick.C:
		}
	}
}

// entry is one of the outbox; without a message it is passed over.
type entry struct {
	sequence uint64
	message  *Message
}

// tell takes one batch from the outbox and returns up to where it was told, and
// whether there may be more.
func (d *Drain) tell(ctx context.Context, cursor uint64) (uint64, bool) {
	entries := d.read(cursor)
	for i, e := range entries {
		if e.message != nil && !reminded(e.message, entries[i+1:]) && !d.deliver(ctx, e.message) {
			return cursor, false // ctx has ended
		}
		cursor = e.sequence
		// What is for others is noted only now and then, to spare the disk.
		if e.message != nil || i == batch-1 {
			d.ack(cursor)
		}
	}
	return cursor, len(entries) == batch
}

func (d *Drain) read(cursor uint64) []entry {
	var entries []entry
	err := d.o.Outbox.After(cursor, batch, func(seq uint64, data []byte) bool {
		m, err := d.o.Read(seq, data)
		if err != nil {
			d.o.Log.Error("an entry in the outbox cannot be read; it is passed over", "sequence", seq, "err", err)
			m = nil
		}
		entries = append(entries, entry{seq, m})
		return true
	})
	if err != nil {
		d.o.Log.Error("the outbox cannot be read", "err", err)
	}
	return entries
}

// reminded reports whether a later entry reminds of the same.
func reminded(m *Message, later []entry) bool {
	if m.Reminder == "" {
		return false
	}
	for _, e := range later {
		if e.message != nil && e.message.Reminder == m.Reminder {
			return true
		}
	}
	return false
}

// deliver sends a message until it is taken or given up. It reports false when
// ctx has ended before that.
func (d *Drain) deliver(ctx context.Context, m *Message) bool {
	began, delay := time.Now(), retry
	for {
		once, cancel := context.WithTimeout(ctx, timeout)
		err := m.Send(once)
		cancel()
		if err == nil {
			d.sent(m)
			return true
		}
		if ctx.Err() != nil {
			return false
		}
		if _, refused := errors.AsType[*Refusal](err); refused && time.Since(began) >= patience {
			d.pass(m, err)
			return true
		}
		d.failing(m, began, err)
		// A random part keeps many sites from coming back at the same moment.
		pause := delay/2 + rand.N(delay/2+1)
		if l, ok := errors.AsType[*Later](err); ok {
			pause = max(pause, min(l.Pause, maxPause))
		}
		delay = min(2*delay, retryMax)
		wait := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			wait.Stop()
			return false
		case <-wait.C:
		}
	}
}

func (d *Drain) sent(m *Message) {
	d.mu.Lock()
	news := d.status.LastError != ""
	d.status.Sent++
	d.status.Failing, d.status.LastError = time.Time{}, ""
	d.mu.Unlock()
	if news {
		d.o.Log.Info("the receiver takes notices again", "id", m.ID)
	}
}

func (d *Drain) pass(m *Message, err error) {
	d.mu.Lock()
	d.status.Passed++
	d.status.LastError = err.Error()
	d.mu.Unlock()
	d.o.Log.Error("a notice was refused for too long and is passed over", "id", m.ID, "err", err)
}

func (d *Drain) failing(m *Message, since time.Time, err error) {
	d.mu.Lock()
	news := d.status.LastError != err.Error()
	if d.status.Failing.IsZero() {
		d.status.Failing = since
	}
	d.status.LastError = err.Error()
	d.mu.Unlock()
	if news {
		d.o.Log.Warn("a notice could not be told; it is tried again", "id", m.ID, "err", err)
	}
}

// ack tells the outbox. One that cannot store it still knows it.
func (d *Drain) ack(seq uint64) {
	if err := d.o.Outbox.Ack(d.o.Receiver, seq); err != nil {
		d.o.Log.Warn("an acknowledgement could not be stored: after a restart notices may be told again", "sequence", seq, "err", err)
	}
}
