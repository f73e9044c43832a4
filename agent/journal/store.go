package journal

import (
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strings"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
)

const (
	fileName = "journal.db"
	// format is raised when an older ebbwatch could no longer read the file.
	format = 1
	// asideKept is how many damaged files stay, so that the disk is bounded.
	asideKept = 3
	// sweep bounds the events that one save removes beyond those it adds, so
	// that the owner of the alarms never waits for a long clean-up.
	sweep = 1000
)

// The file has one bucket with two keys, and one with the events, the key being
// the sequence, big-endian. Every value ends in a checksum over key and value,
// since bbolt has none of its own for them.
var (
	stateBucket   = []byte("state")
	eventBucket   = []byte("events")
	stateKey      = []byte("state")
	checkpointKey = []byte("checkpoint")
)

// state is what the store knows about itself.
type state struct {
	Format int    `json:"format"`
	ID     string `json:"id"`
	Boot   uint64 `json:"boot"`
	Last   uint64 `json:"last"`
	// Oldest is the lowest sequence on disk, Last+1 when there is none, and Held
	// the number of events there: a lost page may leave no other trace.
	Oldest uint64 `json:"oldest"`
	Held   uint64 `json:"held"`
	// Checkpoint is whether there is one.
	Checkpoint bool              `json:"checkpoint"`
	Acked      map[string]uint64 `json:"acked"`
}

// damage is an error that means the file's content cannot be trusted.
type damage struct{ what string }

func (d *damage) Error() string { return d.what }

func damaged(format string, a ...any) error { return &damage{fmt.Sprintf(format, a...)} }

// guard calls f and makes damage of a panic. bbolt panics on some corruptions,
// and a page that the disk cannot deliver is a fault in the mapped memory.
func guard(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if r := recover(); r != nil {
			err = damaged("%v", r)
		}
	}()
	return f()
}

// explain makes a sentence of why a folder cannot be used.
func explain(dir string, err error) error {
	switch {
	case errors.Is(err, bolterrors.ErrTimeout):
		return fmt.Errorf("journal folder %s is in use by another ebbwatch: stop that one, or name another folder in state_dir", dir)
	case errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EFBIG):
		return fmt.Errorf("journal folder %s is full: %w: free some space, or name another folder in state_dir", dir, err)
	case errors.Is(err, errFormat):
		return err
	default:
		return fmt.Errorf("journal folder %s is not writable: %w: give the user ebbwatch the right to write there, or name another folder in state_dir", dir, err)
	}
}

var errFormat = errors.New("was written by a newer ebbwatch: use that one, or name another folder in state_dir")

// open opens or makes the file, reads all of it once, and counts the boot. A
// *damage error means that the file should be put aside.
func open(dir string, o Options) (*Journal, error) {
	j := &Journal{path: filepath.Join(dir, fileName), options: o}
	err := guard(func() (err error) {
		j.db, err = bbolt.Open(j.path, 0o600, &bbolt.Options{
			Timeout:      time.Second,
			FreelistType: bbolt.FreelistMapType,
			NoStatistics: true,
			OpenFile: func(name string, flag int, mode os.FileMode) (*os.File, error) {
				f, err := os.OpenFile(name, flag, mode)
				if err == nil {
					j.file = f
				}
				return f, err
			},
		})
		if _, ok := errors.AsType[syscall.Errno](err); ok || errors.Is(err, bolterrors.ErrTimeout) {
			return err
		}
		if err != nil {
			return damaged("%v", err)
		}
		j.state, j.checkpoint, err = j.load()
		return err
	})
	if err == nil {
		err = j.start(dir)
	}
	if err != nil {
		if j.file != nil {
			j.letGo()
		}
		return nil, err
	}
	return j, nil
}

// letGo closes the file and not the db, whose locks a panic may have left held.
// The db's mapping of the file lives on and would keep the file locked.
func (j *Journal) letGo() error {
	return errors.Join(syscall.Flock(int(j.file.Fd()), syscall.LOCK_UN), j.file.Close())
}

