package air

import (
	"encoding/json"
	"fmt"
	"os"
	"testing"
)

// TestVoteTables checks every row of the published-style tables of votes, every
// order of its channels and every policy. Source: testdata/air/voting.json;
// the rows state the rules of IEC 61511 practice, the policies are our own.
func TestVoteTables(t *testing.T) {
	data, err := os.ReadFile("../../testdata/air/voting.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Tables map[string][]struct {
			Channels                                  string
			Trip, Degrade_safe, Degrade_avail, Ignore string
		}
	}
	if err := json.Unmarshal(data, &file); err != nil {
		t.Fatal(err)
	}
	outcomes := map[string]Outcome{"TRIP": Tripped, "OK": NotTripped, "LOST": VoteLost}
	checked := 0
	for name, rows := range file.Tables {
		var m, n int
		if _, err := fmt.Sscanf(name, "%doo%d", &m, &n); err != nil {
			t.Fatal(err)
		}
		for _, row := range rows {
			for policy, want := range map[Policy]string{Trip: row.Trip, DegradeSafe: row.Degrade_safe, DegradeAvailable: row.Degrade_avail, Ignore: row.Ignore} {
				permute([]byte(row.Channels), 0, func(order []byte) {
					channels := make([]Channel, n)
					for i := range order {
						channels[i] = Channel(order[i])
					}
					checked++
					if got := Vote(m, policy, channels); got != outcomes[want] {
						t.Errorf("%s %s under %s: %s, expected %s", name, order, policy, got, want)
					}
				})
			}
		}
	}
	if checked < 1000 {
		t.Errorf("only %d votes were checked", checked)
	}
}

func permute(s []byte, from int, visit func([]byte)) {
	if from == len(s) {
		visit(s)
		return
	}
	for i := from; i < len(s); i++ {
		s[from], s[i] = s[i], s[from]
		permute(s, from+1, visit)
		s[from], s[i] = s[i], s[from]
	}
}
