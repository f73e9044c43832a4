package escalation

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"ebbwatch/alarms"
)

// Address is one way to reach a person.
type Address struct {
	// Channel names the way; To is the person's address on it.
	Channel, To string
}

// Person is one who is told, by a name that may be a role such as on-call-1.
type Person struct {
	Name  string
	Reach []Address
}

// Step is one step of a plan.
type Step struct {
	// After is the time since the alarm was raised, or first raised when it came
	// again before anyone had acknowledged it.
	After time.Duration
	// Persons are told then, each over every address.
	Persons []Person
}

// Plan is who is told of the alarms of one priority.
type Plan struct {
	// Steps are in the order of After.
	Steps []Step
	// Repeat is how often everyone told so far is told again after the last
	// step; zero never.
	Repeat time.Duration
}

// Settings are those of one site.
type Settings struct {
	// Site and Title name the plant, for topics and for people.
	Site, Title string
	// Store names the outbox and is part of every notice's id.
	Store string
	// Zone is the plant's time zone, for quiet hours and the times in a text.
	Zone *time.Location
	// Plans hold one plan for each priority; one without a plan is told to nobody.
	Plans map[alarms.Priority]Plan
	// Quiet holds back low alarms. The zero value does not.
	Quiet Quiet
	// HowToAcknowledge tells people where they acknowledge, as a sentence; empty
	// names the order topic.
	HowToAcknowledge string
}

func (s *Settings) check() error {
	if s.Site == "" || s.Store == "" || s.Zone == nil {
		return errors.New("escalation needs the site's name, a store and a time zone")
	}
	if err := s.Quiet.check(); err != nil {
		return err
	}
	for _, p := range slices.Sorted(maps.Keys(s.Plans)) {
		plan := s.Plans[p]
		if plan.Repeat < 0 || plan.Repeat > 0 && plan.Repeat < time.Minute {
			return fmt.Errorf("escalation of %s alarms repeats every %s: expected 1m or more", p, plan.Repeat)
		}
		for i, step := range plan.Steps {
			switch {
			case step.After < 0 || i > 0 && step.After <= plan.Steps[i-1].After:
				return fmt.Errorf("escalation of %s alarms: step %d comes after %s, expected later than the step before", p, i+1, step.After)
			case !slices.ContainsFunc(step.Persons, func(p Person) bool { return len(p.Reach) > 0 }):
				return fmt.Errorf("escalation of %s alarms: step %d reaches nobody", p, i+1)
			}
		}
	}
	return nil
}

// never is later than any time of an escalator.
const never = time.Duration(math.MaxInt64)

// last is when the last step is due.
func (p *Plan) last() time.Duration { return p.Steps[len(p.Steps)-1].After }

// repeats is how many repeats are due at an age, after so many steps.
func (p *Plan) repeats(steps int, age time.Duration) int {
	if p.Repeat == 0 || len(p.Steps) == 0 || steps < len(p.Steps) {
		return 0
	}
	return int((age - p.last()) / p.Repeat)
}

// next is the age at which the next step or repeat is due.
func (p *Plan) next(steps, repeats int) time.Duration {
	switch {
	case steps < len(p.Steps):
		return p.Steps[steps].After
	case p.Repeat > 0 && len(p.Steps) > 0:
		return p.last() + time.Duration(repeats+1)*p.Repeat
	}
	return never
}

// Quiet is a daily span in which low alarms wait, by the clock on the plant's
// wall: with daylight saving it is an hour longer or shorter once a year, and the
// hour that comes twice counts both times. Equal times mean no quiet hours.
type Quiet struct {
	// From and To are times of day since midnight, to the minute. To may lie
	// before From: the span then runs over midnight.
	From, To time.Duration
}

func (q Quiet) check() error {
	const day = 24 * time.Hour
	if q.From < 0 || q.From >= day || q.To < 0 || q.To >= day {
		return fmt.Errorf("quiet hours from %s to %s: expected times of day", q.From, q.To)
	}
	return nil
}

// holds reports whether a moment is within the quiet hours.
func (q Quiet) holds(now time.Time, zone *time.Location) bool {
	t := now.In(zone)
	at := time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
	if q.From <= q.To {
		return q.From <= at && at < q.To
	}
	return q.From <= at || at < q.To
}
