package field

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/goburrow/modbus"
)

// Sizes of frames: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3,
// and MODBUS over Serial Line V1.02, 2.5.1 and 2.5.2 (from memory).
const (
	maxFrame      = 513 // an ASCII frame; a Modbus TCP frame has at most 260, an RTU frame 256
	tcpHeader     = 7   // transaction, protocol, length, unit
	rtuHeader     = 1   // unit
	rtuCRC        = 2
	exceptionFlag = 0x80
)

// wrongReply says how a reply does not fit its request.
type wrongReply string

func (w wrongReply) Error() string { return string(w) }

// wrongSum is of a reply that is right but for its checksum: unit, function, byte
// count and size fit the request, so that its unit has nothing more to say to it.
const wrongSum = wrongReply("its checksum is wrong")

// A fit looks at what has arrived so far of the reply to a request. It returns
// the size that the whole reply has, 0 while that cannot be told, or a
// wrongReply as soon as what arrived cannot be the reply.
type fit func(request, got []byte) (size int, err error)

// buffer is room for a frame and the first byte of what follows it.
type buffer [maxFrame + 1]byte

// readReply reads the reply to a request into got as its bytes arrive. Nothing
// may follow it. The error is a wrongReply or that of the reader.
func readReply(r io.Reader, request []byte, f fit, got *buffer) ([]byte, error) {
	n := 0
	for {
		m, readErr := r.Read(got[n:])
		n += m
		size, err := f(request, got[:n])
		switch {
		case err != nil:
			return nil, err
		case size > 0 && n > size:
			return nil, wrongReply(fmt.Sprintf("%d or more bytes follow the reply", n-size))
		case size > 0 && n == size:
			return got[:n], nil
		case readErr == nil:
		case n > 0 && isTimeout(readErr):
			return nil, wrongReply(fmt.Sprintf("it is cut off after %d bytes", n))
		default:
			return nil, readErr
		}
	}
}

func isTimeout(err error) bool {
	t, ok := errors.AsType[interface {
		error
		Timeout() bool
	}](err)
	return ok && t.Timeout()
}

// fitTCP is the fit of Modbus TCP.
func fitTCP(request, got []byte) (int, error) {
	if len(got) < tcpHeader+2 {
		return 0, nil
	}
	for _, c := range [2]struct {
		what string
		at   int
	}{{"transaction", 0}, {"protocol", 2}} {
		found, expected := binary.BigEndian.Uint16(got[c.at:]), binary.BigEndian.Uint16(request[c.at:])
		if found != expected {
			return 0, wrongReply(fmt.Sprintf("%s %d, expected %d", c.what, found, expected))
		}
	}
	if got[tcpHeader-1] != request[tcpHeader-1] {
		return 0, wrongUnit(got[tcpHeader-1], request[tcpHeader-1])
	}
	pdu, err := fitPDU(request[tcpHeader:], got[tcpHeader:])
	if err != nil {
		return 0, err
	}
	if length := int(binary.BigEndian.Uint16(got[4:])); length != 1+pdu {
		return 0, wrongReply(fmt.Sprintf("length %d, expected %d", length, 1+pdu))
	}
	return tcpHeader + pdu, nil
}

// fitRTU is the fit of Modbus RTU. It checks the CRC once the frame is whole.
func fitRTU(request, got []byte) (int, error) {
	if len(got) < rtuHeader+2 {
		return 0, nil
	}
	if got[0] != request[0] {
		return 0, wrongUnit(got[0], request[0])
	}
	pdu, err := fitPDU(request[rtuHeader:], got[rtuHeader:])
	if err != nil {
		return 0, err
	}
	size := rtuHeader + pdu + rtuCRC
	if len(got) == size && crc(got[:size-rtuCRC]) != binary.LittleEndian.Uint16(got[size-rtuCRC:]) {
		return 0, wrongSum
	}
	return size, nil
}

func wrongUnit(found, expected byte) error {
	return wrongReply(fmt.Sprintf("unit %d, expected %d", found, expected))
}

// fitPDU compares function and byte count of a reply with its request and
// returns the size of the reply without what frames it. It needs two bytes.
func fitPDU(request, reply []byte) (int, error) {
	function := request[0]
	if reply[0] == function|exceptionFlag {
		return 2, nil
	}
	if reply[0] != function {
		return 0, wrongReply(fmt.Sprintf("function code %d, expected %d", reply[0], function))
	}
	count := 2 * int(binary.BigEndian.Uint16(request[3:]))
	if function == modbus.FuncCodeReadCoils || function == modbus.FuncCodeReadDiscreteInputs {
		count = (count/2 + 7) / 8
	}
	if int(reply[1]) != count {
		return 0, wrongReply(fmt.Sprintf("byte count %d, expected %d", reply[1], count))
	}
	return 2 + count, nil
}
