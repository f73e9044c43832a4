package field

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func describe(blocks []block) string {
	var s []string
	for _, b := range blocks {
		s = append(s, fmt.Sprintf("%s %d+%d", b.table, b.address, b.quantity))
	}
	return strings.Join(s, ", ")
}

// at is points of one type at each address.
func at(table Table, kind string, addresses ...uint16) []Point {
	var ps []Point
	for _, a := range addresses {
		ps = append(ps, Point{Table: table, Type: kind, Address: a})
	}
	return ps
}

var (
	slow    = Line{Kind: RTU, Baud: 9600, Parity: "even", StopBits: 1}
	quick   = Line{Kind: RTU, Baud: 115200, Parity: "none", StopBits: 1}
	network = Line{Kind: TCP}
	hasty   = Line{Kind: RTU, Baud: 9600, Parity: "even", StopBits: 1, Timeout: 100 * time.Millisecond}
)

// TestPlan: by hand, a second request at 9600 baud and 11 bits a character costs
// 13 characters of 1.146 ms, two silences of 4.01 ms and the 10 ms that a unit
// is assumed to think: 32.9 ms, or 14.4 registers. At 115200 baud and 10 bits it
// costs 13 of 0.0868 ms, two of 1.75 ms and 10 ms: 14.6 ms, or 84.3 registers.
func TestPlan(t *testing.T) {
	for _, c := range []struct {
		reason     string
		line       Line
		points     []Point
		unreadable []Span
		want       string
	}{
		{"neighbours, in any order", slow, at(HoldingRegister, "int32", 2, 0), nil, "holding-register 0+4"},
		{"a gap of 14 is read over", slow, at(InputRegister, "int16", 0, 15), nil, "input-register 0+16"},
		{"one of 15 is not", slow, at(InputRegister, "int16", 0, 16), nil, "input-register 0+1, input-register 16+1"},
		{"a gap of 84 on a faster line is", quick, at(InputRegister, "int16", 0, 85), nil, "input-register 0+86"},
		{"one of 85 is not", quick, at(InputRegister, "int16", 0, 86), nil, "input-register 0+1, input-register 86+1"},
		{"a network takes any gap up to the limit", network, at(InputRegister, "int16", 0, 124), nil, "input-register 0+125"},
		{"and no more", network, at(InputRegister, "int16", 0, 125), nil, "input-register 0+1, input-register 125+1"},
		{"it is cut where the gap is widest", network, at(InputRegister, "int16", 0, 80, 81, 140), nil, "input-register 0+1, input-register 80+61"},
		{"a value is not split over the limit", network, at(InputRegister, "float32", 0, 124), nil, "input-register 0+2, input-register 124+2"},
		{"29 registers are the most in 100 ms", hasty, at(HoldingRegister, "int16", 0, 10, 20, 28), nil, "holding-register 0+29"},
		{"not one more", hasty, at(HoldingRegister, "int16", 0, 10, 20, 29), nil, "holding-register 0+1, holding-register 10+20"},
		{"tables apart", network, append(at(Coil, "bit", 3), at(DiscreteInput, "bit", 3)...), nil, "coil 3+1, discrete-input 3+1"},
		{"bits reach further", slow, at(Coil, "bit", 0, 239), nil, "coil 0+240"},
		{"but not any distance", slow, at(Coil, "bit", 0, 240), nil, "coil 0+1, coil 240+1"},
		{"2000 bits are the most", network, at(Coil, "bit", 0, 1999, 2000), nil, "coil 0+1, coil 1999+2"},
		{"bits of one register", slow, at(HoldingRegister, "uint16", 7, 7, 7), nil, "holding-register 7+1"},
		{"a short value inside a long one", slow, append(at(HoldingRegister, "int64", 0), at(HoldingRegister, "int16", 1)...), nil, "holding-register 0+4"},
		{"the last register", slow, at(HoldingRegister, "int16", 65535), nil, "holding-register 65535+1"},
		{"not over an unreadable register", slow, at(HoldingRegister, "int16", 0, 2, 3), []Span{{HoldingRegister, 1, 1}}, "holding-register 0+1, holding-register 2+2"},
		{"which is one of its own table", slow, at(HoldingRegister, "int16", 0, 2), []Span{{InputRegister, 1, 1}}, "holding-register 0+3"},
		{"up to an unreadable range", slow, at(HoldingRegister, "int16", 0, 9), []Span{{HoldingRegister, 10, 20}}, "holding-register 0+10"},
	} {
		in := Instrument{Unreadable: c.unreadable}
		if got := describe(plan(c.points, costOf(c.line), in.barriers())); got != c.want {
			t.Errorf("%s: %s, expected %s", c.reason, got, c.want)
		}
	}
}

