package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// appendTo writes text to the end of a file.
func appendTo(t testing.TB, path, text string) {
	t.Helper()
	old, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, append(old, text...), 0o600); err != nil {
		t.Fatal(err)
	}
}

// insecure takes a certificate of the test's own.
func insecure() *http.Client {
	return &http.Client{Transport: &http.Transport{DisableKeepAlives: true, TLSClientConfig: &tls.Config{InsecureSkipVerify: true}}}
}

// secure gets a path of a server over TLS.
func secure(t testing.TB, address, path string) (code int, body string) {
	t.Helper()
	client := insecure()
	client.Timeout = 5 * time.Second
	resp, err := client.Get("https://" + address + path)
	if err != nil {
		return 0, err.Error()
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(text)
}

const operatorKey = "the-key-of-an-operator-in-a-browser-test"

// TestPageOfADaemon is a day with a leak in a browser, on a desktop and on a phone:
// the very program over TLS, instruments and a broker that nobody here wrote. A
// trip, its notice, an acknowledgement, the return, an instrument that is cut, a
// broker that is cut, a program that stands still and one that is gone. Rules of
// axe-core (WCAG 2) hold in each. EBBWATCH_PICTURES=FOLDER keeps a picture of each.
func TestPageOfADaemon(t *testing.T) {
	t.Parallel()
	b := peertest.NewBrowser(t)
	peers := startPeers(t)
	meters := peertest.NewGate(t, peers.meters.Addr(), nil)
	sub := peers.broker.Subscribe(1, root+"#")
	path := peers.site(t, 200*time.Millisecond, "quiet-river")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	certificate, key := pair(t, 24*time.Hour)
	for name, content := range map[string][]byte{
		"site.yaml": []byte(strings.Replace(string(text), peers.meters.Addr(), meters.Address(), 1)),
		"plant.pem": certificate, "plant-key.pem": key, "operator-key": []byte(operatorKey),
	} {
		if err := os.WriteFile(filepath.Join(filepath.Dir(path), name), content, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	appendTo(t, path, `
http: {certificate_file: plant.pem, key_file: plant-key.pem}
roles:
  operator: {key_file: operator-key, may: "acknowledge, reset, shelve, unshelve"}
people:
  on-call-1: {mqtt: yes}
escalation:
  critical: {tell: {on-call-1: 0s}}
`)
	d := startMortal(t, buildBinary(t), path)
	select {
	case d.address = <-d.heard:
	case <-time.After(30 * time.Second):
		t.Fatalf("the daemon does not listen:\n%s", d.log.String())
	}
	eventually(t, "all instruments are read", func() bool {
		code, body := secure(t, d.address, "/metrics")
		return code == 200 && strings.Contains(body, `ebbwatch_segment_ct_mg_min_per_litre{segment="clearwell"}`)
	})

	size := ""
	looked := func(state string) {
		t.Helper()
		if broken, passed := b.Axe(); len(broken) > 0 || passed < 10 {
			t.Errorf("%s, %s: axe-core passes %d rules and finds\n%s", size, state, passed, strings.Join(broken, "\n"))
		}
		var wide bool
		if b.Script("document.documentElement.scrollWidth > innerWidth", &wide); wide {
			t.Errorf("%s, %s: the page is wider than its window", size, state)
		}
		if folder := os.Getenv("EBBWATCH_PICTURES"); folder != "" {
			b.Script("scrollTo(0, 0)", nil)
			b.Picture(filepath.Join(folder, "daemon-"+size+"-"+state+".png"), false)
		}
	}
	leak := func() {
		t.Helper()
		b.Expect("#disinfects .value", "times the required")
		b.Expect("#gas .value", "under every limit")
		looked("start")

		peers.setGas(1.4)
		b.Expect("h1", "Chlorine gas at gas-1 in chlorine-room is 1.40 ppm, over the limit of 1.00 ppm")
		b.Expect("#level", "critical alarm, standing, not acknowledged")
		b.Expect("#gas .value", "GAS at gas-1: 1.40 ppm")
		looked("trip")

		b.Press("#standing button[aria-label='Acknowledge gas-1-level-2']", "Enter")
		b.Fill("#secret", operatorKey)
		b.Press("#secret", "Enter")
		b.Expect("#standing .facts", "acknowledged by operator")
		b.Expect("#level", "critical alarm, standing, acknowledged")
		looked("acknowledged")

		peers.setGas(0)
		b.Expect("h1", "waits to be reset: Chlorine gas at gas-1")
		for _, alarm := range []string{"gas-1-level-2", "gas-1-level-1"} {
			// The lower level has not been acknowledged.
			for b.Visible("#standing button[aria-label='Acknowledge "+alarm+"']") > 0 {
				b.Click("#standing button[aria-label='Acknowledge " + alarm + "']")
				b.Hidden("#standing button[aria-label='Acknowledge " + alarm + "']")
			}
			b.Click("#standing button[aria-label='Reset " + alarm + "']")
			b.Hidden("#standing button[aria-label='Reset " + alarm + "']")
		}
		b.Expect("[aria-live=assertive]", "No longer standing")
		looked("return")
	}
	stale := func() {
		t.Helper()
		meters.Set(false)
		b.Expect("#disinfects .value", "not known")
		b.Expect("#segments tbody tr", "flow not known")
		b.Expect("#lines-sum", "NOT IN ORDER: meters")
		looked("instrument")
		meters.Set(true)
		b.Expect("#disinfects .value", "times the required")

		if err := d.cmd.Process.Signal(syscall.SIGSTOP); err != nil {
			t.Fatal(err)
		}
		b.Skip(15)
		b.Expect("#old", "OLD DATA. Do not rely on this page now")
		b.Expect("title", "OLD DATA – Acceptance")
		looked("still")
		if err := d.cmd.Process.Signal(syscall.SIGCONT); err != nil {
			t.Fatal(err)
		}
		b.Hidden("#old")
	}

	size = "desktop"
	b.Open("https://"+d.address, 1440, 900, "light")
	leak()
	sub.Wait("the notice to the person on call", func(m peertest.Message) bool {
		return strings.HasSuffix(m.Topic, "/notice/on-call-1") && strings.Contains(m.Payload, "gas-1-level-2")
	})
	peers.way.Set(false) // the alarm of it waits for a minute
	cut := time.Now()
	stale()

	size = "phone"
	b.Open("https://"+d.address, 390, 844, "dark")
	leak()
	stale()
	told := func() bool {
		_, body := secure(t, d.address, "/metrics")
		v, ok := metric(body, `ebbwatch_alarm_active{alarm="mqtt-failing",priority="high"}`)
		return ok && v == 1
	}
	for tick := time.NewTicker(500 * time.Millisecond); !told(); <-tick.C { // the alarm's own delay
		if time.Since(cut) > 2*time.Minute {
			t.Fatal("nobody is told that the broker is gone")
		}
	}
	b.Expect("#standing h3", "The way to the MQTT broker")
	looked("broker")

	if err := d.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	<-d.ended
	b.Expect("#link", "NOT LIVE")
	b.Skip(5)
	b.Expect("h1", "The connection to ebbwatch is lost")
	looked("gone")
	if strings.Contains(d.log.String(), operatorKey) {
		t.Error("the log has the key")
	}
}

// TestDemoDayInABrowser follows the demo's whole day on its page, six minutes of
// it. EBBWATCH_DAY=full asks for it; EBBWATCH_PICTURES=FOLDER keeps a picture of
// each turn of the story.
func TestDemoDayInABrowser(t *testing.T) {
	if os.Getenv("EBBWATCH_DAY") != "full" {
		t.Skip("EBBWATCH_DAY=full follows the demo's day in a browser")
	}
	b := peertest.NewBrowser(t)
	ctx, cancel := context.WithCancel(t.Context())
	out, errs, done := &lockedBuffer{}, &lockedBuffer{}, make(chan int)
	go func() {
		done <- run(ctx, []string{"demo", "--speed", "240", "--listen", "127.0.0.1:0", "--broker", "127.0.0.1:0"}, out, errs)
	}()
	defer func() {
		cancel()
		if code := <-done; code != 0 {
			t.Errorf("the demo ended %d: %s", code, errs.String())
		}
	}()
	page := regexp.MustCompile(`browser +(http://\S+)`)
	eventually(t, "the demo points to its page", func() bool { return page.MatchString(out.String()) })
	b.Open(page.FindStringSubmatch(out.String())[1], 1440, 900, "light")
	for _, turn := range []struct{ name, at, want string }{
		{"morning", "#disinfects .value", `times the required`},
		{"notice", "#standing .facts", `north-empty-notice`},
		{"answered", "#standing .facts", `north-empty-notice · acknowledged by on-call-1`},
		{"how-long", "#lasts .value", `\d\d:\d\d`},
		{"urgent", "#standing .facts", `north-empty-urgent`},
		{"switched-over", "#banks tr:nth-child(2) td:nth-child(2)", `in \d+ (h|days)`},
		{"frozen-analyser", "#standing .facts", `water-analysers-doubtful`},
		{"gas", "#standing .facts", `CRITICAL.* gas-1-level-2`},
		{"gas-answered", "#standing .facts", `CRITICAL.* gas-1-level-2 .*acknowledged by on-call`},
	} {
		expected := regexp.MustCompile(turn.want)
		var text string
		limit := time.After(5 * time.Minute)
		for tick := time.NewTicker(200 * time.Millisecond); !expected.MatchString(text); {
			select {
			case <-tick.C:
				b.Script(fmt.Sprintf("[...document.querySelectorAll(%q)].map((e) => e.textContent).join('\\n')", turn.at), &text)
			case <-limit:
				t.Fatalf("%s: %s never said %s, but %s", turn.name, turn.at, turn.want, text)
			}
		}
		if broken, _ := b.Axe(); len(broken) > 0 {
			t.Errorf("%s: axe-core finds\n%s", turn.name, strings.Join(broken, "\n"))
		}
		if folder := os.Getenv("EBBWATCH_PICTURES"); folder != "" {
			b.Picture(filepath.Join(folder, "day-"+turn.name+".png"), true)
		}
	}
}
