package field

import (
	"slices"
	"time"
)

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
	// Urgent tells that the instrument goes before those that are not.
	Urgent bool
	// Every is the period of the poll that makes the request. Within is the
	// period of a longer one that makes it or another in its place whenever both
	// are due, since it reads these points too; 0 where there is none.
	Every, Within time.Duration
	Table         Table
	Address       uint16
	Quantity      int            // of registers or bits
	Points        []PlannedPoint // by address
	// RequestBytes and ReplyBytes are the sizes of the frames.
	RequestBytes, ReplyBytes int
	// Wire is the time of both frames at the speed of the line and of the
	// silences that the line needs. Think is what the plan assumes the unit or
	// the network to take besides.
	Wire, Think time.Duration
}

// took is the time of the request and its reply.
func (r PlannedRequest) took() time.Duration { return r.Wire + r.Think }

// Share is the part of the line's time that the request takes. Of two periods of
// which none is a multiple of the other, each counts as if the two never fell due
// together.
func (r PlannedRequest) Share() float64 {
	share := r.took().Seconds() / r.Every.Seconds()
	if r.Within > 0 {
		share -= r.took().Seconds() / r.Within.Seconds()
	}
	return share
}

// PlannedPoint is a point with the age that its value reaches at most, just
// before the next: its period and the longest time until a poll that is due has
// ended.
type PlannedPoint struct {
	Name string
	// Oldest holds while every unit answers as the plan assumes, WithDead while
	// one other unit of the line does not answer at all.
	// Neither counts a connection that has to be made anew.
	Oldest, WithDead time.Duration
}

// Plan returns the requests by which the instruments of a line are read, in the
// order of the instruments, their periods and addresses, as New would have them.
// The line must be one that New accepts.
func Plan(l Line) []PlannedRequest {
	var all []PlannedRequest
	var loads []load
	c := costOf(l)
	for _, in := range l.Instruments {
		of := len(all)
		periods := in.periods()
		for k, every := range periods {
			points, _ := in.dueWith(periods, together(periods, k))
			for _, b := range plan(points, c, in.barriers()) {
				r := PlannedRequest{
					Instrument: in.Name, Unit: in.Unit, Urgent: in.urgent(), Every: every, Within: within(periods, k),
					Table: b.table, Address: b.address, Quantity: b.quantity,
					RequestBytes: c.request, ReplyBytes: c.replyTo(b),
					Wire: c.wire(b), Think: c.think,
				}
				for _, i := range b.points {
					r.Points = append(r.Points, PlannedPoint{Name: points[i].Name, Oldest: in.period(points[i])})
				}
				all = append(all, r)
			}
		}
		loads = append(loads, loadOf(all[of:]))
	}
	after, withDead := ends(loads), endsWithDead(loads, l.Timeout, firstGrace(l))
	unit := -1
	for i, r := range all {
		if i == 0 || r.Instrument != all[i-1].Instrument {
			unit++
		}
		for j := range r.Points {
			p := &r.Points[j] // whose Oldest is the period so far
			p.Oldest, p.WithDead = p.Oldest+after[unit], p.Oldest+withDead[unit]
		}
	}
	return all
}

// within is the next longer period that is a multiple of the one with number k,
// 0 when there is none.
func within(periods []time.Duration, k int) time.Duration {
	for _, p := range periods[k+1:] {
		if p%periods[k] == 0 {
			return p
		}
	}
	return 0
}

// firstGrace is that after an attempt to read a dead unit, as long as no reply
// was slow.
func firstGrace(l Line) time.Duration {
	if l.Kind == TCP {
		return 0
	}
	return leastGrace
}

// load is what a unit takes of a line at most.
type load struct {
	urgent bool
	// every is the least time from one poll that falls due to the next. Of a unit
	// with several periods one may fall due while another is read.
	every         time.Duration
	several       bool
	poll, longest time.Duration // of everything, of one request
	requests      int           // of everything
}

func loadOf(requests []PlannedRequest) load {
	l := load{urgent: requests[0].Urgent, every: requests[0].Every}
	for _, r := range requests {
		if r.Within == 0 {
			l.poll += r.took()
			l.requests++
		}
		l.longest = max(l.longest, r.took())
		l.several = l.several || r.Every != requests[0].Every
		for rest := r.Every; rest > 0; {
			l.every, rest = rest, l.every%rest // the greatest common divisor
		}
	}
	return l
}

