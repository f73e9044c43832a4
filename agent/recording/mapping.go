package recording

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Mapping tells how a history that a plant already has is to be read. It comes in
// two shapes: a row for each reading, with the columns point and value, or a row for
// each time, with a column for each point.
type Mapping struct {
	file string
	// time, point, value and quality are columns; point and value are empty when
	// there is a column for each point, quality also where all are good.
	time, point, value, quality string
	format                      string // of the time, empty for RFC 3339
	layout                      string // of package time, for a format that has one
	zoned                       bool   // the format names the zone
	zone                        *time.Location
	separator, decimal          rune
	missing                     []string
	qualities                   map[string]reading.Quality
	points                      []mapped
}

// mapped is a name of the file, the point it stands for, and its unit there, empty
// for that of the site.
type mapped struct {
	name, point, unit string
	line              int
}

const (
	maxMapping   = 1 << 20 // bytes
	aMappingFile = "a mapping, YAML text with the keys time and points"
	formats      = "rfc3339, unix, unix-ms, or a pattern of YYYY or YY, MM or MON, DD, hh, mm, and also ss, AM or ZONE, such as MM/DD/YYYY hh:mm"
)

// mappingKeys are the keys of a mapping, with what each expects.
var mappingKeys = []struct{ name, expects string }{
	{"time", "the name of the column that has the time"},
	{"time_format", formats},
	{"zone", "a name from the IANA time zone database such as America/Denver, or for a clock that never changes an offset such as -07:00"},
	{"separator", `the one character between two fields, such as ";"`},
	{"decimal", `"." or ","`},
	{"missing", `texts that stand where there is no value, such as ["---", "NaN"]`},
	{"point", "the name of the column that has the names of points"},
	{"value", "the name of the column that has the values"},
	{"quality", "the name of the column that has the quality"},
	{"qualities", "the file's words for the quality, each with good, uncertain:reason or bad:reason"},
	{"points", `the file's names of points, each with the point of the site, and its unit in the file where that is another: "plant-flow gpm"`},
}

// ParseMapping reads a mapping, YAML. Name is for messages. The error is a *Fault.
func ParseMapping(name string, data []byte) (*Mapping, error) {
	m := &Mapping{file: name, zone: time.UTC, separator: ',', decimal: '.'}
	root, err := m.tree(data)
	if err != nil {
		return nil, err
	}
	given := map[string]int{}
	for pair := range slices.Chunk(root.Content, 2) {
		key, v := pair[0], pair[1]
		if line, twice := given[key.Value]; twice {
			return nil, m.fault(key, quote(key.Value)+" a second time", fmt.Sprintf("it once; it stands in line %d already", line))
		}
		given[key.Value] = key.Line
		if err := m.read(key, v); err != nil {
			return nil, err
		}
	}
	long := m.point != "" && m.value != ""
	switch {
	case m.time == "":
		return nil, m.fault(root, "no time", expects("time"))
	case m.points == nil:
		return nil, m.fault(root, "no points", expects("points"))
	case (m.point == "") != (m.value == ""):
		return nil, m.fault(root, "one of point and value alone", "both, for a row for each reading, or neither, for a column for each point")
	case !long && (m.quality != "" || m.qualities != nil):
		return nil, m.fault(root, "a quality without point and value", "no quality where there is a column for each point: an empty field is no reading")
	case m.qualities != nil && m.quality == "":
		return nil, m.fault(root, "qualities without quality", expects("quality"))
	case m.zoned && given["zone"] > 0:
		return nil, m.fault(root, "zone beside ZONE in time_format", "one of the two")
	case m.layout == "" && given["zone"] > 0:
		return nil, m.fault(root, "zone beside times that name theirs", "zone together with a time_format that names none")
	case m.layout != "" && !m.zoned && given["zone"] == 0:
		return nil, m.fault(root, "no zone", expects("zone")+", since the times name none")
	case m.separator == m.decimal:
		return nil, m.fault(root, "the same character as separator and as decimal", "two different ones")
	}
	return m, nil
}

// tree parses YAML and returns the mapping at its root.
func (m *Mapping) tree(data []byte) (*yaml.Node, error) {
	if len(data) > maxMapping {
		return nil, &Fault{m.file, 0, "a file of over 1 MiB", aMappingFile}
	}
	var doc yaml.Node
	if err := yaml.Load(data, &doc); err != nil {
		return nil, &Fault{m.file, 0, "a text that is not YAML (" + strings.ReplaceAll(err.Error(), "\n", " ") + ")", aMappingFile}
	}
	if len(doc.Content) == 0 || doc.Content[0].Kind != yaml.MappingNode {
		return nil, &Fault{m.file, 1, "no key", aMappingFile}
	}
	return doc.Content[0], nil
}

func (m *Mapping) fault(n *yaml.Node, found, expected string) *Fault {
	return &Fault{m.file, n.Line, found, expected}
}

func expects(key string) string {
	for _, k := range mappingKeys {
		if k.name == key {
			return k.expects
		}
	}
	return ""
}

