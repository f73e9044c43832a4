package config

import (
	"encoding/base64"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"slices"
	"strings"
	"time"
)

// Mail is the plant's mail server.
type Mail struct {
	// Server is host:port.
	Server string
	// Security is starttls, tls or none.
	Security string
	User     string
	Password Secret
	// From is the sender's address.
	From string
	At   int
}

// Format prints the settings without the password, as that of MQTT does.
func (m Mail) Format(f fmt.State, _ rune) {
	fmt.Fprintf(f, "{%s %s user %q password %v from %s}", m.Server, m.Security, m.User, m.Password, m.From)
}

// Webhook is a web server that gets every event, and the notices of those who
// are told by it.
type Webhook struct {
	Name string
	// URL may hold a secret in its path.
	URL    Secret
	Secret Secret
	At     int
}

// Format prints the name alone.
func (w Webhook) Format(f fmt.State, _ rune) { fmt.Fprintf(f, "{webhook %s}", w.Name) }

// Person is one who is told of alarms, by a name that may be a role.
type Person struct {
	Name string
	// Mail is an address, Webhook the name of a webhook; one may be empty.
	Mail    string
	Webhook string
	// MQTT: he is told on a topic of his own.
	MQTT bool
	At   int
}

// Escalation is who is told of alarms, and when.
type Escalation struct {
	// HowToAcknowledge is a sentence for people; empty when there is none.
	HowToAcknowledge string
	// Quiet are two times of day since midnight between which low alarms wait;
	// nil when there are none.
	Quiet *[2]time.Duration
	Plans []Plan
}

// Plan is who is told of the alarms of one priority.
type Plan struct {
	// Priority is critical, high, medium or low.
	Priority string
	Tell     []Turn
	// Repeat is how often all are told again after the last; zero never.
	Repeat time.Duration
	At     int
}

// Turn is when a person is told.
type Turn struct {
	Person string
	After  time.Duration
	At     int
}

// Role is a role that may give orders.
type Role struct {
	Name string
	// Key proves it.
	Key Secret
	// May are the verbs of the orders that it may give.
	May []string
	// Priorities are those of the alarms that it may order about.
	Priorities []string
	// Safety: it may also withhold alarms that guard life.
	Safety bool
	At     int
}

// Format prints the role without its key.
func (r Role) Format(f fmt.State, _ rune) { fmt.Fprintf(f, "{role %s may %v}", r.Name, r.May) }

// priorities, the most urgent first, with how often each repeats unless the site
// says otherwise. Common practice, no source.
var priorities = []struct{ name, repeat string }{{"critical", "5m"}, {"high", "15m"}, {"medium", "30m"}, {"low", "4h"}}

// verbs are those of the orders that a role may be allowed.
var verbs = []string{"acknowledge", "reset", "shelve", "unshelve", "out-of-service", "in-service", "test", "grab-sample", "container", "serviced", "correct"}

const (
	aSecretFile = "a file, its path relative to the site file, whose first line is "
	mailAddress = "a mail address such as on-call-1@plant.example"
	// minKey and maxKey bound the key of a role, in characters.
	minKey, maxKey = 32, 256
)

