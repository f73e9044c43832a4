package plant

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"ebbwatch/agent/reading"
)

// Work is what is done to a detector again and again.
type Work string

// The kinds of work, as orders name them.
const (
	Calibration Work = "calibration"
	BumpTest    Work = "bump-test"
)

func (k Work) due() Quantity {
	if k == Calibration {
		return CalibrationDue
	}
	return BumpTestDue
}

func (k Work) String() string { return strings.ReplaceAll(string(k), "-", " ") }

// Service is work for which a detector is due again and again.
type Service struct {
	Work  Work
	Last  time.Time
	Every time.Duration
}

// Serviced checks what a person says was done to a detector and returns what
// enters it. The error says what the person is to change.
func (p *Plant) Serviced(now time.Time, detector string, work Work, done time.Time) (enter func(), err error) {
	if done.After(now) {
		return nil, fmt.Errorf("work done at %s, which is to come: expected a time up to now, %s", p.clock(done), p.clock(now))
	}
	for i := range p.detectors {
		d := &p.detectors[i]
		if d.Name != detector {
			continue
		}
		for j := range d.Services {
			s := &d.Services[j]
			switch {
			case s.Work != work:
				continue
			case done.Before(s.Last):
				return nil, fmt.Errorf("the %s of %s at %s: expected a time after the one on record, %s", work, detector, p.clock(done), p.clock(s.Last))
			}
			return func() { s.Last = done }, nil
		}
		return nil, fmt.Errorf("no %.40q is due for %s: expected calibration or bump-test, with the day of the last and its interval in the site file", string(work), detector)
	}
	return nil, fmt.Errorf("no detector is called %q", detector)
}

// stepServices gives a detector the figures of what is due.
func (d *detector) stepServices(p *Plant, now time.Time, w *writer) {
	overdue := w.next(reading.GoodQuality(), now)
	var due []string
	for _, s := range d.Services {
		next := s.Last.Add(s.Every)
		f := w.next(reading.GoodQuality(), now).set(next.Sub(now).Seconds())
		f.Detail = fmt.Sprintf("was last done on %s", p.day(s.Last))
		if !now.Before(next) {
			due = append(due, fmt.Sprintf("its %s was due on %s, last done on %s", s.Work, p.day(next), p.day(s.Last)))
		}
	}
	if len(due) > 0 {
		overdue.Value, overdue.Detail = 1, "is overdue: "+strings.Join(due, "; ")
	}
}

func (p *Plant) day(t time.Time) string { return t.In(p.zone).Format("2 January 2006") }

// rememberedDetector is what is kept of a detector over a restart.
type rememberedDetector struct {
	Exposure json.RawMessage    `json:"exposure,omitempty"`
	Serviced map[Work]time.Time `json:"serviced,omitempty"`
}

func (d *detector) remember() rememberedDetector {
	m := rememberedDetector{Serviced: map[Work]time.Time{}}
	// A number that JSON cannot write costs the exposure, never the rest.
	m.Exposure, _ = d.state.Exposure().MarshalJSON()
	for _, s := range d.Services {
		m.Serviced[s.Work] = s.Last
	}
	return m
}

// recall brings it back; a later service in the site file counts.
func (d *detector) recall(m rememberedDetector) {
	if m.Exposure != nil {
		_ = d.state.Exposure().UnmarshalJSON(m.Exposure) // else it begins anew
	}
	for i := range d.Services {
		if s := &d.Services[i]; m.Serviced[s.Work].After(s.Last) {
			s.Last = m.Serviced[s.Work]
		}
	}
}
