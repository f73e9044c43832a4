package peertest

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// EpanetStep is what the EPANET engine tells of one of its quality steps.
type EpanetStep struct {
	Time    float64 // s since the start
	Quality float64 // at the node, in the unit that the network asks for
}

// Epanet runs a network, in the input format of the EPANET 2.2 manual, through
// the public-domain engine as the npm package epanet-js carries it.
func Epanet(t testing.TB, network, node string) []EpanetStep {
	t.Helper()
	if os.Getenv("EBBWATCH_EPANET") == "absent" {
		t.Skip("EBBWATCH_EPANET=absent: the comparison with EPANET is left out")
	}
	path := Tool(t, "node")
	if exec.Command(path, "-e", `require("epanet-js")`).Run() != nil {
		lacking(t, "the npm package epanet-js, where node finds it (NODE_PATH),")
	}
	script, err := source("epanet.cjs")
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, script, node)
	cmd.Stdin = strings.NewReader(network)
	var complaint strings.Builder
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("EPANET: %v\n%s", err, complaint.String())
	}
	var steps []EpanetStep
	for line := range strings.Lines(string(out)) {
		var s EpanetStep
		if _, err := fmt.Sscan(line, &s.Time, &s.Quality); err != nil {
			t.Fatalf("EPANET printed %q: %v", line, err)
		}
		steps = append(steps, s)
	}
	return steps
}
