package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
	"ebbwatch/alarms/escalation"
)

// noticeStore is a NoticeStore in memory that can be made to fail.
type noticeStore struct {
	mu         sync.Mutex
	notices    []escalation.Notice
	checkpoint []byte
	fail       error
	commits    int
	lost       string
}

func (s *noticeStore) Commit(first uint64, notices [][]byte, checkpoint []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.commits++
	if len(notices) > 0 && first != uint64(len(s.notices))+1 {
		return fmt.Errorf("notice %d follows %d", first, len(s.notices))
	}
	for _, data := range notices {
		var n escalation.Notice
		if err := json.Unmarshal(data, &n); err != nil {
			return err
		}
		s.notices = append(s.notices, n)
	}
	if s.fail == nil {
		s.checkpoint = checkpoint
	}
	return s.fail
}

func (s *noticeStore) Checkpoint() ([]byte, error) { return s.checkpoint, nil }
func (s *noticeStore) Depth() int                  { return 0 }
func (s *noticeStore) Lost() string                { return s.lost }
func (s *noticeStore) LastSequence() uint64        { return uint64(len(s.notices)) }

// story is who was told what, and how long after the beginning.
func (s *noticeStore) story(begin time.Time) string {
	var b strings.Builder
	for _, n := range s.notices {
		fmt.Fprintf(&b, "%s %s %s; ", n.Time.Sub(begin), n.Kind, n.Person)
	}
	return b.String()
}

// withNotices adds people to a rig: on-call-1 at once and the supervisor after a
// minute.
func (r rig) withNotices(t *testing.T, store *noticeStore) (woken *int) {
	t.Helper()
	person := func(name string) []escalation.Person {
		return []escalation.Person{{Name: name, Reach: []escalation.Address{{Channel: "mail", To: name}}}}
	}
	x, err := escalation.New(escalation.Settings{
		Site: "kestrel-ridge", Store: "s", Zone: time.UTC,
		Plans: map[alarms.Priority]escalation.Plan{alarms.High: {Steps: []escalation.Step{{Persons: person("on-call-1")}, {After: time.Minute, Persons: person("supervisor")}}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	woken = new(int)
	r.o.Escalation = &Escalation{Escalator: x, Store: store, Wake: func() { *woken++ }}
	r.o.Escalation.restore(r.started, r.o.Log)
	return woken
}

var dry = script(func(int) []reading.Reading { return residual(0.1) })

// TestPeopleAreTold: notices are committed and those who tell are woken; time
// goes on over a restart, and quiet steps write nothing.
func TestPeopleAreTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store, notices := &memoryStore{}, &noticeStore{}
		begin := time.Now()
		r := newRig(t, store, dry)
		woken := r.withNotices(t, notices)
		var before []int // the commits of notices before those who tell of events are woken
		r.o.Wake = func() { before = append(before, notices.commits) }
		r.runFor(t, 30*time.Second)
		if !slices.Equal(before, []int{1}) {
			t.Errorf("events were told after %d commits of notices, expected once, after that of the start", before)
		}
		if got, want := notices.story(begin), "5s raised on-call-1; "; got != want || *woken != 1 {
			t.Errorf("told %q, woken %d times; expected %q, once", got, *woken, want)
		}
		if notices.commits != 3 {
			t.Errorf("%d commits, expected one for the notice, one at the start that probes the disk and one at the stop", notices.commits)
		}
		time.Sleep(20 * time.Second) // down
		again := newRig(t, store, dry)
		again.withNotices(t, notices)
		go func() {
			time.Sleep(40*time.Second + 500*time.Millisecond)
			again.Order(t.Context(), alarms.Order{Verb: alarms.Acknowledge, ID: "1", By: "supervisor", Alarm: "residual-low", Episode: 1})
		}()
		again.runFor(t, time.Hour)
		want := "5s raised on-call-1; 1m5s raised supervisor; 1m30s acknowledged on-call-1; 1m30s acknowledged supervisor; "
		if got := notices.story(begin); got != want {
			t.Errorf("told %q, expected %q", got, want)
		}
		if n := notices.notices[1]; n.Thread != "kestrel-ridge/residual-low/1" || n.Condition.Place != "entry point" || !strings.Contains(n.Body, "acknowledge") {
			t.Errorf("the second notice is %+v", n)
		}
	})
}

// TestNoticesAreToldWithoutADisk: the alarm about the memory is raised too.
func TestNoticesAreToldWithoutADisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		notices := &noticeStore{fail: errors.New("disk full")}
		begin := time.Now()
		r := newRig(t, &memoryStore{}, dry)
		woken := r.withNotices(t, notices)
		r.runFor(t, 30*time.Second)
		if got := notices.story(begin); !strings.HasPrefix(got, "5s raised on-call-1; ") || *woken == 0 {
			t.Errorf("told %q, woken %d times", got, *woken)
		}
		if got := r.told.story(); !strings.Contains(got, "journal-failing raised") {
			t.Errorf("alarms %q, expected that of the journal among them", got)
		}
		if err := r.Snapshot().StoreError; err == nil || err.Error() != "disk full" {
			t.Errorf("the snapshot says %v of the store", err)
		}
	})
}

