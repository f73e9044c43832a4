package field

import (
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/agent/units"
)

// The values that the peers hold and how they lie in registers: by hand, high
// byte first, from the encodings of IEEE 754-2019 and two's complement.
var held = []struct {
	kind, order string
	registers   []uint16
	want        float64
}{
	{"int16", "ABCD", []uint16{0xFF85}, -123},
	{"uint16", "DCBA", []uint16{0x3930}, 0x3039},
	{"int32", "ABCD", []uint16{0xFFFE, 0x1DC0}, -123456},
	{"int32", "CDAB", []uint16{0x1DC0, 0xFFFE}, -123456},
	{"int32", "BADC", []uint16{0xFEFF, 0xC01D}, -123456},
	{"int32", "DCBA", []uint16{0xC01D, 0xFEFF}, -123456},
	{"uint32", "CDAB", []uint16{0x0001, 0x8000}, 1<<31 + 1},
	{"float32", "ABCD", []uint16{0x3FC0, 0x0000}, 1.5},
	{"float32", "CDAB", []uint16{0x0000, 0x3FC0}, 1.5},
	{"float32", "BADC", []uint16{0xC03F, 0x0000}, 1.5},
	{"float32", "DCBA", []uint16{0x0000, 0xC03F}, 1.5},
	{"int64", "ABCD", []uint16{0xFFFF, 0xFFFF, 0xFFFF, 0xFF85}, -123},
	{"uint64", "CDAB", []uint16{0xFF85, 0, 0, 0}, 0xFF85},
	{"float64", "ABCD", []uint16{0x4009, 0x21FB, 0x5444, 0x2D18}, math.Pi},
	{"float64", "DCBA", []uint16{0x182D, 0x4454, 0xFB21, 0x0940}, math.Pi},
	{"bcd16", "BADC", []uint16{0x8419}, 1984},
	{"bcd32", "CDAB", []uint16{0x5678, 0x1234}, 12345678},
}

// peerMap gives both register tables the held values from address 100, and bits
// from address 20.
func peerMap() (peertest.Map, []Point, []float64) {
	var run []uint16
	var points []Point
	var want []float64
	for i, h := range held {
		for _, table := range []Table{HoldingRegister, InputRegister} {
			points = append(points, Point{
				Name: fmt.Sprintf("%s-%d", table, i), Table: table, Address: uint16(100 + len(run)),
				Type: h.kind, Order: h.order, Scale: 1, Unit: one,
			})
			want = append(want, h.want)
		}
		run = append(run, h.registers...)
	}
	bits := []uint16{1, 0, 0, 1, 1, 1, 0, 1, 0, 1}
	for i, b := range bits {
		for _, table := range []Table{Coil, DiscreteInput} {
			points = append(points, Point{Name: fmt.Sprintf("%s-%d", table, i), Table: table, Address: uint16(20 + i), Type: "bit", Scale: 1, Unit: one})
			want = append(want, float64(b))
		}
	}
	registers, singles := map[uint16][]uint16{100: run}, map[uint16][]uint16{20: bits}
	return peertest.Map{1: {
		peertest.Holdings: registers, peertest.Inputs: registers,
		peertest.Coils: singles, peertest.Discretes: singles,
	}}, points, want
}

// running is a field that runs on one line until the test ends.
type running struct {
	t       *testing.T
	batches chan Batch
}

