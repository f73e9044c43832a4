package alarms

import (
	"math"
	"time"
)

// StampLayout is how the contract writes a time: UTC, RFC 3339, milliseconds.
const StampLayout = "2006-01-02T15:04:05.000Z"

// Stamp is a time as the contract writes it; null for the zero time.
type Stamp time.Time

// MarshalJSON implements json.Marshaler.
func (s Stamp) MarshalJSON() ([]byte, error) {
	t := time.Time(s)
	if t.IsZero() {
		return []byte("null"), nil
	}
	return []byte(t.UTC().Format(`"` + StampLayout + `"`)), nil
}

// Finite is nil for what JSON has no number for.
func Finite(v *float64) *float64 {
	if v == nil || !finite(*v) {
		return nil
	}
	return v
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// Payload is a condition as it leaves the process: its times as the contract
// writes them, no number that JSON lacks, no list that is null.
type Payload struct {
	Condition
	Since        Stamp    `json:"since"`
	Value        *float64 `json:"value"`
	Limit        *float64 `json:"limit"`
	FirstAction  []string `json:"first_action"`
	ShelvedUntil *Stamp   `json:"shelved_until,omitempty"`
	TestUntil    *Stamp   `json:"test_until,omitempty"`
}

// Payload gives the form in which people and systems get the condition.
func (c *Condition) Payload() Payload {
	return Payload{
		Condition: *c, Since: Stamp(c.Since), Value: Finite(c.Value), Limit: Finite(c.Limit),
		FirstAction:  append([]string{}, c.FirstAction...),
		ShelvedUntil: (*Stamp)(c.ShelvedUntil), TestUntil: (*Stamp)(c.TestUntil),
	}
}
