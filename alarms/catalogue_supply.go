package alarms

import "time"

// The catalogue of containers and banks. Delays are common practice, no source, but
// for what the balance of a bank raises, which has waited for certainty itself.

// WithdrawalHigh is a bank drawn faster than its containers can give off gas.
// Its value is the ratio of withdrawal rate to limit. Overdrawn is the figure of the
// alarm that tells it sooner when it comes at once, and for both.
func WithdrawalHigh(bank, place, input, overdrawn string) Setting {
	s := drawn(bank, place)
	s.Name, s.Kind, s.Input = bank+"-withdrawal-high", HighLimit, input
	s.Limit, s.Deadband, s.OnDelay, s.OffDelay = 1, 0.05, 10*time.Minute, 10*time.Minute
	s.Subject = "The withdrawal from bank " + bank + " as a share of what its containers can give off"
	s.SuppressedBy = overdrawn
	s.Shown = Scale{Unit: "%", Factor: 100}
	return s
}

// BankOverdrawn is a bank that is surely drawn faster than its containers can give
// off gas, seen within minutes.
func BankOverdrawn(bank, place, input string) Setting {
	s := drawn(bank, place)
	s.Name, s.Kind, s.Input = bank+"-overdrawn", StateOn, input
	s.OffDelay = 5 * time.Minute
	s.Subject = "Bank " + bank
	return s
}

func drawn(bank, place string) Setting {
	return Setting{
		Priority: Medium, Place: place, ShelveMax: 8 * time.Hour,
		LikelyCause: []string{
			"The dose or the flow rose.",
			"A container on the header is empty or its valve is closed, so the others carry its share.",
			"The room is colder than usual.",
		},
		Consequence: "The containers chill, the gas pressure falls, and the feed will sag or stop.",
		FirstAction: []string{
			"Put another container on the header, or lower the feed if disinfection allows.",
			"Keep the chlorine room at its temperature; never heat a container or put water on it.",
			"Frost on the lower shell is a sign of hard drawing, not of a leak by itself; frost at the expected rate is not a fault.",
		},
		RespondWithin: 30 * time.Minute,
	}
}

// EmptyNotice is a bank that will run out within days.
func EmptyNotice(bank, place, input string) Setting {
	s := empty(bank, place, input)
	s.Name, s.Priority = bank+"-empty-notice", Low
	s.Limit, s.Deadband = (48 * time.Hour).Seconds(), (2 * time.Hour).Seconds()
	s.RespondWithin = 8 * time.Hour
	s.LikelyCause = []string{
		"Chlorine is used as planned.",
		"The feed rose since the last change of containers.",
	}
	s.ShelveMax = 24 * time.Hour
	s.FirstAction = []string{
		"Check that full containers are in store, and order if they are not.",
		"Plan the change of containers while people are there in daylight.",
	}
	return s
}

// EmptyUrgent is a bank that will run out within hours.
func EmptyUrgent(bank, place, input string) Setting {
	s := empty(bank, place, input)
	s.Name, s.Priority = bank+"-empty-urgent", High
	s.Limit, s.Deadband = (8 * time.Hour).Seconds(), (30 * time.Minute).Seconds()
	s.RespondWithin = time.Hour
	s.LikelyCause = []string{
		"The notice of two days ago was not acted upon.",
		"The feed rose, or gas is lost.",
	}
	s.ShelveMax, s.ReAlarm = 2*time.Hour, 2*time.Hour
	s.FirstAction = []string{
		"Make sure that the standby bank is valved in and its automatic switchover is ready.",
		"Send two trained people to change containers, with breathing apparatus at hand outside the room.",
		safetyNote,
	}
	return s
}

func empty(bank, place, input string) Setting {
	return Setting{
		Kind: LowLimit, Input: input, OnDelay: 10 * time.Minute, OffDelay: 10 * time.Minute,
		Place: place, Subject: "The time until bank " + bank + " is empty",
		Consequence: "Disinfection stops when the chlorine runs out and nothing takes over.",
		Shown:       Scale{Unit: "h", Factor: 1.0 / 3600, Decimals: 1},
	}
}

