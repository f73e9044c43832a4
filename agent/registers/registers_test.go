package registers

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"math"
	"net"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/peertest"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

var now = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

var (
	figureNames = []string{"residual-out", "bank.north.net-weight", "detector.gas-1.concentration", "never-read"}
	alarmNames  = []string{"gas-1-level-2", "residual-out-low", "north-empty-notice"}
)

func snapshot() *agent.Snapshot {
	figure := func(name, unit string, shown float64, q reading.Quality, age time.Duration) plant.Figure {
		u := units.MustParse(unit)
		return plant.Figure{Name: name, Unit: u, Value: u.SI(shown), Quality: q, Time: now.Add(-age), Low: math.NaN(), High: math.NaN()}
	}
	never := figure("never-read", "1", 3, reading.BadBecause(reading.NotYetRead), 0)
	never.Time = time.Time{}
	return &agent.Snapshot{
		Time: now, Stepped: time.Now(),
		Figures: []plant.Figure{
			figure("residual-out", "mg/L", 1.25, reading.GoodQuality(), 2*time.Second),
			figure("bank.north.net-weight", "lb", 1500, reading.UncertainBecause(reading.Inconsistent), 70000*time.Second),
			figure("detector.gas-1.concentration", "ppm", 0.5, reading.BadBecause("exception-2"), 5*time.Second),
			never,
		},
		Conditions: []alarms.Condition{
			{Alarm: "gas-1-level-2", Priority: alarms.Critical, State: alarms.LatchedUnacknowledged},
			{Alarm: "residual-out-low", Priority: alarms.High, State: alarms.Acknowledged},
			{Alarm: "north-empty-notice", Priority: alarms.Low, State: alarms.Unacknowledged},
		},
	}
}

func newMap(t testing.TB, pins ...Pin) *Map {
	t.Helper()
	m, err := NewMap(figureNames, alarmNames, pins)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func newServer(t testing.TB, m *Map) *Server {
	s := snapshot()
	return New(Options{Map: m, Snapshot: func() *agent.Snapshot { return s }, Now: func() time.Time { return now }})
}

// serve starts a server until the test ends and returns its address.
func serve(t testing.TB, s *Server) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return l.Addr().String()
}

// ask sends one request and returns the reply's PDU.
func ask(t testing.TB, conn net.Conn, pdu ...byte) []byte {
	t.Helper()
	frame := append([]byte{0x12, 0x34, 0, 0, 0, byte(len(pdu) + 1), 9}, pdu...)
	if _, err := conn.Write(frame); err != nil {
		t.Fatal(err)
	}
	conn.SetReadDeadline(time.Now().Add(10 * time.Second))
	var header [7]byte
	if _, err := io.ReadFull(conn, header[:]); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(header[:4], frame[:4]) || header[6] != 9 {
		t.Fatalf("header % x to % x", header, frame[:7])
	}
	reply := make([]byte, binary.BigEndian.Uint16(header[4:])-1)
	if _, err := io.ReadFull(conn, reply); err != nil {
		t.Fatal(err)
	}
	return reply
}

