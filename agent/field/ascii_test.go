package field

import (
	"testing"
	"time"
)

// TestCostOfASCII: the time of requests in ASCII, by hand from the frames of
// MODBUS over Serial Line V1.02, 2.5.2 (from memory): a request has 17 characters,
// a reply 11 and two for each byte of data.
func TestCostOfASCII(t *testing.T) {
	in := instrument("north", 11, time.Second, 0, 1, 2)
	for _, c := range []struct {
		name string
		l    Line
		want time.Duration // of both frames
		size int           // of the reply
	}{
		{"7E1, 10 bits", Line{Kind: ASCII, Baud: 9600, Parity: "even", StopBits: 1, DataBits: 7}, 40 * 10 * time.Second / 9600, 23},
		{"8N1, 10 bits", Line{Kind: ASCII, Baud: 300, Parity: "none", StopBits: 1, DataBits: 8}, 40 * 10 * time.Second / 300, 23},
		{"8E1, 11 bits", Line{Kind: ASCII, Baud: 115200, Parity: "even", StopBits: 1, DataBits: 8}, 40 * 11 * time.Second / 115200, 23},
	} {
		c.l.Instruments = []Instrument{in}
		requests := Plan(c.l)
		if len(requests) != 1 {
			t.Fatalf("%s: %d requests, expected 1", c.name, len(requests))
		}
		r := requests[0]
		if r.RequestBytes != 17 || r.ReplyBytes != c.size {
			t.Errorf("%s: %d and %d characters, expected 17 and %d", c.name, r.RequestBytes, r.ReplyBytes, c.size)
		}
		// A silence is short: no 3.5 characters, but time to hear one.
		if d := r.Wire - c.want - c.l.silence(); d < -time.Microsecond || d > time.Microsecond {
			t.Errorf("%s: %v on the wire, expected %v and a silence", c.name, r.Wire, c.want)
		}
		if s := c.l.silence(); s < shortSilence || s < c.l.character() {
			t.Errorf("%s: a silence of %v", c.name, s)
		}
	}
}
