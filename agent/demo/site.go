package demo

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
)

//go:embed site.yaml.tmpl
var siteTemplate string

// siteName is the site's short name, as in the template.
const siteName = "kestrel-ridge"

// mqttRoot is the root of the daemon's topics for this site.
const mqttRoot = "ebbwatch/v1/" + siteName

// siteValues is what the template takes besides periods.
type siteValues struct {
	StateDir, Listen, Broker string
	LineA, LineB, LineC      string
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
// have any name; a JSON string is a YAML one too. Package text/template would
// make the program larger by a seventh: it keeps every method of every type.
func renderSite(v siteValues, speed float64) ([]byte, error) {
	every, slow, stale, staleSlow := periods(speed)
	pairs := []string{
		"{{.Every}}", every.String(), "{{.EverySlow}}", slow.String(),
		"{{.StaleAfter}}", stale.String(), "{{.StaleAfterSlow}}", staleSlow.String(),
	}
	for name, text := range map[string]string{
		"StateDir": v.StateDir, "Listen": v.Listen, "Broker": v.Broker, "LineA": v.LineA, "LineB": v.LineB, "LineC": v.LineC,
	} {
		quoted, err := json.Marshal(text)
		if err != nil {
			return nil, fmt.Errorf("the demo's site file: %w", err)
		}
		pairs = append(pairs, "{{quote ."+name+"}}", string(quoted))
	}
	return []byte(strings.NewReplacer(pairs...).Replace(siteTemplate)), nil
}
