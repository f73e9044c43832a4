package peertest

import (
	"encoding/json"
	"os"
	"os/exec"
	"testing"
)

// Browser is Debian's Chromium, driven by the npm package playwright-core; the
// npm package axe-core judges what a page is like for those who cannot see it.
type Browser struct {
	t testing.TB
	p *process
}

// NewBrowser starts a browser. The environment EBBWATCH_BROWSER=absent leaves it
// out, as the engine of EPANET is left out.
func NewBrowser(t testing.TB) *Browser {
	t.Helper()
	if os.Getenv("EBBWATCH_BROWSER") == "absent" {
		t.Skip("EBBWATCH_BROWSER=absent: the page is not looked at in a browser")
	}
	node, chromium := Tool(t, "node"), Tool(t, "chromium")
	if exec.Command(node, "-e", `require("playwright-core"); require.resolve("axe-core")`).Run() != nil {
		lacking(t, "the npm packages playwright-core and axe-core, where node finds them (NODE_PATH),")
	}
	script, err := source("browser.cjs")
	if err != nil {
		t.Fatal(err)
	}
	return &Browser{t, start(t, node, script, chromium)}
}

// do sends a command of browser.cjs and reads what it found.
func (b *Browser) do(name string, args map[string]any, found any) {
	b.t.Helper()
	text, err := json.Marshal(args)
	if err != nil {
		b.t.Fatal(err)
	}
	answer := b.p.command(name + " " + string(text))
	if found == nil {
		return
	}
	if err := json.Unmarshal([]byte(answer), found); err != nil {
		b.t.Fatalf("the browser answers %q to %s: %v", answer, name, err)
	}
}

// Open shows a page in a window of its own. Scheme is light or dark.
func (b *Browser) Open(url string, width, height int, scheme string) {
	b.t.Helper()
	b.do("open", map[string]any{"url": url, "width": width, "height": height, "scheme": scheme}, nil)
}

// Expect waits until what the CSS selector finds has a text in it.
func (b *Browser) Expect(at, text string) {
	b.t.Helper()
	b.do("expect", map[string]any{"at": at, "text": text}, nil)
}

// Hidden waits until nothing is to be seen there.
func (b *Browser) Hidden(at string) { b.t.Helper(); b.do("hidden", map[string]any{"at": at}, nil) }

// Visible counts what is to be seen there.
func (b *Browser) Visible(at string) (n int) {
	b.t.Helper()
	b.do("visible", map[string]any{"at": at}, &n)
	return n
}

// Click presses the mouse.
func (b *Browser) Click(at string) { b.t.Helper(); b.do("click", map[string]any{"at": at}, nil) }

// Press gives an element the focus and presses a key.
func (b *Browser) Press(at, key string) {
	b.t.Helper()
	b.do("press", map[string]any{"at": at, "key": key}, nil)
}

// Fill writes into a field.
func (b *Browser) Fill(at, text string) {
	b.t.Helper()
	b.do("fill", map[string]any{"at": at, "text": text}, nil)
}

// Skip lets time pass for the page alone.
func (b *Browser) Skip(seconds int) {
	b.t.Helper()
	b.do("skip", map[string]any{"seconds": seconds}, nil)
}

// Script gives the value of an expression.
func (b *Browser) Script(text string, found any) {
	b.t.Helper()
	b.do("script", map[string]any{"text": text}, found)
}

// Complaints are the errors of scripts and policies since Open.
func (b *Browser) Complaints() (out []string) {
	b.t.Helper()
	b.do("complaints", nil, &out)
	return out
}

// Axe gives the rules that the page breaks, and how many it keeps.
func (b *Browser) Axe() (broken []string, passed int) {
	b.t.Helper()
	var found struct {
		Broken []string
		Passed int
	}
	b.do("axe", nil, &found)
	return found.Broken, found.Passed
}

// Picture keeps a picture of the page in a file.
func (b *Browser) Picture(file string, whole bool) {
	b.t.Helper()
	b.do("picture", map[string]any{"file": file, "whole": whole}, nil)
}
