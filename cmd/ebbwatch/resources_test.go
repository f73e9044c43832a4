package main

import (
	"bytes"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ebbwatch/agent/demo"
)

// BenchmarkRunResources measures the built daemon on the scenario's site at real
// speed, polling every second, in a process of its own: memory, processor time,
// what it writes to disks, open files, goroutines, and size. The simulated
// instruments and the broker run in this process. EBBWATCH_RESOURCES says for how
// long, else for 50 s; a scraper comes every 15 s.
//
//	EBBWATCH_RESOURCES=1h go test -run '^$' -bench RunResources -benchtime 1x -timeout 2h ./cmd/ebbwatch
func BenchmarkRunResources(b *testing.B) {
	dir := b.TempDir()
	binary := buildBinary(b)
	info, err := os.Stat(binary)
	if err != nil {
		b.Fatal(err)
	}
	plant, err := demo.Start(b.Context(), demo.Options{Seed: 1, Speed: 1, Dir: dir, Listen: "127.0.0.1:0"})
	if err != nil {
		b.Fatal(err)
	}
	defer plant.Close()
	forget(b, binary)
	site := regexp.MustCompile(`every: \S+`).ReplaceAll(plant.SiteYAML(), []byte("every: 1s"))
	file := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(file, site, 0o600); err != nil {
		b.Fatal(err)
	}
	measure := 50 * time.Second
	if text := os.Getenv("EBBWATCH_RESOURCES"); text != "" {
		if measure, err = time.ParseDuration(text); err != nil {
			b.Fatal(err)
		}
	}
	const settle, scrape = 10 * time.Second, 15 * time.Second
	for b.Loop() {
		began := time.Now()
		cmd, address, log := startBinary(b, binary, file)
		eventually(b, "the first poll is in", func() bool { return strings.Contains(get(b, "http://"+address+"/readyz").body, "polling: ok") })
		first := time.Since(began)
		<-time.After(settle)
		pid := cmd.Process.Pid
		before, written := cpuTime(b, pid), bytesWrittenBy(b, strconv.Itoa(pid))
		// Most and least of what must not grow.
		var most, least [3]float64
		samples := 0
		measured := time.Now()
		for time.Since(measured) < measure {
			<-time.After(min(scrape, measure-time.Since(measured)))
			text := get(b, "http://"+address+"/metrics").body
			goroutines, _ := metric(text, "go_goroutines")
			fds, _ := metric(text, "process_open_fds")
			for i, v := range []float64{float64(residentKB(b, pid)) / 1024, goroutines, fds} {
				most[i] = max(most[i], v)
				if samples == 0 || v < least[i] {
					least[i] = v
				}
			}
			samples++
		}
		used := cpuTime(b, pid) - before
		took := time.Since(measured)
		b.ReportMetric(most[0], "MB-RSS-at-most")
		b.ReportMetric(float64(residentKB(b, pid))/1024, "MB-RSS")
		b.ReportMetric(float64(statusKB(b, pid, "RssAnon"))/1024, "MB-of-it-not-of-the-program-file")
		b.ReportMetric(most[1]-least[1], "goroutines-spread")
		b.ReportMetric(most[2]-least[2], "open-files-spread")
		b.ReportMetric(most[1], "goroutines")
		b.ReportMetric(most[2], "open-files")
		b.ReportMetric(float64(bytesWrittenBy(b, strconv.Itoa(pid))-written)/1e6*float64(24*time.Hour)/float64(took), "MB-written-a-day")
		b.ReportMetric(100*used.Seconds()/took.Seconds(), "%-of-a-core")
		b.ReportMetric(float64(info.Size())/1e6, "MB-binary")
		b.ReportMetric(float64(first.Milliseconds()), "ms-to-first-poll")
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			b.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			b.Fatalf("%v\n%s", err, log.String())
		}
	}
}

// buildBinary makes ebbwatch as a release would: by the flags of deploy/flags.
func buildBinary(t testing.TB) string {
	t.Helper()
	binary := filepath.Join(t.TempDir(), "ebbwatch")
	build := exec.Command("sh", "-c", `. ../../deploy/flags && go build -tags "$tags" -ldflags="-s -w" -o "$0" .`, binary)
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return binary
}

// forget takes a file out of the kernel's cache, so that the program is read as
// after a boot. What is in the cache and next to what is used counts as resident,
// though nobody needs it: just built, that is all of the program.
func forget(b *testing.B, file string) {
	b.Helper()
	f, err := os.Open(file)
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		b.Fatal(err)
	}
	if err := unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED); err != nil {
		b.Fatal(err)
	}
}

// startBinary starts it in a process of its own, which ends with the test, and
// returns the address of its HTTP server.
func startBinary(t testing.TB, binary, site string) (cmd *exec.Cmd, address string, log *lockedBuffer) {
	t.Helper()
	log = &lockedBuffer{}
	cmd = exec.Command(binary, "run", "--site", site)
	cmd.Stderr = log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill() })
	eventually(t, "the daemon listens", func() bool {
		if m := regexp.MustCompile(`http=(\S+)`).FindStringSubmatch(log.String()); m != nil {
			address = m[1]
		}
		return address != ""
	})
	return cmd, address, log
}

type response struct {
	code int
	body string
}

// get fetches a page; a refused connection gives code 0.
func get(t testing.TB, url string) response {
	t.Helper()
	r, err := http.Get(url)
	if err != nil {
		return response{}
	}
	defer r.Body.Close()
	var body bytes.Buffer
	if _, err := body.ReadFrom(r.Body); err != nil {
		return response{}
	}
	return response{r.StatusCode, body.String()}
}

// cpuTime reads user and system time of a process, proc(5).
func cpuTime(t testing.TB, pid int) time.Duration {
	t.Helper()
	raw, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	fields := strings.Fields(string(raw[bytes.LastIndexByte(raw, ')')+1:]))
	var ticks int64
	for _, f := range fields[11:13] { // utime, stime
		n, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond // USER_HZ is 100
}

// residentKB reads the resident set of a process.
func residentKB(t testing.TB, pid int) int { return statusKB(t, pid, "VmRSS") }

// statusKB reads an amount of memory of a process, proc(5).
func statusKB(t testing.TB, pid int, field string) int {
	t.Helper()
	raw, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(field + `:\s+(\d+) kB`).FindSubmatch(raw)
	if m == nil {
		t.Fatal("no " + field)
	}
	n, err := strconv.Atoi(string(m[1]))
	if err != nil {
		t.Fatal(err)
	}
	return n
}
