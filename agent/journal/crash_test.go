package journal

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// The test binary runs itself again as another process that uses a journal.
const childEnv = "EBBWATCH_JOURNAL_CHILD"

func TestMain(m *testing.M) {
	if mode := os.Getenv(childEnv); mode != "" {
		if err := child(mode, os.Args[1]); err != nil {
			fmt.Println("error:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func child(mode, dir string) error {
	switch mode {
	case "full":
		return fullDisk(dir)
	case "denied":
		return denied(dir)
	case "script":
		return script(dir)
	}
	j, err := Open(dir, Options{Receivers: []string{"mqtt"}, Keep: 200})
	if err != nil {
		return err
	}
	if mode == "hold" {
		fmt.Println("held")
		_, err := io.Copy(io.Discard, os.Stdin)
		return err
	}
	for n := 1; ; n = n%7 + 1 { // "commit": until killed
		first := j.LastSequence() + 1
		last := first + uint64(n) - 1
		if err := j.Commit(first, batch(first, n), fmt.Appendf(nil, "after %d", last)); err != nil {
			return err
		}
		if last%3 == 0 {
			if err := j.Ack("mqtt", last); err != nil {
				return err
			}
		}
		fmt.Println(last)
	}
}

// start runs the child and returns it with its standard output.
func start(t *testing.T, mode, dir string) (*exec.Cmd, *bufio.Scanner, io.Closer) {
	t.Helper()
	cmd := exec.Command(os.Args[0], dir)
	cmd.Env = append(os.Environ(), childEnv+"="+mode)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	return cmd, bufio.NewScanner(out), in
}

// A process that is killed at any moment leaves events without gaps, all those
// whose commit had returned, and the checkpoint of the last of them.
func TestKilledWhileCommitting(t *testing.T) {
	dir := t.TempDir()
	for round := range 12 {
		cmd, out, _ := start(t, "commit", dir)
		var told uint64
		for range 10 + 7*round { // another moment in each round
			if !out.Scan() {
				t.Fatalf("round %d: the child stopped by itself", round)
			}
			n, err := strconv.ParseUint(out.Text(), 10, 64)
			if err != nil {
				t.Fatalf("round %d: the child said %q", round, out.Text())
			}
			told = n
		}
		cmd.Process.Kill()
		cmd.Wait()

		j := mustOpen(t, dir, Options{Receivers: []string{"mqtt"}, Keep: 200})
		if j.Lost() != "" {
			t.Fatalf("round %d: %s", round, j.Lost())
		}
		last := j.LastSequence()
		if last < told {
			t.Errorf("round %d: last event %d, but %d was committed", round, last, told)
		}
		if cp, _ := j.Checkpoint(); string(cp) != fmt.Sprintf("after %d", last) {
			t.Errorf("round %d: checkpoint %q after event %d", round, cp, last)
		}
		all := held(t, j, 0, 1000)
		for i, seq := range all {
			if want := last - uint64(len(all)-1-i); seq != want {
				t.Fatalf("round %d: event %d where %d belongs", round, seq, want)
			}
		}
		// The child confirms every event whose number three divides and that ends a
		// batch. Begun anew at any number it may write 29 before one does, and it is
		// killed before it confirms the next.
		if acked, _ := j.Acked("mqtt"); acked > last || last-acked > 29+7 {
			t.Errorf("round %d: acknowledged %d of %d", round, acked, last)
		}
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestInUseByAnotherProcess(t *testing.T) {
	dir := t.TempDir()
	cmd, out, in := start(t, "hold", dir)
	if !out.Scan() || out.Text() != "held" {
		t.Fatalf("the child said %q", out.Text())
	}
	_, err := Open(dir, Options{})
	want := "journal folder " + dir + " is in use by another ebbwatch: stop that one, or name another folder in state_dir"
	if err == nil || err.Error() != want {
		t.Errorf("got %v\nwant %s", err, want)
	}
	in.Close()
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	j := mustOpen(t, dir, Options{})
	defer j.Close()
	if j.Lost() != "" {
		t.Errorf("a journal in use was taken for a damaged one: %s", j.Lost())
	}
}

// A disk with no more room, which the kernel's limit on the size of a file
// stands for: the journal goes on in memory, says so, and catches up.
func TestDiskFull(t *testing.T) {
	cmd, out, _ := start(t, "full", t.TempDir())
	var said []string
	for out.Scan() {
		said = append(said, out.Text())
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, strings.Join(said, "\n"))
	}
}

func fullDisk(dir string) error {
	signal.Ignore(unix.SIGXFSZ) // so that a write over the limit is an error
	limit := func(size uint64) error {
		return unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: size, Max: unix.RLIM_INFINITY})
	}
	o := Options{Receivers: []string{"mqtt"}, Queue: 50}
	j, err := Open(dir, o)
	if err != nil {
		return err
	}
	if err := limit(200_000); err != nil {
		return err
	}
	// Each commit brings 10 kB, so that the file soon wants to grow.
	event := func(seq uint64) []byte { return fmt.Appendf(nil, "%d%s", seq, strings.Repeat(".", 10_000)) }
	var failed uint64
	for seq := uint64(1); failed == 0; seq++ {
		if seq > 100 {
			return fmt.Errorf("100 commits succeeded within 200 kB")
		}
		if err := j.Commit(seq, [][]byte{event(seq)}, event(seq)); err != nil {
			failed = seq
		}
	}
	const queue = 50
	last := failed + queue + 9 // 10 more than fit
	for seq := failed + 1; seq <= last; seq++ {
		if err := j.Commit(seq, [][]byte{event(seq)}, event(seq)); err == nil {
			return fmt.Errorf("event %d was stored on a full disk", seq)
		}
	}
	if err := j.Health(); err == nil || !strings.Contains(err.Error(), "cannot be written: ") || !strings.Contains(err.Error(), "file too large") {
		return fmt.Errorf("health is %v", err)
	}
	if j.Dropped() != 10 {
		return fmt.Errorf("%d events dropped, want 10", j.Dropped())
	}
	check := func(j *Journal, last uint64) error {
		want := uint64(1)
		err := j.After(0, 1000, func(seq uint64, data []byte) bool {
			ok := seq == want && string(data) == string(event(seq))
			want++
			return ok
		})
		if err != nil || want != last+1 {
			return fmt.Errorf("events stop before %d, want %d (%v)", want, last+1, err)
		}
		return nil
	}
	if err := check(j, failed+queue-1); err != nil { // the oldest untold ones stay
		return err
	}
	// Acknowledging works on; an acknowledgement that cannot be stored holds.
	if err := j.Ack("mqtt", failed+5); err == nil {
		return fmt.Errorf("an acknowledgement was stored on a full disk")
	}
	if got, _ := j.Acked("mqtt"); got != failed+5 {
		return fmt.Errorf("acknowledged %d, want %d", got, failed+5)
	}
	if err := limit(unix.RLIM_INFINITY); err != nil {
		return err
	}
	if err := j.Commit(0, nil, event(last)); err != nil {
		return fmt.Errorf("with room again: %w", err)
	}
	if j.Health() != nil {
		return fmt.Errorf("still unwell with room again: %w", j.Health())
	}
	if err := j.Close(); err != nil {
		return err
	}
	// A store that is full at the start is still read and used.
	if err := limit(1000); err != nil {
		return err
	}
	if j, err = Open(dir, o); err != nil {
		return fmt.Errorf("open on a full disk: %w", err)
	}
	if j.LastSequence() != last || j.Health() == nil || j.Lost() != "" {
		return fmt.Errorf("opened on a full disk: last %d, health %v, lost %q", j.LastSequence(), j.Health(), j.Lost())
	}
	if err := check(j, failed+queue-1); err != nil {
		return err
	}
	// A new store is kept in memory until it can be made.
	fresh := filepath.Join(dir, "fresh")
	if j, err = Open(fresh, o); err != nil {
		return fmt.Errorf("new store on a full disk: %w", err)
	}
	if err := j.Commit(1, [][]byte{event(1)}, event(1)); err == nil {
		return fmt.Errorf("an event was stored on a full disk")
	}
	if err := limit(unix.RLIM_INFINITY); err != nil {
		return err
	}
	if err := j.Commit(2, [][]byte{event(2)}, event(2)); err != nil {
		return fmt.Errorf("a new store with room again: %w", err)
	}
	if err := j.Close(); err != nil {
		return err
	}
	if j, err = Open(fresh, o); err != nil || j.Lost() != "" {
		return fmt.Errorf("new store, opened again: %w, lost %q", err, j.Lost())
	}
	return check(j, 2)
}

// A folder without the right to write. Root may write anywhere, so a process that
// has given that up tries.
func TestNoRightToWrite(t *testing.T) {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o555); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Dir(dir), 0o755); err != nil {
		t.Fatal(err)
	}
	_, out, _ := start(t, "denied", dir)
	want := "the journal in " + dir + " cannot be written: open " + dir + "/journal.db: permission denied: give the user ebbwatch the right to write there"
	if !out.Scan() || out.Text() != want {
		t.Errorf("got  %s\nwant %s", out.Text(), want)
	}
}

func denied(dir string) error {
	if os.Getuid() == 0 {
		if err := syscall.Setuid(65534); err != nil {
			return err
		}
	}
	j, err := Open(dir, Options{})
	if err != nil {
		return err
	}
	fmt.Println(j.Health())
	return nil
}
