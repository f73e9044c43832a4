package config

import (
	"fmt"
	"time"
	_ "time/tzdata" // a small machine may have no time zone database

	"go.yaml.in/yaml/v4"

	"ebbwatch/agent/units"
)

// siteReader reads a site from the root of its file. It reads lines before
// instruments and points before what refers to them, in whatever order the file
// has them, so that a reference can be checked at once.
type siteReader struct {
	*reader
	readFile func(string) ([]byte, error)
	lines    map[string]Line
	points   map[string]Point
	first    map[string]value // where that stands of which there may be one only
	// Names in the order of the file, for suggestions.
	lineNames   []string
	pointNames  []string
	byDimension map[units.Dimension][]string
	// later checks what refers to points that the file may have further down.
	later    []func()
	timeZone *time.Location // of the days that the file names
	staffed  bool
}

func (r *siteReader) site(root *yaml.Node) *Site {
	r.lines, r.points, r.first = map[string]Line{}, map[string]Point{}, map[string]value{}
	r.byDimension = map[units.Dimension][]string{}
	s := &Site{File: r.file}
	top, _ := value{reader: r.reader, node: root, line: root.Line}.block()
	top.get("site").name(&s.Name)
	top.get("title").text(&s.Title)
	top.get("time_zone").zone(&s.TimeZone)
	oneOf(top.get("units"), &s.Display, US, SI)
	if top.get("state_dir").text(&s.StateDir) {
		s.StateDir = r.beside(s.StateDir)
	}
	top.get("listen").listen(&s.Listen)
	s.Holidays = top.get("holidays").days()
	s.MQTT = r.mqtt(top.get("mqtt"))
	s.Lines = each(top.get("lines"), r.line)
	s.Instruments = each(top.get("instruments"), r.instrument)
	for _, check := range r.later {
		check()
	}
	s.Residuals = each(top.get("residuals"), r.residual)
	s.Segments = each(top.get("segments"), r.segment)
	s.Trains = each(top.get("trains"), func(name string, v value) Train { return r.train(name, v, s.Segments) })
	r.hours(top, s)
	s.ContainerKinds = each(top.get("container_kinds"), r.containerKind)
	s.Banks = each(top.get("banks"), func(name string, v value) Bank { return r.bank(name, v, s.ContainerKinds) })
	r.timeZone = s.TimeZone
	s.Detectors = each(top.get("detectors"), r.detector)
	s.Rooms = r.rooms(top.get("rooms"), s.Detectors)
	top.get("gas_notice_within").duration(&s.GasNoticeWithin, time.Second, 90*time.Second)
	if top.get("first_actions").text(&s.FirstActions) {
		s.FirstActions = r.beside(s.FirstActions)
	}
	s.Alarms = each(top.get("alarms"), r.alarm)
	s.AlarmRules = each(top.get("alarm_rules"), r.alarmRule)
	r.telling(top, s)
	s.HTTP = r.http(top.get("http"), s.Listen)
	s.Registers = r.registers(top.get("registers"))
	s.Recording = r.recording(top.get("recording"))
	return s
}

// each reads every entry of a mapping of names, in the order of the file.
func each[T any](v value, read func(name string, v value) T) []T {
	var out []T
	for _, e := range v.named() {
		out = append(out, read(e.word, e.value))
	}
	return out
}

// once tells of a thing that stands in the file a second time.
func (r *siteReader) once(v value, thing string) {
	before, ok := r.first[thing]
	if !ok {
		r.first[thing] = v
		return
	}
	r.fault(v.line, fmt.Sprintf("%s a second time, for %s", thing, v.path),
		fmt.Sprintf("it once; line %d has it already, for %s", before.line, before.path))
}

func (v value) zone(dst **time.Location) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	z, err := time.LoadLocation(s)
	if err != nil || s == "" || s == "Local" { // which depend on the machine
		v.bad(show(s))
		return
	}
	*dst = z
}
