package peertest

import (
	"io"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// Link is a way that is slow or dead, as a modem's or one through a router that
// has forgotten the connection. It takes in at once all that is written, as the
// buffers along a real way do, and counts it.
type Link struct {
	BytesPerSecond int
	Delay          time.Duration // of each direction
	// Stall adds to the time of a piece, as a lost packet does that is sent again;
	// it may be nil.
	Stall func() time.Duration

	dead     atomic.Bool
	up, down atomic.Int64
}

// Die makes the link swallow all that is written from now on. Nobody is told.
func (l *Link) Die() { l.dead.Store(true) }

// Carried is how many bytes went to the far side, and came from it.
func (l *Link) Carried() (up, down int64) { return l.up.Load(), l.down.Load() }

// Carry joins two connections until one of them ends, and closes both.
func (l *Link) Carry(near, far net.Conn) {
	var done sync.WaitGroup
	for _, way := range []struct {
		to, from net.Conn
		count    *atomic.Int64
	}{{far, near, &l.up}, {near, far, &l.down}} {
		done.Go(func() {
			l.copy(way.to, way.from, way.count)
			near.Close()
			far.Close()
		})
	}
	done.Wait()
}

// piece is what is sent at a stroke. It is small, so that small messages are not
// delayed by what follows them.
type piece struct {
	data []byte
	due  time.Time
}

func (l *Link) copy(to io.Writer, from io.Reader, count *atomic.Int64) {
	const size = 48
	waiting := make(chan []byte, 1<<16)
	under := make(chan piece, 1<<16)
	var done sync.WaitGroup
	done.Go(func() { // the wire
		defer close(under)
		for data := range waiting {
			if l.BytesPerSecond > 0 {
				time.Sleep(time.Duration(len(data)) * time.Second / time.Duration(l.BytesPerSecond))
			}
			if l.Stall != nil {
				time.Sleep(l.Stall())
			}
			under <- piece{data, time.Now().Add(l.Delay)}
		}
	})
	done.Go(func() { // the distance
		for p := range under {
			time.Sleep(time.Until(p.due))
			if !l.dead.Load() {
				to.Write(p.data) // an error shows in the next read
			}
		}
	})
	for {
		data := make([]byte, size)
		n, err := from.Read(data)
		if err != nil {
			break
		}
		count.Add(int64(n))
		waiting <- data[:n]
	}
	close(waiting)
	done.Wait()
}

// NewLink opens a link to a TCP server, until the test ends, and returns the
// address of its near side.
func NewLink(t testing.TB, target string, l *Link) string {
	t.Helper()
	near, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var done sync.WaitGroup
	done.Go(func() {
		for {
			c, err := near.Accept()
			if err != nil {
				return
			}
			done.Go(func() {
				far, err := net.Dial("tcp", target)
				if err != nil {
					c.Close()
					return
				}
				l.Carry(c, far)
			})
		}
	})
	t.Cleanup(func() {
		near.Close()
		l.Die()
		done.Wait()
	})
	return near.Addr().String()
}
