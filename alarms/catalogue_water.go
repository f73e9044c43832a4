package alarms

import (
	"fmt"
	"time"
)

// RatioAheadLow is a segment whose inactivation ratio is going to fall under its
// limit within the hour, ahead of InactivationLow.
func RatioAheadLow(segment, input string) Setting {
	return Setting{
		Name: segment + "-ratio-ahead-low", Kind: LowLimit, Input: input,
		Limit: 1, Deadband: 0.05, OnDelay: 5 * time.Minute, OffDelay: 10 * time.Minute,
		Priority: Medium, Place: segment, Subject: "The lowest inactivation ratio of the coming hour in segment " + segment,
		LikelyCause: []string{
			"The residual falls: a feed that sags, a container that runs out, an analyser that drifts.",
			"The level falls or the flow rises faster than the dose follows.",
		},
		Consequence: "If flow, level and residual go on as they do now, the water gets less disinfection than required within the hour.",
		FirstAction: []string{
			"Look what moves: a falling residual (feed, container, analyser), a falling level, a rising flow.",
			"Raise the dose now: what is dosed now leaves " + segment + " only after the contact time.",
			"The residual needed now and the greatest flow allowed stand among the figures of " + segment + ".",
		},
		RespondWithin: 30 * time.Minute,
		Shown:         Scale{Unit: "1", Factor: 1, Decimals: 2},
	}
}

// TrainRatioAheadLow is RatioAheadLow for a row of segments.
func TrainRatioAheadLow(train, input string) Setting {
	s := RatioAheadLow(train, input)
	s.Subject = "The lowest inactivation ratio of the coming hour in train " + train
	s.FirstAction[2] = "The residual needed now and the greatest flow allowed stand among the figures of each segment."
	return s
}

// TrainInactivationLow is a row of segments whose summed inactivation is under
// what it owes: 40 CFR 141.534 sums the segments, and 141.74(b)(4) asks for a
// ratio of 1 (the latter from memory).
func TrainInactivationLow(train, input string) Setting {
	s := InactivationLow(train, input)
	s.Subject = "The inactivation ratio of train " + train
	s.LikelyCause = []string{
		"One of the segments has a low residual, a low level or a high flow.",
		"The water grew colder or its pH rose.",
	}
	s.FirstAction = []string{
		"See which segment gives less than usual; each has its own figures.",
		"Raise the chlorine dose ahead of it, or lower the flow if demand allows.",
		"Check residual, pH and temperature against grab samples before you trust any one of them.",
	}
	return s
}

// Stage is how far the time has run for which a residual may be under its least.
type Stage string

// The stages.
const (
	Started Stage = ""
	Half    Stage = "-half"
	Limit   Stage = "-limit"
)

// ResidualUnder is an entry point whose residual is under its least, in mg/L, at
// one stage of the time that is allowed: 4 h by 40 CFR 141.72 for surface water
// and, from when it is known, by 141.404 for ground water. Its value is the time
// so far; while the residual is not known well the clock runs on. The first stage
// is a notice, since ResidualLow calls people at the same time.
func ResidualUnder(point, place, input string, least float64, allowed time.Duration, stage Stage) Setting {
	s := Setting{
		Name: point + "-under" + string(stage), Kind: HighLimit, Input: input,
		Limit: time.Minute.Seconds(), Deadband: (30 * time.Second).Seconds(), OffDelay: time.Minute,
		Priority: Low, Place: place, Subject: fmt.Sprintf("The time for which the residual at the %s is under %.3g mg/L", place, least),
		LikelyCause: []string{
			"The chlorine feed has failed: an empty container, lost vacuum, a closed valve, a stopped pump.",
			"The demand of the water rose faster than the dose.",
			"The analyser gets no sample or has drifted.",
		},
		Consequence: fmt.Sprintf("The clock of the rule runs: after %s without a break it is a violation. Customers may get water without protection.", hours(allowed)),
		FirstAction: []string{
			"Note the time, and measure a grab sample.",
			"Restore the feed or start the standby; look at gas flow, container, vacuum and analyser, in this order.",
			"Tell the one in charge; many rules ask for word to the State by the end of the next business day.",
		},
		RespondWithin: 15 * time.Minute,
		Shown:         Scale{Unit: "h", Factor: 1.0 / 3600, Decimals: 2},
	}
	switch stage {
	case Half:
		s.Limit, s.Priority = allowed.Seconds()/2, High
		s.FirstAction = []string{
			"Half of the time is gone: bring a second source of chlorine or stop the delivery, as the plant's emergency plan says.",
			"Call the one in charge and, if local rules ask for it, the State.",
			"Measure grab samples at the " + place + " and in the system.",
		}
	case Limit:
		s.Limit, s.Priority = allowed.Seconds(), High
		s.Consequence = fmt.Sprintf("%s under the least residual have passed: a violation by the rule, with notice to the State and perhaps to the public.", hours(allowed))
		s.FirstAction = []string{
			"Do what the plant's emergency plan says for a loss of disinfection; stop the delivery if it asks for it.",
			"Call the one in charge and the State now; public notice has its own short times.",
			"Go on measuring grab samples and write down each with its time.",
		}
	}
	return s
}

