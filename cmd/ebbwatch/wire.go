package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"
)

// This file is the only place that turns a checked site into the settings of
// the parts that do the work.

// lines gives the field its lines and points.
func lines(s *config.Site) []field.Line {
	gas := map[string]bool{}
	for _, d := range s.Detectors {
		gas[d.Concentration] = true
	}
	var out []field.Line
	for _, l := range s.Lines {
		fl := field.Line{
			Name: l.Name, Kind: field.Kind(l.Kind), Address: l.Address, Device: l.Device,
			Baud: l.Baud, Parity: l.Parity, StopBits: l.StopBits, DataBits: l.DataBits, Timeout: l.Timeout,
		}
		if l.RS485 != nil {
			fl.RS485 = &field.RS485{SendLow: l.RS485.SendLow, BeforeSend: l.RS485.BeforeSend, AfterSend: l.RS485.AfterSend}
		}
		for _, in := range s.Instruments {
			if in.Line != l.Name {
				continue
			}
			fi := field.Instrument{Name: in.Name, Unit: in.Unit, Every: in.Every, Urgent: in.Urgent}
			for _, s := range in.Unreadable {
				fi.Unreadable = append(fi.Unreadable, field.Span{Table: field.Table(s.Table), From: s.From, To: s.To})
			}
			for _, p := range in.Points {
				fi.Points = append(fi.Points, field.Point{
					Name: p.Name, Table: field.Table(p.Table), Address: p.Address, Every: p.Every,
					Type: p.Type, Registers: p.Registers, Expect: p.Expect, Order: p.Order,
					Bit: p.Bit, Bits: p.Bits, NoReading: p.NoReading, Current: p.Current, Bands: p.Bands,
					Scale: p.Scale, Offset: p.Offset, Unit: p.Unit, Range: p.Range,
					// Gas over the range of a detector is the last thing to hide.
					KeepOverRange: gas[p.Name],
				})
			}
			fl.Instruments = append(fl.Instruments, fi)
		}
		out = append(out, fl)
	}
	return out
}

// plantSettings gives the core what to compute.
func plantSettings(s *config.Site) plant.Settings {
	ps := plant.Settings{Shown: plant.Shown{Mass: units.MustParse("kg"), MassFlow: units.MustParse("kg/d")}}
	if s.Display == config.US {
		ps.Shown = plant.Shown{Mass: units.MustParse("lb"), MassFlow: units.MustParse("lb/d")}
	}
	ps.Shown.TimeZone = s.TimeZone
	pointOf := map[string]config.Point{}
	for _, l := range s.Lines {
		ps.Lines = append(ps.Lines, plant.Line{Name: l.Name, Device: l.Device, Address: l.Address, Serial: l.Kind != config.TCP})
	}
	for _, in := range s.Instruments {
		ps.Instruments = append(ps.Instruments, plant.Instrument{Name: in.Name, Line: in.Line, Unit: in.Unit})
		for _, p := range in.Points {
			pointOf[p.Name] = p
			ps.Points = append(ps.Points, plant.Point{
				Name: p.Name, Instrument: in.Name, Unit: p.Unit, Every: p.Every, StaleAfter: p.StaleAfter,
				RateLimit: p.RateLimit, StuckAfter: p.StuckAfter, StuckWithin: p.StuckWithin, Status: statuses(p),
			})
		}
	}
	water(s, &ps)
	banks(s, &ps)
	for _, d := range s.Detectors {
		ps.Detectors = append(ps.Detectors, detectorSettings(d, pointOf[d.Concentration]))
	}
	for _, m := range s.Rooms {
		ps.Rooms = append(ps.Rooms, roomSettings(m))
	}
	return ps
}

// statuses are the points that tell how far a point can be trusted.
func statuses(p config.Point) []plant.Status {
	var out []plant.Status
	for _, s := range p.Status {
		q := reading.BadBecause(s.Means) // the words of the site file are those of the reasons
		if s.Quality == "uncertain" {
			q.Level = reading.Uncertain
		}
		out = append(out, plant.Status{Point: s.Point, When: s.When, Quality: q})
	}
	return out
}

// alarmSettings applies the site's adjustments to the catalogue.
func alarmSettings(s *config.Site, words guidance.Words) []alarms.Setting {
	var out []alarms.Setting
	add := func(a alarms.Setting, by config.AlarmSetting) { out = append(out, adjust(a, by)) }
	pointOf := map[string]config.Point{}
	way := map[string]string{}
	for _, l := range s.Lines {
		way[l.Name] = reach(l)
		if slices.ContainsFunc(s.Instruments, func(in config.Instrument) bool { return in.Line == l.Name }) {
			add(alarms.LineLost(l.Name, way[l.Name], plant.Name(plant.LineKind, l.Name, plant.Lost)), config.AlarmSetting{})
			add(alarms.LineOverrun(l.Name, way[l.Name], plant.Name(plant.LineKind, l.Name, plant.Pace)), config.AlarmSetting{})
		}
	}
	for _, in := range s.Instruments {
		where := fmt.Sprintf("unit %d on %s, %s", in.Unit, in.Line, way[in.Line])
		add(alarms.InstrumentLost(in.Name, in.Line, where, plant.Name(plant.InstrumentKind, in.Name, plant.Lost)), in.Lost)
		add(alarms.InstrumentDoubtful(in.Name, in.Line, where, plant.Name(plant.InstrumentKind, in.Name, plant.Doubtful)), config.AlarmSetting{})
		for _, p := range in.Points {
			pointOf[p.Name] = p
		}
	}
	for _, r := range s.Residuals {
		a := alarms.ResidualLow(r.Point, r.Place, r.Point)
		a.Shown = shown(pointOf[r.Point].Unit, 2)
		add(a, r.Low)
	}
	waterAlarms(s, add)
	bankAlarms(s, add)
	airAlarms(s, words, add)
	for _, a := range s.Alarms {
		out = append(out, ownAlarm(a, pointOf[a.Point]))
	}
	return ruled(out, s.AlarmRules)
}

// reach says which cable a line is.
func reach(l config.Line) string {
	kind := strings.ReplaceAll(strings.ToUpper(string(l.Kind)), "-OVER-", " over ")
	if l.Device != "" {
		return fmt.Sprintf("Modbus %s on %s", kind, l.Device)
	}
	return fmt.Sprintf("Modbus %s at %s", kind, l.Address)
}

func adjust(a alarms.Setting, by config.AlarmSetting) alarms.Setting {
	if by.Limit != nil && *by.Limit != a.Limit {
		a.Source = ""
	}
	set(&a.Limit, by.Limit)
	set(&a.Deadband, by.Deadband)
	set(&a.OnDelay, by.OnDelay)
	set(&a.OffDelay, by.OffDelay)
	return a
}

func set[T float64 | time.Duration](to *T, from *T) {
	if from != nil {
		*to = *from
	}
}

// shown lets an alarm show values in a unit.
func shown(u units.Unit, decimals int) alarms.Scale {
	zero := u.FromSI(0)
	return alarms.Scale{Unit: u.Symbol, Factor: u.FromSI(1) - zero, Offset: zero, Decimals: decimals}
}
