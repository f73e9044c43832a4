package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// TestWaysOut lets a daemon with every kind of secret go through a trip and its
// orders, and looks at all that leaves it: each document is as its schema says, in
// the eyes of a validator that nobody here wrote, and nothing holds a secret.
func TestWaysOut(t *testing.T) {
	peers := startPeers(t)
	sub := peers.broker.Subscribe(1, root+"#")
	path := peers.site(t, 100*time.Millisecond, "quiet-river")
	const operator = "an-operators-key-that-nobody-may-see"
	secrets := map[string]string{
		"broker's password": "quiet-river", "role's key": operator, "mail password": "loud-waterfall",
		"webhook's secret": hookSecret[len("whsec_"):], "webhook's address": "path-that-is-a-secret",
	}
	certificate, key := pair(t, 24*time.Hour)
	secrets["server's key"] = strings.Split(string(key), "\n")[1]
	for name, content := range map[string]string{
		"operator-key": operator, "mail-password": "loud-waterfall\n", "hook-secret": hookSecret, "plant.pem": string(certificate), "plant-key.pem": string(key),
	} {
		if err := os.WriteFile(filepath.Join(filepath.Dir(path), name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// Nothing listens at port 9: the telling fails, and errors tell of it.
	appendTo(t, path, `
http: {metrics: "127.0.0.1:0", certificate_file: plant.pem, key_file: plant-key.pem}
registers: {listen: "127.0.0.1:0"}
roles:
  operator: {key_file: operator-key, may: "acknowledge, reset, shelve, unshelve"}
mail: {server: "127.0.0.1:9", security: none, user: plant, password_file: mail-password, from: ebbwatch@plant.example}
webhooks:
  pager: {url: "https://127.0.0.1:9/path-that-is-a-secret", secret_file: hook-secret}
people:
  on-call-1: {mail: on-call-1@plant.example, webhook: pager, mqtt: yes}
escalation:
  critical: {tell: {on-call-1: 0s}}
`)
	seen := map[string]string{} // what leaves, by where it does
	d := startDaemon(t, path)
	ask := func(path string) string {
		_, body := secure(t, d.address, path)
		return body
	}
	eventually(t, "all instruments are read", func() bool { return strings.Contains(ask("/v1/snapshot"), `"level":"attention"`) })
	var documents []string
	document := func(schema, text string) { documents = append(documents, schema+" "+text) }
	document("snapshot", ask("/v1/snapshot"))

	stream := follow(t, d.address)
	peers.setGas(1.4)
	sub.Wait("the trip", isEvent("gas-1-level-2", "raised"))
	order := func(key, text string) {
		code, body := orderBy(t, d.address, key, text)
		seen[fmt.Sprintf("the answer %d to %s", code, text)] = body
		document("answer", body)
	}
	order("a-key-that-is-wrong", `{"order":"o-1","verb":"acknowledge","role":"operator","alarm":"gas-1-level-2","episode":1}`)
	order(operator, `{"order":"o-2","verb":"acknowledge","role":"operator","alarm":"gas-1-level-2","episode":1}`)
	order(operator, `{"order":"o-3","verb":"acknowledge","role":"operator","alarm":"gas-1-level-2","episode":7}`)
	sub.Wait("the acknowledgement", isEvent("gas-1-level-2", "acknowledged"))
	sub.Wait("a heartbeat", func(m peertest.Message) bool { return strings.HasSuffix(m.Topic, "/heartbeat") })
	for name, text := range map[string]string{
		"acknowledge": `{"order":"o-4","by":"integrator"}`, "shelve": "quiet-river",
	} { // refused, and answered
		peers.broker.Publish(root+"order/"+name, text, false)
	}
	sub.Wait("an answer", func(m peertest.Message) bool { return strings.Contains(m.Topic, "/answer/") })
	eventually(t, "mail and webhook have failed", func() bool {
		return strings.Contains(d.log.String(), "mail/on-call-1") && strings.Contains(d.log.String(), "webhook/pager")
	})
	document("snapshot", ask("/v1/snapshot"))

	for _, path := range []string{"/", "/page/page.js", "/page/page.css", "/page/words.js", "/page/draw.js", "/page/trends.js", "/page/icon.svg", "/v1/snapshot", "/v1/history?figure=residual-out", "/v1/history?figure=x", "/nothing", "/healthz", "/readyz"} {
		seen[path] = ask(path)
	}
	apart := strings.TrimSpace(textAfter(d.log.String(), "metrics="))
	_, seen["/metrics"] = secure(t, apart, "/metrics")
	if !strings.Contains(seen["/metrics"], "ebbwatch_build_info") {
		t.Errorf("no metrics at %q: %.200s", apart, seen["/metrics"])
	}
	seen["/v1/stream"] = stream()
	for event := range strings.SplitSeq(seen["/v1/stream"], "\n\n") {
		if name, data, ok := strings.Cut(strings.TrimPrefix(event, "event: "), "\ndata: "); ok {
			document(name, data)
		}
	}
	topics := map[string]string{"presence": "presence", "heartbeat": "heartbeat", "alarm": "condition", "summary": "summary", "event": "event", "notice": "notice", "figure": "figure", "answer": "answer"}
	kinds := map[string]bool{}
	for _, m := range sub.Messages() {
		level, _, _ := strings.Cut(strings.TrimPrefix(m.Topic, root), "/")
		if level == "order" {
			continue // our own
		}
		seen["the topic "+m.Topic] += m.Payload + "\n"
		if schema, ok := topics[level]; !ok {
			t.Errorf("the topic %s has no schema", m.Topic)
		} else if m.Payload != "" {
			kinds[level] = true
			document(schema, m.Payload)
		}
	}
	if len(kinds) != len(topics) {
		t.Errorf("there are messages of %v, expected of all %d kinds", kinds, len(topics))
	}
	_, seen["check"], _ = runCommand(t, "check", "--site", path)
	_, seen["check --registers"], _ = runCommand(t, "check", "--site", path, "--registers", "csv")
	_, _, seen["a faulty site"] = runCommand(t, "check", "--site", faulty(t, path))
	d.stop()
	seen["the log"] = d.log.String()
	err := filepath.WalkDir(filepath.Join(filepath.Dir(path), "state"), func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		text, err := os.ReadFile(path)
		seen[path] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}

	for where, text := range seen {
		if text == "" {
			t.Errorf("nothing was seen of %s", where)
		}
		for what, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%s has the %s in it", where, what)
			}
		}
	}
	said := peertest.JSONSchema(t, filepath.Join("..", "..", "testdata", "schema"), documents)
	for _, fault := range said[:len(said)-1] {
		t.Error(fault)
	}
	if want := fmt.Sprintf("%d documents by 10 schemas", len(documents)); said[len(said)-1] != want {
		t.Errorf("judged were %s, expected %s", said[len(said)-1], want)
	}
}

// textAfter is the word behind a text.
func textAfter(all, before string) string {
	_, rest, _ := strings.Cut(all, before)
	word, _, _ := strings.Cut(rest, "\n")
	word, _, _ = strings.Cut(word, " ")
	return word
}

// faulty is a site file with a fault at each secret.
func faulty(t testing.TB, path string) string {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	bad := strings.NewReplacer("https://127.0.0.1:9/path", "ftp://127.0.0.1:9/path", "key_file: plant-key.pem", "key_file: mail-password", "key_file: operator-key", "key_file: mail-password", "secret_file: hook-secret", "secret_file: operator-key").Replace(string(text))
	out := filepath.Join(filepath.Dir(path), "faulty.yaml")
	if err := os.WriteFile(out, []byte(bad), 0o600); err != nil {
		t.Fatal(err)
	}
	return out
}

// follow reads the stream until the function that it returns is called, which
// gives what came.
func follow(t testing.TB, address string) func() string {
	t.Helper()
	resp, err := insecure().Get("https://" + address + "/v1/stream")
	if err != nil {
		t.Fatal(err)
	}
	var came lockedBuffer
	done := make(chan struct{})
	go func() {
		defer close(done)
		for s := bufio.NewReader(resp.Body); ; {
			line, err := s.ReadBytes('\n')
			if err != nil {
				return
			}
			came.Write(line)
		}
	}()
	return func() string {
		eventually(t, "changes have come", func() bool { return strings.Count(came.String(), "event: change") > 2 })
		resp.Body.Close()
		<-done
		whole, _, _ := cutLast(came.String(), "\n\n")
		return whole
	}
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return s, "", false
}

// orderBy gives an order over HTTP with a key.
func orderBy(t testing.TB, address, key, text string) (code int, body string) {
	t.Helper()
	req, err := http.NewRequest("POST", "https://"+address+"/v1/order", bytes.NewReader([]byte(text)))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+key)
	resp, err := insecure().Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	answer, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(answer)
}
