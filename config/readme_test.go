package config

import (
	"errors"
	"os"
	"strings"
	"testing"
)

// TestReadmeSite: the walk through a site file in the README leaves out points, to
// stay short, and has no other fault.
func TestReadmeSite(t *testing.T) {
	readme, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	var site strings.Builder
	for i, block := range strings.Split(string(readme), "```yaml\n") {
		if text, _, ok := strings.Cut(block, "```"); ok && i > 0 {
			site.WriteString(text)
		}
	}
	_, err = Parse("README.md", []byte(site.String()), ParseOptions{})
	faults, ok := errors.AsType[Faults](err)
	if !ok {
		t.Fatalf("parsing the README's site gave %v", err)
	}
	for _, f := range faults {
		if !strings.Contains(f.Found, "unknown point") {
			t.Errorf("in the README's site file: %s", f)
		}
	}
}
