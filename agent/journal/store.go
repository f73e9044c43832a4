package journal

import (
	"cmp"
	"crypto/rand"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"maps"
	"math"
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
	// format is raised when an older ebbwatch could not make sense of the file: it
	// then refuses it, instead of starting without what it holds. Files of all
	// formats from 1 are read, and have this one once they are written to.
	//
	//	1  the checkpoint is that of the alarms
	//	2  the checkpoint is the agent's, and holds the plant's clocks too
	format = 2
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

// mistaken reports whether only a person can mend why a folder cannot be used.
func mistaken(err error) bool {
	return errors.Is(err, bolterrors.ErrTimeout) || errors.Is(err, errFormat) ||
		errors.Is(err, syscall.ENOTDIR) || errors.Is(err, syscall.EISDIR)
}

// explain makes a sentence of why a folder cannot be used.
func explain(dir string, err error) error {
	switch {
	case errors.Is(err, bolterrors.ErrTimeout):
		return fmt.Errorf("journal folder %s is in use by another ebbwatch: stop that one, or name another folder in state_dir", dir)
	case errors.Is(err, errFormat):
		return err
	default:
		return fmt.Errorf("journal folder %s cannot be used: %w: name another folder in state_dir", dir, err)
	}
}

var errFormat = errors.New("was written by a newer ebbwatch: use that one, or name another folder in state_dir")

// file is the open file and what it held when it was opened.
type file struct {
	db         *bbolt.DB
	held       *os.File // the one of db
	made       bool     // it held nothing
	state      state
	checkpoint []byte
	// err is why it could be read, but not be written.
	err error
}

// attach opens or makes the folder and the file. A damaged file is put aside.
// Lost tells what of earlier times is not in the file.
func (j *Journal) attach() (f *file, lost string, err error) {
	if err := os.MkdirAll(j.dir, 0o750); err != nil {
		return nil, "", err
	}
	f, err = openFile(j.path)
	if d, ok := errors.AsType[*damage](err); ok {
		aside, err := putAside(j.dir, cmp.Or(j.options.Now, time.Now()))
		if err != nil {
			return nil, fmt.Sprintf("the old file is damaged (%v) and cannot be put aside", d), err
		}
		f, err = openFile(j.path)
		return f, fmt.Sprintf("the old file was damaged (%v) and is kept as %s", d, aside), err
	}
	if err != nil {
		return nil, "", err
	}
	if f.made && j.marked() {
		lost = fmt.Sprintf("the old file %s is missing", j.path)
	}
	if f.err == nil && !j.marked() {
		// Without the mark a missing file would pass for a first start, no more.
		_ = os.WriteFile(filepath.Join(j.dir, markName), []byte(markText), 0o600)
	}
	return f, lost, nil
}

// errNoAnswer is a disk that does not let the file be opened in time.
var errNoAnswer = errors.New("the disk does not answer")

// openings is how many times patience the opening may take: a slow card needs a
// good part of a minute to give a full journal.
const openings = 12

// attachInTime is attach with a bound, for the start. What it finds later is left
// for the next save to attach.
func (j *Journal) attachInTime() (*file, string, error) {
	type attached struct {
		file *file
		lost string
		err  error
	}
	done := make(chan attached, 1)
	go func() {
		f, lost, err := j.attach()
		done <- attached{f, lost, err}
	}()
	limit := time.NewTimer(openings * j.options.patience)
	defer limit.Stop()
	select {
	case a := <-done:
		return a.file, a.lost, a.err
	case <-limit.C:
	}
	go func() {
		if a := <-done; a.file != nil {
			_ = a.file.close(false)
		}
	}()
	return nil, "the old file could not be read (the disk does not answer)", errNoAnswer
}

const (
	markName = "journal.mark"
	markText = "The record of alarms, journal.db, belongs beside this file. ebbwatch tells when it is missing.\n"
)

// marked reports whether the folder has ever held a journal.
func (j *Journal) marked() bool {
	_, err := os.Stat(filepath.Join(j.dir, markName))
	return err == nil
}

// openFile opens or makes the file, reads all of it twice, and counts the boot in
// between: a damaged page may pass the first reading and spoil others when the
// file is first written. A *damage error means that it should be put aside.
func openFile(path string) (*file, error) {
	info, err := os.Stat(path)
	empty := errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0
	f := &file{}
	err = guard(func() (err error) {
		if err := f.open(path, false); err != nil {
			return err
		}
		if f.state, f.checkpoint, err = f.load(); err != nil {
			return err
		}
		if f.made = f.state.ID == ""; f.made {
			f.state = state{Format: format, ID: random(8), Oldest: 1}
		}
		f.state.Boot++
		if _, f.err = f.commit(nil, &f.state, nil, math.MaxInt); f.err != nil {
			if _, ok := errors.AsType[*damage](f.err); ok {
				return f.err
			}
			return nil
		}
		if f.made {
			if err := syncFolder(filepath.Dir(path)); err != nil {
				return err
			}
		}
		_, _, err = f.load()
		return err
	})
	if err == nil {
		return f, nil
	}
	if f.held != nil {
		_ = f.letGo() // bbolt may have closed it
	}
	if empty && !errors.Is(err, bolterrors.ErrTimeout) {
		_ = os.Remove(path) // else what little was written would be found damaged
	}
	return nil, err
}

func (f *file) open(path string, readOnly bool) (err error) {
	f.db, err = bbolt.Open(path, 0o600, &bbolt.Options{
		Timeout:         time.Second,
		FreelistType:    bbolt.FreelistMapType,
		NoStatistics:    true,
		ReadOnly:        readOnly,
		PreLoadFreelist: true,
		OpenFile: func(name string, flag int, mode os.FileMode) (*os.File, error) {
			held, err := os.OpenFile(name, flag, mode)
			if err == nil {
				f.held = held
			}
			return held, err
		},
	})
	if _, ok := errors.AsType[syscall.Errno](err); ok || errors.Is(err, bolterrors.ErrTimeout) {
		return err
	}
	if err != nil {
		return damaged("%v", err)
	}
	return nil
}

// close ends the use of the file, one that is broken too.
func (f *file) close(broken bool) error {
	if broken {
		return f.letGo()
	}
	return f.db.Close()
}

// letGo closes the file and not the db, whose locks a panic may have left held.
// The db's mapping of the file lives on and would keep the file locked.
func (f *file) letGo() error {
	return errors.Join(syscall.Flock(int(f.held.Fd()), syscall.LOCK_UN), f.held.Close())
}

// removed tells when the open file is no longer the one at the path: what is
// written to it would be lost.
func (f *file) removed(path string) error {
	held, err := f.held.Stat()
	if err != nil {
		return err
	}
	if now, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) || err == nil && !os.SameFile(held, now) {
		return fmt.Errorf("the journal file %s was removed or replaced while in use: restart ebbwatch to start a new one", path)
	}
	return nil
}

