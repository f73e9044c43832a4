package field

import (
	"bytes"
	"encoding/json"
	"os"
	"runtime"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/goburrow/modbus"
)

// TestChecksums compares ours with published check values and with goburrow's.
func TestChecksums(t *testing.T) {
	for _, c := range []struct {
		source, bytes string
		crc           uint16
		lrc           byte
	}{
		// MODBUS over Serial Line Specification V1.02, 6.2.2, the worked example;
		// from memory. The LRC by hand.
		{"the specification's example", "02 07", 0x1241, 0xF7},
		// The check value of CRC-16/MODBUS in catalogues of CRCs, and of the LRC
		// the sum 477, 0x1DD; from memory.
		{"the digits 1 to 9", "31 32 33 34 35 36 37 38 39", 0x4B37, 0x23},
		// MODBUS Protocol Reference Guide, PI-MBUS-300; from memory.
		{"the guide's example of function 3", "11 03 00 6B 00 03", 0x8776, 0x7E},
	} {
		b := unhex(t, c.bytes)
		if got := crc(b); got != c.crc {
			t.Errorf("%s: CRC %04X, expected %04X", c.source, got, c.crc)
		}
		if got := lrc(b); got != c.lrc {
			t.Errorf("%s: LRC %02X, expected %02X", c.source, got, c.lrc)
		}
	}
}

func FuzzChecksums(f *testing.F) {
	f.Add([]byte{0x11, 3, 0, 0x6B, 0, 3})
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) < 2 || len(b) > 254 {
			return
		}
		sum := crc(b)
		if got := frame(t, RTU, b[0], b[1:]...); !bytes.Equal(got, append(bytes.Clone(b), byte(sum), byte(sum>>8))) {
			t.Errorf("CRC %04X, goburrow makes % X", sum, got)
		}
		var end [1]byte
		if got := frame(t, ASCII, b[0], b[1:]...); unspell(end[:], got[len(got)-4:]) != nil || end[0] != lrc(b) {
			t.Errorf("LRC %02X, goburrow makes %s", lrc(b), got)
		}
	})
}

// TestFrames makes the requests of published frames and reads their replies, and
// asks goburrow's codec for its opinion. testdata/field/frames.json names the
// sources.
func TestFrames(t *testing.T) {
	data, err := os.ReadFile("../../testdata/field/frames.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Frames []struct {
			Source               string
			Kind                 Kind
			Unit, Function       byte
			Address, Quantity    uint16
			Request, Reply, Data string
			Exception            byte
		}
	}
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	seen := map[Kind]map[byte]bool{}
	for _, c := range file.Frames {
		frame := func(s string) []byte {
			if c.Kind == ASCII {
				return []byte(s + "\r\n")
			}
			return unhex(t, s)
		}
		if seen[c.Kind] == nil {
			seen[c.Kind] = map[byte]bool{}
		}
		l := newLink(Line{Kind: c.Kind}, nil)
		request, err := l.request(ask{c.Unit, c.Function, c.Address, c.Quantity})
		if want := frame(c.Request); err != nil || !bytes.Equal(request, want) {
			t.Errorf("%s: request % X, %v; expected % X", c.Source, request, err, want)
		}
		want := append([]byte{c.Function, byte(len(unhex(t, c.Data)))}, unhex(t, c.Data)...)
		if c.Exception != 0 {
			want = []byte{c.Function | exceptionFlag, c.Exception}
		}
		seen[c.Kind][want[0]] = true
		reply := frame(c.Reply)
		theirs, err := l.codec.Decode(reply)
		if err != nil || !bytes.Equal(append([]byte{theirs.FunctionCode}, theirs.Data...), want) {
			t.Errorf("%s: goburrow decodes % X, %v", c.Source, theirs, err)
		}
		got, err := readReply(bytes.NewReader(reply), request, l.fit, &l.got)
		if err != nil {
			t.Errorf("%s: %v", c.Source, err)
		} else if pdu := l.pdu(got); !bytes.Equal(pdu, want) {
			t.Errorf("%s: PDU % X, expected % X", c.Source, pdu, want)
		}
		// One bit of what is checked changed, and it is another reply.
		checked := reply
		if c.Kind == TCP {
			checked = reply[:tcpHeader+len(want)-max(1, len(unhex(t, c.Data)))] // all but the data
		}
		for i := range checked {
			spoilt := bytes.Clone(reply)
			spoilt[i] ^= 1
			if _, err := readReply(bytes.NewReader(spoilt), request, l.fit, &l.got); err == nil {
				t.Errorf("%s: byte %d is wrong and the reply is taken", c.Source, i)
			}
		}
	}
	for _, kind := range []Kind{TCP, RTU, ASCII} {
		if len(seen[kind]) != 5 { // functions 1 to 4 and an exception
			t.Errorf("frames of kind %s: %v", kind, seen[kind])
		}
	}
}

