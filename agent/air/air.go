// Package air judges what a chlorine gas detector says.
package air

import (
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Settings are a detector's two levels. Their starting values, 0.5 and 1 ppm, are
// in the catalogue of alarms.
type Settings struct {
	Level1, Level2 units.PartsPerMillion
}

// Result is the state of a detector.
type Result struct {
	Concentration units.PartsPerMillion
	// Level is how many levels the gas has reached: 0, 1 or 2. It means nothing when
	// the detector is not available.
	Level int
	// Available is false when the detector cannot be trusted to see gas.
	Available bool
	Quality   reading.Quality
}

// Judge reads a detector. A reading above its range keeps its value, so that it
// counts as over both levels that lie inside the range; one that is bad says
// nothing about gas, neither that it is there nor that it is not.
func Judge(r reading.Reading, s Settings) Result {
	q := r.Checked().Quality
	if !q.Usable() {
		return Result{Quality: q}
	}
	c := units.PartsPerMillion(r.Value)
	level := 0
	switch {
	case c >= s.Level2 || q.Reason == reading.OverRange:
		level = 2
	case c >= s.Level1:
		level = 1
	}
	return Result{Concentration: c, Level: level, Available: true, Quality: q}
}