// peek remembers what it can of a file that cannot be written now. Events that
// somebody has still to be told wait in memory, and are written once more with
// those that follow.
func (j *Journal) peek() error {
	f := &file{}
	err := guard(func() (err error) {
		if err := f.open(j.path, true); err != nil {
			return err
		}
		if f.state, f.checkpoint, err = f.load(); err != nil || f.state.ID == "" {
			return err
		}
		told := f.state.told()
		if room := uint64(j.options.Queue) / 2; f.state.Last-told > room {
			told = f.state.Last - room // the older ones stay on disk
		}
		j.pending, err = f.read(told, f.state.Last, j.options.Queue)
		return err
	})
	if f.held != nil {
		_ = f.letGo()
	}
	switch {
	case mistaken(err):
		return err
	case err == nil && f.state.ID != "":
		j.state, j.checkpoint = f.state, f.checkpoint
	case err == nil || errors.Is(err, fs.ErrNotExist):
		if j.marked() {
			j.lost = fmt.Sprintf("the old file %s is missing", j.path)
		}
	default:
		j.lost = fmt.Sprintf("the old file %s could not be read (%v)", j.path, err)
	}
	return nil
}

func random(n int) string {
	b := make([]byte, n)
	rand.Read(b) // never fails
	return hex.EncodeToString(b)
}

