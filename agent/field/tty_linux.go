package field

import (
	"errors"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

var speeds = map[int]uint32{
	1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600,
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
	return os.NewFile(uintptr(fd), l.Device), nil
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
	const meant = unix.CBAUD | unix.CSIZE | unix.PARENB | unix.PARODD | unix.CSTOPB
	flags := speeds[l.Baud] | unix.CS8
	switch l.Parity {
	case "even":
		flags |= unix.PARENB
	case "odd":
		flags |= unix.PARENB | unix.PARODD
	}
	if l.StopBits == 2 {
		flags |= unix.CSTOPB
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cflag = t.Cflag&^(meant|unix.CRTSCTS) | flags | unix.CREAD | unix.CLOCAL
	t.Ispeed, t.Ospeed = speeds[l.Baud], speeds[l.Baud]
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, t); err != nil {
		return fmt.Errorf("its settings cannot be changed: %w", err)
	}
	// A driver may take less than it was asked for without an error.
	if t, err = unix.IoctlGetTermios(fd, unix.TCGETS); err != nil {
		return err
	}
	if t.Cflag&meant != flags && !pseudo(fd) {
		return fmt.Errorf("it does not take %d baud, parity %s, %d stop bits", l.Baud, l.Parity, l.StopBits)
	}
	return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH)
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
