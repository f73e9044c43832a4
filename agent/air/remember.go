package air

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"time"
)

// remembered is an exposure as a checkpoint has it. Minutes has the full ones, the
// oldest first, of minuteBytes each.
type remembered struct {
	Begun   time.Time       `json:"begun"`
	Last    time.Time       `json:"last"`
	Dose    float64         `json:"dose"`
	Known   float64         `json:"known"`
	Peak    float64         `json:"peak"`
	Minutes json.RawMessage `json:"minutes,omitempty"`
}

// minuteBytes holds the dose and the peak of a minute, as float32, and its known
// seconds.
const minuteBytes = 4 + 4 + 1

// MarshalJSON writes what a restart needs. The full minutes are written once a
// minute, however often they are asked for.
func (e *Exposure) MarshalJSON() ([]byte, error) {
	if e.written == nil && e.n > 0 {
		b := make([]byte, 0, e.n*minuteBytes)
		for i := range e.n {
			m := e.minutes[(e.next-e.n+i+longestWindow)%longestWindow]
			b = binary.BigEndian.AppendUint32(b, math.Float32bits(float32(m.dose)))
			b = binary.BigEndian.AppendUint32(b, math.Float32bits(float32(m.peak)))
			b = append(b, byte(math.Round(m.known)))
		}
		text, err := json.Marshal(b) // base64
		if err != nil {
			return nil, err
		}
		e.written = text
	}
	return json.Marshal(remembered{e.begun, e.last, e.current.dose, e.current.known, e.current.peak, e.written})
}

// UnmarshalJSON brings back what MarshalJSON wrote, or refuses what cannot be and
// leaves the exposure as it was. The time since then is not known.
func (e *Exposure) UnmarshalJSON(data []byte) error {
	var r remembered
	if err := json.Unmarshal(data, &r); err != nil {
		return err
	}
	var minutes []byte
	if len(r.Minutes) > 0 {
		if err := json.Unmarshal(r.Minutes, &minutes); err != nil {
			return err
		}
	}
	now := minute{r.Dose, r.Known, r.Peak}
	age := r.Last.Sub(r.Begun)
	back := Exposure{begun: r.Begun, last: r.Last, current: now, recalled: !r.Begun.IsZero()}
	ok := len(minutes)%minuteBytes == 0 && len(minutes) <= longestWindow*minuteBytes && age >= 0 && age <= time.Minute && now.possible()
	for ; ok && len(minutes) > 0; minutes = minutes[minuteBytes:] {
		m := minute{
			dose:  float64(math.Float32frombits(binary.BigEndian.Uint32(minutes))),
			peak:  float64(math.Float32frombits(binary.BigEndian.Uint32(minutes[4:]))),
			known: float64(minutes[8]),
		}
		ok = m.possible()
		back.minutes[back.n] = m
		back.n++
	}
	if !ok {
		return errors.New("an exposure that cannot be")
	}
	back.next = back.n % longestWindow
	back.sum()
	*e = back
	return nil
}

// mostPPM is all of the air.
const mostPPM = 1e6

func (m minute) possible() bool {
	within := func(v, most float64) bool { return v >= 0 && v <= most } // NaN is not
	return within(m.dose, 60*mostPPM) && within(m.peak, mostPPM) && within(m.known, 60)
}

// wake goes on after a restart at the time of the first value. A clock that was
// put back meanwhile makes no time pass.
func (e *Exposure) wake(at time.Time) {
	if early := e.last.Sub(at); early > 0 {
		e.begun, e.last = e.begun.Add(-early), e.last.Add(-early)
	}
	// From here on the times have the monotonic clock of at.
	e.begun, e.last = at.Add(-at.Sub(e.begun)), at.Add(-at.Sub(e.last))
	e.recalled = false
}
