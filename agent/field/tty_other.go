//go:build !linux

package field

import (
	"errors"
	"runtime"
	"time"
)

func openTTY(Line) (stream, error) {
	return nil, errors.New("serial devices are not supported on " + runtime.GOOS + ", use Linux or a serial server")
}

func pause(d time.Duration) { time.Sleep(d) }
