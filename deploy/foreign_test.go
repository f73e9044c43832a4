package deploy_test

import (
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// foreignSite has a line and a detector, and needs nothing else.
const foreignSite = `ebbwatch: 1
site: foreign
title: Foreign
time_zone: America/Denver
state_dir: state
listen: 127.0.0.1:0
lines:
  line-a: {kind: tcp, address: %q, timeout: 2s}
instruments:
  detectors:
    line: line-a
    unit: 1
    every: 1s
    points:
      gas:      {table: holding-register, address: 0, type: uint16, scale: 0.01, unit: ppm, range: 0 to 10}
      residual: {table: holding-register, address: 1, type: float32, unit: mg/L, range: 0 to 5}
detectors:
  gas-1: {room: chlorine-room, concentration: gas}
`

// TestForeignPrograms tries the programs for other processors under qemu-user:
// what they are, a whole site file, a sum in floating point, which must be
// that of this machine to twelve digits (Go lets a processor that can do so multiply
// and add in one rounding), and a run on a line with a real Modbus peer,
// in which a detector trips and the journal outlives a kill. EBBWATCH_FOREIGN names
// the folder of the programs, as .ci/run builds them; EBBWATCH_FOREIGN_FOR is how
// long each runs, else 15 s, in CI for the sake of its time.
func TestForeignPrograms(t *testing.T) {
	folder := os.Getenv("EBBWATCH_FOREIGN")
	if folder == "" {
		t.Skip("EBBWATCH_FOREIGN does not name a folder of programs")
	}
	long := 15 * time.Second
	if text := os.Getenv("EBBWATCH_FOREIGN_FOR"); text != "" {
		var err error
		if long, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	sum := []string{"calc", "ct", "--json", "--residual", "1.2 mg/L", "--ph", "7.5", "--temp", "10 degC", "--flow", "1400 gpm", "--volume", "400000 gal", "--baffling", "0.5", "--method", "regression"}
	native := output(t, filepath.Join(folder, "amd64"), sum...)
	for name, arch := range map[string]string{"amd64": "", "arm64": "aarch64", "armv7": "arm", "armv6": "arm", "mipsle": "mipsel"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			program := []string{filepath.Join(folder, name)}
			if arch != "" {
				program = append([]string{peertest.Tool(t, "qemu-"+arch+"-static")}, program...)
				if name == "armv6" { // a processor that knows no newer instructions
					program = append([]string{program[0], "-cpu", "arm1176"}, program[1:]...)
				}
			}
			run := func(args ...string) string {
				return output(t, program[0], append(program[1:len(program):len(program)], args...)...)
			}
			if got, want := run("version"), regexp.MustCompile(`^ebbwatch \S+, commit \S+, go\S+ linux/`+map[string]string{"armv7": "arm", "armv6": "arm"}[name]); !want.MatchString(got) {
				t.Errorf("version says %s", got)
			}
			if got := run("check", "--site", "../testdata/sites/kestrel-ridge.yaml"); !strings.Contains(got, "site kestrel-ridge is in order") {
				t.Errorf("check says\n%s", got)
			}
			if got := run(sum...); twelve(got) != twelve(native) {
				t.Errorf("the sum is\n%s, on this machine\n%s", got, native)
			}

			server := peertest.Libmodbus(t, peertest.Map{1: {peertest.Holdings: {0: {0, 0x3f99, 0x999a}}}}) // 1.2 mg/L
			site := filepath.Join(t.TempDir(), "site.yaml")
			if err := os.WriteFile(site, fmt.Appendf(nil, foreignSite, server.Addr()), 0o600); err != nil {
				t.Fatal(err)
			}
			d := startForeign(t, program, site)
			d.shows(t, `ebbwatch_reading{point="residual",unit="mg/L"} 1.2000000476837158`)
			server.Set(1, peertest.Holdings, 0, 150)
			d.shows(t, `ebbwatch_alarm_active{alarm="gas-1-level-2",priority="critical"} 1`)
			d.cmd.Process.Kill()
			d.cmd.Wait() // the error is the signal
			server.Set(1, peertest.Holdings, 0, 0)

			began := time.Now()
			d = startForeign(t, program, site)
			d.shows(t, `ebbwatch_alarm_standing{alarm="gas-1-level-2",priority="critical"} 1`)
			<-time.After(long - time.Since(began))
			d.shows(t, `ebbwatch_journal_failing 0`)
			polls := regexp.MustCompile(`(?m)^ebbwatch_line_polls_total\{line="line-a"\} (\d+)`).FindStringSubmatch(d.get())
			if polls == nil || len(polls[1]) < 2 {
				t.Errorf("it polled %v times in %s", polls, time.Since(began))
			}
			if err := d.cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			if err := d.cmd.Wait(); err != nil {
				t.Errorf("it ended with %v\n%s", err, d.log())
			}
			if text := d.log(); strings.Contains(text, "panic") || strings.Contains(text, "DATA RACE") {
				t.Errorf("it wrote\n%s", text)
			}
		})
	}
}

// twelve rounds every number with a point in a text to twelve digits.
func twelve(text string) string {
	return regexp.MustCompile(`\d+\.\d+(e[-+]\d+)?`).ReplaceAllStringFunc(text, func(s string) string {
		f, err := strconv.ParseFloat(s, 64)
		if err != nil {
			return s
		}
		return strconv.FormatFloat(f, 'g', 12, 64)
	})
}

// foreign is a daemon of another kind of processor.
type foreign struct {
	cmd     *exec.Cmd
	address string
	mu      sync.Mutex
	text    strings.Builder
}

func (f *foreign) Write(b []byte) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.text.Write(b)
}

func (f *foreign) log() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.text.String()
}

func startForeign(t *testing.T, program []string, site string) *foreign {
	t.Helper()
	f := &foreign{cmd: exec.Command(program[0], append(program[1:len(program):len(program)], "run", "--site", site)...)}
	f.cmd.Stderr = f
	if err := f.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.cmd.Process.Kill() })
	f.until(t, "it listens", func() bool {
		m := regexp.MustCompile(`http=(\S+)`).FindStringSubmatch(f.log())
		if m != nil {
			f.address = m[1]
		}
		return m != nil
	})
	return f
}

func (f *foreign) until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	late := time.After(time.Minute)
	for !holds() {
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("waited in vain until %s; it wrote\n%s", what, f.log())
		}
	}
}

// get reads the metrics, empty when it does not answer.
func (f *foreign) get() string {
	r, err := http.Get("http://" + f.address + "/metrics")
	if err != nil {
		return ""
	}
	defer r.Body.Close()
	var b strings.Builder
	if err := r.Write(&b); err != nil {
		return ""
	}
	return b.String()
}

// shows waits until the metrics have a line.
func (f *foreign) shows(t *testing.T, line string) {
	t.Helper()
	f.until(t, "the metrics have "+line, func() bool { return strings.Contains(f.get(), "\n"+line) })
}
