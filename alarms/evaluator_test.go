package alarms

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var (
	t0   = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	good = func(v float64) Sample { return Sample{Value: v, Usable: true, Quality: "good"} }
	bad  = Sample{Quality: "bad:no-reply", Detail: "does not answer"}
)

func high(edit func(*Setting)) Setting {
	s := Setting{
		Name: "a", Kind: HighLimit, Input: "x", Limit: 10, Deadband: 1, Priority: High,
		Subject: "The value", Shown: Scale{Unit: "mg/L", Factor: 1, Decimals: 1},
	}
	if edit != nil {
		edit(&s)
	}
	return s
}

func evaluator(t testing.TB, s ...Setting) *Evaluator {
	t.Helper()
	e, err := New(s, []string{"x"})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func TestDetection(t *testing.T) {
	type step struct {
		after time.Duration
		in    Sample
		want  State
	}
	low := func(s *Setting) { s.Kind = LowLimit }
	delays := func(s *Setting) { s.OnDelay, s.OffDelay = 10*time.Second, 20*time.Second }
	for _, tc := range []struct {
		reason string
		edit   func(*Setting)
		steps  []step
	}{
		{"no delay acts on the first sample over the limit", nil, []step{{0, good(10.1), Unacknowledged}}},
		{"a value at a high limit counts: a detector may end its range there", nil, []step{{0, good(10), Unacknowledged}}},
		{"a value at a low limit is not under it", low, []step{{0, good(10), Normal}}},
		{"without a deadband a value at the limit stands", func(s *Setting) { s.Deadband = 0 }, []step{{0, good(10), Unacknowledged}, {1, good(10), Unacknowledged}, {1, good(9.99), ReturnedUnacknowledged}}},
		{"inside the deadband the alarm stands", nil, []step{{0, good(11), Unacknowledged}, {1, good(9.5), Unacknowledged}, {1, good(9), ReturnedUnacknowledged}}},
		{"low alarms mirror high ones", low, []step{{0, good(9), Unacknowledged}, {1, good(10.5), Unacknowledged}, {1, good(11), ReturnedUnacknowledged}}},
		{"an on-delay needs the condition without a break", delays, []step{
			{0, good(11), Normal}, {9 * time.Second, good(11), Normal}, {time.Second / 2, good(9.9), Normal},
			{time.Second, good(11), Normal}, {9 * time.Second, good(11), Normal}, {time.Second, good(11), Unacknowledged},
		}},
		{"bad samples freeze an on-delay and count nothing", delays, []step{
			{0, good(11), Normal}, {5 * time.Second, good(11), Normal}, {time.Hour, bad, Normal}, {time.Second, good(11), Normal},
			{4 * time.Second, good(11), Normal}, {time.Second, good(11), Unacknowledged},
		}},
		{"bad samples never clear, and an off-delay starts anew after them", delays, []step{
			{0, good(11), Normal}, {10 * time.Second, good(11), Unacknowledged}, {time.Second, good(5), Unacknowledged},
			{19 * time.Second, good(5), Unacknowledged}, {time.Second / 2, bad, Unacknowledged}, {time.Hour, bad, Unacknowledged},
			{time.Second, good(5), Unacknowledged}, {19 * time.Second, good(5), Unacknowledged}, {time.Second, good(5), ReturnedUnacknowledged},
		}},
		{"a number that is none is bad whatever its quality says", nil, []step{{0, good(math.NaN()), Normal}, {1, good(math.Inf(1)), Normal}}},
		{"time that goes backwards counts no delay", delays, []step{{0, good(11), Normal}, {-time.Hour, good(11), Normal}, {9 * time.Second, good(11), Normal}, {time.Second, good(11), Unacknowledged}}},
		{"a state alarm follows its bit", func(s *Setting) { s.Kind = StateOn }, []step{{0, good(0), Normal}, {1, good(1), Unacknowledged}, {1, bad, Unacknowledged}, {1, good(0), ReturnedUnacknowledged}}},
	} {
		e := evaluator(t, high(tc.edit))
		now := t0
		for i, st := range tc.steps {
			now = now.Add(st.after)
			e.Step(now, []Sample{st.in})
			if got := e.byName["a"].state(); got != st.want {
				t.Errorf("%s: step %d is %s, expected %s", tc.reason, i, got, st.want)
			}
		}
	}
}

func TestOrders(t *testing.T) {
	e := evaluator(t, high(func(s *Setting) { s.Latching = true }))
	order := func(verb Verb, id string, episode uint64) Answer {
		_, ans := e.Order(t0, Order{Verb: verb, ID: id, By: "on-call-1", Alarm: "a", Episode: episode})
		return ans
	}
	expect := func(step string, got Answer, want Result, why string) {
		t.Helper()
		if got.Result != want || !strings.Contains(got.Why, why) {
			t.Errorf("%s: answered %s (%s), expected %s (%s)", step, got.Result, got.Why, want, why)
		}
	}
	expect("nothing stands", order(Acknowledge, "1", 0), Refused, "nothing to acknowledge")
	e.Step(t0, []Sample{good(20)})
	expect("wrong episode", order(Acknowledge, "2", 7), Refused, "episode 7 is not the present one, 1")
	expect("still active", order(ResetLatch, "3", 0), Refused, "still holds")
	expect("first acknowledgement", order(Acknowledge, "4", 1), Done, "")
	expect("same order again", order(Acknowledge, "4", 1), Already, "carried out before")
	expect("second person", order(Acknowledge, "5", 1), Already, "by on-call-1")
	e.Step(t0.Add(time.Second), []Sample{good(0)})
	expect("latch let go", order(ResetLatch, "6", 0), Done, "")
	expect("unknown verb", order("silence", "7", 0), Refused, "not known")
	if _, ans := e.Order(t0, Order{Verb: Acknowledge, Alarm: "b", By: "on-call-1"}); ans.Result != Refused || !strings.Contains(ans.Why, `"b"`) {
		t.Errorf("an unknown alarm was answered %+v", ans)
	}
	if got := e.byName["a"].state(); got != Normal {
		t.Errorf("the alarm ended %s, expected normal", got)
	}
}

func TestSentencesTellTheTruth(t *testing.T) {
	e := evaluator(t, high(func(s *Setting) { s.Latching = true }))
	say := func(in Sample) string {
		e.Step(t0, []Sample{in})
		return e.Conditions()[0].What
	}
	for _, tc := range []struct {
		reason, want string
		in           Sample
	}{
		{"normal is said too", "The value is 3.0 mg/L, within the limit of 10.0 mg/L.", good(3)},
		{"unknown is not normal", "The value is not known: the measurement does not answer.", bad},
		{"a value to be taken with care", "The value is 3.0 mg/L, within the limit of 10.0 mg/L; the value is a lower bound.",
			Sample{Value: 3, Usable: true, Quality: "uncertain:not-drawn", Detail: "is a lower bound"}},
		{"raised", "The value is 12.5 mg/L, over the limit of 10.0 mg/L.", good(12.5)},
		{"at the limit", "The value is at the limit of 10.0 mg/L.", good(10)},
		{"in the deadband", "The value is 9.5 mg/L, not yet clear of the limit of 10.0 mg/L.", good(9.5)},
		{"held on a bad value", "The value was over the limit of 10.0 mg/L when last measured; the measurement now does not answer, so the alarm is held.", bad},
		{"latched", "The value is 1.0 mg/L, within the limit of 10.0 mg/L; the alarm stays until a person resets it.", good(1)},
	} {
		if got := say(tc.in); got != tc.want {
			t.Errorf("%s:\n got %q\nwant %q", tc.reason, got, tc.want)
		}
	}
}

func TestRetiredAlarmGetsAClosingEvent(t *testing.T) {
	e := evaluator(t, high(nil), high(func(s *Setting) { s.Name = "old" }))
	e.Step(t0, []Sample{good(20)})
	next := evaluator(t, high(nil))
	ts, err := next.Restore(e.Checkpoint(), t0.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if len(ts) != 1 || ts[0].Cause != Retired || ts[0].After.Alarm != "old" || ts[0].To != Normal || ts[0].Sequence != 3 {
		t.Fatalf("closing transitions %+v, expected one for old with sequence 3", ts)
	}
	if c := next.Conditions()[0]; c.State != Unacknowledged || c.Episode != 1 || c.Value != nil {
		t.Errorf("after the restart the alarm is %+v, expected the same episode without a value", c)
	}
	if _, err := next.Restore([]byte("{"), t0); err == nil {
		t.Error("a damaged checkpoint was accepted")
	}
}

func TestSettingFaults(t *testing.T) {
	for _, tc := range []struct {
		want string
		edit func(*Setting)
	}{
		{"has no name", func(s *Setting) { s.Name = "" }},
		{`kind "odd"`, func(s *Setting) { s.Kind = "odd" }},
		{`priority "loud"`, func(s *Setting) { s.Priority = "loud" }},
		{"limit must be a finite number", func(s *Setting) { s.Limit = math.NaN() }},
		{"deadband must be", func(s *Setting) { s.Deadband = -1 }},
		{"deadband must be", func(s *Setting) { s.Deadband = math.NaN() }},
		{"delay must be", func(s *Setting) { s.OnDelay = -1 }},
		{"no unit", func(s *Setting) { s.Shown = Scale{} }},
		{`no figure is called "y"`, func(s *Setting) { s.Input = "y" }},
	} {
		_, err := New([]Setting{high(tc.edit)}, []string{"x"})
		if err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("error %v, expected one that says %q", err, tc.want)
		}
	}
	if _, err := New([]Setting{high(nil), high(nil)}, []string{"x"}); err == nil {
		t.Error("two alarms of one name were accepted")
	}
}

// TestInvariants: over any history, bad samples change no state, sequences have
// no gap, episodes only rise by a raise, only orders acknowledge, and a replay
// gives the same transitions.
func TestInvariants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := high(func(s *Setting) {
			s.Latching = rapid.Bool().Draw(t, "latching")
			s.OnDelay = time.Duration(rapid.IntRange(0, 3).Draw(t, "on")) * time.Second
			s.OffDelay = time.Duration(rapid.IntRange(0, 3).Draw(t, "off")) * time.Second
		})
		e, _ := New([]Setting{s}, []string{"x"})
		again, _ := New([]Setting{s}, []string{"x"})
		now := t0
		var sequence, episode uint64
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(0, 4).Draw(t, "gap")) * time.Second)
			var got, replayed []Transition
			before := e.byName["a"].state()
			switch rapid.IntRange(0, 4).Draw(t, "event") {
			case 0:
				got, replayed = e.Step(now, []Sample{bad}), again.Step(now, []Sample{bad})
				if len(got) > 0 {
					t.Fatalf("a bad sample moved the alarm: %+v", got)
				}
			case 1:
				o := Order{Verb: Acknowledge, Alarm: "a", Episode: uint64(rapid.IntRange(0, 3).Draw(t, "episode")), By: "operator"}
				got, _ = e.Order(now, o)
				replayed, _ = again.Order(now, o)
				if e.byName["a"].state().Active() != before.Active() {
					t.Fatal("an acknowledgement changed the condition")
				}
			case 2:
				o := Order{Verb: ResetLatch, Alarm: "a", By: "operator"}
				got, _ = e.Order(now, o)
				replayed, _ = again.Order(now, o)
			default:
				in := []Sample{good(rapid.Float64Range(5, 15).Draw(t, "value"))}
				got, replayed = e.Step(now, in), again.Step(now, in)
				if before == Unacknowledged && e.byName["a"].state() == Acknowledged {
					t.Fatal("a sample acknowledged the alarm")
				}
			}
			for i, tr := range got {
				sequence++
				if tr.Sequence != sequence || tr.From != before || tr.After.State != tr.To {
					t.Fatalf("transition %+v does not follow sequence %d from %s", tr, sequence, before)
				}
				if tr.Cause == Raised {
					episode++
				}
				if tr.After.Episode != episode || tr.After.What != replayed[i].After.What || tr.Sequence != replayed[i].Sequence {
					t.Fatalf("transition %+v, replayed %+v, expected episode %d", tr, replayed[i], episode)
				}
			}
		}
	})
}

