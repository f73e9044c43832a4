package field

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"
	"unsafe"

	"ebbwatch/agent/peertest"
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

// TestReplyInTheLastMillisecond: what arrives while a device is not waited for by
// Go's poller is discarded too.
func TestReplyInTheLastMillisecond(t *testing.T) {
	far, device := terminal(t)
	go answer(far, func(int) time.Duration { return 0 })
	discarded := 0
	l := newLink(serial(device, Instrument{}), func(n int) { discarded += n })
	defer l.close()
	l.silence = coarse // all of it
	read := func(address uint16) {
		data, err := l.read(t.Context(), ask{11, 3, address, 1})
		if err != nil || data[1] != byte(address) {
			t.Errorf("register %d: % X, %v", address, data, err)
		}
	}
	read(1)
	for address := range uint16(20) {
		before := discarded
		far.Write(rtu(11, 3, 2, 0xEE, 0xEE)) // which looks like the reply
		conn, err := l.s.(*leanFile).SyscallConn()
		if err != nil {
			t.Fatal(err)
		}
		for n := 0; n < 7; <-time.After(time.Millisecond) {
			conn.Control(func(fd uintptr) { n, err = unix.IoctlGetInt(int(fd), unix.TIOCINQ) })
			if err != nil {
				t.Fatal(err)
			}
		}
		read(address)
		if discarded != before+7 {
			t.Errorf("%d bytes discarded, expected 7", discarded-before)
		}
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

// TestPulledWhileWaiting: an adapter that vanishes in the middle of a transaction
// is noticed at once, not when the reply is overdue.
func TestPulledWhileWaiting(t *testing.T) {
	far, device := terminal(t)
	l := serial(device, instrument("north", 11, time.Second, 0))
	l.Timeout = time.Hour
	field, err := New([]Line{l}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	w := field.workers[0]
	defer w.link.close()
	go func() {
		var request [8]byte
		for n := 0; n < len(request); { // reads fail until the line is opened
			m, err := far.Read(request[n:])
			if err != nil {
				<-time.After(time.Millisecond)
			}
			n += m
		}
		far.Close()
	}()
	got := make(chan error)
	go func() {
		_, err := w.read(t.Context(), 11, block{table: HoldingRegister, address: 0, quantity: 1})
		got <- err
	}()
	select {
	case err := <-got:
		if err == nil || reasonOf(err) != reading.NotConnected {
			t.Errorf("error %v", err)
		}
	case <-time.After(20 * time.Second):
		t.Error("not noticed in 20 s")
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

// TestCharacterFlags: the flags by termios(3).
func TestCharacterFlags(t *testing.T) {
	for _, c := range []struct {
		name string
		l    Line
		want uint32
	}{
		{"8N1", Line{Kind: RTU, Baud: 9600, Parity: "none", StopBits: 1}, unix.B9600 | unix.CS8},
		{"8E1", Line{Kind: RTU, Baud: 19200, Parity: "even", StopBits: 1}, unix.B19200 | unix.CS8 | unix.PARENB},
		{"8O1", Line{Kind: RTU, Baud: 115200, Parity: "odd", StopBits: 1, DataBits: 8}, unix.B115200 | unix.CS8 | unix.PARENB | unix.PARODD},
		{"8N2", Line{Kind: RTU, Baud: 300, Parity: "none", StopBits: 2}, unix.B300 | unix.CS8 | unix.CSTOPB},
		{"7E1", Line{Kind: ASCII, Baud: 9600, Parity: "even", StopBits: 1, DataBits: 7}, unix.B9600 | unix.CS7 | unix.PARENB},
		{"7N2", Line{Kind: ASCII, Baud: 1800, Parity: "none", StopBits: 2, DataBits: 7}, unix.B1800 | unix.CS7 | unix.CSTOPB},
		{"8N1 in ASCII", Line{Kind: ASCII, Baud: 600, Parity: "none", StopBits: 1, DataBits: 8}, unix.B600 | unix.CS8},
	} {
		if got := characterFlags(c.l); got != c.want {
			t.Errorf("%s: flags %#o, expected %#o", c.name, got, c.want)
		}
	}
	for _, baud := range bauds {
		if speeds[baud] == 0 {
			t.Errorf("%d baud is accepted and not known", baud)
		}
	}
	if len(speeds) != len(bauds) {
		t.Errorf("%d speeds for %d baud rates", len(speeds), len(bauds))
	}
}

// TestRS485Layout compares what the driver is given with the kernel's own header.
func TestRS485Layout(t *testing.T) {
	peertest.Require(t, "gcc")
	dir := t.TempDir()
	source, program := filepath.Join(dir, "layout.c"), filepath.Join(dir, "layout")
	err := os.WriteFile(source, []byte(`
#include <linux/serial.h>
#include <stddef.h>
#include <stdio.h>
#include <sys/ioctl.h>
int main(void) {
    typedef struct serial_rs485 s;
    printf("%zu %zu %zu %zu %d %d %d %u\n", sizeof(s), offsetof(s, flags),
        offsetof(s, delay_rts_before_send), offsetof(s, delay_rts_after_send),
        SER_RS485_ENABLED, SER_RS485_RTS_ON_SEND, SER_RS485_RTS_AFTER_SEND, (unsigned)TIOCSRS485);
}
`), 0o600)
	if err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("gcc", "-o", program, source).CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, out)
	}
	theirs, err := exec.Command(program).Output()
	if err != nil {
		t.Fatal(err)
	}
	var s serialRS485
	ours := fmt.Sprintln(unsafe.Sizeof(s), unsafe.Offsetof(s.flags), unsafe.Offsetof(s.beforeSend), unsafe.Offsetof(s.afterSend),
		rs485Enabled, rs485RTSOnSend, rs485RTSAfterSend, uint32(unix.TIOCSRS485))
	if string(theirs) != ours {
		t.Errorf("layout %sexpected %s", ours, theirs)
	}
}

// TestRS485Refused: a pseudo-terminal has no transmitter. Whoever reads the error
// must know what to change.
func TestRS485Refused(t *testing.T) {
	_, device := terminal(t)
	l := serial(device, instrument("north", 11, time.Second, 0))
	l.RS485 = &RS485{AfterSend: 2 * time.Millisecond}
	s, err := openTTY(l)
	if err == nil {
		s.Close()
		t.Fatal("a pseudo-terminal switches a transmitter")
	}
	want := "its driver does not switch an RS-485 transmitter (inappropriate ioctl for device): take rs485 out of the site file where the adapter switches by itself, as most do, or use a device whose driver does"
	if err.Error() != want {
		t.Errorf("error %q, expected %q", err, want)
	}
	l.RS485 = nil
	if s, err = openTTY(l); err != nil {
		t.Fatalf("the device is still held after the error: %v", err)
	}
	s.Close()
}
