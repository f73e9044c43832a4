package field

import (
	"context"
	"encoding/binary"

	"github.com/goburrow/modbus"
)

// read makes one request to a unit. The data has just the size that was asked
// for and is good until the next read.
func (w *worker) read(ctx context.Context, to byte, b block) ([]byte, error) {
	w.setUnit(to)
	ask := modbus.ProtocolDataUnit{FunctionCode: b.function(), Data: make([]byte, 4)}
	binary.BigEndian.PutUint16(ask.Data, b.address)
	binary.BigEndian.PutUint16(ask.Data[2:], uint16(b.quantity))
	request, err := w.codec.Encode(&ask)
	if err != nil {
		return nil, err
	}
	reply, err := w.link.exchange(ctx, request)
	if err != nil {
		return nil, err
	}
	if err := w.codec.Verify(request, reply); err != nil {
		return nil, err
	}
	got, err := w.codec.Decode(reply)
	if err != nil {
		return nil, err
	}
	if got.FunctionCode != ask.FunctionCode {
		return nil, &modbus.ModbusError{FunctionCode: got.FunctionCode, ExceptionCode: got.Data[0]}
	}
	return got.Data[1:], nil
}