// randomMap draws points of two tables, some over one another, and unreadable
// spans between them.
func randomMap(intn func(n int) int, most int) (points []Point, unreadable []Span) {
	types := []string{"int16", "float32", "float64"}
	reach := []int{12, 60, 300}[intn(3)]
	for range 1 + intn(most) {
		p := Point{Table: HoldingRegister, Type: types[intn(3)], Address: uint16(intn(reach))}
		if intn(4) == 0 {
			p = Point{Table: Coil, Type: "bit", Address: uint16(intn(15 * reach))}
		}
		points = append(points, p)
	}
	for range intn(3) {
		s := Span{Table: HoldingRegister, From: uint16(intn(reach))}
		s.To = s.From + uint16(intn(5))
		if !slices.ContainsFunc(points, func(p Point) bool { return touches(s, p.Table, int(p.Address), p.end()) }) {
			unreadable = append(unreadable, s)
		}
	}
	return points, unreadable
}

func touches(s Span, t Table, from, to int) bool {
	return s.Table == t && from <= int(s.To) && to >= int(s.From)
}

// exhaustive is the least time of all ways to put points into requests.
func exhaustive(l Line, points []Point, unreadable []Span) time.Duration {
	var groups [][]Point
	least := time.Duration(math.MaxInt64)
	// price is the time of one request for a group, worked out apart from the
	// plan; false when it must not be made.
	price := func(g []Point) (time.Duration, bool) {
		from, to := 1<<16, 0
		for _, p := range g {
			if p.Table != g[0].Table {
				return 0, false
			}
			n := map[string]int{"bit": 1, "int16": 1, "float32": 2, "float64": 4}[p.Type]
			from, to = min(from, int(p.Address)), max(to, int(p.Address)+n-1)
		}
		for _, s := range unreadable {
			if touches(s, g[0].Table, from, to) {
				return 0, false
			}
		}
		n, most := to-from+1, 125
		data := 2 * n
		if g[0].Table == Coil {
			data, most = (n+7)/8, 2000
		}
		if n > most {
			return 0, false
		}
		if l.Kind == TCP {
			return 5*time.Millisecond + time.Duration(12+9+data)*800*time.Nanosecond, true
		}
		bits, silence := 11, 3.5*11/float64(l.Baud)
		if l.Parity == "none" {
			bits = 10
		}
		if l.Baud > 19200 {
			silence = 0.00175
		}
		character := time.Second * time.Duration(bits) / time.Duration(l.Baud)
		return 10*time.Millisecond + time.Duration(8+5+data)*character + 2*time.Duration(silence*1e9), true
	}
	var place func(i int)
	place = func(i int) {
		if i == len(points) {
			var sum time.Duration
			for _, g := range groups {
				d, ok := price(g)
				if !ok {
					return
				}
				sum += d
			}
			least = min(least, sum)
			return
		}
		for k := range groups {
			groups[k] = append(groups[k], points[i])
			place(i + 1)
			groups[k] = groups[k][:len(groups[k])-1]
		}
		groups = append(groups, []Point{points[i]})
		place(i + 1)
		groups = groups[:len(groups)-1]
	}
	place(0)
	return least
}

