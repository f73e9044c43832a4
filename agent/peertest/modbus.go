package peertest

import (
	"crypto/sha256"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
)

// Table is a Modbus table, by the word that the peers know.
type Table string

// The four tables.
const (
	Coils     Table = "coils"
	Discretes Table = "discretes"
	Holdings  Table = "holdings"
	Inputs    Table = "inputs"
)

// Map is what the units of a peer hold: for each unit, table and first address
// a run of values. Other addresses do not exist.
type Map map[byte]map[Table]map[uint16][]uint16

// server is a Modbus server that obeys commands.
type server struct{ *process }

// Set puts values into consecutive addresses at once. They are there when Set
// returns.
func (s server) Set(unit byte, table Table, address uint16, values ...uint16) {
	s.t.Helper()
	var line strings.Builder
	line.WriteString(fmt.Sprintf("%d %s %d", unit, table, address))
	for _, v := range values {
		line.WriteString(" " + strconv.Itoa(int(v)))
	}
	s.command(line.String())
}

// serve fills a server and lets it begin. It returns the port.
func (s server) serve(m Map) string {
	s.t.Helper()
	for unit, tables := range m {
		for table, runs := range tables {
			for address, values := range runs {
				s.Set(unit, table, address, values...)
			}
		}
	}
	return s.command("serve")
}

// ModbusTCP is a Modbus TCP server.
type ModbusTCP struct {
	server
	addr string
}

// Addr is where it listens, host:port.
func (m *ModbusTCP) Addr() string { return m.addr }

// ModbusSerial is a Modbus server on one end of a pair of pseudo-terminals.
type ModbusSerial struct {
	server
	device string
}

// Device is the path of the other end.
func (m *ModbusSerial) Device() string { return m.device }

// Libmodbus starts a Modbus TCP server made of libmodbus.
func Libmodbus(t testing.TB, m Map) *ModbusTCP {
	t.Helper()
	s := server{start(t, libmodbusPeer(t), "tcp")}
	return &ModbusTCP{s, "127.0.0.1:" + s.serve(m)}
}

// LibmodbusRTU starts a Modbus RTU server made of libmodbus with one unit. The
// parity is none, even or odd.
func LibmodbusRTU(t testing.TB, m Map, baud int, parity string, unit byte) *ModbusSerial {
	t.Helper()
	ours, theirs := PseudoTerminals(t)
	letter := strings.ToUpper(parity[:1])
	s := server{start(t, libmodbusPeer(t), "rtu", theirs, strconv.Itoa(baud), letter, strconv.Itoa(int(unit)))}
	s.serve(m)
	return &ModbusSerial{s, ours}
}

// python is Debian's, whose packages are for no other.
const python = "/usr/bin/python3"

// Pymodbus starts a Modbus TCP server made of pymodbus.
func Pymodbus(t testing.TB, m Map) *ModbusTCP {
	t.Helper()
	s := server{start(t, python, pymodbusPeer(t), "tcp")}
	return &ModbusTCP{s, "127.0.0.1:" + s.serve(m)}
}

// PymodbusOverTCP starts a server made of pymodbus that speaks rtu or ascii on a
// connection.
func PymodbusOverTCP(t testing.TB, m Map, framing string) *ModbusTCP {
	t.Helper()
	s := server{start(t, python, pymodbusPeer(t), framing+"-over-tcp")}
	return &ModbusTCP{s, "127.0.0.1:" + s.serve(m)}
}

// PymodbusRTU starts a Modbus RTU server made of pymodbus, without parity.
func PymodbusRTU(t testing.TB, m Map, baud int) *ModbusSerial {
	t.Helper()
	return pymodbusSerial(t, m, "rtu", baud)
}

// PymodbusASCII starts a Modbus ASCII server made of pymodbus, without parity.
func PymodbusASCII(t testing.TB, m Map, baud int) *ModbusSerial {
	t.Helper()
	return pymodbusSerial(t, m, "ascii", baud)
}

func pymodbusSerial(t testing.TB, m Map, framing string, baud int) *ModbusSerial {
	t.Helper()
	ours, theirs := PseudoTerminals(t)
	s := server{start(t, python, pymodbusPeer(t), framing, theirs, strconv.Itoa(baud))}
	s.serve(m)
	return &ModbusSerial{s, ours}
}

// pymodbusPeer returns the path of the script of the peer.
func pymodbusPeer(t testing.TB) string {
	t.Helper()
	Require(t, python)
	if exec.Command(python, "-c", "import pymodbus, serial_asyncio").Run() != nil {
		lacking(t, "python3-pymodbus or python3-serial-asyncio")
	}
	script, err := source("pymodbus_peer.py")
	if err != nil {
		t.Fatal(err)
	}
	return script
}

// PseudoTerminals makes two devices of which each receives what is written to
// the other.
func PseudoTerminals(t testing.TB) (a, b string) {
	t.Helper()
	socat := Tool(t, "socat")
	dir := t.TempDir()
	a, b = filepath.Join(dir, "a"), filepath.Join(dir, "b")
	start(t, socat, "pty,raw,echo=0,link="+a, "pty,raw,echo=0,link="+b)
	for _, path := range []string{a, b} {
		until(t, path+" is there", func() bool { _, err := os.Stat(path); return err == nil })
	}
	return a, b
}

// libmodbusPeer returns the path of the compiled server.
func libmodbusPeer(t testing.TB) string { return libmodbus(t, "libmodbus_peer.c") }

// LibmodbusClient returns the path of a client; its source says what it reads.
func LibmodbusClient(t testing.TB) string { return libmodbus(t, "libmodbus_client.c") }

func libmodbus(t testing.TB, name string) string {
	t.Helper()
	Require(t, "gcc", "pkg-config")
	if exec.Command("pkg-config", "--exists", "libmodbus").Run() != nil {
		lacking(t, "libmodbus-dev")
	}
	path, err := compiled(name)
	if err != nil {
		t.Fatalf("%s cannot be compiled: %v", name, err)
	}
	return path
}

var compiling sync.Mutex

// compiled compiles a peer with libmodbus. A later test finds it in the user's
// cache unless its source has changed.
func compiled(name string) (string, error) {
	compiling.Lock()
	defer compiling.Unlock()
	from, err := source(name)
	if err != nil {
		return "", err
	}
	text, err := os.ReadFile(from)
	if err != nil {
		return "", err
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		dir = os.TempDir()
	}
	dir = filepath.Join(dir, "ebbwatch-peers")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return "", err
	}
	path := filepath.Join(dir, fmt.Sprintf("libmodbus-%x", sha256.Sum256(text)))
	if _, err := os.Stat(path); err == nil {
		return path, nil
	}
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		return "", err
	}
	// Another test binary may do the same: each makes its own, the last stays.
	made := fmt.Sprintf("%s.%d", path, os.Getpid())
	defer os.Remove(made)
	args := append([]string{"-O1", "-o", made, from}, strings.Fields(string(flags))...)
	if out, err := exec.Command("gcc", args...).CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return path, os.Rename(made, path)
}
