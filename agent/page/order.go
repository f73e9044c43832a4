package page

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
	"unicode"

	"ebbwatch/alarms"
)

// Role is proven by its key, which is long and random, so that a plain hash of it
// can be kept. What it may order is for Orders to say.
type Role struct {
	Name string
	// KeySum is the SHA-256 of the key.
	KeySum [sha256.Size]byte
}

// Orders carries out what a role asks for.
type Orders func(context.Context, alarms.Order) alarms.Answer

// The bounds of orders (own choice).
const (
	maxOrder = 4 << 10
	maxName  = 64
	// An address that brings this many wrong keys within window is not heard until
	// window is over. At most maxAddresses are remembered.
	maxWrong     = 10
	window       = time.Minute
	maxAddresses = 256
)

// incoming is an order as the page sends it. The key comes in the header
// Authorization: Bearer KEY.
type incoming struct {
	Order   string      `json:"order"`
	Verb    alarms.Verb `json:"verb"`
	Role    string      `json:"role"`
	By      string      `json:"by"` // empty takes the role
	Alarm   string      `json:"alarm"`
	Episode uint64      `json:"episode"`
	// For is a duration such as 30m, for shelve.
	For    string `json:"for"`
	Reason string `json:"reason"`
	// Action and what follows it are those of the order container.
	Action    string `json:"action"`
	Container string `json:"container"`
	Bank      string `json:"bank"`
	Serial    string `json:"serial"`
	Tare      string `json:"tare"` // with its unit
	Count     int    `json:"count"`
	period    time.Duration
}

// order serves POST /v1/order.
func (s *server) order(w http.ResponseWriter, r *http.Request) {
	var in incoming
	refuse := func(status int, format string, args ...any) {
		writeAnswer(w, status, alarms.Answer{Order: in.Order, Alarm: in.Alarm, Result: alarms.Refused, Why: fmt.Sprintf(format, args...)})
	}
	if len(s.o.Roles) == 0 || s.o.Orders == nil {
		refuse(http.StatusForbidden, "orders are switched off: the site file gives no role a key")
		return
	}
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/json" {
		refuse(http.StatusUnsupportedMediaType, "an order is sent as application/json")
		return
	}
	from := address(r)
	if s.wrong.tooMany(from, time.Now()) {
		w.Header().Set("Retry-After", "60")
		refuse(http.StatusTooManyRequests, "too many wrong keys from your address: wait a minute")
		return
	}
	if err := decode(http.MaxBytesReader(w, r.Body, maxOrder), &in); err != nil {
		in = incoming{}
		refuse(http.StatusBadRequest, "the order cannot be read: %v", err)
		return
	}
	role, ok := s.prove(in.Role, r.Header.Get("Authorization"))
	if !ok {
		s.wrong.add(from, time.Now())
		refuse(http.StatusUnauthorized, "role or key is wrong")
		return
	}
	if in.Order == "" {
		in.Order = rand.Text()
	}
	answer := s.o.Orders(r.Context(), alarms.Order{
		Verb: in.Verb, ID: in.Order, By: cmp.Or(in.By, role.Name), Role: role.Name, Alarm: in.Alarm, Episode: in.Episode,
		For: in.period, Reason: in.Reason, IssuedAt: s.o.Snapshot().Time,
		Container: alarms.ContainerOrder{Action: in.Action, Container: in.Container, Bank: in.Bank, Serial: in.Serial, Tare: in.Tare, Count: in.Count},
	})
	status := http.StatusOK
	if answer.Result == alarms.Refused {
		status = http.StatusConflict
	}
	writeAnswer(w, status, answer)
}

// decode reads one JSON object with known fields and nothing after it.
func decode(r io.Reader, in *incoming) error {
	d := json.NewDecoder(r)
	d.DisallowUnknownFields()
	if err := d.Decode(in); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("something follows the object")
	}
	for _, name := range []string{in.Order, in.Alarm, in.Role, in.By, in.Action, in.Container, in.Bank} {
		if len(name) > maxName || strings.ContainsAny(name, "/+#\r\n") {
			return fmt.Errorf("the name %.80q is longer than %d bytes or has one of / + # in it", name, maxName)
		}
	}
	for _, text := range []string{in.Serial, in.Tare} {
		if len(text) > maxName || strings.ContainsFunc(text, unicode.IsControl) {
			return fmt.Errorf("serial or tare, %.80q, is longer than %d bytes or has a line break in it", text, maxName)
		}
	}
	if in.For == "" {
		return nil
	}
	var err error
	if in.period, err = time.ParseDuration(in.For); err != nil || in.period <= 0 {
		return fmt.Errorf("for is %.40q: expected a time such as 30m", in.For)
	}
	return nil
}

// prove finds the role whose key is given. All roles are compared, so that the
// time tells nothing.
func (s *server) prove(name, header string) (*Role, bool) {
	key, ok := strings.CutPrefix(header, "Bearer ")
	if !ok {
		return nil, false
	}
	sum := sha256.Sum256([]byte(key))
	var found *Role
	for i := range s.o.Roles {
		role := &s.o.Roles[i]
		if subtle.ConstantTimeCompare(sum[:], role.KeySum[:])&subtle.ConstantTimeCompare([]byte(name), []byte(role.Name)) == 1 {
			found = role
		}
	}
	return found, found != nil
}

func writeAnswer(w http.ResponseWriter, status int, a alarms.Answer) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(must(json.Marshal(a))) // the error is the client's
}

func address(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// wrongKeys counts the wrong keys of each address.
type wrongKeys struct {
	mu    sync.Mutex // guards count
	count map[string]tries
}

type tries struct {
	n     int
	since time.Time
}

func (k *wrongKeys) tooMany(from string, now time.Time) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	t := k.count[from]
	return t.n >= maxWrong && now.Sub(t.since) < window
}

func (k *wrongKeys) add(from string, now time.Time) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.count == nil {
		k.count = make(map[string]tries)
	}
	t := k.count[from]
	if t.n == 0 || now.Sub(t.since) >= window {
		t = tries{since: now}
		if len(k.count) >= maxAddresses {
			k.forget()
		}
	}
	t.n++
	k.count[from] = t
}

// forget makes room by the address that was first seen longest ago.
func (k *wrongKeys) forget() {
	var oldest string
	for a, t := range k.count {
		if oldest == "" || t.since.Before(k.count[oldest].since) {
			oldest = a
		}
	}
	delete(k.count, oldest)
}
