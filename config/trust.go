package config

import (
	"fmt"
	"strings"
	"time"

	"ebbwatch/agent/units"
)

// readMotion reads how fast a value may change, and how long it may stand
// still.
func (p *Point) readMotion(b block) {
	d := p.Unit.Dimension
	if v := b.get("rate_limit"); d == units.GasInAir && b.has("rate_limit") {
		v.bad("a limit of gas in air")
	} else {
		v.rate(&p.RateLimit, d)
	}
	after := b.get("stuck_after")
	if after.duration(&p.StuckAfter, time.Minute, 30*24*time.Hour) && p.StuckAfter < 3*p.Every {
		after.bad(fmt.Sprintf("%s at a period of %s", show(after.node.Value), p.Every))
	}
	within := b.get("stuck_within")
	if b.has("stuck_within") && !b.has("stuck_after") {
		within.fault(within.line, "stuck_within without stuck_after in "+b.path, within.keys[within.key].Expects)
	}
	span(within, &p.StuckWithin, d, notNegative)
}

// rate reads a change per time, such as 0.5 mg/L per min, in SI units a second.
func (v value) rate(dst *float64, d units.Dimension) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	change, per, _ := strings.Cut(s, " per ")
	f, u, err := units.ParseQuantity(strings.TrimSpace(change))
	if n, bare := parseNumber(strings.TrimSpace(change)); bare && d == units.Ratio {
		f, u, err = n, units.MustParse("1"), nil
	}
	t, err2 := units.Parse(strings.TrimSpace(per))
	if err != nil || err2 != nil || u.Dimension != d || t.Dimension != units.Time {
		v.bad(show(s))
		return
	}
	keep(v, dst, u.SpanSI(f)/t.SpanSI(1), positive)
}

// readStatus reads the points that tell how far this one can be trusted. They
// may stand anywhere in the file, so they are looked up when all is read.
func (p *Point) readStatus(r *siteReader, v value) {
	if v.node == nil {
		return
	}
	owner := p.Name
	p.Status = each(v, func(name string, v value) Status {
		s := Status{Point: name}
		b, ok := v.block()
		if !ok {
			return s
		}
		when := b.get("when")
		known := when.number(&s.When, func(float64) bool { return true })
		oneOf(b.get("quality"), &s.Quality, "bad", "uncertain")
		oneOf(b.get("means"), &s.Means, "fault", "maintenance", "warming-up")
		r.later = append(r.later, func() { r.status(owner, v, when, s, known) })
		return s
	})
}

// status checks that the point that a status names can tell it.
func (r *siteReader) status(owner string, v, when value, s Status, known bool) {
	other, ok := r.points[s.Point]
	switch {
	case !ok:
		v.fault(v.line, fmt.Sprintf("the unknown point %s for %s", quote(s.Point), v.path), "the name of another point"+r.such(s.Point, r.pointNames))
	case s.Point == owner:
		v.bad("the point itself")
	case other.Unit.IsZero(): // told of
	case other.Unit != units.MustParse("1"):
		v.bad(fmt.Sprintf("the point %s, which measures %s,", s.Point, other.Unit.Dimension))
	case known && (other.Type == "text" || other.Type == "bit" || other.Bit != nil):
		if no, yes := other.Offset, other.Offset+other.Scale; s.When != no && s.When != yes {
			when.fault(when.line, fmt.Sprintf("%g for %s", s.When, when.path), fmt.Sprintf("%g or %g, which %s shows", no, yes, s.Point))
		}
	}
}
