package demo

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"testing"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The check value of CRC-16/MODBUS for "123456789" is 4B37 (catalogue of
// parametrised CRC algorithms, from memory); the frame is the often printed
// request for one holding register of unit 1.
func TestCRC(t *testing.T) {
	if got := crc16([]byte("123456789")); got != 0x4B37 {
		t.Errorf("check value %04X, expected 4B37", got)
	}
	if got := appendRTU(nil, 1, unhex(t, "0300000001")); !bytes.Equal(got, unhex(t, "010300000001840a")) {
		t.Errorf("frame % X, expected 01 03 00 00 00 01 84 0A", got)
	}
}

// Clauses are those of the Modbus Application Protocol Specification V1.1b3,
// from memory.
func TestRespond(t *testing.T) {
	im := newImage()
	im.inputs[0], im.inputs[1], im.holdings[8] = 0x022B, 0x0064, 0x000A
	for i, b := range []bool{true, false, true, true, false, false, true, true, true, true, false, true, false, true, true, false, true, false, true} {
		im.coils[i] = b // the 19 coils of the example in 6.1: CD 6B 05
		im.discretes[i+1] = b
	}
	for _, c := range []struct{ request, reply, reason string }{
		{"0100000013", "0103cd6b05", "6.1, the example of read coils"},
		{"0200010013", "0203cd6b05", "6.2, discrete inputs are packed alike"},
		{"0300080001", "0302000a", "6.3"},
		{"0400080001", "04020000", "6.4, input registers are another table than 6.3"},
		{"0400000002", "0404022b0064", "high byte first"},
		{"0400000020", "0440022b0064" + hex.EncodeToString(make([]byte, 60)), "all 32 registers of a unit"},
		{"0400000000", "8403", "quantity 0 is an illegal value"},
		{"040000007e", "8403", "126 registers are more than 125: value, before address"},
		{"0300000000", "8303", ""},
		{"01000007d1", "8103", "2001 bits are more than 2000"},
		{"01000007d0", "8102", "2000 bits are a legal quantity, the address range is not"},
		{"0400000021", "8402", "one register behind the table"},
		{"0400200001", "8402", ""},
		{"04ffffffff", "8403", ""},
		{"04ffff0001", "8402", "address + quantity does not wrap round"},
		{"0500000000", "8501", "write single coil"},
		{"0600000001", "8601", "write single register"},
		{"0f0000000801ff", "8f01", "write multiple coils"},
		{"10000000010200ff", "9001", "write multiple registers"},
		{"1600000000ffff", "9601", "mask write"},
		{"170000000100000001020000", "9701", "read and write"},
		{"2b0e0100", "ab01", "device identification is not there"},
		{"00", "8001", "no function 0"},
		{"04000000", "8403", "the length does not fit the function"},
		{"040000000100", "8403", ""},
		{"", "8001", "nothing at all"},
	} {
		if got := im.respond(unhex(t, c.request)); hex.EncodeToString(got) != c.reply {
			t.Errorf("request %s: reply %x, expected %s (%s)", c.request, got, c.reply, c.reason)
		}
	}
}

func TestNextRTU(t *testing.T) {
	read := appendRTU(nil, 11, unhex(t, "0300000004"))
	write := appendRTU(nil, 11, unhex(t, "10000000010200ff"))
	bad := bytes.Clone(read)
	bad[7] ^= 1
	join := func(bs ...[]byte) []byte { return bytes.Join(bs, nil) }
	for _, c := range []struct {
		name  string
		bytes []byte
		pdus  []string
		rest  int
	}{
		{"one request", read, []string{"0300000004"}, 0},
		{"two at once", join(read, read), []string{"0300000004", "0300000004"}, 0},
		{"the first half", read[:5], nil, 5},
		{"noise before it", join([]byte{0xFF, 0x00, 0x55}, read), []string{"0300000004"}, 0},
		{"a frame with a wrong CRC before it", join(bad, read), []string{"0300000004"}, 0},
		{"a frame cut short before it", join(read[:4], read), []string{"0300000004"}, 0},
		{"a write, to be refused", join(write, read), []string{"10000000010200ff", "0300000004"}, 0},
		{"only a wrong CRC", bad, nil, 8},
		{"noise without end", bytes.Repeat([]byte{0x55}, 1000), nil, 255},
		{"nothing", nil, nil, 0},
	} {
		held := c.bytes
		var got []string
		for {
			_, pdu, rest := nextRTU(held)
			held = rest
			if pdu == nil {
				break
			}
			got = append(got, hex.EncodeToString(pdu))
		}
		if len(got) != len(c.pdus) || len(held) != c.rest {
			t.Errorf("%s: requests %v and %d bytes left, expected %v and %d", c.name, got, len(held), c.pdus, c.rest)
			continue
		}
		for i := range got {
			if got[i] != c.pdus[i] {
				t.Errorf("%s: request %d is %s, expected %s", c.name, i, got[i], c.pdus[i])
			}
		}
	}
}

func FuzzNextRTU(f *testing.F) {
	f.Add(appendRTU(nil, 11, []byte{3, 0, 0, 0, 4}))
	f.Add([]byte{1, 16, 0, 0, 0, 1, 255})
	f.Add(bytes.Repeat([]byte{21, 20}, 300))
	f.Fuzz(func(t *testing.T, b []byte) {
		held := b
		for {
			unit, pdu, rest := nextRTU(held)
			if len(rest) > len(held) || pdu != nil && len(rest) >= len(held) {
				t.Fatalf("%d bytes are left of %d", len(rest), len(held))
			}
			if pdu == nil {
				if len(rest) >= maxRTU {
					t.Fatalf("%d bytes are kept", len(rest))
				}
				held = rest
				break
			}
			if !bytes.Contains(b, appendRTU(nil, unit, pdu)) {
				t.Fatalf("found a request % X that is not there", pdu)
			}
			held = rest
		}
		// A whole request is found behind whatever was left over, unless its bytes
		// complete a longer request that had begun before.
		want := appendRTU(nil, 11, []byte{3, 0, 0, 0, 4})
		_, pdu, rest := nextRTU(append(bytes.Clone(held), want...))
		if pdu == nil || len(rest) > len(want) {
			t.Fatalf("no request found behind % X", held)
		}
	})
}

func FuzzReadFrame(f *testing.F) {
	f.Add(frame{7, 0, 1, []byte{4, 0, 0, 0, 2}}.append(nil))
	f.Add([]byte{0, 1, 0, 0, 255, 255, 1, 4})
	f.Add([]byte{0, 1, 0, 0, 0, 1, 1})
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := readFrame(bytes.NewReader(b))
		switch {
		case err == nil:
			if again := got.append(nil); !bytes.Equal(again, b[:len(again)]) {
				t.Fatalf("read % X, wrote % X", b, again)
			}
			if len(got.pdu) < 1 || len(got.pdu) > 253 {
				t.Fatalf("a PDU of %d bytes", len(got.pdu))
			}
			reply := newImage().respond(got.pdu)
			if len(reply) < 2 || len(reply) > 253 {
				t.Fatalf("a reply of %d bytes", len(reply))
			}
		case errors.Is(err, errNotModbus):
			if n := binary.BigEndian.Uint16(b[4:]); n >= 2 && n <= 254 {
				t.Fatalf("a length of %d was refused", n)
			}
		case !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF):
			t.Fatal(err)
		}
	})
}
