package escalation

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestTexts compares notices with the files that people have read and approved.
func TestTexts(t *testing.T) {
	trip := catalogued(t, alarms.DetectorLevel("gas-1", "chlorine-room", "x", 2, guidance.Default().FirstActions("chlorine-room", []guidance.Kind{guidance.Ton}, 2)...), 1.6)
	blind := trip
	blind.Value, blind.Quality = nil, "bad:no-reply"
	blind.What = "Chlorine gas at gas-1 in chlorine-room was over the limit of 1.0 ppm when last measured; the measurement now does not answer, so the alarm is held."
	until := t0.Add(time.Hour)
	for _, tt := range []struct {
		file string
		kind Kind
		step int
		age  time.Duration
		c    alarms.Condition
		edit func(*alarms.Condition)
	}{
		{"trip", Raised, 1, 0, trip, nil},
		{"trip-test", Raised, 1, 0, trip, func(c *alarms.Condition) { c.Test = true }},
		{"trip-evidence", Raised, 1, 0, trip, func(c *alarms.Condition) {
			c.Vote = "1oo2 TT; second level 2oo2 TN: ok"
			c.Evidence = "gas-1 rises by 1.2 ppm a minute; gas-2 shows 0.80 ppm; the door is closed; bank north draws 212 lb/d"
		}},
		{"trip-second-step", Raised, 2, 5 * time.Minute, trip, nil},
		{"trip-repeated-blind", Repeated, 3, 25 * time.Minute, blind, nil},
		{"trip-among-first-still-standing", Raised, 1, 0, trip, func(c *alarms.Condition) {
			c.FirstOutTie, c.Realarms = true, 1
		}},
		{"trip-again", CameAgain, 1, 2 * time.Minute, trip, func(c *alarms.Condition) { c.Episode = 4 }},
		{"trip-acknowledged", Acknowledged, 2, 6 * time.Minute, trip, func(c *alarms.Condition) {
			c.State, c.AcknowledgedBy = alarms.Acknowledged, "on-call-1"
		}},
		{"trip-returned", Returned, 1, 2 * time.Minute, trip, func(c *alarms.Condition) {
			c.State, c.What = alarms.LatchedUnacknowledged, "Chlorine gas at gas-1 in chlorine-room is 0.2 ppm, within the limit of 1.0 ppm; the alarm stays until a person resets it."
		}},
		{"trip-shelved", Withheld, 1, 2 * time.Minute, trip, func(c *alarms.Condition) {
			c.State, c.ShelvedUntil, c.WithheldBy, c.WithheldWhy = alarms.Shelved, &until, "operator", "The detector is being replaced."
		}},
		{"trip-causes", Raised, 1, 0, trip, func(c *alarms.Condition) {
			c.LikelyCause = []string{"a packing or gasket leaks", "a container valve was left open"}
		}},
		{"stock", Raised, 1, 0, catalogued(t, alarms.EmptyNotice("north", "chlorine-room", "x"), 40*3600), nil},
		{"ended", Ended, 1, time.Hour, trip, func(c *alarms.Condition) { c.State = alarms.Normal; c.What = "Alarm gas-1-level-2 was reset." }},
	} {
		t.Run(tt.file, func(t *testing.T) {
			c := tt.c
			if tt.edit != nil {
				tt.edit(&c)
			}
			s := settings(t)
			n := Notice{Kind: tt.kind, Time: t0, Step: tt.step, Condition: c}
			subject := s.subject(&n)
			got := "Subject: " + subject + "\n\n" + s.body(&n, tt.age)
			if len(got[:strings.IndexByte(got, '\n')]) > 78 {
				t.Errorf("the subject makes a line of over 78 characters: %q", subject)
			}
			for _, r := range got {
				if r > '~' || r < ' ' && r != '\n' {
					t.Errorf("the text of the catalogue has the character %q, which not every pager shows", r)
				}
			}
			golden := filepath.Join("..", "..", "testdata", "notices", tt.file+".txt")
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("the notice differs from %s; go test ./alarms/escalation -update writes it anew:\n%s", golden, got)
			}
		})
	}
}

// catalogued is an alarm of the catalogue that was just raised with a value.
func catalogued(t *testing.T, s alarms.Setting, value float64) alarms.Condition {
	t.Helper()
	s.OnDelay = 0
	e, err := alarms.New([]alarms.Setting{s}, []string{"x"})
	if err != nil {
		t.Fatal(err)
	}
	ts := e.Step(t0, []alarms.Sample{{Value: value, Usable: true, Quality: "good"}})
	if len(ts) != 1 {
		t.Fatalf("%d transitions, expected a raise", len(ts))
	}
	return ts[0].After
}

// TestSubjectIsOneLine: nothing that a site file or an instrument says makes a
// second header line or breaks a character.
func TestSubjectIsOneLine(t *testing.T) {
	for _, what := range []string{
		"Gas\r\nBcc: everyone@plant.example", "Gas\u2028is there", strings.Repeat("é", 200), strings.Repeat("long ", 50), "\x00\x07", "",
	} {
		s := settings(t)
		got := s.subject(&Notice{Kind: Raised, Condition: alarms.Condition{Priority: alarms.Critical, What: what, State: alarms.Unacknowledged}})
		if strings.ContainsAny(got, "\r\n\x00\x07\u2028") || !utf8.ValidString(got) || utf8.RuneCountInString(got) > maxSubject {
			t.Errorf("%q makes the subject %q", what, got)
		}
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 seconds", time.Second: "1 second", 90 * time.Second: "1 minute 30 seconds", 15 * time.Minute: "15 minutes",
		time.Hour: "1 hour", 90 * time.Minute: "1 hour 30 minutes", 26 * time.Hour: "26 hours", 5*time.Minute + 3*time.Second: "5 minutes",
	} {
		if got := span(d); got != want {
			t.Errorf("%s is %q, expected %q", d, got, want)
		}
	}
}
