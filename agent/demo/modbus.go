package demo

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"
)

// The server's side of the Modbus Application Protocol Specification V1.1b3 and
// of the Modbus over Serial Line Specification V1.02, for the four functions
// that read (clauses from memory). Every other function, each one that writes among them, is refused.

// Function codes and exception codes of the specification.
const (
	readCoils, readDiscretes, readHoldings, readInputs = 1, 2, 3, 4

	illegalFunction     = 0x01
	illegalAddress      = 0x02
	illegalValue        = 0x03
	gatewayTargetSilent = 0x0B

	maxBits, maxRegisters = 2000, 125
	exceptionFlag         = 0x80
	maxRTU                = 256 // longest RTU frame
)

// image is what one Modbus unit holds.
type image struct {
	coils, discretes []bool
	holdings, inputs []uint16
	silent           bool // answers nothing
}

// tableSize is how many values each table of a unit has.
const tableSize = 32

func newImage() *image {
	return &image{
		make([]bool, tableSize), make([]bool, tableSize),
		make([]uint16, tableSize), make([]uint16, tableSize), false,
	}
}

// respond answers a request PDU with a reply or exception PDU. The order of the
// checks is that of the specification's state diagrams: function, quantity,
// address.
func (im *image) respond(pdu []byte) []byte {
	if len(pdu) == 0 {
		return []byte{exceptionFlag, illegalFunction}
	}
	function := pdu[0]
	refuse := func(code byte) []byte { return []byte{function | exceptionFlag, code} }
	if function < readCoils || function > readInputs {
		return refuse(illegalFunction)
	}
	if len(pdu) != 5 {
		return refuse(illegalValue)
	}
	address := int(binary.BigEndian.Uint16(pdu[1:]))
	quantity := int(binary.BigEndian.Uint16(pdu[3:]))
	limit := maxRegisters
	if function <= readDiscretes {
		limit = maxBits
	}
	if quantity < 1 || quantity > limit {
		return refuse(illegalValue)
	}
	if address+quantity > tableSize {
		return refuse(illegalAddress)
	}
	switch function {
	case readCoils:
		return bitsReply(function, im.coils[address:address+quantity])
	case readDiscretes:
		return bitsReply(function, im.discretes[address:address+quantity])
	case readHoldings:
		return registersReply(function, im.holdings[address:address+quantity])
	default:
		return registersReply(function, im.inputs[address:address+quantity])
	}
}

func bitsReply(function byte, bits []bool) []byte {
	n := (len(bits) + 7) / 8
	reply := make([]byte, 2+n)
	reply[0], reply[1] = function, byte(n)
	for i, b := range bits {
		if b {
			reply[2+i/8] |= 1 << (i % 8)
		}
	}
	return reply
}

func registersReply(function byte, regs []uint16) []byte {
	reply := []byte{function, byte(2 * len(regs))}
	for _, r := range regs {
		reply = binary.BigEndian.AppendUint16(reply, r)
	}
	return reply
}

// unitTable is the units of one line, by Modbus unit number.
type unitTable struct {
	mu     sync.Mutex
	images map[byte]*image
}

// outcome tells how a request to a unit ended.
type outcome int

const (
	answered outcome = iota
	silent           // the unit is there and says nothing
	absent           // no such unit
)

func (t *unitTable) respond(unit byte, pdu []byte) ([]byte, outcome) {
	t.mu.Lock()
	defer t.mu.Unlock()
	im := t.images[unit]
	switch {
	case im == nil:
		return nil, absent
	case im.silent:
		return nil, silent
	}
	return im.respond(pdu), answered
}

var errNotModbus = errors.New("not a Modbus TCP frame")

// frame is a Modbus TCP frame without its length.
type frame struct {
	transaction, protocol uint16
	unit                  byte
	pdu                   []byte
}

// readFrame reads one Modbus TCP frame. It returns errNotModbus when the length
// cannot be right, after which the stream has no frame boundaries any more.
func readFrame(r io.Reader) (frame, error) {
	var head [7]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return frame{}, err
	}
	length := int(binary.BigEndian.Uint16(head[4:]))
	if length < 2 || length > 254 {
		return frame{}, fmt.Errorf("%w: it tells a length of %d, expected 2 to 254", errNotModbus, length)
	}
	f := frame{
		binary.BigEndian.Uint16(head[0:]), binary.BigEndian.Uint16(head[2:]),
		head[6], make([]byte, length-1),
	}
	_, err := io.ReadFull(r, f.pdu)
	return f, err
}

// append writes the frame behind b.
func (f frame) append(b []byte) []byte {
	b = binary.BigEndian.AppendUint16(b, f.transaction)
	b = binary.BigEndian.AppendUint16(b, f.protocol)
	b = binary.BigEndian.AppendUint16(b, uint16(1+len(f.pdu)))
	return append(append(b, f.unit), f.pdu...)
}

// crc16 is the CRC of the serial line specification, section 6.2.2.
func crc16(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			odd := crc&1 == 1
			crc >>= 1
			if odd {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// appendRTU writes an RTU frame behind b.
func appendRTU(b []byte, unit byte, pdu []byte) []byte {
	start := len(b)
	b = append(append(b, unit), pdu...)
	return binary.LittleEndian.AppendUint16(b, crc16(b[start:]))
}

// requestLength is how long the RTU request at the start of b is: 0 when more
// bytes are needed to tell, -1 when its function is not known.
func requestLength(b []byte) int {
	if len(b) < 2 {
		return 0
	}
	switch f := b[1]; {
	case f >= 1 && f <= 6, f == 8:
		return 8
	case f == 15 || f == 16:
		if len(b) < 7 {
			return 0
		}
		return 9 + int(b[6])
	case f == 7 || f == 11 || f == 12 || f == 17:
		return 4
	case f == 20 || f == 21:
		if len(b) < 3 {
			return 0
		}
		return 5 + int(b[2])
	case f == 22:
		return 10
	case f == 23:
		if len(b) < 11 {
			return 0
		}
		return 13 + int(b[10])
	case f == 24:
		return 6
	}
	return -1
}

// nextRTU finds the first request in b by its length and CRC, without the
// silences that frame it on a real line, which a pseudo-terminal and TCP do not
// carry. It skips bytes that cannot begin a request. Without one it returns a nil
// pdu, and the bytes that may still become one.
func nextRTU(b []byte) (unit byte, pdu, rest []byte) {
	for i := range b {
		n := requestLength(b[i:])
		if n <= 0 || n > maxRTU || len(b)-i < n {
			continue
		}
		f := b[i : i+n]
		if crc16(f[:n-2]) == binary.LittleEndian.Uint16(f[n-2:]) {
			return f[0], f[1 : n-2], b[i+n:]
		}
	}
	return 0, nil, b[max(0, len(b)-maxRTU+1):]
}
