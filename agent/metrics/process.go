package metrics

import (
	"os"
	"runtime"
	"strconv"
	"strings"
	"time"
)

// process tells of this process itself. Names are those that the documentation of
// Prometheus asks client libraries for (from memory); where the system does not
// tell, as other than Linux, they are left out.
type process struct {
	started                                                               time.Time
	goroutines, heap, sys, info, cpu, resident, virtual, fds, most, start *Desc
}

func newProcess() *process {
	d := func(name, help string, labels ...string) *Desc { return &Desc{name, help, labels} }
	return &process{
		started:    time.Now(),
		goroutines: d("go_goroutines", "Number of goroutines that currently exist."),
		heap:       d("go_memstats_heap_inuse_bytes", "Number of heap bytes that are in use."),
		sys:        d("go_memstats_sys_bytes", "Number of bytes obtained from the system."),
		info:       d("go_info", "Information about the Go environment.", "version"),
		cpu:        d("process_cpu_seconds_total", "Total user and system CPU time spent in seconds."),
		resident:   d("process_resident_memory_bytes", "Resident memory size in bytes."),
		virtual:    d("process_virtual_memory_bytes", "Virtual memory size in bytes."),
		fds:        d("process_open_fds", "Number of open file descriptors."),
		most:       d("process_max_fds", "Maximum number of open file descriptors."),
		start:      d("process_start_time_seconds", "Start time of the process since unix epoch in seconds."),
	}
}

// Collect implements Collector.
func (p *process) Collect(out *Samples) {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	out.Gauge(p.goroutines, float64(runtime.NumGoroutine()))
	out.Gauge(p.heap, float64(m.HeapInuse))
	out.Gauge(p.sys, float64(m.Sys))
	out.Gauge(p.info, 1, runtime.Version())
	out.Gauge(p.start, float64(p.started.UnixMilli())/1e3)
	// proc(5): the fields behind the name, which is in brackets; field 3 comes first.
	stat, err := os.ReadFile("/proc/self/stat")
	_, behind, ok := strings.Cut(string(stat[strings.LastIndexByte(string(stat), ')')+1:]), " ")
	if f := strings.Fields(behind); err == nil && ok && len(f) > 21 {
		number := func(field int) float64 { n, _ := strconv.ParseFloat(f[field-3], 64); return n }
		out.Count(p.cpu, (number(14)+number(15))/100) // USER_HZ is 100
		out.Gauge(p.virtual, number(23))
		out.Gauge(p.resident, number(24)*float64(os.Getpagesize()))
	}
	if open, err := os.ReadDir("/proc/self/fd"); err == nil {
		out.Gauge(p.fds, float64(len(open)-1)) // but for the folder's own
	}
	limits, err := os.ReadFile("/proc/self/limits")
	if _, line, ok := strings.Cut(string(limits), "Max open files"); err == nil && ok {
		if n, err := strconv.ParseFloat(strings.Fields(line)[0], 64); err == nil {
			out.Gauge(p.most, n)
		}
	}
}
