package journal

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/peertest"
)

// swift is a folder on a disk in memory where there is one: the tests below open
// thousands of files.
func swift(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "ebbwatch")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// unharmedOrLost opens a spoilt file: the journal gives what was written, or says
// that it is lost, starts anew and takes events.
func unharmedOrLost(t *testing.T, dir, reason string, spoilt []byte) (lost bool) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, fileName), spoilt, 0o600); err != nil {
		t.Fatal(err)
	}
	j, err := Open(dir, Options{Receivers: []string{"mqtt"}, Now: at})
	if err != nil {
		t.Fatalf("%s: %v", reason, err)
	}
	defer j.Close()
	lost = j.Lost() != ""
	if !lost {
		same(t, reason, j)
	} else if cp, _ := j.Checkpoint(); cp != nil || j.LastSequence() != 0 {
		t.Errorf("%s: the new journal starts with checkpoint %q, event %d", reason, cp, j.LastSequence())
	}
	if err := j.Commit(j.LastSequence()+1, batch(j.LastSequence()+1, 1), nil); err != nil {
		t.Errorf("%s: %v", reason, err)
	}
	return lost
}

// A file that ends anywhere in the last page that was written, or in the last one
// there is.
func TestCutAtEveryByteOfTheLastPage(t *testing.T) {
	t.Parallel()
	dir, page := swift(t), os.Getpagesize()
	whole := written(t, dir, 40)
	used := len(bytes.TrimRight(whole, "\x00"))
	lost := 0
	for _, end := range []int{(used + page - 1) / page * page, len(whole)} {
		step := 1
		if end == len(whole) { // nothing was ever written there
			step = 15
		}
		for cut := end - page; cut < end; cut += step {
			if unharmedOrLost(t, dir, fmt.Sprintf("cut to %d of %d bytes", cut, len(whole)), whole[:cut]) {
				lost++
			}
		}
	}
	t.Logf("%d of %d bytes; %d times put aside", used, len(whole), lost)
	if lost == 0 || lost >= page {
		t.Error("the test reaches only one of the two ends")
	}
}

// Each byte of the two heads in use, and many others, in turn has one wrong bit.
func TestEveryByteOfTheHeads(t *testing.T) {
	t.Parallel()
	dir := swift(t)
	whole := written(t, dir, 40)
	page := os.Getpagesize()
	for i := 0; i < 2*page; i++ {
		if i%page >= 128 && i%7 != 0 { // bbolt uses the first 80 bytes of each
			continue
		}
		b := bytes.Clone(whole)
		b[i] ^= 1 << (i % 8)
		unharmedOrLost(t, dir, fmt.Sprintf("head byte %d", i), b)
	}
	// Both heads gone is the end of the file.
	clear(whole[:2*os.Getpagesize()])
	if !unharmedOrLost(t, dir, "both heads", whole) {
		t.Error("a file without heads was read")
	}
}

// A file that is missing is told from a first start.
func TestMissing(t *testing.T) {
	dir := t.TempDir()
	if j := mustOpen(t, dir, Options{}); j.Lost() != "" {
		t.Errorf("at the first start, lost: %q", j.Lost())
	} else {
		j.Close()
	}
	path := filepath.Join(dir, fileName)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	j := mustOpen(t, dir, Options{})
	if want := "the old file " + path + " is missing"; j.Lost() != want {
		t.Errorf("lost: %q, want %q", j.Lost(), want)
	}
	j.Close()
	j = mustOpen(t, dir, Options{})
	defer j.Close()
	if j.Lost() != "" {
		t.Errorf("lost is told again: %q", j.Lost())
	}
}

func inMemory(t testing.TB) *peertest.Disk { return peertest.NewDisk(t, 1024) }