// hours writes whole hours as people do.
func hours(d time.Duration) string {
	if d%time.Hour == 0 {
		return fmt.Sprintf("%d h", d/time.Hour)
	}
	return d.String()
}

// GrabDue is a sample by hand that will soon be due, since the analyser of an
// entry point has failed: every 4 h by 40 CFR 141.74(b)(5) and (c)(2), and
// 141.403(b)(3)(i)(A). Its value is the time that is left.
func GrabDue(point, place, input string) Setting {
	return Setting{
		Name: point + "-grab-due", Kind: LowLimit, Input: input,
		Limit: (30 * time.Minute).Seconds(), Deadband: time.Minute.Seconds(),
		Priority: Medium, Place: place, Subject: "The time until the next grab sample at the " + place,
		LikelyCause: []string{
			"The analyser at the " + place + " gives no usable residual, and no sample by hand was entered for hours.",
		},
		Consequence: "Without its analyser the residual is known by grab samples alone; a missed one is a monitoring violation.",
		FirstAction: []string{
			"Take a sample at the " + place + ", measure it at once and enter it with its time.",
			"See how the repair of the analyser stands.",
		},
		RespondWithin: 30 * time.Minute,
		Shown:         Scale{Unit: "h", Factor: 1.0 / 3600, Decimals: 2},
	}
}

// GrabOverdue is a sample by hand that was not entered in time.
func GrabOverdue(point, place, input string) Setting {
	s := GrabDue(point, place, input)
	s.Name, s.Limit, s.Priority = point+"-grab-overdue", 0, High
	s.Consequence = "Nobody knows the residual at the " + place + "; a missed sample is a monitoring violation."
	s.FirstAction[0] = "Take a sample at the " + place + " now, measure it at once and enter it with its time; if it was taken, enter it."
	s.RespondWithin = 15 * time.Minute
	return s
}

// AnalyserBackDue is a failed analyser that has to work again within a day: 5
// working days from its failure by 40 CFR 141.74(b)(5) and (c)(2), 14 days for
// ground water by 141.403(b)(3)(i)(A). Its value is the time that is left.
func AnalyserBackDue(point, place, input string) Setting {
	return Setting{
		Name: point + "-back-due", Kind: LowLimit, Input: input,
		Limit: (24 * time.Hour).Seconds(), Deadband: time.Hour.Seconds(),
		Priority: Medium, Place: place, Subject: "The time until the analyser at the " + place + " has to work again",
		LikelyCause: []string{
			"The analyser failed days ago and has given no usable residual since.",
		},
		Consequence: "Grab samples stand in for the analyser only for a time; after it, it is a monitoring violation.",
		FirstAction: []string{
			"Get the analyser repaired or put a spare in its place.",
			"If neither is possible in time, call the State before the time is over.",
		},
		RespondWithin: 4 * time.Hour,
		Shown:         Scale{Unit: "d", Factor: 1.0 / 86400, Decimals: 1},
	}
}

// DistributionResidualHigh is a running annual average of the residual in the
// distribution system at the maximum residual disinfectant level of chlorine,
// 4.0 mg/L by 40 CFR 141.65(a). One high sample is no violation.
func DistributionResidualHigh(input string) Setting {
	return Setting{
		Name: "distribution-residual-high", Kind: HighLimit, Input: input,
		Limit: 4, Deadband: 0.1, OnDelay: time.Minute, OffDelay: time.Minute,
		Priority: Low, Place: "distribution system", Subject: "The running annual average of free chlorine in the distribution system",
		LikelyCause: []string{
			"The dose is higher than CT and the ends of the system need.",
			"Samples were taken close to the plant only, or one was entered wrongly.",
		},
		Consequence: "Over 4.0 mg/L as an average of four quarters it is a violation; the water smells and irritates.",
		FirstAction: []string{
			"Lower the dose as far as CT and the residual at the ends of the system allow.",
			"Keep a raised dose against contamination if the State asked for it, and say so in the report.",
		},
		RespondWithin: 24 * time.Hour,
		Shown:         Scale{Unit: "mg/L", Factor: 1, Decimals: 2},
	}
}
