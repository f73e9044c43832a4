package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/units"
)

// The limits and deadbands that hold where a site file gives none. They are
// those of the alarm catalogue, repeated here because what a site file does
// give must make sense beside them; a test compares the two.
const (
	residualLow, residualLowDeadband       = 0.2, 0.02 // mg/L
	withdrawalHigh, withdrawalHighDeadband = 1, 0.05
	emptyNotice, emptyUrgent               = 48 * 3600, 8 * 3600 // s
	level1, level1Deadband                 = 0.5, 0.1            // ppm
	level2, level2Deadband                 = 1, 0.2              // ppm
)

const longest = 3650 * 24 * time.Hour // for a time until empty

// slowestDetector is how seldom a detector may be read. Common practice, no
// source.
const slowestDetector = 10 * time.Second

// measuring resolves the name of a point that must measure d.
func (r *siteReader) measuring(v value, name string, d units.Dimension) (Point, bool) {
	p, ok := r.points[name]
	var found string
	switch {
	case !ok && len(r.points) == 0: // told of
		return p, false
	case !ok:
		found = "the unknown point " + quote(name)
	case p.Unit.IsZero(): // told of
		return p, false
	case p.Unit.Dimension != d:
		found = fmt.Sprintf("the point %s, which measures %s,", name, p.Unit.Dimension)
	default:
		return p, true
	}
	r.fault(v.line, found+" for "+v.path, onePoint+string(d)+r.such(name, r.byDimension[d]))
	return p, false
}

// refer reads the name of a point that must measure d.
func (r *siteReader) refer(v value, dst *string, d units.Dimension) (Point, bool) {
	s, ok := v.scalar()
	if !ok {
		return Point{}, false
	}
	*dst = s
	return r.measuring(v, s, d)
}

// such ends an expectation with the names that come closest, but for those that
// are faults themselves. A file with very many faults gets none: to compare each
// with all names would take minutes.
func (r *reader) such(name string, names []string) string {
	if len(names) > 0 && len(r.faults) > manyFaults {
		return ""
	}
	names = slices.DeleteFunc(slices.Clone(names), func(n string) bool { return !isName(n) })
	if len(names) == 0 {
		return ", of which there is none"
	}
	return " such as " + strings.Join(nearest(name, names), ", ")
}

// alarm reads an alarm whose limit has dimension d; with no dimension it has
// neither limit nor deadband.
func (v value) alarm(d units.Dimension) AlarmSetting {
	var a AlarmSetting
	b, ok := v.block()
	if !ok {
		return a
	}
	var limit, deadband float64
	var on, off, t time.Duration
	switch d {
	case "":
	case units.Time:
		if b.get("limit").duration(&t, 1, longest) {
			limit = t.Seconds()
			a.Limit = &limit
		}
		if b.get("deadband").duration(&t, 0, longest) {
			deadband = t.Seconds()
			a.Deadband = &deadband
		}
	default:
		if quantity(b.get("limit"), &limit, d, positive) {
			a.Limit = &limit
		}
		if span(b.get("deadband"), &deadband, d, notNegative) {
			a.Deadband = &deadband
		}
	}
	if b.get("on_delay").duration(&on, 0, 24*time.Hour) {
		a.OnDelay = &on
	}
	if b.get("off_delay").duration(&off, 0, 24*time.Hour) {
		a.OffDelay = &off
	}
	return a
}

// or is the given value, or the one that holds without it.
func or(given *float64, otherwise float64) float64 {
	if given != nil {
		return *given
	}
	return otherwise
}

// clears tells of a high alarm that could never clear.
func clears(v value, a AlarmSetting, limit, deadband float64) {
	if l, d := or(a.Limit, limit), or(a.Deadband, deadband); d >= l {
		v.fault(v.line, fmt.Sprintf("a deadband of %.4g at a limit of %.4g for %s", d, l, v.path),
			fmt.Sprintf("a deadband under the limit, or the alarm never clears; absent, they are %.4g and %.4g", deadband, limit))
	}
}

// reaches tells of a limit that the instrument cannot show a value beyond.
func reaches(v value, p Point, limit float64, shown units.Unit) {
	if p.Range == nil {
		return
	}
	if at := p.Unit.FromSI(limit); at <= p.Range[0] || at >= p.Range[1] {
		v.fault(v.line, fmt.Sprintf("a limit of %.4g %s for %s, which %s cannot pass", shown.FromSI(limit), shown, v.path, p.Name),
			fmt.Sprintf("a limit inside its range of %g to %g %s", p.Range[0], p.Range[1], p.Unit))
	}
}

func (r *siteReader) detector(name string, v value) Detector {
	d := Detector{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return d
	}
	for _, alarm := range []string{"-level-1", "-level-2", "-unavailable"} {
		r.alarmName(v, name+alarm)
	}
	b.get("room").name(&d.Room)
	gas, first, second := b.get("concentration"), b.get("level_1"), b.get("level_2")
	d.Level1, d.Level2 = first.alarm(units.GasInAir), second.alarm(units.GasInAir)
	clears(first, d.Level1, level1, level1Deadband)
	clears(second, d.Level2, level2, level2Deadband)
	one, two := or(d.Level1.Limit, level1), or(d.Level2.Limit, level2)
	if one >= two {
		v.fault(second.line, fmt.Sprintf("a level_1 limit of %.4g ppm at a level_2 limit of %.4g ppm for %s", one, two, v.path),
			"the limit of level_1 under that of level_2; absent, they are 0.5 ppm and 1 ppm")
	}
	if p, ok := r.refer(gas, &d.Concentration, units.GasInAir); ok {
		r.once(gas, "the sensor "+d.Concentration)
		reaches(first, p, one, units.MustParse("ppm"))
		reaches(second, p, two, units.MustParse("ppm"))
		if p.Every > slowestDetector {
			gas.bad(fmt.Sprintf("%s, read every %s,", d.Concentration, p.Every))
		}
	}
	d.Unavailable = b.get("unavailable").alarm("")
	p, known := r.points[d.Concentration]
	d.Sensor = r.sensor(name, v, b, two, p, known)
	return d
}
