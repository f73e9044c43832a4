package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
)

// ParseOptions are what Parse may need from outside. The zero value reads no
// file.
type ParseOptions struct {
	// ReadFile reads the files of secrets. Nil leaves the secrets empty.
	ReadFile func(path string) ([]byte, error)
}

// aSiteFile is what is expected of a file as a whole.
const aSiteFile = `an ebbwatch site file, YAML text that starts with "ebbwatch: 1"`

// Load reads a site file and the files of secrets that it names. The error is
// Faults: everything that is wrong, not the first thing only.
func Load(path string) (*Site, error) {
	data, err := readFile(path)
	if err != nil {
		return nil, Faults{{File: path, Found: reason(err), Expected: aSiteFile}}
	}
	return Parse(path, data, ParseOptions{ReadFile: readSecret})
}

// readSecret reads a file that a site file names. Under systemd's LoadCredential
// with the name secret and a folder, files that only root may read are handed to
// the daemon in $CREDENTIALS_DIRECTORY, their names after secret_
// (systemd.exec(5)); the site file names the true ones, so that root can check it.
func readSecret(path string) ([]byte, error) {
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" {
		data, err := readFile(filepath.Join(dir, "secret_"+filepath.Base(path)))
		if !errors.Is(err, fs.ErrNotExist) {
			return data, err
		}
	}
	return readFile(path)
}

var errFolder = errors.New("a folder")

// readFile reads a file and one byte more than a site file may have.
func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return nil, errFolder
	}
	return io.ReadAll(io.LimitReader(f, maxFile+1))
}

// reason puts a failed read into words, without the path.
func reason(err error) string {
	var pathError *fs.PathError
	switch {
	case errors.Is(err, errFolder):
		return "a folder"
	case errors.Is(err, fs.ErrNotExist):
		return "no such file"
	case errors.Is(err, fs.ErrPermission):
		return "a file that this user may not read"
	case errors.As(err, &pathError):
		err = pathError.Err
	}
	return fmt.Sprintf("a file that cannot be read (%v)", err)
}

// Parse reads the text of a site file. Name is its path: it stands in messages,
// and relative paths in the file start at its folder. The time zone comes from
// the system or, where the system has none, from the program itself. The error
// is Faults.
func Parse(name string, data []byte, o ParseOptions) (*Site, error) {
	r := newReader(name, data)
	var site *Site
	if root := r.tree(data); root != nil {
		site = (&siteReader{reader: r, readFile: o.ReadFile}).site(root)
	}
	if len(r.faults) > 0 {
		return nil, r.faults.sorted()
	}
	return site, nil
}

// tree parses YAML and returns the mapping at its root, or nil when the file is
// so wrong that looking further would only add noise.
func (r *reader) tree(data []byte) *yaml.Node {
	if len(data) > maxFile {
		r.faults = append(r.faults, Fault{File: r.file, Found: "a file of over 1 MiB", Expected: aSiteFile})
		return nil
	}
	if i := notText(data); i >= 0 {
		r.fault(lineOf(data, i), fmt.Sprintf("a byte 0x%02x, which is not text in UTF-8", data[i]), aSiteFile)
		return nil
	}
	var documents []yaml.Node
	if err := yaml.Load(data, &documents, yaml.WithAllDocuments()); err != nil {
		r.syntax(err, data)
		return nil
	}
	if len(documents) == 0 || len(documents[0].Content) == 0 {
		r.fault(1, "an empty file", aSiteFile)
		return nil
	}
	root := documents[0].Content[0]
	switch key, version := versionOf(root); {
	case root.Kind != yaml.MappingNode:
		r.fault(root.Line, describe(root), aSiteFile)
		return nil
	case key == nil:
		r.fault(root.Line, `no key "ebbwatch"`, aSiteFile)
		return nil
	case version.Value != "1" || version.ShortTag() != "!!int":
		// Another version has other keys: all else would be noise.
		r.fault(key.Line, describe(version)+" for ebbwatch", r.keys["ebbwatch"].Expects)
		return nil
	}
	r.refuse(root)
	if len(documents) > 1 {
		r.fault(documents[1].Line, "a second document, after ---", "one document in a site file")
	}
	return root
}

// versionOf finds the key that tells a site file from any other, nil when there
// is none, and its value.
func versionOf(root *yaml.Node) (key, version *yaml.Node) {
	if root.Kind == yaml.MappingNode {
		for pair := range slices.Chunk(root.Content, 2) {
			if pair[0].Value == "ebbwatch" {
				return pair[0], pair[1]
			}
		}
	}
	return nil, nil
}

// notText is the offset of the first byte that YAML 1.2.2, section 5.1 (from memory),
// does not allow in a text, or -1.
func notText(data []byte) int {
	for i := 0; i < len(data); {
		c, n := utf8.DecodeRune(data[i:])
		switch {
		case c == utf8.RuneError && n == 1,
			c < ' ' && c != '\t' && c != '\n' && c != '\r',
			c >= 0x7f && c < 0xa0 && c != 0x85,
			c == 0xfffe, c == 0xffff:
			return i
		}
		i += n
	}
	return -1
}

// syntax rewrites the parser's error. Its text is not passed on where it may
// repeat what the file says, since that may be a secret in the wrong place.
func (r *reader) syntax(err error, data []byte) {
	var e *yaml.LoadError
	if !errors.As(err, &e) {
		r.fault(1, "a text that is not YAML", aSiteFile)
		return
	}
	line := e.Mark.Line
	if line == 0 {
		line = lineOf(data, e.Mark.Index)
	}
	if e.Stage == yaml.ComposerStage {
		r.fault(line, "an alias (*) without an anchor", "each value written out")
		return
	}
	found := "a YAML syntax error: " + e.Message
	if e.ContextMsg != "" && e.ContextMark.Line > 0 {
		found += fmt.Sprintf(" (%s that begins in line %d)", e.ContextMsg, e.ContextMark.Line)
	}
	expected := "valid YAML"
	switch {
	case bytes.HasPrefix(bytes.TrimLeft(lineAt(data, line), " "), []byte("\t")):
		expected = "spaces, no tabs, before a key"
	case strings.Contains(e.Message, "mapping values"):
		expected = `one "key: value" on a line, indented like its neighbours`
	case strings.Contains(e.Message, "cannot start any token"):
		expected = "quotes around a text that starts with %, @ or `"
	case strings.Contains(e.Message, "did not find expected ',' or"):
		expected = "a comma between two values and a closing bracket at the end"
	case strings.Contains(e.ContextMsg, "quoted scalar"):
		expected = "a closing quote"
	}
	r.fault(line, found, expected)
}

func lineAt(data []byte, line int) []byte {
	lines := bytes.SplitN(data, []byte("\n"), line+1)
	return lines[min(line, len(lines))-1]
}

// beside resolves a path that a site file gives.
func (r *reader) beside(path string) string {
	if filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(filepath.Dir(r.file), path)
}