// tellingKeys lists the keys about who is told and who may give orders.
func tellingKeys() []Key {
	keys := []Key{
		{"mail", false, "", "a block with server and from"},
		{"mail.server", must, "", "host:port such as mail.plant.example:587"},
		{"mail.security", false, "starttls", "starttls, tls or none; none for a server on this machine only"},
		{"mail.user", false, "", "the user name at the mail server, on one line, together with password_file"},
		{"mail.password_file", false, "", aSecretFile + "the password, together with user"},
		{"mail.from", must, "", mailAddress},

		{"webhooks", false, "", "web servers that get every event, by name"},
		{"webhooks.*", false, "", "a block with url and secret_file"},
		{"webhooks.*.url", must, "", "https://host/path, or http:// for a server on this machine"},
		{"webhooks.*.secret_file", must, "", aSecretFile + "whsec_ and 24 to 64 bytes in base64"},

		{"people", false, "", "those who are told of alarms, by name or role"},
		{"people.*", false, "", "a block with mail, webhook or mqtt"},
		{"people.*.mail", false, "", mailAddress},
		{"people.*.webhook", false, "", "the name of a webhook"},
		{"people.*.mqtt", false, "no", "yes or no; yes to be told through the broker, on the topic notice/ and the name"},

		{"escalation", false, "", "a block with critical, high, medium and low"},
		{"escalation.how_to_acknowledge", false, "", "a sentence that tells people where they acknowledge, on one line"},
		{"escalation.quiet_hours", false, "", "two different times of day such as 22:00 to 06:00, between which low alarms wait"},
	}
	for _, p := range priorities {
		path, never := "escalation."+p.name, ""
		if mayEnd(p.name) {
			never = ", or never"
		}
		keys = append(keys,
			Key{path, false, "", "a block with tell and repeat"},
			Key{path + ".tell", must, "", "at least one of people by name, each with a time such as 0s"},
			Key{path + ".tell.*", false, "", "a duration from 0s to 24h since the alarm was raised"},
			Key{path + ".repeat", false, p.repeat, "a duration from 1m to 24h, after which all are told again" + never})
	}
	return append(keys,
		Key{"roles", false, "", "who may give orders, by role; absent, all whom the broker lets in"},
		Key{"roles.*", false, "", "a block with key_file and may"},
		Key{"roles.*.key_file", must, "", fmt.Sprintf("%sa key of %d to %d characters", aSecretFile, minKey, maxKey)},
		Key{"roles.*.may", must, "", "orders with commas between, of " + strings.Join(verbs, ", ")},
		Key{"roles.*.priorities", false, "critical, high, medium, low", "priorities with commas between, of critical, high, medium, low"},
		Key{"roles.*.safety", false, "no", "yes or no; yes for a role that may withhold alarms that guard life"})
}

// mayEnd reports whether the alarms of a priority may go without a reminder.
func mayEnd(priority string) bool { return priority == "medium" || priority == "low" }

// telling reads who is told and who may give orders.
func (r *siteReader) telling(top block, s *Site) {
	s.Mail = r.mail(top.get("mail"))
	s.Webhooks = each(top.get("webhooks"), r.webhook)
	s.People = each(top.get("people"), func(name string, v value) Person { return r.person(name, v, s) })
	s.Escalation = r.escalation(top.get("escalation"), s)
	s.Roles = each(top.get("roles"), r.role)
}

func (r *siteReader) mail(v value) *Mail {
	b, ok := v.block()
	if !ok {
		return nil
	}
	m := &Mail{At: v.line}
	security := b.get("security")
	known := oneOf(security, &m.Security, "starttls", "tls", "none")
	if b.get("server").address(&m.Server) && known && m.Security == "none" {
		if host, _, _ := splitHostPort(m.Server); !ownMachine(host) {
			security.bad("none, with the server " + quote(m.Server) + ",")
		}
	}
	b.get("user").text(&m.User)
	file := b.get("password_file")
	if b.has("user") != b.has("password_file") {
		b.fault(b.line, "user without password_file, or the other way round, in "+b.path, "both or neither")
	}
	if s, ok := file.scalar(); ok {
		m.Password = r.password(file, s)
	}
	b.get("from").mailAddress(&m.From)
	return m
}

