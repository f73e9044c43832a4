package plant

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
)

// Distribution names the distribution system where a sample was not taken at an
// entry point.
const Distribution = "distribution"

// Sample is a residual that a person measured by hand.
type Sample struct {
	// Point is that of an entry point, or Distribution.
	Point    string
	Residual float64 // mg/L
	Taken    time.Time
}

// highestSample is more than any swimming-pool kit shows: a larger number is a
// slip of the pen (common practice, no source).
const highestSample = 20

// Sample checks a sample and returns what enters it. One of an entry point counts for the clock of grab
// samples and, while the analyser gives no residual, for the clock of a low one;
// one of the distribution system for the running annual average. The error says
// what a person is to change.
func (p *Plant) Sample(now time.Time, s Sample) (enter func(), err error) {
	switch {
	case !(s.Residual >= 0 && s.Residual <= highestSample):
		return nil, fmt.Errorf("a residual of %g mg/L: expected 0 to %d mg/L", s.Residual, highestSample)
	case s.Taken.After(now):
		return nil, fmt.Errorf("a sample taken at %s, which is to come: expected a time up to now, %s", p.clock(s.Taken), p.clock(now))
	}
	if s.Point == Distribution {
		local := s.Taken.In(p.zone)
		if local.Before(now.In(p.zone).AddDate(-1, 0, 0)) {
			return nil, fmt.Errorf("a sample of the distribution system taken at %s: expected one of the last year", p.clock(s.Taken))
		}
		return func() { p.distribution.Add(local.Year(), local.Month(), s.Residual) }, nil
	}
	var names []string
	for i := range p.entries {
		e := &p.entries[i]
		if e.Point != s.Point {
			names = append(names, e.Point)
			continue
		}
		if age := now.Sub(s.Taken); age > e.Analyser.Grab {
			return nil, fmt.Errorf("a sample at %s taken at %s, over %s ago: expected a newer one", s.Point, p.clock(s.Taken), e.Analyser.Grab)
		}
		return func() {
			e.analyser.Grab(now, s.Taken)
			if !p.reading(e.point).Quality.Usable() {
				e.residual.Step(now, reading.Reading{Point: s.Point, Value: s.Residual, Quality: reading.GoodQuality(), Time: s.Taken})
			}
		}, nil
	}
	return nil, fmt.Errorf("a sample at %q: expected one of %s", s.Point, strings.Join(append(names, Distribution), ", "))
}

func (p *Plant) clock(t time.Time) string { return t.In(p.zone).Format("2 January 2006 15:04 MST") }

// stepDistribution gives the running annual average.
func (p *Plant) stepDistribution(now time.Time, w *writer) {
	local := now.In(p.zone)
	mean, quarters := p.distribution.Mean(local.Year(), local.Month())
	f := w.next(mean.Quality, now).set(mean.Value)
	if mean.Quality.Usable() && quarters < 4 {
		f.Detail = fmt.Sprintf("rests on %d of 4 quarters", quarters)
	}
	if p.distribution.Forced(local.Year(), local.Month()) {
		f.Detail = "is over the limit whatever the rest of the year brings"
	}
}

// remembered is what a plant keeps over a restart: what the rules count in hours,
// days and quarters, and what people near the detectors were exposed to. It grows
// with the number of entry points, segments and detectors alone.
type remembered struct {
	Version      int                           `json:"version"`
	Entries      map[string]rememberedEntry    `json:"entries,omitempty"`
	Distribution contact.AnnualAverage         `json:"distribution"`
	Days         map[string]json.RawMessage    `json:"days,omitempty"` // of the segments
	Banks        map[string]json.RawMessage    `json:"banks,omitempty"`
	Detectors    map[string]rememberedDetector `json:"detectors,omitempty"`
}

type rememberedEntry struct {
	Residual contact.ResidualClock `json:"residual"`
	Analyser contact.AnalyserClock `json:"analyser"`
}

const rememberedVersion = 1

// Checkpoint returns what Restore needs after a restart.
func (p *Plant) Checkpoint() []byte {
	m := remembered{Version: rememberedVersion, Distribution: p.distribution, Entries: map[string]rememberedEntry{}, Days: map[string]json.RawMessage{}, Banks: map[string]json.RawMessage{}, Detectors: map[string]rememberedDetector{}}
	for i := range p.entries {
		e := &p.entries[i]
		m.Entries[e.Point] = rememberedEntry{e.residual, e.analyser}
	}
	for i := range p.segments {
		s := &p.segments[i]
		// A number that JSON cannot write costs that day, never the clocks.
		if day, err := json.Marshal(s.day.Memory()); err == nil {
			m.Days[s.Name] = day
		}
	}
	for i := range p.banks {
		if b, err := json.Marshal(p.banks[i].remember()); err == nil { // likewise
			m.Banks[p.banks[i].Name] = b
		}
	}
	for i := range p.detectors {
		m.Detectors[p.detectors[i].Name] = p.detectors[i].remember()
	}
	b, err := json.Marshal(m)
	if err != nil { // plain data always marshals
		panic(err)
	}
	return b
}

// Restore brings back the clocks, days and exposures of a checkpoint. What the
// site no longer has is left out, and the day of a segment that has changed. Of a
// time that cannot be, nothing counts.
func (p *Plant) Restore(data []byte) error {
	var m remembered
	if err := json.Unmarshal(data, &m); err != nil {
		return fmt.Errorf("plant checkpoint is not readable: %w", err)
	}
	if m.Version != rememberedVersion {
		return fmt.Errorf("plant checkpoint has version %d, expected %d: a newer ebbwatch wrote it; start that one, or move the state folder away", m.Version, rememberedVersion)
	}
	p.distribution = contact.AnnualAverage{}
	for _, month := range m.Distribution.Months {
		if month.N > 0 && month.Sum >= 0 && month.Sum <= highestSample*float64(month.N) && !math.IsInf(month.Sum, 0) {
			p.distribution.Months = append(p.distribution.Months, month)
		}
	}
	for i := range p.entries {
		e := &p.entries[i]
		if old, ok := m.Entries[e.Point]; ok {
			e.residual.Under, e.analyser.Failed, e.analyser.Grabbed = old.Residual.Under, old.Analyser.Failed, old.Analyser.Grabbed
			for _, s := range []*contact.Stopwatch{&e.residual.Under, &e.analyser.Failed, &e.analyser.Grabbed} {
				s.Elapsed = max(0, s.Elapsed)
			}
		}
	}
	for i := range p.segments {
		s := &p.segments[i]
		var day contact.DayMemory
		if old, ok := m.Days[s.Name]; ok && json.Unmarshal(old, &day) == nil {
			s.day.Restore(day) // else it begins anew, and its coverage shows it
		}
	}
	for i := range p.banks {
		b := p.banks[i]
		if old, ok := m.Banks[b.Name]; ok {
			if err := b.restore(old); err != nil {
				p.forgot = append(p.forgot, fmt.Sprintf("Not all that was known of the bank %s before the restart could be taken over: %v.", b.Name, err))
			}
		}
	}
	for i := range p.detectors {
		p.detectors[i].recall(m.Detectors[p.detectors[i].Name])
	}
	return nil
}
