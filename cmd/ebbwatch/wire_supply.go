package main

import (
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/supply"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// banks gives the core the banks of containers.
func banks(s *config.Site, ps *plant.Settings) {
	works := calendar(s).Works
	var kinds []supply.Kind
	for _, k := range s.ContainerKinds {
		kinds = append(kinds, supply.Kind{
			Name: k.Name, Net: k.Net, Nominal: k.Withdrawal, PerKelvin: k.PerKelvin, Header: k.HeaderPressure, GasLeft: k.GasLeft,
		})
	}
	for _, b := range s.Banks {
		pb := plant.Bank{
			Name: b.Name, Place: b.Place, RoomTemperature: b.RoomTemperature, Header: b.Header, HeaderNeeded: b.HeaderPressure,
			Feed: b.Feed, Flow: b.Flow, Dose: dosing(b.Dose), Residual: b.Residual, Demand: dosing(b.Demand),
			Stock: b.Stock, Orders: b.LeadDays != nil, Hours: s.Staffed != nil, Reportable: b.ReportableLoss,
			Settings: supply.BankSettings{
				Kinds: kinds, Header: b.HeaderPressure, Liquid: b.Liquid, FeedError: b.FeedError, FeedGain: b.FeedGain,
				Zone: s.TimeZone, Works: works, Staffed: func(at time.Time) bool { return s.Staffs(at, works(at)) },
			},
		}
		if b.LeadDays != nil {
			pb.Settings.LeadDays = *b.LeadDays
		}
		for _, c := range b.Containers {
			pb.Scales, pb.Valves = append(pb.Scales, c.Scale), append(pb.Valves, c.Valve)
			pb.Settings.Containers = append(pb.Settings.Containers, supply.ContainerSettings{
				Name: c.Name, Kind: c.Kind, Count: c.Count, Group: c.Group, Tare: c.Tare, Heel: c.Heel,
				Division: c.Division, Noise: c.Noise, Drift: c.Drift, Wander: c.Wander,
			})
		}
		ps.Banks = append(ps.Banks, pb)
	}
}

func dosing(s config.Signal) plant.Signal {
	return plant.Signal{Point: s.Point, Value: float64(s.Value)}
}

// calendar knows the days on which people work.
func calendar(s *config.Site) contact.Calendar {
	c := contact.Calendar{Zone: s.TimeZone}
	for _, d := range s.Holidays {
		c.Holidays = append(c.Holidays, contact.Date{Year: d.Year(), Month: d.Month(), Day: d.Day()})
	}
	return c
}

// bankAlarms are those of containers and banks.
func bankAlarms(s *config.Site, add func(alarms.Setting, config.AlarmSetting)) {
	none := config.AlarmSetting{}
	for _, b := range s.Banks {
		figure := func(q plant.Quantity) string { return plant.Name(plant.BankKind, b.Name, q) }
		of := func(a func(bank, place, input string) alarms.Setting, q plant.Quantity, by config.AlarmSetting) {
			add(a(b.Name, b.Place, figure(q)), by)
		}
		if !b.Liquid {
			add(alarms.WithdrawalHigh(b.Name, b.Place, figure(plant.WithdrawalRatio), figure(plant.Overdrawn)), b.WithdrawalHigh)
			of(alarms.BankOverdrawn, plant.Overdrawn, none)
		}
		of(alarms.EmptyNotice, plant.TimeToEmpty, b.EmptyNotice)
		of(alarms.EmptyUrgent, plant.TimeToEmpty, b.EmptyUrgent)
		if b.Standby() {
			of(alarms.StandbyEmpty, plant.TimeToEmptyStandby, b.StandbyEmpty)
		}
		if b.LeadDays != nil {
			of(alarms.OrderDue, plant.TimeToOrder, b.OrderDue)
		}
		if s.Staffed != nil {
			of(alarms.ChangeoverUnstaffed, plant.ChangeoverUnstaffed, none)
		}
		if b.Fed() {
			of(alarms.BankUnaccounted, plant.Unaccounted, none)
			of(alarms.LossReportable, plant.LossReportable, none)
			of(alarms.BankFeedLost, plant.FeedLost, none)
		}
		if b.Header != "" {
			of(alarms.HeaderLow, plant.HeaderLow, none)
		}
		of(alarms.ScaleStuck, plant.ScaleStuck, none)
		of(alarms.WeightMoved, plant.WeightMoved, none)
		of(alarms.ContainerOff, plant.ContainerOff, none)
		of(alarms.TareDoubtful, plant.TareDoubtful, none)
	}
}
