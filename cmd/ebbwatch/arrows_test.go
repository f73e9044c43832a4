package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// arrows lists, for each package, what of ours it may import in code that is
// not a test. Why says why the list is as short as it is.
var arrows = map[string]struct {
	may  []string
	pure bool // no clock, file, network, process, log
	why  string
}{
	"agent/units":           {nil, true, "quantities are the ground that everything stands on"},
	"agent/reading":         {nil, true, "a reading must not know who makes or uses it"},
	"agent/contact":         {[]string{"agent/units", "agent/reading"}, true, "CT is computed the same live, replayed and at the prompt"},
	"agent/supply":          {[]string{"agent/units", "agent/reading"}, true, "supply is computed the same live, replayed and at the prompt"},
	"agent/air":             {[]string{"agent/units", "agent/reading"}, true, "a trip is judged the same live, replayed and at the prompt"},
	"agent/plant":           {[]string{"agent/units", "agent/reading", "agent/contact", "agent/supply", "agent/air"}, true, "one step from readings to figures, with nothing of the outside"},
	"agent/core":            {[]string{"agent/plant", "agent/reading", "alarms"}, true, "one step from readings and orders to figures and transitions, the same live and replayed"},
	"alarms":                {nil, true, "alarms judge figures by name and must not know how they are made"},
	"alarms/guidance":       {nil, true, "words for people, the same live and in a preview"},
	"alarms/escalation":     {[]string{"alarms"}, true, "who is told when is decided the same live and replayed"},
	"agent/record":          {[]string{"agent/units", "agent/reading", "agent/contact", "agent/plant", "alarms"}, true, "a day's record is the same live and replayed"},
	"agent/archive":         {nil, false, "what must be readable for years is kept as bytes, whatever it means"},
	"config":                {[]string{"agent/units"}, false, "a site file can be checked without any part that works on it"},
	"agent/field":           {[]string{"agent/units", "agent/reading"}, false, "an adapter brings readings and knows nothing of what they mean"},
	"agent/journal":         {nil, false, "what must survive is kept as bytes, whatever it means"},
	"agent/recording":       {[]string{"agent/reading", "agent/units", "alarms"}, false, "what goes into the core is kept and given back, whatever it means"},
	"alarms/notify":         {[]string{"alarms", "alarms/escalation"}, false, "telling needs alarms and nothing of the plant"},
	"alarms/notify/drain":   {nil, false, "an outbox is told in order, whatever it holds"},
	"alarms/notify/mail":    {[]string{"alarms", "alarms/escalation", "alarms/notify/drain"}, false, "a mail server is told notices and nothing else"},
	"alarms/notify/webhook": {[]string{"alarms/notify/drain"}, false, "a web server is handed bytes, whatever they mean"},
	"agent":                 {[]string{"agent/core", "agent/plant", "agent/reading", "alarms", "alarms/escalation"}, false, "the owner sees the core and declares what it needs of the edges"},
	"agent/metrics":         {[]string{"agent", "agent/plant", "agent/reading", "alarms"}, false, "a way out reads the snapshot and can change nothing"},
	"agent/page":            {[]string{"agent", "agent/plant", "agent/reading", "agent/units", "alarms"}, false, "a way out reads the snapshot; what people order goes the way of all orders"},
	"agent/registers":       {[]string{"agent", "agent/plant", "agent/reading", "alarms"}, false, "a way out reads the snapshot and can change nothing"},
	"agent/demo":            {[]string{"agent/units", "agent/reading"}, false, "a simulated plant must not share code with what watches it"},
	"agent/peertest":        {nil, false, "peers are there because nothing of ours is in them"},
	"deploy/sbom":           {nil, false, "a release describes a program from outside"},
	"cmd/ebbwatch":          {[]string{"agent", "agent/air", "agent/archive", "agent/contact", "agent/core", "agent/demo", "agent/field", "agent/journal", "agent/metrics", "agent/page", "agent/plant", "agent/reading", "agent/record", "agent/recording", "agent/registers", "agent/supply", "agent/units", "alarms", "alarms/escalation", "alarms/guidance", "alarms/notify", "alarms/notify/drain", "alarms/notify/mail", "alarms/notify/webhook", "config"}, false, "the only place that sees config, core and edges together"},
}

// impure are the standard packages that a pure one may not import.
var impure = []string{"os", "net", "net/http", "io/fs", "log", "log/slog", "os/exec", "os/signal", "runtime", "sync", "sync/atomic", "syscall", "context"}

func TestArrows(t *testing.T) {
	root := filepath.Join("..", "..")
	seen := map[string]bool{}
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && path != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		dir, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		dir = filepath.ToSlash(dir)
		rule, ok := arrows[dir]
		if !ok {
			t.Errorf("package %s has no place in the list of arrows: say what it may import and why", dir)
			return nil
		}
		seen[dir] = true
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, imp := range f.Imports {
			name, err := strconv.Unquote(imp.Path.Value)
			if err != nil {
				return err
			}
			ours, isOurs := strings.CutPrefix(name, "ebbwatch/")
			if isOurs && !slices.Contains(rule.may, ours) {
				t.Errorf("%s imports %s: forbidden, %s", path, ours, rule.why)
			}
			if rule.pure && (slices.Contains(impure, name) || strings.Contains(strings.Split(name, "/")[0], ".")) {
				t.Errorf("%s imports %s: %s is pure, %s", path, name, dir, rule.why)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for dir := range arrows {
		if !seen[dir] {
			t.Errorf("package %s is in the list of arrows and nowhere else", dir)
		}
	}
}

// TestEveryPackageSaysWhatItIsFor asks for one package comment in each package.
func TestEveryPackageSaysWhatItIsFor(t *testing.T) {
	for dir := range arrows {
		files, err := filepath.Glob(filepath.Join("..", "..", filepath.FromSlash(dir), "*.go"))
		if err != nil || len(files) == 0 {
			t.Errorf("no Go files in %s", dir)
			continue
		}
		comments := 0
		for _, path := range files {
			if strings.HasSuffix(path, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ParseComments|parser.PackageClauseOnly)
			if err != nil {
				t.Fatal(err)
			}
			if f.Doc != nil {
				comments++
			}
		}
		if comments != 1 {
			t.Errorf("package %s has %d package comments, expected 1", dir, comments)
		}
	}
}

// TestNoModbusWriteExists: ebbwatch only ever reads instruments. The client's
// writing calls appear nowhere in code that ships.
func TestNoModbusWriteExists(t *testing.T) {
	writes := []string{"WriteSingleCoil", "WriteSingleRegister", "WriteMultipleCoils", "WriteMultipleRegisters", "MaskWriteRegister", "ReadWriteMultipleRegisters", "FuncCodeWrite", "FuncCodeMask"}
	for dir := range arrows {
		files, err := filepath.Glob(filepath.Join("..", "..", filepath.FromSlash(dir), "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, path := range files {
			if strings.HasSuffix(path, "_test.go") {
				continue
			}
			f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
			if err != nil {
				t.Fatal(err)
			}
			for _, name := range identifiers(f) {
				if slices.Contains(writes, name) {
					t.Errorf("%s uses %s: no Modbus write may exist", path, name)
				}
			}
		}
	}
}

// identifiers lists every name used in a file.
func identifiers(f *ast.File) []string {
	var names []string
	ast.Inspect(f, func(n ast.Node) bool {
		if id, ok := n.(*ast.Ident); ok {
			names = append(names, id.Name)
		}
		return true
	})
	return names
}
