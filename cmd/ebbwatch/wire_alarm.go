package main

import (
	"cmp"
	"fmt"
	"slices"

	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
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

// ruled applies the site's rules to the alarms that they name.
func ruled(all []alarms.Setting, rules []config.AlarmRule) []alarms.Setting {
	for _, r := range rules {
		i := slices.IndexFunc(all, func(a alarms.Setting) bool { return a.Name == r.Alarm })
		if i < 0 { // unknownAlarm tells of it
			continue
		}
		a := &all[i]
		a.Priority = cmp.Or(alarms.Priority(r.Priority), a.Priority)
		a.Group, a.SuppressedBy = cmp.Or(r.Group, a.Group), cmp.Or(r.SuppressedBy, a.SuppressedBy)
		switch r.OnBad {
		case "hold":
			a.OnBad = alarms.Hold
		case "restart":
			a.OnBad = alarms.RestartDelay
		case "alarm":
			a.OnBad = alarms.CountAsAlarm
		}
		set(&a.OnDelay, r.OnDelay)
		set(&a.OffDelay, r.OffDelay)
		set(&a.ShelveMax, r.ShelveMax)
		set(&a.ReAlarm, r.ReAlarm)
		set(&a.UnsuppressDelay, r.UnsuppressDelay)
	}
	return all
}

// unknownAlarms are the faults of rules for alarms that the site does not have.
func unknownAlarms(s *config.Site) error {
	var names []string
	for _, a := range alarmSettings(s, guidance.Default()) {
		names = append(names, a.Name)
	}
	var faults config.Faults
	for _, r := range s.AlarmRules {
		if !slices.Contains(names, r.Alarm) {
			faults = append(faults, s.NoAlarm(r, names))
		}
	}
	if len(faults) == 0 {
		return nil
	}
	return faults
}
