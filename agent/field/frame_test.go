package field

import (
	"bytes"
	"errors"
	"io"
	"testing"
	"testing/iotest"

	"github.com/goburrow/modbus"
)

// rtu adds the checksum.
func rtu(unit byte, pdu ...byte) []byte {
	h := modbus.NewRTUClientHandler("")
	h.SlaveId = unit
	frame, err := h.Encode(&modbus.ProtocolDataUnit{FunctionCode: pdu[0], Data: pdu[1:]})
	if err != nil {
		panic(err)
	}
	return frame
}

// ascii spells a frame.
func ascii(unit byte, pdu ...byte) []byte {
	h := modbus.NewASCIIClientHandler("")
	h.SlaveId = unit
	frame, err := h.Encode(&modbus.ProtocolDataUnit{FunctionCode: pdu[0], Data: pdu[1:]})
	if err != nil {
		panic(err)
	}
	return frame
}

func TestReadReply(t *testing.T) {
	tcpAsk := unhex(t, "00 07 00 00 00 06 11 03 00 6B 00 03")
	rtuAsk := rtu(0x11, 3, 0, 0x6B, 0, 3)
	coils := rtu(0x11, 1, 0, 0x13, 0, 0x13)
	asciiAsk := ascii(0x11, 3, 0, 0x6B, 0, 3)
	for _, c := range []struct {
		reason   string
		f        fit
		ask, got []byte
		fails    string // empty when the reply is right
	}{
		{"TCP", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 09 11 03 06 02 2B 00 00 00 64"), ""},
		{"TCP exception", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 03 11 83 02"), ""},
		{"another transaction", fitTCP, tcpAsk, unhex(t, "00 06 00 00 00 09 11 03 06 02 2B 00 00 00 64"), "transaction 6, expected 7"},
		{"another protocol", fitTCP, tcpAsk, unhex(t, "00 07 00 01 00 09 11 03 06 02 2B 00 00 00 64"), "protocol 1, expected 0"},
		{"another unit", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 09 12 03 06 02 2B 00 00 00 64"), "unit 18, expected 17"},
		{"another function", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 09 11 04 06 02 2B 00 00 00 64"), "function code 4, expected 3"},
		{"exception to another function", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 03 11 84 02"), "function code 132, expected 3"},
		{"a register too few", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 07 11 03 04 02 2B 00 00"), "byte count 4, expected 6"},
		{"no register", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 03 11 03 00"), "byte count 0, expected 6"},
		{"a length that does not fit the byte count", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 0B 11 03 06 02 2B 00 00 00 64"), "length 11, expected 9"},
		{"a length of 0", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 00 11 03 06 02 2B 00 00 00 64"), "length 0, expected 9"},
		{"more than the reply", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 03 11 83 02 00"), "1 or more bytes follow the reply"},
		{"the end in the middle", fitTCP, tcpAsk, unhex(t, "00 07 00 00 00 09 11 03 06 02"), io.EOF.Error()},

		{"RTU", fitRTU, rtuAsk, rtu(0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64), ""},
		{"RTU exception", fitRTU, rtuAsk, rtu(0x11, 0x83, 2), ""},
		{"RTU coils, 19 in 3 bytes", fitRTU, coils, rtu(0x11, 1, 3, 0xCD, 0x6B, 5), ""},
		{"RTU coils, 19 in 2 bytes", fitRTU, coils, rtu(0x11, 1, 2, 0xCD, 0x6B), "byte count 2, expected 3"},
		{"RTU unit", fitRTU, rtuAsk, rtu(0x12, 3, 6, 2, 0x2B, 0, 0, 0, 0x64), "unit 18, expected 17"},
		{"RTU function", fitRTU, rtuAsk, rtu(0x11, 4, 6, 2, 0x2B, 0, 0, 0, 0x64), "function code 4, expected 3"},
		{"RTU byte count", fitRTU, rtuAsk, rtu(0x11, 3, 2, 2, 0x2B), "byte count 2, expected 6"},
		{"RTU echo of the request by the adapter", fitRTU, rtuAsk, rtuAsk, "byte count 0, expected 6"},
		{"RTU checksum", fitRTU, rtuAsk, unhex(t, "11 03 06 02 2B 00 00 00 64 00 00"), "its checksum is wrong"},
		{"RTU, two replies in one piece", fitRTU, rtuAsk, append(rtu(0x11, 0x83, 2), rtu(0x11, 0x83, 2)...), "5 or more bytes follow the reply"},

		{"ASCII", fitASCII, asciiAsk, ascii(0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64), ""},
		{"ASCII exception", fitASCII, asciiAsk, ascii(0x11, 0x83, 2), ""},
		{"ASCII unit", fitASCII, asciiAsk, ascii(0x12, 3, 6, 2, 0x2B, 0, 0, 0, 0x64), "unit 18, expected 17"},
		{"ASCII function", fitASCII, asciiAsk, ascii(0x11, 4, 6, 2, 0x2B, 0, 0, 0, 0x64), "function code 4, expected 3"},
		{"ASCII byte count", fitASCII, asciiAsk, ascii(0x11, 3, 2, 2, 0x2B), "byte count 2, expected 6"},
		{"ASCII echo of the request by the adapter", fitASCII, asciiAsk, asciiAsk, "byte count 0, expected 6"},
		{"ASCII checksum, 06 for 07", fitASCII, asciiAsk, []byte(":1103060607000000647A\r\n"), "its checksum is wrong"},
		{"ASCII from a unit that speaks RTU", fitASCII, asciiAsk, rtu(0x11, 3, 6, 2, 0x2B, 0, 0, 0, 0x64), "it begins with byte 11, expected a colon"},
		{"ASCII, something before the colon", fitASCII, asciiAsk, []byte("\x00:118302" + "6A\r\n"), "it begins with byte 00, expected a colon"},
		{"ASCII in small letters, which the specification does not have", fitASCII, asciiAsk, []byte(":1183026a\r\n"), `byte 4 is spelled "6a", expected two of 0 to 9 and A to F`},
		{"ASCII, a colon in the middle", fitASCII, asciiAsk, []byte(":11:83026A\r\n"), `byte 2 is spelled ":8", expected two of 0 to 9 and A to F`},
		{"ASCII without the carriage return", fitASCII, asciiAsk, []byte(":1183026A\n\n"), "it ends with bytes 0A 0A, expected carriage return and line feed"},
		{"ASCII, two replies in one piece", fitASCII, asciiAsk, append(ascii(0x11, 0x83, 2), ascii(0x11, 0x83, 2)...), "11 or more bytes follow the reply"},
		{"ASCII, the end in the middle", fitASCII, asciiAsk, []byte(":1183"), io.EOF.Error()},
	} {
		got, err := readReply(bytes.NewReader(c.got), c.ask, c.f, new(buffer))
		if c.fails == "" {
			if err != nil || !bytes.Equal(got, c.got) {
				t.Errorf("%s: % X, %v", c.reason, got, err)
			}
			// However it is cut into pieces.
			got, err = readReply(iotest.OneByteReader(bytes.NewReader(c.got)), c.ask, c.f, new(buffer))
			if err != nil || !bytes.Equal(got, c.got) {
				t.Errorf("%s, byte by byte: % X, %v", c.reason, got, err)
			}
			continue
		}
		if err == nil || err.Error() != c.fails {
			t.Errorf("%s: error %v, expected %s", c.reason, err, c.fails)
		}
	}
}

func TestReadReplyCutOff(t *testing.T) {
	r := io.MultiReader(bytes.NewReader([]byte{0x11, 3}), iotest.ErrReader(timeout{}))
	_, err := readReply(r, rtu(0x11, 3, 0, 0, 0, 1), fitRTU, new(buffer))
	if _, ok := errors.AsType[wrongReply](err); !ok || err.Error() != "it is cut off after 2 bytes" {
		t.Errorf("error %v", err)
	}
	if _, err := readReply(iotest.ErrReader(timeout{}), rtu(0x11, 3, 0, 0, 0, 1), fitRTU, new(buffer)); !isTimeout(err) {
		t.Errorf("error %v, expected the reader's own", err)
	}
}

type timeout struct{}

func (timeout) Error() string { return "timeout" }
func (timeout) Timeout() bool { return true }
