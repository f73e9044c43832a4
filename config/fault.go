package config

import (
	"fmt"
	"slices"
	"strings"
)

// Fault is one thing wrong with a site file.
type Fault struct {
	File string
	// Line counts from 1; it is 0 when the fault is the file as a whole.
	Line int
	// Found is what stands there, Expected what should, both as words that
	// follow "found" and "expected".
	Found, Expected string
}

// String gives "site.yaml:12: found …, expected …" on one line.
func (f Fault) String() string {
	at := f.File
	if f.Line > 0 {
		at = fmt.Sprintf("%s:%d", f.File, f.Line)
	}
	return fmt.Sprintf("%s: found %s, expected %s", at, f.Found, f.Expected)
}

// Faults is everything wrong with a site file, sorted by line. It is the error
// of Load and Parse.
type Faults []Fault

// Error gives one line for each fault.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.String()
	}
	return strings.Join(lines, "\n")
}

// sorted orders faults by line; those of one line stay as they were found.
func (fs Faults) sorted() Faults {
	slices.SortStableFunc(fs, func(a, b Fault) int { return a.Line - b.Line })
	return fs
}

// nearest orders names by how little they differ from the one given and
// returns the first three.
func nearest(name string, names []string) []string {
	type ranked struct {
		name     string
		distance int
	}
	rs := make([]ranked, len(names))
	for i, n := range names {
		rs[i] = ranked{n, distance(name, n)}
	}
	slices.SortStableFunc(rs, func(a, b ranked) int { return a.distance - b.distance })
	var out []string
	for _, r := range rs[:min(3, len(rs))] {
		out = append(out, r.name)
	}
	return out
}

// alike reports whether one name may be a slip of the pen for the other.
func alike(a, b string) bool {
	if len(a) > 2 && len(b) > 2 && (strings.HasPrefix(a, b) || strings.HasPrefix(b, a)) {
		return true
	}
	return distance(a, b) <= 1+min(len(a), len(b))/4
}

// distance counts how many letters must be added, dropped, changed or swapped
// with their neighbour (optimal string alignment). Texts far longer than any
// name count as wholly different.
func distance(a, b string) int {
	if len(a) > 2*maxName || len(b) > 2*maxName {
		return max(len(a), len(b))
	}
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			change := rows[i-1][j-1]
			if a[i-1] != b[j-1] {
				change++
			}
			rows[i][j] = min(change, rows[i-1][j]+1, rows[i][j-1]+1)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(a)][len(b)]
}
