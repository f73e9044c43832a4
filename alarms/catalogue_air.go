package alarms

import (
	"fmt"
	"time"
)

// The alarms of the air. Starting values whose comment names no source are common
// practice, no source.

// DetectorLevel is gas over the first to third level of a detector. The starting
// values 0.5, 1 and 5 ppm are the NIOSH recommended ceiling, the OSHA ceiling (29
// CFR 1910.1000) and half of the IDLH for chlorine (NIOSH, 1994). None has an
// on-delay: a trip is told at the first reading. All latch. First says what to do
// first, by what stands in the room.
func DetectorLevel(detector, room, input string, level int, first ...string) Setting {
	s := Setting{
		Name: fmt.Sprintf("%s-level-%d", detector, level), Kind: HighLimit, Input: input,
		Limit: 0.5, Source: "NIOSH recommended ceiling, Pocket Guide to Chemical Hazards, 2005",
		Deadband: 0.1, OffDelay: time.Minute, Latching: true,
		Priority: High, Place: room, Subject: fmt.Sprintf("Chlorine gas at %s in %s", detector, room),
		Safety: true, ShelveMax: 15 * time.Minute, ReAlarm: time.Hour, Group: room,
		LikelyCause: []string{
			"A leak at a valve, a lead washer, a fitting or the regulator.",
			"A container was just changed.",
			"The detector is being tested, or sees another gas.",
		},
		Consequence:   "Chlorine harms lungs and eyes within minutes; a small leak can grow.",
		FirstAction:   first,
		RespondWithin: 3 * time.Minute,
		Shown:         Scale{Unit: "ppm", Factor: 1, Decimals: 2},
	}
	if level >= 2 {
		s.Limit, s.Deadband, s.Priority = 1, 0.2, Critical
		s.Source = "OSHA ceiling, 29 CFR 1910.1000 Table Z-1"
		s.RespondWithin = time.Minute
	}
	if level == 3 {
		s.Limit, s.Deadband = 5, 1
		s.Source = "half of the IDLH of 10 ppm, NIOSH 1994; to take half is common practice"
		s.Consequence = "This much chlorine endangers life; people can no longer save themselves from twice as much (IDLH, 10 ppm)."
	}
	return s
}

// DetectorUnavailable is a detector that cannot be trusted to see gas. The
// on-delay keeps it well inside the 100 s that EN 54-2 allows for a fault
// warning (from memory).
func DetectorUnavailable(detector, room, input string) Setting {
	return Setting{
		Name: detector + "-unavailable", Kind: StateOn, Input: input,
		OnDelay: 30 * time.Second, OffDelay: 10 * time.Second,
		Priority: High, Place: room, Subject: fmt.Sprintf("Detector %s in %s", detector, room),
		ShelveMax: time.Hour, ReAlarm: 8 * time.Hour,
		LikelyCause: []string{
			"Power, wiring or the bus to it failed.",
			"The sensor is worn out, or says that it is at fault.",
			"It is being calibrated, or has just come back.",
			"It stands still, or has drifted below zero.",
		},
		Consequence: "A leak at this detector would not be seen. No reading is not the same as no gas.",
		FirstAction: []string{
			"Treat the room as not watched: enter only with a portable detector and as the plant's rules ask.",
			"Check power, wiring and the sensor; put another detector in its place if it cannot be mended.",
		},
		RespondWithin: 30 * time.Minute,
	}
}

// DetectorRising is gas that rises fast, under the levels too. Its limit is in ppm
// a second and the site's own.
func DetectorRising(detector, room, input string, limit float64, first ...string) Setting {
	s := DetectorLevel(detector, room, input, 1, first...)
	s.Name, s.Subject = detector+"-rising", fmt.Sprintf("The rise of chlorine gas at %s in %s", detector, room)
	s.Limit, s.Deadband, s.Source = limit, limit/5, ""
	s.Shown.Unit, s.Shown.Factor = "ppm/min", 60
	s.Consequence = "A leak that grows reaches dangerous levels within minutes."
	return s
}

// ExposureHigh is a mean of the gas at a detector over 15 min or 8 h. The starting
// limit is 0.5 ppm for both: the NIOSH recommended ceiling, taken over 15 min, and
// the 8-hour mean that OSHA set in 1989 and a court vacated.
func ExposureHigh(detector, room, over, input string) Setting {
	source := "NIOSH recommended ceiling, taken over 15 min, Pocket Guide to Chemical Hazards, 2005"
	if over == "8h" {
		source = "the 8-hour mean that OSHA set in 1989 and a court vacated (NIOSH, 1994)"
	}
	return Setting{
		Name: detector + "-exposure-" + over, Kind: HighLimit, Input: input,
		Limit: 0.5, Source: source, Lingers: true, Deadband: 0.1, OffDelay: time.Minute,
		Priority: Medium, Place: room, Subject: fmt.Sprintf("The mean of the chlorine gas at %s in %s over %s", detector, room, over),
		Safety: true, ShelveMax: 15 * time.Minute, ReAlarm: 8 * time.Hour,
		LikelyCause: []string{
			"A small leak that goes on.",
			"A larger one before, or a test with gas, which the mean still holds.",
		},
		Consequence: "People who stayed at the detector for this time breathed more chlorine than the limit allows.",
		FirstAction: []string{
			safetyNote,
			"Find out who was in " + room + ", and keep everyone out until the air is clean.",
			"Send those who were there to a doctor if the plan or they themselves ask for it, and write it down.",
		},
		RespondWithin: 15 * time.Minute,
		Shown:         Scale{Unit: "ppm", Factor: 1, Decimals: 2},
	}
}

