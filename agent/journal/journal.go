// Package journal remembers what must survive a restart: the alarm events, who
// has been told of them, and the checkpoint that holds after the last one. One
// bbolt file in one folder, one process at a time.
//
// When the file cannot be used, or the disk does not answer, the journal goes on
// in memory, within a fixed bound, and Health says so: alarms are told even while
// nothing can be remembered. It writes what it held once the file can be used.
package journal

import (
	"cmp"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"
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
	// Beside is another journal on the same disk: a disk that does not answer that
	// one is not waited for here as well. Nil for none.
	Beside *Journal
	// Now names a damaged file that is put aside; the zero time takes the clock.
	Now time.Time

	patience time.Duration
}

// Journal is an open store. It is safe for concurrent use.
type Journal struct {
	dir, path string
	options   Options
	boot      string

	mu   sync.Mutex
	lost string
	// file is nil while it cannot be used, and broken tells that it will not be
	// touched again.
	file       *file
	broken     bool
	state      state
	checkpoint []byte
	durable    uint64  // the highest sequence on disk
	pending    []entry // not on disk yet, or not known to be
	under      *write  // on its way to a disk that does not answer
	hangs      atomic.Bool
	dropped    uint64
	err        error
	stall      func() // in tests, comes before each write
}

type entry struct {
	sequence uint64
	data     []byte
}

// Open opens the journal in a folder, and makes both when they are missing. A
// damaged file is put aside and a new one is started, which Lost tells. A folder
// that cannot be used now is no error, since it may be again: Health tells. What
// a person must mend first is one, a sentence.
func Open(dir string, o Options) (*Journal, error) {
	if o.Keep <= 0 {
		o.Keep = 100_000
	}
	if o.Queue <= 0 {
		o.Queue = 4096
	}
	o.patience = cmp.Or(o.patience, Patience)
	j := &Journal{dir: dir, path: filepath.Join(dir, fileName), options: o}
	var err error
	j.file, j.lost, err = j.attachInTime()
	switch {
	case err == nil:
		j.state, j.checkpoint, j.durable = j.file.state, j.file.checkpoint, j.file.state.Last
		err = j.file.err
	case !mistaken(err) && !errors.Is(err, errNoAnswer):
		if later := j.peek(); later != nil {
			err = later
		}
	}
	if mistaken(err) {
		return nil, explain(dir, err)
	}
	j.note(err)
	if j.state.ID == "" {
		j.state = state{Format: format, ID: random(8), Oldest: 1}
	}
	if j.file == nil {
		j.state.Boot++
	}
	j.boot = fmt.Sprintf("%d-%s", j.state.Boot, random(4))
	acked := make(map[string]uint64, len(o.Receivers))
	for _, r := range o.Receivers {
		acked[r] = j.state.Last
		if seq, ok := j.state.Acked[r]; ok {
			acked[r] = min(seq, j.state.Last)
		}
	}
	j.state.Acked = acked
	return j, nil
}

// ID names the store: it was drawn when the store was made, and is part of every
// event's id.
func (j *Journal) ID() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.state.ID
}

// Boot is different for each Open: a count that rises, and a random part.
func (j *Journal) Boot() string { return j.boot }

// Lost tells in a sentence what of earlier times is lost, or is empty.
func (j *Journal) Lost() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.lost
}

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
		if j.pending[0].sequence > j.state.told() {
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

func (j *Journal) after(seq uint64, limit int) (out []entry, err error) {
	j.mu.Lock()
	f, durable, pending := j.file, j.durable, j.pending
	if j.broken {
		f = nil
	}
	j.mu.Unlock()
	if f != nil { // with no lock held: a disk may not answer
		out, err = f.read(seq, durable, limit)
	}
	if err != nil {
		j.mu.Lock()
		j.note(err)
		err = j.err
		j.mu.Unlock()
	}
	for _, e := range pending {
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

// Depth is how many events are still to be told to the slowest receiver.
func (j *Journal) Depth() int {
	j.mu.Lock()
	defer j.mu.Unlock()
	return int(j.state.Last - min(j.state.Last, max(j.state.told(), j.state.Oldest-1)))
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
	if j.file == nil || j.under != nil { // the end of the process lets go of it
		return j.err
	}
	return errors.Join(j.err, j.file.close(j.broken))
}
