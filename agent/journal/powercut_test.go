package journal

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"ebbwatch/agent/peertest"
)

// script is what the child does while every write of it is noted: it begins a
// journal, commits batches of several sizes with their checkpoints, so that the
// file grows and old events go, acknowledges, commits a checkpoint alone, ends in
// good order, and opens it again. It says what it was told is done.
func script(dir string) error {
	said := func(what string, n uint64) { fmt.Fprintf(os.Stdout, "%s %d\n", what, n) }
	last := uint64(0)
	for life := range 2 {
		j, err := Open(dir, Options{Receivers: []string{"mqtt"}, Keep: 40})
		if err != nil {
			return err
		}
		said("opened", uint64(life+1))
		for i := range 12 {
			n := 1 + i*i%9
			first := last + 1
			last += uint64(n)
			if err := j.Commit(first, batch(first, n), checkpointAfter(last)); err != nil {
				return err
			}
			said("committed", last)
			switch i % 3 {
			case 1:
				if err := j.Ack("mqtt", last-1); err != nil {
					return err
				}
				said("acknowledged", last-1)
			case 2:
				if err := j.Commit(0, nil, checkpointAfter(last)); err != nil {
					return err
				}
			}
		}
		if err := j.Close(); err != nil {
			return err
		}
	}
	return nil
}

// checkpointAfter is of another size each time.
func checkpointAfter(last uint64) []byte {
	return fmt.Appendf(nil, "after %d%s", last, bytes.Repeat([]byte("."), int(last*97%3000)))
}

// TestPowerCutAtEveryWrite cuts the power at every write of a script, in several
// ways. The journal always opens undamaged, with every event that was committed,
// without a gap, and the checkpoint of the last of them: of a commit under way
// there is all or nothing. It works on from there.
func TestPowerCutAtEveryWrite(t *testing.T) {
	dir := t.TempDir()
	child := exec.Command(os.Args[0], dir)
	child.Env = append(os.Environ(), childEnv+"=script")
	acts := peertest.Trace(t, dir, child)
	r := rand.New(rand.NewPCG(1, 2))
	writes, cuts, before := 0, 0, 0
	var opened, committed, acknowledged, reached uint64
	for i, a := range acts {
		if a.Kind == "said" {
			what, number, _ := bytes.Cut(bytes.TrimSpace(a.Data), []byte(" "))
			n, err := strconv.ParseUint(string(number), 10, 64)
			if err != nil {
				t.Fatalf("the child said %q", a.Data)
			}
			switch string(what) {
			case "opened":
				opened = n
			case "committed":
				committed = n
			case "acknowledged":
				acknowledged = n
			}
			continue
		}
		if a.Kind == "write" {
			writes++
		}
		ways := peertest.PowerCuts(r)
		if i%3 > 0 { // by turns, for the sake of time
			ways = map[string]peertest.PowerCut{"all": ways["all"], "some, torn": ways["some, torn"]}
		}
		for name, cut := range ways {
			reason := fmt.Sprintf("after %d acts, the last a %s of %d bytes to %q, %s on the disk, with %d committed and %d acknowledged", i+1, a.Kind, len(a.Data), a.File, name, committed, acknowledged)
			disk := t.TempDir()
			peertest.WriteDisk(t, acts[:i+1], cut, disk)
			j, err := Open(disk, Options{Receivers: []string{"mqtt"}, Keep: 40})
			if err != nil {
				t.Fatalf("%s: %v", reason, err)
			}
			cuts++
			if opened == 0 {
				before++ // there was no journal yet that could be lost
			} else if j.Lost() != "" {
				t.Errorf("%s: lost: %s", reason, j.Lost())
			}
			last := j.LastSequence()
			if last < committed || last > committed+9 {
				t.Errorf("%s: the last event is %d", reason, last)
			}
			if acked, err := j.Acked("mqtt"); err != nil || acked < acknowledged || acked > last {
				t.Errorf("%s: acknowledged is %d, %v", reason, acked, err)
			}
			checkpoint, _ := j.Checkpoint()
			if last > 0 && !bytes.Equal(checkpoint, checkpointAfter(last)) {
				t.Errorf("%s: the checkpoint is %.20q after event %d", reason, checkpoint, last)
			}
			all := held(t, j, 0, 1000)
			for n, seq := range all {
				if seq != last-uint64(len(all)-1-n) {
					t.Fatalf("%s: event %d at place %d of %d, the last being %d", reason, seq, n, len(all), last)
				}
			}
			if want := int(last - acknowledged); len(all) < min(want, 40) {
				t.Errorf("%s: %d events are there, %d are to be told", reason, len(all), want)
			}
			if err := j.Commit(last+1, batch(last+1, 1), checkpointAfter(last+1)); err != nil {
				t.Errorf("%s: then a commit fails: %v", reason, err)
			}
			if err := j.Close(); err != nil {
				t.Error(err)
			}
			if leftovers, _ := filepath.Glob(filepath.Join(disk, "*damaged*")); len(leftovers) > 0 && opened > 0 {
				t.Errorf("%s: it was put aside: %v", reason, leftovers)
			}
			reached = max(reached, last)
		}
	}
	t.Logf("%d writes of %d acts, %d power cuts, %d of them before there was a journal", writes, len(acts), cuts, before)
	if writes < 100 || reached < 50 || opened != 2 {
		t.Errorf("%d writes up to event %d in %d lives are too few to prove anything", writes, reached, opened)
	}
}
