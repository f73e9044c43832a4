// Package archive keeps what must be readable for years: entries that are appended
// to one file a year and never changed, and beside them what holds at present. A
// reader needs no lock: it sees whole lines, whatever the writer does.
//
// When the disk cannot be written, or does not answer, entries wait in memory
// within a fixed bound, Err says so, and they are written once it takes them.
package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"
)

const (
	// yearsKept files stay: the present year and five before, so that one with a
	// wrong year does not cost one of the three that have to be kept.
	yearsKept = 6
	// maxEntry bounds an entry, and what holds at present, in bytes.
	maxEntry = 256 << 10
	// maxYear bounds a file, in bytes: what does not fit is refused, and Err says so.
	maxYear = 32 << 20
	// maxWaiting bounds the entries in memory.
	maxWaiting = 1000
	// retry is how long a disk that failed is left alone, patience how long it may
	// take to answer.
	retry, patience = 30 * time.Second, 5 * time.Second
)

// Entry is one line of a file.
type Entry struct {
	// Year names the file.
	Year int
	Data []byte
}

// Archive writes to a folder. Its methods may be called from several goroutines.
type Archive struct {
	dir  string
	wake chan struct{}

	mu      sync.Mutex
	waiting []Entry
	present []byte // to be written, nil when it is
	err     error
	dropped int
	since   time.Time // when the write under way began, zero when there is none
}

// New makes an archive in a folder, which may be missing or unusable: then what is
// put into it waits.
func New(dir string) *Archive { return &Archive{dir: dir, wake: make(chan struct{}, 1)} }

// Put hands over entries and what holds at present, which may be nil. It does not
// block. The slices belong to the archive afterwards.
func (a *Archive) Put(entries []Entry, present []byte) {
	a.mu.Lock()
	for _, e := range entries {
		if len(a.waiting) >= maxWaiting || len(e.Data) > maxEntry {
			a.dropped++
			continue
		}
		a.waiting = append(a.waiting, e)
	}
	if present != nil {
		a.present = present
	}
	a.mu.Unlock()
	select {
	case a.wake <- struct{}{}:
	default:
	}
}

// Err tells why the record cannot be kept, nil when it can.
func (a *Archive) Err() error {
	a.mu.Lock()
	defer a.mu.Unlock()
	switch {
	case a.dropped > 0:
		return fmt.Errorf("%d entries of the record are lost: %w", a.dropped, cmp.Or(a.err, errors.New("too many waited, or one was too long")))
	case !a.since.IsZero() && time.Since(a.since) > patience:
		return fmt.Errorf("the disk of %s does not answer", a.dir)
	}
	return a.err
}

// Run writes until ctx ends, and then once more.
func (a *Archive) Run(ctx context.Context) error {
	timer := time.NewTicker(retry)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			a.Flush()
			return ctx.Err()
		case <-a.wake:
		case <-timer.C:
		}
		a.Flush()
	}
}

// Flush writes what waits. It blocks as long as the disk does; one goroutine at a
// time may call it.
func (a *Archive) Flush() {
	a.mu.Lock()
	waiting, present := slices.Clone(a.waiting), a.present
	if len(waiting) == 0 && present == nil {
		a.mu.Unlock()
		return
	}
	a.since = time.Now()
	a.mu.Unlock()
	n, err := a.write(waiting, present)
	a.mu.Lock()
	defer a.mu.Unlock()
	a.since, a.err = time.Time{}, err
	a.waiting = a.waiting[n:]
	if err == nil && present != nil && &a.present[0] == &present[0] {
		a.present = nil
	}
}

// write returns how many entries need not be written again. What holds at present
// goes last: after a crash an entry may come twice, but none is missing.
func (a *Archive) write(entries []Entry, present []byte) (n int, err error) {
	if err := os.MkdirAll(a.dir, 0o750); err != nil {
		return 0, fmt.Errorf("make the folder of the record: %w", err)
	}
	for ; n < len(entries); n++ {
		if err := a.append(entries[n]); err != nil {
			return n, fmt.Errorf("write the record: %w", err)
		}
	}
	if n > 0 {
		if err := a.forget(); err != nil {
			return n, err
		}
	}
	if present == nil {
		return n, nil
	}
	if err := replace(filepath.Join(a.dir, presentName), frame(present)); err != nil {
		return n, fmt.Errorf("write the present day of the record: %w", err)
	}
	return n, nil
}

// append adds a line to the file of its year, after a line that a crash cut off
// has been ended.
func (a *Archive) append(e Entry) (err error) {
	path := filepath.Join(a.dir, fmt.Sprintf("%04d%s", e.Year, suffix))
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_APPEND, 0o640)
	if err != nil {
		return err
	}
	defer func() { err = cmp.Or(err, f.Close()) }()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	line := frame(e.Data)
	if info.Size()+int64(len(line)) > maxYear {
		return fmt.Errorf("%s is full with %d bytes: keep it elsewhere and move it away", path, info.Size())
	}
	if size := info.Size(); size > 0 {
		last := make([]byte, 1)
		if _, err := f.ReadAt(last, size-1); err != nil {
			return err
		}
		if last[0] != '\n' {
			line = append([]byte{'\n'}, line...)
		}
	}
	if _, err := f.Write(line); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if info.Size() == 0 {
		return syncFolder(a.dir)
	}
	return nil
}

// forget removes the oldest files.
func (a *Archive) forget() error {
	files, err := years(a.dir)
	if err != nil {
		return err
	}
	for len(files) > yearsKept {
		if err := os.Remove(files[0]); err != nil {
			return fmt.Errorf("remove the oldest year of the record: %w", err)
		}
		files = files[1:]
	}
	return nil
}

// replace puts a new file in the place of an old one, whole or not at all.
func replace(path string, data []byte) (err error) {
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = cmp.Or(err, f.Sync(), f.Close())
	if err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	return syncFolder(filepath.Dir(path))
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return cmp.Or(d.Sync(), d.Close())
}

// years lists the files, the oldest first.
func years(dir string) ([]string, error) {
	names, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, n := range names {
		if year, ok := strings.CutSuffix(n.Name(), suffix); ok && len(year) == 4 && strings.Trim(year, "0123456789") == "" {
			out = append(out, filepath.Join(dir, n.Name()))
		}
	}
	slices.Sort(out)
	return out, nil
}
