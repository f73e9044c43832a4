package config

import (
	"fmt"
	"math"
	"net"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"

	"ebbwatch/agent/units"
)

// Each method here reads one value into dst and reports whether it could. What
// is absent leaves dst alone; what is wrong does so too and is told of.

// scalar returns a single value as it is written. An alias has been told of by
// refuse, and reads as nothing.
func (v value) scalar() (string, bool) {
	if v.node == nil || v.node.Kind == yaml.AliasNode {
		return "", false
	}
	if v.node.Kind != yaml.ScalarNode || v.node.ShortTag() == nullTag {
		v.bad(describe(v.node))
		return "", false
	}
	return v.node.Value, true
}

// unquoted is scalar for numbers: "5" in quotes is a text.
func (v value) unquoted() (string, bool) {
	s, ok := v.scalar()
	if ok && isQuoted(v.node) {
		v.bad(describe(v.node))
		return "", false
	}
	return s, ok
}

// text reads one line for people.
func (v value) text(dst *string) bool {
	s, ok := v.scalar()
	switch n := utf8.RuneCountInString(s); {
	case !ok:
		return false
	case strings.TrimSpace(s) == "":
		v.bad("an empty text")
	case !isPrintable(s):
		v.bad("a text with line breaks or unprintable characters")
	case n > maxText:
		v.bad(fmt.Sprintf("a text of %d characters, over the %d allowed,", n, maxText))
	default:
		*dst = s
		return true
	}
	return false
}

// name reads a name that becomes a part of topics and labels.
func (v value) name(dst *string) bool {
	s, ok := v.scalar()
	if ok && !isName(s) {
		v.bad(show(s))
		return false
	}
	if ok {
		*dst = s
	}
	return ok
}

// isName tells whether a name is safe in an MQTT topic and in a label, and
// cannot be mistaken for a path: [a-z0-9]([a-z0-9-]*[a-z0-9])?.
func isName(s string) bool {
	return s != "" && len(s) <= maxName && s == strings.Trim(s, "-") && !strings.ContainsFunc(s, notInName)
}

func notInName(r rune) bool {
	return r != '-' && (r < 'a' || r > 'z') && (r < '0' || r > '9')
}

// oneOf reads one of a few words.
func oneOf[T ~string](v value, dst *T, words ...T) bool {
	s, ok := v.scalar()
	if ok && !slices.Contains(words, T(s)) {
		v.bad(show(s))
		return false
	}
	if ok {
		*dst = T(s)
	}
	return ok
}

// truth reads true or false.
func truth(v value, dst *bool) {
	s, ok := v.unquoted()
	if !ok {
		return
	}
	switch s {
	case "true":
		*dst = true
	case "false":
		*dst = false
	default:
		v.bad(show(s))
	}
}

// whole reads a decimal whole number.
func (v value) whole(dst *int, allowed func(int) bool) bool {
	s, ok := v.unquoted()
	if !ok {
		return false
	}
	n, ok := parseWhole(s)
	if !ok || !allowed(n) {
		v.bad(show(s))
		return false
	}
	*dst = n
	return true
}

// parseWhole reads a decimal whole number as it is commonly written.
func parseWhole(s string) (int, bool) {
	n, err := strconv.Atoi(s)
	return n, err == nil && s == strconv.Itoa(n)
}

func between(low, high int) func(int) bool {
	return func(n int) bool { return low <= n && n <= high }
}

// number reads a number without a unit.
func (v value) number(dst *float64, allowed func(float64) bool) bool {
	s, ok := v.unquoted()
	if !ok {
		return false
	}
	f, ok := parseNumber(s)
	if !ok || !allowed(f) {
		v.bad(show(s))
		return false
	}
	*dst = f
	return true
}

// parseNumber reads a finite decimal number. Hexadecimal, infinity and
// underscores mean different things to different readers.
func parseNumber(s string) (float64, bool) {
	if strings.Trim(s, "+-.0123456789eE") != "" {
		return 0, false
	}
	f, err := strconv.ParseFloat(s, 64)
	return f, err == nil
}

func positive(f float64) bool    { return f > 0 && !math.IsInf(f, 0) }
func notNegative(f float64) bool { return f >= 0 && !math.IsInf(f, 0) }