// start makes the open store this process's own.
func (j *Journal) start(dir string) error {
	made := j.state.ID == ""
	if made {
		j.state = state{Format: format, ID: random(8), Oldest: 1}
	}
	acked := make(map[string]uint64, len(j.options.Receivers))
	for _, r := range j.options.Receivers {
		acked[r] = j.state.Last
		if seq, ok := j.state.Acked[r]; ok {
			acked[r] = min(seq, j.state.Last)
		}
	}
	j.state.Acked = acked
	j.state.Boot++
	j.boot = fmt.Sprintf("%d-%s", j.state.Boot, random(4))
	j.durable = j.state.Last
	switch j.save(); {
	case j.db == nil:
		return damaged("%v", j.err)
	case j.err != nil && made:
		return j.err
	case j.err != nil:
		return nil // an old store that can be read is of use even if it is full
	}
	// A damaged page may pass the first reading and spoil others when the file
	// is first written: read again.
	return errors.Join(syncFolder(dir), guard(func() error {
		_, _, err := j.load()
		return err
	}))
}

func random(n int) string {
	b := make([]byte, n)
	rand.Read(b) // never fails
	return hex.EncodeToString(b)
}

// load reads the whole file, so that damage shows now and not when an event is
// needed.
func (j *Journal) load() (st state, checkpoint []byte, err error) {
	err = j.db.View(func(tx *bbolt.Tx) error {
		if err := checkPages(tx, j.db.Info().PageSize); err != nil {
			return err
		}
		own, events := tx.Bucket(stateBucket), tx.Bucket(eventBucket)
		if own == nil && events == nil && tx.ID() <= 1 { // as bbolt makes it
			return nil
		}
		if own == nil || events == nil {
			return damaged("a part is missing")
		}
		b, err := unseal(stateKey, own.Get(stateKey))
		if err != nil {
			return err
		}
		if err := json.Unmarshal(b, &st); err != nil || st.ID == "" {
			return damaged("its state is not readable")
		}
		if st.Format != format {
			return fmt.Errorf("journal file %s %w", j.path, errFormat)
		}
		if st.Checkpoint {
			if b, err = unseal(checkpointKey, own.Get(checkpointKey)); err != nil {
				return err
			}
			checkpoint = slices.Clone(b)
		}
		return st.check(events)
	})
	return st, checkpoint, err
}

// checkPages follows the pages from one end of the file to the other. A page that
// claims to reach further than it can makes bbolt take memory without bound.
func checkPages(tx *bbolt.Tx, pageSize int) error {
	pages := int(tx.Size() / int64(pageSize))
	for id := 0; id < pages; id++ {
		p, err := tx.Page(id)
		if err != nil {
			return err
		}
		if p.Type == "free" {
			continue
		}
		if p.OverflowCount < 0 || p.OverflowCount >= pages-id {
			return damaged("page %d is too long", p.ID)
		}
		for range p.OverflowCount {
			id++
			if over, err := tx.Page(id); err != nil || over.Type == "free" {
				return damaged("page %d reaches into free space", p.ID)
			}
		}
	}
	return nil
}

// check compares the events with what the state says of them.
func (st *state) check(events *bbolt.Bucket) error {
	oldest, last, held := st.Last+1, uint64(0), uint64(0)
	err := events.ForEach(func(k, v []byte) error {
		if len(k) != 8 || sequence(k) <= last || sequence(k) > st.Last {
			return damaged("its events are out of order")
		}
		last = sequence(k)
		oldest = min(oldest, last)
		held++
		_, err := unseal(k, v)
		return err
	})
	if err == nil && (oldest != st.Oldest || held != st.Held) {
		return damaged("it holds %d events from %d on, and should hold %d from %d on", held, oldest, st.Held, st.Oldest)
	}
	return err
}

// save writes all that is not on disk yet in one transaction, and notes in err
// how it went.
func (j *Journal) save() {
	if j.db == nil {
		return
	}
	next, dropped := j.state, uint64(0)
	next.Checkpoint = j.checkpoint != nil
	err := guard(func() error {
		if err := j.removed(); err != nil {
			return err
		}
		return j.db.Update(func(tx *bbolt.Tx) error {
			states, err := tx.CreateBucketIfNotExists(stateBucket)
			if err != nil {
				return err
			}
			events, err := tx.CreateBucketIfNotExists(eventBucket)
			if err != nil {
				return err
			}
			events.FillPercent = 1 // keys only ever rise
			for _, e := range j.pending {
				if err := put(events, key(e.sequence), e.data); err != nil {
					return err
				}
			}
			next.Held = j.state.Held + uint64(len(j.pending))
			if dropped, err = j.prune(events, &next); err != nil {
				return err
			}
			if next.Checkpoint {
				if err := put(states, checkpointKey, j.checkpoint); err != nil {
					return err
				}
			}
			own, err := json.Marshal(next)
			if err != nil {
				return err
			}
			return put(states, stateKey, own)
		})
	})
	j.note(err)
	if err == nil {
		j.state, j.pending, j.durable = next, nil, next.Last
		j.dropped += dropped
	}
}

