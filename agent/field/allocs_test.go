package field

import (
	"context"
	"os"
	"testing"
	"time"

	"github.com/goburrow/modbus"
)

// canned answers each request at once with the same data and keeps silent else.
type canned struct {
	reply, left []byte
	tcp         bool
}

func (c *canned) Write(request []byte) (int, error) {
	if c.tcp {
		copy(c.reply, request[:2]) // the transaction
	}
	c.left = c.reply
	return len(request), nil
}

func (c *canned) Read(b []byte) (int, error) {
	if len(c.left) == 0 {
		return 0, os.ErrDeadlineExceeded
	}
	n := copy(b, c.left)
	c.left = c.left[n:]
	return n, nil
}

func (c *canned) SetDeadline(time.Time) error { return nil }
func (c *canned) Close() error                { return nil }

// TestTransactionMakesNoGarbage: after the first, transactions that succeed
// allocate nothing, on any kind of line.
func TestTransactionMakesNoGarbage(t *testing.T) {
	pdu := []byte{3, 4, 1, 2, 3, 4}
	for _, kind := range kinds {
		c := &canned{reply: frame(t, kind, 11, pdu...), tcp: kind == TCP}
		l := newLink(Line{Kind: kind, Timeout: time.Second, DataBits: 7}, func(int) {})
		l.open = func(context.Context) (stream, error) { return c, nil }
		read := func() {
			for address := range uint16(3) {
				data, err := l.read(t.Context(), ask{11, 3, address, 2})
				if err != nil || len(data) != 4 || data[3] != 4 {
					t.Fatalf("%s: % X, %v", kind, data, err)
				}
			}
		}
		read()
		if n := testing.AllocsPerRun(100, read); n != 0 {
			t.Errorf("%s: %v allocations for three transactions", kind, n)
		}
		l.close()
	}
}

// frame puts a PDU into a frame of a kind of line, by goburrow's codec.
func frame(t testing.TB, kind Kind, unit byte, pdu ...byte) []byte {
	t.Helper()
	f := framingOf(kind)
	*f.unit = unit
	b, err := f.codec.Encode(&modbus.ProtocolDataUnit{FunctionCode: pdu[0], Data: pdu[1:]})
	if err != nil {
		t.Fatal(err)
	}
	return b
}
