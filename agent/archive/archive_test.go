package archive

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// hold writes what waits and reads all of it back.
func hold(t *testing.T, a *Archive) Contents {
	t.Helper()
	a.Flush()
	if err := a.Err(); err != nil {
		t.Fatal(err)
	}
	c, err := Read(a.dir, 0)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func text(c Contents) (out []string) {
	for _, e := range c.Entries {
		out = append(out, string(e))
	}
	return out
}

func TestWhatIsPutInComesOut(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "record")
	if c, err := Read(dir, 0); err != nil || c.Entries != nil || c.Present != nil || c.Faults != nil {
		t.Errorf("of no folder %+v, %v", c, err)
	}
	a := New(dir)
	a.Put([]Entry{{2026, []byte(`{"a":1}`)}, {2025, []byte(`{"b":2}`)}}, []byte("one"))
	a.Put([]Entry{{2026, []byte(`{"c":3}`)}}, []byte("two"))
	c := hold(t, a)
	if d := cmp.Diff([]string{`{"b":2}`, `{"a":1}`, `{"c":3}`}, text(c)); d != "" || string(c.Present) != "two" || c.Faults != nil {
		t.Errorf("%s%q %v", d, c.Present, c.Faults)
	}
	if c, err := Read(dir, 2026); err != nil || len(c.Entries) != 2 {
		t.Errorf("from 2026 on %q, %v", text(c), err)
	}
	again := New(dir) // after a restart it goes on
	again.Put([]Entry{{2026, []byte("d")}}, nil)
	if c := hold(t, again); len(c.Entries) != 4 || string(c.Present) != "two" {
		t.Errorf("%q %q", text(c), c.Present)
	}
}

// A line that the power cut off costs itself alone, and each flipped bit too.
func TestDamage(t *testing.T) {
	dir := t.TempDir()
	a := New(dir)
	a.Put([]Entry{{2026, []byte("first")}, {2026, []byte("second")}}, []byte("present"))
	hold(t, a)
	path := filepath.Join(dir, "2026"+suffix)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	first := bytes.IndexByte(whole, '\n') + 1
	for n := first + 1; n < len(whole)-1; n++ {
		if err := os.WriteFile(path, whole[:n], 0o600); err != nil {
			t.Fatal(err)
		}
		if c, _ := Read(dir, 0); cmp.Diff([]string{"first"}, text(c)) != "" || len(c.Faults) != 1 {
			t.Fatalf("cut at %d: %q %v", n, text(c), c.Faults)
		}
	}
	a.Put([]Entry{{2026, []byte("third")}}, nil)
	if c := hold(t, a); cmp.Diff([]string{"first", "third"}, text(c)) != "" || len(c.Faults) != 1 || !strings.HasPrefix(c.Faults[0], path+":2: ") {
		t.Errorf("after a cut %q %v", text(c), c.Faults)
	}
	for i := range first * 8 {
		spoilt := bytes.Clone(whole)
		spoilt[i/8] ^= 1 << (i % 8)
		if err := os.WriteFile(path, spoilt, 0o600); err != nil {
			t.Fatal(err)
		}
		c, _ := Read(dir, 0)
		if got := text(c); len(c.Faults) == 0 || len(got) > 1 || len(got) == 1 && got[0] != "second" {
			t.Fatalf("bit %d flipped: %q %v", i, got, c.Faults)
		}
	}
	if err := os.WriteFile(filepath.Join(dir, presentName), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if c, err := Read(dir, 0); err != nil || c.Present != nil || len(c.Faults) == 0 {
		t.Errorf("a spoilt present gave %q, %v", c.Present, err)
	}
}

// Three years stay whatever comes, one with a wrong year among them; the rest goes.
func TestYearsKept(t *testing.T) {
	dir := t.TempDir()
	a := New(dir)
	for _, year := range []int{2020, 2021, 2022, 2037, 2023, 2024, 2025, 2026} {
		a.Put([]Entry{{year, fmt.Append(nil, year)}}, nil)
		a.Flush()
	}
	if d := cmp.Diff([]string{"2022", "2023", "2024", "2025", "2026", "2037"}, text(hold(t, a))); d != "" {
		t.Error(d)
	}
}

// What cannot be written waits, is told, and is written in order once the disk
// takes it. A file where the folder should be stands for a disk that refuses.
func TestADiskThatRefuses(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "record")
	if err := os.WriteFile(dir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	a := New(dir)
	a.Put([]Entry{{2026, []byte("first")}}, []byte("one"))
	a.Flush()
	if err := a.Err(); err == nil {
		t.Fatal("no error from a disk that refuses")
	}
	a.Put([]Entry{{2026, []byte("second")}}, []byte("two"))
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	if c := hold(t, a); cmp.Diff([]string{"first", "second"}, text(c)) != "" || string(c.Present) != "two" {
		t.Errorf("%q %q", text(c), c.Present)
	}
}

// Memory is bounded, and what is lost for it is told until the end.
func TestTooMuchWaits(t *testing.T) {
	a := New(t.TempDir())
	a.Put(make([]Entry, maxWaiting+3), nil)
	a.Put([]Entry{{2026, make([]byte, maxEntry+1)}}, nil)
	a.Flush()
	if err := a.Err(); err == nil || !strings.HasPrefix(err.Error(), "4 entries of the record are lost") {
		t.Errorf("error %v", err)
	}
}

// Run writes when something is put, and once more at its end.
func TestRun(t *testing.T) {
	dir := t.TempDir()
	a := New(dir)
	done := make(chan error)
	ctx, cancel := context.WithCancel(t.Context())
	go func() { done <- a.Run(ctx) }()
	a.Put([]Entry{{2026, []byte("first")}}, nil)
	cancel()
	<-done
	a.Put([]Entry{{2026, []byte("late")}}, nil)
	if c := hold(t, a); len(c.Entries) != 2 {
		t.Errorf("%q", text(c))
	}
}

// A disk that refuses is tried again by itself.
func TestRunTriesAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := filepath.Join(t.TempDir(), "record")
		if err := os.WriteFile(dir, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		a := New(dir)
		ctx, cancel := context.WithCancel(t.Context())
		go func() { _ = a.Run(ctx) }()
		a.Put([]Entry{{2026, []byte("first")}}, nil)
		synctest.Wait()
		if a.Err() == nil {
			t.Error("no error from a disk that refuses")
		}
		if err := os.Remove(dir); err != nil {
			t.Fatal(err)
		}
		time.Sleep(retry + time.Second)
		synctest.Wait()
		if err := a.Err(); err != nil {
			t.Errorf("still %v", err)
		}
		cancel()
		synctest.Wait()
	})
}

