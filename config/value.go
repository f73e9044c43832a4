package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"go.yaml.in/yaml/v4"
)

// reader gathers the faults of one site file.
type reader struct {
	file   string
	last   int                 // line
	keys   map[string]Key      // by path
	under  map[string][]string // the keys of each block
	faults Faults
}

func newReader(file string, data []byte) *reader {
	r := &reader{
		file: file, last: lineOf(data, len(data)-1),
		keys: map[string]Key{}, under: map[string][]string{},
	}
	for _, k := range Keys() {
		r.keys[k.Path] = k
		block, name := "", k.Path
		if i := strings.LastIndexByte(k.Path, '.'); i >= 0 {
			block, name = k.Path[:i], k.Path[i+1:]
		}
		r.under[block] = append(r.under[block], name)
	}
	return r
}

// fault notes a fault. A YAML parser may count one line more than an editor
// shows.
func (r *reader) fault(line int, found, expected string) {
	r.faults = append(r.faults, Fault{r.file, min(max(line, 1), r.last), found, expected})
}

// value is what stands at one key. An absent value reads as nothing without a
// fault: block has told of those that are required.
type value struct {
	*reader
	node *yaml.Node // nil when the key is absent and has no default
	line int        // that of the key, or of the block that lacks it
	path string     // for people: lines.line-a.baud
	key  string     // its path in Keys: lines.*.baud
}

// bad notes that what stands there is not what the key expects.
func (v value) bad(found string) { v.fault(v.line, found+" for "+v.path, v.keys[v.key].Expects) }

// where names the block for people.
func (v value) where() string {
	if v.path == "" {
		return "the site file"
	}
	return v.path
}

// entry is one key of a mapping with its value.
type entry struct {
	word string
	value
}

// entries reads a mapping and tells of repeated keys. Merged is true when a
// merge key, told of by refuse, hides what else belongs to it.
func (v value) entries() (es []entry, merged, ok bool) {
	if v.node == nil || v.node.Kind == yaml.AliasNode {
		return nil, false, false
	}
	if v.node.Kind != yaml.MappingNode {
		v.bad(describe(v.node))
		return nil, false, false
	}
	first := map[string]int{}
	for pair := range slices.Chunk(v.node.Content, 2) {
		k := pair[0]
		if k.ShortTag() == mergeTag {
			merged = true
			continue
		}
		if k.Kind != yaml.ScalarNode || k.ShortTag() == nullTag {
			if k.Kind != yaml.AliasNode {
				v.fault(k.Line, describe(k)+" as a key in "+v.where(), "a key, a colon and its value")
			}
			continue
		}
		if line, ok := first[k.Value]; ok {
			v.fault(k.Line, fmt.Sprintf("%s a second time in %s", quote(k.Value), v.where()),
				fmt.Sprintf("it once; it stands in line %d already", line))
			continue
		}
		first[k.Value] = k.Line
		es = append(es, entry{k.Value, value{v.reader, pair[1], k.Line, join(v.path, pathWord(k.Value)), join(v.key, k.Value)}})
	}
	return es, merged, true
}

// block is a mapping whose keys are listed by Keys.
type block struct {
	value
	given map[string]value
}

// block reads a mapping with known keys and tells of unknown and missing ones.
func (v value) block() (block, bool) {
	b := block{v, map[string]value{}}
	es, merged, ok := v.entries()
	if !ok {
		return b, false
	}
	known := v.under[v.key]
	for _, e := range es {
		if slices.Contains(known, e.word) {
			b.given[e.word] = e.value
			continue
		}
		expected := "one of " + strings.Join(known, ", ")
		if near := nearest(e.word, known)[0]; alike(e.word, near) {
			expected += fmt.Sprintf("; did you mean %s?", near)
		}
		v.fault(e.line, fmt.Sprintf("the unknown key %s in %s", quote(e.word), v.where()), expected)
	}
	for _, name := range known {
		k := v.keys[join(v.key, name)]
		if _, ok := b.given[name]; !ok && k.Required && !merged {
			v.fault(v.line, fmt.Sprintf("no %s in %s", name, v.where()), k.Expects)
		}
	}
	return b, true
}

// has reports whether the site file gives a key.
func (b block) has(name string) bool {
	_, ok := b.given[name]
	return ok
}

// get returns the value of a key, or its default.
func (b block) get(name string) value {
	if v, ok := b.given[name]; ok {
		return v
	}
	v := value{b.reader, nil, b.line, join(b.path, name), join(b.key, name)}
	if d := b.keys[v.key].Default; d != "" {
		v.node = &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: d}
	}
	return v
}

// named reads a mapping whose keys are names that the site chooses. A name that
// breaks the rule is told of and kept, so that what refers to it is not told of
// as well.
func (v value) named() []entry {
	es, merged, ok := v.entries()
	if ok && len(es) == 0 && !merged {
		v.bad("nothing")
	}
	for i, e := range es {
		if !isName(e.word) {
			v.fault(e.line, fmt.Sprintf("the name %s in %s", quote(e.word), v.where()), nameRule)
		}
		es[i].key = v.key + ".*"
	}
	return es
}

const (
	mergeTag = "!!merge"
	nullTag  = "!!null"
)

// refuse tells of every anchor, alias, merge key and tag below a node: a site
// file means what it shows, and takes no more memory than its size suggests.
func (r *reader) refuse(n *yaml.Node) {
	const expected = "each value written out: a site file has no anchors, aliases, merge keys or tags"
	switch {
	case n.Kind == yaml.AliasNode:
		r.fault(n.Line, "an alias (*)", expected)
		return // it points back into the tree
	case n.Anchor != "":
		r.fault(n.Line, "an anchor (&)", expected)
	case n.ShortTag() == mergeTag:
		r.fault(n.Line, "a merge key (<<)", expected)
	case n.Style&yaml.TaggedStyle != 0:
		r.fault(n.Line, "a tag (!)", expected)
	}
	for _, c := range n.Content {
		r.refuse(c)
	}
}

// describe puts a node into words.
func describe(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a block of keys"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.ShortTag() == nullTag:
		return "nothing"
	case isQuoted(n) && show(n.Value) == n.Value:
		return "the text " + quote(n.Value) // not the number
	default:
		return show(n.Value)
	}
}

func isQuoted(n *yaml.Node) bool {
	return n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle|yaml.LiteralStyle|yaml.FoldedStyle) != 0
}

// show repeats a value in a message: numbers as they stand, the rest in quotes.
func show(s string) string {
	if s != "" && len(s) <= maxName && strings.ContainsAny(s[:1], "+-.0123456789") && isPrintable(s) {
		return s
	}
	return quote(s)
}

// quote quotes the first part of a text of any length.
func quote(s string) string {
	if cut := []rune(s); len(cut) > maxName {
		s = string(cut[:maxName]) + "…"
	}
	return strconv.Quote(s)
}

func isPrintable(s string) bool {
	return !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) })
}

// pathWord is a key as a part of a path.
func pathWord(s string) string {
	if isPrintable(s) && len(s) <= maxName {
		return s
	}
	return quote(s)
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// lineOf is the line, from 1, of the byte at offset i.
func lineOf(data []byte, i int) int {
	return strings.Count(string(data[:max(0, min(i, len(data)))]), "\n") + 1
}