// load reads the whole file, so that damage shows now and not when an event is
// needed.
func (f *file) load() (st state, checkpoint []byte, err error) {
	err = f.db.View(func(tx *bbolt.Tx) error {
		if err := checkPages(tx, f.db.Info().PageSize); err != nil {
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
		if st.Format < 1 {
			return damaged("its format is %d", st.Format)
		}
		if st.Format > format {
			return fmt.Errorf("journal file %s %w", f.db.Path(), errFormat)
		}
		st.Format = format
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

// write is one transaction on its way to the disk. It belongs to a goroutine of
// its own until done gives how it ended.
type write struct {
	file       *file // nil when it is to be attached
	pending    []entry
	next       state
	checkpoint []byte
	keep       int
	lost       string
	dropped    uint64
	done       chan error
}

// Patience is how long a commit waits for the disk. A card that cleans up may
// take a second or two; an alarm must not wait much longer to be told. Common
// practice, no source.
const Patience = 5 * time.Second

// save writes all that is not on disk yet in one transaction, and notes in err
// how it went. When the disk does not answer, that write is left to itself and
// later ones wait in memory for its end, but nobody else waits.
func (j *Journal) save() {
	for !j.broken {
		w, wait := j.under, time.Duration(0)
		late := w != nil
		if !late {
			w, wait = j.begin(), j.options.patience
			if b := j.options.Beside; b != nil && b.hangs.Load() {
				wait = 0
			}
		}
		if err, ended := w.ended(wait); ended {
			j.under = nil
			j.hangs.Store(false)
			j.end(w, err)
		} else {
			j.under = w
			j.hangs.Store(true)
			j.err = fmt.Errorf("the journal in %s cannot be written: the disk has not answered for more than %s", j.dir, j.options.patience)
		}
		if !late || j.err != nil {
			return
		}
	}
}

// begin sends a write on its way.
func (j *Journal) begin() *write {
	w := &write{file: j.file, pending: j.pending, next: j.state, checkpoint: j.checkpoint, keep: j.options.Keep, done: make(chan error, 1)}
	w.next.Acked = maps.Clone(j.state.Acked)
	w.next.Checkpoint = j.checkpoint != nil
	go func() {
		if j.stall != nil {
			j.stall()
		}
		w.done <- guard(func() error { return w.run(j) })
	}()
	return w
}

// ended waits a while for the end.
func (w *write) ended(wait time.Duration) (error, bool) {
	limit := time.NewTimer(wait)
	defer limit.Stop()
	select {
	case err := <-w.done:
		return err, true
	case <-limit.C:
	}
	select {
	case err := <-w.done:
		return err, true
	default:
		return nil, false
	}
}

// end takes over what a write has found and done.
func (j *Journal) end(w *write, err error) {
	j.file = w.file
	if w.lost != "" {
		j.lost = w.lost
	}
	j.note(err)
	if err != nil {
		return
	}
	j.state.Oldest, j.state.Held, j.state.Checkpoint = w.next.Oldest, w.next.Held, w.next.Checkpoint
	j.durable = w.next.Last
	for len(j.pending) > 0 && j.pending[0].sequence <= j.durable {
		j.pending = j.pending[1:]
	}
	if len(j.pending) == 0 {
		j.pending = nil
	}
	j.dropped += w.dropped
}

// run attaches the file if need be, and writes. Of the journal it may read only
// what never changes.
func (w *write) run(j *Journal) (err error) {
	if w.file == nil {
		if w.file, w.lost, err = j.reattach(w.next.ID); err != nil {
			return err
		}
		w.next.Held = w.file.state.Held
	} else if err := w.file.removed(j.path); err != nil {
		return err
	}
	w.dropped, err = w.file.commit(w.pending, &w.next, w.checkpoint, w.keep)
	return err
}

// reattach is attach for a journal that has begun in memory under an id. A file
// with another id could not be read at the start, and is put aside.
func (j *Journal) reattach(id string) (*file, string, error) {
	f, lost, err := j.attach()
	if err != nil || f.made || f.state.ID == id {
		return f, lost, err
	}
	if err := f.close(false); err != nil {
		return nil, "", err
	}
	aside, err := putAside(j.dir, cmp.Or(j.options.Now, time.Now()))
	if err != nil {
		return nil, "", err
	}
	f, err = openFile(j.path)
	return f, fmt.Sprintf("the old file could not be read at the start and is kept as %s", aside), err
}

// commit writes events, the state after them and the checkpoint, all or nothing.
// It removes the oldest events beyond keep, completes what the state says of the
// events on disk, and returns how many went unacknowledged.
func (f *file) commit(pending []entry, next *state, checkpoint []byte, keep int) (dropped uint64, err error) {
	held := next.Held
	err = f.db.Update(func(tx *bbolt.Tx) error {
		states, err := tx.CreateBucketIfNotExists(stateBucket)
		if err != nil {
			return err
		}
		events, err := tx.CreateBucketIfNotExists(eventBucket)
		if err != nil {
			return err
		}
		events.FillPercent = 1 // keys only ever rise
		next.Held = held
		for _, e := range pending {
			if events.Get(key(e.sequence)) == nil {
				next.Held++
			}
			if err := put(events, key(e.sequence), e.data); err != nil {
				return err
			}
		}
		if dropped, err = prune(events, next, uint64(keep), sweep+len(pending)); err != nil {
			return err
		}
		if next.Checkpoint && checkpoint != nil {
			if err := put(states, checkpointKey, checkpoint); err != nil {
				return err
			}
		}
		own, err := json.Marshal(next)
		if err != nil {
			return err
		}
		return put(states, stateKey, own)
	})
	return dropped, err
}

// note remembers how the last access to the file ended. After damage the file is
// not touched again.
func (j *Journal) note(err error) {
	j.err = err
	if d, ok := errors.AsType[*damage](err); ok {
		j.err = fmt.Errorf("the journal file %s is damaged (%v): restart ebbwatch to put it aside and start a new one", j.path, d)
		j.broken = true
	} else if err != nil {
		j.err = fmt.Errorf("the journal in %s cannot be written: %w%s", j.dir, err, remedy(err))
	}
}

// told is the sequence up to which every receiver has acknowledged.
func (st *state) told() uint64 {
	seq := st.Last
	for _, a := range st.Acked {
		seq = min(seq, a)
	}
	return seq
}

// remedy is what to do about an error, where that is known.
func remedy(err error) string {
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT), errors.Is(err, syscall.EFBIG):
		return ": free some space there"
	case errors.Is(err, fs.ErrPermission):
		return ": give the user ebbwatch the right to write there"
	case errors.Is(err, syscall.EROFS):
		return ": the disk is read-only, look whether it is failing"
	}
	return ""
}

// prune removes the oldest events beyond keep, at most so many, corrects what the
// state says of those that stay, and returns how many went unacknowledged.
func prune(events *bbolt.Bucket, next *state, keep uint64, most int) (dropped uint64, err error) {
	told := next.told()
	var gone [][]byte
	next.Oldest = next.Last + 1
	c := events.Cursor()
	for k, _ := c.First(); k != nil; k, _ = c.Next() {
		seq := sequence(k)
		span := next.Last - seq + 1
		if span <= keep || seq > told && span <= 2*keep || len(gone) >= most {
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

// read returns the events on disk that follow seq, up to last.
func (f *file) read(seq, last uint64, limit int) ([]entry, error) {
	if seq >= last {
		return nil, nil
	}
	var out []entry
	err := guard(func() error {
		return f.db.View(func(tx *bbolt.Tx) error {
			c := tx.Bucket(eventBucket).Cursor()
			for k, v := c.Seek(key(seq + 1)); k != nil && len(out) < limit && sequence(k) <= last; k, v = c.Next() {
				data, err := unseal(k, v)
				if err != nil {
					return err
				}
				out = append(out, entry{sequence(k), slices.Clone(data)})
			}
			return nil
		})
	})
	return out, err
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
