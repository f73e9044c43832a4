package field

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"runtime"
	"slices"
	"testing"
	"time"

	"github.com/goburrow/modbus"
	"golang.org/x/sys/unix"
)

// paced is an RTU device on a terminal that takes the time of a line: its reply
// begins after the request, a silence and what it thinks would have passed, and
// each byte of it is there no sooner than on a wire. Every register holds 0.
func paced(far *os.File, character, silence, think time.Duration) {
	runtime.LockOSThread() // its sleeps are finer than Go's timers
	var frame [maxFrame]byte
	for {
		var request [8]byte
		if !fill(far, request[:]) {
			return
		}
		due := time.Now().Add(8*character + silence + think)
		size := 2 * int(binary.BigEndian.Uint16(request[4:]))
		reply := frame[:rtuReply+size]
		reply[0], reply[1], reply[2] = request[0], request[1], byte(size)
		binary.LittleEndian.PutUint16(reply[3+size:], 0) // of a longer reply before
		binary.LittleEndian.PutUint16(reply[3+size:], crc(reply[:3+size]))
		for sent := 0; sent < len(reply); {
			wait := unix.NsecToTimespec(time.Until(due.Add(character)).Nanoseconds())
			unix.Nanosleep(&wait, nil)
			n := 0
			for now := time.Now(); sent+n < len(reply) && !due.Add(character).After(now); n++ {
				due = due.Add(character)
			}
			far.Write(reply[sent : sent+n])
			sent += n
		}
	}
}

// fill reads a whole request; reads fail while nobody has the line open.
func fill(far *os.File, request []byte) bool {
	for got := 0; got < len(request); {
		m, err := far.Read(request[got:])
		if errors.Is(err, fs.ErrClosed) {
			return false
		}
		if err != nil {
			<-time.After(time.Millisecond)
		}
		got += m
	}
	return true
}

// thirty is 30 float32 in 4 devices, a small plant on one cable.
func thirty() []Instrument {
	var all []Instrument
	for i, n := range []uint16{8, 8, 7, 7} {
		in := Instrument{Name: fmt.Sprint("device-", i+1), Unit: byte(i + 1), Every: time.Second}
		for a := range n {
			in.Points = append(in.Points, Point{Name: fmt.Sprintf("%d-%d", i, a), Table: HoldingRegister, Address: 2 * a, Type: "float32", Scale: 1, Unit: one})
		}
		all = append(all, in)
	}
	return all
}

// BenchmarkCycleRTU reads 30 points in 4 devices that do not think. It reports
// the time against the least that the line allows, characters and silences, and
// against the stock client of goburrow/modbus that reads each point alone.
func BenchmarkCycleRTU(b *testing.B) {
	for _, l := range []Line{
		{Kind: RTU, Baud: 9600, Parity: "even", StopBits: 1},
		{Kind: RTU, Baud: 19200, Parity: "even", StopBits: 1},
		{Kind: RTU, Baud: 115200, Parity: "none", StopBits: 1},
	} {
		b.Run(fmt.Sprint(l.Baud), func(b *testing.B) {
			far, device := terminal(b)
			go paced(far, l.character(), characterSilence(l.Baud), 0)
			l.Name, l.Device, l.Timeout, l.Instruments = "line-a", device, time.Second, thirty()
			var floor time.Duration
			for _, r := range Plan(l) {
				floor += r.Wire
			}
			field, err := New([]Line{l}, Options{})
			if err != nil {
				b.Fatal(err)
			}
			w := field.workers[0]
			defer w.link.close()
			cycle := func() {
				for _, u := range w.units {
					if batch, _ := w.poll(b.Context(), u); batch.Err != nil {
						b.Fatal(batch.Err)
					}
				}
			}
			cycle() // the first has to wait for the grace of a line just opened
			b.ReportAllocs()
			all := make([]time.Duration, 0, 1<<12)
			for b.Loop() {
				began := time.Now()
				cycle()
				all = append(all, time.Since(began))
			}
			// The one in the middle, for others may be busy on the machine.
			slices.Sort(all)
			took := all[len(all)/2]
			b.ReportMetric(took.Seconds()/floor.Seconds(), "times-the-floor")
			b.ReportMetric(stock(b, l).Seconds()/took.Seconds(), "times-faster-than-stock")
		})
	}
}

