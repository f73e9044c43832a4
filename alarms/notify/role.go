package notify

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"ebbwatch/alarms"
)

// Role is proven by its key. What it may order is for the evaluator to say.
type Role struct {
	Name string
	Key  []byte
}

// Canonical is the text whose HMAC-SHA256 under a role's key, in lower-case
// hexadecimal, proves an order: the topic, then every field of the payload but
// mac, sorted by name, as name=value, each in a line of its own that ends in a
// line feed. A text stands as it is, in UTF-8 and without quotes, a number, true
// and false as they are written in the payload.
func Canonical(topic string, payload []byte) (string, error) {
	d := json.NewDecoder(bytes.NewReader(payload))
	d.UseNumber()
	var fields map[string]any
	if err := d.Decode(&fields); err != nil {
		return "", errors.New("the order is not one JSON object")
	}
	delete(fields, "mac")
	lines := []string{topic}
	for _, name := range slices.Sorted(maps.Keys(fields)) {
		var text string
		switch v := fields[name].(type) {
		case string:
			text = v
		case json.Number:
			text = v.String()
		case bool:
			text = strconv.FormatBool(v)
		default:
			return "", fmt.Errorf("the order's field %.40q is neither text, a number, true nor false, which no proof covers", name)
		}
		// What looks like another field must not be part of one.
		if strings.ContainsAny(name+text, "\r\n") {
			return "", fmt.Errorf("the order's field %.40q has a line break, which no proof covers", name)
		}
		lines = append(lines, name+"="+text)
	}
	return strings.Join(lines, "\n") + "\n", nil
}

// mac is the proof of a text under a key.
func mac(key []byte, text string) []byte {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(text))
	return h.Sum(nil)
}

// prove returns the role that has proven the order. Without roles nobody has to
// prove anything, and no role counts; a refresh and a note change no alarm and are
// free.
func (p *Publisher) prove(verb string, in incoming, r *request) (role string, err error) {
	if len(p.o.Roles) == 0 || verb == refresh || verb == string(alarms.Note) && r.MAC == "" {
		return "", nil
	}
	if r.Role == "" || r.MAC == "" {
		return "", errors.New("the order proves no role: fill in role, and mac, made with the role's key")
	}
	text, err := Canonical(in.topic, in.payload)
	if err != nil {
		return "", err
	}
	// An unknown role takes as long as a known one, and is told the same.
	known := Role{Key: make([]byte, sha256.Size)}
	for _, candidate := range p.o.Roles {
		if candidate.Name == r.Role {
			known = candidate
		}
	}
	given, _ := hex.DecodeString(r.MAC) // what is not hexadecimal proves nothing
	if !hmac.Equal(given, mac(known.Key, text)) || known.Name == "" {
		return "", errors.New("mac does not prove the role: are the role, its key and the text that was signed right?")
	}
	return known.Name, nil
}
