package escalation

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"ebbwatch/alarms"
)

var t0 = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC) // 11:00 at the plant

func zone(t testing.TB) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func person(name string) Person {
	return Person{Name: name, Reach: []Address{{"mail", name + "@plant.example"}}}
}

// settings tell on-call-1 at once, the supervisor after 5 min and the manager
// after 15 min, and everyone every 10 min after that.
func settings(t testing.TB) Settings {
	climb := Plan{Repeat: 10 * time.Minute, Steps: []Step{
		{0, []Person{person("on-call-1")}},
		{5 * time.Minute, []Person{person("supervisor")}},
		{15 * time.Minute, []Person{person("manager")}},
	}}
	return Settings{
		Site: "kestrel-ridge", Title: "Kestrel Ridge", Store: "s1", Zone: zone(t),
		Plans: map[alarms.Priority]Plan{alarms.Critical: climb, alarms.Low: {Steps: climb.Steps[:2]}},
		Quiet: Quiet{From: 22 * time.Hour, To: 6 * time.Hour},
	}
}

// scene is a plant with alarms moved by hand.
type scene struct {
	t        testing.TB
	s        Settings
	x        *Escalator
	begin    time.Time
	now      time.Time
	present  []alarms.Condition
	sequence uint64
	pending  []alarms.Transition
	told     []Notice
	log      []string
}

func newScene(t testing.TB, begin time.Time) *scene {
	s := &scene{t: t, s: settings(t), begin: begin, now: begin, present: []alarms.Condition{
		{Alarm: "gas", Priority: alarms.Critical, State: alarms.Normal, Place: "chlorine-room", What: "Chlorine gas is there.", Quality: "good"},
		{Alarm: "stock", Priority: alarms.Low, State: alarms.Normal, What: "Stock is low.", Quality: "good"},
	}}
	s.x = s.fresh()
	s.step()
	return s
}

func (s *scene) fresh() *Escalator {
	x, err := New(s.s)
	if err != nil {
		s.t.Fatal(err)
	}
	return x
}

func (s *scene) condition(alarm string) *alarms.Condition {
	i := slices.IndexFunc(s.present, func(c alarms.Condition) bool { return c.Alarm == alarm })
	if i < 0 {
		s.t.Fatalf("no alarm %s", alarm)
	}
	return &s.present[i]
}

// move puts an alarm into a state; a raise begins an episode.
func (s *scene) move(alarm string, cause alarms.Cause, to alarms.State) {
	c := s.condition(alarm)
	s.sequence++
	if cause == alarms.Raised {
		c.Episode++
		c.AcknowledgedBy = ""
	}
	if cause == alarms.Acked {
		c.AcknowledgedBy = "on-call-1"
	}
	from := c.State
	c.State, c.Since, c.Sequence = to, s.now, s.sequence
	s.pending = append(s.pending, alarms.Transition{Sequence: s.sequence, Time: s.now, From: from, To: to, Cause: cause, After: *c})
}

func (s *scene) step() {
	for _, n := range s.x.Step(s.now, s.pending, s.present) {
		s.told = append(s.told, n)
		line := fmt.Sprintf("%s %s %s %s %d.%d", s.now.Sub(s.begin), n.Condition.Alarm, n.Kind, n.Person, n.Step, n.Repeat)
		s.log = append(s.log, strings.TrimSpace(line))
	}
	s.pending = nil
}

// run lets time pass in ticks.
func (s *scene) run(d, tick time.Duration) {
	for end := s.now.Add(d); s.now.Before(end); {
		s.now = s.now.Add(min(tick, end.Sub(s.now)))
		s.step()
	}
}

// restart brings up a new escalator from the checkpoint after some time.
func (s *scene) restart(down time.Duration) {
	cp := s.x.Checkpoint()
	s.now = s.now.Add(down)
	s.x = s.fresh()
	if err := s.x.Restore(cp, s.now); err != nil {
		s.t.Fatal(err)
	}
	s.step()
}

