package field

import (
	"cmp"
	"slices"
	"time"

	"github.com/goburrow/modbus"
)

// Limits of one request: MODBUS Application Protocol Specification V1.1b3, 6.1
// to 6.4 (from memory).
const (
	maxRegisters = 125
	maxBits      = 2000
)

// block is one request: addresses of one table that are read together.
type block struct {
	table    Table
	address  uint16
	quantity int
	points   []int // of the instrument, by address
}

// A barrier forbids every request of its table that begins at from or before
// and ends at to or after, unless what it asks for is one point.
type barrier struct {
	table    Table
	from, to int
}

// barriers is what the caller marks as unreadable: no request may touch it.
func (in Instrument) barriers() []barrier {
	var all []barrier
	for _, s := range in.Unreadable {
		all = append(all, barrier{s.Table, int(s.To), int(s.From)})
	}
	return all
}

// plan merges points into the requests that take the least time together, each
// within the limit of c. It never splits a value.
//
// Some best plan has blocks that follow one another in the order of the
// addresses: of two blocks that cross, each point can go to the one that reads
// it anyway. So the best plan of the first points is the best end, a block of
// the last of them, after the best plan of those before it.
func plan(points []Point, c cost, never []barrier) []block {
	order := make([]int, len(points))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		a, b := points[i], points[j]
		return cmp.Or(cmp.Compare(a.Table, b.Table), cmp.Compare(a.Address, b.Address), cmp.Compare(a.size(), b.size()))
	})
	type step struct {
		cost  time.Duration // of all blocks to here
		block block         // the last of them
	}
	best := make([]step, 1, len(order)+1) // best[n] is for the first n points
	for n := 1; n <= len(order); n++ {
		p := points[order[n-1]]
		b := block{p.Table, p.Address, p.size(), order[n-1 : n]}
		least := step{best[n-1].cost + c.of(b), b}
		single := true
		for i := n - 2; i >= 0; i-- {
			q := points[order[i]]
			single = single && q.Address == p.Address && q.size() == p.size()
			if q.Table != p.Table {
				break
			}
			b = block{p.Table, q.Address, max(b.end(), q.end()) + 1 - int(q.Address), order[i:n]}
			if !single && (!b.allowed(never) || c.limit > 0 && c.of(b) > c.limit) {
				break
			}
			if s := best[i].cost + c.of(b); s <= least.cost {
				least = step{s, b}
			}
		}
		best = append(best, least)
	}
	var blocks []block
	for n := len(order); n > 0; n -= len(best[n].block.points) {
		blocks = append(blocks, best[n].block)
	}
	slices.Reverse(blocks)
	return blocks
}

// allowed reports whether the block may be asked for, though it is more than a
// single value.
func (b block) allowed(never []barrier) bool {
	most := maxRegisters
	if b.table == Coil || b.table == DiscreteInput {
		most = maxBits
	}
	return b.quantity <= most && !slices.ContainsFunc(never, func(n barrier) bool {
		return n.table == b.table && int(b.address) <= n.from && b.end() >= n.to
	})
}

// single reports whether all points of the block have the same addresses.
func (b block) single(points []Point) bool {
	for _, i := range b.points {
		if p := points[i]; p.Address != b.address || p.size() != b.quantity {
			return false
		}
	}
	return true
}

// end is the last address of the block.
func (b block) end() int { return int(b.address) + b.quantity - 1 }

// end is the last address of the point.
func (p Point) end() int { return int(p.Address) + p.size() - 1 }

// halves splits a block that is not single into two with about as many points,
// never between points with the same addresses.
func (b block) halves(points []Point) (left, right block) {
	of := func(which []int) block {
		h := block{b.table, points[which[0]].Address, 0, which}
		for _, i := range which {
			h.quantity = max(h.quantity, points[i].end()+1-int(h.address))
		}
		return h
	}
	apart := func(k int) bool {
		p, q := points[b.points[k-1]], points[b.points[k]]
		return p.Address != q.Address || p.size() != q.size()
	}
	middle := len(b.points) / 2
	for off := 0; ; off++ {
		for _, k := range [2]int{middle - off, middle + off} {
			if k > 0 && k < len(b.points) && apart(k) {
				return of(b.points[:k]), of(b.points[k:])
			}
		}
	}
}

// between is the barrier that keeps two halves of a block apart.
func between(left, right block) barrier {
	if left.end() < int(right.address) {
		return barrier{left.table, left.end(), int(right.address)}
	}
	return barrier{left.table, int(left.address), max(left.end(), right.end())}
}

// around is the barrier that keeps all else out of a block.
func (b block) around() barrier { return barrier{b.table, int(b.address), b.end()} }

// function is the function code that reads the block.
func (b block) function() byte {
	switch b.table {
	case Coil:
		return modbus.FuncCodeReadCoils
	case DiscreteInput:
		return modbus.FuncCodeReadDiscreteInputs
	case HoldingRegister:
		return modbus.FuncCodeReadHoldingRegisters
	default:
		return modbus.FuncCodeReadInputRegisters
	}
}

// bytes is how many bytes of data the block's reply has.
func (b block) bytes() int {
	if b.table == Coil || b.table == DiscreteInput {
		return (b.quantity + 7) / 8
	}
	return 2 * b.quantity
}

// part cuts a point out of the block's data, as Decode wants it.
func (b block) part(p Point, data []byte) []byte {
	from := int(p.Address) - int(b.address)
	if p.bits() {
		return []byte{data[from/8] >> (from % 8) & 1}
	}
	return data[2*from : 2*(from+p.size())]
}

// alike reports whether the replies to two of the blocks look the same though
// they are of other addresses. RTU replies name neither address nor transaction,
// so a late reply to one could be taken for that to the other.
func alike(blocks []block) bool {
	type shape struct {
		table Table
		bytes int
	}
	seen := map[shape]block{}
	for _, b := range blocks {
		s := shape{b.table, b.bytes()}
		if c, ok := seen[s]; ok && (c.address != b.address || c.quantity != b.quantity) {
			return true
		}
		seen[s] = b
	}
	return false
}
