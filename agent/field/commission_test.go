package field

import (
	"cmp"
	"context"
	"encoding/hex"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/agent/units"
)

// TestProbeAgainstPeers reads every held value with a probe, over TCP from two
// libraries and over RTU.
func TestProbeAgainstPeers(t *testing.T) {
	for name, line := range map[string]func(t *testing.T, m peertest.Map) Line{
		"libmodbus": func(t *testing.T, m peertest.Map) Line {
			return Line{Kind: TCP, Address: peertest.Libmodbus(t, m).Addr()}
		},
		"pymodbus": func(t *testing.T, m peertest.Map) Line {
			return Line{Kind: TCP, Address: peertest.Pymodbus(t, m).Addr()}
		},
		"libmodbus rtu": func(t *testing.T, m peertest.Map) Line {
			return Line{Kind: RTU, Device: peertest.LibmodbusRTU(t, m, 115200, "even", 1).Device(), Baud: 115200, Parity: "even", StopBits: 1}
		},
	} {
		t.Run(name, func(t *testing.T) {
			m, points, want := peerMap()
			l := line(t, m)
			l.Name, l.Timeout = "line-a", time.Second
			p, err := NewProbe(l)
			if err != nil {
				t.Fatal(err)
			}
			defer p.Close()
			in := Instrument{Name: "all", Unit: 1}
			for i, pt := range points {
				if s := p.ReadPoint(t.Context(), in, pt); s.Err != nil || s.Value != want[i] || s.Quality.String() != "good" || s.Took <= 0 {
					t.Errorf("%s is %+v, expected %v", pt.Name, s, want[i])
				}
			}
			if s := p.Read(t.Context(), "all", Request{1, Coil, 20, 10}); hex.EncodeToString(s.Data) != "01000001010100010001" {
				t.Errorf("coils 20 to 29 are % X, %v", s.Data, s.Err)
			}
			if s := p.Read(t.Context(), "all", Request{1, InputRegister, 4000, 1}); s.Data != nil || s.Quality.String() != "bad:exception-2" || s.Err == nil {
				t.Errorf("a register that does not exist is %+v", s)
			}
			if s := p.Read(t.Context(), "all", Request{1, InputRegister, 0, 126}); s.Err == nil || !strings.Contains(s.Err.Error(), "expected 1 to 125") {
				t.Errorf("126 registers: %v", s.Err)
			}
		})
	}
}

func TestProbeChecksTheLine(t *testing.T) {
	if _, err := NewProbe(Line{Name: "line-a", Kind: TCP, Address: "nowhere", Timeout: time.Second}); err == nil {
		t.Error("a line without a port was accepted")
	}
}

// A unit that is late takes its timeout and no more, and none of its bytes pass
// for another's.
func TestProbeWaitsNoLongerThanTheTimeout(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		f.script = func(n int, request []byte) []act {
			if n == 1 {
				return []act{{after: 600 * time.Millisecond, bytes: f.honest(request)}}
			}
			return []act{{after: 20 * time.Millisecond, bytes: f.honest(request)}}
		}
		p, err := NewProbe(f.line())
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		p.w.link.open = f.open
		in := instrument("north", 7, time.Second, 3, 4)
		if s := p.ReadPoint(t.Context(), in, in.Points[0]); s.Quality.String() != "bad:no-reply" || s.Took != 500*time.Millisecond || s.Err == nil || s.Data != nil {
			t.Errorf("a late reply: %+v", s)
		}
		if s := p.ReadPoint(t.Context(), in, in.Points[1]); s.Err != nil || s.Value != float64(value(7, 4)) || s.Took != 20*time.Millisecond {
			t.Errorf("the next: %+v", s)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if s := p.ReadPoint(ctx, in, in.Points[1]); s.Err != context.Canceled || s.Data != nil || s.Quality.Usable() {
			t.Errorf("after the end of the context: %+v", s)
		}
		synctest.Wait()
	})
}

func TestDecodings(t *testing.T) {
	for _, c := range []struct {
		reason, data string
		want         string
	}{
		{"one register", "19 84", "uint16 ABCD 6532, uint16 BADC 33817, int16 BADC -31719, bcd16 ABCD 1984, bcd16 BADC 8419"},
		{"a text with a space, and what it is with bytes swapped", "45 42 57 20 32 30 30 00", "text ABCD EBW 200, text BADC BE W02"},
		{"the other way round, ended by another code", "42 45 20 57 30 32 00 30 FF FF", "text ABCD BE W02, text BADC EBW 200"},
		{"two texts", "4F 46 46 00 4F 6E 20 21", "text ABCD OFF, text ABCD On !, text BADC nO!"},
		{"too short for one", "4F 4E 00 00", ""},
		{"spaces", "20 20 20 20 20 20", ""},
		{"half a register is none", "19", ""},
		{"nothing", "", ""},
		{"a zero", "00 00", "uint16 ABCD 0, uint16 BADC 0, bcd16 ABCD 0, bcd16 BADC 0"},
	} {
		var got []string
		for _, d := range Decodings(65535, unhex(t, c.data)) {
			text := d.Type + " " + d.Order + " " + cmp.Or(d.Text, number(d.Value))
			if single := len(unhex(t, c.data)) == 2; single && d.Address == 65535 || !single && d.Text != "" {
				got = append(got, text)
			}
		}
		if s := strings.Join(got, ", "); s != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.reason, s, c.want)
		}
	}
	// A table of every held value has it.
	for _, h := range held {
		var data []byte
		for _, r := range h.registers {
			data = append(data, byte(r>>8), byte(r))
		}
		found := false
		for _, d := range Decodings(0, data) {
			found = found || d.Address == 0 && d.Type == h.kind && d.Value == h.want && (d.Order == h.order || len(h.registers) == 1)
		}
		if !found {
			t.Errorf("no %s %s of %v in the table of % X", h.kind, h.order, h.want, data)
		}
	}
}

func FuzzDecodings(f *testing.F) {
	f.Add(uint16(0), []byte{0x7F, 0xC0, 0, 0})
	f.Add(uint16(65535), []byte{1, 2, 3, 4, 5, 6, 7, 8})
	f.Add(uint16(7), []byte("EBW 200\x00OK"))
	f.Fuzz(func(t *testing.T, address uint16, data []byte) {
		if len(data) > 2*maxRegisters {
			return
		}
		for _, d := range Decodings(address, data) {
			p := Point{Table: HoldingRegister, Type: d.Type, Order: d.Order, Scale: 1, Unit: units.MustParse("1")}
			if d.Type == "text" {
				p.Registers, d.Value = len(d.Data)/2, 1
			}
			if v, q := Decode(p, d.Data); v != d.Value || q.String() != "good" || Text(p, d.Data, "") != d.Text || p.check() != nil {
				t.Errorf("%+v decodes to %v, %v", d, v, q)
			}
		}
	})
}