// A folder that cannot be written: what the file holds is known, what follows is
// kept and told from memory, and written once the folder can be.
func TestNotWritable(t *testing.T) {
	readOnly := func(_ *testing.T, d *peertest.Disk) func() {
		d.SetReadOnly(true)
		return func() { d.SetReadOnly(false) }
	}
	immutable := func(name string) func(*testing.T, *peertest.Disk) func() {
		return func(t *testing.T, d *peertest.Disk) func() {
			change := func(flag string) {
				if out, err := exec.Command("chattr", flag, filepath.Join(d.Dir, name)).CombinedOutput(); err != nil {
					t.Skipf("chattr is of no use here: %v: %s", err, out)
				}
			}
			change("+i")
			t.Cleanup(func() { change("-i") })
			return func() { change("-i") }
		}
	}
	full := func(_ *testing.T, d *peertest.Disk) func() {
		d.Fill()
		return d.Empty
	}
	for _, c := range []struct {
		reason string
		disk   func(testing.TB) *peertest.Disk
		spoil  func(*testing.T, *peertest.Disk) (mend func())
		before uint64 // events
		says   string
	}{
		{"read-only disk", inMemory, readOnly, 6, "the disk is read-only"},
		{"read-only disk, no folder yet", inMemory, readOnly, 0, "the disk is read-only"},
		{"immutable file", peertest.NewFreezer, immutable("state/" + fileName), 6, "not permitted"},
		{"immutable disk, no folder yet", peertest.NewFreezer, immutable("."), 0, "not permitted"},
		{"full disk, no folder yet", inMemory, full, 0, "free some space"},
	} {
		t.Run(c.reason, func(t *testing.T) {
			d := c.disk(t)
			dir, o := filepath.Join(d.Dir, "state"), Options{Receivers: []string{"mqtt"}}
			id := ""
			if c.before > 0 {
				j := mustOpen(t, dir, o)
				j.Commit(1, batch(1, int(c.before)), []byte("before"))
				j.Ack("mqtt", 2)
				id = j.ID()
				j.Close()
			}
			mend := c.spoil(t, d)
			j := mustOpen(t, dir, o)
			if err := j.Health(); err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("health: %v, expected %q", err, c.says)
			}
			if id != "" && j.ID() != id || j.Lost() != "" || j.LastSequence() != c.before {
				t.Errorf("opened as %s, last %d, lost %q", j.ID(), j.LastSequence(), j.Lost())
			}
			last := c.before + 3
			if err := j.Commit(last-2, batch(last-2, 3), []byte("later")); err == nil {
				t.Error("events were stored")
			}
			told, _ := j.Acked("mqtt")
			if got := held(t, j, told, 100); uint64(len(got)) != last-told || got[len(got)-1] != last {
				t.Errorf("held %v after %d, expected up to %d", got, told, last)
			}
			if err := j.Ack("mqtt", last); err == nil {
				t.Error("an acknowledgement was stored")
			}
			mend()
			if err := j.Commit(0, nil, []byte("mended")); err != nil || j.Health() != nil || j.Lost() != "" {
				t.Errorf("once mended: %v, health %v, lost %q", err, j.Health(), j.Lost())
			}
			id = j.ID()
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
			j = mustOpen(t, dir, o)
			defer j.Close()
			cp, _ := j.Checkpoint()
			if got := held(t, j, 0, 100); uint64(len(got)) != last || j.ID() != id || string(cp) != "mended" || j.Depth() != 0 || j.Lost() != "" {
				t.Errorf("on disk: events %v as %s with checkpoint %q, depth %d, lost %q", got, j.ID(), cp, j.Depth(), j.Lost())
			}
		})
	}
}

// A disk that was not there at the start comes back with a journal of its own: it
// is kept beside, and the one that has begun goes on.
func TestOldFileComesBack(t *testing.T) {
	d := peertest.NewDisk(t, 1024)
	j := mustOpen(t, d.Dir, Options{})
	j.Commit(1, batch(1, 4), []byte("old"))
	j.Close()
	path := filepath.Join(d.Dir, fileName)
	if err := os.Rename(path, path+".away"); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(d.Dir, markName)); err != nil {
		t.Fatal(err)
	}
	d.SetReadOnly(true)
	j = mustOpen(t, d.Dir, Options{Now: at})
	j.Commit(1, batch(1, 2), []byte("new"))
	d.SetReadOnly(false)
	if err := os.Rename(path+".away", path); err != nil {
		t.Fatal(err)
	}
	if err := j.Commit(3, batch(3, 1), []byte("newer")); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(j.Lost(), "could not be read at the start and is kept as "+path+".damaged-") {
		t.Errorf("lost: %q", j.Lost())
	}
	j.Close()
	j = mustOpen(t, d.Dir, Options{})
	defer j.Close()
	if got := held(t, j, 0, 10); len(got) != 3 {
		t.Errorf("held %v, want 1 2 3", got)
	}
	kept, err := filepath.Glob(path + ".damaged-*")
	if err != nil || len(kept) != 1 {
		t.Errorf("kept %v (%v)", kept, err)
	}
}

