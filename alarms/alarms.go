// Package alarms decides when a person must be told, by the state model of
// ISA-18.2 / IEC 62682: settings, samples and orders in, transitions out.
// It has no clock, file, network or goroutine; time is an argument.
package alarms

import (
	"encoding/json"
	"time"
)

// Priority ranks how soon a person must act.
type Priority string

// The priorities, most urgent first.
const (
	Critical Priority = "critical"
	High     Priority = "high"
	Medium   Priority = "medium"
	Low      Priority = "low"
)

// Priorities lists them all, most urgent first.
var Priorities = [...]Priority{Critical, High, Medium, Low}

// State is an alarm's place in the state model. The letters are those of the
// ISA-18.2 state diagram.
type State string

// The states. The last three withhold an alarm from people; it is evaluated
// nevertheless.
const (
	Normal                 State = "normal"                            // A
	Unacknowledged         State = "unacknowledged"                    // B
	Acknowledged           State = "acknowledged"                      // C
	ReturnedUnacknowledged State = "returned-to-normal-unacknowledged" // D
	LatchedUnacknowledged  State = "latched-unacknowledged"            // E
	LatchedAcknowledged    State = "latched-acknowledged"              // F
	Shelved                State = "shelved"                           // G, by a person, for a time
	Suppressed             State = "suppressed-by-design"              // H, by logic
	OutOfService           State = "out-of-service"                    // I, by maintenance
)

// Active reports whether the alarm's condition holds in this state. A withheld
// alarm does not tell by its state: see Condition.Underlying.
func (s State) Active() bool { return s == Unacknowledged || s == Acknowledged }

// Unanswered reports whether nobody has acknowledged the episode yet.
func (s State) Unanswered() bool {
	return s == Unacknowledged || s == ReturnedUnacknowledged || s == LatchedUnacknowledged
}

// Withheld reports whether the alarm is kept from people in this state.
func (s State) Withheld() bool { return s == Shelved || s == Suppressed || s == OutOfService }

// Cause is what moved an alarm from one state to another, or what else went
// into its record.
type Cause string

// The causes.
const (
	Raised        Cause = "raised"
	Cleared       Cause = "cleared"
	Acked         Cause = "acknowledged"
	Reset         Cause = "reset"
	Realarmed     Cause = "re-alarmed" // acknowledged, and still standing after the set time
	ShelvedBy     Cause = "shelved"
	Unshelved     Cause = "unshelved"
	ShelfExpired  Cause = "shelving-expired"
	SuppressedBy  Cause = "suppressed"
	Unsuppressed  Cause = "unsuppressed"
	TakenOut      Cause = "taken-out-of-service"
	BroughtBack   Cause = "returned-to-service"
	TestBegun     Cause = "test-begun"
	TestEnded     Cause = "test-ended"
	Noted         Cause = "noted"           // a person's words; the state stays
	Recorded      Cause = "recorded"        // what the plant itself has to tell
	OrderRefused  Cause = "order-refused"   // the state stays
	SettingEdited Cause = "setting-changed" // the site file gives it another limit, kind or latch
	Reprioritised Cause = "priority-changed"
	Retired       Cause = "retired" // the site file no longer has the alarm
)

// Site is the name under which orders go into the record that concern no alarm
// of the site. No alarm may be called so.
const Site = "site"

