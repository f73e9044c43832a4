package main

import (
	"fmt"
	"os"

	"ebbwatch/agent/air"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"
)

// firstWords are the site's words of what to do first, or those of ebbwatch.
func firstWords(s *config.Site) (guidance.Words, error) {
	if s.FirstActions == "" {
		return guidance.Default(), nil
	}
	text, err := os.ReadFile(s.FirstActions)
	if err != nil {
		return guidance.Words{}, badInput{fmt.Errorf("first_actions: %w: write it with ebbwatch check --first-actions en, or take the key out", err)}
	}
	w, err := guidance.Parse(s.FirstActions, string(text))
	if err != nil {
		return guidance.Words{}, badInput{err}
	}
	return w, nil
}

// detectorSettings gives the core a detector, which is read from a point.
func detectorSettings(d config.Detector, p config.Point) plant.Detector {
	limit := func(level int, by config.AlarmSetting) units.PartsPerMillion {
		return units.PartsPerMillion(adjust(alarms.DetectorLevel(d.Name, d.Room, "", level), by).Limit)
	}
	pd := plant.Detector{
		Name: d.Name, Concentration: d.Concentration, Room: d.Room,
		Settings: air.Settings{
			Level1: limit(1, d.Level1), Level2: limit(2, d.Level2), NoiseFloor: air.DefaultNoiseFloor,
			DriftLimit: d.Sensor.DriftLimit, StuckAfter: d.Sensor.StuckAfter, ZeroStuckAfter: d.Sensor.ZeroStuckAfter, WarmUp: d.Sensor.WarmUp,
		},
	}
	if p.Range != nil {
		pd.Settings.FullScale = units.PartsPerMillion(p.Unit.SI(p.Range[1]))
	}
	if d.Sensor.Level3 != nil {
		pd.Settings.Level3 = limit(3, *d.Sensor.Level3)
	}
	for _, s := range []struct {
		work plant.Work
		config.Service
	}{{plant.Calibration, d.Sensor.Calibrated}, {plant.BumpTest, d.Sensor.Bumped}} {
		if !s.Last.IsZero() {
			pd.Services = append(pd.Services, plant.Service{Work: s.work, Last: s.Last, Every: s.Every})
		}
	}
	return pd
}

// roomSettings gives the core a room.
func roomSettings(m config.Room) plant.Room {
	return plant.Room{
		Name: m.Name, Need: m.Need, Policy: air.Policy(m.BadDetectors), // the words of the site file are those of the policies
		FanCommanded: m.FanCommanded, AirFlow: m.AirFlow, Door: m.Door, Scrubber: m.Scrubber, WindFrom: m.WindFrom, Beside: m.Beside,
	}
}

// contents are the kinds of container that stand in a room.
func contents(s *config.Site, room string) []guidance.Kind {
	var kinds []guidance.Kind
	for _, b := range s.Banks {
		for _, c := range b.Containers {
			if b.Place == room {
				kinds = append(kinds, guidance.Kind(c.Kind))
			}
		}
	}
	for _, m := range s.Rooms {
		for _, k := range m.Contents {
			if m.Name == room {
				kinds = append(kinds, guidance.Kind(k))
			}
		}
	}
	return kinds
}

// airAlarms are those of detectors and rooms.
func airAlarms(s *config.Site, words guidance.Words, add func(alarms.Setting, config.AlarmSetting)) {
	first := func(room string, level int) []string { return words.FirstActions(room, contents(s, room), level) }
	detectors := map[string]int{}
	for _, d := range s.Detectors {
		detectors[d.Room]++
		add := func(a alarms.Setting, by config.AlarmSetting) {
			a.Detector = d.Name
			if a.Group != "" {
				a.AtTest = words.AtTest()
			}
			add(a, by)
		}
		figure := func(q plant.Quantity) string { return plant.Name(plant.DetectorKind, d.Name, q) }
		level := func(n int, by config.AlarmSetting) {
			add(alarms.DetectorLevel(d.Name, d.Room, figure(plant.Concentration), n, first(d.Room, n)...), by)
		}
		level(1, d.Level1)
		level(2, d.Level2)
		if d.Sensor.Level3 != nil {
			level(3, *d.Sensor.Level3)
		}
		if d.Sensor.Rising > 0 {
			add(alarms.DetectorRising(d.Name, d.Room, figure(plant.Rise), d.Sensor.Rising, first(d.Room, 1)...), config.AlarmSetting{})
		}
		if d.Sensor.Exposure15 != nil {
			add(alarms.ExposureHigh(d.Name, d.Room, "15min", figure(plant.ShortTerm)), *d.Sensor.Exposure15)
		}
		if d.Sensor.Exposure8h != nil {
			add(alarms.ExposureHigh(d.Name, d.Room, "8h", figure(plant.EightHour)), *d.Sensor.Exposure8h)
		}
		add(alarms.DetectorUnavailable(d.Name, d.Room, figure(plant.Unavailable)), d.Unavailable)
		if !d.Sensor.Calibrated.Last.IsZero() || !d.Sensor.Bumped.Last.IsZero() {
			add(alarms.DetectorOverdue(d.Name, d.Room, figure(plant.Overdue)), config.AlarmSetting{})
		}
	}
	for _, m := range s.Rooms {
		figure := func(q plant.Quantity) string { return plant.Name(plant.RoomKind, m.Name, q) }
		if m.Need > 0 {
			add(alarms.RoomVote(m.Name, figure(plant.Vote), first(m.Name, 2)...), config.AlarmSetting{})
		}
		if detectors[m.Name] > 1 {
			add(alarms.RoomBlind(m.Name, figure(plant.Blind)), config.AlarmSetting{})
		}
		if m.Deviation != nil {
			add(alarms.RoomDeviation(m.Name, figure(plant.Deviation), figure(plant.Calling)), *m.Deviation)
		}
		if m.FanCommanded != "" {
			add(alarms.VentilationFailed(m.Name, figure(plant.Ventilation)), config.AlarmSetting{})
		}
	}
}