// ends is how long after it is due the poll of each unit ends at most.
//
// An urgent poll waits for one request of a unit that is not urgent and one poll
// of each other urgent unit. A poll that is not urgent waits for one poll of each
// other such unit, since none has more than one due, and for as many of the
// urgent ones as fall due meanwhile, but for one of each before each request at
// most. That holds on a line that is behind too, but for a unit with several
// periods that is not done with one before another is due: it takes two polls.
func ends(loads []load) []time.Duration {
	loads = slices.Clone(loads)
	for {
		all := endsOnce(loads)
		twice := false
		for i := range loads {
			if l := &loads[i]; l.several && all[i] > l.every {
				l.poll, l.requests, l.several, twice = 2*l.poll, 2*l.requests, false, true
			}
		}
		if !twice {
			return all
		}
	}
}

func endsOnce(loads []load) []time.Duration {
	urgent, others, rounds := longest(loads), time.Duration(0), time.Duration(1)
	for _, l := range loads {
		if l.urgent {
			urgent += l.poll
		} else {
			others += l.poll
			rounds += time.Duration(l.requests)
		}
	}
	last := time.Duration(-1)
	sum := others
	for sum != last {
		last, sum = sum, others
		for _, l := range loads {
			if l.urgent {
				sum += l.poll * min(rounds, (last+urgent)/l.every+1)
			}
		}
	}
	all := make([]time.Duration, len(loads))
	for i, l := range loads {
		all[i] = sum
		if l.urgent {
			all[i] = urgent
		}
	}
	return all
}

// endsWithDead is ends while one other unit, whichever is worst, does not answer
// and each attempt holds the line for the timeout and a grace after it. A poll
// may fall due in a grace; if it is urgent and its unit has one period, it then
// comes before the next attempt.
func endsWithDead(loads []load, timeout, grace time.Duration) []time.Duration {
	worst := ends(loads)
	holds := timeout + grace
	for dead, was := range loads {
		l := load{every: was.every, poll: holds, longest: holds, requests: 1}
		if was.urgent {
			// Its first attempt goes like those of the living.
			l.poll, l.longest, l.requests = 2*holds, holds+longest(loads), 2
		}
		loads[dead] = l
		for i, e := range ends(loads) {
			if i == dead {
				continue
			}
			if !loads[i].urgent || loads[i].several {
				e += grace
			}
			worst[i] = max(worst[i], e)
		}
		loads[dead] = was
	}
	return worst
}

// longest is the time of the longest request of a unit that is not urgent.
func longest(loads []load) (longest time.Duration) {
	for _, l := range loads {
		if !l.urgent {
			longest = max(longest, l.longest)
		}
	}
	return longest
}

// Load is how much of a line a plan takes.
type Load struct {
	// Cycle is the time to read every instrument once, with all its points.
	Cycle time.Duration
	// Peak is Cycle as a share of the shortest period. Up to 1 no poll is left
	// out even when all fall due at once.
	Peak float64
	// Mean is the share of the time in which the line is in use, the sum of the
	// shares of all requests. Above 1, polls are left out.
	Mean float64
	// Dead is how long an attempt to read a unit that does not answer holds the
	// line, as long as no reply was so slow that the grace is longer. DeadShare is
	// the part of the time that one such unit takes, once it has failed to answer
	// several times in a row: 1 of restShare at most, whatever the grace is.
	Dead      time.Duration
	DeadShare float64
}

// LoadOf sums the plan of one line.
func LoadOf(l Line) Load {
	sum := Load{Dead: l.Timeout + firstGrace(l)}
	var shortest time.Duration
	for _, r := range Plan(l) {
		if r.Within == 0 {
			sum.Cycle += r.took()
		}
		sum.Mean += r.Share()
		if shortest == 0 || r.Every < shortest {
			shortest = r.Every
		}
	}
	if shortest > 0 {
		sum.Peak = sum.Cycle.Seconds() / shortest.Seconds()
	}
	for _, in := range l.Instruments {
		sum.DeadShare = max(sum.DeadShare, sum.Dead.Seconds()/restOf(in.periods()[0], sum.Dead).Seconds())
	}
	return sum
}
