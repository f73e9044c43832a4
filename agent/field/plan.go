package field

import (
	"cmp"
	"slices"
)

// Limits of one request: MODBUS Application Protocol Specification V1.1b3, 6.1
// to 6.4.
const (
	maxRegisters = 125
	maxBits      = 2000
)

// Unused addresses that are read over rather than asked for separately. At 9600
// baud 8 registers take less time than another request.
const (
	registerGap = 8
	bitGap      = 8 * 16
)

// block is one request: addresses of one table that are read together.
type block struct {
	table    Table
	address  uint16
	quantity int
	points   []int // of the instrument
}

// plan merges points of one table into blocks where the gaps between them are
// small. It never splits a value.
func plan(points []Point) []block {
	all := make([]int, len(points))
	for i := range all {
		all[i] = i
	}
	return merge(points, all, registerGap, bitGap)
}

// apart splits a block into the fewest requests in which no address is read
// without need: points are together only when they overlap.
func (b block) apart(points []Point) []block { return merge(points, b.points, -1, -1) }

func merge(points []Point, which []int, registerGap, bitGap int) []block {
	which = slices.Clone(which)
	slices.SortStableFunc(which, func(i, j int) int {
		a, b := points[i], points[j]
		return cmp.Or(cmp.Compare(a.Table, b.Table), cmp.Compare(a.Address, b.Address))
	})
	var blocks []block
	for _, i := range which {
		p := points[i]
		gap, most := registerGap, maxRegisters
		if p.bits() {
			gap, most = bitGap, maxBits
		}
		if n := len(blocks); n > 0 && blocks[n-1].table == p.Table {
			b := &blocks[n-1]
			from := int(p.Address) - int(b.address)
			size := max(b.quantity, from+p.size())
			if from-b.quantity <= gap && size <= most {
				b.quantity = size
				b.points = append(b.points, i)
				continue
			}
		}
		blocks = append(blocks, block{p.Table, p.Address, p.size(), []int{i}})
	}
	return blocks
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

// alike reports whether the replies to two of the blocks look the same. RTU
// replies name neither address nor transaction, so a late reply to one could be
// taken for that to the other.
func alike(blocks []block) bool {
	type shape struct {
		table Table
		bytes int
	}
	seen := map[shape]bool{}
	for _, b := range blocks {
		s := shape{b.table, b.bytes()}
		if seen[s] {
			return true
		}
		seen[s] = true
	}
	return false
}
