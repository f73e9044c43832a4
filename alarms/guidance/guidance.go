// Package guidance has the words that tell people what to do first when chlorine
// gas is detected, by what stands in the room. They come from a language file that
// a site may replace.
package guidance

import (
	_ "embed"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

//go:embed en.txt
var english string

// English is the text of the language file that ebbwatch brings, to start from.
func English() string { return english }

// Words are the lines of a language file.
type Words struct {
	// Language is that of the file, such as en.
	Language string
	lines    map[string]string
}

// Version is that of the language file's form and names.
const Version = "1"

// maxLine bounds a sentence that is read aloud, in characters.
const maxLine = 300

// needed are the lines that no site may leave out.
var needed = []string{"plan", "call", "away", "alone", "informs"}

// known are the names that may stand in a text between braces.
var known = []string{"room", "kit", "container", "valves", "plugs", "kind"}

// Default are the words that ebbwatch brings.
func Default() Words {
	w, err := Parse("en.txt", english)
	if err != nil {
		panic(err) // a test reads it
	}
	return w
}

// Parse reads a language file. File is its name for messages. What it does not
// have keeps the words of ebbwatch. The error tells of every fault, with its line,
// what was found and what is expected.
func Parse(file, text string) (Words, error) {
	w := Words{lines: map[string]string{}}
	if file != "en.txt" || text != english {
		for k, v := range Default().lines {
			w.lines[k] = v
		}
	}
	names := append(ids(english), "version", "language")
	var faults []string
	fault := func(line int, found, expected string) {
		faults = append(faults, fmt.Sprintf("%s:%d: found %s, expected %s", file, line, found, expected))
	}
	version := ""
	seen := map[string]int{}
	number := 0
	for line := range strings.Lines(text) {
		number++
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		name, says, ok := strings.Cut(line, ":")
		name, says = strings.TrimSpace(name), strings.TrimSpace(says)
		switch {
		case !ok:
			fault(number, "a line without a colon", "name: text")
			continue
		case !slices.Contains(names, name):
			fault(number, fmt.Sprintf("the unknown name %.40q", name), "one of "+strings.Join(names, ", "))
			continue
		case seen[name] > 0:
			fault(number, name+" a second time", fmt.Sprintf("it once; line %d has it already", seen[name]))
			continue
		}
		seen[name] = number
		switch name {
		case "version":
			version = says
		case "language":
			w.Language = says
		default:
			if why := unfit(name, says); why != "" {
				fault(number, why, "one line of text of at most 300 characters with no names but {"+strings.Join(known, "}, {")+"}")
			}
			w.lines[name] = says
		}
	}
	if version != Version {
		fault(max(1, seen["version"]), fmt.Sprintf("version %.20q", version), "version: "+Version)
	}
	if w.Language == "" {
		fault(max(1, seen["language"]), "no language", "a line such as language: en")
	}
	if len(faults) > 0 {
		return Words{}, fmt.Errorf("%s", strings.Join(faults, "\n"))
	}
	return w, nil
}

// unfit tells why a text cannot be used, empty when it can.
func unfit(name, says string) string {
	if says == "" && slices.Contains(needed, name) {
		return "nothing for " + name + ", which may not be left out,"
	}
	if !utf8.ValidString(says) || strings.ContainsFunc(says, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return "a character for " + name + " that cannot be printed"
	}
	if utf8.RuneCountInString(says) > maxLine {
		return fmt.Sprintf("%d characters for %s", utf8.RuneCountInString(says), name)
	}
	rest := says
	for _, k := range known {
		rest = strings.ReplaceAll(rest, "{"+k+"}", "")
	}
	if strings.ContainsAny(rest, "{}") {
		return "an unknown name between braces for " + name
	}
	return ""
}

// ids lists the names of the lines of a language file, in its order.
func ids(text string) []string {
	var out []string
	for line := range strings.Lines(text) {
		if name, _, ok := strings.Cut(line, ":"); ok && line[0] != '#' && name != "version" && name != "language" {
			out = append(out, name)
		}
	}
	return out
}

// Kind is a kind of container.
type Kind string

// The kinds, as a site file has them.
const (
	Cylinder100 Kind = "cylinder-100"
	Cylinder150 Kind = "cylinder-150"
	Ton         Kind = "ton"
	TankCar     Kind = "tank-car"
)

// anatomy is what people must know of a container before they go near it. Valves
// and plugs of cylinders and ton containers: a city's procurement specification
// and a national regulation, see testdata/air/reference.json; kit classes and the
// tank car from memory. A tank car's count of valves is not told, since its source
// is memory alone.
var anatomy = map[Kind]struct {
	line, container, kit string
	valves, plugs        int
}{
	Cylinder100: {"anatomy-cylinder", "100-lb cylinder", "A", 1, 1},
	Cylinder150: {"anatomy-cylinder", "150-lb cylinder", "A", 1, 1},
	Ton:         {"anatomy-ton", "Ton container", "B", 2, 6},
	TankCar:     {"anatomy-tank-car", "Tank car", "C", 0, 0},
}

// FirstActions lists what to do first at a gas alarm of a room: level 1 is a
// warning, 2 and over is an alarm. The emergency plan is named first and the call
// for help before anything that lets people go near.
func (w Words) FirstActions(room string, contents []Kind, level int) []string {
	var out []string
	say := func(name string, pairs ...string) {
		text := w.lines[name]
		if text == "" {
			return
		}
		text = strings.NewReplacer(append(pairs, "{room}", room)...).Replace(text)
		if !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	say("plan")
	say("away")
	if level >= 2 {
		say("call")
	} else {
		say("call-early")
	}
	say("alone")
	say("apparatus")
	if level < 2 {
		say("look")
	}
	say("water")
	contents = slices.Compact(slices.Sorted(slices.Values(contents)))
	if len(contents) == 0 {
		say("unknown")
	}
	for _, k := range contents {
		a, ok := anatomy[k]
		if !ok {
			say("unknown")
			continue
		}
		fill := []string{"{container}", a.container, "{kind}", string(k), "{kit}", a.kit, "{valves}", count(a.valves), "{plugs}", count(a.plugs)}
		say("kit", fill...)
		say(a.line, fill...)
	}
	if slices.Contains(contents, Ton) {
		say("turn")
	}
	say("search")
	say("gasket")
	say("report")
	say("informs")
	return out
}

// AtTest is what to mind while a detector is tested.
func (w Words) AtTest() string { return w.lines["test"] }

func count(n int) string {
	return [...]string{"no", "one", "two", "three", "four", "five", "six"}[n]
}
