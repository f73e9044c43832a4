package main

import "golang.org/x/sys/unix"

// kernelSynchronized asks the kernel, adjtimex(2). Where the daemon may not ask, as
// under ProtectClock of systemd, it is not known.
func kernelSynchronized() (yes, known bool) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	return state != unix.TIME_ERROR, err == nil
}
