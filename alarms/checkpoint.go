package alarms

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// checkpoint is the evaluator's memory across restarts. Version 1, which had no
// number, is the same without what can be left out.
type checkpoint struct {
	Version  int               `json:"version,omitempty"`
	Sequence uint64            `json:"sequence,omitempty"`
	Alarms   map[string]stored `json:"alarms"`
	Orders   []carriedOut      `json:"orders,omitempty"`
	Health   *storedHealth     `json:"health,omitempty"`
}

const checkpointVersion = 2

// stored is the part of an alarm that survives a restart.
type stored struct {
	// State is the core's; the flags follow.
	State          State     `json:"state"`
	Silent         bool      `json:"silent,omitempty"`
	Shelving       string    `json:"shelving,omitempty"` // timed or one-shot
	Suppressed     bool      `json:"suppressed,omitempty"`
	OutOfService   bool      `json:"out_of_service,omitempty"`
	Episode        uint64    `json:"episode,omitempty"`
	Since          time.Time `json:"since,omitzero"`
	AcknowledgedBy string    `json:"acknowledged_by,omitempty"`
	Sequence       uint64    `json:"sequence,omitempty"`

	Raised       *time.Time `json:"raised,omitempty"`
	Acknowledged *time.Time `json:"acknowledged,omitempty"`
	Realarms     int        `json:"realarms,omitempty"`
	FirstOut     bool       `json:"first_out,omitempty"`
	Tie          bool       `json:"first_out_tie,omitempty"`
	// Who withholds it, by the flags above.
	Shelver     *withholder `json:"shelver,omitempty"`
	Suppressing *withholder `json:"suppressing,omitempty"`
	Remover     *withholder `json:"remover,omitempty"`

	ShelvedAt    *time.Time `json:"shelved_at,omitempty"`
	ShelvedUntil *time.Time `json:"shelved_until,omitempty"`
	TestUntil    *time.Time `json:"test_until,omitempty"`

	// What people were told of, to notice a site file that was changed.
	Priority Priority `json:"priority,omitempty"`
	Kind     Kind     `json:"kind,omitempty"`
	Limit    *float64 `json:"limit,omitempty"`

	Health *storedAlarmHealth `json:"health,omitempty"`
}

// Checkpoint returns what Restore needs after a restart. Delays in progress are
// not kept: a restart costs an alarm at most its on-delay.
func (e *Evaluator) Checkpoint() []byte {
	cp := checkpoint{
		Version: checkpointVersion, Sequence: e.sequence, Alarms: make(map[string]stored, len(e.alarms)),
		Orders: e.orders.recent(e.last), Health: e.health.stored(e.last),
	}
	for _, a := range e.alarms {
		cp.Alarms[a.Name] = a.stored()
	}
	b, err := json.Marshal(cp)
	if err != nil { // plain data always marshals
		panic(err)
	}
	return b
}

func (a *alarm) stored() stored {
	s := stored{
		State: a.core(), Silent: a.silent, Suppressed: a.suppressed, OutOfService: a.outOfService,
		Episode: a.episode, Since: a.since, AcknowledgedBy: a.acknowledgedBy, Sequence: a.sequence,
		Raised: kept(a.raised), Acknowledged: kept(a.acknowledged), Realarms: a.realarms,
		FirstOut: a.firstOut, Tie: a.tie,
		ShelvedAt: kept(a.shelvedAt), ShelvedUntil: kept(a.shelvedUntil), TestUntil: kept(a.testUntil),
		Priority: a.Priority, Kind: a.Kind, Health: a.health.stored(),
	}
	switch a.shelve {
	case timed:
		s.Shelving, s.Shelver = "timed", &a.shelver
	case oneShot:
		s.Shelving, s.Shelver = "one-shot", &a.shelver
	}
	if a.suppressed {
		s.Suppressing = &a.suppressing
	}
	if a.outOfService {
		s.Remover = &a.remover
	}
	if a.Kind.limited() {
		s.Limit = &a.Limit
	}
	return s
}

