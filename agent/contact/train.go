package contact

import (
	"fmt"
	"math"

	"ebbwatch/agent/reading"
)

// Filtration is the kind of filtration before disinfection.
type Filtration string

// The kinds of filtration.
const (
	Unfiltered     Filtration = "none"
	Conventional   Filtration = "conventional"
	DirectFiltered Filtration = "direct"
	SlowSand       Filtration = "slow-sand"
	Diatomaceous   Filtration = "diatomaceous-earth"
)

// owed is the log removal and inactivation of Giardia and viruses that surface
// water needs: 40 CFR 141.72(a)(1), (b)(1).
const owedGiardia, owedVirus = 3, 4

// Credit returns the log of Giardia and of viruses for which a kind of filtration
// counts. What is left to disinfection is the rest of 3 and 4 log. Source: the
// 1991 guidance manual to the surface water rule, chapter 4 (from memory; 2.5 log
// for conventional filtration is confirmed by a State's letter of 2012). A State
// may set other values. It is not known of another kind.
func (f Filtration) Credit() (giardia, virus float64, known bool) {
	switch f {
	case Unfiltered:
		return 0, 0, true
	case Conventional:
		return 2.5, 2, true
	case DirectFiltered, Diatomaceous:
		return 2, 1, true
	case SlowSand:
		return 2, 2, true
	}
	return 0, 0, false
}

// LeftToDisinfection returns the log inactivation of Giardia and of viruses that
// disinfection owes behind a kind of filtration.
func (f Filtration) LeftToDisinfection() (giardia, virus float64, known bool) {
	giardia, virus, known = f.Credit()
	return owedGiardia - giardia, owedVirus - virus, known
}

// Explain tells people what a kind of filtration leaves to disinfection; empty
// when that is not known of it.
func (f Filtration) Explain() string {
	giardia, virus, known := f.Credit()
	if !known {
		return ""
	}
	return fmt.Sprintf("filtration %s counts %g log Giardia and %g log virus (1991 guidance manual, from memory), which leaves %g and %g to disinfection", string(f), giardia, virus, owedGiardia-giardia, owedVirus-virus)
}

// AtLeast is the inactivation that a ratio of a segment stands for: at least so
// much of both organisms, of what it owes.
func (s *Settings) AtLeast(ratio Value) Credit {
	return Credit{
		Ratio:      ratio,
		GiardiaLog: derive(ratio.Value*s.GiardiaLog, ratio.Quality),
		VirusLog:   derive(ratio.Value*s.VirusLog, ratio.Quality),
	}
}

// Total sums disinfection segments that the water passes one after the other, as
// 40 CFR 141.534 sums the ratios of each: the logs add. GiardiaLog and VirusLog
// are what the whole owes. One segment that is not known makes the sum not known.
// Without segments it is bad.
func Total(giardiaLog, virusLog float64, segments ...Credit) Credit {
	zero := Value{Quality: reading.GoodQuality()}
	out := Credit{GiardiaLog: zero, VirusLog: zero}
	missing := Value{Quality: reading.BadBecause(reading.Missing)}
	if len(segments) == 0 {
		return Credit{Ratio: missing, GiardiaLog: missing, VirusLog: missing}
	}
	for _, s := range segments {
		out.GiardiaLog = derive(out.GiardiaLog.Value+s.GiardiaLog.Value, out.GiardiaLog.Quality, s.GiardiaLog.Quality)
		out.VirusLog = derive(out.VirusLog.Value+s.VirusLog.Value, out.VirusLog.Quality, s.VirusLog.Quality)
	}
	out.Ratio = Value{math.Inf(1), reading.GoodQuality()}
	if giardiaLog > 0 {
		out.Ratio = lower(out.Ratio, out.GiardiaLog, Value{giardiaLog, reading.GoodQuality()})
	}
	if virusLog > 0 {
		out.Ratio = lower(out.Ratio, out.VirusLog, Value{virusLog, reading.GoodQuality()})
	}
	if math.IsInf(out.Ratio.Value, 0) {
		out.Ratio = missing
	}
	return out
}
