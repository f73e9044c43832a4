package recording

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"
)

// Files reads files, and every file of a recording's folder in their order, as one.
// Compressed files are told by their first bytes.
type Files struct {
	paths  []string
	points Points
	m      *Mapping

	at     int
	file   *os.File
	whole  *wholeLines // nil when the file is not compressed
	reader *Reader
	read   *counter
	done   int64 // bytes of the files before
	total  int64
	last   time.Time

	cut     []string
	unknown map[string]int
	twice   int
}

// Open finds the files. A recording that is cut or damaged, by a power cut say, is
// read up to its last whole row.
func Open(paths []string, points Points, m *Mapping) (*Files, error) {
	f := &Files{points: points, m: m, unknown: map[string]int{}}
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			return nil, err
		}
		if !info.IsDir() {
			f.paths = append(f.paths, path)
			continue
		}
		inside, err := recorded(path)
		if err != nil {
			return nil, err
		}
		if len(inside) == 0 {
			return nil, &Fault{path, 0, "no file of a recording in this folder", "files such as " + example}
		}
		f.paths = append(f.paths, inside...)
	}
	for _, p := range f.paths {
		info, err := os.Stat(p)
		if err != nil {
			return nil, err
		}
		f.total += info.Size()
	}
	return f, f.open()
}

// open opens the file at f.at.
func (f *Files) open() error {
	file, err := os.Open(f.paths[f.at])
	if err != nil {
		return err
	}
	f.file, f.read, f.whole, f.reader = file, &counter{in: file}, nil, nil
	in := bufio.NewReaderSize(f.read, 64<<10)
	var plain io.Reader = in
	magic, _ := in.Peek(2) // RFC 1952, section 2.3.1
	if bytes.Equal(magic, []byte{0x1f, 0x8b}) || strings.HasSuffix(file.Name(), ".gz") {
		f.whole = &wholeLines{}
		if z, err := gzip.NewReader(in); err != nil {
			f.whole.why, f.whole.err = err, io.EOF
		} else {
			f.whole.in = z
		}
		plain = f.whole
	}
	r, err := NewReader(plain, file.Name(), f.points, f.m)
	if err != nil && f.broken(err) {
		return nil
	}
	f.reader = r
	return err
}

// broken tells whether an error is that of a compressed file which is cut or damaged,
// and takes note of it. What a file says that is whole is the fault of who wrote it.
func (f *Files) broken(err error) bool {
	if f.whole == nil {
		return false
	}
	var fault *Fault
	if errors.As(err, &fault) && f.whole.why == nil {
		// Its checksum, at its end, tells a fault from a damage.
		if io.Copy(io.Discard, f.whole); f.whole.why != nil {
			f.whole.why = fmt.Errorf("line %d cannot be read, %w", fault.Line, f.whole.why)
		}
	}
	if f.whole.why == nil {
		return false
	}
	f.leaveOut()
	return true
}

// Exact is that of the present file's reader.
func (f *Files) Exact() bool { return f.reader != nil && f.reader.Exact() }

// Next is that of Reader, over all files.
func (f *Files) Next() (*Entry, error) {
	for {
		err := io.EOF
		if f.reader != nil {
			var e *Entry
			if e, err = f.reader.Next(); err == nil {
				return e, f.ordered(e)
			}
		}
		if err != io.EOF && !f.broken(err) {
			return nil, err
		}
		f.leave()
		if f.at+1 >= len(f.paths) {
			return nil, io.EOF
		}
		f.at++
		if err := f.open(); err != nil {
			return nil, err
		}
	}
}

// ordered refuses a history that goes back in time, from file to file.
func (f *Files) ordered(e *Entry) error {
	if !f.reader.Exact() && e.Time.Before(f.last) {
		return f.reader.disorder(e.Time.Format(time.RFC3339))
	}
	f.last = e.Time
	return nil
}

// leave takes note of what is to be told of a file that ended.
func (f *Files) leave() {
	if f.file == nil {
		return
	}
	if f.whole != nil && f.whole.why != nil {
		f.cut = append(f.cut, fmt.Sprintf("%s (%v)", f.file.Name(), f.whole.why))
	}
	f.leaveOut()
	f.Close()
}

// leaveOut is done with the reader.
func (f *Files) leaveOut() {
	if f.reader == nil {
		return
	}
	f.twice += f.reader.Twice()
	for p, n := range f.reader.Unknown() {
		f.unknown[p] += n
	}
	f.reader = nil
}

// Cut lists the files that end before their end, each with the reason.
func (f *Files) Cut() []string { return f.cut }

// Twice and Unknown are those of Reader, over the files that ended.
func (f *Files) Twice() int { return f.twice }

// Unknown is that of Reader, over the files that ended.
func (f *Files) Unknown() map[string]int { return f.unknown }

// Progress is how much has been read, from 0 to 1.
func (f *Files) Progress() float64 {
	n := f.done
	if f.file != nil {
		n += f.read.n
	}
	return float64(n) / float64(max(f.total, 1))
}

// Close lets go of the open file.
func (f *Files) Close() error {
	if f.file == nil {
		return nil
	}
	f.done += f.read.n
	err := f.file.Close()
	f.file, f.reader = nil, nil
	return err
}

// counter counts what is read.
type counter struct {
	in io.Reader
	n  int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.in.Read(p)
	c.n += int64(n)
	return n, err
}

// wholeLines reads a compressed file up to its last whole line. Only a line that is
// ended is given out, since what is cut may look like a shorter number.
type wholeLines struct {
	in   io.Reader
	buf  []byte // buf[from:full] are whole lines to give out
	from int
	full int
	err  error
	why  error // what is wrong with the file, nil when it is whole
}

func (w *wholeLines) Read(p []byte) (int, error) {
	for w.from == w.full {
		if w.err != nil {
			return 0, w.err
		}
		w.fill()
	}
	n := copy(p, w.buf[w.from:w.full])
	w.from += n
	return n, nil
}

// fill reads more, at most up to the longest line.
func (w *wholeLines) fill() {
	const step = 64 << 10
	w.buf = w.buf[:copy(w.buf, w.buf[w.full:])]
	had := len(w.buf)
	w.buf = append(w.buf, make([]byte, step)...)
	n, err := w.in.Read(w.buf[had:])
	w.buf = w.buf[:had+n]
	w.from, w.full = 0, bytes.LastIndexByte(w.buf, '\n')+1
	switch {
	case err == io.EOF: // its length and checksum were right
		w.full, w.err = len(w.buf), io.EOF
	case err != nil:
		w.why, w.err = err, io.EOF
	case w.full == 0 && len(w.buf) > maxLine:
		w.why, w.err = fmt.Errorf("a line of over %d bytes", maxLine), io.EOF
	}
}

// maxLine is far over the longest row: the states of all alarms of a site.
const maxLine = 16 << 20
