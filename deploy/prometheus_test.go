// Package deploy_test tries what is shipped beside the program: the rules, the
// unit, the access list, the release.
package deploy_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"go.yaml.in/yaml/v4"

	"ebbwatch/agent/peertest"
)

func read(t *testing.T, path ...string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(path...))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// output runs a program that has to succeed.
func output(t *testing.T, tool string, args ...string) string {
	t.Helper()
	out, err := exec.Command(tool, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(tool), strings.Join(args, " "), err, out)
	}
	return string(out)
}

// TestPrometheusExamples lets promtool check the example and try each rule.
func TestPrometheusExamples(t *testing.T) {
	promtool := peertest.Tool(t, "promtool")
	for _, args := range [][]string{
		{"check", "config", "prometheus/prometheus.yml"},
		{"check", "config", "prometheus/federation.yml"},
		{"check", "rules", "--lint=all", "--lint-fatal", "prometheus/alerts.yml", "prometheus/recording.yml"},
		{"test", "rules", "prometheus/tests.yml"},
	} {
		output(t, promtool, args...)
	}
}

// TestRulesNameRealMetrics compares the rules with the golden exposition, which
// the metrics' own test makes: a rule over a name that is not there never fires.
func TestRulesNameRealMetrics(t *testing.T) {
	exported := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^# TYPE (\S+)`).FindAllStringSubmatch(read(t, "..", "testdata", "metrics", "exposition.txt"), -1) {
		exported[m[1]] = true
	}
	if len(exported) < 50 {
		t.Fatalf("the golden exposition names %d metrics only", len(exported))
	}
	var exprs, alerts []string
	for _, file := range []string{"recording.yml", "alerts.yml"} {
		var rules struct {
			Groups []struct {
				Rules []struct{ Record, Alert, Expr string }
			}
		}
		if err := yaml.Unmarshal([]byte(read(t, "prometheus", file)), &rules); err != nil {
			t.Fatal(err)
		}
		for _, g := range rules.Groups {
			for _, r := range g.Rules {
				exprs = append(exprs, r.Expr)
				if r.Record != "" {
					exported[r.Record] = true
				} else {
					alerts = append(alerts, r.Alert)
				}
			}
		}
	}
	checked := 0
	for _, expr := range exprs {
		for _, name := range regexp.MustCompile(`[a-zA-Z0-9_:]*ebbwatch_[a-zA-Z0-9_:]+`).FindAllString(expr, -1) {
			checked++
			if !exported[name] {
				t.Errorf("a rule names %s, which ebbwatch does not export: %s", name, expr)
			}
		}
	}
	if checked < len(exprs)-2 { // two alerts are about up alone
		t.Errorf("%d names in %d rules", checked, len(exprs))
	}
	tests := read(t, "prometheus", "tests.yml")
	for _, alert := range alerts {
		if !strings.Contains(tests, fmt.Sprintf("alertname: %s,", alert)) || !regexp.MustCompile(`alertname: `+alert+`\n +eval_time: \S+\n +exp_alerts:\n`).MatchString(tests) {
			t.Errorf("tests.yml does not show %s both silent and raised", alert)
		}
	}
}
