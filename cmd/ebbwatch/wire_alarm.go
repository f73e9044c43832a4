package main

import (
	"fmt"

	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// ownAlarm is an alarm that the site adds. What it leaves out starts from the
// values of its signal.
func ownAlarm(a config.Alarm, p config.Point) alarms.Setting {
	share, delay := alarms.Starting(signalOf(p.Unit.Dimension))
	s := alarms.Setting{
		Name: a.Name, Kind: alarms.Kind(a.Kind), Input: a.Point, Other: a.Other, Window: a.Window,
		OnDelay: delay, OffDelay: delay, Latching: a.Latching, Priority: alarms.Priority(a.Priority),
		Place: a.Place, Consequence: a.Consequence, FirstAction: []string{a.FirstAction},
		RespondWithin: a.RespondWithin, ShelveMax: a.ShelveMax,
	}
	if a.LikelyCause != "" {
		s.LikelyCause = []string{a.LikelyCause}
	}
	if !p.Unit.IsZero() {
		s.Shown = shown(p.Unit, 2)
	}
	spread := 0.0
	if p.Range != nil {
		spread = p.Unit.SpanSI(p.Range[1] - p.Range[0])
	}
	change := s.Shown // of a difference: without the zero of the scale
	change.Offset = 0
	switch s.Kind {
	case alarms.HighLimit, alarms.LowLimit:
		s.Subject, s.Deadband = a.Point, share*spread
	case alarms.Deviation:
		s.Subject, s.Shown = fmt.Sprintf("The difference between %s and %s", a.Point, a.Other), change
	case alarms.Stuck:
		s.Subject, s.Shown = "The time that "+a.Point+" has not moved", alarms.Scale{Unit: "min", Factor: 1.0 / 60, Decimals: 1}
		s.OnDelay, s.OffDelay = 0, 0
	case alarms.Rising, alarms.Falling:
		way := map[alarms.Kind]string{alarms.Rising: "rise", alarms.Falling: "fall"}[s.Kind]
		s.Subject = fmt.Sprintf("The %s of %s in %s", way, a.Point, a.Window)
		change.Factor *= a.Window.Seconds()
		s.Shown = change
	default:
		s.Subject = a.Point
	}
	s = adjust(s, a.Set)
	if s.Kind == alarms.Rising || s.Kind == alarms.Falling { // a change within the window
		s.Limit, s.Deadband = s.Limit/a.Window.Seconds(), s.Deadband/a.Window.Seconds()
	}
	return s
}

func signalOf(d units.Dimension) alarms.Signal {
	switch d {
	case units.Flow:
		return alarms.FlowSignal
	case units.Length:
		return alarms.LevelSignal
	case units.Pressure:
		return alarms.PressureSignal
	case units.Temperature:
		return alarms.TemperatureSignal
	default:
		return alarms.OtherSignal
	}
}
