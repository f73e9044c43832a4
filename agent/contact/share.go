package contact

import (
	"math"

	"ebbwatch/agent/units"
)

// HypochlorousShare is the share of free chlorine, 0 to 1, that is hypochlorous
// acid, the stronger disinfectant. It is information only: the tables of required
// CT already hold the effect of pH, and no CT is multiplied by it. Source: pKa =
// 3000.00/T - 10.0686 + 0.0253 T, in K: Morris, J. Phys. Chem. 70 (1966) 3798-3805
// (from memory).
func HypochlorousShare(t units.Celsius, ph units.PH) float64 {
	kelvin := float64(t) + 273.15
	pKa := 3000.00/kelvin - 10.0686 + 0.0253*kelvin
	return 1 / (1 + math.Pow(10, float64(ph)-pKa))
}

// Inactivated is what share of organisms a log inactivation stands for, 0 to 1: 40 CFR
// 141.74(b)(4)(iii) (from memory).
func Inactivated(log float64) float64 { return 1 - math.Pow(10, -log) }
