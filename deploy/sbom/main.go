// Sbom lists what is in a program, as an SPDX 2.3 document in JSON: the modules
// that Go itself noted in it, each with its licence.
//
//	go run ./deploy/sbom PROGRAM VERSION MODULES > ebbwatch.spdx.json
//
// MODULES is a file of lines "path version folder", as deploy/release makes it. The
// time is SOURCE_DATE_EPOCH. Field names and rules are those of the SPDX
// specification 2.3, clauses 6 to 11 (from memory).
package main

import (
	"bufio"
	"crypto/sha256"
	"debug/buildinfo"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"
)

type document struct {
	SPDXVersion       string         `json:"spdxVersion"`
	DataLicense       string         `json:"dataLicense"`
	SPDXID            string         `json:"SPDXID"`
	Name              string         `json:"name"`
	DocumentNamespace string         `json:"documentNamespace"`
	CreationInfo      creation       `json:"creationInfo"`
	Packages          []pkg          `json:"packages"`
	Relationships     []relationship `json:"relationships"`
}

type creation struct {
	Created  string   `json:"created"`
	Creators []string `json:"creators"`
}

type pkg struct {
	Name             string      `json:"name"`
	SPDXID           string      `json:"SPDXID"`
	VersionInfo      string      `json:"versionInfo"`
	DownloadLocation string      `json:"downloadLocation"`
	FilesAnalyzed    bool        `json:"filesAnalyzed"`
	LicenseConcluded string      `json:"licenseConcluded"`
	LicenseDeclared  string      `json:"licenseDeclared"`
	CopyrightText    string      `json:"copyrightText"`
	Comment          string      `json:"comment,omitempty"`
	Checksums        []checksum  `json:"checksums,omitempty"`
	ExternalRefs     []reference `json:"externalRefs,omitempty"`
}

type checksum struct {
	Algorithm string `json:"algorithm"`
	Value     string `json:"checksumValue"`
}

type reference struct {
	Category string `json:"referenceCategory"`
	Type     string `json:"referenceType"`
	Locator  string `json:"referenceLocator"`
}

type relationship struct {
	Element string `json:"spdxElementId"`
	Type    string `json:"relationshipType"`
	Related string `json:"relatedSpdxElement"`
}

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "sbom:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 3 {
		return errors.New("expected the program, its version and the list of modules")
	}
	epoch, err := strconv.ParseInt(os.Getenv("SOURCE_DATE_EPOCH"), 10, 64)
	if err != nil {
		return errors.New("SOURCE_DATE_EPOCH is not set to seconds since 1970")
	}
	program, version := args[0], args[1]
	info, err := buildinfo.ReadFile(program)
	if err != nil {
		return err
	}
	data, err := os.ReadFile(program)
	if err != nil {
		return err
	}
	folders, err := modules(args[2])
	if err != nil {
		return err
	}
	sum := fmt.Sprintf("%x", sha256.Sum256(data))
	const root = "SPDXRef-ebbwatch"
	d := document{
		SPDXVersion: "SPDX-2.3", DataLicense: "CC0-1.0", SPDXID: "SPDXRef-DOCUMENT", Name: "ebbwatch-" + version,
		DocumentNamespace: "https://ebbwatch.invalid/spdx/" + sum, // a name, not a place
		CreationInfo:      creation{time.Unix(epoch, 0).UTC().Format(time.RFC3339), []string{"Tool: ebbwatch-sbom"}},
		Packages: []pkg{
			{Name: "ebbwatch", SPDXID: root, VersionInfo: version, LicenseDeclared: "MIT", Checksums: []checksum{{"SHA256", sum}}},
			{Name: "go", SPDXID: "SPDXRef-go", VersionInfo: strings.TrimPrefix(info.GoVersion, "go"), LicenseDeclared: "BSD-3-Clause", ExternalRefs: purl("stdlib", strings.TrimPrefix(info.GoVersion, "go"))},
		},
		Relationships: []relationship{{"SPDXRef-DOCUMENT", "DESCRIBES", root}, {root, "DEPENDS_ON", "SPDXRef-go"}},
	}
	for _, m := range info.Deps {
		p, err := describe(m, folders[m.Path+" "+m.Version])
		if err != nil {
			return err
		}
		d.Packages = append(d.Packages, p)
		d.Relationships = append(d.Relationships, relationship{root, "DEPENDS_ON", p.SPDXID})
	}
	for i := range d.Packages {
		d.Packages[i].DownloadLocation, d.Packages[i].LicenseConcluded, d.Packages[i].CopyrightText = "NOASSERTION", "NOASSERTION", "NOASSERTION"
	}
	out := json.NewEncoder(os.Stdout)
	out.SetIndent("", " ")
	return out.Encode(d)
}

// modules reads the list: folders by "path version".
func modules(list string) (map[string]string, error) {
	f, err := os.Open(list)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	out := map[string]string{}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		path, rest, _ := strings.Cut(lines.Text(), " ")
		ver, folder, ok := strings.Cut(rest, " ")
		if !ok {
			return nil, fmt.Errorf("%s: %q, expected path, version and folder", list, lines.Text())
		}
		out[path+" "+ver] = folder
	}
	return out, lines.Err()
}

var notInID = regexp.MustCompile(`[^a-zA-Z0-9.-]`)

func describe(m *debug.Module, folder string) (pkg, error) {
	if folder == "" {
		return pkg{}, fmt.Errorf("%s %s is in the program and not in the list of modules", m.Path, m.Version)
	}
	licence, err := licenceOf(folder)
	if err != nil {
		return pkg{}, fmt.Errorf("%s %s: %w", m.Path, m.Version, err)
	}
	return pkg{
		Name: m.Path, SPDXID: "SPDXRef-" + notInID.ReplaceAllString(m.Path, "-"), VersionInfo: m.Version,
		LicenseDeclared: licence, Comment: "go.sum " + m.Sum, ExternalRefs: purl(m.Path, m.Version),
	}, nil
}

// purl names a module as package URLs do.
func purl(path, version string) []reference {
	return []reference{{"PACKAGE-MANAGER", "purl", "pkg:golang/" + path + "@" + version}}
}

// licences are told by words that no other has, in the order in which they are
// looked for.
var licences = []struct{ id, words string }{
	{"Apache-2.0", "Apache License Version 2.0"},
	{"MPL-2.0", "Mozilla Public License Version 2.0"},
	{"EPL-2.0 OR BSD-3-Clause", "Eclipse Public License - v 2.0"}, // that of paho, with the Eclipse Distribution License
	{"BSD-3-Clause", "used to endorse or promote products derived from this software"},
	{"BSD-2-Clause", "Redistributions in binary form must reproduce"},
	{"ISC", "Permission to use, copy, modify, and/or distribute this software"},
	{"MIT", "Permission is hereby granted, free of charge"},
}

// licenceOf tells the licence by its text.
func licenceOf(folder string) (string, error) {
	files, err := filepath.Glob(filepath.Join(folder, "LICEN[CS]E*"))
	if err != nil || len(files) == 0 {
		return "", fmt.Errorf("no licence in %s: it may not be shipped", folder)
	}
	slices.Sort(files)
	text, err := os.ReadFile(files[0])
	if err != nil {
		return "", err
	}
	plain := strings.Join(strings.Fields(string(text)), " ")
	for _, l := range licences {
		if strings.Contains(plain, l.words) {
			return l.id, nil
		}
	}
	return "", fmt.Errorf("the licence in %s is not a known one: read it, then add it to the list", files[0])
}