// play carries out lines of "2m raise gas": wait, then what happens.
func (s *scene) play(script string) {
	for line := range strings.SplitSeq(script, ";") {
		words := strings.Fields(line)
		wait, err := time.ParseDuration(words[0])
		if err != nil {
			s.t.Fatal(err)
		}
		if len(words) > 1 && words[1] == "restart" {
			s.restart(wait)
			continue
		}
		s.run(wait, 10*time.Second)
		if len(words) < 3 {
			continue
		}
		alarm := words[2]
		switch words[1] {
		case "raise":
			s.move(alarm, alarms.Raised, alarms.Unacknowledged)
		case "clear":
			s.move(alarm, alarms.Cleared, alarms.ReturnedUnacknowledged)
		case "latch":
			to := alarms.LatchedUnacknowledged
			if s.condition(alarm).State == alarms.Acknowledged {
				to = alarms.LatchedAcknowledged
			}
			s.move(alarm, alarms.Cleared, to)
		case "unlatch":
			s.move(alarm, alarms.Reset, alarms.ReturnedUnacknowledged)
		case "ack":
			to := map[alarms.State]alarms.State{
				alarms.Unacknowledged: alarms.Acknowledged, alarms.ReturnedUnacknowledged: alarms.Normal,
				alarms.LatchedUnacknowledged: alarms.LatchedAcknowledged,
			}[s.condition(alarm).State]
			s.move(alarm, alarms.Acked, to)
		case "over":
			s.move(alarm, alarms.Cleared, alarms.Normal)
		case "free":
			s.move(alarm, alarms.Reset, alarms.Normal)
		case "remind":
			s.move(alarm, alarms.Realarmed, alarms.Unacknowledged)
		case "shelve":
			s.move(alarm, alarms.ShelvedBy, alarms.Shelved)
		case "unshelve":
			s.move(alarm, alarms.Unshelved, alarms.Unacknowledged)
		case "remove":
			s.move(alarm, alarms.Retired, alarms.Normal)
			s.present = slices.DeleteFunc(s.present, func(c alarms.Condition) bool { return c.Alarm == alarm })
		default:
			s.t.Fatalf("no such event: %s", line)
		}
		s.step()
	}
}