// FuzzTCPReply, FuzzRTUReply and FuzzASCIIReply give bytes to the decoders, as
// they are or made into a frame with the right checksum.
func FuzzTCPReply(f *testing.F)   { fuzzReplies(f, TCP) }
func FuzzRTUReply(f *testing.F)   { fuzzReplies(f, RTU) }
func FuzzASCIIReply(f *testing.F) { fuzzReplies(f, ASCII) }

func fuzzReplies(f *testing.F, kind Kind) {
	for _, pdu := range []string{"04 04 01 02 03 04", "84 02", "04 00", "04", "03 04 01 02 03 04"} {
		f.Add(unhex(f, pdu), true, byte(3), uint16(2))
		f.Add(frame(f, kind, 1, unhex(f, pdu)...), false, byte(3), uint16(2))
	}
	f.Add([]byte(strings.Repeat(":", 600)), false, byte(0), uint16(2000))
	l := newLink(Line{Kind: kind}, nil)
	f.Fuzz(func(t *testing.T, data []byte, whole bool, function byte, quantity uint16) {
		a := ask{1, 1 + function%4, 0, 1 + quantity%125}
		request, err := l.request(a)
		if err != nil {
			t.Fatal(err)
		}
		if whole && len(data) > 0 && len(data) < 250 {
			data = frame(t, kind, 1, data...)
			if kind == TCP {
				copy(data, request[:2]) // the transaction
			}
		}
		var got []byte
		source := bytes.NewReader(data)
		pieces := iotest.HalfReader(source)
		bounded(t, func() {
			source.Reset(data)
			got, err = readReply(pieces, request, l.fit, &l.got)
		})
		if err != nil {
			return
		}
		if !bytes.HasPrefix(data, got) {
			t.Errorf("% X is read as % X", data, got)
		}
		theirs, err := l.codec.Decode(got)
		if err != nil {
			t.Fatalf("goburrow refuses % X: %v", got, err)
		}
		if err := l.codec.Verify(request, got); err != nil {
			t.Errorf("goburrow finds that % X does not answer % X: %v", got, request, err)
		}
		pdu := l.pdu(got)
		if !bytes.Equal(pdu, append([]byte{theirs.FunctionCode}, theirs.Data...)) {
			t.Errorf("PDU % X, goburrow has %+v", pdu, theirs)
		}
		switch bits := a.function <= modbus.FuncCodeReadDiscreteInputs; {
		case pdu[0] == a.function|exceptionFlag && len(pdu) == 2:
		case pdu[0] != a.function || len(pdu) != 2+int(pdu[1]):
			t.Errorf("PDU % X answers %+v", pdu, a)
		case bits && int(pdu[1]) != (int(a.quantity)+7)/8, !bits && int(pdu[1]) != 2*int(a.quantity):
			t.Errorf("byte count of % X answers %+v", pdu, a)
		}
	})
}

// mostGarbage bounds what reading one reply may allocate, whatever arrives: the
// text of an error. A reply that is taken allocates nothing.
const mostGarbage = 1024 // bytes

// bounded fails the test when f allocates more than that, three times over since
// others may allocate meanwhile.
func bounded(t *testing.T, f func()) {
	t.Helper()
	var least uint64
	for try := range 3 {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		f()
		runtime.ReadMemStats(&after)
		if n := after.TotalAlloc - before.TotalAlloc; try == 0 || n < least {
			least = n
		}
		if least <= mostGarbage {
			return
		}
	}
	t.Errorf("reading allocates %d bytes, expected at most %d", least, mostGarbage)
}
