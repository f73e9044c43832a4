package config

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.yaml.in/yaml/v4"

	"ebbwatch/agent/units"
)

// badFiles are files with one fault each, and a few with many. Their first
// lines tell what is expected: # want: <line>: found …, expected ….
func badFiles(t testing.TB) []string {
	t.Helper()
	files, err := filepath.Glob(sites + "bad/*.yaml")
	if err != nil || len(files) < 100 {
		t.Fatalf("%d faulty site files, %v; expected over 100", len(files), err)
	}
	return files
}

func TestBadFiles(t *testing.T) {
	for _, file := range badFiles(t) {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".yaml"), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var want []string
			for line := range strings.Lines(string(data)) {
				text, ok := strings.CutPrefix(line, "# want: ")
				if !ok {
					break
				}
				want = append(want, file+":"+strings.TrimSuffix(text, "\n"))
			}
			if len(want) == 0 {
				t.Fatal("the file does not begin with # want:")
			}
			site, err := Load(file)
			if err == nil || site != nil {
				t.Fatalf("site %v, error %v; expected an error alone", site, err)
			}
			if d := cmp.Diff(want, strings.Split(err.Error(), "\n")); d != "" {
				t.Errorf("(-expected +got)\n%s", d)
			}
			if strings.Contains(err.Error(), "hunter2") {
				t.Error("the error shows the password")
			}
			if len(want) == 1 && strings.HasPrefix(filepath.Base(file), "many") {
				t.Error("expected many faults")
			}
		})
	}
}

func TestManyFaultsAreListedAtOnce(t *testing.T) {
	_, err := Load(sites + "bad/many.yaml")
	var faults Faults
	if !errors.As(err, &faults) || len(faults) < 5 {
		t.Fatalf("%d faults, expected 5 and more: %v", len(faults), err)
	}
	if !slices.IsSortedFunc(faults, func(a, b Fault) int { return a.Line - b.Line }) {
		t.Errorf("faults are not sorted by line:\n%v", err)
	}
}

func TestFilesOfTheWrongKind(t *testing.T) {
	dir := t.TempDir()
	file := func(name, content string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	good := read(t, "minimal.yaml")
	const expected = `, expected an ebbwatch site file, YAML text that starts with "ebbwatch: 1"`
	for _, tc := range []struct{ reason, path, want string }{
		{"a folder", dir, ": found a folder"},
		{"no file", filepath.Join(dir, "none.yaml"), ": found no such file"},
		{"a program", file("elf", "\x7fELF\x02\x01\x01\x00"), ":1: found a byte 0x7f, which is not text in UTF-8"},
		{"a byte of zero in the third line", file("nul", "ebbwatch: 1\nsite: a\nb\x00"), ":3: found a byte 0x00, which is not text in UTF-8"},
		{"UTF-16", file("utf16", "\xff\xfee\x00"), ":1: found a byte 0xff, which is not text in UTF-8"},
		{"Latin-1", file("latin1", "ebbwatch: 1\ntitle: Caf\xe9\n"), ":2: found a byte 0xe9, which is not text in UTF-8"},
		{"a huge file", file("huge", good+strings.Repeat("#", 1<<20)), ": found a file of over 1 MiB"},
		{"an empty file", file("empty", ""), ":1: found an empty file"},
		{"an empty document", file("dashes", "---\n"), ":1: found nothing"},
		{"deep nesting", file("deep", strings.Repeat("[", 20000)), ""},
	} {
		site, err := Load(tc.path)
		var faults Faults
		if !errors.As(err, &faults) || len(faults) != 1 || site != nil {
			t.Errorf("%s: %v, expected one fault", tc.reason, err)
		} else if want := tc.path + tc.want + expected; tc.want != "" && err.Error() != want {
			t.Errorf("%s:\n got %s\nwant %s", tc.reason, err, want)
		}
	}
	if _, err := Load(file("full", good+strings.Repeat("#", 1<<20-len(good)))); err != nil {
		t.Errorf("a file of exactly 1 MiB: %v", err)
	}
	if _, err := Load(file("bom", "\ufeff"+strings.ReplaceAll(good, "\n", "\r\n"))); err != nil {
		t.Errorf("a file with a byte order mark and line ends of two bytes: %v", err)
	}
}

// at finds the mapping that holds a key of Keys in a document, and the index of
// the key in it, -1 when it is absent. A * is the first entry that has the rest.
func at(n *yaml.Node, path []string) (*yaml.Node, int) {
	for i := 0; n.Kind == yaml.MappingNode && i < len(n.Content); i += 2 {
		if path[0] != "*" && n.Content[i].Value != path[0] {
			continue
		}
		if len(path) == 1 {
			return n, i
		}
		if m, j := at(n.Content[i+1], path[1:]); j >= 0 {
			return m, j
		}
	}
	return nil, -1
}

// parseEdited parses every-key.yaml after an edit of one key.
func parseEdited(t *testing.T, path string, edit func(m *yaml.Node, i int)) (*Site, error) {
	t.Helper()
	var doc yaml.Node
	if err := yaml.Load([]byte(read(t, "every-key.yaml")), &doc); err != nil {
		t.Fatal(err)
	}
	m, i := at(doc.Content[0], strings.Split(path, "."))
	if i < 0 {
		t.Fatalf("every-key.yaml lacks %s", path)
	}
	edit(m, i)
	data, err := yaml.Dump(&doc)
	if err != nil {
		t.Fatal(err)
	}
	return Parse("site.yaml", data, ParseOptions{})
}

// TestEachKeyIsStrict proves for every key that it is read (a value of the wrong
// type is told of, in the words of Keys), and that it is required or has its
// default as Keys says.
func TestEachKeyIsStrict(t *testing.T) {
	for _, k := range Keys() {
		if k.Expects == "" || k.Required && k.Default != "" {
			t.Errorf("%s: %+v makes no sense", k.Path, k)
		}
		list := &yaml.Node{Kind: yaml.SequenceNode, Content: []*yaml.Node{{Kind: yaml.ScalarNode, Value: "x"}}}
		_, err := parseEdited(t, k.Path, func(m *yaml.Node, i int) { m.Content[i+1] = list })
		expected := ", expected " + k.Expects
		if err == nil || !strings.Contains(err.Error(), "found a list for ") && k.Path != "ebbwatch" || !strings.Contains(err.Error(), expected) {
			t.Errorf("%s as a list: error %v, expected one that ends %q", k.Path, err, expected)
		}
		remove := func(m *yaml.Node, i int) { m.Content = slices.Delete(m.Content, i, i+2) }
		name := k.Path[strings.LastIndexByte(k.Path, '.')+1:]
		absent, err := parseEdited(t, k.Path, remove)
		switch {
		case k.Required:
			if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("found no %s in ", name)) && k.Path != "ebbwatch" {
				t.Errorf("without %s: error %v, expected one that says so", k.Path, err)
			}
		case k.Default != "":
			spelt, err2 := parseEdited(t, k.Path, func(m *yaml.Node, i int) {
				m.Content[i+1] = &yaml.Node{Kind: yaml.ScalarNode, Value: k.Default}
			})
			if err != nil || err2 != nil {
				t.Errorf("%s: without it %v, with its default %v", k.Path, err, err2)
			} else if d := cmp.Diff(spelt, absent, compare(), ignoreAt()); d != "" {
				t.Errorf("%s: spelt out and absent differ:\n%s", k.Path, d)
			}
			// The file has another value, or the check above proves nothing.
			if file, _ := parseEdited(t, k.Path, func(*yaml.Node, int) {}); cmp.Equal(file, absent, compare(), ignoreAt()) {
				t.Errorf("every-key.yaml has %s at its default", k.Path)
			}
		}
	}
}

