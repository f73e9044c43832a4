package archive

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
)

const (
	suffix      = ".record"
	presentName = "present"
	// mark begins each line: the name of the form and its version.
	mark = "ebbwatch-record-1 "
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// frame makes a line of data that has no line feed: mark, checksum, data.
func frame(data []byte) []byte {
	line := fmt.Appendf(nil, "%s%08x ", mark, crc32.Checksum(data, castagnoli))
	return append(append(line, data...), '\n')
}

// unframe gives back the data of a line without its line feed.
func unframe(line []byte) ([]byte, error) {
	rest, ok := bytes.CutPrefix(line, []byte(mark))
	if !ok || len(rest) < 9 || rest[8] != ' ' {
		return nil, errors.New("it is no line of a record of version 1, or cut off")
	}
	if data := rest[9:]; string(rest[:8]) == fmt.Sprintf("%08x", crc32.Checksum(data, castagnoli)) {
		return data, nil
	}
	return nil, errors.New("its checksum is wrong")
}

// Contents is what a folder holds.
type Contents struct {
	// Entries are in the order in which they were written, year by year.
	Entries [][]byte
	// Present is what held when it was last written, nil when there is nothing.
	Present []byte
	// Faults tell of lines that cannot be read, each as file:line: what.
	Faults []string
}

// Read reads the files of a folder from a year on, and changes nothing in it,
// whether it is being written or not. A folder that does not exist has no contents.
func Read(dir string, since int) (Contents, error) {
	var c Contents
	files, err := years(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return c, nil
	}
	if err != nil {
		return c, err
	}
	for _, path := range files {
		if filepath.Base(path) < fmt.Sprintf("%04d", since) {
			continue
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return c, err
		}
		for i, line := range bytes.Split(text, []byte{'\n'}) {
			if len(line) == 0 {
				continue
			}
			data, err := unframe(line)
			if err != nil {
				c.Faults = append(c.Faults, fmt.Sprintf("%s:%d: %v", path, i+1, err))
				continue
			}
			c.Entries = append(c.Entries, data)
		}
	}
	if c.Present, err = Present(dir); err != nil {
		c.Faults = append(c.Faults, err.Error())
	}
	return c, nil
}

// Present reads what held when it was last written, nil when there is nothing.
func Present(dir string) ([]byte, error) {
	path := filepath.Join(dir, presentName)
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	data, err := unframe(bytes.TrimSuffix(text, []byte{'\n'}))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return data, nil
}
