package main

import (
	"testing"
	"testing/fstest"
)

func TestMemoryLimit(t *testing.T) {
	for _, tc := range []struct {
		reason string
		files  map[string]string
		want   int64
	}{
		{"nine tenths of the unit's own limit", map[string]string{"proc/self/cgroup": "0::/system.slice/ebbwatch.service\n", "sys/fs/cgroup/system.slice/ebbwatch.service/memory.max": "100000000\n"}, 90000000},
		{"the least of all above, high or max", map[string]string{
			"proc/self/cgroup": "0::/system.slice/ebbwatch.service\n", "sys/fs/cgroup/system.slice/ebbwatch.service/memory.max": "100000000\n",
			"sys/fs/cgroup/system.slice/ebbwatch.service/memory.high": "80000000\n", "sys/fs/cgroup/system.slice/memory.max": "50000000\n",
		}, 45000000},
		{"a container sees its group as the root", map[string]string{"proc/self/cgroup": "0::/\n", "sys/fs/cgroup/memory.max": "67108864\n"}, 60397974},
		{"version 1 beside version 2", map[string]string{"proc/self/cgroup": "4:memory:/a\n0::/b\n", "sys/fs/cgroup/b/memory.max": "1000\n", "sys/fs/cgroup/a/memory.max": "10\n"}, 900},
		{"no limit", map[string]string{"proc/self/cgroup": "0::/a\n", "sys/fs/cgroup/a/memory.max": "max\n"}, 0},
		{"a group outside of what is mounted here", map[string]string{"proc/self/cgroup": "0::/../../a\n", "sys/fs/cgroup/memory.max": "1000\n"}, 0},
		{"what is no number", map[string]string{"proc/self/cgroup": "0::/a\n", "sys/fs/cgroup/a/memory.max": "-5\n"}, 0},
		{"no control groups", nil, 0},
	} {
		root := fstest.MapFS{}
		for name, text := range tc.files {
			root[name] = &fstest.MapFile{Data: []byte(text)}
		}
		if got := memoryLimit(root); got != tc.want {
			t.Errorf("%s: %d, expected %d", tc.reason, got, tc.want)
		}
	}
}