func ownMachine(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// mailAddress reads a bare address in ASCII.
func (v value) mailAddress(dst *string) bool {
	s, ok := v.scalar()
	if !ok {
		return false
	}
	a, err := mail.ParseAddress(s)
	if err != nil || a.Address != s || strings.ContainsFunc(s, func(r rune) bool { return r <= ' ' || r > '~' }) || len(s) > maxText {
		v.bad(show(s))
		return false
	}
	*dst = s
	return true
}

func (r *siteReader) webhook(name string, v value) Webhook {
	w := Webhook{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return w
	}
	at, file := b.get("url"), b.get("secret_file")
	if s, ok := at.scalar(); ok {
		// The address is not repeated, since its path may be a secret.
		u, err := url.Parse(s)
		switch {
		case err != nil || u.Host == "" || u.User != nil || u.Scheme != "https" && u.Scheme != "http":
			at.bad("an address of another form")
		case u.Scheme == "http" && !ownMachine(u.Hostname()):
			at.bad("an address without TLS on another machine")
		}
		w.URL = Secret(s)
	}
	if s, ok := file.scalar(); ok {
		w.Secret = r.password(file, s)
		if w.Secret != "" && !isWebhookSecret(w.Secret.Reveal()) {
			file.bad("a file whose first line is something else")
		}
	}
	return w
}

// isWebhookSecret follows the specification Standard Webhooks 1.0.
func isWebhookSecret(s string) bool {
	text, ok := strings.CutPrefix(s, "whsec_")
	key, err := base64.StdEncoding.DecodeString(text)
	return ok && err == nil && len(key) >= 24 && len(key) <= 64
}

func (r *siteReader) person(name string, v value, s *Site) Person {
	p := Person{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return p
	}
	to, hook := b.get("mail"), b.get("webhook")
	if to.mailAddress(&p.Mail) && s.Mail == nil {
		to.fault(to.line, "an address for "+to.path+" and no mail server", "a block mail at the top of the site file")
	}
	if w, ok := hook.scalar(); ok {
		p.Webhook = w
		if !slices.ContainsFunc(s.Webhooks, func(h Webhook) bool { return h.Name == w }) {
			var names []string
			for _, h := range s.Webhooks {
				names = append(names, h.Name)
			}
			hook.fault(hook.line, fmt.Sprintf("the unknown webhook %s for %s", quote(w), hook.path), "the name of a webhook"+r.such(w, names))
		}
	}
	broker := b.get("mqtt")
	if p.MQTT = broker.yes(); p.MQTT && s.MQTT == nil {
		broker.fault(broker.line, "yes for "+broker.path+" and no broker", "a block mqtt at the top of the site file")
	}
	if !b.has("mail") && !b.has("webhook") && !p.MQTT {
		b.fault(b.line, "neither mail nor webhook nor mqtt in "+b.path, "a way to reach this person")
	}
	return p
}

func (r *siteReader) escalation(v value, s *Site) *Escalation {
	b, ok := v.block()
	if !ok {
		return nil
	}
	e := &Escalation{}
	b.get("how_to_acknowledge").text(&e.HowToAcknowledge)
	b.get("quiet_hours").timesOfDay(&e.Quiet)
	for _, p := range priorities {
		if b.has(p.name) {
			e.Plans = append(e.Plans, r.plan(p.name, b.get(p.name), s))
		}
	}
	return e
}

func (r *siteReader) plan(priority string, v value, s *Site) Plan {
	p := Plan{Priority: priority, At: v.line}
	b, ok := v.block()
	if !ok {
		return p
	}
	var names []string
	for _, person := range s.People {
		names = append(names, person.Name)
	}
	p.Tell = each(b.get("tell"), func(name string, v value) Turn {
		t := Turn{Person: name, At: v.line}
		v.duration(&t.After, 0, 24*time.Hour)
		if !slices.Contains(names, name) && isName(name) {
			v.fault(v.line, fmt.Sprintf("the unknown person %s in %s", quote(name), b.path), "a name of people"+r.such(name, names))
		}
		return t
	})
	slices.SortStableFunc(p.Tell, func(a, b Turn) int { return int(a.After - b.After) })
	repeat := b.get("repeat")
	if word, ok := repeat.scalar(); ok && !(mayEnd(priority) && word == "never") {
		repeat.duration(&p.Repeat, time.Minute, 24*time.Hour)
	}
	return p
}

// timesOfDay reads "22:00 to 06:00".
func (v value) timesOfDay(dst **[2]time.Duration) bool {
	s, ok := v.scalar()
	if !ok {
		return false
	}
	from, to, ok := strings.Cut(s, " to ")
	var span [2]time.Duration
	for i, text := range []string{from, to} {
		t, err := time.Parse("15:04", strings.TrimSpace(text))
		ok = ok && err == nil
		span[i] = time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
	}
	if !ok || span[0] == span[1] {
		v.bad(show(s))
		return false
	}
	*dst = &span
	return true
}

func (r *siteReader) role(name string, v value) Role {
	role := Role{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return role
	}
	file, may := b.get("key_file"), b.get("may")
	if s, ok := file.scalar(); ok {
		role.Key = r.password(file, s)
		if n := len(role.Key); n > 0 && (n < minKey || n > maxKey) {
			file.bad(fmt.Sprintf("a file with %d characters in its first line", n))
		}
	}
	may.words(&role.May, "order", verbs)
	var known []string
	for _, p := range priorities {
		known = append(known, p.name)
	}
	b.get("priorities").words(&role.Priorities, "priority", known)
	role.Safety = b.get("safety").yes()
	return role
}

// yes reads yes or no.
func (v value) yes() bool {
	var word string
	return oneOf(v, &word, "yes", "no") && word == "yes"
}

// words reads known words with commas between.
func (v value) words(dst *[]string, what string, known []string) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	for word := range strings.SplitSeq(s, ",") {
		word = strings.TrimSpace(word)
		if !slices.Contains(known, word) {
			v.bad("the unknown " + what + " " + quote(word))
			continue
		}
		*dst = append(*dst, word)
	}
}
