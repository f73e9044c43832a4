// Package reading defines what an instrument said: a value in SI units, how far
// it can be trusted, and when it was true.
package reading

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Level grades how far a value can be trusted. The zero value is Bad, so that a
// value nobody graded is never taken for a good one.
type Level uint8

// The three levels, worst first.
const (
	Bad Level = iota
	Uncertain
	Good
)

func (l Level) String() string {
	switch l {
	case Good:
		return "good"
	case Uncertain:
		return "uncertain"
	default:
		return "bad"
	}
}

// Reasons for a quality that is not good. A reason is a stable word for
// machines; Explain turns it into words for people.
const (
	NotYetRead    = "not-yet-read"      // no attempt has ended since start
	NoReply       = "no-reply"          // the instrument did not answer in time
	NotConnected  = "not-connected"     // the line could not be opened
	WrongReply    = "wrong-reply"       // a reply that does not fit its request
	Exception     = "exception"         // exception reply; the code follows: exception-2
	NotANumber    = "not-a-number"      // NaN or infinity in the registers
	InvalidCode   = "invalid-code"      // a BCD digit over 9, or a character of a text that cannot be printed
	WordOrder     = "word-order"        // makes sense only with its registers the other way round
	NoReading     = "no-reading"        // the value by which the instrument says that it has none
	SensorFailure = "sensor-failure"    // a loop current by which a transmitter tells of its failure
	OutOfRange    = "out-of-range"      // outside the range of the instrument
	OverRange     = "over-range"        // above the range, kept because hiding it would hide gas
	UnderRange    = "under-range"       // below the range
	Stale         = "stale"             // older than the instrument's limit
	Missing       = "missing-input"     // a figure's input has no usable value
	NoFlow        = "no-flow"           // no water moves, contact time has no meaning
	Learning      = "learning"          // too little history for a figure
	NotDrawn      = "not-drawn"         // nothing is drawn: the figure is a lower bound
	OutsideTable  = "outside-table"     // outside the domain of a published table
	Inconsistent  = "inconsistent"      // contradicts what is physically possible
	LineLost      = "line-lost"         // nothing on the instrument's line can be read
	Frozen        = "frozen"            // has not moved for longer than a live sensor would
	Jumped        = "jumped"            // changed faster than what it measures can
	Fault         = "fault"             // the instrument reports a fault of its own
	Maintenance   = "maintenance"       // the instrument reports that it is being worked on
	WarmingUp     = "warming-up"        // the instrument reports that it is not ready yet
	Disagrees     = "disagrees"         // differs from another analyser by more than chlorine decays
	NoResidual    = "no-residual"       // no chlorine although water flows
	NotEvaporated = "liquid-withdrawal" // no limit by evaporation: chlorine is drawn as liquid
	NoStatus      = "no-status"         // the point that tells the instrument's state is not usable
)

// Quality is a level and, unless it is Good, the reason.
type Quality struct {
	Level  Level
	Reason string
}

// Fine is the quality of a value that can be trusted.
var fine = Quality{Level: Good}

// GoodQuality is the quality of a value that can be trusted.
func GoodQuality() Quality { return fine }

// BadBecause is a bad quality with its reason.
func BadBecause(reason string) Quality { return Quality{Bad, reason} }

// UncertainBecause is an uncertain quality with its reason.
func UncertainBecause(reason string) Quality { return Quality{Uncertain, reason} }

// Usable reports whether a value of this quality may enter a sum.
func (q Quality) Usable() bool { return q.Level != Bad }

// String gives "good", "uncertain:reason" or "bad:reason".
func (q Quality) String() string {
	if q.Level == Good || q.Reason == "" {
		return q.Level.String()
	}
	return q.Level.String() + ":" + q.Reason
}

// MarshalText writes what String gives.
func (q Quality) MarshalText() ([]byte, error) { return []byte(q.String()), nil }

// UnmarshalText reads it.
func (q *Quality) UnmarshalText(text []byte) (err error) {
	*q, err = ParseQuality(string(text))
	return err
}

// ParseQuality reads what String wrote.
func ParseQuality(s string) (Quality, error) {
	word, reason, found := strings.Cut(s, ":")
	var q Quality
	switch word {
	case "good":
		q.Level = Good
	case "uncertain":
		q.Level = Uncertain
	case "bad":
		q.Level = Bad
	default:
		return Quality{}, fmt.Errorf("quality %q: expected good, uncertain:reason or bad:reason", s)
	}
	if q.Level == Good && found || q.Level != Good && reason == "" && found {
		return Quality{}, fmt.Errorf("quality %q: expected good, uncertain:reason or bad:reason", s)
	}
	q.Reason = reason
	return q, nil
}

// Worst returns the lowest of the given qualities, the first of equals. With no
// argument it is good.
func Worst(qs ...Quality) Quality {
	w := fine
	for _, q := range qs {
		if q.Level < w.Level {
			w = q
		}
	}
	return w
}

// Reading is one point's value at one time.
type Reading struct {
	Point string
	// Value is in the SI unit of the point's dimension. It means nothing when
	// Quality is bad.
	Value   float64
	Quality Quality
	// Text is what a text point says, empty for other points.
	Text string
	// Time is when the instrument was read. A live one carries Go's monotonic
	// clock reading, so differences are safe against a stepped wall clock.
	Time time.Time
}

// Checked returns r, bad where its value claims to be usable and is no finite
// number.
func (r Reading) Checked() Reading {
	if r.Quality.Usable() && (math.IsNaN(r.Value) || math.IsInf(r.Value, 0)) {
		r.Quality = BadBecause(NotANumber)
	}
	return r
}

// Explain puts a reason into words for people.
func Explain(reason string) string {
	switch reason {
	case NotYetRead:
		return "has not been read yet"
	case NoReply:
		return "does not answer"
	case NotConnected:
		return "cannot be reached, its line is down"
	case WrongReply:
		return "sends a reply that does not fit the request"
	case NotANumber:
		return "sends a value that is not a number"
	case InvalidCode:
		return "sends a digit over 9 or a character that cannot be printed"
	case WordOrder:
		return "sends its registers in another order than the site file has"
	case NoReading:
		return "says that it has no reading"
	case SensorFailure:
		return "has a current outside its limits, so the sensor or its wiring has failed"
	case OutOfRange:
		return "sends a value outside its range"
	case OverRange:
		return "is above its range"
	case UnderRange:
		return "is below its range"
	case Stale:
		return "has not been read for too long"
	case Missing:
		return "lacks an input"
	case NoFlow:
		return "has no meaning while no water flows"
	case Learning:
		return "needs more history"
	case NotDrawn:
		return "is a lower bound while nothing is drawn"
	case OutsideTable:
		return "lies outside the published table"
	case LineLost:
		return "cannot be judged while its line is lost"
	case Frozen:
		return "has not moved for longer than a live sensor would"
	case Jumped:
		return "changed faster than what it measures can"
	case Disagrees:
		return "differs from the other analyser of its water by more than chlorine can decay"
	case NoResidual:
		return "shows no chlorine although water flows"
	case Fault:
		return "reports a fault of its own"
	case Maintenance:
		return "reports that it is being worked on"
	case WarmingUp:
		return "reports that it is not ready yet"
	case NotEvaporated:
		return "does not exist: chlorine is drawn as liquid, so the evaporator sets the limit"
	case NoStatus:
		return "comes without the state of its instrument"
	case Inconsistent:
		return "contradicts what is physically possible"
	}
	if code, ok := strings.CutPrefix(reason, Exception+"-"); ok {
		return "refuses the request with Modbus exception " + code
	}
	return "is not usable (" + reason + ")"
}
