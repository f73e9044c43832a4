// Package alarms decides when a person must be told, by the state model of
// ISA-18.2 / IEC 62682: settings, samples and orders in, transitions out.
// It has no clock, file, network or goroutine; time is an argument.
package alarms

import "time"

// Priority ranks how soon a person must act.
type Priority string

// The priorities, most urgent first.
const (
	Critical Priority = "critical"
	High     Priority = "high"
	Medium   Priority = "medium"
	Low      Priority = "low"
)

// State is an alarm's place in the state model. The letters are those of the
// ISA-18.2 state diagram.
type State string

// The states.
const (
	Normal                 State = "normal"                            // A
	Unacknowledged         State = "unacknowledged"                    // B
	Acknowledged           State = "acknowledged"                      // C
	ReturnedUnacknowledged State = "returned-to-normal-unacknowledged" // D
	LatchedUnacknowledged  State = "latched-unacknowledged"            // E
	LatchedAcknowledged    State = "latched-acknowledged"              // F
)

// Active reports whether the alarm's condition holds in this state.
func (s State) Active() bool { return s == Unacknowledged || s == Acknowledged }

// Unanswered reports whether nobody has acknowledged the episode yet.
func (s State) Unanswered() bool {
	return s == Unacknowledged || s == ReturnedUnacknowledged || s == LatchedUnacknowledged
}

// Cause is what moved an alarm from one state to another.
type Cause string

// The causes.
const (
	Raised  Cause = "raised"
	Cleared Cause = "cleared"
	Acked   Cause = "acknowledged"
	Reset   Cause = "reset"
	Retired Cause = "retired" // the site file no longer has the alarm
)

// Condition is an alarm's present condition, with all that a person needs to
// judge and act on it. Its JSON is the data of the contract's alarm topic.
type Condition struct {
	Alarm    string   `json:"alarm"`
	Priority Priority `json:"priority"`
	State    State    `json:"state"`
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
	Consequence string   `json:"consequence"`
	FirstAction []string `json:"first_action"`
	// RespondWithin is a duration in words for people and machines: "10m0s".
	RespondWithin  string     `json:"respond_within"`
	AcknowledgedBy string     `json:"acknowledged_by,omitempty"`
	ShelvedUntil   *time.Time `json:"shelved_until,omitempty"`
	FirstOut       bool       `json:"first_out"`
	Vote           string     `json:"vote,omitempty"`
	Test           bool       `json:"test"`
	// Sequence is that of the alarm's last transition, 0 before the first.
	Sequence uint64 `json:"sequence"`
}

// Transition is one step of one alarm. Sequence rises by one over all alarms,
// without gaps.
type Transition struct {
	Sequence uint64    `json:"sequence"`
	Time     time.Time `json:"time"`
	From     State     `json:"from"`
	To       State     `json:"to"`
	Cause    Cause     `json:"cause"`
	// After is the alarm's condition after the step.
	After Condition `json:"after"`
}

// Verb is what an order asks for.
type Verb string

// The verbs that are understood.
const (
	Acknowledge Verb = "acknowledge"
	ResetLatch  Verb = "reset"
)

// Order asks for something on behalf of a person or a system.
type Order struct {
	Verb     Verb
	ID       string // names the order, for the answer
	By       string // who asks
	Alarm    string
	Episode  uint64 // acknowledge only
	IssuedAt time.Time
}

// Result is how an order ended.
type Result string

// The results.
const (
	Done    Result = "done"
	Already Result = "already"
	Refused Result = "refused"
)

// Answer tells what became of an order. Why is a sentence for people, empty
// when the order was done.
type Answer struct {
	Order  string `json:"order"`
	Alarm  string `json:"alarm,omitempty"`
	Result Result `json:"result"`
	Why    string `json:"why,omitempty"`
}
