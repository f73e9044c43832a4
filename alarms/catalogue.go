package alarms

import (
	"fmt"
	"time"
)

// The catalogue: every alarm that ebbwatch brings, rationalised. A site file
// changes limits, deadbands and delays; the words stay. Starting values whose
// comment names no source are common practice, no source; so are the times for
// which an alarm may be shelved, and after which an acknowledged one that still
// stands calls again: shorter, the sooner a person must act.

// safetyNote closes the first actions wherever chlorine itself is the hazard.
const safetyNote = "Follow the plant's emergency plan and local rules; they go before this list."

// ResidualLow is free chlorine under its limit at one place. The limit of
// 0.2 mg/L at the entry point, for at most 4 h, is that of 40 CFR 141.72.
func ResidualLow(point, place, input string) Setting {
	return Setting{
		Name: point + "-low", Kind: LowLimit, Input: input,
		Limit: 0.2, Deadband: 0.02, OnDelay: time.Minute, OffDelay: time.Minute,
		Priority: High, Place: place, Subject: "Free chlorine at the " + place,
		ShelveMax: time.Hour, ReAlarm: 2 * time.Hour,
		LikelyCause: []string{
			"The feed stopped or is too small: container empty, vacuum lost, injector or valve blocked.",
			"The demand rose: raw water changed, or the flow did.",
			"The analyser drifts, or its sample water does not flow.",
		},
		Consequence: "Water may leave the plant without enough disinfectant; under 0.2 mg/L at the entry point for over 4 h is a violation of 40 CFR 141.72.",
		FirstAction: []string{
			"Look at the chlorine feed first: is gas flowing, is a container on line and not empty, is the vacuum there?",
			"Check the analyser against a grab sample.",
			"If the residual is truly low, restore the feed or start the standby; stop delivery if local rules ask for it.",
		},
		RespondWithin: 15 * time.Minute,
	}
}

// InactivationLow is a disinfection segment whose CT is under the required one.
// The ratio of 1 is that of 40 CFR 141.74(b)(4).
func InactivationLow(segment, input string) Setting {
	return Setting{
		Name: segment + "-inactivation-low", Kind: LowLimit, Input: input,
		Limit: 1, Deadband: 0.02, OnDelay: time.Minute, OffDelay: time.Minute,
		Priority: High, Place: segment, Subject: "The inactivation ratio of segment " + segment,
		ShelveMax: time.Hour, ReAlarm: 4 * time.Hour,
		LikelyCause: []string{
			"Free chlorine fell, or pH rose.",
			"The water got colder, or the flow rose.",
			"The level fell, and the contact time with it.",
		},
		Consequence: "The water gets less disinfection than required; a day under 1.0 has to be reported and may be a violation.",
		FirstAction: []string{
			"Raise the chlorine dose, or lower the flow through " + segment + " if demand allows.",
			"Raise the level if the volume is low.",
			"Check residual, pH and temperature against grab samples before you trust any one of them.",
		},
		RespondWithin: 15 * time.Minute,
		Shown:         Scale{Unit: "1", Factor: 1, Decimals: 2},
	}
}

// InstrumentLost is an instrument that does not answer, or answers with values
// that cannot be used. Where names its unit, its line and how that is reached.
func InstrumentLost(instrument, line, where, input string) Setting {
	return Setting{
		Name: instrument + "-lost", Kind: StateOn, Input: input,
		OnDelay: 30 * time.Second, OffDelay: 10 * time.Second,
		Priority: Medium, Place: line, Subject: fmt.Sprintf("Instrument %s (%s)", instrument, where),
		ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"Its power, its connection or the instrument itself failed.",
			"Its address or settings were changed.",
			"It answers with values that lie outside its range.",
		},
		Consequence: "Figures that need it are not known, and their alarms are held as they stood.",
		FirstAction: []string{
			chlorineRoom,
			"Look at the instrument itself: power, display, wires, sample.",
			"Measure by hand until it is back: local rules say how often.",
		},
		RespondWithin: time.Hour,
	}
}

// chlorineRoom is for those who are sent to an instrument.
const chlorineRoom = "Where chlorine can be, enter only with a portable detector and as the plant's rules ask."

// InstrumentDoubtful is an instrument whose values may be wrong although they
// arrive. Its on-delay lets a short jump or a quick calibration pass.
func InstrumentDoubtful(instrument, line, where, input string) Setting {
	return Setting{
		Name: instrument + "-doubtful", Kind: StateOn, Input: input,
		OnDelay: 5 * time.Minute, OffDelay: time.Minute,
		Priority: Medium, Place: line, Subject: fmt.Sprintf("Instrument %s (%s)", instrument, where),
		ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"The sensor is fouled, or its sample does not flow.",
			"The instrument was left in hold after a calibration.",
			"The value really does not move.",
		},
		Consequence: "Figures and alarms still go by its values, which may be wrong: one that stands still would not show a change.",
		FirstAction: []string{
			chlorineRoom,
			"Measure by hand until its values are right again: local rules say how often.",
		},
		RespondWithin: 2 * time.Hour,
	}
}

