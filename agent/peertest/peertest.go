// Package peertest starts protocol peers that nobody here wrote, for tests.
// They listen on loopback and pseudo-terminals alone, on ports that were free,
// and end with the test.
package peertest

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// ready bounds how long a peer may take to start or to obey.
const ready = 20 * time.Second

// Require skips the test when one of the programs is not installed, or fails it
// when the environment has EBBWATCH_PEERS=required.
func Require(t testing.TB, tools ...string) {
	t.Helper()
	for _, tool := range tools {
		if _, err := find(tool); err != nil {
			lacking(t, tool)
		}
	}
}

// Tool is Require for one program. It returns its path.
func Tool(t testing.TB, tool string) string {
	t.Helper()
	path, err := find(tool)
	if err != nil {
		lacking(t, tool)
	}
	return path
}

// find looks in the usual places for servers too, which are not in the path of
// every user.
func find(tool string) (string, error) {
	path, err := exec.LookPath(tool)
	for _, dir := range []string{"/usr/sbin", "/usr/local/sbin"} {
		if err != nil {
			path, err = exec.LookPath(filepath.Join(dir, tool))
		}
	}
	return path, err
}

func lacking(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("EBBWATCH_PEERS") == "required" {
		t.Fatalf("%s is not installed, and EBBWATCH_PEERS=required asks for every peer: see .ci/run for the packages", what)
	}
	t.Skipf("%s is not installed: see .ci/run for the packages", what)
}

// source finds a file of testdata/peers at the root of the module.
func source(name string) (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, "testdata", "peers", name), nil
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", errors.New("no go.mod above the folder of the test")
		}
		dir = up
	}
}

// process is a running peer.
type process struct {
	t     testing.TB
	name  string
	in    io.WriteCloser
	lines chan string // of its standard output
	mu    sync.Mutex  // one command at a time
}

// start runs a program until the test ends.
func start(t testing.TB, path string, args ...string) *process {
	t.Helper()
	cmd := exec.Command(path, args...)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var complaint strings.Builder
	cmd.Stderr = &complaint
	if err := cmd.Start(); err != nil {
		t.Fatalf("peer %s does not start: %v", path, err)
	}
	p := &process{t: t, name: filepath.Base(path), in: in, lines: make(chan string, 16)}
	var wg sync.WaitGroup
	wg.Go(func() {
		defer close(p.lines)
		s := bufio.NewScanner(out)
		s.Buffer(nil, 1<<20)
		for s.Scan() {
			p.lines <- s.Text()
		}
	})
	t.Cleanup(func() {
		in.Close()
		cmd.Process.Kill()
		for range p.lines { // so that the reader ends
		}
		wg.Wait()
		cmd.Wait() // the error is that it was killed
		if t.Failed() && complaint.Len() > 0 {
			t.Logf("peer %s wrote:\n%s", p.name, complaint.String())
		}
	})
	return p
}

// command sends a line and returns what follows "ok" in the answer.
func (p *process) command(line string) string {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, err := io.WriteString(p.in, line+"\n"); err != nil {
		p.t.Fatalf("peer %s takes no command: %v", p.name, err)
	}
	select {
	case answer := <-p.lines:
		rest, ok := strings.CutPrefix(answer, "ok")
		if !ok {
			p.t.Fatalf("peer %s answers %q to %q", p.name, answer, line)
		}
		return strings.TrimSpace(rest)
	case <-time.After(ready):
		p.t.Fatalf("peer %s does not answer to %q", p.name, line)
	}
	return ""
}

// until waits until done reports true.
func until(t testing.TB, what string, done func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.After(ready)
	for !done() {
		select {
		case <-tick.C:
		case <-late:
			t.Fatal(fmt.Sprint("in vain for ", ready, " waited until ", what))
		}
	}
}
