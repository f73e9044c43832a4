package field

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"syscall"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

var speeds = map[int]uint32{
	300: unix.B300, 600: unix.B600, 1200: unix.B1200, 1800: unix.B1800, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600,
	19200: unix.B19200, 38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200,
}

// openTTY opens a line's serial device for bytes as they are: no echo, no
// signals, no flow control. A device that is not blocking goes to Go's poller,
// which gives it deadlines and lets Close end a Read.
func openTTY(l Line) (stream, error) {
	fd, err := unix.Open(l.Device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := setTTY(fd, l); err != nil {
		unix.Close(fd)
		return nil, err
	}
	return newLeanFile(os.NewFile(uintptr(fd), l.Device), true)
}

// leanFile is a file in Go's poller whose Read makes no garbage when a deadline
// passes, which on a serial line it does before each request.
type leanFile struct {
	*os.File
	tty  bool
	raw  syscall.RawConn
	take func(fd uintptr) bool
	look func(fd uintptr)
	// What these read into, and what comes of it.
	into []byte
	n    int
	err  error
}

func newLeanFile(f *os.File, tty bool) (stream, error) {
	raw, err := f.SyscallConn()
	if err != nil {
		f.Close()
		return nil, err
	}
	l := &leanFile{File: f, tty: tty, raw: raw}
	l.take = func(fd uintptr) bool {
		for {
			l.n, l.err = unix.Read(int(fd), l.into)
			if l.err != unix.EINTR {
				return l.err != unix.EAGAIN
			}
		}
	}
	l.look = func(fd uintptr) { l.take(fd) }
	return l, nil
}

func (l *leanFile) Read(b []byte) (int, error) {
	l.into = b
	switch err := l.raw.Read(l.take); {
	case err != nil:
		return 0, err
	case l.err != nil:
		return 0, l.err
	case l.n == 0:
		return 0, io.EOF
	}
	return l.n, nil
}

// waiting reads what a stream has received already. It heeds no deadline.
func waiting(s stream, b []byte) int {
	l := s.(*leanFile)
	l.into, l.n = b, 0
	if l.raw.Control(l.look) != nil {
		return 0
	}
	return max(0, l.n)
}

func isTTY(s stream) bool {
	l, ok := s.(*leanFile)
	return ok && l.tty
}

// lean makes a leanFile of a connection.
func lean(c net.Conn) (stream, error) {
	defer c.Close() // the file has its own
	f, err := c.(*net.TCPConn).File()
	if err != nil {
		return nil, err
	}
	return newLeanFile(f, false)
}

func setTTY(fd int, l Line) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return fmt.Errorf("it is not a serial device: %w", err)
	}
	// Two that ask on one line would take each other's replies.
	if err := unix.Flock(fd, unix.LOCK_EX|unix.LOCK_NB); err != nil {
		if errors.Is(err, unix.EWOULDBLOCK) {
			err = errors.New("another program holds it")
		}
		return err
	}
	flags := characterFlags(l)
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	if l.Parity != "none" {
		t.Iflag = unix.INPCK // a character of wrong parity is read as 0
	}
	t.Cflag = t.Cflag&^(characterMask|unix.CRTSCTS) | flags | unix.CREAD | unix.CLOCAL
	t.Ispeed, t.Ospeed = speeds[l.Baud], speeds[l.Baud]
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return fmt.Errorf("its settings cannot be changed: %w", err)
	}
	// A driver may take less than it was asked for without an error.
	if t, err = unix.IoctlGetTermios(fd, unix.TCGETS); err != nil {
		return err
	}
	if t.Cflag&characterMask != flags && !pseudo(fd) {
		return fmt.Errorf("it does not take %d baud, %d data bits, parity %s, %d stop bits", l.Baud, l.dataBits(), l.Parity, l.StopBits)
	}
	if l.RS485 != nil {
		if err := setRS485(fd, *l.RS485); err != nil {
			return err
		}
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
}

// characterMask has the bits of c_cflag that characterFlags sets.
const characterMask = unix.CBAUD | unix.CSIZE | unix.PARENB | unix.PARODD | unix.CSTOPB

// characterFlags are the bits of c_cflag that make the characters of a line.
func characterFlags(l Line) uint32 {
	flags := speeds[l.Baud] | unix.CS8
	if l.dataBits() == 7 {
		flags = speeds[l.Baud] | unix.CS7
	}
	switch l.Parity {
	case "even":
		flags |= unix.PARENB
	case "odd":
		flags |= unix.PARENB | unix.PARODD
	}
	if l.StopBits == 2 {
		flags |= unix.CSTOPB
	}
	return flags
}

// serialRS485 is struct serial_rs485 of include/uapi/linux/serial.h.
type serialRS485 struct {
	flags                 uint32
	beforeSend, afterSend uint32 // ms
	_                     [5]uint32
}

// Flags of serialRS485.
const (
	rs485Enabled      = 1 << 0
	rs485RTSOnSend    = 1 << 1
	rs485RTSAfterSend = 1 << 2
)

// setRS485 lets the driver of a serial device switch the transmitter.
func setRS485(fd int, r RS485) error {
	want := serialRS485{
		flags:      rs485Enabled | rs485RTSOnSend,
		beforeSend: uint32(r.BeforeSend.Milliseconds()), afterSend: uint32(r.AfterSend.Milliseconds()),
	}
	if r.SendLow {
		want.flags = rs485Enabled | rs485RTSAfterSend
	}
	got := want
	const instead = "take rs485 out of the site file where the adapter switches by itself, as most do, or use a device whose driver does"
	if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.TIOCSRS485, uintptr(unsafe.Pointer(&got))); errno != 0 {
		return fmt.Errorf("its driver does not switch an RS-485 transmitter (%w): %s", errno, instead)
	}
	// The driver tells what it made of it, which may be less.
	const meant = rs485Enabled | rs485RTSOnSend | rs485RTSAfterSend
	if got.flags&meant != want.flags&meant || got.beforeSend != want.beforeSend || got.afterSend != want.afterSend {
		return fmt.Errorf("its driver switches an RS-485 transmitter, but not as asked for (flags %d, %d ms before and %d ms after sending, expected %d, %d and %d): change rs485, or %s",
			got.flags&meant, got.beforeSend, got.afterSend, want.flags&meant, want.beforeSend, want.afterSend, instead)
	}
	return nil
}

// pseudo reports whether fd is a pseudo-terminal, which has no wire and keeps
// no parity. Their major device numbers are listed in the kernel's
// Documentation/admin-guide/devices.txt.
func pseudo(fd int) bool {
	var s unix.Stat_t
	if unix.Fstat(fd, &s) != nil {
		return false
	}
	major := unix.Major(uint64(s.Rdev))
	return major >= 136 && major <= 143
}

// pause sleeps for a time that is too short for Go's timers.
func pause(d time.Duration) {
	t := unix.NsecToTimespec(d.Nanoseconds())
	for errors.Is(unix.Nanosleep(&t, &t), unix.EINTR) {
	}
}
