package demo

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/goburrow/modbus"

	"ebbwatch/agent/peertest"
)

// testLine is a line with unit 11 alone.
func testLine() *unitTable {
	im := newImage()
	im.inputs[0], im.inputs[1], im.inputs[31] = 0x1234, 0xFFFF, 7
	im.holdings[0] = 42
	im.coils[0], im.discretes[2] = true, true
	return &unitTable{images: map[byte]*image{11: im}}
}

// serveOn serves on a free port until the test ends.
func serveOn(t *testing.T, serve func(stream)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { defer close(ended); listen(ctx, l, serve) }()
	t.Cleanup(func() { cancel(); <-ended })
	return l.Addr().String()
}

// serveTerminal serves on a pseudo-terminal until the test ends.
func serveTerminal(t *testing.T, table *unitTable) string {
	t.Helper()
	term, err := openTerminal()
	if err != nil {
		t.Fatal(err)
	}
	// Not the test's context, which ends before the clients are closed.
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); attend(ctx, term, table.serveRTU) }()
	t.Cleanup(func() { cancel(); <-ended })
	return term.device
}

// connTransport carries goburrow's RTU frames over TCP: a request out, the bytes
// of one reply in.
type connTransport struct{ net.Conn }

func (c connTransport) Send(request []byte) ([]byte, error) {
	c.SetDeadline(time.Now().Add(5 * time.Second))
	if _, err := c.Write(request); err != nil {
		return nil, err
	}
	reply := make([]byte, 5, maxRTU) // the shortest, an exception
	if _, err := io.ReadFull(c, reply); err != nil {
		return nil, err
	}
	if reply[1]&exceptionFlag == 0 {
		reply = reply[:5+int(reply[2])]
		if _, err := io.ReadFull(c, reply[5:]); err != nil {
			return nil, err
		}
	}
	return reply, nil
}

// clients are goburrow's client, an independent implementation, on each of the
// three ways to travel.
func clients(t *testing.T, table *unitTable, unit byte) map[string]modbus.Client {
	t.Helper()
	tcp := modbus.NewTCPClientHandler(serveOn(t, table.serveTCP))
	tcp.SlaveId, tcp.Timeout = unit, 5*time.Second
	t.Cleanup(func() { tcp.Close() })

	rtu := modbus.NewRTUClientHandler(serveTerminal(t, table))
	rtu.SlaveId, rtu.Timeout, rtu.BaudRate, rtu.Parity = unit, 5*time.Second, 115200, "N"
	t.Cleanup(func() { rtu.Close() })

	conn, err := net.Dial("tcp", serveOn(t, table.serveRTU))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	packager := modbus.NewRTUClientHandler("")
	packager.SlaveId = unit
	return map[string]modbus.Client{
		"tcp": modbus.NewClient(tcp), "rtu on a terminal": modbus.NewClient(rtu),
		"rtu over tcp": modbus.NewClient2(packager, connTransport{conn}),
	}
}

func TestServersAgainstClient(t *testing.T) {
	for name, c := range clients(t, testLine(), 11) {
		t.Run(name, func(t *testing.T) {
			for _, r := range []struct {
				read     func(address, quantity uint16) ([]byte, error)
				address  uint16
				quantity uint16
				want     []byte
			}{
				{c.ReadInputRegisters, 0, 2, []byte{0x12, 0x34, 0xFF, 0xFF}},
				{c.ReadInputRegisters, 31, 1, []byte{0, 7}},
				{c.ReadHoldingRegisters, 0, 1, []byte{0, 42}},
				{c.ReadCoils, 0, 3, []byte{1}},
				{c.ReadDiscreteInputs, 0, 9, []byte{4, 0}},
			} {
				got, err := r.read(r.address, r.quantity)
				if err != nil || !bytes.Equal(got, r.want) {
					t.Errorf("%d from %d: % X, %v; expected % X", r.quantity, r.address, got, err, r.want)
				}
			}
			exception := func(what string, err error, code byte) {
				t.Helper()
				if me, ok := errors.AsType[*modbus.ModbusError](err); !ok || me.ExceptionCode != code {
					t.Errorf("%s: %v, expected exception %d", what, err, code)
				}
			}
			_, err := c.ReadInputRegisters(32, 1)
			exception("a register that is not there", err, illegalAddress)
			_, err = c.WriteSingleRegister(0, 1)
			exception("a write", err, illegalFunction)
			_, err = c.WriteMultipleRegisters(0, 1, []byte{0, 1})
			exception("a write of several", err, illegalFunction)
		})
	}
}

