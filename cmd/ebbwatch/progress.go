package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// progressOn shows a bar where w is a terminal, and nothing elsewhere.
func progressOn(w io.Writer) func(done float64, at time.Time) {
	f, ok := w.(*os.File)
	if !ok {
		return func(float64, time.Time) {}
	}
	if _, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ); err != nil {
		return func(float64, time.Time) {}
	}
	var shown time.Time
	return func(done float64, at time.Time) {
		switch now := time.Now(); {
		case done >= 1:
			fmt.Fprint(w, "\r\x1b[K")
		case now.Sub(shown) >= 100*time.Millisecond:
			shown = now
			fmt.Fprint(w, "\r"+bar(done, at)+"\x1b[K")
		}
	}
}

// bar is a line of under 80 characters.
func bar(done float64, at time.Time) string {
	const width = 40
	full := int(min(max(done, 0), 1) * width)
	return fmt.Sprintf("[%s%s] %3.0f %%  %s", strings.Repeat("=", full), strings.Repeat(" ", width-full), 100*done, at.Format("2006-01-02 15:04"))
}