// The budget of steps is common practice, no source; who stops the telling and
// what is told in a thread follow the notes on EN 50136, NFPA 72 and OPC 10000-9
// that DEVELOPERS.md names.
func TestWhoIsToldWhen(t *testing.T) {
	night := t0.Add(11*time.Hour + 30*time.Minute) // 22:30 at the plant
	for _, tt := range []struct {
		name, script string
		begin        time.Time
		want         []string
	}{
		{"steps and repeats go on without an end", "0s raise gas; 36m", t0, []string{
			"0s gas raised on-call-1 1.0", "5m0s gas raised supervisor 2.0", "15m0s gas raised manager 3.0",
			"25m0s gas repeated on-call-1 3.1", "25m0s gas repeated supervisor 3.1", "25m0s gas repeated manager 3.1",
			"35m0s gas repeated on-call-1 3.2", "35m0s gas repeated supervisor 3.2", "35m0s gas repeated manager 3.2",
		}},
		{"an acknowledgement stops it, and those told hear of it and of the end", "0s raise gas; 6m ack gas; 2h over gas; 2h", t0, []string{
			"0s gas raised on-call-1 1.0", "5m0s gas raised supervisor 2.0",
			"6m0s gas acknowledged on-call-1 2.0", "6m0s gas acknowledged supervisor 2.0",
			"2h6m0s gas returned on-call-1 2.0", "2h6m0s gas returned supervisor 2.0",
		}},
		{"a return to normal does not stop it", "0s raise gas; 1m clear gas; 5m; 1m ack gas; 1h", t0, []string{
			"0s gas raised on-call-1 1.0", "1m0s gas returned on-call-1 1.0", "5m0s gas raised supervisor 2.0",
			"7m0s gas acknowledged on-call-1 2.0", "7m0s gas acknowledged supervisor 2.0",
		}},
		{"a latch that was acknowledged returns, and ends with its reset", "0s raise gas; 1m ack gas; 1m latch gas; 1m free gas; 1h", t0, []string{
			"0s gas raised on-call-1 1.0", "1m0s gas acknowledged on-call-1 1.0", "2m0s gas returned on-call-1 1.0", "3m0s gas ended on-call-1 1.0",
		}},
		{"nor for a latch, nor does its reset", "0s raise gas; 1m latch gas; 1m unlatch gas; 4m", t0, []string{
			"0s gas raised on-call-1 1.0", "1m0s gas returned on-call-1 1.0", "5m0s gas raised supervisor 2.0",
		}},
		{"coming again goes on where it was", "0s raise gas; 2m clear gas; 2m raise gas; 2m", t0, []string{
			"0s gas raised on-call-1 1.0", "2m0s gas returned on-call-1 1.0", "4m0s gas came-again on-call-1 1.0", "5m0s gas raised supervisor 2.0",
		}},
		{"chattering is told once a minute", "0s raise gas; 10s clear gas; 10s raise gas; 10s clear gas; 10s raise gas; 10s clear gas; 10s raise gas; 30s", t0, []string{
			"0s gas raised on-call-1 1.0", "10s gas returned on-call-1 1.0", "1m10s gas came-again on-call-1 1.0",
		}},
		{"a reminder after the acknowledgement begins anew", "0s raise gas; 1m ack gas; 30m remind gas; 5m", t0, []string{
			"0s gas raised on-call-1 1.0", "1m0s gas acknowledged on-call-1 1.0",
			"31m0s gas raised on-call-1 1.0", "36m0s gas raised supervisor 2.0",
		}},
		{"shelved alarms page nobody, and begin anew when that ends", "0s raise gas; 1m shelve gas; 1h unshelve gas; 5m", t0, []string{
			"0s gas raised on-call-1 1.0", "1m0s gas withheld on-call-1 1.0",
			"1h1m0s gas raised on-call-1 1.0", "1h6m0s gas raised supervisor 2.0",
		}},
		{"a suppression that flaps makes no storm", "0s raise gas; 20s shelve gas; 10s unshelve gas; 10s shelve gas; 10s unshelve gas; 10s shelve gas; 10s unshelve gas; 1m", t0, []string{
			"0s gas raised on-call-1 1.0", "20s gas withheld on-call-1 1.0", "1m20s gas raised on-call-1 1.0",
		}},
		{"what was never shown is told to nobody", "0s shelve gas; 1h over gas; 1h", t0, nil},
		{"a restart in the middle loses no time (scenario 36)", "0s raise gas; 3m; 1m restart; 1m; 1m", t0, []string{
			"0s gas raised on-call-1 1.0", "5m0s gas raised supervisor 2.0",
		}},
		{"a long standstill tells each person once", "0s raise gas; 40m restart; 1m", t0, []string{
			"0s gas raised on-call-1 1.0", "40m0s gas raised supervisor 2.0", "40m0s gas raised manager 3.0", "40m0s gas repeated on-call-1 3.2",
		}},
		{"a removed alarm ends", "0s raise gas; 1m remove gas; 1h", t0, []string{
			"0s gas raised on-call-1 1.0", "1m0s gas ended on-call-1 1.0",
		}},
		{"low alarms wait for the morning", "0s raise stock; 10h", night, []string{
			"7h30m0s stock raised on-call-1 1.0", "7h35m0s stock raised supervisor 2.0",
		}},
		{"an hour sooner when the clock is put forward", "0s raise stock; 10h", time.Date(2026, 3, 7, 23, 0, 0, 0, zone(t)), []string{
			"6h0m0s stock raised on-call-1 1.0", "6h5m0s stock raised supervisor 2.0",
		}},
		{"an hour later when it is put back", "0s raise stock; 10h", time.Date(2026, 10, 31, 23, 0, 0, 0, zone(t)), []string{
			"8h0m0s stock raised on-call-1 1.0", "8h5m0s stock raised supervisor 2.0",
		}},
		{"and what becomes of them waits too", "0s raise stock; 10m ack stock; 10h", t0.Add(10*time.Hour + 55*time.Minute), []string{
			"0s stock raised on-call-1 1.0", "8h5m0s stock acknowledged on-call-1 1.0",
		}},
		{"a low alarm over before the morning is told to nobody", "0s raise stock; 1h ack stock; 10h", night, nil},
		{"others do not wait", "0s raise gas; 1m ack gas; 1m", night, []string{
			"0s gas raised on-call-1 1.0", "1m0s gas acknowledged on-call-1 1.0",
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := newScene(t, tt.begin)
			s.play(tt.script)
			if d := cmp.Diff(tt.want, s.log); d != "" {
				t.Errorf("told otherwise (- expected, + got):\n%s", d)
			}
		})
	}
}

