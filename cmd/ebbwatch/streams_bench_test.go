package main

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"ebbwatch/agent/demo"
)

// BenchmarkStreams measures what people who look cost the built daemon on the
// scenario's site at real speed: memory and processor time with 20 open streams
// against none in the same run, and the bytes of each.
func BenchmarkStreams(b *testing.B) {
	const streams, settle, measure = 20, 15 * time.Second, 30 * time.Second
	dir := b.TempDir()
	binary := buildBinary(b)
	plant, err := demo.Start(b.Context(), demo.Options{Seed: 1, Speed: 1, Dir: dir, Listen: "127.0.0.1:0"})
	if err != nil {
		b.Fatal(err)
	}
	defer plant.Close()
	file := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(file, plant.SiteYAML(), 0o600); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		cmd, address, _ := startBinary(b, binary, file)
		eventually(b, "the first poll is in", func() bool { return strings.Contains(get(b, "http://"+address+"/readyz").body, "polling: ok") })
		pid := cmd.Process.Pid
		// The most memory and the share of a core over a while.
		load := func() (mb, core float64) {
			used := cpuTime(b, pid)
			began := time.Now()
			for time.Since(began) < measure {
				<-time.After(time.Second)
				mb = max(mb, float64(residentKB(b, pid))/1024)
			}
			return mb, 100 * (cpuTime(b, pid) - used).Seconds() / time.Since(began).Seconds()
		}
		<-time.After(settle)
		mb, core := load()
		b.ReportMetric(mb, "MB-RSS-without")
		b.ReportMetric(core, "%-of-a-core-without")

		var bytes atomic.Int64
		var readers sync.WaitGroup
		var open []io.Closer
		for range streams {
			began := time.Now()
			resp, err := http.Get("http://" + address + "/v1/stream")
			if err != nil {
				b.Fatal(err)
			}
			open = append(open, resp.Body)
			first := make([]byte, 512)
			if _, err := io.ReadFull(resp.Body, first); err != nil {
				b.Fatal(err)
			}
			if len(open) == 1 {
				b.ReportMetric(float64(time.Since(began).Microseconds())/1e3, "ms-to-first-figure")
			}
			readers.Go(func() {
				for buffer := make([]byte, 32<<10); ; {
					n, err := resp.Body.Read(buffer)
					if bytes.Add(int64(n)); err != nil {
						return
					}
				}
			})
		}
		<-time.After(settle)
		before := bytes.Load()
		began := time.Now()
		mb, core = load()
		b.ReportMetric(float64(bytes.Load()-before)/1e3/time.Since(began).Seconds()/streams, "kB/s-a-stream")
		b.ReportMetric(mb, "MB-RSS-with-20")
		b.ReportMetric(core, "%-of-a-core-with-20")
		for _, body := range open {
			body.Close()
		}
		readers.Wait()
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			b.Fatal(err)
		}
		if err := cmd.Wait(); err != nil {
			b.Fatal(err)
		}
	}
}
