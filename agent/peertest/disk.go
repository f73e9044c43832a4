package peertest

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// Disk is a small file system of its own, which can fill up, turn read-only or
// no longer answer.
type Disk struct {
	// Dir is where it is mounted.
	Dir string
	t   testing.TB
}

// NewDisk mounts an empty disk in memory of so many kilobytes until the test
// ends, and skips the test where that is not allowed.
func NewDisk(t testing.TB, kilobytes int) *Disk {
	t.Helper()
	d := &Disk{t.TempDir(), t}
	err := unix.Mount("tmpfs", d.Dir, "tmpfs", 0, fmt.Sprintf("size=%dk,mode=0750", kilobytes))
	if errors.Is(err, unix.EPERM) || errors.Is(err, unix.EACCES) {
		t.Skip("a disk cannot be mounted here: run the tests as root")
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.unmount)
	return d
}

func (d *Disk) unmount() {
	if err := unix.Unmount(d.Dir, unix.MNT_DETACH); err != nil {
		d.t.Errorf("unmount %s: %v", d.Dir, err)
	}
}

// Fill leaves no room at all.
func (d *Disk) Fill() {
	d.t.Helper()
	f, err := os.Create(filepath.Join(d.Dir, "ballast"))
	if err != nil {
		d.t.Fatal(err)
	}
	defer f.Close()
	for {
		if _, err := f.Write(make([]byte, 4096)); errors.Is(err, unix.ENOSPC) {
			return
		} else if err != nil {
			d.t.Fatal(err)
		}
	}
}

// Empty gives the room of Fill back.
func (d *Disk) Empty() {
	d.t.Helper()
	if err := os.Remove(filepath.Join(d.Dir, "ballast")); err != nil {
		d.t.Fatal(err)
	}
}

// SetReadOnly makes the disk read-only, as a kernel does with one that fails, or
// writable again. No file on it may be open for writing.
func (d *Disk) SetReadOnly(readOnly bool) {
	d.t.Helper()
	var flag uintptr
	if readOnly {
		flag = unix.MS_RDONLY
	}
	if err := unix.Mount("", d.Dir, "", unix.MS_REMOUNT|flag, ""); err != nil {
		d.t.Fatal(err)
	}
}

// NewFreezer mounts an ext4 disk that Freeze can stop, until the test ends, and
// skips the test where that is not allowed.
func NewFreezer(t testing.TB) *Disk {
	t.Helper()
	image := filepath.Join(t.TempDir(), "image")
	if err := os.WriteFile(image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, 16<<20); err != nil {
		t.Fatal(err)
	}
	d := &Disk{t.TempDir(), t}
	for _, args := range [][]string{{"mkfs.ext4", "-q", image}, {"mount", "-o", "loop", image, d.Dir}} {
		path, err := find(args[0])
		if err != nil {
			t.Skipf("%s is not installed", args[0])
		}
		if out, err := exec.Command(path, args[1:]...).CombinedOutput(); err != nil {
			t.Skipf("a disk cannot be made and mounted here: %s: %v: %s", args[0], err, out)
		}
	}
	t.Cleanup(d.unmount)
	return d
}

// Freeze stops the disk: what writes to it waits until thaw is called, or the
// test process ends.
func (d *Disk) Freeze() (thaw func()) {
	d.t.Helper()
	// A process of its own thaws it however the test ends.
	cmd := exec.Command("sh", "-c", `fsfreeze -f "$0" && echo frozen && read -r _; fsfreeze -u "$0"`, d.Dir)
	in, err := cmd.StdinPipe()
	if err != nil {
		d.t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		d.t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		d.t.Fatal(err)
	}
	if line, _ := bufio.NewReader(out).ReadString('\n'); line != "frozen\n" {
		cmd.Wait()
		d.t.Skip("a disk cannot be frozen here")
	}
	thawed := false
	thaw = func() {
		if thawed {
			return
		}
		thawed = true
		io.WriteString(in, "\n")
		if err := cmd.Wait(); err != nil {
			d.t.Errorf("thaw %s: %v", d.Dir, err)
		}
	}
	d.t.Cleanup(thaw)
	return thaw
}
