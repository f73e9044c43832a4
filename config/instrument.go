package config

import (
	"fmt"
	"strings"
	"time"

	"ebbwatch/agent/units"
)

func (r *siteReader) instrument(name string, v value) Instrument {
	in := Instrument{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return in
	}
	onLine := b.get("line")
	line, known := Line{}, false
	if s, ok := onLine.scalar(); ok {
		in.Line = s
		if line, known = r.lines[s]; !known && len(r.lines) > 0 {
			onLine.fault(onLine.line, fmt.Sprintf("the unknown line %s for %s", quote(s), onLine.path),
				"the name of a line"+r.such(s, r.lineNames))
		}
	}
	unit, n := b.get("unit"), 0
	// MODBUS Messaging on TCP/IP Implementation Guide 1.0b, 4.4.2 (from memory): 255, or 0,
	// for a device that is reached by its IP address. Others reserve 248 to 255.
	if unit.whole(&n, func(n int) bool {
		return n >= 1 && n <= 247 || (n == 0 || n == 255) && (!known || line.Kind == TCP || line.Kind == "")
	}) {
		in.Unit = byte(n)
		if known {
			r.once(unit, fmt.Sprintf("unit %d of line %s", n, in.Line))
		}
	}
	b.get("every").duration(&in.Every, 100*time.Millisecond, 24*time.Hour)
	in.StaleAfter = max(3*in.Every, in.Every+2*line.Timeout)
	b.get("stale_after").duration(&in.StaleAfter, in.Every, 7*24*time.Hour)
	in.Points = each(b.get("points"), func(name string, v value) Point {
		p := r.point(name, v)
		r.once(v, "the point "+name)
		if _, ok := r.points[name]; !ok {
			r.points[name] = measured{p, in.Every}
			d := p.Unit.Dimension
			r.byDimension[d] = append(r.byDimension[d], name)
		}
		return p
	})
	in.Lost = b.get("lost").alarm("")
	r.alarmName(v, name+"-lost")
	return in
}

// alarmName guards the names of alarms that end alike.
func (r *siteReader) alarmName(v value, name string) {
	if name == "journal-lost" {
		r.fault(v.line, "the alarm name "+name+" for "+v.path, "another name; ebbwatch itself has an alarm of this name")
	}
	r.once(v, "the alarm name "+name)
}

func (r *siteReader) point(name string, v value) Point {
	p := Point{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return p
	}
	oneOf(b.get("table"), &p.Table, Coil, DiscreteInput, HoldingRegister, InputRegister)
	address, n := b.get("address"), 0
	addressed := address.whole(&n, between(0, maxPoint-1))
	p.Address = uint16(n)
	bits := p.Table == Coil || p.Table == DiscreteInput
	size := p.readType(b, bits)
	if addressed && n+size > maxPoint {
		address.fault(address.line, fmt.Sprintf("%d for %s", n, address.path),
			fmt.Sprintf("at most %d, since a %s takes %d registers", maxPoint-size, p.Type, size))
	}
	order := b.get("order")
	if bits && b.has("order") {
		order.bad("a byte order on a " + string(p.Table))
	} else {
		oneOf(order, &p.Order, "ABCD", "CDAB", "BADC", "DCBA")
	}
	if bit := b.get("bit"); b.has("bit") {
		var n int
		word := p.Type
		if bits {
			word = string(p.Table)
		}
		if size > 1 || bits || p.Type == "bcd16" {
			bit.bad("a bit of a " + word)
		} else if bit.whole(&n, between(0, 15)) {
			p.Bit = &n
		}
	}
	single := bits || b.has("bit")
	if single {
		for _, name := range []string{"bits", "no_reading", "from", "current", "to"} {
			if v := b.get(name); b.has(name) {
				v.fault(v.line, name+" of a single bit for "+v.path, "it with whole registers only")
			}
		}
	}
	p.readScale(b, single)
	p.readUnit(b, single)
	if !b.has("current") {
		b.get("range").pair(&p.Range, ascending)
	}
	return p
}

// readType reads the type and returns how many registers it needs, 0 when it
// is not known.
func (p *Point) readType(b block, bits bool) int {
	v := b.get("type")
	registers := []string{"int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bcd16", "bcd32"}
	switch {
	case bits:
		p.Type = "bit"
		oneOf(v, &p.Type, "bit")
	case p.Table == "": // told of
		oneOf(v, &p.Type, append(registers, "bit")...)
	case !b.has("type"):
		v.fault(b.line, "no type in "+b.path, v.keys[v.key].Expects)
	default:
		oneOf(v, &p.Type, registers...)
	}
	switch {
	case p.Type == "":
		return 0
	case strings.HasSuffix(p.Type, "64"):
		return 4
	case strings.HasSuffix(p.Type, "32"):
		return 2
	default:
		return 1
	}
}

func (p *Point) readUnit(b block, single bool) {
	v := b.get("unit")
	one := units.MustParse("1")
	if !b.has("unit") {
		switch {
		case single:
			p.Unit = one
		case p.Table != "": // else it is told of, and may be that of single bits
			v.fault(b.line, "no unit in "+b.path, v.keys[v.key].Expects)
		}
		return
	}
	s, ok := v.scalar()
	if !ok {
		return
	}
	u, err := units.Parse(s)
	switch {
	case err != nil:
		expected := v.keys[v.key].Expects
		if near, ok := similarUnit(s); ok {
			expected += "; did you mean " + near + "?"
		}
		v.fault(v.line, fmt.Sprintf("the unknown unit %s for %s", quote(s), v.path), expected)
	case single && u != one:
		v.bad("the unit " + s)
	default:
		p.Unit = u
	}
}

// similarUnit finds a unit that differs in upper and lower case alone.
func similarUnit(s string) (string, bool) {
	for _, d := range units.Dimensions() {
		for _, symbol := range units.Symbols(d) {
			if strings.EqualFold(s, symbol) {
				return symbol, true
			}
		}
	}
	return "", false
}
