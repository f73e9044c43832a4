package main

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
	"ebbwatch/agent/registers"
)

// The plant's own system reads what the daemon finds. mbpoll is a client that
// nobody here wrote.
func TestRegistersOfADaemon(t *testing.T) {
	mbpoll := peertest.Tool(t, "mbpoll")
	site := siteFile(t, func(s string) string {
		return s + "registers: {listen: \"127.0.0.1:0\", map: registers.csv}\n"
	})
	pins := "kind,name,address\nfigure,residual,400\nalarm,residual-low,30100\n"
	if err := os.WriteFile(filepath.Join(filepath.Dir(site), "registers.csv"), []byte(pins), 0o600); err != nil {
		t.Fatal(err)
	}
	d := startDaemon(t, site)
	m := regexp.MustCompile(`modbus=(\S+)`).FindStringSubmatch(d.log.String())
	if m == nil {
		t.Fatalf("the log does not say where the registers are:\n%s", d.log.String())
	}
	host, port, _ := net.SplitHostPort(m[1])
	read := func(address, count int) (words []int) {
		out, err := exec.Command(mbpoll, "-0", "-1", "-q", "-m", "tcp", "-p", port, "-t", "3", "-r", strconv.Itoa(address), "-c", strconv.Itoa(count), host).CombinedOutput()
		if err != nil {
			t.Fatalf("mbpoll: %v\n%s", err, out)
		}
		for _, line := range regexp.MustCompile(`(?m)^\[\d+\]:\s+(\d+)`).FindAllStringSubmatch(string(out), -1) {
			n, _ := strconv.Atoi(line[1])
			words = append(words, n)
		}
		return words
	}
	// Nothing answers on the line: the value is no number, and the reason is there.
	want := 256 * (1 + slices.Index(registers.Reasons, "not-connected"))
	eventually(t, "the figure says why it is bad", func() bool {
		w := read(400, 4)
		return len(w) == 4 && w[0]&0x7F80 == 0x7F80 && w[0]&0x7F|w[1] != 0 && w[2] == want
	})
	if w := read(30100, 2); len(w) != 2 || w[0] != 0 || w[1] != 3 {
		t.Errorf("the pinned alarm is %v, want normal and high", w)
	}
	first := read(1, 1)[0]
	eventually(t, "the heartbeat advances", func() bool { return read(1, 1)[0] != first })
	if !strings.Contains(d.log.String(), "registers have no pin") {
		t.Errorf("nothing is said of what has no pin:\n%s", d.log.String())
	}
}