// LineLost is a line on which nothing can be read. It speaks for all instruments
// of the line; gas detectors on it still speak for themselves. Where tells how the
// line is reached.
func LineLost(line, where, input string) Setting {
	return Setting{
		Name: line + "-lost", Kind: StateOn, Input: input,
		OnDelay: 30 * time.Second, OffDelay: 10 * time.Second,
		Priority: High, Place: line, Subject: fmt.Sprintf("Line %s (%s)", line, where),
		ShelveMax: 8 * time.Hour, ReAlarm: 8 * time.Hour,
		LikelyCause: []string{
			"The gateway or serial server has no power, or its network is down.",
			"The cable is cut, or shorted by one instrument.",
		},
		Consequence: "Everything on this line is unwatched: its figures are not known, and their alarms are held as they stood.",
		FirstAction: []string{
			"Watch by hand what hangs on it until it is back, detectors first.",
			"If it was just worked on, undo that; a single faulty instrument can short a whole serial line.",
			chlorineRoom,
		},
		RespondWithin: 30 * time.Minute,
	}
}

// LineOverrun is a line on which values come later than the site file asks. Its
// value is the interval between readings as a share of the planned one.
func LineOverrun(line, where, input string) Setting {
	return Setting{
		Name: line + "-overrun", Kind: HighLimit, Input: input,
		Limit: 1.25, Deadband: 0.1, OnDelay: time.Minute, OffDelay: time.Minute,
		Priority: Low, Place: line, Subject: fmt.Sprintf("The time between readings on %s (%s), as a share of the planned one,", line, where),
		ShelveMax: 7 * 24 * time.Hour,
		LikelyCause: []string{
			"An instrument does not answer, and each try costs the time-out.",
			"More is read than the line can carry.",
		},
		Consequence: "Values of this line, gas too, are seen later than planned; later still, and they count as stale.",
		FirstAction: []string{
			"Look for an instrument on " + line + " that does not answer: each try costs the time-out. Mend it, or take it out of the site file.",
			"Lengthen the period (every) of what changes slowly, such as weights and temperatures; ebbwatch check shows what each request takes.",
			"If all instruments answer, raise the baud rate of a serial line at every instrument and in the site file, or split the line.",
		},
		RespondWithin: 24 * time.Hour,
		Shown:         Scale{Unit: "%", Factor: 100},
	}
}

// MemoryFailing is the daemon's own journal when it cannot be written.
func MemoryFailing(input string) Setting {
	return Setting{
		Name: "journal-failing", Kind: StateOn, Input: input, OffDelay: 10 * time.Second,
		Priority: Medium, Place: "ebbwatch", Subject: "The event journal",
		ShelveMax: 8 * time.Hour,
		LikelyCause: []string{
			"The disk is full, worn out or read-only.",
		},
		Consequence: "Alarms are still raised and told, but a restart would forget them, and the record has a gap.",
		FirstAction: []string{
			"Free space on the disk of the state folder, or replace the storage.",
			"Keep a record by hand until this alarm clears.",
		},
		RespondWithin: time.Hour,
	}
}

// RecordFailing is the record of days when it cannot be written.
func RecordFailing(input string) Setting {
	return Setting{
		Name: "record-failing", Kind: StateOn, Input: input, OnDelay: time.Minute, OffDelay: 10 * time.Second,
		Priority: Low, Place: "ebbwatch", Subject: "The record of days",
		ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"The disk is full, worn out or read-only.",
		},
		Consequence: "Days and corrections wait in memory; a restart would lose them from the record.",
		FirstAction: []string{
			"Free space on the disk of the state folder, or replace the storage.",
			"Write down the day's figures from the page until this alarm clears.",
		},
		RespondWithin: 8 * time.Hour,
	}
}

// MemoryLost tells that the journal had to be started anew. It latches, since
// what was lost stays lost until a person has taken note.
func MemoryLost(input string) Setting {
	return Setting{
		Name: "journal-lost", Kind: StateOn, Input: input, Latching: true,
		Priority: Medium, Place: "ebbwatch", Subject: "The event journal",
		LikelyCause: []string{
			"The power failed while the disk was at fault.",
			"The file was damaged, moved or replaced.",
		},
		Consequence: "Alarm states and events from before are not known; alarms were evaluated anew.",
		FirstAction: []string{
			"Keep the damaged file that the message names; it may still be read.",
			"Compare with the receiver's own history and note the gap in the log book.",
		},
		RespondWithin: 24 * time.Hour,
	}
}
