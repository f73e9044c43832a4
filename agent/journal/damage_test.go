package journal

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

var at = time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)

// written makes a journal with events and returns its file's content.
func written(t testing.TB, dir string, events int) []byte {
	t.Helper()
	j := mustOpen(t, dir, Options{Receivers: []string{"mqtt"}})
	for seq := uint64(1); seq <= uint64(events); seq++ {
		if err := j.Commit(seq, batch(seq, 1), []byte("checkpoint")); err != nil {
			t.Fatal(err)
		}
	}
	if err := j.Ack("mqtt", uint64(events)/2); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A file that cannot be read is kept under another name, and the journal starts
// anew under another id.
func TestDamagedFile(t *testing.T) {
	whole := written(t, t.TempDir(), 300)
	page := os.Getpagesize()
	for _, c := range []struct {
		reason string
		data   []byte
	}{
		{"not a store at all", []byte("time,alarm,from,to\n")},
		{"a store's size in zeros", make([]byte, len(whole))},
		{"cut in the middle", whole[:len(whole)/2]},
		{"only the two heads are left", whole[:2*page]},
		{"all but the heads is zero", append(bytes.Clone(whole[:2*page]), make([]byte, len(whole)-2*page)...)},
		{"all but the heads is noise", append(bytes.Clone(whole[:2*page]), bytes.Repeat([]byte{0xa5}, len(whole)-2*page)...)},
	} {
		t.Run(c.reason, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, fileName)
			if err := os.WriteFile(path, c.data, 0o600); err != nil {
				t.Fatal(err)
			}
			j := mustOpen(t, dir, Options{Now: at})
			defer j.Close()
			aside := path + ".damaged-20261125T080000.000Z"
			if !strings.Contains(j.Lost(), "the old file was damaged") || !strings.HasSuffix(j.Lost(), "is kept as "+aside) {
				t.Errorf("lost: %q", j.Lost())
			}
			if kept, err := os.ReadFile(aside); err != nil || !bytes.Equal(kept, c.data) {
				t.Errorf("the damaged file was not kept as it was (%v)", err)
			}
			if cp, _ := j.Checkpoint(); cp != nil || j.LastSequence() != 0 {
				t.Errorf("the new journal starts with checkpoint %q, event %d", cp, j.LastSequence())
			}
			if err := j.Commit(1, batch(1, 1), nil); err != nil {
				t.Error(err)
			}
		})
	}
}

// Whichever byte is wrong: the journal opens, and gives what was written or says
// that it is lost; never something else, never a panic.
func TestAnyByteDamaged(t *testing.T) {
	whole := written(t, t.TempDir(), 40)
	dir := t.TempDir()
	path := filepath.Join(dir, fileName)
	var lost, kept int
	for i := 0; i < len(whole); i += 23 { // odd, so that every field gets hit
		b := bytes.Clone(whole)
		b[i] ^= byte(1 << (i % 8))
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		j, err := Open(dir, Options{Receivers: []string{"mqtt"}, Now: at})
		if err != nil {
			if strings.Contains(err.Error(), "newer ebbwatch") {
				continue
			}
			t.Fatalf("byte %d: %v", i, err)
		}
		if j.Lost() != "" {
			lost++
		} else {
			kept++
			same(t, fmt.Sprintf("byte %d", i), j)
		}
		j.Close()
	}
	t.Logf("%d times put aside, %d times read unharmed", lost, kept)
	if lost == 0 || kept == 0 {
		t.Errorf("%d times put aside, %d times unharmed: the test reaches only one of them", lost, kept)
	}
}

// same checks that a journal holds what written put there, or what it held one
// transaction earlier: bbolt falls back to that when its last head is damaged.
func same(t *testing.T, reason string, j *Journal) {
	t.Helper()
	all := held(t, j, 0, 1000)
	acked, _ := j.Acked("mqtt")
	cp, _ := j.Checkpoint()
	if len(all) != 40 || all[39] != 40 || j.LastSequence() != 40 || acked != 20 && acked != 0 || string(cp) != "checkpoint" {
		t.Errorf("%s: %d events, last %d, acknowledged %d, checkpoint %q", reason, len(all), j.LastSequence(), acked, cp)
	}
}

// A file that goes bad under a running journal: what follows is kept in memory,
// and the next start puts the file aside.
func TestDamagedWhileRunning(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, fileName)
	written(t, dir, 300)
	j := mustOpen(t, dir, Options{Receivers: []string{"mqtt"}, Now: at})
	if err := os.Truncate(path, int64(2*os.Getpagesize())); err != nil {
		t.Fatal(err)
	}
	if err := j.After(0, 10, func(uint64, []byte) bool { return true }); err == nil {
		t.Error("events were read from a file that has been cut off")
	}
	if err := j.Commit(301, batch(301, 2), []byte("later")); err == nil {
		t.Error("events were stored in a file that has been cut off")
	}
	if err := j.Health(); err == nil || !strings.Contains(err.Error(), "is damaged") {
		t.Errorf("health: %v", err)
	}
	if got := held(t, j, 150, 10); len(got) != 2 || got[0] != 301 {
		t.Errorf("held %v, want 301 and 302 from memory", got)
	}
	j.Close()
	j = mustOpen(t, dir, Options{Receivers: []string{"mqtt"}, Now: at})
	defer j.Close()
	if j.Lost() == "" {
		t.Error("the cut file was not put aside")
	}
}

// Damaged files do not fill the disk.
func TestFewDamagedFilesStay(t *testing.T) {
	dir := t.TempDir()
	for i := range 6 {
		if err := os.WriteFile(filepath.Join(dir, fileName), []byte("damaged"), 0o600); err != nil {
			t.Fatal(err)
		}
		mustOpen(t, dir, Options{Now: at.Add(time.Duration(i) * time.Hour)}).Close()
	}
	files, err := filepath.Glob(filepath.Join(dir, fileName+".damaged-*"))
	if err != nil {
		t.Fatal(err)
	}
	if len(files) != asideKept || !strings.HasSuffix(files[2], "T130000.000Z") {
		t.Errorf("kept %v, want the latest %d", files, asideKept)
	}
}
