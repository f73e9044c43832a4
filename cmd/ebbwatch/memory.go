package main

import (
	"bufio"
	"bytes"
	"io/fs"
	"path"
	"strconv"
	"strings"
)

// memoryLimit is what this process should keep its memory under, in bytes: nine
// tenths of the least limit of its control group and those above it, so that the
// collector works harder before the kernel kills. Zero is no limit. Root is /; it
// reads the files of version 2: memory.max and memory.high, as the kernel's
// documentation "Control Group v2" describes them (from memory).
func memoryLimit(root fs.FS) int64 {
	groups, err := fs.ReadFile(root, "proc/self/cgroup")
	if err != nil {
		return 0
	}
	least := int64(0)
	for lines := bufio.NewScanner(bytes.NewReader(groups)); lines.Scan(); {
		group, ok := strings.CutPrefix(lines.Text(), "0::/")
		if !ok || strings.HasPrefix(group, "../") { // another mount shows that group
			continue
		}
		for dir := path.Clean(group); ; dir = path.Dir(dir) {
			for _, name := range []string{"memory.max", "memory.high"} {
				text, err := fs.ReadFile(root, path.Join("sys/fs/cgroup", dir, name))
				n, bad := strconv.ParseInt(strings.TrimSpace(string(text)), 10, 64) // "max" is none
				if err == nil && bad == nil && n > 0 && (least == 0 || n < least) {
					least = n
				}
			}
			if dir == "." {
				break
			}
		}
	}
	return least / 10 * 9
}
