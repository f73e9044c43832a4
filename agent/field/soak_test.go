package field

import (
	"fmt"
	"hash/fnv"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// soakTime is how long TestFaultSoak spoils replies unless EBBWATCH_SOAK says
// otherwise.
const soakTime = 10 * time.Second

// marked is what an address of a peer holds: a function of where it is, so that a
// value from elsewhere shows.
func marked(unit byte, table Table, address uint16) uint16 {
	h := fnv.New32a()
	fmt.Fprint(h, unit, table, address)
	v := uint16(h.Sum32())
	if table == Coil || table == DiscreteInput {
		v &= 1
	}
	return v
}

// soaked is units that hold marked values, and instruments that read them, their
// points by three periods. The
// requests to an even unit draw replies that look the same.
func soaked(units ...byte) (peertest.Map, []Instrument) {
	tables := map[Table]peertest.Table{
		Coil: peertest.Coils, DiscreteInput: peertest.Discretes, HoldingRegister: peertest.Holdings, InputRegister: peertest.Inputs,
	}
	m := peertest.Map{}
	var all []Instrument
	for _, u := range units {
		m[u] = map[peertest.Table]map[uint16][]uint16{}
		for table, theirs := range tables {
			run := make([]uint16, 600)
			for a := range run {
				run[a] = marked(u, table, uint16(a))
			}
			m[u][theirs] = map[uint16][]uint16{0: run}
		}
		in := Instrument{Name: fmt.Sprint("unit-", u), Unit: u, Every: 40 * time.Millisecond}
		add := func(table Table, kind string, from, to, step uint16) {
			for a := from; a <= to; a += step {
				in.Points = append(in.Points, Point{Name: fmt.Sprintf("%s-%d", table, a), Table: table, Type: kind, Address: a, Scale: 1, Unit: one, Every: in.Every * time.Duration(1+a%3)})
			}
		}
		if u%2 == 0 {
			for from := uint16(0); from < 600; from += 150 { // too far apart to merge
				add(HoldingRegister, "uint16", from, from+10, 1)
			}
		} else {
			add(HoldingRegister, "uint16", 0, 20, 2)
			add(HoldingRegister, "uint16", 300, 321, 1)
			add(InputRegister, "uint16", 4, 12, 4)
			add(Coil, "bit", 3, 43, 1)
			add(DiscreteInput, "bit", 0, 70, 5)
		}
		all = append(all, in)
	}
	return m, all
}

// TestFaultSoak spoils a quarter of the replies of peers with all kinds of
// faults in random order. Whatever arrives, no wrong value may be usable, and
// once the faults end all must be read again.
//
// Only a valid frame of before that is sent again is left out on RTU and ASCII:
// replies there name neither address nor transaction, so nothing can reveal it. That
// includes a reply later than the timeout and the grace together when the next
// request to the same unit looks the same; here replies are late within them.
//
// It takes 20 s or less. EBBWATCH_SOAK=10m, with -timeout 15m, makes it as long as that.
func TestFaultSoak(t *testing.T) {
	const timeout = 150 * time.Millisecond
	during := soakTime
	if s := os.Getenv("EBBWATCH_SOAK"); s != "" {
		var err error
		if during, err = time.ParseDuration(s); err != nil {
			t.Fatalf("EBBWATCH_SOAK: %v", err)
		}
	}
	common := []string{
		"delay:20-110", "split:5-60", "split:200-400", "drop", "exception", "garbage", "short", "long", "wrongfc", "wrongunit",
	}
	onTCP := append([]string{"late:160-900", "wrongtid", "stale", "halfopen", "reset", "close"}, common...)
	onRTU := append([]string{"late:160-600", "crc"}, common...)
	onASCII := append([]string{"late:160-600", "lrc"}, common...)
	onServer := append([]string{"late:160-600", "halfopen", "reset", "close"}, common...)
	tcp := func(peer func(testing.TB, peertest.Map) *peertest.ModbusTCP) func(*testing.T, peertest.Map) (Line, *peertest.FaultProxy) {
		return func(t *testing.T, m peertest.Map) (Line, *peertest.FaultProxy) {
			p := peertest.NewFaultProxyTCP(t, peer(t, m).Addr())
			return Line{Kind: TCP, Address: p.At()}, p
		}
	}
	serial := func(kind Kind, peer func(testing.TB, peertest.Map) *peertest.ModbusSerial) func(*testing.T, peertest.Map) (Line, *peertest.FaultProxy) {
		return func(t *testing.T, m peertest.Map) (Line, *peertest.FaultProxy) {
			p := peertest.NewFaultProxySerial(t, string(kind), peer(t, m).Device())
			if !kind.serial() {
				return Line{Kind: kind, Address: p.At()}, p
			}
			return Line{Kind: kind, Device: p.At(), Baud: 115200, Parity: "none", StopBits: 1, DataBits: 8}, p
		}
	}
	libmodbus := func(unit byte) func(testing.TB, peertest.Map) *peertest.ModbusSerial {
		return func(t testing.TB, m peertest.Map) *peertest.ModbusSerial {
			return peertest.LibmodbusRTU(t, m, 115200, "none", unit)
		}
	}
	pymodbus := func(start func(testing.TB, peertest.Map, int) *peertest.ModbusSerial) func(testing.TB, peertest.Map) *peertest.ModbusSerial {
		return func(t testing.TB, m peertest.Map) *peertest.ModbusSerial { return start(t, m, 115200) }
	}
	var lines sync.WaitGroup
	defer lines.Wait()
	for _, c := range []struct {
		name   string
		units  []byte
		start  func(*testing.T, peertest.Map) (Line, *peertest.FaultProxy)
		faults []string
	}{
		{"libmodbus tcp", []byte{1, 2, 4}, tcp(peertest.Libmodbus), onTCP},
		{"pymodbus tcp", []byte{1, 2, 4}, tcp(peertest.Pymodbus), onTCP},
		{"libmodbus rtu several shapes", []byte{1}, serial(RTU, libmodbus(1)), onRTU},
		{"libmodbus rtu one shape", []byte{2}, serial(RTU, libmodbus(2)), onRTU},
		{"pymodbus rtu", []byte{1, 2, 3, 4, 5, 6}, serial(RTU, pymodbus(peertest.PymodbusRTU)), onRTU},
		{"pymodbus ascii", []byte{1, 2, 3, 4, 5, 6}, serial(ASCII, pymodbus(peertest.PymodbusASCII)), onASCII},
		{"pymodbus rtu over tcp", []byte{1, 2, 3, 4, 5, 6}, serial(RTUOverTCP, pymodbus(peertest.PymodbusRTU)), slices.Concat(onServer, []string{"crc"})},
		{"pymodbus ascii over tcp", []byte{1, 2, 3, 4, 5, 6}, serial(ASCIIOverTCP, pymodbus(peertest.PymodbusASCII)), slices.Concat(onServer, []string{"lrc"})},
	} {
		// All lines at once, which are more than t.Parallel lets run on few cores.
		lines.Go(func() {
			t.Run(c.name, func(t *testing.T) {
				m, instruments := soaked(c.units...)
				l, proxy := c.start(t, m)
				l.Name, l.Timeout, l.Instruments = "line-a", timeout, instruments
				r := run(t, l)
				good, bad, wrong := 0, 0, 0
				// judge reports whether every reading of a batch is usable.
				judge := func(b Batch) bool {
					in := instruments[slices.IndexFunc(instruments, func(in Instrument) bool { return in.Name == b.Instrument })]
					all := true
					for _, got := range b.Readings {
						p := in.Points[slices.IndexFunc(in.Points, func(p Point) bool { return p.Name == got.Point })]
						if !got.Quality.Usable() {
							all = false
							bad++
							continue
						}
						good++
						if want := marked(in.Unit, p.Table, p.Address); got.Value != float64(want) {
							wrong++
							t.Errorf("%s %s is %v with quality %v, the peer holds %d", in.Name, p.Name, got.Value, got.Quality, want)
						}
					}
					return all
				}
				// everyone waits until each instrument was read whole.
				everyone := func(when string) {
					read := map[string]bool{}
					for late := time.After(time.Minute); len(read) < len(instruments); {
						select {
						case b := <-r.batches:
							if judge(b) {
								read[b.Instrument] = true
							}
						case <-late:
							t.Fatalf("a minute after %s only %v are read; faults met: %v", when, read, proxy.Count())
						}
					}
				}
				everyone("the start")
				good, bad = 0, 0
				proxy.Mix(0.25, c.faults...)
				for end := time.After(during); end != nil; {
					select {
					case b := <-r.batches:
						judge(b)
					case <-end:
						end = nil
					}
				}
				met := proxy.Count()
				t.Logf("%d good and %d bad readings, %d of the good ones wrong; faults met: %v", good, bad, wrong, met)
				// In the short form the units rest too often to meet them all.
				least := 1
				if during > soakTime {
					least = len(c.faults) - 1 // split is there twice
				} else if len(c.units) > 1 && during == soakTime {
					least = len(c.faults) / 3
				}
				if len(met) < least {
					t.Errorf("%d of %d faults met", len(met), len(c.faults))
				}
				if good == 0 {
					t.Error("nothing was read")
				}
				proxy.Mix(0)
				everyone("the last fault")
			})
		})
	}
}
