package peertest

import (
	"os/exec"
	"strings"
	"testing"
)

// JSONSchema lets Python's jsonschema judge documents, each a line with the name
// of its schema before it. It returns what breaks a schema, and a last line that
// counts.
func JSONSchema(t testing.TB, folder string, documents []string) []string {
	t.Helper()
	Require(t, "python3")
	if exec.Command("/usr/bin/python3", "-c", "import jsonschema").Run() != nil {
		lacking(t, "python3-jsonschema")
	}
	script, err := source("json_schema.py")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("/usr/bin/python3", "-W", "ignore", script, folder)
	cmd.Stdin = strings.NewReader(strings.Join(documents, "\n") + "\n")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return strings.Split(strings.TrimSpace(string(out)), "\n")
}