func TestMostUrgentIsToldFirst(t *testing.T) {
	e := evaluator(t,
		high(func(s *Setting) { s.Name, s.Priority = "z", Low }),
		high(func(s *Setting) { s.Name, s.Priority = "b", Critical }),
		high(func(s *Setting) { s.Name, s.Priority = "c", Medium }))
	var order []string
	for _, tr := range e.Step(t0, []Sample{good(20)}) {
		order = append(order, tr.After.Alarm)
	}
	if got := strings.Join(order, " "); got != "b c z" {
		t.Errorf("told in the order %s, expected b c z", got)
	}
}

// What was found says what to try first, while it is found; the setting's own
// list stays as it is.
func TestWhatToTryFirst(t *testing.T) {
	e := evaluator(t, Setting{Name: "a", Kind: StateOn, Input: "x", Priority: High, FirstAction: []string{"Measure by hand."}})
	for i, s := range []struct {
		sample Sample
		want   string
	}{
		{good(0), "Measure by hand."},
		{Sample{Value: 1, Usable: true, Quality: "good", First: "Check the plug."}, "Check the plug. Measure by hand."},
		{Sample{Value: 1, Usable: true, Quality: "good", First: "Check the fuse."}, "Check the fuse. Measure by hand."},
		{bad, "Measure by hand."},
	} {
		e.Step(t0.Add(time.Duration(i)*time.Second), []Sample{s.sample})
		if got := strings.Join(e.Conditions()[0].FirstAction, " "); got != s.want {
			t.Errorf("step %d: first actions %q, expected %q", i, got, s.want)
		}
	}
}

