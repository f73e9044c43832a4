//go:build !minimal

package main

import (
	"context"
	"crypto/sha256"
	"net/http"
	"slices"

	"ebbwatch/agent"
	"ebbwatch/agent/page"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/alarms/notify"
	"ebbwatch/config"
)

// openPage makes the page of a site: what takes in the result of each step, and
// what serves it. Orders go to order.
func openPage(site *config.Site, snapshot func() *agent.Snapshot, keys []notify.Role, order func(context.Context, alarms.Order) alarms.Answer) (observe func(*agent.Snapshot), h http.Handler, err error) {
	history := page.NewHistory()
	return history.Observe, page.Handler(page.Options{
		Snapshot: snapshot, Site: pageSite(site), History: history, Roles: pageRoles(keys), Orders: order,
	}), nil
}

// pageSite tells the page how the plant's parts belong together.
func pageSite(s *config.Site) page.Site {
	out := page.Site{Name: s.Name, Title: s.Title, TimeZone: s.TimeZone}
	for _, b := range s.Banks {
		bank := page.Bank{Name: b.Name, Place: b.Place}
		for _, c := range b.Containers {
			bank.Containers = append(bank.Containers, page.Container{Name: c.Name, Weight: c.Scale, Tare: c.Tare, Heel: c.Heel * units.Kilograms(c.Count), Full: full(s, c.Kind) * units.Kilograms(c.Count)})
		}
		out.Banks = append(out.Banks, bank)
	}
	for _, g := range s.Segments {
		seg := page.Segment{Name: g.Name, Residual: g.Residual, PH: g.PH, Temperature: g.Temperature, Level: g.Level}
		if len(g.Flow) == 1 { // the sum of several has no figure
			seg.Flow = g.Flow[0]
		}
		out.Segments = append(out.Segments, seg)
	}
	for _, t := range s.Trains {
		out.Trains = append(out.Trains, page.Train{Name: t.Name, Segments: t.Segments})
	}
	for _, d := range s.Detectors {
		i := slices.IndexFunc(out.Rooms, func(r page.Room) bool { return r.Name == d.Room })
		if i < 0 {
			i = len(out.Rooms)
			out.Rooms = append(out.Rooms, page.Room{Name: d.Room})
		}
		out.Rooms[i].Detectors = append(out.Rooms[i].Detectors, d.Name)
	}
	for _, l := range s.Lines {
		line := page.Line{Name: l.Name, Instruments: []page.Instrument{}}
		for _, in := range s.Instruments {
			if in.Line != l.Name {
				continue
			}
			instrument := page.Instrument{Name: in.Name}
			for _, p := range in.Points {
				instrument.Points = append(instrument.Points, p.Name)
			}
			line.Instruments = append(line.Instruments, instrument)
		}
		if len(line.Instruments) > 0 { // the plant has no figure of an idle line
			out.Lines = append(out.Lines, line)
		}
	}
	for _, a := range alarmSettings(s, guidance.Default()) {
		if a.Kind == alarms.HighLimit || a.Kind == alarms.LowLimit {
			out.Limits = append(out.Limits, page.Limit{Alarm: a.Name, Figure: a.Input, Low: a.Kind == alarms.LowLimit, Value: a.Limit})
		}
	}
	return out
}

// pageRoles gives the page what proves a role's key, and not the key.
func pageRoles(roles []notify.Role) (out []page.Role) {
	for _, r := range roles {
		out = append(out, page.Role{Name: r.Name, KeySum: sha256.Sum256(r.Key)})
	}
	return out
}

// full is what a full container of a kind holds.
func full(s *config.Site, kind string) units.Kilograms {
	for _, k := range s.ContainerKinds {
		if k.Name == kind {
			return k.Net
		}
	}
	return supply.BankSettings{}.Full(kind)
}
