package main

import (
	"bytes"
	"flag"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
	"ebbwatch/alarms"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// Whatever the manual tells people to type exists: every command line in a page
// or a help text has a command and flags that are there.
func TestTheManualNamesWhatExists(t *testing.T) {
	all := explained()
	texts := map[string]string{"help": helpUsage, "calc": calcUsage}
	for _, e := range all {
		texts[e.name()] = e.help
	}
	for _, task := range tasks {
		title, body := taskPage(task)
		if title == "" || body == "" {
			t.Errorf("the task %s has no page", task)
		}
		texts["the page "+task] = body
	}
	typed := regexp.MustCompile(`(?m)^  +(?:sudo )?ebbwatch (.*(?:\\\n.*)*)$`)
	flagOf := regexp.MustCompile(` --([a-z-]+)`)
	lines := 0
	for where, text := range texts {
		for _, m := range typed.FindAllStringSubmatch(text, -1) {
			lines++
			i := slices.IndexFunc(all, func(e explanation) bool { return strings.HasPrefix(m[1]+" ", e.name()+" ") })
			if i < 0 {
				t.Errorf("%s: ebbwatch %s: no such command", where, m[1])
				continue
			}
			for _, f := range flagOf.FindAllStringSubmatch(" "+m[1], -1) {
				if f[1] != "help" && !slices.ContainsFunc(all[i].flags, func(known *flag.Flag) bool { return known.Name == f[1] }) {
					t.Errorf("%s: ebbwatch %s: no flag --%s", where, m[1], f[1])
				}
			}
			if words := strings.Fields(m[1]); words[0] == "help" && !strings.HasPrefix(words[1], "--") && !slices.Contains(behind("help"), words[1]) {
				t.Errorf("%s: ebbwatch %s: no such page", where, m[1])
			}
		}
	}
	if lines < 20 {
		t.Errorf("only %d command lines found: the test reads the pages wrongly", lines)
	}
}

// The sums that help and pages show can be done, and the orders can be given.
func TestTheManualsExamplesWork(t *testing.T) {
	schema, err := jsonschema.NewCompiler().Compile("../../testdata/schema/order.json")
	if err != nil {
		t.Fatal(err)
	}
	texts := calcUsage
	for _, task := range tasks {
		_, body := taskPage(task)
		texts += body
	}
	word := regexp.MustCompile(`"[^"]*"|\S+`)
	sums := regexp.MustCompile(`(?m)^  +ebbwatch (calc .*)$`).FindAllStringSubmatch(texts, -1)
	for _, m := range sums {
		var args []string
		for _, w := range word.FindAllString(m[1], -1) {
			args = append(args, strings.Trim(w, `"`))
		}
		if code, _, errs := runCommand(t, args...); code != 0 {
			t.Errorf("ebbwatch %s ended %d: %s", m[1], code, errs)
		}
	}
	orders := regexp.MustCompile(`(?s)order/([a-z-]+) -m '([^']*)'`).FindAllStringSubmatch(texts, -1)
	for _, m := range orders {
		v, err := jsonschema.UnmarshalJSON(strings.NewReader(m[2]))
		if err == nil {
			err = schema.Validate(v)
		}
		if err != nil || !strings.Contains(alarms.VerbNames(), m[1]) {
			t.Errorf("the order %s %s: %v", m[1], m[2], err)
		}
	}
	if len(sums) < 6 || len(orders) < 5 {
		t.Errorf("%d sums and %d orders found: the test reads the pages wrongly", len(sums), len(orders))
	}
}

func TestEveryPageHasATask(t *testing.T) {
	files, err := fs.Glob(manual, "manual/*")
	if err != nil || len(files) != len(tasks) {
		t.Errorf("pages %v for the tasks %v: %v", files, tasks, err)
	}
	for _, task := range tasks {
		code, out, errs := runCommand(t, "help", task)
		if title, _ := taskPage(task); code != 0 || !strings.HasPrefix(out, title+"\n\n") {
			t.Errorf("help %s ended %d: %s%s", task, code, out, errs)
		}
	}
}

func TestHelp(t *testing.T) {
	for _, c := range []struct {
		reason string
		args   []string
		code   int
		out    string
		err    string
	}{
		{"commands and tasks", []string{"help"}, 0, "Answer a trip of a gas detector", ""},
		{"a command", []string{"help", "check"}, 0, "Flags:", ""},
		{"a command of two words", []string{"help", "calc", "ct"}, 0, "-baffling", ""},
		{"a task", []string{"help", "trip"}, 0, "1. Stay out.", ""},
		{"no such word", []string{"help", "dinner"}, 2, "", `no task "dinner"`},
		{"no path is a word", []string{"help", "../help"}, 2, "", "no task"},
		{"no such shell", []string{"help", "--completion", "dos"}, 2, "", "expected bash, zsh or fish"},
	} {
		code, out, errs := runCommand(t, c.args...)
		if code != c.code || !strings.Contains(out, c.out) || !strings.Contains(errs, c.err) {
			t.Errorf("%s: %q ended %d, expected %d\nstdout: %s\nstderr: %s", c.reason, c.args, code, c.code, out, errs)
		}
	}
}

// written runs a form of help into a file.
func written(t *testing.T, name string, args ...string) string {
	t.Helper()
	code, out, errs := runCommand(t, append([]string{"help"}, args...)...)
	if code != 0 || errs != "" {
		t.Fatalf("help %q ended %d: %s", args, code, errs)
	}
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(out), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// mandoc finds no fault in the page, and shows every command, flag and task.
func TestManPage(t *testing.T) {
	mandoc := peertest.Tool(t, "mandoc")
	path := written(t, "ebbwatch.1", "--man")
	faults, _ := exec.Command(mandoc, "-T", "lint", "-W", "warning", path).CombinedOutput()
	for fault := range strings.Lines(string(faults)) {
		if !strings.Contains(fault, "missing date") { // the same commit gives the same page on any day
			t.Error(fault)
		}
	}
	shown, err := exec.Command(mandoc, "-T", "utf8", "-O", "width=120", path).Output()
	if err != nil {
		t.Fatal(err)
	}
	text := string(regexp.MustCompile(".\b").ReplaceAll(shown, nil)) // bold is struck twice
	for _, e := range explained() {
		for _, f := range e.flags {
			if !strings.Contains(text, "--"+f.Name) {
				t.Errorf("the page lacks --%s of %s", f.Name, e.name())
			}
		}
	}
	for _, want := range []string{"ebbwatch calc empty", "Answer a trip of a gas detector", `ebbwatch calc feed --flow "2.5 MGD" --dose "2 mg/L"`, "is not a safety system"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
}

// The shells themselves complete with what was made for them.
func TestCompletions(t *testing.T) {
	complete := map[string]struct{ check, ask string }{
		"bash": {"-n", `source "$1"; read -ra COMP_WORDS <<<"$2"; [[ $2 == *" " ]] && COMP_WORDS+=(""); COMP_CWORD=$((${#COMP_WORDS[@]}-1)); _ebbwatch; printf '%s\n' "${COMPREPLY[@]}"`},
		"zsh":  {"-n", ""}, // its completion needs a terminal
		"fish": {"-n", `source $argv[1]; complete -C $argv[2]`},
	}
	for shell, how := range complete {
		t.Run(shell, func(t *testing.T) {
			program := peertest.Tool(t, shell)
			path := written(t, "completion", "--completion", shell)
			if out, err := exec.Command(program, how.check, path).CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			if how.ask == "" {
				return
			}
			for typed, want := range map[string]string{
				"ebbwatch che":              "check",
				"ebbwatch help pow":         "power-cut",
				"ebbwatch check --regi":     "--registers",
				"ebbwatch calc em":          "empty",
				"ebbwatch calc ct --baf":    "--baffling",
				"ebbwatch run --sit":        "--site",
				"ebbwatch help --compl":     "--completion",
				"ebbwatch calc feed --json": "--json",
			} {
				args := []string{"-c", how.ask, path, typed}
				if shell == "bash" {
					args = []string{"-c", how.ask, "bash", path, typed}
				}
				cmd := exec.Command(program, args...)
				cmd.Env = append(os.Environ(), "HOME="+t.TempDir(), "XDG_CONFIG_HOME="+t.TempDir(), "XDG_DATA_HOME="+t.TempDir())
				out, err := cmd.Output()
				got := bytes.Fields(out)
				if err != nil || len(got) == 0 || string(got[0]) != want {
					t.Errorf("%q gave %q (%v), expected %s", typed, out, err, want)
				}
			}
		})
	}
}