// StandbyEmpty is a bank that will run out with its standby: nothing takes over
// after that.
func StandbyEmpty(bank, place, input string) Setting {
	s := EmptyUrgent(bank, place, input)
	s.Name, s.Subject = bank+"-standby-empty", "The time until bank "+bank+" is empty with its standby"
	s.Limit, s.Deadband = (24 * time.Hour).Seconds(), time.Hour.Seconds()
	s.LikelyCause = []string{
		"The empty containers were not changed after the switchover.",
		"The feed rose, or gas is lost.",
	}
	s.FirstAction = []string{
		"Send two trained people to change the empty containers, with breathing apparatus at hand outside the room.",
		"Check that full containers are in store; if not, ask the supplier for the soonest delivery and prepare another way to disinfect.",
		safetyNote,
	}
	return s
}

// OrderDue is the last day on which an order of chlorine still comes in time.
func OrderDue(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-order-due", Kind: LowLimit, Input: input,
		Limit: (24 * time.Hour).Seconds(), Deadband: time.Hour.Seconds(), OnDelay: 30 * time.Minute, OffDelay: 30 * time.Minute,
		Priority: Medium, Place: place, Subject: "The time left to order chlorine for bank " + bank,
		ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"Chlorine is used as planned.",
			"Full containers came and nobody has entered them.",
		},
		Consequence: "All chlorine on the site may be gone before the delivery.",
		FirstAction: []string{
			"Order now; count in the days on which the supplier does not deliver.",
			"If containers are ordered or have come, enter them with the order container, so that the stock is right.",
		},
		RespondWithin: 8 * time.Hour,
		Shown:         Scale{Unit: "h", Factor: 1.0 / 3600, Decimals: 1},
	}
}

// ChangeoverUnstaffed is a bank that will run out while nobody is on the site.
func ChangeoverUnstaffed(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-changeover-unstaffed", Kind: StateOn, Input: input, OnDelay: time.Hour, OffDelay: time.Hour,
		Priority: Low, Place: place, Subject: "Bank " + bank, ShelveMax: 24 * time.Hour,
		LikelyCause: []string{"Chlorine is used as planned, and its end falls into the night or a day of rest."},
		Consequence: "The changeover hangs on the automatic switchover alone, or on somebody who is called in.",
		FirstAction: []string{
			"Check that the standby is valved in and its switchover ready before the last people leave.",
			"Without a standby, change the containers while people are there, or plan who comes in.",
		},
		RespondWithin: 8 * time.Hour,
	}
}

// BankUnaccounted is a loss of chlorine that no feed explains.
func BankUnaccounted(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-unaccounted", Kind: StateOn, Input: input, OffDelay: 10 * time.Minute,
		Priority: High, Place: place, Subject: "Bank " + bank, ShelveMax: 2 * time.Hour, ReAlarm: 2 * time.Hour,
		LikelyCause: []string{
			"Chlorine leaks at a valve, a packing, a gasket or the header.",
			"More is fed than the feed signal, the flow or the dose says.",
			"Chlorine is drawn by something that ebbwatch does not know of.",
		},
		Consequence: "Chlorine may be escaping, also where no detector stands.",
		FirstAction: []string{
			"Look at the gas detectors first, and do not enter the room while they or your nose say that there is chlorine.",
			"Nobody looks for a leak alone: two trained people, with breathing apparatus, as the plant's rules ask.",
			"Compare the feeder with its signal, and the dose with a measured residual and demand.",
			"If chlorine did escape, report it as 40 CFR 302.4 and local rules ask.",
			safetyNote,
		},
		RespondWithin: 15 * time.Minute,
	}
}

// LossReportable is a loss within 24 h that is surely over the quantity whose release
// has to be reported: 10 lb by 40 CFR 302.4 (from memory), unless the site says less.
func LossReportable(bank, place, input string) Setting {
	s := BankUnaccounted(bank, place, input)
	s.Name, s.OnDelay = bank+"-loss-reportable", 5*time.Minute
	s.Consequence = "If this chlorine was released, the law asks to report it at once (40 CFR 302.4 to 302.6)."
	s.FirstAction = []string{
		"Find out now whether it was released: detectors, the room, the feeder, the record of containers.",
		"If it was, or if that cannot be told, do as the plant's emergency plan says about reporting; the duty does not wait.",
		"Nobody looks for a leak alone: two trained people, with breathing apparatus, as the plant's rules ask.",
		safetyNote,
	}
	return s
}