// TestLatchedTripIsToldOn: a trip of ten seconds that nobody looks at is told for
// as long as nobody does (scenario 26).
func TestLatchedTripIsToldOn(t *testing.T) {
	s := newScene(t, t0)
	s.play("0s raise gas; 10s latch gas; 8h")
	last := map[string]time.Duration{}
	for _, n := range s.told {
		last[n.Person] = s.now.Sub(n.Time)
	}
	if len(last) != 3 {
		t.Errorf("%d persons were told, expected 3", len(last))
	}
	for person, ago := range last {
		if ago > 10*time.Minute {
			t.Errorf("%s was told last %s ago, expected every 10 min", person, ago)
		}
	}
}

// TestDaylightSaving: the hours are those of the wall clock on the days when it
// is moved, which are those of the IANA time zone database.
func TestDaylightSaving(t *testing.T) {
	q, z := Quiet{From: 22 * time.Hour, To: 6 * time.Hour}, zone(t)
	for _, tt := range []struct {
		name  string
		begin time.Time // 22:00
		want  time.Duration
	}{
		{"a usual night", time.Date(2026, 3, 3, 22, 0, 0, 0, z), 8 * time.Hour},
		{"the clock is put forward", time.Date(2026, 3, 7, 22, 0, 0, 0, z), 7 * time.Hour},
		{"the clock is put back", time.Date(2026, 10, 31, 22, 0, 0, 0, z), 9 * time.Hour},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if q.holds(tt.begin.Add(-time.Second), z) || !q.holds(tt.begin, z) {
				t.Errorf("the quiet hours do not begin at %s", tt.begin)
			}
			end := tt.begin.Add(tt.want)
			if !q.holds(end.Add(-time.Second), z) || q.holds(end, z) {
				t.Errorf("the quiet hours do not end after %s", tt.want)
			}
		})
	}
	day := Quiet{From: 12 * time.Hour, To: 13 * time.Hour}
	for hour, want := range map[int]bool{11: false, 12: true, 13: false} {
		if day.holds(time.Date(2026, 3, 3, hour, 0, 0, 0, z), z) != want {
			t.Errorf("hours from 12 to 13 hold at %d: expected %t", hour, want)
		}
	}
	if (Quiet{}).holds(t0, z) {
		t.Error("no quiet hours hold something")
	}
}

// TestSteppedClock: a wall clock that goes back delays nothing that the monotonic
// clock has counted, and one that jumps over a restart tells too soon, not never.
func TestSteppedClock(t *testing.T) {
	s := newScene(t, t0)
	s.play("0s raise gas; 4m")
	s.now = s.now.Add(-time.Hour) // as after a step, without a monotonic part
	s.step()
	s.run(time.Minute, 10*time.Second)
	if got := s.told[len(s.told)-1]; got.Person != "supervisor" {
		t.Errorf("5 min after the raise %s was told last, expected the supervisor", got.Person)
	}
	s.restart(-24 * time.Hour)
	s.run(10*time.Minute, 10*time.Second)
	if got := s.told[len(s.told)-1]; got.Person != "manager" {
		t.Errorf("after a restart at an earlier time %s was told last, expected the manager", got.Person)
	}
}

// TestStoredApart: the alarms' states and this package's memory may be stored one
// without the other.
func TestStoredApart(t *testing.T) {
	t.Run("an alarm without a run is told", func(t *testing.T) {
		s := newScene(t, t0)
		s.move("gas", alarms.Raised, alarms.Unacknowledged)
		s.pending = nil
		s.x = s.fresh()
		s.step()
		if want := []string{"0s gas raised on-call-1 1.0"}; !slices.Equal(s.log, want) {
			t.Errorf("told %q, expected %q", s.log, want)
		}
	})
	t.Run("an alarm that was answered is not told on", func(t *testing.T) {
		s := newScene(t, t0)
		s.play("0s raise gas; 1m")
		s.move("gas", alarms.Acked, alarms.Acknowledged)
		s.pending = nil
		s.restart(time.Minute)
		s.run(time.Hour, time.Minute)
		if want := []string{"0s gas raised on-call-1 1.0", "2m0s gas acknowledged on-call-1 1.0"}; !slices.Equal(s.log, want) {
			t.Errorf("told %q, expected %q", s.log, want)
		}
	})
	t.Run("an alarm that the site no longer has is forgotten", func(t *testing.T) {
		s := newScene(t, t0)
		s.play("0s raise gas; 1m")
		s.present = s.present[1:]
		s.restart(time.Minute)
		if len(s.x.runs) != 0 {
			t.Errorf("%d runs for no alarm", len(s.x.runs))
		}
	})
	t.Run("the same notice has the same id", func(t *testing.T) {
		var ids []string
		for range 2 {
			s := newScene(t, t0)
			s.play("0s raise gas; 5m")
			ids = append(ids, s.told[1].ID)
		}
		if ids[0] != ids[1] {
			t.Errorf("a notice made twice has the ids %q", ids)
		}
	})
}

