package config

import (
	"fmt"
	"slices"
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
	truth(b.get("urgent"), &in.Urgent)
	in.readUnreadable(b.get("unreadable"))
	in.Points = each(b.get("points"), func(name string, v value) Point {
		p := r.point(name, v, &in, line.Timeout)
		r.once(v, "the point "+name)
		if _, ok := r.points[name]; !ok {
			r.points[name] = p
			r.pointNames = append(r.pointNames, name)
			d := p.Unit.Dimension
			r.byDimension[d] = append(r.byDimension[d], name)
		}
		return p
	})
	periods := map[time.Duration]bool{}
	for _, p := range in.Points {
		periods[p.Every] = true
	}
	if v := b.get("points"); len(periods) > maxPeriods {
		v.fault(v.line, fmt.Sprintf("%d different periods of points in %s", len(periods), v.path), fmt.Sprintf("at most %d: each needs requests of its own", maxPeriods))
	}
	in.Lost = b.get("lost").alarm("")
	r.alarmName(v, name+"-lost")
	r.alarmName(v, name+"-doubtful")
	return in
}

// alarmName guards the names of alarms that end alike.
func (r *siteReader) alarmName(v value, name string) {
	if slices.Contains(ownNames, name) {
		r.fault(v.line, "the alarm name "+name+" for "+v.path, "another name; ebbwatch itself has an alarm of this name")
	}
	r.once(v, "the alarm name "+name)
}

// readUnreadable reads the addresses that no request may touch.
func (in *Instrument) readUnreadable(v value) {
	b, ok := v.block()
	if !ok {
		return
	}
	for _, t := range []Table{Coil, DiscreteInput, HoldingRegister, InputRegister} {
		v := b.get(string(t))
		s, ok := v.scalar()
		if !ok {
			continue
		}
		spans := parseSpans(t, s)
		if spans == nil || len(spans) > maxSpans {
			v.bad(show(s))
			continue
		}
		in.Unreadable = append(in.Unreadable, spans...)
	}
}

// parseSpans reads ranges of addresses, or nothing when one of them is none.
func parseSpans(t Table, s string) (spans []Span) {
	for part := range strings.SplitSeq(s, ",") {
		part = strings.TrimSpace(part)
		first, last, ok := strings.Cut(part, " to ")
		if !ok {
			last = first
		}
		from, ok1 := parseWhole(first)
		to, ok2 := parseWhole(last)
		if !ok1 || !ok2 || from < 0 || from > to || to >= maxPoint {
			return nil
		}
		spans = append(spans, Span{t, uint16(from), uint16(to)})
	}
	return spans
}

// point reads a point of an instrument on a line with a timeout.
func (r *siteReader) point(name string, v value, in *Instrument, timeout time.Duration) Point {
	p := Point{Name: name, At: v.line, Every: in.Every, StaleAfter: in.StaleAfter}
	b, ok := v.block()
	if !ok {
		return p
	}
	if b.get("every").duration(&p.Every, 100*time.Millisecond, 24*time.Hour) {
		p.StaleAfter = max(3*p.Every, p.Every+2*timeout)
	}
	b.get("stale_after").duration(&p.StaleAfter, p.Every, 7*24*time.Hour)
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
	for _, s := range in.Unreadable {
		if addressed && p.Table == s.Table && n <= int(s.To) && n+max(size, 1) > int(s.From) {
			address.fault(address.line, fmt.Sprintf("%d for %s, which reaches into the unreadable %d to %d", n, address.path, s.From, s.To),
				"a point outside, or its addresses left out of unreadable")
			break
		}
	}
	p.readStatus(r, b.get("status"))
	order := b.get("order")
	switch {
	case bits && b.has("order"):
		order.bad("a byte order on a " + string(p.Table))
	case p.Type == "text":
		oneOf(order, &p.Order, "ABCD", "BADC")
	default:
		oneOf(order, &p.Order, "ABCD", "CDAB", "BADC", "DCBA")
	}
	if p.Type == "text" {
		p.readText(b)
		return p
	}
	for _, name := range []string{"registers", "expect"} {
		if v := b.get(name); b.has(name) && p.Type != "" {
			v.bad(name + " of a " + p.Type)
		}
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
		b.refuse("a single bit", "it with whole registers only", "bits", "no_reading", "from", "current", "bands", "to", "rate_limit", "stuck_after", "stuck_within")
	}
	p.readScale(b, single)
	p.readUnit(b, single)
	if !b.has("current") {
		b.get("range").pair(&p.Range, ascending)
	}
	if !single && !p.Unit.IsZero() {
		p.readMotion(b)
	}
	return p
}

// refuse tells of keys that do not go with what a point is.
func (b block) refuse(of, expected string, names ...string) {
	for _, name := range names {
		if v := b.get(name); b.has(name) {
			v.fault(v.line, fmt.Sprintf("%s of %s for %s", name, of, v.path), expected)
		}
	}
}

// readText reads what a point of type text has instead of a scale and a unit.
func (p *Point) readText(b block) {
	p.Scale, p.Unit = 1, units.MustParse("1")
	b.refuse("a text", "it with numbers only", "bit", "bits", "no_reading", "scale", "offset", "from", "current", "bands", "to", "unit", "range",
		"rate_limit", "stuck_after", "stuck_within")
	v := b.get("expect")
	s, ok := v.scalar()
	if !ok {
		return
	}
	for text := range strings.SplitSeq(s, " or ") {
		text = strings.TrimRight(text, " ") // as the instrument's own are
		if text == "" || p.Registers > 0 && len(text) > 2*p.Registers || strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' }) {
			v.bad(quote(text))
			return
		}
		p.Expect = append(p.Expect, text)
	}
}

// readType reads the type and returns how many registers it needs, 0 when it
// is not known.
func (p *Point) readType(b block, bits bool) int {
	v := b.get("type")
	registers := []string{"int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64", "bcd16", "bcd32", "text"}
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
	case p.Type == "text":
		n := b.get("registers")
		if !b.has("registers") {
			n.fault(b.line, "no registers in "+b.path, n.keys[n.key].Expects)
		}
		n.whole(&p.Registers, between(1, 125))
		return p.Registers
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