// quantity reads a number with a unit of dimension d as an SI value. A ratio
// may stand without a unit.
func quantity[T ~float64](v value, dst *T, d units.Dimension, allowed func(float64) bool) bool {
	f, u, ok := v.measure(d)
	return ok && keep(v, dst, u.SI(f), allowed)
}

// span is quantity for a difference.
func span[T ~float64](v value, dst *T, d units.Dimension, allowed func(float64) bool) bool {
	f, u, ok := v.measure(d)
	return ok && keep(v, dst, u.SpanSI(f), allowed)
}

func keep[T ~float64](v value, dst *T, si float64, allowed func(float64) bool) bool {
	if !allowed(si) {
		v.bad(show(v.node.Value))
		return false
	}
	*dst = T(si)
	return true
}

func (v value) measure(d units.Dimension) (float64, units.Unit, bool) {
	s, ok := v.scalar()
	if !ok {
		return 0, units.Unit{}, false
	}
	f, u, err := units.ParseQuantity(s)
	if err != nil {
		var bare bool
		switch f, bare = parseNumber(s); {
		case bare && d == units.Ratio:
			return f, units.MustParse("1"), true
		case bare:
			v.bad(show(s) + ", a number without a unit,")
		default:
			v.bad(show(s))
		}
		return 0, units.Unit{}, false
	}
	if u.Dimension != d {
		v.bad(fmt.Sprintf("%s, a unit of %s,", show(s), u.Dimension))
		return 0, units.Unit{}, false
	}
	return f, u, true
}

// duration reads a duration as Go writes it ("1h30m"), or a number with a unit
// of time ("2 d").
func (v value) duration(dst *time.Duration, low, high time.Duration) bool {
	s, ok := v.scalar()
	if !ok {
		return false
	}
	d, err := time.ParseDuration(s)
	if err != nil {
		var seconds float64
		if !quantity(v, &seconds, units.Time, func(f float64) bool { return math.Abs(f) <= high.Seconds() }) {
			return false
		}
		d = time.Duration(math.Round(seconds * float64(time.Second)))
	}
	if d < low || d > high {
		v.bad(show(s))
		return false
	}
	*dst = d
	return true
}

// pair reads two numbers: "0 to 8".
func (v value) pair(dst **[2]float64, allowed func(a, b float64) bool) bool {
	s, ok := v.scalar()
	if !ok {
		return false
	}
	ab := parseNumbers(s, " to ")
	if len(ab) != 2 || !allowed(ab[0], ab[1]) {
		v.bad(show(s))
		return false
	}
	*dst = &[2]float64{ab[0], ab[1]}
	return true
}

func ascending(a, b float64) bool { return a < b }

// parseNumbers reads numbers with a word between them, or nothing when one of
// them is none.
func parseNumbers(s, between string) (numbers []float64) {
	for part := range strings.SplitSeq(s, between) {
		f, ok := parseNumber(strings.TrimSpace(part))
		if !ok {
			return nil
		}
		numbers = append(numbers, f)
	}
	return numbers
}

// address reads the host:port of another machine.
func (v value) address(dst *string) bool {
	return v.hostPort(dst, func(host string, port int) bool { return host != "" && port > 0 })
}

// listen reads the host:port of this machine: no host means each of its
// addresses, port 0 any free port.
func (v value) listen(dst *string) bool {
	return v.hostPort(dst, func(string, int) bool { return true })
}

func (v value) hostPort(dst *string, allowed func(host string, port int) bool) bool {
	s, ok := v.scalar()
	if !ok {
		return false
	}
	if host, port, ok := splitHostPort(s); !ok || !allowed(host, port) {
		v.bad(show(s))
		return false
	}
	*dst = s
	return true
}

func splitHostPort(s string) (string, int, bool) {
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		return "", 0, false
	}
	n, err := strconv.Atoi(port)
	if err != nil || port != strconv.Itoa(n) || n < 0 || n > math.MaxUint16 {
		return "", 0, false
	}
	if _, err := netip.ParseAddr(host); err == nil {
		return host, n, true
	}
	odd := strings.ContainsFunc(host, func(r rune) bool {
		return r > unicode.MaxASCII || !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("-._", r)
	})
	return host, n, !odd
}
