//go:build !linux

package field

import (
	"errors"
	"net"
	"runtime"
	"time"
)

func openTTY(Line) (stream, error) {
	return nil, errors.New("serial devices are not supported on " + runtime.GOOS + ", use Linux or a serial server")
}

func isTTY(stream) bool { return false }

func waiting(stream, []byte) int { return 0 }

func lean(c net.Conn) (stream, error) { return c, nil }

func pause(d time.Duration) { time.Sleep(d) }
