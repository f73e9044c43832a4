package config

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/units"
)

func (r *siteReader) residual(name string, v value) Residual {
	res := Residual{Point: name, At: v.line}
	p, ok := r.measuring(v, name, units.Concentration)
	b, _ := v.block()
	b.get("place").text(&res.Place)
	low, least := b.get("low"), b.get("least")
	res.Low = low.alarm(units.Concentration)
	if ok {
		reaches(low, p, or(res.Low.Limit, residualLow), units.MustParse("mg/L"))
	}
	r.alarmName(v, name+"-low")
	known := oneOf(b.get("rule"), &res.Rule, "surface-water", "ground-water") || !b.has("rule")
	quantity(least, &res.Least, units.Concentration, positive)
	if ground := res.Rule == "ground-water"; known && ground != b.has("least") {
		found := "least without the rule ground-water in " + v.path
		if ground {
			found = "the rule ground-water without least in " + v.path
		}
		v.fault(least.line, found, "both, or neither: for surface water the least is 0.2 mg/L")
	}
	if res.Rule != "" {
		for _, suffix := range []string{"-under", "-under-half", "-under-limit", "-grab-due", "-grab-overdue", "-back-due"} {
			r.alarmName(v, name+suffix)
		}
	}
	return res
}

func (r *siteReader) segment(name string, v value) Segment {
	s := Segment{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return s
	}
	r.refer(b.get("residual"), &s.Residual, units.Concentration)
	r.refer(b.get("ph"), &s.PH, units.Acidity)
	r.refer(b.get("temperature"), &s.Temperature, units.Temperature)
	r.refer(b.get("level"), &s.Level, units.Length)
	quantity(b.get("level_full"), &s.LevelFull, units.Length, positive)
	b.together("level", "level_full", "both, or neither for a constant volume")
	r.flows(b, &s)
	r.inlet(b, &s)
	quantity(b.get("no_residual_under"), &s.NoResidualUnder, units.Concentration, positive)
	s.readVolume(b)
	b.get("baffling_factor").number(&s.BafflingFactor, func(f float64) bool { return f > 0 && f <= 1 })
	giardia := b.get("giardia_log").number(&s.GiardiaLog, log)
	virus := b.get("virus_log").number(&s.VirusLog, log)
	if giardia && virus && s.GiardiaLog == 0 && s.VirusLog == 0 {
		v.fault(b.get("giardia_log").line, "giardia_log and virus_log both 0 in "+v.path, "one of them over 0: a segment that owes nothing has no inactivation ratio")
	}
	oneOf(b.get("method"), &s.Method, "table", "interpolate", "regression")
	quantity(b.get("target"), &s.Target, units.Ratio, positive)
	s.InactivationLow = b.get("inactivation_low").alarm(units.Ratio)
	s.RatioAheadLow = b.get("ratio_ahead_low").alarm(units.Ratio)
	r.alarmName(v, name+"-inactivation-low")
	r.alarmName(v, name+"-ratio-ahead-low")
	return s
}

// log tells whether a number of log inactivation makes sense.
func log(f float64) bool { return f >= 0 && f <= 10 }

// together tells of one of two keys that stands without the other.
func (b block) together(one, other, expected string) {
	if b.has(one) == b.has(other) {
		return
	}
	if b.has(other) {
		one, other = other, one
	}
	b.fault(b.get(one).line, fmt.Sprintf("%s without %s in %s", one, other, b.path), expected)
}

// instead tells of two keys that exclude each other.
func (b block) instead(one, other, expected string) bool {
	if !b.has(one) || !b.has(other) {
		return false
	}
	b.fault(b.get(other).line, fmt.Sprintf("%s beside %s in %s", other, one, b.path), expected)
	return true
}

// flows reads the flow out, or the flow in beside a level.
func (r *siteReader) flows(b block, s *Segment) {
	const expected = "flow, or inflow together with level"
	r.sum(b.get("flow"), &s.Flow)
	r.sum(b.get("inflow"), &s.Inflow)
	switch {
	case b.instead("flow", "inflow", "one of them: with both flow alone would count"):
	case b.has("inflow") && !b.has("level"):
		b.fault(b.get("inflow").line, "inflow without level in "+b.path, "flow: where the volume is constant as much flows out as in")
	case !b.has("flow") && !b.has("inflow"):
		b.fault(b.line, "no flow in "+b.path, expected)
	}
}