func dial(t testing.TB, address string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func registersAt(t testing.TB, conn net.Conn, address, quantity int) []uint16 {
	t.Helper()
	reply := ask(t, conn, 4, byte(address>>8), byte(address), byte(quantity>>8), byte(quantity))
	if reply[0] != 4 || int(reply[1]) != 2*quantity {
		t.Fatalf("reply % x to %d registers at %d", reply, quantity, address)
	}
	var out []uint16
	for i := 2; i < len(reply); i += 2 {
		out = append(out, binary.BigEndian.Uint16(reply[i:]))
	}
	return out
}

func float(words []uint16) float64 {
	return float64(math.Float32frombits(uint32(words[0])<<16 | uint32(words[1])))
}

func TestFiguresAndAlarms(t *testing.T) {
	conn := dial(t, serve(t, newServer(t, newMap(t))))
	w := registersAt(t, conn, 100, 16)
	for i, c := range []struct {
		value        float64
		quality, age uint16
	}{
		{1.25, 2, 2},
		{1500, 1 | 19<<8, noAge},      // inconsistent is the 19th reason; the age is over the end
		{math.NaN(), 0 | 5<<8, 5},     // an exception is the 5th
		{math.NaN(), 0 | 1<<8, noAge}, // not yet read
	} {
		f := w[4*i:]
		if v := float(f); v != c.value && !(math.IsNaN(v) && math.IsNaN(c.value)) || f[2] != c.quality || f[3] != c.age {
			t.Errorf("%s: %g, quality %#x, age %d; want %g, %#x, %d", figureNames[i], v, f[2], f[3], c.value, c.quality, c.age)
		}
	}
	// By name: gas-1-level-2, north-empty-notice, residual-out-low.
	if got, want := registersAt(t, conn, 30000, 6), []uint16{4, 4, 1, 1, 2, 3}; !slices.Equal(got, want) {
		t.Errorf("alarms %v, want %v", got, want)
	}
	// Active, unacknowledged, latched, hidden; the first alarm in the lowest bits.
	if got, want := ask(t, conn, 2, 0, 0, 0, 12), []byte{2, 2, 0b0011_0110, 0b0000_0001}; !bytes.Equal(got, want) {
		t.Errorf("bits % 08b, want % 08b", got, want)
	}
	head := registersAt(t, conn, 0, 14)
	if head[0] != 1 || head[3] != 1 || head[12] != 4 || head[13] != 3 {
		t.Errorf("head %v", head)
	}
	if got, want := head[4:12], []uint16{0, 1, 0, 1, 1, 0, 0, 1}; !slices.Equal(got, want) {
		t.Errorf("counts %v, want %v", got, want)
	}
	for _, mirror := range [][]byte{{3, 0, 100, 0, 16}, {1, 0, 0, 0, 12}} {
		a := ask(t, conn, mirror...)
		mirror[0]++ // holding to input registers, coils to discrete inputs
		b := ask(t, conn, mirror...)
		if !bytes.Equal(a[1:], b[1:]) {
			t.Errorf("function %d % x, its mirror % x", mirror[0], b, a)
		}
	}
}

func TestTheHeartbeatStandsStillWithTheEvaluation(t *testing.T) {
	s := snapshot()
	server := New(Options{Map: newMap(t), Snapshot: func() *agent.Snapshot { return s }})
	at := func(since time.Duration) (beat, standing uint16) {
		s.Stepped = server.started.Add(since)
		im := image{m: server.o.Map, s: s, standing: 7 * time.Second, started: server.started}
		return im.register(1), im.register(2)
	}
	for _, c := range []struct {
		since time.Duration
		beat  uint16
	}{{0, 0}, {999 * time.Millisecond, 0}, {time.Second, 1}, {65536 * time.Second, 0}, {-time.Hour, 0}} {
		if beat, standing := at(c.since); beat != c.beat || standing != 7 {
			t.Errorf("%v after the start: %d and %d", c.since, beat, standing)
		}
	}
}

func TestLowWordFirst(t *testing.T) {
	m := newMap(t)
	m.LowWordFirst = true
	w := registersAt(t, dial(t, serve(t, newServer(t, m))), 100, 2)
	if v := float([]uint16{w[1], w[0]}); v != 1.25 {
		t.Errorf("%v is %g", w, v)
	}
}

// MODBUS Application Protocol Specification V1.1b3, 7, and the state diagrams of
// 6.1 to 6.4 (from memory).
func TestMalformedRequestsAreAnswered(t *testing.T) {
	conn := dial(t, serve(t, newServer(t, newMap(t))))
	for _, c := range []struct {
		name string
		pdu  []byte
		code byte
	}{
		{"a write of one coil", []byte{5, 0, 0, 0xFF, 0}, 1},
		{"a write of one register", []byte{6, 0, 100, 0, 1}, 1},
		{"a write of registers", []byte{16, 0, 100, 0, 1, 2, 0, 1}, 1},
		{"a write and read", []byte{23, 0, 0, 0, 1, 0, 0, 0, 1, 2, 0, 0}, 1},
		{"a function nobody has", []byte{99}, 1},
		{"no registers", []byte{4, 0, 0, 0, 0}, 3},
		{"126 registers", []byte{4, 0, 0, 0, 126}, 3},
		{"2001 bits", []byte{2, 0, 0, 0x07, 0xD1}, 3},
		{"a request cut short", []byte{4, 0, 0, 0}, 3},
		{"a request too long", []byte{4, 0, 0, 0, 1, 0}, 3},
		{"registers past the head", []byte{4, 0, 14, 0, 1}, 2},
		{"registers across the end of the figures", []byte{4, 0, 115, 0, 2}, 2},
		{"registers before the figures", []byte{4, 0, 99, 0, 2}, 2},
		{"the last address", []byte{4, 0xFF, 0xFF, 0, 1}, 2},
		{"past the last address", []byte{4, 0xFF, 0xFF, 0, 2}, 2},
		{"bits past the last", []byte{2, 0, 12, 0, 1}, 2},
	} {
		if got, want := ask(t, conn, c.pdu...), []byte{c.pdu[0] | 0x80, c.code}; !bytes.Equal(got, want) {
			t.Errorf("%s: % x, want % x", c.name, got, want)
		}
	}
	// What is no Modbus TCP ends the connection, and that one alone.
	for _, frame := range [][]byte{
		{0, 1, 0, 9, 0, 6, 1, 4, 0, 0, 0, 1}, // protocol 9
		{0, 1, 0, 0, 0, 1, 1},                // no function
		{0, 1, 0, 0, 1, 0, 1, 4},             // 256 bytes
	} {
		bad := dial(t, strings.Clone(conn.RemoteAddr().String()))
		bad.Write(frame)
		bad.SetReadDeadline(time.Now().Add(10 * time.Second))
		if n, err := bad.Read(make([]byte, 1)); n != 0 || !errors.Is(err, io.EOF) && !strings.Contains(err.Error(), "reset") {
			t.Errorf("% x: %d bytes, %v", frame, n, err)
		}
	}
	registersAt(t, conn, 0, 1)
}

func TestPinsKeepTheirAddresses(t *testing.T) {
	before := newMap(t)
	// The site grows at the front, loses one figure, and its order changes.
	grown := []string{"new-1", "detector.gas-1.concentration", "residual-out", "new-2", "bank.north.net-weight"}
	after, err := NewMap(grown, append([]string{"new-alarm"}, alarmNames...), before.Pins())
	if err != nil {
		t.Fatal(err)
	}
	was := map[string]int{}
	for _, p := range before.Pins() {
		was[p.Kind+p.Name] = p.Address
	}
	used := map[int]string{}
	for _, p := range after.Pins() {
		if at, known := was[p.Kind+p.Name]; known && at != p.Address {
			t.Errorf("%s moved from %d to %d", p.Name, at, p.Address)
		} else if !known && slices.ContainsFunc(before.Pins(), func(q Pin) bool { return q.Address == p.Address }) {
			t.Errorf("%s took the address %d of another", p.Name, p.Address)
		}
		if other, taken := used[p.Address]; taken {
			t.Errorf("%s and %s share %d", p.Name, other, p.Address)
		}
		used[p.Address] = p.Name
	}
	// The figure that is gone leaves a bad one behind.
	im := image{m: after, s: &agent.Snapshot{Figures: make([]plant.Figure, len(grown))}, now: now}
	gone := was[Figure+"never-read"]
	if v := float([]uint16{im.register(gone), im.register(gone + 1)}); !math.IsNaN(v) || im.register(gone+2) != 0 || im.register(gone+3) != noAge {
		t.Errorf("at %d %g", gone, v)
	}
}

func TestFaultyPins(t *testing.T) {
	for _, c := range []struct {
		name, csv, want string
	}{
		{"empty", "", "line 1: no header"},
		{"no address", "kind,name\nfigure,residual-out\n", "line 1: no column address"},
		{"a word", "kind,name,address\nfigure,residual-out,hundred\n", `line 2: address "hundred"`},
		{"too high", "kind,name,address\nfigure,residual-out,70000\n", `line 2: address "70000"`},
		{"a ragged row", "kind,name,address\nfigure,residual-out\n", "wrong number of fields"},
		{"between two", "kind,name,address\nfigure,residual-out,101\n", "address 101 of figure residual-out, expected 100 and 4 on"},
		{"in the alarms", "kind,name,address\nfigure,residual-out,30000\n", "address 30000 of figure residual-out"},
		{"before the alarms", "kind,name,address\nalarm,residual-out-low,100\n", "address 100 of alarm residual-out-low"},
		{"taken", "kind,name,address\nfigure,residual-out,100\nfigure,gone,100\n", "which residual-out has too"},
		{"twice", "kind,name,address\nfigure,residual-out,100\nfigure,residual-out,104\n", "is there twice"},
		{"of no kind", "kind,name,address\npoint,residual-out,100\n", `the kind "point"`},
	} {
		pins, err := ReadPins(strings.NewReader(c.csv))
		if err == nil {
			_, err = NewMap(figureNames, alarmNames, pins)
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// Every reason of package reading has a number, and numbers never change.
func TestReasonsAreComplete(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "../reading/reading.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, d := range file.Decls {
		g, ok := d.(*ast.GenDecl)
		if !ok || g.Tok != token.CONST {
			continue
		}
		for _, spec := range g.Specs {
			for _, v := range spec.(*ast.ValueSpec).Values {
				if lit, ok := v.(*ast.BasicLit); ok && lit.Kind == token.STRING {
					reason, _ := strconv.Unquote(lit.Value)
					if found++; !slices.Contains(Reasons, reason) {
						t.Errorf("the reason %s has no number: add it at the end of Reasons", reason)
					}
				}
			}
		}
	}
	if found < 20 {
		t.Errorf("only %d reasons found", found)
	}
	if Reasons[0] != "not-yet-read" || Reasons[4] != "exception" || Reasons[19] != "line-lost" {
		t.Error("the numbers of reasons have changed")
	}
}

func TestIdleClientsShutNobodyOut(t *testing.T) {
	s := newServer(t, newMap(t))
	address := serve(t, s)
	busy := dial(t, address)
	registersAt(t, busy, 0, 1)
	for i := range maxClients + 20 {
		dial(t, address)
		if i%10 == 0 {
			registersAt(t, busy, 0, 1) // it keeps its place
		}
	}
	for range 3 {
		registersAt(t, dial(t, address), 100, 4)
	}
	registersAt(t, busy, 0, 1)
	if st := s.Stats(); st.Clients > maxClients || st.Evicted < 20 {
		t.Errorf("%+v", st)
	}
}

func TestSixtyFourClientsAtOnce(t *testing.T) {
	address := serve(t, newServer(t, newMap(t)))
	done := make(chan error, 64)
	for range 64 {
		conn := dial(t, address)
		go func() {
			for range 50 {
				if _, err := conn.Write([]byte{0, 1, 0, 0, 0, 6, 1, 4, 0, 100, 0, 2}); err != nil {
					done <- err
					return
				}
				var reply [13]byte
				if _, err := io.ReadFull(conn, reply[:]); err != nil {
					done <- err
					return
				}
				if v := float([]uint16{binary.BigEndian.Uint16(reply[9:]), binary.BigEndian.Uint16(reply[11:])}); v != 1.25 {
					done <- fmt.Errorf("read %g", v)
					return
				}
			}
			done <- nil
		}()
	}
	for range 64 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// mbpoll, libmodbus and pymodbus, which nobody here wrote, read what is there.
func TestIndependentClients(t *testing.T) {
	address := serve(t, newServer(t, newMap(t)))
	host, port, _ := net.SplitHostPort(address)
	t.Run("mbpoll", func(t *testing.T) {
		// It counts addresses from 1 unless told otherwise, and takes floats with the
		// high word first by -B.
		for _, c := range []struct {
			args []string
			want string
		}{
			{[]string{"-t", "3:float", "-B", "-r", "100", "-c", "1"}, "1.25"},
			{[]string{"-t", "4:float", "-B", "-r", "104", "-c", "1"}, "1500"},
			{[]string{"-t", "3", "-r", "30000", "-c", "1"}, "4"},
			{[]string{"-t", "1", "-r", "1", "-c", "1"}, "1"},
		} {
			out, err := exec.Command(peertest.Tool(t, "mbpoll"), append([]string{"-0", "-1", "-q", "-p", port, "-m", "tcp"}, append(c.args, host)...)...).CombinedOutput()
			if err != nil || !strings.Contains(string(out), c.want) {
				t.Errorf("mbpoll %v: %v\n%s", c.args, err, out)
			}
		}
	})
	t.Run("libmodbus", func(t *testing.T) {
		out, err := exec.Command(peertest.LibmodbusClient(t), host, port).CombinedOutput()
		want := "inputs 1.25 2 2\nholdings 1.25 2 2\ndiscretes 0110\ncoils 0110\noutside Illegal data address\nwrite Illegal function\nwrite bits Illegal function\n"
		if err != nil || string(out) != want {
			t.Errorf("%v\n%s\nwant\n%s", err, out, want)
		}
	})
	t.Run("pymodbus", func(t *testing.T) {
		script := `
import struct, sys
from pymodbus.client import ModbusTcpClient
c = ModbusTcpClient(sys.argv[1], port=int(sys.argv[2]))
assert c.connect()
r = c.read_input_registers(100, 4)
print(struct.unpack(">f", struct.pack(">HH", *r.registers[:2]))[0], r.registers[2])
print(c.read_discrete_inputs(0, 4).bits[:4])
r = c.read_input_registers(14, 1)
print(r.isError(), r.exception_code)
r = c.write_register(100, 1)
print(r.isError(), r.exception_code)
`
		peertest.Require(t, "python3")
		out, err := exec.Command("/usr/bin/python3", "-c", script, host, port).CombinedOutput()
		if want := "1.25 2\n[False, True, True, False]\nTrue 2\nTrue 1\n"; err != nil || string(out) != want {
			t.Errorf("%v\n%s\nwant\n%s", err, out, want)
		}
	})
}

func FuzzRespond(f *testing.F) {
	f.Add([]byte{4, 0, 100, 0, 4})
	f.Add([]byte{2, 0, 0, 0, 12})
	f.Add([]byte{16, 0, 100, 0, 1, 2, 0, 1})
	f.Add([]byte{4, 0xFF, 0xFF, 0, 125})
	s := newServer(f, newMap(f))
	f.Fuzz(func(t *testing.T, pdu []byte) {
		if len(pdu) == 0 || len(pdu) > maxPDU {
			return
		}
		reply := s.respond(nil, pdu)
		switch {
		case reply[0] == pdu[0]|0x80 && len(reply) == 2 && reply[1] >= 1 && reply[1] <= 3:
		case reply[0] == pdu[0] && pdu[0] >= 1 && pdu[0] <= 4 && len(reply) == 2+int(reply[1]) && len(reply) <= maxPDU:
		default:
			t.Fatalf("% x to % x", reply, pdu)
		}
	})
}

func FuzzReadPins(f *testing.F) {
	f.Add("kind,name,address\nfigure,residual-out,100\n")
	f.Add("kind,name,address,unit\nalarm,\"a\",30000,\n")
	f.Fuzz(func(t *testing.T, csv string) {
		pins, err := ReadPins(strings.NewReader(csv))
		if err != nil {
			return
		}
		m, err := NewMap(figureNames, alarmNames, pins)
		if err != nil {
			return
		}
		again, err := NewMap(figureNames, alarmNames, m.Pins())
		if err != nil || !slices.Equal(again.Pins(), m.Pins()) {
			t.Fatalf("%v, then %v: %v", m.Pins(), again, err)
		}
	})
}

// The server against a bare loop that answers the same bytes.
func BenchmarkReads(b *testing.B) {
	request := []byte{0, 1, 0, 0, 0, 6, 1, 4, 0, 100, 0, 16}
	loop := func(b *testing.B, address string) {
		conn := dial(b, address)
		reply := make([]byte, 9+32)
		b.ReportAllocs()
		for b.Loop() {
			if _, err := conn.Write(request); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(conn, reply); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.Run("bare loop", func(b *testing.B) {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			b.Fatal(err)
		}
		defer l.Close()
		go func() {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			defer conn.Close()
			in, out := make([]byte, len(request)), make([]byte, 9+32)
			for {
				if _, err := io.ReadFull(conn, in); err != nil {
					return
				}
				if _, err := conn.Write(out); err != nil {
					return
				}
			}
		}()
		loop(b, l.Addr().String())
	})
	b.Run("registers", func(b *testing.B) { loop(b, serve(b, newServer(b, newMap(b)))) })
}
