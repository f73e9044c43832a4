package peertest

import (
	"bufio"
	"encoding/hex"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Act is one thing that a program did to the files of a folder, or said.
type Act struct {
	// Kind is write, truncate, create, rename, remove, sync or said.
	Kind string
	// File is what it was done to, relative to the folder, and To its new name.
	File, To string
	At, Size int64
	Data     []byte
}

// Trace runs a program under strace until it ends, and returns what it did to the
// files of a folder, and what it wrote to its standard output, in order.
func Trace(t testing.TB, folder string, cmd *exec.Cmd) []Act {
	t.Helper()
	log := filepath.Join(t.TempDir(), "trace")
	args := []string{"-f", "-y", "-xx", "-s", "10000000", "-o", log,
		"-e", "trace=write,pwrite64,ftruncate,fsync,fdatasync,openat,rename,renameat,renameat2,unlink,unlinkat", "--", cmd.Path}
	traced := exec.Command(Tool(t, "strace"), append(args, cmd.Args[1:]...)...)
	traced.Env, traced.Dir = cmd.Env, cmd.Dir
	if out, err := traced.CombinedOutput(); err != nil {
		t.Fatalf("strace: %v\n%s", err, out)
	}
	f, err := os.Open(log)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var acts []Act
	begun := map[string]string{} // by process, a call that has not returned
	lines := bufio.NewReader(f)
	for {
		line, err := lines.ReadString('\n')
		if err != nil {
			break
		}
		pid, call, ok := strings.Cut(strings.TrimSpace(line), " ")
		call = strings.TrimSpace(call)
		if start, cut := strings.CutSuffix(call, " <unfinished ...>"); ok && cut {
			begun[pid] = start
			continue
		}
		if _, end, resumed := strings.Cut(call, " resumed>"); resumed {
			call = begun[pid] + end
		}
		if a, ok := parseCall(folder, call); ok {
			acts = append(acts, a)
		}
	}
	return acts
}

var (
	inHex   = regexp.MustCompile(`"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?`)
	ofFile  = regexp.MustCompile(`^\w+\((\d+)<([^>]*)>`)
	numbers = regexp.MustCompile(`, (\d+)`)
)

// parseCall makes an act of a line that succeeded and concerns the folder.
func parseCall(folder, call string) (a Act, ok bool) {
	name, _, _ := strings.Cut(call, "(")
	end := strings.LastIndex(call, " = ")
	if end < 0 || strings.HasPrefix(call[end+3:], "-1") {
		return a, false
	}
	result := call[end+3:]
	args := call[:end]
	var texts []string
	for _, m := range inHex.FindAllStringSubmatch(args, -1) {
		raw, err := hex.DecodeString(strings.ReplaceAll(m[1], `\x`, ""))
		if err != nil || m[2] != "" {
			return a, false
		}
		texts = append(texts, string(raw))
	}
	args = inHex.ReplaceAllString(args, "TEXT")
	unhex := func(s string) string {
		raw, err := hex.DecodeString(strings.ReplaceAll(s, `\x`, ""))
		if err != nil {
			return s
		}
		return string(raw)
	}
	inside := func(path string) (string, bool) {
		rel, err := filepath.Rel(folder, path)
		return rel, err == nil && rel != ".." && !strings.HasPrefix(rel, "../")
	}
	if m := ofFile.FindStringSubmatch(args); m != nil {
		if m[1] == "1" && name == "write" {
			return Act{Kind: "said", Data: []byte(strings.Join(texts, ""))}, true
		}
		if a.File, ok = inside(unhex(m[2])); !ok {
			return a, false
		}
	}
	var given []int64
	for _, m := range numbers.FindAllStringSubmatch(args, -1) {
		n, err := strconv.ParseInt(m[1], 10, 64)
		if err == nil {
			given = append(given, n)
		}
	}
	switch name {
	case "write", "pwrite64":
		a.Kind, a.Data, a.At = "write", []byte(strings.Join(texts, "")), -1 // at the end
		if n, err := strconv.Atoi(strings.Fields(result)[0]); err == nil {
			a.Data = a.Data[:min(n, len(a.Data))]
		}
		if name == "pwrite64" {
			a.At = given[len(given)-1]
		}
	case "ftruncate":
		a.Kind, a.Size = "truncate", given[0]
	case "fsync", "fdatasync":
		a.Kind = "sync"
	case "openat":
		if len(texts) == 0 || !strings.Contains(args, "O_CREAT") {
			return a, false
		}
		a.Kind = "create"
		a.Size = -1 // as it is
		if strings.Contains(args, "O_TRUNC") {
			a.Size = 0
		}
		a.File, ok = inside(texts[0])
	case "rename", "renameat", "renameat2":
		a.Kind = "rename"
		if a.File, ok = inside(texts[0]); ok {
			a.To, ok = inside(texts[1])
		}
	case "unlink", "unlinkat":
		a.Kind = "remove"
		a.File, ok = inside(texts[0])
	default:
		return a, false
	}
	return a, ok
}

// PowerCut is what may be on a disk after the power went: what was synced, and of
// the rest what Keep chooses.
type PowerCut struct {
	// Keep reports whether an act that was not synced reached the disk.
	Keep func(n int) bool
	// Torn is how many bytes of the last write reached the disk, where it was kept;
	// negative for all.
	Torn int
}

// WriteDisk puts into a folder what is there after the first n acts and a power
// cut. A name is on the disk once its folder was synced, or where Keep says so.
func WriteDisk(t testing.TB, acts []Act, cut PowerCut, folder string) {
	t.Helper()
	// An act is durable when a later one syncs its file, or for names its folder.
	durable := make([]bool, len(acts))
	names := map[string]string{} // a renamed file's present name
	now := func(f string) string {
		if to, ok := names[f]; ok {
			return to
		}
		return f
	}
	for i, a := range acts {
		if a.Kind == "rename" {
			names[a.File] = a.To
		}
		if a.Kind != "sync" {
			continue
		}
		for j, b := range acts[:i] {
			switch b.Kind {
			case "write", "truncate":
				durable[j] = durable[j] || now(b.File) == now(a.File)
			case "create", "rename", "remove":
				durable[j] = durable[j] || filepath.Dir(b.File) == a.File
			}
		}
	}
	files := map[string][]byte{}
	last := -1
	for i, a := range acts {
		if a.Kind == "write" {
			last = i
		}
	}
	for i, a := range acts {
		if !durable[i] && !cut.Keep(i) {
			continue
		}
		data := files[a.File]
		switch a.Kind {
		case "create":
			if _, there := files[a.File]; !there || a.Size == 0 {
				files[a.File] = nil
			}
		case "truncate":
			files[a.File] = append(data[:min(int64(len(data)), a.Size):min(int64(len(data)), a.Size)], make([]byte, max(0, a.Size-int64(len(data))))...)
		case "write":
			if _, there := files[a.File]; !there {
				continue // its name never reached the disk
			}
			at, text := a.At, a.Data
			if at < 0 {
				at = int64(len(data))
			}
			if i == last && cut.Torn >= 0 && !durable[i] {
				text = text[:min(cut.Torn, len(text))]
			}
			data = append(slices.Clone(data), make([]byte, max(0, at+int64(len(text))-int64(len(data))))...)
			copy(data[at:], text)
			files[a.File] = data
		case "rename":
			if _, there := files[a.File]; there {
				files[a.To] = data
				delete(files, a.File)
			}
		case "remove":
			delete(files, a.File)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		path := filepath.Join(folder, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, files[name], 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// PowerCuts are ways in which the power may go: all that was written is on the
// disk, or the last of it in part, or nothing that was not synced, or some of it
// in any order.
func PowerCuts(r *rand.Rand) map[string]PowerCut {
	all := func(int) bool { return true }
	return map[string]PowerCut{
		"all":        {all, -1},
		"torn":       {all, 512 * (1 + r.IntN(7))},
		"synced":     {func(int) bool { return false }, -1},
		"some":       {func(int) bool { return r.IntN(2) == 0 }, -1},
		"some, torn": {func(int) bool { return r.IntN(4) > 0 }, 512},
	}
}
