package main

import (
	"regexp"
	"strings"
	"testing"
)

// TestDemoTellsItsStory runs the demo as a newcomer would, only faster: real
// protocols, the very agent of run, a broker, and a person who answers. A
// simulated day is nearly over in 115 s.
func TestDemoTellsItsStory(t *testing.T) {
	t.Parallel()
	code, out, errs := runCommand(t, "demo", "--speed", "600", "--for", "115s", "--listen", "127.0.0.1:0", "--broker", "127.0.0.1:0")
	if code != 0 || errs != "" {
		t.Fatalf("the demo ended %d\n%s\n%s", code, errs, out)
	}
	rest := out
	for _, want := range []string{
		// where to look
		`browser +http://127\.0\.0\.1:\d+/\n`,
		`scraper +http://127\.0\.0\.1:\d+/metrics`,
		`MQTT client +tcp://127\.0\.0\.1:\d+`,
		// the figures
		`clearwell +flow [0-9.]+ MGD, free chlorine [0-9.]+ mg/L`,
		`CT [0-9.]+, needs [0-9.]+ for Giardia`,
		`north +net [0-9.]+ lb, `,
		// the day, in order
		`ALARM, low: The time until bank north is empty is [0-9.]+ h, under the limit of 48\.0 h.*\(north-empty-notice\)`,
		`do first: `,
		`on-call-1 acknowledged north-empty-notice`,
		`ALARM, high: The time until bank north is empty is [0-9.]+ h, under the limit of 8\.0 h.*\(north-empty-urgent\)`,
		`ALARM, medium: Instrument water-analysers .* has not moved for longer than a live sensor would \(residual-out\)\. \(water-analysers-doubtful\)`,
		`cleared: Instrument water-analysers .* \(water-analysers-doubtful\)`,
		`ALARM, high: Chlorine gas at gas-1 in chlorine-room is ([0-9.]+ ppm, over|at) the limit of 0\.50 ppm\. \(gas-1-level-1\)`,
		`ALARM, critical: Chlorine gas at gas-1 in chlorine-room is ([0-9.]+ ppm, over|at) the limit of 1\.00 ppm\. \(gas-1-level-2\)`,
		`ALARM, critical: Chlorine gas at gas-2 in chlorine-room .* \(gas-2-level-2\)`,
		`cleared: Chlorine gas at gas-1 .* \(gas-1-level-2\)`,
		`reset: Chlorine gas at gas-1 .* \(gas-1-level-2\)`,
		`stopped after 1m55s, as asked`,
	} {
		loc := regexp.MustCompile(want).FindStringIndex(rest)
		if loc == nil {
			t.Fatalf("the story lacks, or has too early, %q:\n%s", want, out)
		}
		rest = rest[loc[1]:]
	}
	// On the first figures the whole plant is known; later a number may be lost.
	if first, _, _ := strings.Cut(out, "ALARM"); strings.Contains(first, "unknown") {
		t.Errorf("the first figures are not known:\n%s", first)
	}
	// Periods in real time are judged by readings in simulated time. A busy machine
	// may make a line late, but not ten times.
	if late := regexp.MustCompile(`.*planned one, is \d{4,} %.*`).FindString(out); late != "" {
		t.Errorf("the pace forgets that the demo runs faster than real time: %s", late)
	}
	if !regexp.MustCompile(`north-withdrawal-high\)`).MatchString(out) {
		t.Errorf("the demand peak never reaches what the containers can give:\n%s", out)
	}
}
