package demo

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"text/template"
	"time"
)

//go:embed site.yaml.tmpl
var siteTemplate string

// siteName is the site's short name, as in the template.
const siteName = "kestrel-ridge"

// mqttRoot is the root of the daemon's topics for this site.
const mqttRoot = "ebbwatch/v1/" + siteName

// siteValues is what the template takes.
type siteValues struct {
	StateDir, Listen, Broker   string
	LineA, LineB, LineC        string
	Every, EverySlow           string
	StaleAfter, StaleAfterSlow string
}

// timeout is the real time that the site file gives one transaction.
const timeout = 300 * time.Millisecond

// periods returns how often quick and slow instruments are polled, in real time,
// and when their values are stale, in simulated time. A silent neighbour on a
// serial line costs its time-out and the silence after it, about a second, which
// is not to make a value stale.
func periods(speed float64) (every, slow, stale, staleSlow time.Duration) {
	scaled := time.Duration(2e9 / speed)
	every = min(max(scaled, 100*time.Millisecond), time.Second).Round(10 * time.Millisecond)
	slow = 2 * every
	age := func(every time.Duration) time.Duration {
		seconds := speed * (3*every + timeout + time.Second).Seconds()
		return time.Duration(math.Ceil(max(seconds, 10))) * time.Second
	}
	return every, slow, age(every), age(slow)
}

// renderSite fills in the template. Every value is quoted, since a folder may
// have any name; a JSON string is a YAML one too.
func renderSite(v siteValues, speed float64) ([]byte, error) {
	every, slow, stale, staleSlow := periods(speed)
	v.Every, v.EverySlow, v.StaleAfter, v.StaleAfterSlow = every.String(), slow.String(), stale.String(), staleSlow.String()
	quote := func(s string) (string, error) {
		b, err := json.Marshal(s)
		return string(b), err
	}
	t, err := template.New("site").Funcs(template.FuncMap{"quote": quote}).Option("missingkey=error").Parse(siteTemplate)
	if err != nil {
		return nil, fmt.Errorf("the demo's site file: %w", err)
	}
	var b bytes.Buffer
	if err := t.Execute(&b, v); err != nil {
		return nil, fmt.Errorf("the demo's site file: %w", err)
	}
	return b.Bytes(), nil
}
