package deploy_test

import (
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/json"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"strings"
	"testing"
	"time"

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
	for _, dir := range []string{"var/lib/dpkg/info", "var/lib/dpkg/updates", "etc"} {
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(root, "var/lib/dpkg/status"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	deb := filepath.Join(out, "ebbwatch_0.0.1_amd64.deb")
	if os.Geteuid() == 0 { // dpkg gives files their owners
		said := output(t, "dpkg", "--root="+root, "--force-script-chrootless", "--log=/dev/null", "-i", deb)
		if !strings.Contains(said, "ebbwatch watches nothing yet") {
			t.Errorf("the installation says\n%s", said)
		}
		if _, err := exec.LookPath("systemd-sysusers"); err == nil && !strings.Contains(read(t, root, "etc/passwd"), "\nebbwatch:") && !strings.HasPrefix(read(t, root, "etc/passwd"), "ebbwatch:") {
			t.Errorf("the installation makes no user: %s", read(t, root, "etc/passwd"))
		}
	} else {
		output(t, dpkg, "-x", deb, root)
	}
	for _, file := range []string{
		"usr/lib/systemd/system/ebbwatch.service", "usr/lib/sysusers.d/ebbwatch.conf", "usr/share/doc/ebbwatch/copyright",
		"usr/share/doc/ebbwatch/LICENCES.txt", "usr/share/doc/ebbwatch/examples/sites/minimal.yaml", "usr/share/doc/ebbwatch/examples/mosquitto/ebbwatch.acl",
		"usr/share/man/man1/ebbwatch.1.gz", "usr/share/bash-completion/completions/ebbwatch", "usr/share/zsh/vendor-completions/_ebbwatch",
		"usr/share/fish/vendor_completions.d/ebbwatch.fish", "usr/share/doc/ebbwatch/ebbwatch.spdx.json", "usr/share/doc/ebbwatch/changelog.gz",
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

	checkSBOM(t, read(t, out, "ebbwatch-0.0.1-linux-amd64.spdx.json"), read(t, program), info)
	if sums[0] != "" && !strings.Contains(sums[0], "  ebbwatch-0.0.1-linux-amd64.spdx.json\n") {
		t.Error("the list of what is inside has no checksum")
	}
	if os.Geteuid() == 0 {
		output(t, "dpkg", "--root="+root, "--force-script-chrootless", "--log=/dev/null", "--purge", "ebbwatch")
		if _, err := os.Stat(program); err == nil {
			t.Error("a removed package leaves its program")
		}
	}

	output(t, "tar", "-C", root, "-xzf", filepath.Join(out, "ebbwatch-0.0.1-linux-amd64-minimal.tar.gz"))
	help := output(t, filepath.Join(root, "ebbwatch-0.0.1-linux-amd64-minimal", "ebbwatch"), "help")
	if !strings.Contains(help, "  run ") || strings.Contains(help, "  demo ") {
		t.Errorf("the minimal build has these commands:\n%s", help)
	}
}

// checkSBOM holds a list of what is inside against the rules of SPDX 2.3, clauses
// 6, 7 and 11 (from memory), against what Go notes in the program, and against the
// licences as people read them.
func checkSBOM(t *testing.T, text, program string, info *debug.BuildInfo) {
	t.Helper()
	var d struct {
		SPDXVersion, DataLicense, SPDXID, Name, DocumentNamespace string
		CreationInfo                                              struct {
			Created  time.Time
			Creators []string
		}
		Packages []struct {
			Name, SPDXID, VersionInfo, DownloadLocation string
			LicenseDeclared, LicenseConcluded           string
			CopyrightText                               string
			FilesAnalyzed                               *bool
			Checksums                                   []struct{ Algorithm, ChecksumValue string }
			ExternalRefs                                []struct{ ReferenceCategory, ReferenceType, ReferenceLocator string }
		}
		Relationships []struct{ SPDXElementID, RelationshipType, RelatedSPDXElement string }
	}
	if err := json.Unmarshal([]byte(text), &d); err != nil {
		t.Fatal(err)
	}
	if d.SPDXVersion != "SPDX-2.3" || d.DataLicense != "CC0-1.0" || d.SPDXID != "SPDXRef-DOCUMENT" || d.Name == "" || d.CreationInfo.Created.Unix() != 1700000000 || len(d.CreationInfo.Creators) == 0 || !strings.HasPrefix(d.CreationInfo.Creators[0], "Tool: ") {
		t.Errorf("the document is %s %s %s %s %+v", d.SPDXVersion, d.DataLicense, d.SPDXID, d.Name, d.CreationInfo)
	}
	if u, err := url.Parse(d.DocumentNamespace); err != nil || u.Scheme == "" || u.Fragment != "" {
		t.Errorf("the namespace is %s", d.DocumentNamespace)
	}
	// As their own pages state them; a change of licence has to be read by a person.
	licences := map[string]string{
		"ebbwatch": "MIT", "go": "BSD-3-Clause", "github.com/eclipse/paho.mqtt.golang": "EPL-2.0 OR BSD-3-Clause",
		"github.com/emersion/go-smtp": "MIT", "github.com/emersion/go-sasl": "MIT", "github.com/goburrow/modbus": "BSD-3-Clause",
		"github.com/mochi-mqtt/server/v2": "MIT", "github.com/prometheus/client_golang": "Apache-2.0", "github.com/gorilla/websocket": "BSD-2-Clause",
		"go.etcd.io/bbolt": "MIT", "go.yaml.in/yaml/v4": "Apache-2.0", "golang.org/x/sys": "BSD-3-Clause", "google.golang.org/protobuf": "BSD-3-Clause",
	}
	ids, byName := map[string]bool{"SPDXRef-DOCUMENT": true}, map[string]string{}
	for _, p := range d.Packages {
		if !regexp.MustCompile(`^SPDXRef-[a-zA-Z0-9.-]+$`).MatchString(p.SPDXID) || ids[p.SPDXID] {
			t.Errorf("the id %s of %s is no id, or comes twice", p.SPDXID, p.Name)
		}
		ids[p.SPDXID], byName[p.Name] = true, p.VersionInfo
		if p.DownloadLocation == "" || p.LicenseConcluded == "" || p.CopyrightText == "" || p.FilesAnalyzed == nil || *p.FilesAnalyzed {
			t.Errorf("%s lacks what the specification asks for", p.Name)
		}
		if want, ok := licences[p.Name]; ok && p.LicenseDeclared != want || p.LicenseDeclared == "" {
			t.Errorf("%s is under %q, want %q", p.Name, p.LicenseDeclared, want)
		}
		delete(licences, p.Name)
		for _, r := range p.ExternalRefs {
			if r.ReferenceCategory != "PACKAGE-MANAGER" || r.ReferenceType != "purl" || !strings.HasPrefix(r.ReferenceLocator, "pkg:golang/") {
				t.Errorf("%s refers to %+v", p.Name, r)
			}
		}
		if p.Name == "ebbwatch" && (len(p.Checksums) != 1 || p.Checksums[0].ChecksumValue != fmt.Sprintf("%x", sha256.Sum256([]byte(program)))) {
			t.Errorf("the program's checksum is %+v", p.Checksums)
		}
	}
	for name := range licences {
		t.Errorf("%s is not in the list", name)
	}
	for _, m := range info.Deps {
		if byName[m.Path] != m.Version {
			t.Errorf("%s is in the program as %s, in the list as %q", m.Path, m.Version, byName[m.Path])
		}
	}
	if len(d.Packages) != len(info.Deps)+2 || len(d.Relationships) != len(d.Packages) {
		t.Errorf("%d packages with %d relationships, for %d modules", len(d.Packages), len(d.Relationships), len(info.Deps))
	}
	for _, r := range d.Relationships {
		if !ids[r.SPDXElementID] || !ids[r.RelatedSPDXElement] || r.RelationshipType != "DESCRIBES" && r.RelationshipType != "DEPENDS_ON" {
			t.Errorf("the relationship %+v leads nowhere", r)
		}
	}
}

// TestMinimalLeavesOut: neither the page nor the demo is in a minimal program.
func TestMinimalLeavesOut(t *testing.T) {
	list := output(t, "go", "list", "-deps", "-tags", "minimal", "../cmd/ebbwatch")
	for _, out := range []string{"ebbwatch/agent/page\n", "ebbwatch/agent/demo\n", "github.com/mochi-mqtt/server"} {
		if strings.Contains(list, out) {
			t.Errorf("the minimal program has %s", out)
		}
	}
	if !strings.Contains(list, "ebbwatch/agent/metrics\n") {
		t.Errorf("the list is\n%s", list)
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

// TestNothingKeepsEveryMethod: text/template and html/template call methods by
// names that the linker cannot know, so that it keeps all of them, two megabytes.
func TestNothingKeepsEveryMethod(t *testing.T) {
	list := output(t, "go", "list", "-deps", "../cmd/ebbwatch")
	for line := range strings.Lines(list) {
		if path := strings.TrimSpace(line); path == "text/template" || path == "html/template" {
			t.Errorf("the program has %s", path)
		}
	}
}
