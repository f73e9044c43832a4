package alarms

import (
	"encoding/json"
	"math"
	"testing"
	"time"
)

// TestPayloadTimes holds the form that receivers parse: UTC, milliseconds, null
// for what is not known, and no number that JSON lacks.
func TestPayloadTimes(t *testing.T) {
	nan, until := math.NaN(), time.Date(2026, 3, 2, 7, 0, 0, 0, time.FixedZone("", -7*3600))
	c := Condition{Alarm: "gas-1-level-2", Value: &nan, ShelvedUntil: &until}
	var got map[string]any
	text, err := json.Marshal(c.Payload())
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	if got["since"] != nil || got["value"] != nil || got["shelved_until"] != "2026-03-02T14:00:00.000Z" || got["first_action"] == nil {
		t.Errorf("the payload is %s", text)
	}
	if _, there := got["test_until"]; there {
		t.Errorf("a time that is not set is there: %s", text)
	}
}
