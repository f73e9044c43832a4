package archive

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
)

// TestPowerCutAtEveryWrite cuts the power at every write of a script, in several
// ways: what was told to be written is there, in order; of what was under way there
// is a whole line, or one that is told of as cut off. What holds at present is that
// of the last time or of the time under way, never half of it. It works on from
// there.
func TestPowerCutAtEveryWrite(t *testing.T) {
	entry := func(i int) []byte { return fmt.Appendf(nil, "%d %s", i, strings.Repeat("x", i*571%3000)) }
	if dir := os.Getenv("EBBWATCH_ARCHIVE_CUT"); dir != "" {
		a := New(dir)
		for i := range 12 {
			a.Put([]Entry{{2020 + i/4, entry(i)}}, entry(100+i))
			a.Flush()
			fmt.Println(i + 1)
		}
		return
	}
	dir := t.TempDir()
	child := exec.Command(os.Args[0], "-test.run=^TestPowerCutAtEveryWrite$")
	child.Env = append(os.Environ(), "EBBWATCH_ARCHIVE_CUT="+dir)
	acts := peertest.Trace(t, dir, child)
	r := rand.New(rand.NewPCG(1, 2))
	told, cuts := 0, 0
	for i, a := range acts {
		if a.Kind == "said" {
			if n, err := strconv.Atoi(strings.TrimSpace(string(a.Data))); err == nil { // not the testing package's words
				told = n
			}
			continue
		}
		for name, cut := range peertest.PowerCuts(r) {
			reason := fmt.Sprintf("after %d acts, the last a %s to %q, %s on the disk, with %d told", i+1, a.Kind, a.File, name, told)
			disk := t.TempDir()
			peertest.WriteDisk(t, acts[:i+1], cut, disk)
			cuts++
			c, err := Read(disk, 0)
			if err != nil {
				t.Fatalf("%s: %v", reason, err)
			}
			got := text(c)
			if len(got) < told || len(got) > told+1 {
				t.Errorf("%s: %d entries", reason, len(got))
			}
			for n, e := range got {
				if e != string(entry(n)) {
					t.Fatalf("%s: entry %d is %.20q", reason, n, e)
				}
			}
			if len(c.Faults) > 1 || len(c.Faults) == 1 && len(got) > told {
				t.Errorf("%s: faults %q", reason, c.Faults)
			}
			if p := string(c.Present); told > 0 && p != string(entry(99+told)) && p != string(entry(100+told)) {
				t.Errorf("%s: the present is %.20q", reason, p)
			}
			on := New(disk)
			on.Put([]Entry{{2030, []byte("next")}}, []byte("present"))
			after := hold(t, on)
			if n := len(after.Entries); n != len(got)+1 || string(after.Entries[n-1]) != "next" || string(after.Present) != "present" {
				t.Errorf("%s: then %d entries, the present %q", reason, n, after.Present)
			}
		}
	}
	t.Logf("%d acts, %d power cuts", len(acts), cuts)
	if told != 12 || cuts < 300 {
		t.Errorf("%d entries told, %d power cuts: too few to prove anything", told, cuts)
	}
}
