package field

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

func describe(blocks []block) string {
	var s []string
	for _, b := range blocks {
		s = append(s, fmt.Sprintf("%s %d+%d", b.table, b.address, b.quantity))
	}
	return strings.Join(s, ", ")
}

func TestPlan(t *testing.T) {
	at := func(table Table, kind string, addresses ...uint16) []Point {
		var ps []Point
		for _, a := range addresses {
			ps = append(ps, Point{Table: table, Type: kind, Address: a})
		}
		return ps
	}
	for _, c := range []struct {
		reason string
		points []Point
		want   string
		apart  string
	}{
		{"neighbours, in any order", at(HoldingRegister, "int32", 2, 0), "holding-register 0+4", "holding-register 0+2, holding-register 2+2"},
		{"a gap of 8 is read over", at(InputRegister, "int16", 0, 9), "input-register 0+10", "input-register 0+1, input-register 9+1"},
		{"one of 9 is not", at(InputRegister, "int16", 0, 10), "input-register 0+1, input-register 10+1", "input-register 0+1, input-register 10+1"},
		{"125 registers are the most", at(InputRegister, "float32", 0, 9, 18, 27, 36, 45, 54, 63, 72, 81, 90, 99, 108, 117, 123), "input-register 0+125", ""},
		{"a value is not split over the limit", at(InputRegister, "float32", 0, 9, 18, 27, 36, 45, 54, 63, 72, 81, 90, 99, 108, 117, 124), "input-register 0+119, input-register 124+2", ""},
		{"tables apart", append(at(Coil, "bit", 3), at(DiscreteInput, "bit", 3)...), "coil 3+1, discrete-input 3+1", "coil 3+1, discrete-input 3+1"},
		{"bits reach further", at(Coil, "bit", 0, 129), "coil 0+130", "coil 0+1, coil 129+1"},
		{"but not any distance", at(Coil, "bit", 0, 130), "coil 0+1, coil 130+1", ""},
		{"bits of one register", at(HoldingRegister, "uint16", 7, 7, 7), "holding-register 7+1", "holding-register 7+1"},
		{"a short value inside a long one", append(at(HoldingRegister, "int64", 0), at(HoldingRegister, "int16", 1)...), "holding-register 0+4", "holding-register 0+4"},
		{"the last register", at(HoldingRegister, "int16", 65535), "holding-register 65535+1", ""},
	} {
		blocks := plan(c.points)
		if got := describe(blocks); got != c.want {
			t.Errorf("%s: %s, expected %s", c.reason, got, c.want)
		}
		var apart []block
		for _, b := range blocks {
			apart = append(apart, b.apart(c.points)...)
		}
		if got := describe(apart); c.apart != "" && got != c.apart {
			t.Errorf("%s, apart: %s, expected %s", c.reason, got, c.apart)
		}
	}
}

// TestPlanCoversEveryPointOnce tries plans of random points.
func TestPlanCoversEveryPointOnce(t *testing.T) {
	types := []string{"int16", "float32", "float64"}
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 0))
		points := make([]Point, 1+r.IntN(60))
		for i := range points {
			points[i] = Point{Table: HoldingRegister, Type: types[r.IntN(3)], Address: uint16(r.IntN(400))}
			if r.IntN(4) == 0 {
				points[i] = Point{Table: Coil, Type: "bit", Address: uint16(r.IntN(9000))}
			}
		}
		seen := map[int]int{}
		for _, b := range plan(points) {
			most := maxRegisters
			if b.table == Coil {
				most = maxBits
			}
			if b.quantity < 1 || b.quantity > most {
				t.Errorf("seed %d: a block of %d", seed, b.quantity)
			}
			data := make([]byte, b.bytes())
			for _, i := range b.points {
				seen[i]++
				if p := points[i]; p.Table != b.table || len(b.part(p, data)) == 0 {
					t.Errorf("seed %d: point %+v is not in its block", seed, p)
				}
			}
		}
		for i := range points {
			if seen[i] != 1 {
				t.Errorf("seed %d: point %d is read %d times", seed, i, seen[i])
			}
		}
	}
}

// TestSpecificationBits takes single bits out of the replies that the MODBUS
// Application Protocol Specification V1.1b3 shows in 6.1 (coils 20 to 38) and
// 6.2 (discrete inputs 197 to 218). From memory.
func TestSpecificationBits(t *testing.T) {
	for _, c := range []struct {
		table Table
		from  uint16 // number as the specification counts, from 1
		data  string
		want  string // lowest number first
	}{
		{Coil, 20, "CD 6B 05", "10110011" + "11010110" + "101"},
		{DiscreteInput, 197, "AC DB 35", "00110101" + "11011011" + "101011"},
	} {
		b := block{table: c.table, address: c.from - 1, quantity: len(c.want)}
		data := unhex(t, c.data)
		for i, want := range c.want {
			p := Point{Table: c.table, Type: "bit", Address: c.from - 1 + uint16(i), Scale: 1, Unit: one}
			if v, q := Decode(p, b.part(p, data)); v != float64(want-'0') || !q.Usable() {
				t.Errorf("%s %d is %v, %v; expected %c", c.table, int(c.from)+i, v, q, want)
			}
		}
	}
}

func TestAlike(t *testing.T) {
	for _, c := range []struct {
		reason string
		blocks []block
		want   bool
	}{
		{"a single request", []block{{HoldingRegister, 0, 2, nil}}, false},
		{"two of one size", []block{{HoldingRegister, 0, 2, nil}, {HoldingRegister, 100, 2, nil}}, true},
		{"two sizes", []block{{HoldingRegister, 0, 2, nil}, {HoldingRegister, 100, 3, nil}}, false},
		{"two tables have two function codes", []block{{HoldingRegister, 0, 2, nil}, {InputRegister, 0, 2, nil}}, false},
		{"bits that fill as many bytes", []block{{Coil, 0, 1, nil}, {Coil, 500, 7, nil}}, true},
	} {
		if got := alike(c.blocks); got != c.want {
			t.Errorf("%s: %v", c.reason, got)
		}
	}
}
