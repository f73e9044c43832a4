package field

import (
	"context"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// sink records what is written to it and never answers.
type sink struct{ wrote [][]byte }

func (s *sink) Write(b []byte) (int, error) {
	s.wrote = append(s.wrote, slices.Clone(b))
	return len(b), nil
}
func (s *sink) Read([]byte) (int, error)      { return 0, timeout{} }
func (s *sink) Close() error                  { return nil }
func (s *sink) SetDeadline(t time.Time) error { return nil }

// functions are the function codes of what was written on a kind of line.
func (s *sink) functions(k Kind) (all []byte) {
	for _, b := range s.wrote {
		all = append(all, pduOf(k, b)[0])
	}
	return all
}

// pduOf is the PDU of a frame, by goburrow's codec.
func pduOf(k Kind, frame []byte) []byte {
	pdu, err := framingOf(k).codec.Decode(frame)
	if err != nil {
		return []byte{0}
	}
	return append([]byte{pdu.FunctionCode}, pdu.Data...)
}

// TestOnlyReadsLeave gives every function code to the transports.
func TestOnlyReadsLeave(t *testing.T) {
	for _, kind := range kinds {
		for function := range 256 {
			s := &sink{}
			l := newLink(Line{Kind: kind, Timeout: time.Second}, func(int) {})
			l.open = func(context.Context) (stream, error) { return s, nil }
			if _, err := l.exchange(t.Context(), frame(t, kind, 1, byte(function), 0, 0, 0, 1)); err == nil {
				t.Errorf("function %d was answered", function)
			}
			want := []byte(nil)
			if function >= 1 && function <= 4 {
				want = []byte{byte(function)}
			}
			if got := s.functions(kind); !slices.Equal(got, want) {
				t.Errorf("%s: asked for function %d, functions %d left", kind, function, got)
			}
			l.close()
		}
	}
}

// FuzzOnlyReadsLeave asks for whatever a site file could hold, past all checks of
// it, and for what these let through: only the functions that read may leave.
func FuzzOnlyReadsLeave(f *testing.F) {
	for _, table := range append(tables, "", "holding-registers", "HOLDING-REGISTER", "write", "coil\x00", "\x06", "6") {
		for i := range kinds {
			f.Add(byte(i), string(table), "uint16", byte(1), uint16(0), uint16(3), -1)
		}
	}
	f.Add(byte(0), "coil", "bit", byte(0), uint16(65535), uint16(65535), 5)
	f.Add(byte(1), "holding-register", "float64", byte(255), uint16(65535), uint16(0), 77)
	f.Add(byte(3), "input-register", "\xff", byte(6), uint16(6), uint16(1536), 16)
	f.Fuzz(func(t *testing.T, k byte, table, kind string, unit byte, from, to uint16, bit int) {
		s := &sink{}
		l := Line{Kind: kinds[int(k)%len(kinds)], Address: "192.0.2.1:502", Device: "/dev/ttyUSB0", Timeout: time.Second, Baud: 19200, Parity: "even", StopBits: 1, DataBits: 8}
		in := Instrument{Name: "north", Unit: unit, Every: time.Second}
		for _, a := range []uint16{from, to} {
			in.Points = append(in.Points, Point{Name: "p", Table: Table(table), Address: a, Type: kind, Scale: 1, Unit: one})
		}
		if bit >= 0 {
			in.Points[0].Bit = &bit
		}
		l.Instruments = []Instrument{in}
		open := func(context.Context) (stream, error) { return s, nil }
		link := newLink(l, func(int) {})
		link.open = open
		defer link.close()
		for _, p := range in.Points {
			b := block{table: p.Table, address: p.Address, quantity: int(to)}
			link.read(t.Context(), ask{unit, b.function(), p.Address, to}) // the error is that nobody answers
		}
		if field, err := New([]Line{l}, Options{}); err == nil { // all the way from points
			w := field.workers[0]
			w.link.open = open
			defer w.link.close()
			w.poll(t.Context(), w.units[0])
		}
		for _, function := range s.functions(l.Kind) {
			if function < 1 || function > 4 {
				t.Errorf("function %d left for table %q", function, table)
			}
		}
		if len(s.wrote) == 0 {
			t.Errorf("nothing left for table %q", table)
		}
	})
}

// TestNoWriteIsNamed looks through the sources for goburrow's calls and codes
// that write, or that it could be made to send by anything but a checked request.
func TestNoWriteIsNamed(t *testing.T) {
	allowed := map[string]bool{
		"Packager": true, "ProtocolDataUnit": true, "ModbusError": true,
		"NewTCPClientHandler": true, "NewRTUClientHandler": true, "NewASCIIClientHandler": true,
		"FuncCodeReadCoils": true, "FuncCodeReadDiscreteInputs": true,
		"FuncCodeReadHoldingRegisters": true, "FuncCodeReadInputRegisters": true,
	}
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	seen, exchanges := 0, 0
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), ".go") || strings.HasSuffix(e.Name(), "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), e.Name(), nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			s, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if x, ok := s.X.(*ast.Ident); ok && x.Name == "modbus" {
				seen++
				if !allowed[s.Sel.Name] && !strings.HasPrefix(s.Sel.Name, "ExceptionCode") {
					t.Errorf("%s uses modbus.%s", e.Name(), s.Sel.Name)
				}
			}
			switch s.Sel.Name {
			case "Write", "WriteString", "WriteTo", "Send": // bytes leave in one place
				exchanges++
			}
			return true
		})
	}
	if seen == 0 || exchanges != 1 {
		t.Errorf("goburrow is named %d times, bytes are written in %d places, expected some and 1", seen, exchanges)
	}
}
