package recording

import (
	"bytes"
	"compress/gzip"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// writer puts rows into files. It may wait for the disk for ever.
type writer struct {
	o       Options
	wanted  *atomic.Bool
	dropped *atomic.Uint64

	file    *os.File // nil while nothing can be written
	size    int64    // of file
	zip     *gzip.Writer
	retryAt time.Time // for a head to be asked for, zero when it was

	mu  sync.Mutex
	err error
}

func (w *writer) failure() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.err
}

// Write counts what goes into the file.
func (w *writer) Write(p []byte) (int, error) {
	n, err := w.file.Write(p)
	w.size += int64(n)
	return n, err
}

// write appends rows; those that begin with a header row begin a file.
func (w *writer) write(b []byte, now time.Time) {
	head := bytes.HasPrefix(b, []byte(header))
	err := error(nil)
	if head {
		w.close()
		err = w.open(now)
	}
	if err == nil && w.file != nil {
		_, err = w.zip.Write(b)
	}
	switch {
	case err != nil:
		w.failed(err, now)
	case w.file == nil:
		w.dropped.Add(1)
		w.ask(now)
	case head:
		w.tell(nil)
	case w.size >= w.o.MaxBytes/shares*3/2: // no head came, since too much waited
		w.close()
		w.retryAt = now
		w.ask(now)
	case w.size >= w.o.MaxBytes/shares:
		w.wanted.Store(true)
	}
}

// open begins a file, after it has made room for it.
func (w *writer) open(now time.Time) error {
	if err := os.MkdirAll(w.o.Dir, 0o750); err != nil {
		return err
	}
	if err := w.prune(now); err != nil {
		return err
	}
	// A second one within a millisecond, or after the clock went back, waits for
	// the next millisecond that is free.
	for {
		file, err := os.OpenFile(filepath.Join(w.o.Dir, now.UTC().Format(layout)), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
		if errors.Is(err, fs.ErrExist) {
			now = now.Add(time.Millisecond)
			continue
		}
		if err != nil {
			return err
		}
		w.file, w.size = file, 0
		break
	}
	if w.zip == nil {
		w.zip = gzip.NewWriter(w)
	} else {
		w.zip.Reset(w)
	}
	return nil
}

// prune removes files that are too old or too many, the oldest first. It leaves room
// for two shares, since a file ends a little over its own.
func (w *writer) prune(now time.Time) error {
	paths, err := recorded(w.o.Dir)
	if err != nil {
		return err
	}
	room := w.o.MaxBytes - 2*w.o.MaxBytes/shares
	for i, p := range slices.Backward(paths) {
		info, err := os.Stat(p)
		if err != nil {
			return err
		}
		room -= info.Size()
		if room >= 0 && len(paths)-i < maxFiles && (w.o.MaxAge == 0 || now.Sub(info.ModTime()) < w.o.MaxAge) {
			continue
		}
		if err := os.Remove(p); err != nil {
			return err
		}
	}
	return nil
}

// flush lets a power cut cost no more than what comes after it.
func (w *writer) flush(now time.Time) {
	if w.file == nil {
		w.ask(now)
		return
	}
	err := w.zip.Flush()
	if err == nil {
		err = w.file.Sync()
	}
	if err != nil {
		w.failed(err, now)
	}
}

// close ends the file. What it cannot write is lost as by a power cut.
func (w *writer) close() {
	if w.file == nil {
		return
	}
	err := w.zip.Close()
	err = errors.Join(err, w.file.Sync(), w.file.Close())
	w.file = nil
	if err != nil {
		w.tell(err)
	}
}

// failed gives the file up, and asks for a head after a while.
func (w *writer) failed(err error, now time.Time) {
	if w.file != nil {
		w.file.Close()
		if w.size == 0 {
			os.Remove(w.file.Name())
		}
		w.file = nil
	}
	w.dropped.Add(1)
	w.retryAt = now.Add(w.o.retryEvery)
	w.tell(err)
}

// ask asks for a head once it is time to try again.
func (w *writer) ask(now time.Time) {
	if !w.retryAt.IsZero() && !now.Before(w.retryAt) {
		w.retryAt = time.Time{}
		w.wanted.Store(true)
	}
}

// tell notes whether writing works, and logs a change.
func (w *writer) tell(err error) {
	w.mu.Lock()
	was := w.err
	w.err = err
	w.mu.Unlock()
	switch {
	case err != nil && was == nil:
		w.o.Log.Error("the recording cannot be written: there will be a gap in it; the watch goes on", "err", err)
	case err == nil && was != nil:
		w.o.Log.Info("the recording is written again")
	}
}

// example and layout are names of recorded files: they sort by time.
const (
	example = "readings-20261125T140500.000Z.csv.gz"
	layout  = "readings-20060102T150405.000Z.csv.gz"
	pattern = "readings-*.csv.gz"
)

// recorded lists the files of a recording, the oldest first.
func recorded(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir) // sorted
	var paths []string
	for _, e := range entries {
		if ok, _ := filepath.Match(pattern, e.Name()); ok {
			paths = append(paths, filepath.Join(dir, e.Name()))
		}
	}
	return paths, err
}
