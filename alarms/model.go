package alarms

// This file is the state model and nothing else: what an event makes of an
// alarm's state, and what has to follow. States and letters are those of
// ISA-18.2 / IEC 62682 (from memory); where they leave a choice open it is named.

// shelving tells whether and how a person has shelved an alarm.
type shelving uint8

const (
	unshelved shelving = iota
	timed
	// oneShot ends with the present active time, or the next one.
	oneShot
)

// machine is one alarm's state: a core that always follows the condition and
// the acknowledgements, and three flags that withhold it from people.
type machine struct {
	active, acked, latched bool
	// silent: the present episode began while the alarm was withheld and
	// acknowledged, so nobody has seen it.
	silent                   bool
	shelve                   shelving
	suppressed, outOfService bool
}

// event is what can happen to an alarm.
type event uint8

const (
	evNone event = iota
	evRaise
	evClear
	evAck
	evAckStale
	evReset
	evShelveTimed
	evShelveOneShot
	evUnshelve
	evShelveExpire
	evSuppress
	evUnsuppress
	evOutOfService
	evInService
	evRealarm
	// evOutlast: what was tested is over, and the condition may still hold.
	evOutlast
)

// effect is the set of what follows from an event. None means that nothing
// happened.
type effect uint16

const (
	// record: the change is journaled and published.
	record effect = 1 << iota
	newEpisode
	annunciate
	stopEscalation
	// showUnacked: an unanswered episode from before it was withheld shows again.
	showUnacked
	closeEpisode
	startShelving
	cancelShelving
	// oneShotEnds: the clear ended a one-shot shelving.
	oneShotEnds
	countRealarm
	nothingToAck
	staleEpisode
	notLatching
	stillActive
)

func (f effect) has(g effect) bool { return f&g != 0 }

// hidden reports whether the alarm is withheld from people.
func (m machine) hidden() bool { return m.shelve != unshelved || m.suppressed || m.outOfService }

// core is the state that would show if nothing withheld it.
func (m machine) core() State {
	switch {
	case m.active && m.acked:
		return Acknowledged
	case m.active:
		return Unacknowledged
	case m.latched && m.acked:
		return LatchedAcknowledged
	case m.latched:
		return LatchedUnacknowledged
	case m.acked:
		return Normal
	default:
		return ReturnedUnacknowledged
	}
}

// state is what people see. Out of service goes before suppressed, and that
// before shelved: our choice, the standards leave it open.
func (m machine) state() State {
	switch {
	case m.outOfService:
		return OutOfService
	case m.suppressed:
		return Suppressed
	case m.shelve != unshelved:
		return Shelved
	default:
		return m.core()
	}
}

// on gives the state after an event and what follows from it.
func (m machine) on(ev event, latching bool) (machine, effect) {
	was := m.hidden()
	switch ev {
	case evRaise:
		return m.raise(latching)
	case evClear:
		return m.clear(latching)
	case evAck:
		if m.acked || m.silent {
			return m, nothingToAck
		}
		m.acked = true
		if !m.active && !m.latched {
			return m, record | stopEscalation | closeEpisode
		}
		return m, record | stopEscalation
	case evAckStale:
		return m, staleEpisode
	case evReset:
		return m.reset(latching)
	case evShelveTimed, evShelveOneShot:
		m.shelve = timed
		if ev == evShelveOneShot {
			m.shelve = oneShot
		}
		return m, withheld(was) | startShelving
	case evUnshelve, evShelveExpire:
		if m.shelve == unshelved {
			return m, 0
		}
		m.shelve = unshelved
		m, f := m.shown()
		if ev == evUnshelve {
			f |= cancelShelving
		}
		return m, f
	case evSuppress:
		if m.suppressed {
			return m, 0
		}
		m.suppressed = true
		return m, withheld(was)
	case evOutOfService:
		if m.outOfService {
			return m, 0
		}
		m.outOfService = true
		return m, withheld(was)
	case evUnsuppress:
		if !m.suppressed {
			return m, 0
		}
		m.suppressed = false
		return m.shown()
	case evInService:
		if !m.outOfService {
			return m, 0
		}
		m.outOfService = false
		return m.shown()
	case evOutlast:
		if !m.active {
			return m, record
		}
		// People were told of a test; what stands after it is told anew.
		m.acked = false
		if was {
			return m, record
		}
		return m, record | newEpisode | annunciate
	case evRealarm:
		if !m.active || !m.acked || was {
			return m, 0
		}
		m.acked = false
		return m, record | countRealarm | annunciate
	}
	return m, 0
}

func (m machine) raise(latching bool) (machine, effect) {
	if m.active {
		return m, 0
	}
	hidden := m.hidden()
	m.silent = hidden && m.acked
	m.active, m.acked, m.latched = true, false, latching
	if hidden {
		return m, record | newEpisode
	}
	return m, record | newEpisode | annunciate
}

// clear: an episode that began and ended while withheld needs nobody unless it
// latches.
func (m machine) clear(latching bool) (machine, effect) {
	if !m.active {
		return m, 0
	}
	m.active = false
	f := record
	if m.silent && !latching {
		m.acked, m.silent = true, false
	}
	if m.acked && !m.latched {
		f |= closeEpisode
	}
	if m.shelve == oneShot {
		m.shelve = unshelved
		next, g := m.shown()
		return next, f | g | oneShotEnds
	}
	return m, f
}

// reset lets go of a latch. An unanswered latch still needs its acknowledgement
// afterwards; an active alarm cannot be reset.
func (m machine) reset(latching bool) (machine, effect) {
	switch {
	case !latching:
		return m, notLatching
	case m.active:
		return m, stillActive
	case !m.latched:
		return m, 0
	}
	m.latched = false
	if m.silent {
		m.acked, m.silent = true, false
	}
	if m.acked {
		return m, record | closeEpisode
	}
	return m, record
}

// withheld is the effect of a flag that hides an alarm which was hidden before,
// or not.
func withheld(before bool) effect {
	if before {
		return record
	}
	return record | stopEscalation
}

// shown lets an alarm show again unless another flag still withholds it. What
// is true then is announced, even when it was acknowledged before, and so is a
// latched episode that nobody has seen: our choice, the standards leave it open.
func (m machine) shown() (machine, effect) {
	switch {
	case m.hidden():
		return m, record
	case m.active:
		m.acked, m.silent = false, false
		return m, record | annunciate
	case m.silent:
		m.silent = false
		return m, record | annunciate
	case !m.acked:
		return m, record | showUnacked
	default:
		return m, record
	}
}
