// Package journal remembers what must survive a restart: the alarm events, who
// has been told of them, and the checkpoint that holds after the last one. One
// bbolt file in one folder, one process at a time.
//
// When the file cannot be written the journal goes on in memory, within a fixed
// bound, and Health says so: alarms are told even while nothing can be
// remembered.
package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"time"

	"go.etcd.io/bbolt"
)

// Options shape a journal. The zero value is usable.
type Options struct {
	// Receivers are those who must be told of every event. One that the store
	// did not know before starts after the last event; one that is no longer
	// named is forgotten.
	Receivers []string
	// Keep is how many events stay, 0 for 100,000. An event that a receiver has
	// not acknowledged stays until there are twice as many.
	Keep int
	// Queue is how many events wait in memory while the file cannot be written,
	// 0 for 4,096.
	Queue int
	// Now names a damaged file that is put aside; the zero time takes the clock.
	Now time.Time
}

// Journal is an open store. It is safe for concurrent use.
type Journal struct {
	path    string
	options Options
	lost    string
	boot    string

	mu         sync.Mutex
	db         *bbolt.DB // nil once it cannot be trusted any more
	file       *os.File  // the one that db holds
	state      state
	checkpoint []byte
	durable    uint64  // the highest sequence on disk
	pending    []entry // not on disk yet
	dropped    uint64
	err        error
}

type entry struct {
	sequence uint64
	data     []byte
}

// Open opens the journal in a folder, and makes both when they are missing. A
// damaged file is put aside and a new one is started, which Lost tells. The
// errors are sentences for people.
func Open(dir string, o Options) (*Journal, error) {
	if o.Keep <= 0 {
		o.Keep = 100_000
	}
	if o.Queue <= 0 {
		o.Queue = 4096
	}
	if o.Now.IsZero() {
		o.Now = time.Now()
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, explain(dir, err)
	}
	j, err := open(dir, o)
	if d, ok := errors.AsType[*damage](err); ok {
		aside, err := putAside(dir, o.Now)
		if err != nil {
			return nil, explain(dir, err)
		}
		if j, err = open(dir, o); err != nil {
			return nil, explain(dir, err)
		}
		j.lost = fmt.Sprintf("the old file was damaged (%v) and is kept as %s", d, aside)
		return j, nil
	}
	if err != nil {
		return nil, explain(dir, err)
	}
	return j, nil
}

// ID names the store: it was drawn when the store was made, and is part of every
// event's id.
func (j *Journal) ID() string { return j.state.ID }

// Boot is different for each Open: a count that rises, and a random part.
func (j *Journal) Boot() string { return j.boot }

// Lost tells in a sentence what an earlier store lost, or is empty.
func (j *Journal) Lost() string { return j.lost }

// LastSequence is that of the last event given to Commit, 0 in a new store.
func (j *Journal) LastSequence() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.state.Last
}

// Checkpoint returns the last one given to Commit, nil in a new store.
func (j *Journal) Checkpoint() ([]byte, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.checkpoint, nil
}

// Commit stores events, the first with sequence first and the rest rising by
// one, together with the checkpoint that holds after them: all or nothing. The
// slices belong to the journal afterwards. A nil checkpoint keeps the one before.
//
// On an error the events wait in memory, After gives them, and every later
// Commit or Ack tries again; Commit may bring no event. Only events that do not
// follow the last one are refused.
func (j *Journal) Commit(first uint64, events [][]byte, checkpoint []byte) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(events) > 0 && first != j.state.Last+1 {
		return fmt.Errorf("event %d does not follow event %d", first, j.state.Last)
	}
	for _, data := range events {
		j.state.Last++
		j.enqueue(entry{j.state.Last, data})
	}
	if checkpoint != nil {
		j.checkpoint = checkpoint
	}
	j.save()
	return j.err
}

// enqueue keeps an event for the next save. When the queue is full, an event
// that everyone was told goes first, then the new one.
func (j *Journal) enqueue(e entry) {
	if len(j.pending) >= j.options.Queue {
		j.dropped++
		if j.pending[0].sequence > j.told() {
			return
		}
		j.pending = j.pending[1:]
	}
	j.pending = append(j.pending, e)
}

// After calls visit with the events that follow sequence seq, at most limit of
// them, oldest first, until it returns false. Visit may call the journal.
func (j *Journal) After(seq uint64, limit int, visit func(seq uint64, data []byte) bool) error {
	entries, err := j.after(seq, limit)
	for _, e := range entries {
		if !visit(e.sequence, e.data) {
			break
		}
	}
	return err
}

func (j *Journal) after(seq uint64, limit int) ([]entry, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	out, err := j.read(seq, limit)
	for _, e := range j.pending {
		if e.sequence > seq && len(out) < limit {
			out = append(out, e)
		}
	}
	return out, err
}

// Acked is the sequence up to which a receiver has acknowledged the events.
func (j *Journal) Acked(receiver string) (uint64, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	seq, ok := j.state.Acked[receiver]
	if !ok {
		return 0, fmt.Errorf("the journal has no receiver %q", receiver)
	}
	return seq, nil
}

// Ack records that a receiver has all events up to seq. It never goes back. On
// an error it holds until the process ends, and every later Commit or Ack tries
// to store it again.
func (j *Journal) Ack(receiver string, seq uint64) error {
	j.mu.Lock()
	defer j.mu.Unlock()
	old, ok := j.state.Acked[receiver]
	if !ok {
		return fmt.Errorf("the journal has no receiver %q", receiver)
	}
	if seq > j.state.Last {
		return fmt.Errorf("%s acknowledges event %d, the last one is %d", receiver, seq, j.state.Last)
	}
	if seq <= old {
		return nil
	}
	j.state.Acked[receiver] = seq
	j.save()
	return j.err
}

// told is the sequence up to which every receiver has acknowledged.
func (j *Journal) told() uint64 {
	seq := j.state.Last
	for _, a := range j.state.Acked {
		seq = min(seq, a)
	}
	return seq
}

// Depth is how many events are still to be told to the slowest receiver.
func (j *Journal) Depth() int {
	j.mu.Lock()
	defer j.mu.Unlock()
	return int(j.state.Last - min(j.state.Last, max(j.told(), j.state.Oldest-1)))
}

// Dropped counts the events since Open that could not be kept: unacknowledged
// ones beyond twice Keep, and those beyond the queue in memory.
func (j *Journal) Dropped() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.dropped
}

// Health is nil, or tells why the journal can no longer remember.
func (j *Journal) Health() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.err
}

// Close writes what is still waiting, and lets another process have the store.
// The journal must not be used afterwards.
func (j *Journal) Close() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	if len(j.pending) > 0 || j.err != nil {
		j.save()
	}
	if j.db == nil {
		return errors.Join(j.err, j.letGo())
	}
	return errors.Join(j.err, j.db.Close())
}

// removed tells when the open file is no longer the one at the path: what is
// written to it would be lost.
func (j *Journal) removed() error {
	held, err := j.file.Stat()
	if err != nil {
		return err
	}
	if now, err := os.Stat(j.path); errors.Is(err, fs.ErrNotExist) || err == nil && !os.SameFile(held, now) {
		return fmt.Errorf("the journal file %s was removed or replaced while in use: restart ebbwatch to start a new one", j.path)
	}
	return nil
}