// BankFeedLost is water that flows while no chlorine is drawn.
func BankFeedLost(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-feed-lost", Kind: StateOn, Input: input, OffDelay: 5 * time.Minute,
		Priority: High, Place: place, Subject: "Bank " + bank, ShelveMax: time.Hour, ReAlarm: time.Hour,
		LikelyCause: []string{
			"The containers on duty are empty, or a valve is closed.",
			"The vacuum is lost: injector blocked, booster pump stopped, air drawn in.",
			"The chlorinator or its rate valve is stuck.",
			"The switchover did not work.",
		},
		Consequence: "Water passes without chlorine; the residual falls within the contact time.",
		FirstAction: []string{
			"Look at the residual, and at the vacuum of the chlorinator: without vacuum look at the injector and its water.",
			"See whether a container with chlorine is on line and its valve open.",
			"Start the standby, or stop the water if local rules ask for it.",
			safetyNote,
		},
		RespondWithin: 15 * time.Minute,
	}
}

// HeaderLow is gas under the pressure that the regulator needs.
func HeaderLow(bank, place, input string) Setting {
	s := drawn(bank, place)
	s.Name, s.Kind, s.Input = bank+"-header-low", StateOn, input
	s.OnDelay, s.OffDelay = 2*time.Minute, 5*time.Minute
	s.Subject = "Bank " + bank
	s.LikelyCause = []string{
		"The containers are drawn faster than they can evaporate, or the room is cold.",
		"The containers on duty are empty, or a valve is closed.",
		"A filter or a flexible connection is blocked.",
	}
	s.Consequence = "The regulator cannot pass the full flow: the feed sags or stops."
	return s
}

// ScaleStuck is a weight that stands still while chlorine is drawn.
func ScaleStuck(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-scale-stuck", Kind: StateOn, Input: input, OffDelay: time.Minute,
		Priority: Medium, Place: place, Subject: "Bank " + bank, ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"The indicator hangs, or its output is on hold.",
			"The platform rests on something: debris, a hose, a chock.",
		},
		Consequence: "Weight, rate and time to empty of this container are not to be trusted, and a leak would not show.",
		FirstAction: []string{
			chlorineRoom,
			"Press lightly on the platform and look whether the display moves; then free it, or start the indicator anew.",
			"Note the weights by hand until it moves again.",
		},
		RespondWithin: 2 * time.Hour,
	}
}

// WeightMoved is a weight that jumped and stayed.
func WeightMoved(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-weight-moved", Kind: StateOn, Input: input, OffDelay: time.Minute,
		Priority: Medium, Place: place, Subject: "Bank " + bank, ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"Something was laid on the platform or taken off it, or a hose pulls.",
			"The scale was set to zero, or its unit or range was changed.",
			"Chlorine was lost at once.",
		},
		Consequence: "The weight may be wrong by this step from now on; it is not counted as chlorine used.",
		FirstAction: []string{
			"Look at the gas detectors first.",
			chlorineRoom,
			"Look at what lies on the platform, and compare the gross weight with the last one in the record.",
		},
		RespondWithin: time.Hour,
	}
}

// ContainerOff is a scale without a container, or one that shows none.
func ContainerOff(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-container-off", Kind: StateOn, Input: input, OnDelay: 30 * time.Minute, OffDelay: time.Minute,
		Priority: Low, Place: place, Subject: "Bank " + bank, ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"The container was taken off and no other put on.",
			"The load cell or its wiring has failed, which looks the same.",
		},
		Consequence: "What is in this bank is counted without it, and it cannot take over.",
		FirstAction: []string{
			chlorineRoom,
			"If a container stands there, look at the load cell and its indicator.",
			"If none does, put a full one on, or note why not.",
		},
		RespondWithin: 8 * time.Hour,
	}
}

// TareDoubtful is a net weight that rests on a tare which is wrong or not known.
func TareDoubtful(bank, place, input string) Setting {
	return Setting{
		Name: bank + "-tare-doubtful", Kind: StateOn, Input: input, OnDelay: 15 * time.Minute, OffDelay: time.Minute,
		Priority: Medium, Place: place, Subject: "Bank " + bank, ShelveMax: 24 * time.Hour,
		LikelyCause: []string{
			"A container was changed, and its stamped tare is not the one before.",
			"The tare was read or entered wrongly.",
			"The scale is out of adjustment.",
		},
		Consequence: "Net weight and time to empty are wrong by the error of the tare: the container may be empty sooner than shown.",
		FirstAction: []string{
			"Read serial and tare from the container's stamp or tag and enter them with the order container.",
			chlorineRoom,
			"If the tare was right, check the scale with a known weight.",
		},
		RespondWithin: 4 * time.Hour,
	}
}
