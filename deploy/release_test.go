package deploy_test

import (
	"debug/buildinfo"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
)

// TestReleaseIsReproducible makes a release in two folders that differ in path,
// file times and modes, and compares the checksums of all that comes out. It
// takes one target and what the compiler has done before; with EBBWATCH_RELEASE=full
// it takes all, and compiles everything twice.
func TestReleaseIsReproducible(t *testing.T) {
	dpkg := peertest.Tool(t, "dpkg-deb")
	full := os.Getenv("EBBWATCH_RELEASE") == "full"
	var sums [2]string
	var out string
	for i, mode := range []fs.FileMode{0o644, 0o600} {
		tree := filepath.Join(t.TempDir(), strings.Repeat("deeper/", i), "ebbwatch")
		copyTree(t, tree, mode)
		out = filepath.Join(t.TempDir(), "out")
		cmd := exec.Command(filepath.Join(tree, "deploy", "release"), "0.0.1", out)
		cmd.Env = append(os.Environ(), "COMMIT=c0ffee", "SOURCE_DATE_EPOCH=1700000000", "TARGETS=amd64")
		if full {
			cmd.Env = append(cmd.Env, "GOCACHE="+t.TempDir(), "TARGETS=amd64 arm64 armv7 armv6 mipsle")
		}
		if text, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("deploy/release: %v\n%s", err, text)
		} else if i == 0 {
			t.Logf("%s", text)
		}
		sums[i] = read(t, out, "SHA256SUMS")
	}
	if sums[0] != sums[1] {
		t.Errorf("two folders gave\n%sand\n%s", sums[0], sums[1])
	}
	if n := strings.Count(sums[0], "\n"); n < 4 {
		t.Errorf("%d files, expected two archives, a package and the licences\n%s", n, sums[0])
	}

	root := t.TempDir()
	output(t, dpkg, "-x", filepath.Join(out, "ebbwatch_0.0.1_amd64.deb"), root)
	for _, file := range []string{
		"usr/lib/systemd/system/ebbwatch.service", "usr/lib/sysusers.d/ebbwatch.conf", "usr/share/doc/ebbwatch/copyright",
		"usr/share/doc/ebbwatch/LICENCES.txt", "usr/share/doc/ebbwatch/examples/sites/minimal.yaml", "usr/share/doc/ebbwatch/examples/mosquitto/ebbwatch.acl",
	} {
		info, err := os.Stat(filepath.Join(root, file))
		if err != nil {
			t.Error(err)
		} else if info.Size() == 0 || info.Mode().Perm() != 0o644 {
			t.Errorf("%s has %d bytes and mode %s", file, info.Size(), info.Mode())
		}
	}
	if info, err := os.Stat(filepath.Join(root, "etc/ebbwatch/secrets")); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("the folder of secrets: %v, %v", info, err)
	}
	program := filepath.Join(root, "usr/bin/ebbwatch")
	if got := output(t, program, "version"); !strings.HasPrefix(got, "ebbwatch 0.0.1, commit c0ffee, ") {
		t.Errorf("the program says that it is %s", got)
	}
	output(t, program, "check", "--site", filepath.Join(root, "usr/share/doc/ebbwatch/examples/sites/minimal.yaml"))

	// What Go itself says is inside has its licence beside it.
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	licences := read(t, out, "LICENCES.txt")
	if len(info.Deps) < 10 {
		t.Errorf("the program names %d modules", len(info.Deps))
	}
	for _, d := range info.Deps {
		if !strings.Contains(licences, "\n"+d.Path+" "+d.Version+": ") {
			t.Errorf("no licence of %s %s", d.Path, d.Version)
		}
	}

	output(t, "tar", "-C", root, "-xzf", filepath.Join(out, "ebbwatch-0.0.1-linux-amd64-minimal.tar.gz"))
	help := output(t, filepath.Join(root, "ebbwatch-0.0.1-linux-amd64-minimal", "ebbwatch"), "help")
	if !strings.Contains(help, "  run ") || strings.Contains(help, "  demo ") {
		t.Errorf("the minimal build has these commands:\n%s", help)
	}
}

// copyTree copies what a release is made of.
func copyTree(t *testing.T, to string, mode fs.FileMode) {
	t.Helper()
	for _, name := range []string{"agent", "alarms", "cmd", "config", "deploy", "testdata", "go.mod", "go.sum", "README.md", "LICENSE"} {
		err := filepath.WalkDir(filepath.Join("..", name), func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			dest := filepath.Join(to, strings.TrimPrefix(path, ".."))
			if d.IsDir() {
				return os.MkdirAll(dest, mode|mode>>2&0o111|0o100)
			}
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			info, err := d.Info()
			if err != nil {
				return err
			}
			if err := os.MkdirAll(filepath.Dir(dest), 0o755); err != nil {
				return err
			}
			return os.WriteFile(dest, data, mode|info.Mode().Perm()&0o100)
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}
