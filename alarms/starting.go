package alarms

import "time"

// Signal is what kind of quantity a limit alarm watches.
type Signal string

// The signals that have starting values of their own.
const (
	FlowSignal        Signal = "flow"
	LevelSignal       Signal = "level"
	PressureSignal    Signal = "pressure"
	TemperatureSignal Signal = "temperature"
	OtherSignal       Signal = "other"
)

// Starting gives the deadband, as a share of the range, and the delays that an
// alarm starts from until its own signal is known. Those of flow, level, pressure
// and temperature are of EEMUA 191, taken over by ISA-18.2 and IEC 62682 (from
// memory). For what dissolves, weighs or is a gas nothing is published: common
// practice, no source, is over three times the noise, here 2 % of the range, and
// two to three scans.
func Starting(s Signal) (deadband float64, delay time.Duration) {
	switch s {
	case FlowSignal:
		return 0.05, 15 * time.Second
	case LevelSignal:
		return 0.05, time.Minute
	case PressureSignal:
		return 0.02, 15 * time.Second
	case TemperatureSignal:
		return 0.01, time.Minute
	default:
		return 0.02, 5 * time.Second
	}
}
