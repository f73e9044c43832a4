package field

import (
	"context"
	"encoding/binary"
	"io"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/reading"
)

// act is one thing that a fake device does after a request.
type act struct {
	after time.Duration // since the act before, or since the request
	bytes []byte
	close bool
}

// fake is the far end of a line. Register a of unit u holds value(u, a), so
// that a value tells where it came from.
type fake struct {
	rtu bool
	// ascii spells its RTU frames, with an LRC in place of the CRC.
	ascii bool
	// script says what to do after request n, counted from 1; nil is honest.
	script func(n int, request []byte) []act
	// refuse fails an opening; nil lets all succeed.
	refuse func() error

	mu       sync.Mutex
	requests int
	times    map[byte][]time.Time // of the requests to each unit
	opened   int
}

// asked returns when a unit was asked.
func (f *fake) asked(unit byte) []time.Time {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.times[unit])
}

func (f *fake) openings() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.opened
}

func value(unit byte, address uint16) uint16 { return uint16(unit)*1000 + address }

func (f *fake) open(context.Context) (stream, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.opened++
	if f.refuse != nil {
		if err := f.refuse(); err != nil {
			return nil, err
		}
	}
	ours, theirs := newWire()
	go f.serve(theirs)
	return ours, nil
}

func (f *fake) serve(s io.ReadWriteCloser) {
	gone := make(chan struct{})
	defer close(gone)
	defer s.Close()
	size := 12
	if f.rtu {
		size = 8
	}
	if f.ascii {
		size = asciiRequest
	}
	for {
		request := make([]byte, size)
		if _, err := io.ReadFull(s, request); err != nil {
			return
		}
		if f.ascii {
			if unspell(request[:6], request[asciiStart:]) != nil {
				return
			}
			request = request[:8]
		}
		f.mu.Lock()
		f.requests++
		n := f.requests
		if f.times == nil {
			f.times = map[byte][]time.Time{}
		}
		f.times[f.unit(request)] = append(f.times[f.unit(request)], time.Now())
		f.mu.Unlock()
		acts := []act{{bytes: f.honest(request)}}
		if f.script != nil {
			acts = f.script(n, request)
		}
		go func() {
			for _, a := range acts {
				select {
				case <-gone:
					return
				case <-time.After(a.after):
				}
				s.Write(a.bytes)
				if a.close {
					s.Close()
				}
			}
		}()
	}
}

// honest is the right reply to a request for registers.
func (f *fake) honest(request []byte) []byte {
	pdu := f.pdu(request)
	address, quantity := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
	reply := []byte{pdu[0], byte(2 * quantity)}
	for i := range quantity {
		reply = binary.BigEndian.AppendUint16(reply, value(f.unit(request), address+i))
	}
	return f.frame(request, reply...)
}

func (f *fake) pdu(request []byte) []byte {
	if f.rtu {
		return request[1:6]
	}
	return request[7:12]
}

func (f *fake) unit(request []byte) byte {
	if f.rtu {
		return request[0]
	}
	return request[6]
}

// frame puts a PDU into a frame that answers the request.
func (f *fake) frame(request []byte, pdu ...byte) []byte {
	if f.ascii {
		return ascii(request[0], pdu...)
	}
	if f.rtu {
		return rtu(request[0], pdu...)
	}
	b := slices.Clone(request[:7])
	b[5] = byte(1 + len(pdu))
	return append(b, pdu...)
}

// line is a line to the fake whose instruments have one point at each address.
func (f *fake) line(instruments ...Instrument) Line {
	l := Line{Name: "line-b", Kind: TCP, Address: "192.0.2.1:502", Timeout: 500 * time.Millisecond, Instruments: instruments}
	if f.rtu {
		l.Kind, l.Device, l.Baud, l.Parity, l.StopBits = RTU, "/dev/ttyUSB0", 19200, "even", 1
	}
	if f.ascii {
		l.Kind, l.DataBits = ASCII, 7
	}
	return l
}

func instrument(name string, unit byte, every time.Duration, addresses ...uint16) Instrument {
	in := Instrument{Name: name, Unit: unit, Every: every}
	for _, a := range addresses {
		in.Points = append(in.Points, Point{
			Name: name + "-" + string(rune('a'+len(in.Points))), Table: HoldingRegister, Address: a, Type: "uint16", Scale: 1, Unit: one,
		})
	}
	return in
}

// start makes a field of a line to the fake and runs it until the test ends.
// Batches arrive in the channel.
func (f *fake) start(t *testing.T, l Line, o Options) (*Field, <-chan Batch) {
	t.Helper()
	fd, err := New([]Line{l}, o)
	if err != nil {
		t.Fatal(err)
	}
	fd.workers[0].link.open = f.open
	ctx, cancel := context.WithCancel(t.Context())
	batches, ended := make(chan Batch), make(chan error, 1)
	go func() {
		ended <- fd.Run(ctx, func(b Batch) {
			b.Readings = slices.Clone(b.Readings)
			select {
			case batches <- b:
			case <-ctx.Done():
			}
		})
	}()
	t.Cleanup(func() {
		before := time.Now()
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
		if d := time.Since(before); d > 100*time.Millisecond {
			t.Errorf("Run took %v to end", d)
		}
	})
	return fd, batches
}

// rightOrBad fails the test when a usable reading has a value of elsewhere.
func rightOrBad(t *testing.T, l Line, b Batch) {
	t.Helper()
	for _, in := range l.Instruments {
		if in.Name != b.Instrument {
			continue
		}
		for i, r := range b.Readings {
			if want := float64(value(in.Unit, in.Points[i].Address)); r.Quality.Usable() && r.Value != want {
				t.Errorf("%s is %v with quality %v, the register holds %v", r.Point, r.Value, r.Quality, want)
			}
			if (r.Quality.Level == reading.Bad) != (r.Quality.Reason != "") || r.Time.IsZero() || r.Point == "" {
				t.Errorf("incomplete reading %+v", r)
			}
		}
		if bad := slices.ContainsFunc(b.Readings, func(r reading.Reading) bool { return !r.Quality.Usable() }); bad != (b.Err != nil) {
			t.Errorf("readings %v with error %v", b.Readings, b.Err)
		}
	}
}

// both runs a test against a fake on Modbus TCP and on the two kinds of serial
// line, in fake time.
func both(t *testing.T, test func(t *testing.T, f *fake)) {
	t.Helper()
	for name, f := range map[string]*fake{"tcp": {}, "rtu": {rtu: true}, "ascii": {rtu: true, ascii: true}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { test(t, f) })
		})
	}
}
