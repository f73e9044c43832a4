package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// checked runs check over the scenario site with one edit.
func checked(t *testing.T, old, now string) (string, error) {
	t.Helper()
	data, err := os.ReadFile("../../testdata/sites/kestrel-ridge.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(data), old) {
		t.Fatalf("the site file lacks %q", old)
	}
	dir := t.TempDir()
	for _, name := range []string{"mqtt-password", "first-actions.txt"} {
		secret, err := os.ReadFile("../../testdata/sites/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), secret, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	path := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(path, []byte(strings.Replace(string(data), old, now, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	err = runCheck(t.Context(), []string{"--site", path}, &out, &out)
	return out.String(), err
}

func TestCheckKnowsHowFastGasIsTold(t *testing.T) {
	out, err := checked(t, "site: kestrel-ridge", "site: kestrel-ridge")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"From gas at the sensor", "10s is allowed without T90", "gas-4", "limit from     OSHA ceiling, 29 CFR 1910.1000", "while tested   This detector is being tested", "not given", "AND A HANGING DISK"} {
		if !strings.Contains(out, want) {
			t.Errorf("check does not show %q", want)
		}
	}
	for _, tc := range []struct{ reason, old, now, want string }{
		{"a slow time-out on the detector's line", "timeout: 800ms\n\n", "timeout: 15s\n\n", "shorten the timeout of line-c"},
		{"an on-delay on a trip", "level_2: {limit: 1 ppm}", "level_2: {limit: 1 ppm, on_delay: 20s}", "take the on_delay out of its levels"},
		{"a bound that nothing meets", "detectors:\n", "gas_notice_within: 1s\ndetectors:\n", "at most 1s (gas_notice_within): "},
	} {
		_, err := checked(t, tc.old, tc.now)
		if err == nil || !strings.Contains(err.Error(), tc.want) || !strings.Contains(err.Error(), "site.yaml:1") {
			t.Errorf("%s: error %v, expected a line and %q", tc.reason, err, tc.want)
		}
	}
}

// TestDelaysAddUp: the worst case is the sum of its parts, and longer with each
// failure.
func TestDelaysAddUp(t *testing.T) {
	g := gasDelay{polled: time.Second, withDead: 2 * time.Second, onDelay: 3 * time.Second}
	if got, want := g.worst(), 5*time.Second+600*time.Millisecond; got != want {
		t.Errorf("worst %s, expected %s", got, want)
	}
	if g.usual() >= g.worst() || g.hanging() != g.worst()+5*time.Second {
		t.Errorf("usual %s, worst %s, with a hanging disk %s", g.usual(), g.worst(), g.hanging())
	}
}

func TestCheckShowsTheSitesOwnWords(t *testing.T) {
	out, err := checked(t, "detectors:\n", "first_actions: first-actions.txt\ndetectors:\n")
	if err != nil || !strings.Contains(out, "Leave chlorine-room by the north door") || strings.Contains(out, "Look through the window") {
		t.Errorf("error %v; check shows other words than the site's", err)
	}
	if _, err := checked(t, "detectors:\n", "first_actions: none.txt\ndetectors:\n"); err == nil || !strings.Contains(err.Error(), "--first-actions en") {
		t.Errorf("error %v without the file", err)
	}
	var b bytes.Buffer
	if err := runCheck(t.Context(), []string{"--first-actions", "en"}, &b, &b); err != nil || !strings.HasPrefix(b.String(), "# What to do first") {
		t.Errorf("error %v, %.40q", err, b.String())
	}
}
