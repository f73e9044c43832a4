package demo

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// terminal is a pseudo-terminal: what is written to its device comes out of it,
// and the other way round.
type terminal struct {
	*os.File          // the side of the instruments
	device   string   // the path that the daemon opens as its serial line
	keep     *os.File // keeps the device open, so that a client may come and go
}

// openTerminal makes a raw pseudo-terminal.
func openTerminal() (*terminal, error) {
	fd, err := unix.Open("/dev/ptmx", unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("no pseudo-terminal from /dev/ptmx for the serial line: %w", err)
	}
	// A non-blocking descriptor goes to Go's poller: deadlines and Close work.
	t := &terminal{File: os.NewFile(uintptr(fd), "/dev/ptmx")}
	if err := t.open(fd); err != nil {
		t.Close()
		return nil, err
	}
	return t, nil
}

func (t *terminal) open(fd int) error {
	if err := unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0); err != nil {
		return fmt.Errorf("the pseudo-terminal cannot be unlocked: %w", err)
	}
	n, err := unix.IoctlGetUint32(fd, unix.TIOCGPTN)
	if err != nil {
		return fmt.Errorf("the pseudo-terminal has no number: %w", err)
	}
	t.device = fmt.Sprintf("/dev/pts/%d", n)
	device, err := unix.Open(t.device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("the pseudo-terminal's device %s cannot be opened, is /dev/pts mounted?: %w", t.device, err)
	}
	t.keep = os.NewFile(uintptr(device), t.device)
	return makeRaw(device)
}

// makeRaw lets every byte through as it is, without echo.
func makeRaw(fd int) error {
	s, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return fmt.Errorf("the settings of the pseudo-terminal cannot be read: %w", err)
	}
	s.Iflag, s.Oflag, s.Lflag = 0, 0, 0
	s.Cflag = s.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8 | unix.CREAD | unix.CLOCAL
	s.Cc[unix.VMIN], s.Cc[unix.VTIME] = 1, 0
	if err := unix.IoctlSetTermios(fd, unix.TCSETS, s); err != nil {
		return fmt.Errorf("the pseudo-terminal cannot be made raw: %w", err)
	}
	return nil
}

// Close closes both sides.
func (t *terminal) Close() error {
	if t.keep != nil {
		t.keep.Close()
	}
	return t.File.Close()
}
