package guidance

import (
	"encoding/json"
	"flag"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "write the golden file anew")

// TestReadAloud keeps every text as it is sent, to be read aloud before it is
// changed.
func TestReadAloud(t *testing.T) {
	var b strings.Builder
	for _, tc := range []struct {
		title    string
		contents []Kind
		level    int
	}{
		{"Level 1 in a room with ton containers", []Kind{Ton, Ton}, 1},
		{"Level 2 in a room with ton containers", []Kind{Ton}, 2},
		{"Level 2 in a room with cylinders of two kinds", []Kind{Cylinder150, Cylinder100}, 2},
		{"Level 2 where a tank car stands", []Kind{TankCar}, 2},
		{"Level 2 in a room of which nothing is known", nil, 2},
	} {
		b.WriteString("== " + tc.title + "\n")
		for _, s := range Default().FirstActions("chlorine-room", tc.contents, tc.level) {
			b.WriteString(s + "\n")
		}
		b.WriteByte('\n')
	}
	const golden = "../../testdata/notices/first-actions.txt"
	if *update {
		if err := os.WriteFile(golden, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if b.String() != string(want) {
		t.Errorf("the texts differ from %s: read them aloud, then write it anew with -update\n%s", golden, b.String())
	}
}

// TestAgainstTheReference compares kits, valves and plugs with the file of
// published values (testdata/air/reference.json, which names their sources).
func TestAgainstTheReference(t *testing.T) {
	data, err := os.ReadFile("../../testdata/air/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	type value[T any] struct{ Value T }
	type plugs struct {
		Count   int
		PerHead int `json:"per_head"`
	}
	var f struct {
		Containers struct {
			Cylinder struct {
				Valves value[int]
				Plug   value[plugs] `json:"fusible_plug"`
			}
			Ton struct {
				Valves value[struct{ Count int }]
				Plugs  value[plugs] `json:"fusible_plugs"`
			} `json:"ton_container"`
		}
		Leaks struct{ Kits value[map[string]string] }
	}
	if err := json.Unmarshal(data, &f); err != nil {
		t.Fatal(err)
	}
	c := f.Containers
	if a := anatomy[Cylinder150]; a.valves != c.Cylinder.Valves.Value || a.plugs != c.Cylinder.Plug.Value.Count || anatomy[Cylinder100].plugs != a.plugs {
		t.Errorf("cylinder %+v, the reference has %+v", a, c.Cylinder)
	}
	if a := anatomy[Ton]; a.valves != c.Ton.Valves.Value.Count || a.plugs != c.Ton.Plugs.Value.Count || c.Ton.Plugs.Value.PerHead != 3 {
		t.Errorf("ton container %+v, the reference has %+v", a, c.Ton)
	}
	for kit, of := range map[string]Kind{"A": Cylinder150, "B": Ton, "C": TankCar} {
		if what := f.Leaks.Kits.Value[kit]; anatomy[of].kit != kit || !strings.Contains(what, strings.Split(string(of), "-")[0]) && !strings.Contains(what, "tank car") {
			t.Errorf("kit %s is for %q in the reference, for %s here", kit, what, of)
		}
	}
}

// TestSafeOrder: the plan goes first, help is called before anybody goes near, and
// no text has a number on which sources disagree.
func TestSafeOrder(t *testing.T) {
	disputed := regexp.MustCompile(`\b(15|4|456|525|400|460)[ -]?(times|fold|x)\b|%`)
	for _, level := range []int{1, 2, 3} {
		for _, contents := range [][]Kind{nil, {Ton}, {Cylinder150}, {TankCar}, {Ton, Cylinder100}, {"barrel"}} {
			got := Default().FirstActions("chlorine-room", contents, level)
			if !strings.Contains(got[0], "emergency plan") || !strings.Contains(got[0], "local codes") {
				t.Errorf("%v: the plan is not first: %q", contents, got[0])
			}
			at := func(word string) int {
				return slices.IndexFunc(got, func(s string) bool { return strings.Contains(s, word) })
			}
			if call, near, ammonia := at("emergency services"), at("Never go near alone"), at("ammonia"); call < 0 || near < call || ammonia < near {
				t.Errorf("%v: call %d, going near %d, searching %d", contents, call, near, ammonia)
			}
			for _, s := range got {
				if disputed.MatchString(s) || strings.Contains(s, "{") {
					t.Errorf("%q", s)
				}
			}
		}
	}
}

func TestParse(t *testing.T) {
	const head = "version: 1\nlanguage: en\n"
	w, err := Parse("site.txt", head+"away: Out of {room}.\ngasket:\n")
	if err != nil {
		t.Fatal(err)
	}
	got := w.FirstActions("annex", []Kind{Ton}, 2)
	if !slices.Contains(got, "Out of annex.") || slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, "gasket") }) {
		t.Errorf("the site's words are not used: %q", got)
	}
	for _, tc := range []struct{ reason, text, want string }{
		{"no version", "language: en\n", `site.txt:1: found version "", expected version: 1`},
		{"another version", "version: 2\nlanguage: en\n", `site.txt:1: found version "2"`},
		{"no language", "version: 1\n", "site.txt:1: found no language"},
		{"an unknown name", head + "run: Run.\n", `site.txt:3: found the unknown name "run", expected one of plan`},
		{"twice", head + "plan: A.\nplan: B.\n", "site.txt:4: found plan a second time, expected it once; line 3 has it"},
		{"the plan left out", head + "plan:\n", "site.txt:3: found nothing for plan, which may not be left out"},
		{"the call left out", head + "call:  \n", "found nothing for call"},
		{"an unknown place", head + "kit: Kit {class}.\n", "found an unknown name between braces for kit"},
		{"a letter that cannot be said", head + "kit: \x07\n", "found a character for kit that cannot be printed"},
		{"no colon", head + "leave\n", "found a line without a colon"},
		{"a speech", head + "kit: " + strings.Repeat("very ", 80) + "\n", "found 399 characters for kit"},
	} {
		if _, err := Parse("site.txt", tc.text); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: error %v, expected %q", tc.reason, err, tc.want)
		}
	}
	if Default().Language != "en" || Default().AtTest() == "" {
		t.Error("the words of ebbwatch are not complete")
	}
}

func FuzzParse(f *testing.F) {
	f.Add(English())
	f.Add("version: 1\nlanguage: en\nplan: {room}\n")
	f.Fuzz(func(t *testing.T, text string) {
		w, err := Parse("f", text)
		if err != nil {
			return
		}
		for _, name := range needed {
			if w.lines[name] == "" {
				t.Errorf("%s is missing in %q", name, text)
			}
		}
	})
}