// DetectorOverdue is a detector whose calibration or bump test was due.
func DetectorOverdue(detector, room, input string) Setting {
	return Setting{
		Name: detector + "-service-due", Kind: StateOn, Input: input, OffDelay: time.Minute,
		Priority: Low, Place: room, Subject: fmt.Sprintf("Detector %s in %s", detector, room),
		ShelveMax: 7 * 24 * time.Hour, ReAlarm: 7 * 24 * time.Hour,
		LikelyCause: []string{
			"The work was left undone.",
			"It was done, and nobody has said so.",
		},
		Consequence: "A detector that nobody has tested may not see gas, although it shows a good zero.",
		FirstAction: []string{
			"Plan the work as the detector's manual says; order its test first, so that people know.",
			"Then record it by the order serviced, or write the day into the site file.",
		},
		RespondWithin: 7 * 24 * time.Hour,
	}
}

// RoomVote is the second level reached by as many of a room's detectors as the
// site asks for. Each detector is told by itself as well.
func RoomVote(room, input string, first ...string) Setting {
	return Setting{
		Name: room + "-vote", Kind: StateOn, Input: input, OffDelay: time.Minute, Latching: true,
		Priority: Critical, Place: room, Subject: "The vote of the detectors in " + room,
		Safety: true, ShelveMax: 15 * time.Minute, ReAlarm: time.Hour, Group: room,
		LikelyCause: []string{"A leak that reaches several detectors."},
		Consequence: "Several detectors agree: this is hardly a fault of one. Chlorine harms lungs and eyes within minutes.",
		FirstAction: first, RespondWithin: time.Minute,
	}
}

// RoomBlind is a room in which no detector can be trusted, or too few for its
// vote. It is quicker than the alarms of the single detectors.
func RoomBlind(room, input string) Setting {
	return Setting{
		Name: room + "-blind", Kind: StateOn, Input: input, OnDelay: 15 * time.Second, OffDelay: 10 * time.Second,
		Priority: Critical, Place: room, Subject: "The room " + room,
		Safety: true, ShelveMax: 15 * time.Minute, ReAlarm: time.Hour,
		LikelyCause: []string{
			"The line or the power that the detectors share failed.",
			"All of them are being worked on.",
		},
		Consequence: "A leak in the room would not be seen. No reading is not the same as no gas.",
		FirstAction: []string{
			safetyNote,
			"Let nobody enter without a portable detector, and as the plant's rules ask.",
			"Restore one detector at least; until then watch the room as the plan says.",
		},
		RespondWithin: 10 * time.Minute,
	}
}

// RoomDeviation is a difference between the detectors of a room. While gas is
// told of, it is no news.
func RoomDeviation(room, input, calling string) Setting {
	return Setting{
		Name: room + "-deviation", Kind: HighLimit, Input: input, Limit: 0.5, Deadband: 0.1, OnDelay: 10 * time.Minute, OffDelay: time.Minute,
		Priority: Low, Place: room, Subject: "The difference between the detectors of " + room,
		ShelveMax: 24 * time.Hour, SuppressedBy: calling, UnsuppressDelay: time.Minute,
		LikelyCause: []string{
			"One has drifted, or its range in the site file is not its own.",
			"A small leak near one of them.",
		},
		Consequence: "One of them tells a wrong value, or gas stands near the other.",
		FirstAction: []string{
			"Take the higher value for true until a portable detector says otherwise.",
			"Test both with gas, and compare their ranges with the site file.",
		},
		RespondWithin: 8 * time.Hour,
		Shown:         Scale{Unit: "ppm", Factor: 1, Decimals: 2},
	}
}

// VentilationFailed is a fan that is commanded to run while no air flows.
func VentilationFailed(room, input string) Setting {
	return Setting{
		Name: room + "-ventilation", Kind: StateOn, Input: input, OnDelay: 30 * time.Second, OffDelay: 10 * time.Second,
		Priority: High, Place: room, Subject: "The ventilation of " + room,
		ShelveMax: 8 * time.Hour, ReAlarm: 8 * time.Hour,
		LikelyCause: []string{
			"The fan's belt, motor or breaker.",
			"A louvre that stays closed, or a duct that is blocked.",
			"The flow switch itself.",
		},
		Consequence: "Gas would not be drawn off, and people who count on clean air would enter.",
		FirstAction: []string{
			"Let nobody enter " + room + " without a portable detector.",
			"Look at the fan and its flow from outside.",
		},
		RespondWithin: time.Hour,
	}
}
