package main

import (
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/config"
)

// TestCheckShowsTheBroker: what a person has to know of the way to the broker
// before it fails.
func TestCheckShowsTheBroker(t *testing.T) {
	now := time.Now()
	shown := func(until time.Duration) *config.MQTT {
		cert, key := peertest.NewAuthority(t).Issue("kestrel-ridge", now.Add(until))
		return &config.MQTT{Brokers: []string{"ssl://a.example:8883"}, Certificate: cert, Key: config.Secret(key)}
	}
	const day = 24 * time.Hour
	for _, c := range []struct {
		reason string
		m      *config.MQTT
		want   []string
	}{
		{"no broker", nil, nil},
		{"two brokers", &config.MQTT{Brokers: []string{"tcp://a.example:1883", "tcp://b.example:1883"}}, []string{"the broker tcp://a.example:1883, and when it fails to tcp://b.example:1883.", "noticed within 32s", "mqtt.per_day bounds it"}},
		{"a bound", &config.MQTT{Brokers: []string{"tcp://a.example:1883"}, PerDay: 20e6}, []string{"at most 20 MB"}},
		{"a certificate for long", shown(400 * day), []string{"the certificate of CN=kestrel-ridge, valid until " + now.Add(400*day).UTC().Format(time.DateOnly) + ".\n"}},
		{"a certificate that ends soon", shown(30*day + time.Hour), []string{", in 30 days: put a new one"}},
		{"a certificate that has ended", shown(-time.Minute), []string{"NO BROKER WILL TAKE IT"}},
	} {
		var out strings.Builder
		if err := showBroker(&out, c.m, now); err != nil {
			t.Errorf("%s: %v", c.reason, err)
		}
		if c.m == nil && out.Len() > 0 {
			t.Errorf("%s: %s", c.reason, out.String())
		}
		for _, want := range c.want {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%s: %s\nwant %s", c.reason, out.String(), want)
			}
		}
	}
}