// TestStoppedBetweenTheStores: the process ended after the alarm was stored and
// before its notice was.
func TestStoppedBetweenTheStores(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store, notices := &memoryStore{}, &noticeStore{}
		first := newRig(t, store, dry)
		first.runFor(t, 30*time.Second) // nobody is told
		begin := time.Now()
		r := newRig(t, store, dry)
		r.withNotices(t, notices)
		r.runFor(t, 30*time.Second)
		if got, want := notices.story(begin), "0s raised on-call-1; "; got != want {
			t.Errorf("told %q, expected %q", got, want)
		}
	})
}

// TestMemoryThatMakesNoSense keeps nobody from being told.
func TestMemoryThatMakesNoSense(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		notices := &noticeStore{checkpoint: []byte(`{"elapsed":-1}`)}
		begin := time.Now()
		r := newRig(t, &memoryStore{}, dry)
		r.withNotices(t, notices)
		r.runFor(t, 30*time.Second)
		if got, want := notices.story(begin), "5s raised on-call-1; "; got != want {
			t.Errorf("told %q, expected %q", got, want)
		}
	})
}

// TestReplayTellsTheSame: the notices are a function of readings and time.
func TestReplayTellsTheSame(t *testing.T) {
	var told [2][]escalation.Notice
	for i := range told {
		synctest.Test(t, func(t *testing.T) {
			notices := &noticeStore{}
			r := newRig(t, &memoryStore{}, script(func(s int) []reading.Reading {
				if s%50 < 30 {
					return residual(0.1)
				}
				return residual(1)
			}))
			r.withNotices(t, notices)
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Minute)
			defer cancel()
			if err := r.Run(ctx); err != nil {
				t.Fatal(err)
			}
			told[i] = notices.notices
		})
	}
	same := func(a, b escalation.Notice) bool {
		x, errX := json.Marshal(a)
		y, errY := json.Marshal(b)
		return errX == nil && errY == nil && string(x) == string(y)
	}
	if len(told[0]) < 5 || !slices.EqualFunc(told[0], told[1], same) {
		t.Errorf("%d notices, then %d, expected the same twice", len(told[0]), len(told[1]))
	}
}

// TestAFailingEdgeIsAnAlarm: what an edge says of itself is raised after its
// delay, and cleared.
func TestAFailingEdgeIsAnAlarm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		r := newRig(t, store, script(func(int) []reading.Reading { return residual(1) }))
		begin := time.Now()
		var err error
		o := r.o
		o.Watches = []Watch{{Alarm: alarms.NoticesFailing("self.notices"), Err: func() error {
			if since := time.Since(begin); since > 10*time.Second && since < 5*time.Minute {
				return errors.New("the mail server sleeps")
			}
			return nil
		}}}
		if r.Agent, err = New(o); err != nil {
			t.Fatal(err)
		}
		r.runFor(t, 10*time.Minute)
		if got := r.told.story(); got != "notices-failing raised; notices-failing cleared; " {
			t.Fatalf("told %q", got)
		}
		if at := r.told.told[0].Time.Sub(begin); at < 2*time.Minute || at > 2*time.Minute+12*time.Second {
			t.Errorf("raised after %s, expected 2 min after the 10 s of health", at)
		}
		if what := r.told.told[0].After.What; what != "The telling of people fails: the mail server sleeps." {
			t.Errorf("it says %q", what)
		}
	})
}

// TestOrdersOfRoles: an order goes through the evaluator in the role that was
// proven, a refused one into the record, and a shelved alarm pages nobody.
func TestOrdersOfRoles(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store, notices := &memoryStore{}, &noticeStore{}
		begin := time.Now()
		r := newRig(t, store, dry)
		o := r.o
		o.Roles = []alarms.Role{{Name: "operator", May: []alarms.Verb{alarms.Acknowledge}}}
		var err error
		if r.Agent, err = New(o); err != nil {
			t.Fatal(err)
		}
		r.withNotices(t, notices)
		var answers []alarms.Result
		var asked sync.WaitGroup
		asked.Go(func() {
			time.Sleep(20*time.Second + 500*time.Millisecond)
			ack := alarms.Order{Verb: alarms.Acknowledge, By: "on-call-1", Alarm: "residual-low", Episode: 1}
			for i, edit := range []func(*alarms.Order){
				func(o *alarms.Order) {},
				func(o *alarms.Order) { o.Refused = "mac does not prove the role" },
				func(o *alarms.Order) { o.Role = "operator"; o.Verb = alarms.ResetLatch },
				func(o *alarms.Order) { o.Role = "operator" },
			} {
				one := ack
				one.ID = fmt.Sprint(i)
				edit(&one)
				answers = append(answers, r.Order(t.Context(), one).Result)
			}
		})
		r.runFor(t, time.Minute)
		asked.Wait()
		if want := []alarms.Result{alarms.Refused, alarms.Refused, alarms.Refused, alarms.Done}; !slices.Equal(answers, want) {
			t.Errorf("answered %q, expected %q", answers, want)
		}
		if got, want := r.told.story(), "residual-low raised; residual-low order-refused; residual-low order-refused; residual-low order-refused; residual-low acknowledged; "; got != want {
			t.Errorf("the record is %q, expected %q", got, want)
		}
		if by := r.told.told[2].Order; by == nil || by.Why != "mac does not prove the role" || by.By != "on-call-1" || by.Role != "" {
			t.Errorf("the record of an unproven order is %+v", by)
		}
		if got, want := notices.story(begin), "5s raised on-call-1; 20s acknowledged on-call-1; "; got != want {
			t.Errorf("told %q, expected %q", got, want)
		}
	})
}