// TestHistories plays random histories and checks what must hold of every one.
func TestHistories(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		begin := t0.Add(time.Duration(rapid.IntRange(0, 24*60).Draw(rt, "minute")) * time.Minute)
		s := newScene(t, begin)
		for range rapid.IntRange(1, 40).Draw(rt, "events") {
			alarm := rapid.SampledFrom([]string{"gas", "stock"}).Draw(rt, "alarm")
			wait := rapid.SampledFrom([]string{"0s", "10s", "1m", "4m", "20m", "3h"}).Draw(rt, "wait")
			event := ""
			switch state := s.condition(alarm).State; {
			case state == alarms.Normal:
				event = "raise"
			case state == alarms.Shelved:
				event = "unshelve"
			case state.Active() && state.Unanswered():
				event = rapid.SampledFrom([]string{"clear", "latch", "ack", "shelve", "restart"}).Draw(rt, "event")
			case state.Unanswered():
				event = rapid.SampledFrom([]string{"raise", "ack", "restart"}).Draw(rt, "event")
			default:
				event = rapid.SampledFrom([]string{"over", "shelve", "remind"}).Draw(rt, "event")
			}
			s.play(wait + " " + event + " " + alarm)
		}
		checkHistory(rt, s)

		// Whoever is not answered hears of it again, for ever.
		for _, c := range s.present {
			if c.Priority == alarms.Critical && c.State.Unanswered() {
				before := len(s.told)
				s.run(30*time.Minute, 10*time.Second)
				if len(s.told) == before {
					rt.Fatalf("%s stands in state %s and nobody was told for 30 min", c.Alarm, c.State)
				}
			}
		}
	})
}

func checkHistory(t *rapid.T, s *scene) {
	ids, steps := map[string]bool{}, map[string]bool{}
	first := map[string]string{}
	last := map[string]time.Time{}
	for i := range s.told {
		n := &s.told[i]
		if ids[n.ID] {
			t.Fatalf("two notices have the id %s", n.ID)
		}
		ids[n.ID] = true
		if n.Condition.State.Withheld() && n.Kind != Withheld {
			t.Fatalf("%s of an alarm in state %s", n.Kind, n.Condition.State)
		}
		if waits(n.Kind) != n.Condition.State.Unanswered() && n.Kind != Returned && n.Kind != Withheld {
			t.Fatalf("%s of an alarm in state %s", n.Kind, n.Condition.State)
		}
		if s.s.Quiet.holds(n.Time, s.s.Zone) && n.Condition.Priority == alarms.Low {
			t.Fatalf("a low alarm is told in quiet hours, at %s", n.Time)
		}
		thread := n.Thread + n.Person
		if n.First != first[thread] {
			t.Fatalf("%s for %s follows %q, expected %q", n.Kind, n.Person, n.First, first[thread])
		}
		if n.First == "" {
			if !waits(n.Kind) {
				t.Fatalf("the first that %s hears is that it was %s", n.Person, n.Kind)
			}
			first[thread] = n.ID
		}
		if n.Kind == CameAgain && n.Time.Sub(last[thread]) < time.Minute {
			t.Fatalf("told of a new episode %s after the notice before", n.Time.Sub(last[thread]))
		}
		if waits(n.Kind) {
			key := fmt.Sprint(thread, n.Kind, n.Condition.Episode, n.Time)
			if steps[key] {
				t.Fatalf("%s is told twice in one moment", n.Person)
			}
			steps[key] = true
		}
		last[thread] = n.Time
	}
	if len(s.x.runs) > len(s.present) {
		t.Fatalf("%d runs for %d alarms", len(s.x.runs), len(s.present))
	}
	for name, r := range s.x.runs {
		if len(r.Told) > 3 {
			t.Fatalf("%s remembers %d recipients of 3", name, len(r.Told))
		}
	}
}

