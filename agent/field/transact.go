package field

import (
	"context"
	"encoding/binary"

	"github.com/goburrow/modbus"
)

// framing is how requests and replies look on a kind of line.
type framing struct {
	codec    modbus.Packager // of requests, for the unit at unit
	unit     *byte
	function func(request []byte) byte
	fit      fit
	pdu      func(reply []byte) []byte // of a reply that fits
}

func framingOf(k Kind) framing {
	switch k {
	case TCP:
		h := modbus.NewTCPClientHandler("")
		return framing{
			h, &h.SlaveId,
			func(request []byte) byte { return request[tcpHeader] }, fitTCP,
			func(reply []byte) []byte { return reply[tcpHeader:] },
		}
	case ASCII, ASCIIOverTCP:
		h := modbus.NewASCIIClientHandler("")
		return framing{h, &h.SlaveId, functionASCII, fitASCII, pduASCII}
	default:
		h := modbus.NewRTUClientHandler("")
		return framing{
			h, &h.SlaveId,
			func(request []byte) byte { return request[rtuHeader] }, fitRTU,
			func(reply []byte) []byte { return reply[rtuHeader : len(reply)-rtuCRC] },
		}
	}
}

// ask is what a request asks for.
type ask struct {
	unit, function    byte
	address, quantity uint16
}

// mostRequests bounds the requests that a link keeps. A plan has fewer.
const mostRequests = 4096

// read makes one request to a unit. The data has just the size that was asked
// for and is good until the next read.
func (w *worker) read(ctx context.Context, to byte, b block) ([]byte, error) {
	return w.link.read(ctx, ask{to, b.function(), b.address, uint16(b.quantity)})
}

func (l *link) read(ctx context.Context, a ask) ([]byte, error) {
	request, err := l.request(a)
	if err != nil {
		return nil, err
	}
	reply, err := l.exchange(ctx, request)
	if err != nil {
		return nil, err
	}
	pdu := l.pdu(reply)
	if pdu[0] != a.function {
		return nil, &modbus.ModbusError{FunctionCode: pdu[0], ExceptionCode: pdu[1]}
	}
	return pdu[2:], nil
}

// request returns the frame that asks for a. It is made once; on Modbus TCP it
// gets a new transaction number each time.
func (l *link) request(a ask) ([]byte, error) {
	frame := l.requests[a]
	if frame == nil {
		var data [4]byte
		binary.BigEndian.PutUint16(data[:], a.address)
		binary.BigEndian.PutUint16(data[2:], a.quantity)
		*l.unit = a.unit
		var err error
		if frame, err = l.codec.Encode(&modbus.ProtocolDataUnit{FunctionCode: a.function, Data: data[:]}); err != nil {
			return nil, err
		}
		if len(l.requests) >= mostRequests {
			clear(l.requests)
		}
		l.requests[a] = frame
	}
	if l.silence == 0 {
		l.number++
		binary.BigEndian.PutUint16(frame, l.number)
	}
	return frame, nil
}