// A writer is killed again and again in the middle of its work: whatever it had
// told to be written is there, in order, each at most once by one writer.
func TestKill(t *testing.T) {
	if dir := os.Getenv("EBBWATCH_ARCHIVE_KILLED"); dir != "" {
		a := New(dir)
		for i := 0; ; i++ {
			a.Put([]Entry{{2026, fmt.Appendf(nil, "%d", i)}}, fmt.Appendf(nil, "%d", i))
			a.Flush()
			fmt.Println(i)
		}
	}
	for round := range 5 {
		dir := t.TempDir()
		cmd := exec.Command(os.Args[0], "-test.run=^TestKill$")
		cmd.Env = append(os.Environ(), "EBBWATCH_ARCHIVE_KILLED="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines, told := bufio.NewScanner(out), 0
		for told < 1+7*round && lines.Scan() {
			told++
		}
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		for lines.Scan() {
			told++
		}
		_ = cmd.Wait()
		c, err := Read(dir, 0)
		if err != nil {
			t.Fatal(err)
		}
		got := text(c)
		if len(got) < told || len(got) > told+1 {
			t.Errorf("%d entries, %d were told to be written", len(got), told)
		}
		for i, e := range got {
			if e != fmt.Sprint(i) {
				t.Fatalf("entry %d is %s", i, e)
			}
		}
		if c.Present == nil {
			t.Error("nothing is present")
		}
	}
}

func FuzzUnframe(f *testing.F) {
	f.Add([]byte("ebbwatch-record-1 00000000 "))
	f.Add(frame([]byte("{}")))
	f.Fuzz(func(t *testing.T, line []byte) {
		data, err := unframe(line)
		if err == nil && !bytes.Equal(frame(data), append(bytes.Clone(line), '\n')) {
			t.Errorf("%q came from %q", data, line)
		}
	})
}
