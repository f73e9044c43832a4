package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ebbwatch/agent/peertest"
)

// stood is what of a condition must outlive an upgrade.
type stood struct {
	Alarm          string `json:"alarm"`
	State          string `json:"state"`
	Episode        uint64 `json:"episode"`
	Since          string `json:"since"`
	AcknowledgedBy string `json:"acknowledged_by"`
	Priority       string `json:"priority"`
}

// TestUpgrade starts this daemon on what earlier ones left when they were killed.
// Its instruments do not answer, and a reading that is missing must not end an
// alarm that stood.
func TestUpgrade(t *testing.T) {
	folders, err := filepath.Glob("../../testdata/journals/*/journal.db")
	if err != nil || len(folders) == 0 {
		t.Fatalf("no journals: %v", err)
	}
	for _, file := range folders {
		folder := filepath.Dir(file)
		t.Run(filepath.Base(folder), func(t *testing.T) { upgrade(t, folder) })
	}
}

func upgrade(t *testing.T, folder string) {
	var before []stood
	text := readFile(t, folder, "conditions.json")
	if err := json.Unmarshal([]byte(text), &before); err != nil || len(before) == 0 {
		t.Fatalf("conditions.json: %d, %v", len(before), err)
	}
	broker := peertest.Mosquitto(t, peertest.Login{})
	events := broker.Subscribe(1, "ebbwatch/v1/+/event")

	dir := t.TempDir()
	state := filepath.Join(dir, "state")
	site := strings.NewReplacer("STATE", state, "BROKER", broker.Address(), "LINE", "127.0.0.1:1").Replace(readFile(t, folder, "site.yaml"))
	if err := os.Mkdir(state, 0o750); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{"site.yaml": site, "state/journal.db": readFile(t, folder, "journal.db")} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	d := startDaemon(t, filepath.Join(dir, "site.yaml"))
	// The acknowledgement is older than the time after which an alarm calls again.
	events.Wait("the alarm calls again", func(m peertest.Message) bool { return strings.Contains(m.Payload, `"re-alarmed"`) })

	retained := broker.Subscribe(1, "ebbwatch/v1/+/alarm/+")
	for _, want := range before {
		m := retained.Wait("the condition of "+want.Alarm, func(m peertest.Message) bool { return strings.HasSuffix(m.Topic, "/"+want.Alarm) })
		var got stood
		err := json.Unmarshal([]byte(m.Payload), &got)
		if want.AcknowledgedBy != "" {
			want.State, want.AcknowledgedBy, got.Since = "unacknowledged", "", want.Since
		}
		if err != nil || got != want {
			t.Errorf("after the upgrade\n%+v, before it\n%+v (%v)", got, want, err)
		}
	}
	// The earlier daemon had told a raise for each that stood, and one acknowledgement.
	first := len(before) + 2
	var sequences []int
	stores := map[string]bool{}
	for _, m := range events.Messages() {
		var e event
		if err := json.Unmarshal([]byte(m.Payload), &e); err != nil {
			t.Fatal(err)
		}
		n, _ := strconv.Atoi(e.Sequence)
		sequences = append(sequences, n)
		store, _, _ := strings.Cut(e.ID, "-")
		stores[store] = true
		if n == first && (e.Data.Alarm != "residual-entry-low" || !e.Data.History) {
			t.Errorf("the first that was held back is %s, history %t", e.Data.Alarm, e.Data.History)
		}
	}
	if len(sequences) < 2 || sequences[0] != first || len(stores) != 1 ||
		!slices.IsSortedFunc(sequences, func(a, b int) int { return a - b }) || sequences[len(sequences)-1]-first != len(sequences)-1 {
		t.Errorf("events %v of the stores %v, expected one store, from %d without a gap", sequences, stores, first)
	}
	if log := d.log.String(); strings.Contains(log, "damaged") {
		t.Errorf("the journal was put aside:\n%s", log)
	}
	d.stop()
	// An older ebbwatch refuses what it could not make sense of.
	if !strings.Contains(readFile(t, state, "journal.db"), `"format":2`) {
		t.Error("the journal has kept its old format")
	}
}

func readFile(t *testing.T, folder, name string) string {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(folder, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}