// kept is nil for no time at all.
func kept(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// found is nothing where nothing was kept.
func found[T any](kept *T) T {
	if kept == nil {
		var none T
		return none
	}
	return *kept
}

// Restore brings back the states, episodes, shelvings and sequence of a
// checkpoint, as ISA-18.2 asks: an alarm that stood before the restart still
// stands, and needs no second acknowledgement. A shelving whose time has passed
// meanwhile ends with the next step. It returns the transitions that a changed
// site file brings: an alarm with another limit, kind or priority says so, and one
// that is no more is retired, a normal one too, so that nobody keeps its last
// condition. Nothing is restored on an error.
func (e *Evaluator) Restore(data []byte, now time.Time) ([]Transition, error) {
	var cp checkpoint
	if err := json.Unmarshal(data, &cp); err != nil {
		return nil, fmt.Errorf("alarm checkpoint is not readable: %w", err)
	}
	if cp.Version > checkpointVersion {
		return nil, fmt.Errorf("alarm checkpoint has version %d, and this ebbwatch reads up to %d: it was written by a newer one", cp.Version, checkpointVersion)
	}
	for name, s := range cp.Alarms {
		if _, ok := cores[s.State]; !ok {
			return nil, fmt.Errorf("alarm checkpoint is not readable: alarm %.64q stands in state %.64q", name, s.State)
		}
	}
	e.sequence = max(e.sequence, cp.Sequence)
	e.last = now
	e.orders.restore(cp.Orders)
	e.health.restore(cp.Health)
	var out []Transition
	for _, a := range e.alarms {
		if s, ok := cp.Alarms[a.Name]; ok {
			out = e.restore(out, a, &s, now)
		}
	}
	if cp.Health != nil {
		e.health.pass(e, min(max(0, now.Sub(cp.Health.At)), daysKept*dayTime))
	}
	for _, g := range e.groups {
		for _, a := range g.members {
			g.decided = g.decided || a.firstOut
		}
	}
	var gone []string
	for name := range cp.Alarms {
		if e.byName[name] == nil && name != Site {
			gone = append(gone, name)
		}
	}
	slices.Sort(gone)
	for _, name := range gone {
		out = append(out, e.retire(name, cp.Alarms[name], now))
	}
	return out, nil
}

// cores are the states that a checkpoint may hold.
var cores = map[State]machine{
	Normal:                 {acked: true},
	Unacknowledged:         {active: true},
	Acknowledged:           {active: true, acked: true},
	ReturnedUnacknowledged: {},
	LatchedUnacknowledged:  {latched: true},
	LatchedAcknowledged:    {latched: true, acked: true},
}

// restore gives an alarm what was stored of it.
func (e *Evaluator) restore(out []Transition, a *alarm, s *stored, now time.Time) []Transition {
	a.machine = cores[s.State]
	if a.active {
		a.latched = a.Latching
	}
	a.silent, a.suppressed, a.outOfService = s.Silent, s.Suppressed, s.OutOfService
	a.episode, a.since, a.sequence, a.acknowledgedBy = s.Episode, s.Since, s.Sequence, s.AcknowledgedBy
	a.raised, a.acknowledged, a.realarms = found(s.Raised), found(s.Acknowledged), s.Realarms
	a.firstOut, a.tie = s.FirstOut && a.group != nil, s.Tie && a.group != nil
	a.shelver, a.suppressing, a.remover = found(s.Shelver), found(s.Suppressing), found(s.Remover)
	a.changed = true
	a.health.restore(s.Health)
	// A clock that was set back meanwhile makes no time longer than it was.
	a.realarmLeft = min(a.ReAlarm, max(0, a.ReAlarm-now.Sub(a.acknowledged)))
	if t := found(s.TestUntil); !t.IsZero() {
		a.testUntil, a.testLeft = t, min(MaxTest, t.Sub(now))
	}
	// What cannot be determined is not shelved (OPC 10000-9 5.8.17.1).
	if s.ShelvedUntil != nil && s.ShelvedAt != nil && a.ShelveMax > 0 {
		switch s.Shelving {
		case "timed":
			a.shelve = timed
		case "one-shot":
			a.shelve = oneShot
		}
	}
	if a.shelve != unshelved {
		a.shelvedAt, a.shelvedUntil = *s.ShelvedAt, *s.ShelvedUntil
		a.shelfLeft = min(a.shelvedUntil.Sub(now), a.shelvedUntil.Sub(a.shelvedAt), a.ShelveMax)
	} else if s.Shelving != "" {
		a.shelve = timed
		out = e.move(out, a, now, evShelveExpire, ShelfExpired)
	}
	return e.edited(out, a, s, now)
}

// edited tells what the site file changed about an alarm that people know.
func (e *Evaluator) edited(out []Transition, a *alarm, s *stored, now time.Time) []Transition {
	limit := s.Limit == nil || !a.Kind.limited() || *s.Limit == a.Limit
	from := a.state()
	unlatched := !a.active && a.latched && !a.Latching
	if unlatched { // nothing could reset it any more
		a.latched = false
		if a.silent {
			a.acked, a.silent = true, false
		}
	}
	if s.Kind != "" && s.Kind != a.Kind || !limit || unlatched {
		out = append(out, e.write(a, now, SettingEdited, from, record, nil))
	}
	if s.Priority == "" || s.Priority == a.Priority {
		return out
	}
	// One that became more urgent has to be answered anew: our choice.
	f := record
	from = a.state()
	if a.Priority.Rank() > s.Priority.Rank() {
		if next, g := a.on(evRealarm, a.Latching); g.has(record) {
			a.machine, a.acknowledgedBy, f = next, "", record|annunciate
			a.realarms++
		}
	}
	t := e.write(a, now, Reprioritised, from, f, nil)
	t.LastPriority = s.Priority
	return append(out, t)
}

// retire closes an alarm that the site no longer has.
func (e *Evaluator) retire(name string, s stored, now time.Time) Transition {
	e.sequence++
	m := cores[s.State]
	m.suppressed, m.outOfService = s.Suppressed, s.OutOfService
	if s.Shelving != "" {
		m.shelve = timed
	}
	return Transition{
		Sequence: e.sequence, Time: now, From: m.state(), To: Normal, Cause: Retired, StopEscalation: true, Closed: true,
		After: Condition{
			Alarm: name, Priority: Low, State: Normal, Episode: s.Episode, Since: now, Quality: "good", RespondWithin: "0s",
			What:     "Alarm " + name + " was removed from the site file while it stood in state " + string(m.state()) + ".",
			Sequence: e.sequence,
		},
	}
}