// A disk that no longer answers holds up one commit for a while, and nothing
// after it; what it owes is on it when it answers again.
func TestDiskDoesNotAnswer(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		j := mustOpen(t, dir, Options{Receivers: []string{"mqtt"}})
		j.Commit(1, batch(1, 2), []byte("two"))
		answer := make(chan struct{})
		j.stall = func() { <-answer }
		began := time.Now()
		err := j.Commit(3, batch(3, 2), []byte("four"))
		if want := "has not answered for more than 5s"; err == nil || !strings.Contains(err.Error(), want) || time.Since(began) != Patience {
			t.Errorf("after %s: %v, expected %q", time.Since(began), err, want)
		}
		began = time.Now()
		for seq := uint64(5); seq <= 8; seq++ {
			if err := j.Commit(seq, batch(seq, 1), fmt.Appendf(nil, "%d", seq)); err == nil {
				t.Errorf("event %d was stored", seq)
			}
		}
		if err := j.Ack("mqtt", 6); err == nil {
			t.Error("an acknowledgement was stored")
		}
		if got := held(t, j, 0, 100); len(got) != 8 {
			t.Errorf("held %v, want 1 to 8", got)
		}
		if time.Since(began) != 0 {
			t.Errorf("later commits waited %s for the disk", time.Since(began))
		}
		close(answer)
		synctest.Wait()
		for j.Health() != nil { // the late write ends in its own time
			j.Commit(0, nil, []byte("eight"))
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
	j := mustOpen(t, dir, Options{Receivers: []string{"mqtt"}})
	defer j.Close()
	cp, _ := j.Checkpoint()
	acked, _ := j.Acked("mqtt")
	if got := held(t, j, 0, 100); len(got) != 8 || string(cp) != "eight" || acked != 6 || j.Lost() != "" {
		t.Errorf("on disk: %v, checkpoint %q, acknowledged %d, lost %q", got, cp, acked, j.Lost())
	}
}

// Two journals on such a disk hold up their user once, not once each.
func TestTwoJournalsOnADiskThatDoesNotAnswer(t *testing.T) {
	dirs := [2]string{t.TempDir(), t.TempDir()}
	synctest.Test(t, func(t *testing.T) {
		events := mustOpen(t, dirs[0], Options{})
		notices := mustOpen(t, dirs[1], Options{Beside: events})
		answer := make(chan struct{})
		for _, j := range []*Journal{events, notices} {
			j.stall = func() { <-answer }
		}
		began := time.Now()
		for seq := uint64(1); seq <= 3; seq++ {
			if events.Commit(seq, batch(seq, 1), []byte("e")) == nil || notices.Commit(seq, batch(seq, 1), []byte("n")) == nil {
				t.Errorf("commit %d was stored", seq)
			}
		}
		if took := time.Since(began); took != Patience {
			t.Errorf("six commits waited %s for the disk, expected %s", took, Patience)
		}
		close(answer)
		synctest.Wait()
		for _, j := range []*Journal{events, notices} {
			for j.Health() != nil {
				j.Commit(0, nil, []byte("after"))
			}
			if got := held(t, j, 0, 10); len(got) != 3 {
				t.Errorf("held %v, want 1 2 3", got)
			}
		}
		// The disk answers again, and is waited for again.
		notices.stall = func() { time.Sleep(time.Second) }
		if err := notices.Commit(4, batch(4, 1), []byte("n")); err != nil {
			t.Errorf("a slow commit: %v", err)
		}
		for _, j := range []*Journal{events, notices} {
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// A frozen file system is such a disk, while the journal runs and at its start.
func TestFrozenDisk(t *testing.T) {
	d := peertest.NewFreezer(t)
	o := Options{Receivers: []string{"mqtt"}, patience: 100 * time.Millisecond}
	j := mustOpen(t, d.Dir, o)
	frozen := func(first uint64) {
		t.Helper()
		for seq := first; seq < first+3; seq++ {
			if err := j.Commit(seq, batch(seq, 1), []byte("frozen")); err == nil {
				t.Errorf("event %d was stored on a frozen disk", seq)
			}
		}
		if got := held(t, j, first-1, 10); len(got) != 3 {
			t.Errorf("held %v, want 3 from %d", got, first)
		}
	}
	close := func(thaw func()) {
		t.Helper()
		thaw()
		for j.Health() != nil {
			j.Commit(0, nil, []byte("thawed"))
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
	thaw := d.Freeze()
	frozen(1)
	close(thaw)

	thaw = d.Freeze()
	j = mustOpen(t, d.Dir, o)
	if j.Health() == nil || !strings.Contains(j.Lost(), "the disk does not answer") {
		t.Errorf("opened on a frozen disk: health %v, lost %q", j.Health(), j.Lost())
	}
	frozen(1) // the events before are not known
	close(thaw)
	if !strings.Contains(j.Lost(), "could not be read at the start and is kept as ") {
		t.Errorf("lost: %q", j.Lost())
	}
	j = mustOpen(t, d.Dir, Options{})
	defer j.Close()
	if got := held(t, j, 0, 10); len(got) != 3 || j.Lost() != "" {
		t.Errorf("on disk: %v, want 1 2 3; lost %q", got, j.Lost())
	}
}
