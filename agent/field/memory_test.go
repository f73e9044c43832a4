package field

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"runtime"
	"testing"
	"time"
)

// zeroed answers each TCP request at once with zeros.
type zeroed struct{ left []byte }

func (z *zeroed) Write(request []byte) (int, error) {
	size := 2 * int(binary.BigEndian.Uint16(request[tcpHeader+3:]))
	z.left = append(z.left[:0], request[:tcpHeader+2]...)
	binary.BigEndian.PutUint16(z.left[4:], uint16(3+size))
	z.left[tcpHeader+1] = byte(size)
	z.left = append(z.left, make([]byte, size)...)
	return len(request), nil
}

func (z *zeroed) Read(b []byte) (int, error) {
	if len(z.left) == 0 {
		return 0, io.EOF
	}
	n := copy(b, z.left)
	z.left = z.left[n:]
	return n, nil
}

func (z *zeroed) SetDeadline(time.Time) error { return nil }
func (z *zeroed) Close() error                { return nil }

// footprint is how much memory a field takes once each instrument has been read:
// the heap and the stacks, with the settings it was made of.
func footprint(b *testing.B, lines, units, points int) float64 {
	used := func() float64 {
		runtime.GC()
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc + m.StackInuse)
	}
	before := used()
	var all []Line
	for i := range lines {
		l := Line{Name: fmt.Sprint("line-", i), Kind: TCP, Address: "192.0.2.1:502", Timeout: time.Second}
		for u := range units {
			in := Instrument{Name: fmt.Sprint("unit-", u), Unit: byte(u), Every: time.Hour}
			for a := range points {
				in.Points = append(in.Points, Point{Name: fmt.Sprint("point-", a), Table: HoldingRegister, Address: uint16(2 * a), Type: "float32", Scale: 1, Unit: one})
			}
			l.Instruments = append(l.Instruments, in)
		}
		all = append(all, l)
	}
	field, err := New(all, Options{})
	if err != nil {
		b.Fatal(err)
	}
	for _, w := range field.workers {
		w.link.open = func(context.Context) (stream, error) { return &zeroed{}, nil }
	}
	ctx, cancel := context.WithCancel(b.Context())
	read, ended := make(chan Batch), make(chan error)
	go func() {
		ended <- field.Run(ctx, func(batch Batch) {
			select {
			case read <- batch:
			case <-ctx.Done():
			}
		})
	}()
	for range lines * units {
		if batch := <-read; batch.Err != nil {
			b.Fatal(batch.Err)
		}
	}
	after := used()
	cancel()
	<-ended
	runtime.KeepAlive(all)
	return after - before
}

// BenchmarkMemory tells what one more line, unit and point take.
func BenchmarkMemory(b *testing.B) {
	for b.Loop() {
		one := footprint(b, 1, 1, 1)
		b.ReportMetric((footprint(b, 101, 1, 1)-one)/100, "B/line")
		b.ReportMetric((footprint(b, 1, 101, 1)-one)/100, "B/unit")
		b.ReportMetric((footprint(b, 1, 1, 10001)-one)/10000, "B/point")
		b.ReportMetric(footprint(b, 100, 1, 100)/1e6, "MB-for-10000-points-of-100-devices")
	}
}