func ignoreAt() cmp.Option {
	return cmp.FilterPath(func(p cmp.Path) bool { return p.Last().String() == ".At" }, cmp.Ignore())
}

func TestUnknownNamesFindTheirNeighbours(t *testing.T) {
	for _, tc := range []struct {
		a, b string
		want int
	}{
		{"", "abc", 3}, {"unit", "unit", 0}, {"unti", "unit", 1}, {"kitten", "sitting", 3}, {"flow", "", 4}, {"ca", "abc", 3},
	} {
		if got := distance(tc.a, tc.b); got != tc.want {
			t.Errorf("%q and %q are %d apart, expected %d", tc.a, tc.b, got, tc.want)
		}
	}
	got := nearest("plant-flw", []string{"zinc", "well-flow", "plant-flow", "plant-flow-2"})
	if want := []string{"plant-flow", "plant-flow-2", "well-flow"}; !slices.Equal(got, want) {
		t.Errorf("nearest are %v, expected %v", got, want)
	}
}

// Each suggestion compares a name with all others, which takes minutes in a file
// of 1 MiB that is nothing but faults.
func TestVeryManyFaultsComeWithoutSuggestions(t *testing.T) {
	var b strings.Builder
	b.WriteString(read(t, "minimal.yaml"))
	b.WriteString("segments:\n")
	for i := range 3 * manyFaults {
		fmt.Fprintf(&b, "  s%d: {flow: residual-entri, residual: residual-entri}\n", i)
	}
	_, err := Parse("site.yaml", []byte(b.String()), ParseOptions{})
	faults, _ := err.(Faults)
	if n := strings.Count(fmt.Sprint(err), "such as residual-entry"); len(faults) < 6*manyFaults || n == 0 || n > manyFaults {
		t.Errorf("%d faults, %d with a suggestion; expected at most %d", len(faults), n, manyFaults)
	}
}