func run(t *testing.T, l Line) running {
	t.Helper()
	field, err := New([]Line{l}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	r := running{t, make(chan Batch)}
	ended := make(chan error)
	go func() {
		ended <- field.Run(ctx, func(b Batch) {
			b.Readings = slices.Clone(b.Readings)
			select {
			case r.batches <- b:
			case <-ctx.Done():
			}
		})
	}()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return r
}

// next returns the next batch of an instrument.
func (r running) next(instrument string) Batch {
	r.t.Helper()
	late := time.After(20 * time.Second)
	for {
		select {
		case b := <-r.batches:
			if b.Instrument == instrument {
				return b
			}
		case <-late:
			r.t.Fatalf("no batch of %s in 20 s", instrument)
		}
	}
}

// setter changes what a peer holds.
type setter interface {
	Set(unit byte, table peertest.Table, address uint16, values ...uint16)
}

// againstPeer reads every type from a peer, changes a value in it and asks for
// what it does not have.
func againstPeer(t *testing.T, l Line, peer setter, points []Point, want []float64) {
	every := 100 * time.Millisecond
	l.Name, l.Timeout = "line-a", time.Second
	level := Point{Name: "level", Table: InputRegister, Address: 100, Type: "int16", Scale: 0.5, Offset: 60, Unit: units.MustParse("ft")}
	none := level
	none.Name, none.Address = "none", 4000
	l.Instruments = []Instrument{{Name: "all", Unit: 1, Every: every, Points: append(points, level, none)}}
	r := run(t, l)
	b := r.next("all")
	for i, w := range want {
		if got := b.Readings[i]; got.Value != w || got.Quality.String() != "good" {
			t.Errorf("%s is %v, %v; expected %v (%v)", got.Point, got.Value, got.Quality, w, b.Err)
		}
	}
	// (-123 * 0.5 + 60) ft, the foot being 0.3048 m.
	if got := b.Readings[len(want)]; math.Abs(got.Value - -0.4572) > 1e-12 {
		t.Errorf("level is %v m", got.Value)
	}
	if got := b.Readings[len(want)+1]; got.Quality.String() != "bad:exception-2" {
		t.Errorf("an address that does not exist: %v", got.Quality)
	}
	peer.Set(1, peertest.Inputs, 100, 240)
	r.next("all") // may have begun before
	if got := r.next("all").Readings[len(want)]; math.Abs(got.Value-54.864) > 1e-12 || !got.Quality.Usable() {
		t.Errorf("after the change level is %v m, %v; expected 180 ft", got.Value, got.Quality)
	}
}

// absentUnit asks for a unit that the peer does not have.
func absentUnit(t *testing.T, l Line, want string) {
	t.Helper()
	l.Name, l.Timeout = "line-a", time.Second
	l.Instruments = []Instrument{instrument("absent", 9, 100*time.Millisecond, 0)}
	if got := run(t, l).next("absent").Readings[0].Quality.String(); got != want {
		t.Errorf("a unit that does not exist: %s, expected %s", got, want)
	}
}

func TestLibmodbusTCP(t *testing.T) {
	m, points, want := peerMap()
	peer := peertest.Libmodbus(t, m)
	l := Line{Kind: TCP, Address: peer.Addr()}
	againstPeer(t, l, peer, points, want)
	absentUnit(t, l, "bad:exception-11")
}

func TestPymodbusTCP(t *testing.T) {
	m, points, want := peerMap()
	peer := peertest.Pymodbus(t, m)
	l := Line{Kind: TCP, Address: peer.Addr()}
	againstPeer(t, l, peer, points, want)
	absentUnit(t, l, "bad:no-reply") // it is silent for units that it has not
}

func TestLibmodbusRTU(t *testing.T) {
	for _, parity := range []string{"none", "even", "odd"} {
		t.Run(parity, func(t *testing.T) {
			m, points, want := peerMap()
			peer := peertest.LibmodbusRTU(t, m, 115200, parity, 1)
			againstPeer(t, Line{Kind: RTU, Device: peer.Device(), Baud: 115200, Parity: parity, StopBits: 1}, peer, points, want)
		})
	}
}

func TestLibmodbusRTUOverTCP(t *testing.T) {
	m, points, want := peerMap()
	peer := peertest.LibmodbusRTU(t, m, 19200, "even", 1)
	againstPeer(t, Line{Kind: RTUOverTCP, Address: serialServer(t, peer.Device())}, peer, points, want)
}

func TestPymodbusASCII(t *testing.T) {
	m, points, want := peerMap()
	peer := peertest.PymodbusASCII(t, m, 115200)
	// A pseudo-terminal carries eight bits whatever it is asked for.
	l := Line{Kind: ASCII, Device: peer.Device(), Baud: 115200, Parity: "none", StopBits: 2, DataBits: 7}
	t.Run("values", func(t *testing.T) { againstPeer(t, l, peer, points, want) })
	t.Run("absent unit", func(t *testing.T) { absentUnit(t, l, "bad:no-reply") })
}

func TestPymodbusOverTCP(t *testing.T) {
	for _, kind := range []Kind{RTUOverTCP, ASCIIOverTCP} {
		t.Run(string(kind), func(t *testing.T) {
			m, points, want := peerMap()
			framing, _, _ := strings.Cut(string(kind), "-")
			peer := peertest.PymodbusOverTCP(t, m, framing)
			againstPeer(t, Line{Kind: kind, Address: peer.Addr()}, peer, points, want)
		})
	}
}

// TestMbpoll reads every table of a peer with mbpoll, a master by other people,
// and with a field, over TCP and RTU.
func TestMbpoll(t *testing.T) {
	tool := peertest.Tool(t, "mbpoll")
	m, _ := soaked(1)
	server, serial := peertest.Libmodbus(t, m), peertest.LibmodbusRTU(t, m, 19200, "even", 1)
	host, port, err := net.SplitHostPort(server.Addr())
	if err != nil {
		t.Fatal(err)
	}
	for _, way := range []struct {
		line Line
		args []string
	}{
		{Line{Kind: TCP, Address: server.Addr()}, []string{"-m", "tcp", "-p", port, host}},
		{Line{Kind: RTU, Device: serial.Device(), Baud: 19200, Parity: "even", StopBits: 1}, []string{"-m", "rtu", "-b", "19200", "-P", "even", serial.Device()}},
	} {
		const from, count = 40, 20
		in := Instrument{Name: "north", Unit: 1, Every: 100 * time.Millisecond}
		var theirs []float64
		for kind, table := range map[string]Table{"0": Coil, "1": DiscreteInput, "3:hex": InputRegister, "4:hex": HoldingRegister} {
			args := append([]string{"-0", "-1", "-a", "1", "-r", fmt.Sprint(from), "-c", fmt.Sprint(count), "-t", kind}, way.args...)
			out, err := exec.Command(tool, args...).Output()
			if err != nil {
				t.Fatalf("mbpoll %v: %v\n%s", args, err, out)
			}
			for _, found := range regexp.MustCompile(`(?m)^\[(\d+)\]:\s+(\w+)`).FindAllStringSubmatch(string(out), -1) {
				address, _ := strconv.Atoi(found[1])
				value, err := strconv.ParseUint(found[2], 0, 16)
				if err != nil {
					t.Fatal(err)
				}
				p := Point{Name: fmt.Sprint(table, address), Table: table, Address: uint16(address), Type: "uint16", Scale: 1, Unit: one}
				if p.bits() {
					p.Type = "bit"
				}
				in.Points = append(in.Points, p)
				theirs = append(theirs, float64(value))
			}
		}
		if len(theirs) != 4*count {
			t.Fatalf("mbpoll gives %d values, expected %d", len(theirs), 4*count)
		}
		l := way.line
		l.Name, l.Timeout, l.Instruments = "line-a", time.Second, []Instrument{in}
		b := run(t, l).next("north")
		for i, r := range b.Readings {
			if r.Value != theirs[i] || r.Quality.String() != "good" {
				t.Errorf("%s: %s is %v, %v; mbpoll reads %v", l.Kind, r.Point, r.Value, r.Quality, theirs[i])
			}
		}
	}
}

// serialServer carries bytes between one TCP client at a time and a device.
func serialServer(t *testing.T, device string) (address string) {
	t.Helper()
	s, err := openTTY(Line{Device: device, Baud: 19200, Parity: "even", StopBits: 1})
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close(); s.Close() })
	go func() {
		for {
			c, err := listener.Accept()
			if err != nil {
				return
			}
			t.Cleanup(func() { c.Close() })
			go io.Copy(c, s)
			io.Copy(s, c)
		}
	}()
	return listener.Addr().String()
}