func TestCatalogueIsRationalised(t *testing.T) {
	leave := "Leave the room." // what the site's words bring
	all := []Setting{
		ResidualLow("p", "entry point", "x"), InactivationLow("s", "x"), WithdrawalHigh("b", "room", "x", "x"), BankOverdrawn("b", "room", "x"),
		StandbyEmpty("b", "room", "x"), OrderDue("b", "room", "x"), ChangeoverUnstaffed("b", "room", "x"), BankUnaccounted("b", "room", "x"), LossReportable("b", "room", "x"),
		BankFeedLost("b", "room", "x"), HeaderLow("b", "room", "x"), ScaleStuck("b", "room", "x"), WeightMoved("b", "room", "x"), ContainerOff("b", "room", "x"), TareDoubtful("b", "room", "x"),

		EmptyNotice("b", "room", "x"), EmptyUrgent("b", "room", "x"), DetectorLevel("g", "room", "x", 1, leave, safetyNote), DetectorLevel("g", "room", "x", 2, leave, safetyNote), DetectorLevel("g", "room", "x", 3, leave, safetyNote),
		DetectorRising("g", "room", "x", 1, leave, safetyNote), ExposureHigh("g", "room", "8h", "x"), DetectorOverdue("g", "room", "x"), RoomVote("r", "x", leave, safetyNote),
		RoomBlind("r", "x"), RoomDeviation("r", "x", "x"), VentilationFailed("r", "x"),
		DetectorUnavailable("g", "room", "x"), InstrumentLost("i", "line", "where", "x"), InstrumentDoubtful("i", "line", "where", "x"), LineLost("l", "where", "x"), LineOverrun("l", "where", "x"), MemoryFailing("x"), RecordFailing("x"), MemoryLost("x"), BrokerFailing("x"), NoticesFailing("x"),
	}
	all[0].Shown = Scale{Unit: "mg/L", Factor: 1, Decimals: 2}
	for _, s := range all {
		if s.Subject == "" || s.Place == "" || s.Consequence == "" || len(s.FirstAction) < 2 || s.RespondWithin <= 0 {
			t.Errorf("alarm %s lacks a part that a person needs: %+v", s.Name, s)
		}
		if missing := s.Missing(); len(missing) > 0 {
			t.Errorf("alarm %s says nothing of its %v", s.Name, missing)
		}
		// A trip latches; a dose of hours and a room that nobody watches pass by
		// themselves.
		trip := s.Safety && s.Name != "g-exposure-8h" && s.Name != "r-blind"
		if s.Safety && s.ShelveMax > maxSafetyShelf || trip && !s.Latching {
			t.Errorf("alarm %s guards life, may be shelved for %s and latches: %v", s.Name, s.ShelveMax, s.Latching)
		}
		if s.ShelveMax > 0 && s.Priority == Critical && s.ShelveMax > time.Hour || s.ReAlarm > 0 && s.ReAlarm < s.RespondWithin {
			t.Errorf("alarm %s: to respond %s, shelved for at most %s, again after %s", s.Name, s.RespondWithin, s.ShelveMax, s.ReAlarm)
		}
		if s.OnDelay*2 > s.RespondWithin {
			t.Errorf("alarm %s: the on-delay %s eats over half of the %s to respond", s.Name, s.OnDelay, s.RespondWithin)
		}
	}
	if _, err := New(all, []string{"x"}); err != nil {
		t.Error(err)
	}
}