// read reads the value of one key.
func (m *Mapping) read(key, v *yaml.Node) error {
	bad := func(n *yaml.Node) error {
		return m.fault(n, quote(n.Value)+" for "+key.Value, expects(key.Value))
	}
	text := func(to *string) error {
		if v.Kind != yaml.ScalarNode || v.Value == "" {
			return bad(v)
		}
		*to = v.Value
		return nil
	}
	one := func(to *rune, allowed func(rune) bool) error {
		c, n := utf8.DecodeRuneInString(v.Value)
		if v.Kind != yaml.ScalarNode || n == 0 || n != len(v.Value) || !allowed(c) {
			return bad(v)
		}
		*to = c
		return nil
	}
	switch key.Value {
	case "time":
		return text(&m.time)
	case "point":
		return text(&m.point)
	case "value":
		return text(&m.value)
	case "quality":
		return text(&m.quality)
	case "time_format":
		if err := text(&m.format); err != nil {
			return err
		}
		switch m.format {
		case "rfc3339", unixSeconds, unixMilliseconds:
			return nil
		}
		var ok bool
		if m.layout, m.zoned, ok = layoutOf(m.format); !ok {
			return bad(v)
		}
	case "zone":
		var err error
		if m.zone, err = parseZone(v.Value); err != nil || v.Kind != yaml.ScalarNode {
			return bad(v)
		}
	case "separator":
		return one(&m.separator, func(r rune) bool { return r != '"' && r != '\r' && r != '\n' && r != utf8.RuneError })
	case "decimal":
		return one(&m.decimal, func(r rune) bool { return r == '.' || r == ',' })
	case "missing":
		if v.Kind != yaml.SequenceNode {
			return bad(v)
		}
		for _, n := range v.Content {
			if n.Kind != yaml.ScalarNode {
				return bad(n)
			}
			m.missing = append(m.missing, n.Value)
		}
	case "qualities":
		m.qualities = map[string]reading.Quality{}
		return m.each(key, v, func(word string, n *yaml.Node) error {
			q, err := reading.ParseQuality(n.Value)
			if err != nil || q.Level != reading.Good && q.Reason == "" {
				return bad(n)
			}
			m.qualities[word] = q
			return nil
		})
	case "points":
		return m.each(key, v, func(name string, n *yaml.Node) error {
			words := strings.Fields(n.Value)
			if len(words) == 0 || len(words) > 2 {
				return bad(n)
			}
			m.points = append(m.points, mapped{name, words[0], strings.Join(words[1:], ""), n.Line})
			return nil
		})
	default:
		var names []string
		for _, k := range mappingKeys {
			names = append(names, k.name)
		}
		return m.fault(key, "the unknown key "+quote(key.Value), "one of "+strings.Join(names, ", "))
	}
	return nil
}

// each reads a block of texts.
func (m *Mapping) each(key, v *yaml.Node, read func(word string, n *yaml.Node) error) error {
	if v.Kind != yaml.MappingNode || len(v.Content) == 0 {
		return m.fault(v, quote(v.Value)+" for "+key.Value, expects(key.Value))
	}
	seen := map[string]bool{}
	for pair := range slices.Chunk(v.Content, 2) {
		if seen[pair[0].Value] {
			return m.fault(pair[0], quote(pair[0].Value)+" a second time in "+key.Value, "it once")
		}
		seen[pair[0].Value] = true
		if pair[1].Kind != yaml.ScalarNode {
			return m.fault(pair[1], "no text for "+quote(pair[0].Value)+" in "+key.Value, expects(key.Value))
		}
		if err := read(pair[0].Value, pair[1]); err != nil {
			return err
		}
	}
	return nil
}

// apply lets a reader read by the mapping.
func (m *Mapping) apply(r *Reader, row []string, points Points) error {
	var wrong *Fault
	at := func(name string) int {
		if name == "" {
			return -1
		}
		i := slices.Index(row, name)
		switch {
		case wrong != nil:
		case i < 0:
			wrong = r.fault("the columns "+quote(strings.Join(row, string(m.separator))), "also the column "+quote(name)+", as "+m.file+" says")
		case slices.Contains(row[i+1:], name):
			wrong = r.fault("the column "+quote(name)+" twice", "it once")
		}
		return i
	}
	r.columns = columns{at(m.time), at(m.point), at(m.value), at(m.quality), -1}
	for _, p := range m.points {
		k, err := m.known(p, points)
		if err != nil {
			return err
		}
		r.points[p.name] = k
		if m.point == "" {
			r.wide = append(r.wide, wideColumn{at(p.name), k})
		}
	}
	switch {
	case wrong != nil:
		return wrong
	case m.format == unixSeconds:
		r.parse, r.accepted = func(s string) (time.Time, error) { return unixTime(s, time.Second) }, "seconds since 1970 UTC, such as 1795615500"
	case m.format == unixMilliseconds:
		r.parse, r.accepted = func(s string) (time.Time, error) { return unixTime(s, time.Millisecond) }, "milliseconds since 1970 UTC, such as 1795615500000"
	case m.zoned:
		r.parse, r.accepted = func(s string) (time.Time, error) { return time.Parse(m.layout, s) }, "a time written as "+m.format
	case m.layout != "":
		r.local = &localTimes{layout: m.layout, zone: m.zone}
		r.parse, r.accepted = r.local.parse, "a time written as "+m.format
	}
	return nil
}

// known is the point of the site behind a name of the file.
func (m *Mapping) known(p mapped, points Points) (known, error) {
	own, ok := points[p.point]
	if !ok {
		return known{}, &Fault{m.file, p.line, "the point " + quote(p.point) + " for " + quote(p.name), "the name of a point of the site; ebbwatch check lists them"}
	}
	if p.unit == "" {
		return known{p.point, own}, nil
	}
	if u, err := units.Parse(p.unit); err == nil && u.Dimension == own.Dimension {
		return known{p.point, u}, nil
	}
	return known{}, &Fault{m.file, p.line, "the unit " + quote(p.unit) + " for " + quote(p.name), "one of " + strings.Join(units.Symbols(own.Dimension), ", ")}
}