// A silent unit answers nothing, an unknown one is refused by the TCP side as by
// a gateway and not answered on RTU; the line lives on.
func TestSilentAndAbsentUnits(t *testing.T) {
	table := testLine()
	table.images[12] = newImage()
	table.images[12].silent = true

	conn, err := net.Dial("tcp", serveOn(t, table.serveTCP))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(10 * time.Second))
	read := []byte{4, 0, 0, 0, 1}
	var out []byte
	for i, unit := range []byte{12, 99, 11} {
		out = frame{uint16(i), 0, unit, read}.append(out)
	}
	out = frame{8, 1, 11, read}.append(out) // not the Modbus protocol: dropped
	out = frame{9, 0, 11, read}.append(out)
	if _, err := conn.Write(out); err != nil {
		t.Fatal(err)
	}
	for _, want := range []frame{
		{1, 0, 99, []byte{0x84, gatewayTargetSilent}},
		{2, 0, 11, []byte{4, 2, 0x12, 0x34}},
		{9, 0, 11, []byte{4, 2, 0x12, 0x34}},
	} {
		got, err := readFrame(conn)
		if err != nil || got.transaction != want.transaction || got.unit != want.unit || !bytes.Equal(got.pdu, want.pdu) {
			t.Errorf("reply %+v, %v; expected %+v", got, err, want)
		}
	}
	// A length that cannot be right ends the connection.
	conn.Write([]byte{0, 1, 0, 0, 0, 0, 11})
	if _, err := readFrame(conn); !errors.Is(err, io.EOF) {
		t.Errorf("after a frame without a length: %v, expected the connection closed", err)
	}

	rtu, err := net.Dial("tcp", serveOn(t, table.serveRTU))
	if err != nil {
		t.Fatal(err)
	}
	defer rtu.Close()
	rtu.SetDeadline(time.Now().Add(10 * time.Second))
	out = nil
	for _, unit := range []byte{12, 99, 0, 11} { // 0 is the broadcast: no answer
		out = appendRTU(out, unit, read)
	}
	rtu.Write(out)
	want := appendRTU(nil, 11, []byte{4, 2, 0x12, 0x34})
	got := make([]byte, len(want))
	if _, err := io.ReadFull(rtu, got); err != nil || !bytes.Equal(got, want) {
		t.Errorf("reply % X, %v; expected % X, of unit 11 alone", got, err, want)
	}
}

// Bytes may come in pieces; what stays unfinished is dropped after a silence.
func TestRTUInPieces(t *testing.T) {
	ours, theirs := net.Pipe()
	ended := make(chan struct{})
	go func() { defer close(ended); testLine().serveRTU(theirs) }()
	defer func() { ours.Close(); <-ended }()
	ours.SetDeadline(time.Now().Add(10 * time.Second))
	request := appendRTU(nil, 11, []byte{4, 0, 0, 0, 1})
	want := appendRTU(nil, 11, []byte{4, 2, 0x12, 0x34})
	for range 3 {
		for _, b := range request {
			ours.Write([]byte{b})
		}
		got := make([]byte, len(want))
		if _, err := io.ReadFull(ours, got); err != nil || !bytes.Equal(got, want) {
			t.Fatalf("reply % X, %v; expected % X", got, err, want)
		}
	}
}

func TestConnectionsAreBounded(t *testing.T) {
	address := serveOn(t, testLine().serveTCP)
	ask := frame{1, 0, 11, []byte{4, 0, 0, 0, 1}}.append(nil)
	for i := range maxConnections + 1 {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		conn.SetDeadline(time.Now().Add(10 * time.Second))
		conn.Write(ask)
		_, err = readFrame(conn)
		if over := i == maxConnections; over != (err != nil) {
			t.Errorf("connection %d: %v", i+1, err)
		}
	}
}

// mbpoll is a Modbus master built on libmodbus.
func TestServersAgainstMbpoll(t *testing.T) {
	path := peertest.Tool(t, "mbpoll")
	table := testLine()
	host, port, err := net.SplitHostPort(serveOn(t, table.serveTCP))
	if err != nil {
		t.Fatal(err)
	}
	device := serveTerminal(t, table)
	for _, c := range []struct {
		name, want string
		args       []string
	}{
		{"input registers over tcp", "[0]: \t4660", []string{"-m", "tcp", "-p", port, "-t", "3", "-r", "0", "-c", "2", host}},
		{"holding register over tcp", "[0]: \t42", []string{"-m", "tcp", "-p", port, "-t", "4", "-r", "0", host}},
		{"coil over tcp", "[0]: \t1", []string{"-m", "tcp", "-p", port, "-t", "0", "-r", "0", host}},
		{"discrete input over tcp", "[2]: \t1", []string{"-m", "tcp", "-p", port, "-t", "1", "-r", "2", host}},
		{"behind the table", "Illegal data address", []string{"-m", "tcp", "-p", port, "-t", "3", "-r", "32", host}},
		{"input registers on a terminal", "[0]: \t4660", []string{"-m", "rtu", "-b", "9600", "-P", "even", "-t", "3", "-r", "0", device}},
		{"holding register on a terminal", "[0]: \t42", []string{"-m", "rtu", "-b", "9600", "-P", "none", "-t", "4", "-r", "0", device}},
		{"behind the table on a terminal", "Illegal data address", []string{"-m", "rtu", "-b", "9600", "-P", "none", "-t", "4", "-r", "32", device}},
	} {
		out, _ := exec.CommandContext(t.Context(), path, append([]string{"-1", "-0", "-a", "11", "-o", "5"}, c.args...)...).CombinedOutput()
		if !strings.Contains(string(out), c.want) {
			t.Errorf("%s: mbpoll says\n%s\nexpected %q in it", c.name, out, c.want)
		}
	}
}