// TestPlanIsTheBest compares, for 1,000 random maps, the requests of every poll
// with the best of all ways to put the points that are due into requests, over
// as long as it takes until all periods begin together again.
func TestPlanIsTheBest(t *testing.T) {
	var planned, best time.Duration
	for seed := range uint64(1000) {
		r := rand.New(rand.NewPCG(seed, 0))
		l := []Line{slow, quick, network}[r.IntN(3)]
		in := Instrument{Every: time.Second}
		in.Points, in.Unreadable = randomMap(r.IntN, 7)
		every := [][]time.Duration{{0}, {0, 5 * time.Second}, {0, 2 * time.Second, 6 * time.Second}, {2 * time.Second, 3 * time.Second}}[r.IntN(4)]
		for i := range in.Points {
			in.Points[i].Every = every[r.IntN(len(every))]
		}
		l.Instruments = []Instrument{in}
		u := newUnit(in, costOf(l))
		const seconds = 30
		var sum, least time.Duration
		known := map[uint64]time.Duration{}
		for now := range seconds {
			var due []Point
			var paces uint64
			for k, p := range in.periods() {
				if now%int(p.Seconds()) == 0 {
					paces |= 1 << k
				}
			}
			for _, p := range in.Points {
				if now%int(in.period(p).Seconds()) == 0 {
					due = append(due, p)
				}
			}
			if _, ok := known[paces]; !ok && paces > 0 {
				known[paces] = exhaustive(l, due, in.Unreadable)
			}
			least += known[paces]
			if paces > 0 {
				u.now = u.visit(paces)
				sum += u.planned()
			}
		}
		if d := sum - least; d.Abs() > seconds*time.Microsecond {
			t.Errorf("seed %d: planned %v, the best takes %v", seed, sum, least)
		}
		// What check shows is the same, or more where periods do not fit.
		if shown := LoadOf(l).Mean * seconds; shown < sum.Seconds()-1e-6 || shown > sum.Seconds()+1e-6 && nested(in.periods()) {
			t.Errorf("seed %d: planned %v, shown are %v s", seed, sum, shown)
		}
		planned, best = planned+sum, best+least
	}
	t.Logf("planned cost to the best: %.4f", planned.Seconds()/best.Seconds())
}

// nested reports whether each period is a multiple of the one before.
func nested(periods []time.Duration) bool {
	for k := range periods[1:] {
		if periods[k+1]%periods[k] != 0 {
			return false
		}
	}
	return true
}

// TestPlanHoldsItsLimits: every point is read once and whole, no request is too
// long or touches what is unreadable.
func TestPlanHoldsItsLimits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points, unreadable := randomMap(func(n int) int { return rapid.IntRange(0, n-1).Draw(t, "n") }, 60)
		l := rapid.SampledFrom([]Line{slow, quick, network}).Draw(t, "line")
		seen := map[int]int{}
		for _, b := range plan(points, costOf(l), Instrument{Unreadable: unreadable}.barriers()) {
			most := maxRegisters
			if b.table == Coil {
				most = maxBits
			}
			if b.quantity < 1 || b.quantity > most {
				t.Errorf("a request for %d", b.quantity)
			}
			for _, s := range unreadable {
				if touches(s, b.table, int(b.address), b.end()) {
					t.Errorf("%s touches unreadable %+v", b.name(), s)
				}
			}
			data := make([]byte, b.bytes())
			for _, i := range b.points {
				seen[i]++
				p := points[i]
				if p.Table != b.table || p.Address < b.address || p.end() > b.end() {
					t.Errorf("point %+v is not in its request", p)
				}
				b.part(p, data) // panics when it is not
			}
		}
		for i := range points {
			if seen[i] != 1 {
				t.Errorf("point %d is read %d times", i, seen[i])
			}
		}
	})
}

