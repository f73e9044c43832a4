package field

import "time"

// What the plan assumes until something is known about a unit. Common practice,
// no source: instruments on a serial line think for some milliseconds, those on
// a network answer in some, whatever the size of the reply.
const (
	assumedThink   = 10 * time.Millisecond // of a unit on a serial line
	assumedLatency = 5 * time.Millisecond  // of a request on a network
	networkByte    = 800 * time.Nanosecond // 10 Mbit/s
	assumedBaud    = 9600                  // behind a serial server that names none
)

// Bytes of frames without the data of the reply.
const (
	rtuRequest, rtuReply = 8, 5  // unit, PDU, CRC
	tcpRequest, tcpReply = 12, 9 // header, PDU
	// Characters: colon, two for each byte of unit, PDU and LRC, two at the end.
	asciiRequest, asciiReply = 17, 11
)

// cost is the time that requests take on a line.
type cost struct {
	request, reply int           // bytes of their frames, without data
	datum          int           // bytes of a frame for one of data
	perByte        time.Duration // of a frame
	turns          time.Duration // silences of one request and its reply
	think          time.Duration // until the reply begins
	limit          time.Duration // of what is merged, 0 for none
}

func costOf(l Line) cost {
	if l.Kind == TCP {
		return cost{tcpRequest, tcpReply, 1, networkByte, 0, assumedLatency, 0}
	}
	c := cost{rtuRequest, rtuReply, 1, l.character(), 2 * l.silence(), assumedThink, 0}
	if l.Kind.ascii() {
		c = cost{asciiRequest, asciiReply, 2, l.character(), l.silence(), assumedThink, 0}
	}
	if l.Kind.serial() {
		c.limit = l.Timeout
	} else {
		c.think += assumedLatency
	}
	return c
}

// wire is the time of a block without what its unit thinks.
func (c cost) wire(b block) time.Duration {
	return time.Duration(c.request+c.replyTo(b))*c.perByte + c.turns
}

// replyTo is how many bytes the reply to a block has.
func (c cost) replyTo(b block) int { return c.reply + c.datum*b.bytes() }

// of is the time of a block.
func (c cost) of(b block) time.Duration { return c.wire(b) + c.think }

// character is the time of one on a serial line.
func (l Line) character() time.Duration {
	if l.Baud == 0 {
		return 11 * time.Second / assumedBaud
	}
	bits := 1 + l.dataBits() + l.StopBits
	if l.Parity != "none" {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(l.Baud)
}

// dataBits is how many of a character are data.
func (l Line) dataBits() int {
	if l.Kind == ASCII {
		return l.DataBits
	}
	return 8
}

// PlannedRequest is one request by which an instrument is read.
type PlannedRequest struct {
	Instrument string
	Unit       byte
	Every      time.Duration
	Table      Table
	Address    uint16
	Quantity   int      // of registers or bits
	Points     []string // names, by address
	// RequestBytes and ReplyBytes are the sizes of the frames.
	RequestBytes, ReplyBytes int
	// Wire is the time of both frames at the speed of the line and of the
	// silences that the line needs. Think is what the plan assumes the unit or
	// the network to take besides.
	Wire, Think time.Duration
}

// Plan returns the requests by which the instruments of a line are read, in the
// order of the instruments and their addresses, as New would have them. The line
// must be one that New accepts.
func Plan(l Line) []PlannedRequest {
	var all []PlannedRequest
	c := costOf(l)
	for _, in := range l.Instruments {
		for _, b := range plan(in.Points, c, in.barriers()) {
			r := PlannedRequest{
				Instrument: in.Name, Unit: in.Unit, Every: in.Every,
				Table: b.table, Address: b.address, Quantity: b.quantity,
				RequestBytes: c.request, ReplyBytes: c.replyTo(b),
				Wire: c.wire(b), Think: c.think,
			}
			for _, i := range b.points {
				r.Points = append(r.Points, in.Points[i].Name)
			}
			all = append(all, r)
		}
	}
	return all
}

// Load is how much of a line a plan takes.
type Load struct {
	// Cycle is the time to read every instrument once.
	Cycle time.Duration
	// Peak is Cycle as a share of the shortest period. Up to 1 no poll is left
	// out even when all fall due at once, and a value gets at most as old as the
	// period of its instrument and Cycle together.
	Peak float64
	// Mean is the share of the time in which the line is in use. Above 1, polls
	// are left out.
	Mean float64
}

// LoadOf sums the requests of one line. Without any it is zero.
func LoadOf(requests []PlannedRequest) Load {
	var sum Load
	var shortest time.Duration
	for _, r := range requests {
		took := r.Wire + r.Think
		sum.Cycle += took
		sum.Mean += took.Seconds() / r.Every.Seconds()
		if shortest == 0 || r.Every < shortest {
			shortest = r.Every
		}
	}
	if shortest > 0 {
		sum.Peak = sum.Cycle.Seconds() / shortest.Seconds()
	}
	return sum
}
