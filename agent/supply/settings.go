package supply

import (
	"time"

	"ebbwatch/agent/units"
)

// ContainerSettings describe one container, or several, on one scale.
type ContainerSettings struct {
	Name string
	// Kind is a name of Kinds or of BankSettings.Kinds.
	Kind string
	// Count is how many stand on the scale together; zero is one.
	Count int
	// Group names the containers that are drawn together. An automatic switchover
	// goes from one group to another; the first container's group is on duty first.
	Group string
	// Tare is the stamped empty weight of all on the scale; zero when the scale
	// shows net weight.
	Tare units.Kilograms
	// Heel is what cannot be drawn from one container as gas.
	Heel units.Kilograms
	// Division is the smallest step that the scale shows; zero is learnt.
	Division units.Kilograms
	// Noise is the standard deviation of one reading before rounding; zero is
	// learnt.
	Noise units.Kilograms
	// Drift is how far the scale drifts in a day with the temperature, from peak to
	// peak; nil is one division. Wander is the standard deviation of its drift over
	// hours; nil is 0.2 lb for containers of over 500 lb, else 0.1 lb. Common
	// practice, no source.
	Drift, Wander *units.Kilograms
}

// BankSettings describe containers on one header.
type BankSettings struct {
	Containers []ContainerSettings
	// Kinds are the site's own kinds of container, beside those of Kinds.
	Kinds []Kind
	// Header is the lowest absolute pressure that the regulator needs; zero takes
	// the one of the container kind.
	Header units.Pascals
	// Liquid tells that chlorine is drawn as liquid, to an evaporator: what a
	// container can evaporate is then no limit.
	Liquid bool
	// FeedError is how far flow times dose, or a feeder's signal, wanders from what
	// is fed, as a share; zero is 0.02 (own choice).
	FeedError float64
	// FeedGain is what a unit of the feed signal is; zero is learnt from the scales.
	FeedGain float64
	// Zone is the site's time zone, for the hours of demand; nil is UTC.
	Zone *time.Location
	// Works tells the days on which the supplier delivers and people work; nil is
	// Monday to Friday. It also parts the demand into two kinds of day.
	Works func(day time.Time) bool
	// Staffed tells whether somebody is on the site at a time; nil is always.
	Staffed func(time.Time) bool
	// LeadDays are the working days from an order to its delivery.
	LeadDays int
}

// kind finds a kind of container, the site's own first.
func (s BankSettings) kind(name string) (Kind, error) {
	for _, k := range s.Kinds {
		if k.Name == name {
			return k, nil
		}
	}
	return KindByName(name)
}

// KindOf finds a kind of container; the zero kind when there is none of that name.
func (s BankSettings) KindOf(name string) Kind {
	k, err := s.kind(name)
	if err != nil {
		return Kind{}
	}
	return k
}

// Full is what a container of a kind holds when it is full; zero for an unknown kind.
func (s BankSettings) Full(kind string) units.Kilograms {
	return s.KindOf(kind).Net
}

// set prepares a scale for its container.
func (s *scale) set(c ContainerSettings, k Kind, count float64, index int, events *[]Event) {
	*s = scale{
		noise: newNoise(float64(c.Division), float64(c.Noise)), capacity: float64(k.Net) * count, tare: float64(c.Tare),
		drift: float64(c.Division), wander: 0.1 * poundKilograms, index: index, events: events,
	}
	if k.Net > 500*poundKilograms {
		s.wander = 0.2 * poundKilograms
	}
	if c.Drift != nil {
		s.drift = float64(*c.Drift)
	}
	if c.Wander != nil {
		s.wander = float64(*c.Wander)
	}
	s.removed = (removedShare - 1) * s.tare
	if s.tare == 0 {
		// A scale of net weight shows the missing tare, of which a container weighs
		// at least half its content (own choice).
		s.removed = -removedShare * s.capacity
	}
}

const poundKilograms = 0.45359237 // exact, international avoirdupois pound