// TestNoNumber: what JSON has no number for keeps nobody from being told.
func TestNoNumber(t *testing.T) {
	s := newScene(t, t0.Add(11*time.Hour+50*time.Minute))
	s.play("0s raise gas; 0s raise stock")
	for _, alarm := range []string{"gas", "stock"} {
		s.condition(alarm).Value, s.condition(alarm).Limit = new(math.NaN()), new(math.Inf(1))
	}
	s.play("5m; 20m ack gas; 0s ack stock")
	for _, n := range s.told {
		if _, err := json.Marshal(&n); err != nil {
			t.Errorf("%s of %s: %v", n.Kind, n.Condition.Alarm, err)
		}
	}
	if len(s.x.Checkpoint()) == 0 || len(s.told) < 4 {
		t.Errorf("%d notices", len(s.told))
	}
}

// TestSettings refuses plans that reach nobody or make no sense.
func TestSettings(t *testing.T) {
	for _, tt := range []struct {
		name string
		edit func(*Settings)
		want string
	}{
		{"no store", func(s *Settings) { s.Store = "" }, "needs the site's name, a store"},
		{"repeats like hail", func(s *Settings) { s.Plans[alarms.Low] = Plan{Repeat: time.Second} }, "expected 1m or more"},
		{"steps backward", func(s *Settings) { s.Plans[alarms.Critical].Steps[1].After = 0 }, "expected later than the step before"},
		{"a step reaches nobody", func(s *Settings) { s.Plans[alarms.Critical].Steps[2].Persons = []Person{{Name: "manager"}} }, "step 3 reaches nobody"},
		{"a time of day of 25 h", func(s *Settings) { s.Quiet.To = 25 * time.Hour }, "expected times of day"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := settings(t)
			tt.edit(&s)
			if _, err := New(s); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, expected one with %q", err, tt.want)
			}
		})
	}
}

// FuzzRestore: whatever the memory says, nothing breaks, and an alarm that stands
// is told or the memory is refused.
func FuzzRestore(f *testing.F) {
	s := newScene(f, t0)
	s.play("0s raise gas; 6m; 0s raise stock; 1m")
	f.Add(s.x.Checkpoint())
	f.Add([]byte(`{"elapsed":9223372036854775807,"runs":{"gas":{"state":"unacknowledged","episode":1,"steps":-1}}}`))
	f.Add([]byte(`{"time":"0001-01-01T00:00:00Z","runs":{"gas":null,"stock":{"waiting":{}}}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		s := newScene(t, t0)
		if err := s.x.Restore(data, t0); err != nil {
			return
		}
		s.x.settled = false
		s.play("0s raise gas; 26m")
		if r := s.x.runs["gas"]; len(s.told) == 0 && r.Repeats < 1000 {
			t.Errorf("nobody was told for 26 min: %+v", r)
		}
		if err := s.fresh().Restore(s.x.Checkpoint(), s.now); err != nil {
			t.Errorf("its own checkpoint cannot be restored: %v", err)
		}
	})
}

// BenchmarkIdle is a step in which nothing is due, with an alarm under way.
func BenchmarkIdle(b *testing.B) {
	s := newScene(b, t0)
	s.play("0s raise gas")
	b.ReportAllocs()
	for b.Loop() {
		s.x.Step(s.now, nil, s.present)
	}
}

// BenchmarkRaise is an alarm raised, told to one person with its text, and
// acknowledged; it also tells the bytes of a stored notice and of the memory.
func BenchmarkRaise(b *testing.B) {
	s := newScene(b, t0)
	b.ReportAllocs()
	for b.Loop() {
		s.told, s.log = nil, nil
		s.play("0s raise gas; 0s ack gas; 0s over gas")
	}
	data, err := json.Marshal(&s.told[0])
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(len(data)), "B/notice")
	b.ReportMetric(float64(len(s.x.Checkpoint())), "B/memory")
}
