package supply

import "fmt"

// Memory is what a bank has learnt over weeks and should not lose by a restart: the
// demand and the gain of the feed. It goes through JSON whole. What the scales have
// seen in the last day is learnt anew.
type Memory struct {
	// Hours are the demand of the last week's known hours, Days the totals of the last
	// four weeks, oldest first.
	Hours []HourMemory `json:"hours"`
	Days  []DayMemory  `json:"days"`
	// Gain is what a unit of the feed signal is, Steps how long it was learnt.
	Gain  float64 `json:"gain"`
	Steps int     `json:"gain_steps"`
}

// HourMemory is one hour of demand.
type HourMemory struct {
	Hour int     `json:"hour"` // of the day, in the site's zone
	Rest bool    `json:"rest"` // a day on which nobody works
	Flow float64 `json:"flow_m3_s"`
	Mass float64 `json:"mass_kg_s"`
}

// DayMemory is the mean demand of one day.
type DayMemory struct {
	Rest bool    `json:"rest"`
	Mass float64 `json:"mass_kg_s"`
}

// Memory returns what has been learnt.
func (b *Bank) Memory() Memory {
	m := Memory{Gain: b.feed.gain, Steps: b.balance.learnt}
	p := &b.profile
	for i := max(0, p.count-weekHours); i < p.count; i++ {
		h := p.hours[i%weekHours]
		m.Hours = append(m.Hours, HourMemory{int(h.hour), h.rest, h.flow, h.mass})
	}
	for i := max(0, p.dayCount-profileDays); i < p.dayCount; i++ {
		d := p.days[i%profileDays]
		m.Days = append(m.Days, DayMemory{d.rest, d.mass / d.hours})
	}
	return m
}

// Remember gives a new bank what an earlier one has learnt. It leaves the bank as it
// is when the memory cannot be right.
func (b *Bank) Remember(m Memory) error {
	wrong := func(v float64) bool { return !number(v) || v < 0 }
	for i, h := range m.Hours {
		if h.Hour < 0 || h.Hour > 23 || wrong(h.Flow) || wrong(h.Mass) {
			return fmt.Errorf("demand of hour %d is %+v, expected an hour from 0 to 23 and demands from nought up", i+1, h)
		}
	}
	for i, d := range m.Days {
		if wrong(d.Mass) {
			return fmt.Errorf("demand of day %d is %g kg/s, expected nought or more", i+1, d.Mass)
		}
	}
	if len(m.Hours) > weekHours || len(m.Days) > profileDays || m.Steps < 0 || m.Steps > 0 && !(m.Gain >= leastGain && m.Gain <= mostGain) {
		return fmt.Errorf("%d hours, %d days, a feed gain of %g over %d steps; expected at most %d hours and %d days, and a gain from %g to %g",
			len(m.Hours), len(m.Days), m.Gain, m.Steps, weekHours, profileDays, leastGain, mostGain)
	}
	p := &b.profile
	p.count, p.dayCount = len(m.Hours), len(m.Days)
	for i, h := range m.Hours {
		p.hours[i] = hourDemand{uint8(h.Hour), h.Rest, h.Flow, h.Mass}
	}
	for i, d := range m.Days {
		p.days[i] = dayDemand{d.Rest, d.Mass, 1}
	}
	if m.Steps > 0 && !b.feed.given {
		b.feed.gain, b.balance.learnt = m.Gain, min(m.Steps, gainDays*dayMinutes/slowEvery)
	}
	return nil
}
