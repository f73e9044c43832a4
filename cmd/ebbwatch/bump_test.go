package main

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// TestBumpTestOverTheBroker goes through a bump test as a technician does it: order
// the test, let gas come, see the mark, record the work. A leak at the neighbour
// comes without the mark. The record outlives a restart.
func TestBumpTestOverTheBroker(t *testing.T) {
	t.Parallel()
	broker := peertest.Mosquitto(t, peertest.Login{User: "ebbwatch", Password: "quiet-river"})
	path, detectors := ridgePeers(t, broker,
		"gas-1-ppm, level_1:", "gas-1-ppm, bump_tested: 2026-01-01, bump_test_every: 30d, level_1:")
	sub := broker.Subscribe(1, ridgeRoot+"#")
	d := startDaemon(t, path)
	eventually(t, "the daemon is ready", func() bool { return d.get(t, "/readyz").code == 200 })
	order := func(id, verb string, fields map[string]any) {
		t.Helper()
		fields["order"], fields["by"], fields["issued_at"] = id, "technician", time.Now().UTC().Format(time.RFC3339Nano)
		text, err := json.Marshal(fields)
		if err != nil {
			t.Fatal(err)
		}
		broker.Publish(ridgeRoot+"order/"+verb, string(text), false)
		m := sub.Wait("the answer to "+id, func(m peertest.Message) bool {
			return m.Topic == ridgeRoot+"answer/technician" && strings.Contains(m.Payload, `"order":"`+id+`"`)
		})
		if !strings.Contains(m.Payload, `"done"`) {
			t.Fatalf("the order to %s was answered %s", verb, m.Payload)
		}
	}
	trip := func(detector string) (data struct {
		Test        bool
		Evidence    string
		FirstAction []string `json:"first_action"`
	}) {
		t.Helper()
		m := sub.Wait("the trip of "+detector, isEvent(detector+"-level-2", "raised"))
		if err := json.Unmarshal([]byte(m.Payload), &struct{ Data any }{&data}); err != nil {
			t.Fatal(err)
		}
		return data
	}
	sub.Wait("the bump test is overdue", isEvent("gas-1-service-due", "raised"))

	order("o-1", "test", map[string]any{"detector": "gas-1", "duration": "20m"})
	detectors[0].set(1.5)
	if tested := trip("gas-1"); !tested.Test || !strings.HasPrefix(tested.FirstAction[1], "This detector is being tested.") {
		t.Errorf("the trip of the test is %+v", tested)
	}
	for _, topic := range []string{"alarm/gas-1-level-2", "notice/on-call-1"} {
		sub.Wait("the mark on "+topic, func(m peertest.Message) bool {
			return m.Topic == ridgeRoot+topic && strings.Contains(m.Payload, "gas-1-level-2") && strings.Contains(m.Payload, `"test":true`)
		})
	}
	detectors[1].set(1.5)
	if leak := trip("gas-2"); leak.Test || !strings.HasPrefix(leak.Evidence, "gas-1 is being tested; ") {
		t.Errorf("the leak beside the test is %+v", leak)
	}
	sub.Wait("the vote of the room", isEvent("chlorine-room-vote", "raised"))

	order("o-2", "serviced", map[string]any{"detector": "gas-1", "work": "bump-test", "done_at": time.Now().UTC().Format(time.RFC3339)})
	order("o-3", "test", map[string]any{"detector": "gas-1", "duration": "0s"})
	sub.Wait("what stands is told anew", isEvent("gas-1-level-2", "test-ended"))
	due := func(d daemon) bool {
		v, ok := metric(d.get(t, "/metrics").body, `ebbwatch_detector_service_due_seconds{detector="gas-1",work="bump-test"}`)
		return ok && v > 29*86400 && v <= 30*86400
	}
	eventually(t, "the next bump test is due in 30 days", func() bool { return due(d) })
	d.stop()
	again := startDaemon(t, path)
	eventually(t, "the record outlives a restart", func() bool { return due(again) })
}