func FuzzParse(f *testing.F) {
	for _, name := range []string{"kestrel-ridge.yaml", "minimal.yaml", "every-key.yaml"} {
		f.Add([]byte(read(f, name)))
	}
	for _, file := range badFiles(f) {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	for _, s := range []string{"", "ebbwatch: 1", "ebbwatch: 1\n? [a]\n: b", "ebbwatch: 1\n...\n--- x", "ebbwatch: &a [*a]", "ebbwatch: 1\nlines: {\"\\n\": 1}"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		site, err := Parse("site.yaml", data, ParseOptions{})
		if (site == nil) == (err == nil) {
			t.Fatalf("site %v, error %v; expected one of them", site, err)
		}
		if err == nil {
			checkSite(t, site)
			return
		}
		faults, ok := err.(Faults)
		if !ok || len(faults) == 0 {
			t.Fatalf("an error of type %v with %d faults", reflect.TypeOf(err), len(faults))
		}
		last := strings.Count(string(data), "\n") + 1
		for _, fault := range faults {
			text := fault.String()
			if fault.Line < 1 && len(data) <= maxFile || fault.Line > last {
				t.Errorf("a fault in line %d of %d: %s", fault.Line, last, text)
			}
			if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' }) || len(text) > 2500 {
				t.Errorf("a message of several lines or %d bytes: %q", len(text), text)
			}
		}
	})
}

// checkSite holds what Site promises.
func checkSite(t *testing.T, s *Site) {
	t.Helper()
	points, lines := map[string]bool{"": true}, map[string]bool{}
	for _, l := range s.Lines {
		lines[l.Name] = true
		serial := l.Kind == RTU || l.Kind == ASCII
		if l.Timeout <= 0 || serial != (l.Device != "") || serial == (l.Address != "") || serial && l.Baud == 0 || !serial && l.RS485 != nil {
			t.Errorf("a line without a way or a timeout: %+v", l)
		}
		if known := l.Baud != 0; known != (l.Parity != "") || known != (l.StopBits != 0) || known != (l.DataBits != 0) || known && l.Kind == TCP {
			t.Errorf("a line with half a form of its characters: %+v", l)
		}
	}
	for _, in := range s.Instruments {
		if !lines[in.Line] || in.Every <= 0 || in.StaleAfter < in.Every {
			t.Errorf("an instrument without a line or a period: %+v", in)
		}
		for _, p := range in.Points {
			if points[p.Name] || p.Unit.IsZero() || p.Type == "" || p.Order == "" || p.Scale == 0 || p.Every <= 0 || p.StaleAfter < p.Every || (p.Type == "text") != (p.Registers > 0) {
				t.Errorf("a point that repeats a name or lacks a part: %+v", p)
			}
			if p.RateLimit < 0 || p.RateLimit > 0 && p.Unit.Dimension == units.GasInAir || p.StuckAfter < 0 || p.StuckWithin < 0 {
				t.Errorf("a point that hides gas, or moves backward: %+v", p)
			}
			points[p.Name] = true
		}
	}
	for _, in := range s.Instruments {
		for _, p := range in.Points {
			for _, st := range p.Status {
				if !points[st.Point] || st.Point == p.Name || st.Quality == "" || st.Means == "" {
					t.Errorf("%s has the status %+v", p.Name, st)
				}
			}
		}
	}
	refer := func(names ...string) {
		for _, n := range names {
			if !points[n] {
				t.Errorf("a reference to %q, which is no point", n)
			}
		}
	}
	for _, r := range s.Residuals {
		refer(r.Point)
		if (r.Rule == "ground-water") != (r.Least > 0) {
			t.Errorf("a rule without its least, or the other way round: %+v", r)
		}
	}
	segments := map[string]bool{}
	for _, g := range s.Segments {
		refer(g.Residual, g.PH, g.Temperature, g.Level, g.ResidualIn)
		refer(g.Flow...)
		refer(g.Inflow...)
		if (len(g.Flow) == 0) == (len(g.Inflow) == 0) || g.Method == "" || !(g.Target > 0) || (g.ResidualIn == "") != (g.Decay == 0) {
			t.Errorf("a segment without a flow or a way to work: %+v", g)
		}
		segments[g.Name] = true
		if !(g.Volume > 0) || !(g.BafflingFactor > 0) || g.BafflingFactor > 1 || (g.Level == "") != (g.LevelFull == 0) {
			t.Errorf("a segment without a volume: %+v", g)
		}
	}
	for _, tr := range s.Trains {
		for _, n := range tr.Segments {
			if !segments[n] {
				t.Errorf("the train %s has the segment %q, which there is not", tr.Name, n)
			}
		}
		if len(tr.Segments) == 0 || (tr.Filtration == "") != (tr.GiardiaLog+tr.VirusLog > 0) {
			t.Errorf("a train that owes nothing: %+v", tr)
		}
	}
	for _, b := range s.Banks {
		refer(b.RoomTemperature, b.Header, b.Feed, b.Dose.Point, b.Residual, b.Demand.Point)
		refer(b.Flow...)
		if len(b.Flow) > 0 && !b.Dose.Given() && (b.Residual == "" || !b.Demand.Given()) || !(b.ReportableLoss > 0) {
			t.Errorf("a bank whose dose or duty is not known: %+v", b)
		}
		for _, c := range b.Containers {
			refer(c.Scale, c.Valve)
			if c.Count < 1 {
				t.Errorf("no container at all: %+v", c)
			}
		}
	}
	for _, d := range s.Detectors {
		refer(d.Concentration)
	}
	if s.TimeZone == nil || !isName(s.Name) || len(lines) == 0 || len(points) < 2 {
		t.Errorf("a site without a part: %+v", s)
	}
}
