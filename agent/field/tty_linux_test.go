package field

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/agent/reading"

	"golang.org/x/sys/unix"
)

// terminal makes a pseudo-terminal and returns its far side and the device.
func terminal(t testing.TB) (*os.File, string) {
	t.Helper()
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	far := os.NewFile(uintptr(fd), "ptmx")
	t.Cleanup(func() { far.Close() })
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		t.Fatal(err)
	}
	n, err := unix.IoctlGetUint32(fd, unix.TIOCGPTN)
	if err != nil {
		t.Fatal(err)
	}
	return far, fmt.Sprintf("/dev/pts/%d", n)
}

// answer is an RTU device on a terminal whose register a holds a. It thinks
// before each reply.
func answer(far io.ReadWriter, think func(n int) time.Duration) {
	var request [8]byte
	for n := 1; ; n++ {
		// Until the line is opened, and between two openings, reads fail.
		for got := 0; got < len(request); {
			m, err := far.Read(request[got:])
			if errors.Is(err, fs.ErrClosed) {
				return
			}
			if err != nil {
				<-time.After(time.Millisecond)
			}
			got += m
		}
		<-time.After(think(n))
		far.Write(rtu(request[0], 3, 2, request[2], request[3]))
	}
}

func serial(device string, in Instrument) Line {
	l := (&fake{rtu: true}).line(in)
	l.Device = device
	return l
}

// TestLateReplyOnATerminal: a reply that comes after its deadline must not
// become the value of another register. In real time, as a real device would.
func TestLateReplyOnATerminal(t *testing.T) {
	far, device := terminal(t)
	go answer(far, func(n int) time.Duration {
		if n == 2 {
			return 400 * time.Millisecond
		}
		return 3 * time.Millisecond
	})
	l := serial(device, instrument("north", 11, time.Second, 0))
	l.Timeout = 200 * time.Millisecond
	field, err := New([]Line{l}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	w := field.workers[0]
	defer w.link.close()
	for a := range uint16(42) {
		data, err := w.read(t.Context(), 11, block{table: HoldingRegister, address: a, quantity: 1})
		switch {
		case a == 1:
			if err == nil || reasonOf(err) != reading.NoReply {
				t.Fatalf("the late reply: % X, %v", data, err)
			}
		case err != nil:
			t.Errorf("register %d: %v", a, err)
		case data[0] != byte(a>>8) || data[1] != byte(a):
			t.Errorf("register %d holds % X", a, data)
		}
	}
	if n := field.Stats()[0].Discarded; n != 7 {
		t.Errorf("%d bytes were discarded, expected the 7 of the late reply", n)
	}
}

// TestPulledAdapter: the device vanishes under an open line and comes back as
// another.
func TestPulledAdapter(t *testing.T) {
	link := filepath.Join(t.TempDir(), "ttyUSB0")
	plug := func() *os.File {
		far, device := terminal(t)
		os.Remove(link)
		if err := os.Symlink(device, link); err != nil {
			t.Fatal(err)
		}
		go answer(far, func(int) time.Duration { return 0 })
		return far
	}
	far := plug()
	l := serial(link, instrument("north", 11, 50*time.Millisecond, 7))
	field, err := New([]Line{l}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	var opened atomic.Int32
	open := field.workers[0].link.open
	field.workers[0].link.open = func(ctx context.Context) (stream, error) {
		opened.Add(1)
		return open(ctx)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended, batches := make(chan error), make(chan Batch)
	go func() {
		ended <- field.Run(ctx, func(b Batch) {
			b.Readings = slices.Clone(b.Readings)
			select {
			case batches <- b:
			case <-ctx.Done():
			}
		})
	}()
	// until returns the first batch of a quality and how many came before.
	until := func(quality string) (Batch, int) {
		t.Helper()
		late := time.After(20 * time.Second)
		for n := 0; ; n++ {
			select {
			case b := <-batches:
				if b.Readings[0].Quality.String() == quality {
					return b, n
				}
			case <-late:
				t.Fatalf("no %s reading in 20 s", quality)
			}
		}
	}
	if b, _ := until("good"); b.Readings[0].Value != 7 {
		t.Errorf("register 7 holds %v", b.Readings[0].Value)
	}
	os.Remove(link) // before its number is given to another terminal
	far.Close()
	b, _ := until("bad:not-connected")
	if !strings.HasPrefix(b.Err.Error(), "line-b: cannot use "+link+": ") {
		t.Error(b.Err)
	}
	for range 20 { // a second of polls, each of which tells
		if b := <-batches; b.Readings[0].Quality.Reason != reading.NotConnected {
			t.Error(b.Readings[0].Quality)
		}
	}
	if n := opened.Load(); n > 8 {
		t.Errorf("opened %d times in a second", n)
	}
	plug()
	until("good")
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestOpenTTY(t *testing.T) {
	_, device := terminal(t)
	l := serial(device, instrument("north", 11, time.Second, 0))
	s, err := openTTY(l)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	conn, err := s.(*leanFile).SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var got *unix.Termios
	conn.Control(func(fd uintptr) { got, err = unix.IoctlGetTermios(int(fd), unix.TCGETS) })
	if err != nil {
		t.Fatal(err)
	}
	if got.Cflag&(unix.CBAUD|unix.CSIZE) != unix.B19200|unix.CS8 || got.Lflag != 0 || got.Iflag != unix.INPCK || got.Oflag != 0 || got.Cc[unix.VMIN] != 1 {
		t.Errorf("settings %+v", got)
	}

	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ reason, device, want string }{
		{"someone else has it", device, "another program holds it"},
		{"it is pulled", "/dev/ttyUSB99", "no such file or directory"},
		{"it is a file", file, "it is not a serial device"},
	} {
		l.Device = c.device
		if s, err := openTTY(l); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, %v; expected %s", c.reason, s, err, c.want)
		}
	}
}
