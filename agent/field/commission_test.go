package field

import (
	"cmp"
	"context"
	"encoding/hex"
	"slices"
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
		"libmodbus rtu over tcp": func(t *testing.T, m peertest.Map) Line {
			return Line{Kind: RTUOverTCP, Address: serialServer(t, peertest.LibmodbusRTU(t, m, 19200, "even", 1).Device())}
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

// TestTextsOfPeers reads texts beside numbers, alone and merged into one request.
// The characters are by ISO 646: 0x45 is E.
func TestTextsOfPeers(t *testing.T) {
	m := peertest.Map{1: {peertest.Holdings: {0: {0x4542, 0x5720, 0x3230, 0x3000, 0x3039, 0x5552, 0x004E, 0x4F4B, 0x01FF}}}}
	text := func(name string, address uint16, registers int, order string, expect ...string) Point {
		return Point{Name: name, Table: HoldingRegister, Address: address, Type: "text", Registers: registers, Order: order, Expect: expect, Scale: 1, Unit: one}
	}
	in := Instrument{Name: "all", Unit: 1, Every: 50 * time.Millisecond, Points: []Point{
		text("model", 0, 4, ""),
		{Name: "number", Table: HoldingRegister, Address: 4, Type: "uint16", Scale: 1, Unit: one},
		text("state", 5, 2, "BADC", "RUN", "CAL"),
		text("check", 7, 1, "ABCD", "NO"),
		text("none", 7, 2, "ABCD"),
	}}
	want := []struct {
		text, quality string
		value         float64
	}{{"EBW 200", "good", 1}, {"", "good", 12345}, {"RUN", "good", 1}, {"OK", "good", 0}, {"", "bad:invalid-code", 0}}
	for name, address := range map[string]func() string{
		"libmodbus": func() string { return peertest.Libmodbus(t, m).Addr() },
		"pymodbus":  func() string { return peertest.Pymodbus(t, m).Addr() },
	} {
		l := Line{Name: "line-a", Kind: TCP, Address: address(), Timeout: time.Second}
		p, err := NewProbe(l)
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		for i, w := range want {
			if s := p.ReadPoint(t.Context(), in, in.Points[i]); s.Text != w.text || s.Value != w.value || s.Quality.String() != w.quality {
				t.Errorf("%s, alone: %s is %+v, expected %+v", name, in.Points[i].Name, s, w)
			}
		}
		if blocks := plan(in.Points, costOf(l), nil); len(blocks) != 1 || blocks[0].quantity != 9 {
			t.Errorf("planned as %+v, expected one request for 9 registers", blocks)
		}
		l.Instruments = []Instrument{in}
		b := run(t, l).next("all")
		for i, w := range want {
			if r := b.Readings[i]; r.Text != w.text || r.Value != w.value || r.Quality.String() != w.quality {
				t.Errorf("%s, polled: %+v, expected %+v", name, r, w)
			}
		}
		if b.Err == nil || !strings.Contains(b.Err.Error(), "point none sends a digit over 9 or a character that cannot be printed") {
			t.Errorf("%s: told as %v", name, b.Err)
		}
	}
}

// A text is never split: one that does not fit beside another gets a request of
// its own.
func TestTextsAreNotSplit(t *testing.T) {
	points := []Point{
		{Table: HoldingRegister, Address: 0, Type: "text", Registers: 100},
		{Table: HoldingRegister, Address: 100, Type: "text", Registers: 26},
		{Table: HoldingRegister, Address: 126, Type: "text", Registers: 125},
	}
	var got []int
	for _, b := range plan(points, costOf(Line{Kind: TCP, Timeout: time.Second}), nil) {
		got = append(got, int(b.address), b.quantity)
	}
	if !slices.Equal(got, []int{0, 100, 100, 26, 126, 125}) {
		t.Errorf("addresses and quantities %v", got)
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