// TestHalves: halves have all points of a block, are shorter than it, and the
// barrier between them forbids it but neither of them.
func TestHalves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points, _ := randomMap(func(n int) int { return rapid.IntRange(0, n-1).Draw(t, "n") }, 20)
		for _, b := range plan(points, costOf(network), nil) {
			if b.single(points) {
				continue
			}
			left, right := b.halves(points)
			if got := slices.Concat(left.points, right.points); !slices.Equal(got, b.points) || len(left.points) == 0 || len(right.points) == 0 {
				t.Fatalf("%v becomes %v and %v", b.points, left.points, right.points)
			}
			for _, h := range []block{left, right} {
				for _, i := range h.points {
					if p := points[i]; p.Address < h.address || p.end() > h.end() {
						t.Errorf("point %+v is not in its half", p)
					}
				}
			}
			if never := []barrier{between(left, right)}; b.allowed(never) {
				t.Errorf("%+v does not keep %s apart", never, b.name())
			}
		}
	})
}

func TestPlannedRequests(t *testing.T) {
	l := slow
	l.Timeout = 300 * time.Millisecond
	l.Instruments = []Instrument{
		{Name: "scales", Unit: 11, Every: time.Second, Points: at(HoldingRegister, "float32", 0, 2)},
		{Name: "detector", Unit: 12, Every: 200 * time.Millisecond, Points: at(Coil, "bit", 9)},
	}
	l.Instruments[0].Points[0].Name, l.Instruments[0].Points[1].Name, l.Instruments[1].Points[0].Name = "a", "b", "c"
	// 8 and 5+8 characters of 11 bits, 8 and 5+1 of them; 3.5 before and after.
	character := 11 * time.Second / 9600
	silence := 7 * 11 * time.Second / (2 * 9600)
	both := 35*character + 4*silence + 20*time.Millisecond
	// With the other dead there are the timeout of 0.3 s and the grace of 0.5 s in
	// its place, and what is left of a grace when the poll falls due.
	old := func(name string, every time.Duration) PlannedPoint {
		other := 21*character + 2*silence + 10*time.Millisecond
		if name == "c" {
			other = 14*character + 2*silence + 10*time.Millisecond
		}
		return PlannedPoint{name, every + both, every + other + 1300*time.Millisecond}
	}
	want := []PlannedRequest{
		{"scales", 11, false, time.Second, 0, HoldingRegister, 0, 4, []PlannedPoint{old("a", time.Second), old("b", time.Second)}, 8, 13, 21*character + 2*silence, 10 * time.Millisecond},
		{"detector", 12, false, 200 * time.Millisecond, 0, Coil, 9, 1, []PlannedPoint{old("c", 200*time.Millisecond)}, 8, 6, 14*character + 2*silence, 10 * time.Millisecond},
	}
	got := Plan(l)
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	// 21 and 14 characters, four silences and two thoughts: 76.1 ms.
	load := LoadOf(l)
	if load.Cycle.Round(100*time.Microsecond) != 76100*time.Microsecond || math.Abs(load.Peak-0.381) > 0.001 || math.Abs(load.Mean-(0.0421+0.1703)) > 0.001 {
		t.Errorf("%+v", load)
	}
	if got := LoadOf(Line{Kind: TCP}); got != (Load{}) {
		t.Errorf("%+v", got)
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
		{"one request twice", []block{{Coil, 8, 8, nil}, {Coil, 8, 8, nil}}, false},
		{"two tables have two function codes", []block{{HoldingRegister, 0, 2, nil}, {InputRegister, 0, 2, nil}}, false},
		{"bits that fill as many bytes", []block{{Coil, 0, 1, nil}, {Coil, 500, 7, nil}}, true},
	} {
		if got := alike(c.blocks); got != c.want {
			t.Errorf("%s: %v", c.reason, got)
		}
	}
}