// What check prints pins every register, and grows at its end alone.
func TestCheckPrintsTheRegisterMap(t *testing.T) {
	site := siteFile(t, func(s string) string { return s + "registers: {listen: \"127.0.0.1:1502\"}\n" })
	code, csv, errs := runCommand(t, "check", "--site", site, "--registers", "csv")
	if code != 0 {
		t.Fatal(errs)
	}
	pins, err := registers.ReadPins(strings.NewReader(csv))
	if err != nil || len(pins) < 8 {
		t.Fatalf("%d pins, %v in\n%s", len(pins), err, csv)
	}
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(filepath.Dir(site), name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	text, _ := os.ReadFile(site)
	grown := strings.Replace(string(text), "      residual:", "      added: {table: input-register, address: 8, type: uint16, unit: pH}\n      residual:", 1)
	write("registers.csv", csv)
	write("site.yaml", strings.Replace(grown, "127.0.0.1:1502\"}", "127.0.0.1:1502\", map: registers.csv}", 1))
	code, after, errs := runCommand(t, "check", "--site", site, "--registers", "csv")
	if code != 0 {
		t.Fatal(errs)
	}
	more, _ := registers.ReadPins(strings.NewReader(after))
	for _, p := range pins {
		if !slices.Contains(more, p) {
			t.Errorf("%s %s has left %d", p.Kind, p.Name, p.Address)
		}
	}
	if len(more) != len(pins)+1 {
		t.Errorf("%d entries, then %d", len(pins), len(more))
	}
	if _, out, _ := runCommand(t, "check", "--site", site); !strings.Contains(out, "1 figures and alarms have no pinned registers") {
		t.Errorf("check says nothing of the new one:\n%s", out)
	}
	if _, out, _ := runCommand(t, "check", "--site", site, "--registers", "markdown"); !strings.Contains(out, "| figure | added ") {
		t.Errorf("markdown:\n%s", out)
	}
	for name, c := range map[string]struct{ csv, want string }{
		"a pin that cannot be": {"kind,name,address\nfigure,residual,101\n", "address 101 of figure residual, expected 100 and 4 on"},
		"no number":            {"kind,name,address\nfigure,residual,x\n", `line 2: address "x"`},
	} {
		write("registers.csv", c.csv)
		for _, command := range []string{"check", "run"} {
			if code, _, errs := runCommand(t, command, "--site", site); code != 2 || !strings.Contains(errs, c.want) || !strings.Contains(errs, "registers.csv") {
				t.Errorf("%s: %s ended %d: %s", name, command, code, errs)
			}
		}
	}
	if err := os.Remove(filepath.Join(filepath.Dir(site), "registers.csv")); err != nil {
		t.Fatal(err)
	}
	if code, _, errs := runCommand(t, "check", "--site", site); code != 2 || !strings.Contains(errs, "does not exist") {
		t.Errorf("without the file check ended %d: %s", code, errs)
	}
	if code, _, errs := runCommand(t, "check", "--site", site, "--registers", "xml"); code != 2 || !strings.Contains(errs, "expected csv or markdown") {
		t.Errorf("another form ended %d: %s", code, errs)
	}
}

// Without a file of its own a site keeps its addresses beside the journal: they
// outlive a restart with a grown site file, and what is gone is never given away.
func TestAddressesOutliveAGrownSite(t *testing.T) {
	site := siteFile(t, func(s string) string { return s + "registers: {listen: \"127.0.0.1:0\"}\n" })
	if _, out, errs := runCommand(t, "check", "--site", site); !strings.Contains(out, "get their registers when ebbwatch next starts") {
		t.Errorf("check says nothing of the first start:\n%s%s", out, errs)
	}
	kept := filepath.Join(filepath.Dir(site), "state", "registers.csv")
	pins := func() (all []registers.Pin) {
		f, err := os.Open(kept)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if all, err = registers.ReadPins(f); err != nil {
			t.Fatal(err)
		}
		return all
	}
	d := startDaemon(t, site)
	d.stop()
	first := pins()
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	edit := func(from, to string) {
		if err := os.WriteFile(site, []byte(strings.Replace(string(text), from, to, 1)), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	edit("      residual:", "      added: {table: input-register, address: 8, type: uint16, unit: pH}\n      residual:")
	d = startDaemon(t, site)
	d.stop()
	second := pins()
	for _, p := range first {
		if !slices.Contains(second, p) {
			t.Errorf("%s %s has left %d", p.Kind, p.Name, p.Address)
		}
	}
	if len(second) != len(first)+1 {
		t.Errorf("%d pins, then %d", len(first), len(second))
	}
	edit("", "") // the new point is gone again
	if _, out, _ := runCommand(t, "check", "--site", site, "--registers", "markdown"); !strings.Contains(out, "no longer there; kept free") {
		t.Errorf("what is gone is not kept free:\n%s", out)
	}
	d = startDaemon(t, site)
	d.stop()
	if !slices.Equal(pins(), second) {
		t.Error("what is gone has lost its pin")
	}
	// A file that is spoilt stops the registers and nothing else.
	if err := os.WriteFile(kept, []byte("kind,name,address\nfigure,residual,101\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	d = startDaemon(t, site)
	if d.get(t, "/healthz").code != 200 || !strings.Contains(d.log.String(), "NO REGISTERS ARE SERVED") || strings.Contains(d.log.String(), "modbus=") {
		t.Errorf("with a spoilt map:\n%s", d.log.String())
	}
}