// note remembers how the last access to the file ended. After damage the file is
// not touched again.
func (j *Journal) note(err error) {
	j.err = err
	if d, ok := errors.AsType[*damage](err); ok {
		j.err = fmt.Errorf("the journal file %s is damaged (%v): restart ebbwatch to put it aside and start a new one", j.path, d)
		j.db = nil
	}
	if err != nil && j.db != nil {
		j.err = fmt.Errorf("the journal in %s cannot be written: %w", filepath.Dir(j.path), err)
	}
}

// prune removes the oldest events beyond Keep, corrects what the state says of
// those that stay, and returns how many went unacknowledged.
func (j *Journal) prune(events *bbolt.Bucket, next *state) (dropped uint64, err error) {
	keep, told := uint64(j.options.Keep), j.told()
	var gone [][]byte
	next.Oldest = next.Last + 1
	c := events.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		seq := sequence(k)
		span := next.Last - seq + 1
		if span <= keep || seq > told && span <= 2*keep || len(gone) >= sweep+len(j.pending) {
			next.Oldest = seq
			break
		}
		if seq > told {
			dropped++
		}
		gone = append(gone, slices.Clone(k))
	}
	for _, k := range gone {
		if err := events.Delete(k); err != nil {
			return 0, err
		}
	}
	next.Held -= uint64(len(gone))
	return dropped, nil
}

// read returns the events on disk that follow seq.
func (j *Journal) read(seq uint64, limit int) ([]entry, error) {
	if j.db == nil || seq >= j.durable {
		return nil, nil
	}
	var out []entry
	err := guard(func() error {
		return j.db.View(func(tx *bbolt.Tx) error {
			c := tx.Bucket(eventBucket).Cursor()
			for k, v := c.Seek(key(seq + 1)); k != nil && len(out) < limit && sequence(k) <= j.durable; k, v = c.Next() {
				data, err := unseal(k, v)
				if err != nil {
					return err
				}
				out = append(out, entry{sequence(k), slices.Clone(data)})
			}
			return nil
		})
	})
	if err != nil {
		j.note(err)
		return out, j.err
	}
	return out, nil
}

func key(seq uint64) []byte { return binary.BigEndian.AppendUint64(nil, seq) }

func sequence(key []byte) uint64 { return binary.BigEndian.Uint64(key) }

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func checksum(key, data []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, data)
}

// put stores data with its checksum.
func put(b *bbolt.Bucket, key, data []byte) error {
	return b.Put(key, binary.BigEndian.AppendUint32(slices.Clone(data), checksum(key, data)))
}

// unseal returns the data that put stored.
func unseal(key, v []byte) ([]byte, error) {
	if len(v) < 4 {
		return nil, damaged("the value of %q is missing", key)
	}
	data, sum := v[:len(v)-4], binary.BigEndian.Uint32(v[len(v)-4:])
	if checksum(key, data) != sum {
		return nil, damaged("the checksum of %q does not fit", key)
	}
	return data, nil
}

// putAside renames the damaged file and returns its new name.
func putAside(dir string, now time.Time) (string, error) {
	path := filepath.Join(dir, fileName)
	aside := path + ".damaged-" + now.UTC().Format("20060102T150405.000Z")
	if err := os.Rename(path, aside); err != nil {
		return "", err
	}
	files, err := os.ReadDir(dir) // sorted by name, which is by time
	if err != nil {
		return "", err
	}
	files = slices.DeleteFunc(files, func(f fs.DirEntry) bool { return !strings.HasPrefix(f.Name(), fileName+".damaged-") })
	for _, f := range files[:max(0, len(files)-asideKept)] {
		if err := os.Remove(filepath.Join(dir, f.Name())); err != nil {
			return "", err
		}
	}
	return aside, nil
}

// syncFolder makes a new file's name durable.
func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