// stock is how long a cycle takes the client that is compared with.
func stock(b *testing.B, l Line) time.Duration {
	far, device := terminal(b)
	go paced(far, l.character(), characterSilence(l.Baud), 0)
	h := modbus.NewRTUClientHandler(device)
	h.BaudRate, h.DataBits, h.StopBits, h.Timeout = l.Baud, 8, l.StopBits, time.Second
	h.Parity = map[string]string{"none": "N", "even": "E"}[l.Parity]
	c := modbus.NewClient(h)
	defer h.Close()
	var all []time.Duration
	for range 4 {
		began := time.Now()
		for _, in := range l.Instruments {
			h.SlaveId = in.Unit
			for _, p := range in.Points {
				if _, err := c.ReadHoldingRegisters(p.Address, uint16(p.size())); err != nil {
					b.Fatal(err)
				}
			}
		}
		all = append(all, time.Since(began))
	}
	return slices.Sorted(slices.Values(all[1:]))[1] // the first opens the line
}

// zeros is a Modbus TCP server on loopback whose registers all hold 0.
func zeros(b *testing.B) (address string) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { listener.Close() })
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			go func() {
				defer c.Close()
				var frame [maxFrame]byte
				for {
					if _, err := io.ReadFull(c, frame[:tcpRequest]); err != nil {
						return
					}
					data := 2 * frame[11]
					frame[5], frame[8] = 3+data, data
					clear(frame[9:])
					c.Write(frame[:tcpReply+int(data)])
				}
			}()
		}
	}()
	return listener.Addr().String()
}

func networkLine(b *testing.B, points uint16) Line {
	in := Instrument{Name: "device", Unit: 1, Every: time.Second}
	for a := range points {
		in.Points = append(in.Points, Point{Name: fmt.Sprint("point-", a), Table: HoldingRegister, Address: a, Type: "uint16", Scale: 1, Unit: one})
	}
	return Line{Name: "line-a", Kind: TCP, Address: zeros(b), Timeout: time.Second, Instruments: []Instrument{in}}
}

// BenchmarkTransactionTCP reads 10 points by one request over loopback. It
// reports the time against a bare loop, in turns with it, that makes the same
// calls: it sets a deadline, writes and reads.
func BenchmarkTransactionTCP(b *testing.B) {
	l := networkLine(b, 10)
	field, err := New([]Line{l}, Options{})
	if err != nil {
		b.Fatal(err)
	}
	w := field.workers[0]
	defer w.link.close()
	c, err := net.Dial("tcp", l.Address)
	if err != nil {
		b.Fatal(err)
	}
	defer c.Close()
	request := []byte{0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 10}
	var reply [tcpReply + 20]byte
	var bare, transaction time.Duration
	const turn = 1000
	transactions := 0
	b.ReportAllocs()
	for b.Loop() {
		if batch, _ := w.poll(b.Context(), w.units[0]); batch.Err != nil {
			b.Fatal(batch.Err)
		}
		if transactions++; transactions%turn != 0 {
			continue
		}
		b.StopTimer()
		began := time.Now()
		for range turn {
			if err := c.SetDeadline(time.Now().Add(time.Second)); err != nil {
				b.Fatal(err)
			}
			if _, err := c.Write(request); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(c, reply[:]); err != nil {
				b.Fatal(err)
			}
		}
		bare += time.Since(began)
		// What of a poll is the transaction, without decoding and batch.
		began = time.Now()
		for range turn {
			if _, err := w.read(b.Context(), 1, w.units[0].now.blocks[0]); err != nil {
				b.Fatal(err)
			}
		}
		transaction += time.Since(began)
		b.StartTimer()
	}
	if bare == 0 {
		return // too few to tell
	}
	took := b.Elapsed() / time.Duration(b.N)
	alone := bare / time.Duration(transactions/turn*turn)
	b.ReportMetric(took.Seconds()/alone.Seconds(), "times-a-bare-loop")
	b.ReportMetric(transaction.Seconds()/bare.Seconds(), "transaction-alone")
	b.ReportMetric(1/took.Seconds(), "transactions/s")
}

// BenchmarkHundredDevices reads 10,000 points of 100 devices once, each on a
// connection of its own. It reports the share of a core that this takes each
// second, with the answering side in it.
func BenchmarkHundredDevices(b *testing.B) {
	var lines []Line
	for i := range 100 {
		l := networkLine(b, 100)
		l.Name = fmt.Sprint("line-", i)
		lines = append(lines, l)
	}
	field, err := New(lines, Options{})
	if err != nil {
		b.Fatal(err)
	}
	all := func() {
		for _, w := range field.workers {
			if batch, _ := w.poll(b.Context(), w.units[0]); batch.Err != nil {
				b.Fatal(batch.Err)
			}
		}
	}
	all()
	defer func() {
		for _, w := range field.workers {
			w.link.close()
		}
	}()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	began := processorTime(b)
	b.ReportAllocs()
	for b.Loop() {
		all()
	}
	b.ReportMetric((processorTime(b)-began).Seconds()/float64(b.N), "cores-at-1s")
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(after.Mallocs-before.Mallocs)/float64(b.N)/10000, "allocs/reading")
}

func processorTime(b *testing.B) time.Duration {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
