package main

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

const hookSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

// addPeople lets a site tell on-call-1 by mail and webhook at once, and the
// supervisor by mail and MQTT two seconds later.
func addPeople(t *testing.T, site string, m *peertest.MailServer, w *peertest.WebServer) {
	t.Helper()
	text, err := os.ReadFile(site)
	if err != nil {
		t.Fatal(err)
	}
	text = fmt.Appendf(text, `
mail: {server: %q, security: none, from: ebbwatch@plant.example}
webhooks:
  pager: {url: "http://%s/alarms", secret_file: hook-secret}
people:
  on-call-1: {mail: on-call-1@plant.example, webhook: pager}
  supervisor: {mail: supervisor@plant.example, mqtt: yes}
escalation:
  critical: {tell: {on-call-1: 0s, supervisor: 2s}}
`, m.Addr(), w.Addr())
	if err := os.WriteFile(site, text, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(filepath.Dir(site), "hook-secret"), []byte(hookSecret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
}

// subjects are those of the mails that one person got.
func subjects(m *peertest.MailServer, to string) (out []string) {
	for _, mail := range m.Messages() {
		if mail.To[0] == to+"@plant.example" {
			_, rest, _ := strings.Cut(mail.Text, "Subject: ")
			subject, _, _ := strings.Cut(rest, "\r\n")
			out = append(out, subject)
		}
	}
	return out
}

// TestPeopleAreTold goes from a register on a wire to mails and webhooks taken by
// peers that nobody here wrote, over a restart while the mail server is down, to
// the acknowledgement that ends the telling.
func TestPeopleAreTold(t *testing.T) {
	peers := startPeers(t)
	m, _ := peertest.Aiosmtpd(t, "none", peertest.Login{})
	w, _ := peertest.Webhooks(t, hookSecret, false)
	site := peers.site(t, 100*time.Millisecond, "quiet-river")
	sub := peers.broker.Subscribe(1, root+"notice/#")
	addPeople(t, site, m, w)
	m.Answer("RCPT", 451) // come back later
	first := startDaemon(t, site)
	eventually(t, "the gas is read", func() bool {
		_, ok := metric(first.get(t, "/metrics").body, `ebbwatch_gas_concentration_ppm{detector="gas-1"}`)
		return ok
	})
	peers.setGas(1.5)
	tripped := time.Now()
	eventually(t, "the webhook has the notice", func() bool { return len(hooked(t, w, "ebbwatch.alarm.notice.v1")) > 0 })
	t.Logf("from the register to the notice in the web server: %s, at a poll every 100 ms", time.Since(tripped).Round(time.Millisecond))
	eventually(t, "readyz says that mail is refused", func() bool {
		r := first.get(t, "/readyz")
		return r.code == 503 && strings.Contains(r.body, "did not take the recipient")
	})
	first.stop()
	if got := m.Messages(); len(got) != 0 {
		t.Fatalf("the mail server took %d mails while it refused all", len(got))
	}
	m.Answer("RCPT", 250)
	second := startDaemon(t, site)
	eventually(t, "both have the mail of the trip", func() bool {
		return len(subjects(m, "on-call-1")) > 0 && len(subjects(m, "supervisor")) > 0
	})
	eventually(t, "readyz is content", func() bool { return second.get(t, "/readyz").code == 200 })
	peers.broker.Publish(root+"order/acknowledge", fmt.Sprintf(`{"order":"o1","issued_at":%q,"by":"on-call-1","alarm":"gas-1-level-2","episode":1}`,
		time.Now().UTC().Format(time.RFC3339)), false)
	eventually(t, "both hear that it was acknowledged", func() bool {
		return len(subjects(m, "on-call-1")) > 1 && len(subjects(m, "supervisor")) > 1
	})
	eventually(t, "the metrics count two mails to the supervisor", func() bool {
		v, ok := metric(second.get(t, "/metrics").body, `ebbwatch_receiver_sent_total{receiver="mail/supervisor"}`)
		return ok && v == 2
	})
	second.stop()

	trip, acked := "CRITICAL at Acceptance: Chlorine gas at gas-1 in chlorine-room is...", "Acknowledged: Acceptance: gas-1-level-2, chlorine-room"
	for _, person := range []string{"on-call-1", "supervisor"} {
		if got, want := subjects(m, person), []string{trip, acked}; !slices.Equal(got, want) {
			t.Errorf("%s got %q, expected %q", person, got, want)
		}
	}
	for _, caution := range []string{"ebbwatch informs people. It does not replace", "Caution: The plant's emergency plan"} {
		if text := m.Messages()[0].Text; strings.Count(text, caution) != 1 {
			t.Errorf("the mail of the trip has %q not just once:\n%s", caution, text)
		}
	}
	sub.Wait("the supervisor's notice over MQTT", func(m peertest.Message) bool {
		return m.Topic == root+"notice/supervisor" && strings.Contains(m.Payload, `"kind":"acknowledged"`)
	})
	// The webhook has every event of this alarm once by its id, and the notices
	// for on-call-1.
	var causes []string
	for _, e := range hooked(t, w, "ebbwatch.alarm.transition.v1") {
		if e.Data.Alarm == "gas-1-level-2" {
			causes = append(causes, e.Data.Cause)
		}
	}
	if want := []string{"raised", "acknowledged"}; !slices.Equal(causes, want) {
		t.Errorf("the webhook heard of %q, expected %q", causes, want)
	}
	var kinds []string
	for _, e := range hooked(t, w, "ebbwatch.alarm.notice.v1") {
		kinds = append(kinds, e.Data.Person+" "+e.Data.Kind)
	}
	if want := []string{"on-call-1 raised", "on-call-1 acknowledged"}; !slices.Equal(kinds, want) {
		t.Errorf("the webhook had the notices %q, expected %q", kinds, want)
	}
	if strings.Contains(first.log.String()+second.log.String(), hookSecret[6:]) {
		t.Error("the webhook's secret is in the log")
	}
}

// hookEvent is what a webhook finds.
type hookEvent struct {
	ID, Type string
	Data     struct{ Alarm, Cause, Person, Kind string }
}

// hooked are the events of a type, each once by its id.
func hooked(t *testing.T, w *peertest.WebServer, kind string) (out []hookEvent) {
	t.Helper()
	seen := map[string]bool{}
	for _, got := range w.Events() {
		var e hookEvent
		if err := json.Unmarshal([]byte(got.Body), &e); err != nil || got.ID != e.ID {
			t.Fatalf("the webhook %s is %v: %s", got.ID, err, got.Body)
		}
		if e.Type == kind && !seen[e.ID] {
			seen[e.ID] = true
			out = append(out, e)
		}
	}
	return out
}

// TestCheckShowsWhoIsTold also holds that nobody is left to think that he is
// told when he is not.
func TestCheckShowsWhoIsTold(t *testing.T) {
	text, err := os.ReadFile("../../testdata/sites/minimal.yaml")
	if err != nil {
		t.Fatal(err)
	}
	site := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(site, append(text, `
mqtt: {broker: "tcp://127.0.0.1:1883"}
mail: {server: "127.0.0.1:25", security: none, from: ebbwatch@plant.example}
people:
  on-call-1: {mail: on-call-1@plant.example, mqtt: yes}
  supervisor: {mail: supervisor@plant.example}
escalation:
  quiet_hours: 22:00 to 06:30
  critical: {tell: {supervisor: 5m, on-call-1: 0s}, repeat: 10m}
  low: {tell: {on-call-1: 1m}, repeat: never}
`...), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, complaint := runCommand(t, "check", "--site", site)
	if code != 0 {
		t.Fatalf("exit %d: %s", code, complaint)
	}
	for _, want := range []string{
		"critical  on-call-1 at once (mail, mqtt), supervisor after 5m0s (mail)  every 10m0s until a person acknowledges",
		"high      nobody", "low       on-call-1 after 1m0s (mail, mqtt)", "never",
		"Low alarms wait from 22:00 to 06:30.",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("check does not say %q:\n%s", want, out)
		}
	}
	if _, out, _ = runCommand(t, "check", "--site", "../../testdata/sites/minimal.yaml"); !strings.Contains(out, "Nobody is told by mail or webhook") {
		t.Errorf("check does not say that nobody is told:\n%s", out)
	}
}

// TestNoticesSurviveKilling kills the daemon with kill -9 again and again while
// an alarm is told, with a mail server that is deaf half of the time. Everyone
// gets every notice at least once, a copy has the id of the first, and the order
// holds for each person.
func TestNoticesSurviveKilling(t *testing.T) {
	peers := startPeers(t)
	m, _ := peertest.Aiosmtpd(t, "none", peertest.Login{})
	w, _ := peertest.Webhooks(t, hookSecret, false)
	site, binary := peers.site(t, 100*time.Millisecond, "quiet-river"), buildBinary(t)
	addPeople(t, site, m, w)
	peers.setGas(1.5)
	r := rand.New(rand.NewPCG(1, 2))
	const kills = 12
	for i := range kills {
		m.Answer("DATA", 250+201*(i%2)) // 451 in every second life
		cmd, _, _ := startBinary(t, binary, site)
		time.Sleep(time.Duration(r.IntN(900)) * time.Millisecond) // a moment at random, not a wait for something
		if err := cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		cmd.Wait() // the error is that it was killed
	}
	m.Answer("DATA", 250)
	last := startDaemon(t, site)
	publish := func() {
		peers.broker.Publish(root+"order/acknowledge", fmt.Sprintf(`{"order":"o1","issued_at":%q,"by":"on-call-1","alarm":"gas-1-level-2","episode":1}`,
			time.Now().UTC().Format(time.RFC3339)), false)
	}
	eventually(t, "both have the mail of the trip", func() bool {
		return len(subjects(m, "on-call-1")) > 0 && len(subjects(m, "supervisor")) > 0
	})
	eventually(t, "the broker is connected", func() bool { return last.get(t, "/readyz").code == 200 })
	publish()
	eventually(t, "both hear that it was acknowledged", func() bool {
		for _, person := range []string{"on-call-1", "supervisor"} {
			if s := subjects(m, person); !strings.HasPrefix(s[len(s)-1], "Acknowledged") {
				return false
			}
		}
		return true
	})
	last.stop()
	for _, person := range []string{"on-call-1", "supervisor"} {
		var once []string // without copies
		ids := map[string]bool{}
		for _, mail := range m.Messages() {
			if mail.To[0] != person+"@plant.example" {
				continue
			}
			_, rest, _ := strings.Cut(mail.Text, "Message-ID: ")
			id, _, _ := strings.Cut(rest, "\r\n")
			if !ids[id] {
				ids[id] = true
				_, rest, _ = strings.Cut(mail.Text, "Subject: ")
				word, _, _ := strings.Cut(rest, " ")
				once = append(once, word)
			}
		}
		t.Logf("%s: %d mails, %d of them copies", person, len(subjects(m, person)), len(subjects(m, person))-len(once))
		if want := []string{"CRITICAL", "Acknowledged:"}; !slices.Equal(once, want) {
			t.Errorf("%s got %q, expected %q", person, once, want)
		}
	}
}
