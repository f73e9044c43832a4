package demo

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"sync"
	"time"
)

const (
	maxConnections = 16 // on one listener
	// A client that reads no replies is cut off after this.
	writeTimeout = 2 * time.Second
	// An unfinished RTU request is dropped after this silence. On a real line
	// 3.5 characters do; here the bytes may come in pieces.
	silence = 100 * time.Millisecond
)

// stream is what the RTU server reads and writes: a connection or a terminal.
type stream interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

// listen accepts connections until ctx ends and serves each one; it returns
// when all have ended. It closes the listener.
func listen(ctx context.Context, l net.Listener, serve func(stream)) {
	var wg sync.WaitGroup
	defer wg.Wait()
	defer context.AfterFunc(ctx, func() { l.Close() })()
	slots := make(chan struct{}, maxConnections)
	for {
		conn, err := l.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			// Out of file descriptors, most likely: the next one may do better.
			select {
			case <-ctx.Done():
			case <-time.After(50 * time.Millisecond):
			}
			continue
		}
		select {
		case slots <- struct{}{}:
		default:
			conn.Close()
			continue
		}
		wg.Go(func() {
			defer func() { <-slots }()
			attend(ctx, conn, serve)
		})
	}
}

// attend serves a stream and closes it at the end, or when ctx ends.
func attend(ctx context.Context, s stream, serve func(stream)) {
	stop := context.AfterFunc(ctx, func() { s.Close() })
	serve(s)
	if stop() {
		s.Close()
	}
}

// serveTCP answers Modbus TCP until the stream ends. A unit that is not there is
// answered as by a gateway: target device failed to respond.
func (t *unitTable) serveTCP(s stream) {
	for {
		f, err := readFrame(s)
		if err != nil {
			return
		}
		if f.protocol != 0 {
			continue
		}
		reply, how := t.respond(f.unit, f.pdu)
		switch how {
		case silent:
			continue
		case absent:
			reply = []byte{f.pdu[0] | exceptionFlag, gatewayTargetSilent}
		}
		f.pdu = reply
		if send(s, f.append(nil)) != nil {
			return
		}
	}
}

// serveRTU answers Modbus RTU until the stream ends. Nobody answers for a unit
// that is not there.
func (t *unitTable) serveRTU(s stream) {
	var held []byte
	chunk := make([]byte, maxRTU)
	for {
		var until time.Time
		if len(held) > 0 {
			until = time.Now().Add(silence)
		}
		if s.SetReadDeadline(until) != nil {
			return
		}
		n, err := s.Read(chunk)
		if errors.Is(err, os.ErrDeadlineExceeded) {
			held = held[:0]
			continue
		}
		if err != nil {
			return
		}
		held = append(held, chunk[:n]...)
		for {
			unit, pdu, rest := nextRTU(held)
			if pdu == nil {
				held = append(held[:0], rest...)
				break
			}
			reply, how := t.respond(unit, pdu)
			held = rest
			if how != answered {
				continue
			}
			// A terminal that nobody reads fills up. The line lives on.
			err := send(s, appendRTU(nil, unit, reply))
			if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
				return
			}
		}
	}
}

func send(s stream, b []byte) error {
	if err := s.SetWriteDeadline(time.Now().Add(writeTimeout)); err != nil {
		return err
	}
	_, err := s.Write(b)
	return err
}