// Condition is an alarm's present condition, with all that a person needs to
// judge and act on it. Its JSON is the data of the contract's alarm topic.
type Condition struct {
	Alarm    string   `json:"alarm"`
	Priority Priority `json:"priority"`
	State    State    `json:"state"`
	// Underlying is the state that would show if the alarm were not withheld;
	// empty when it is not.
	Underlying State `json:"underlying,omitempty"`
	// Episode counts the alarm's raises; an acknowledgement names it.
	Episode uint64 `json:"episode"`
	// Since is when the present state began.
	Since time.Time `json:"since"`
	// Value, Limit are in Unit; nil when the value is not usable.
	Value *float64 `json:"value"`
	Limit *float64 `json:"limit"`
	Unit  string   `json:"unit"`
	// Quality is that of the value: good, uncertain:reason or bad:reason.
	Quality     string   `json:"quality"`
	Place       string   `json:"place"`
	What        string   `json:"what"`
	LikelyCause []string `json:"likely_cause,omitempty"`
	Consequence string   `json:"consequence"`
	FirstAction []string `json:"first_action"`
	// RespondWithin is a duration in words for people and machines: "10m0s".
	RespondWithin  string     `json:"respond_within"`
	AcknowledgedBy string     `json:"acknowledged_by,omitempty"`
	ShelvedUntil   *time.Time `json:"shelved_until,omitempty"`
	// WithheldBy and WithheldWhy tell who or what withholds the alarm, and why.
	WithheldBy  string `json:"withheld_by,omitempty"`
	WithheldWhy string `json:"withheld_why,omitempty"`
	// FirstOut marks the alarm of its group that was raised first since the group
	// was last normal. FirstOutTie: not the only one, they came in one step.
	FirstOut    bool   `json:"first_out"`
	FirstOutTie bool   `json:"first_out_tie,omitempty"`
	Group       string `json:"group,omitempty"`
	Vote        string `json:"vote,omitempty"`
	// Evidence tells what else speaks for or against what the alarm says.
	Evidence string `json:"evidence,omitempty"`
	// Realarms counts how often the present episode has been announced again.
	Realarms int `json:"realarms,omitempty"`
	// Test: a person said that the alarm is being tested until TestUntil.
	Test      bool       `json:"test"`
	TestUntil *time.Time `json:"test_until,omitempty"`
	// Sequence is that of the alarm's last transition, 0 before the first.
	Sequence uint64 `json:"sequence"`
}

// Transition is one step of one alarm, or another entry in its record. Sequence
// rises by one over all of them, without gaps.
type Transition struct {
	Sequence uint64    `json:"sequence"`
	Time     time.Time `json:"time"`
	From     State     `json:"from"`
	To       State     `json:"to"`
	Cause    Cause     `json:"cause"`
	// Annunciate: people must be called, now and anew. Nothing else calls them.
	Annunciate bool `json:"annunciate,omitempty"`
	// StopEscalation: people answered, or the alarm is withheld from them.
	StopEscalation bool `json:"stop_escalation,omitempty"`
	// ShowAgain: an unanswered episode from before the alarm was withheld shows
	// again, without a new call.
	ShowAgain bool `json:"show_again,omitempty"`
	// Closed: the episode is over.
	Closed bool `json:"closed,omitempty"`
	// ClockUnsure: Time may be wrong, since the host's clock was not set yet.
	ClockUnsure bool `json:"clock_unsure,omitempty"`
	// Order is the order behind the entry, nil when there was none.
	Order *Ordered `json:"order,omitempty"`
	// Priority before a change of it.
	LastPriority Priority `json:"last_priority,omitempty"`
	// Record is what the entry is about, for programs, where it concerns no alarm: one
	// JSON object, whose form is that of the part that wrote it.
	Record json.RawMessage `json:"record,omitempty"`
	// After is the alarm's condition after the step.
	After Condition `json:"after"`
}

// Ordered is an order as it goes into the record.
type Ordered struct {
	Verb   Verb   `json:"verb"`
	ID     string `json:"id,omitempty"`
	By     string `json:"by"`
	Role   string `json:"role,omitempty"`
	Reason string `json:"reason,omitempty"`
	Result Result `json:"result"`
	Why    string `json:"why,omitempty"`
	// Correction is that of an order to correct that was done.
	Correction *Correction `json:"correction,omitempty"`
	// Unrecorded is how many refused orders before this one left no record,
	// because too many came.
	Unrecorded int `json:"unrecorded,omitempty"`
}