// sum reads the names of points whose flows add.
func (r *siteReader) sum(v value, dst *[]string) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	for part := range strings.SplitSeq(s, "+") {
		name := strings.TrimSpace(part)
		if slices.Contains(*dst, name) {
			v.bad(quote(name) + " twice")
		} else if _, ok := r.measuring(v, name, units.Flow); ok {
			*dst = append(*dst, name)
		}
	}
}

// inlet reads the analyser at the inlet, to compare with that of the outlet.
func (r *siteReader) inlet(b block, s *Segment) {
	in := b.get("residual_in")
	if _, ok := r.refer(in, &s.ResidualIn, units.Concentration); ok && s.ResidualIn == s.Residual {
		in.bad("the point of residual itself")
	}
	b.get("decay").rate(&s.Decay, units.Ratio)
	b.together("residual_in", "decay", "both, or neither")
	span(b.get("agree_within"), &s.AgreeWithin, units.Concentration, positive)
	if b.has("agree_within") && !b.has("residual_in") {
		b.fault(b.get("agree_within").line, "agree_within without residual_in in "+b.path, "it beside residual_in only")
	}
}

// readVolume reads a volume, or works that of a full pipe.
func (s *Segment) readVolume(b block) {
	var length, diameter units.Metres
	volume := quantity(b.get("volume"), &s.Volume, units.Volume, positive)
	long := quantity(b.get("length"), &length, units.Length, positive)
	wide := quantity(b.get("diameter"), &diameter, units.Length, positive)
	b.together("length", "diameter", "both, or neither for a volume")
	switch {
	case b.instead("volume", "length", "volume, or length and diameter of a full pipe"):
	case b.has("length") && b.has("level"):
		b.fault(b.get("level").line, "level beside length in "+b.path, "no level: a pipe counts as full")
	case !b.has("volume") && !b.has("length") && !b.has("diameter"):
		b.fault(b.line, "no volume in "+b.path, "volume, or length and diameter of a full pipe")
	case !volume && long && wide:
		v := math.Pi / 4 * float64(diameter) * float64(diameter) * float64(length)
		if !positive(v) {
			b.fault(b.get("length").line, "a pipe of no or of endless volume in "+b.path, "its length and its inner diameter")
			return
		}
		s.Volume = units.CubicMetres(v)
	}
}

func (r *siteReader) train(name string, v value, segments []Segment) Train {
	t := Train{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return t
	}
	t.readSegments(r, b.get("segments"), segments)
	filtration := b.get("filtration")
	oneOf(filtration, &t.Filtration, "none", "conventional", "direct", "slow-sand", "diatomaceous-earth")
	giardia := b.get("giardia_log").number(&t.GiardiaLog, log)
	virus := b.get("virus_log").number(&t.VirusLog, log)
	b.together("giardia_log", "virus_log", "both, or filtration in their place")
	switch {
	case b.instead("filtration", "giardia_log", "filtration, or giardia_log and virus_log"):
	case giardia && virus && t.GiardiaLog == 0 && t.VirusLog == 0:
		v.fault(b.get("giardia_log").line, "giardia_log and virus_log both 0 in "+v.path, "one of them over 0: a train that owes nothing has no inactivation ratio")
	case !b.has("filtration") && !b.has("giardia_log"):
		t.Filtration = "none"
	}
	t.InactivationLow = b.get("inactivation_low").alarm(units.Ratio)
	t.RatioAheadLow = b.get("ratio_ahead_low").alarm(units.Ratio)
	r.alarmName(v, name+"-inactivation-low")
	r.alarmName(v, name+"-ratio-ahead-low")
	return t
}

// readSegments reads the names of the segments of a train.
func (t *Train) readSegments(r *siteReader, v value, segments []Segment) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	var names []string
	for i := range segments {
		names = append(names, segments[i].Name)
	}
	for part := range strings.SplitSeq(s, ",") {
		switch name := strings.TrimSpace(part); {
		case slices.Contains(t.Segments, name):
			v.bad(quote(name) + " twice")
		case !slices.Contains(names, name):
			r.fault(v.line, "the unknown segment "+quote(name)+" for "+v.path, "the name of a segment"+r.such(name, names))
		default:
			t.Segments = append(t.Segments, name)
		}
	}
}

// days reads dates of the calendar.
func (v value) days() []time.Time {
	s, ok := v.scalar()
	if !ok {
		return nil
	}
	var out []time.Time
	for part := range strings.SplitSeq(s, ",") {
		part = strings.TrimSpace(part)
		d, err := time.Parse(time.DateOnly, part)
		if err != nil || slices.Contains(out, d) {
			v.bad(show(part))
			return nil
		}
		out = append(out, d)
	}
	return out
}
