//go:build !minimal

package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// narrator prints what a person would want to read while a watch goes on: the
// figures now and then, and every alarm as it happens.
type narrator struct {
	out   io.Writer
	site  *config.Site
	every time.Duration // of the watch's own time
	next  time.Time
}

// step is called after each step of the agent, from one goroutine.
func (n *narrator) step(s *agent.Snapshot, ts []alarms.Transition) {
	for i := range ts {
		n.alarm(&ts[i])
	}
	if !s.Time.Before(n.next) && settled(s) {
		n.next = s.Time.Add(n.every)
		n.figures(s)
	}
}

// settled reports whether every instrument has been tried once.
func settled(s *agent.Snapshot) bool {
	for i := range s.Figures {
		if f := &s.Figures[i]; f.Kind == plant.PointKind && f.Quality.Reason == reading.NotYetRead {
			return false
		}
	}
	return len(s.Figures) > 0
}

// margin lines up everything that follows a time of day.
const margin = "       "

func (n *narrator) clock(t time.Time) string { return t.In(n.site.TimeZone).Format("15:04") + "  " }

// alarm tells one transition.
func (n *narrator) alarm(t *alarms.Transition) {
	a, when := &t.After, n.clock(t.Time)
	switch t.Cause {
	case alarms.Raised:
		fmt.Fprintf(n.out, "%sALARM, %s: %s (%s)\n", when, a.Priority, a.What, a.Alarm)
		for _, action := range a.FirstAction[:min(2, len(a.FirstAction))] {
			fmt.Fprintf(n.out, "%sdo first: %s\n", margin, action)
		}
	case alarms.Acked:
		fmt.Fprintf(n.out, "%s%s acknowledged %s\n", when, a.AcknowledgedBy, a.Alarm)
	case alarms.OrderRefused:
		fmt.Fprintf(n.out, "%s%s was refused to %s %s: %s\n", when, t.Order.By, t.Order.Verb, a.Alarm, t.Order.Why)
	default:
		fmt.Fprintf(n.out, "%s%s: %s (%s)\n", when, t.Cause, a.What, a.Alarm)
	}
}

// figures prints the state of the plant.
func (n *narrator) figures(s *agent.Snapshot) {
	v := view{map[string]*plant.Figure{}}
	for i := range s.Figures {
		v.byName[s.Figures[i].Name] = &s.Figures[i]
	}
	var rows [][2]string
	for _, g := range n.site.Segments {
		of := func(q plant.Quantity) string { return plant.Name(plant.SegmentKind, g.Name, q) }
		var flows []string // the one or the other has points
		for _, name := range append(g.Flow, g.Inflow...) {
			flows = append(flows, v.text(name, 2))
		}
		rows = append(rows,
			[2]string{g.Name, fmt.Sprintf("flow %s, free chlorine %s, pH %s, %s",
				strings.Join(flows, " + "), v.text(g.Residual, 2), v.number(g.PH, 1), v.text(g.Temperature, 1))},
			[2]string{"", fmt.Sprintf("CT %s, needs %s for Giardia and %s for viruses; ratio %s, T10 %s",
				v.number(of(plant.CT), 1), v.number(of(plant.CTRequiredGiardia), 1), v.text(of(plant.CTRequiredVirus), 1),
				v.number(of(plant.InactivationRatio), 2), v.text(of(plant.T10), 0))})
	}
	for _, tr := range n.site.Trains {
		of := func(q plant.Quantity) string { return v.number(plant.Name(plant.TrainKind, tr.Name, q), 2) }
		rows = append(rows, [2]string{tr.Name, fmt.Sprintf("ratio %s, lowest of the coming hour %s", of(plant.InactivationRatio), of(plant.RatioAhead))})
	}
	for _, b := range n.site.Banks {
		rows = append(rows, [2]string{b.Name, v.bank(b.Name)})
	}
	var gas []string
	for _, d := range n.site.Detectors {
		gas = append(gas, d.Name+" "+v.number(plant.Name(plant.DetectorKind, d.Name, plant.Concentration), 2))
	}
	if len(gas) > 0 {
		rows = append(rows, [2]string{"gas, ppm", strings.Join(gas, ", ")})
	}
	for i, r := range rows {
		lead := margin
		if i == 0 {
			lead = n.clock(s.Time)
		}
		fmt.Fprintf(n.out, "%s%-12s %s\n", lead, r[0], r[1])
	}
}

// view writes figures as text, in words when they are not known.
type view struct{ byName map[string]*plant.Figure }

func (v view) number(name string, decimals int) string {
	f := v.byName[name]
	if f == nil || !f.Quality.Usable() {
		return "unknown"
	}
	return fmt.Sprintf("%.*f", decimals, f.Shown())
}

func (v view) text(name string, decimals int) string {
	s := v.number(name, decimals)
	if f := v.byName[name]; f != nil && f.Quality.Usable() && f.Unit.Symbol != "1" {
		s += " " + f.Unit.Symbol
	}
	return s
}

// bank tells how much is left, how fast it goes and when it ends.
func (v view) bank(bank string) string {
	of := func(q plant.Quantity) string { return plant.Name(plant.BankKind, bank, q) }
	net, limit, empty := "net "+v.text(of(plant.NetWeight), 0), v.text(of(plant.WithdrawalLimit), 0), v.byName[of(plant.TimeToEmpty)]
	switch {
	case empty == nil || !empty.Quality.Usable() && empty.Quality.Reason != reading.Learning:
		return net + ", time to empty unknown"
	case !empty.Quality.Usable():
		return net + ", too early to tell how fast it is drawn; can give " + limit
	case empty.Quality.Reason == reading.NotDrawn:
		return net + ", not measurably drawn; can give " + limit
	case empty.Value == 0:
		return net + ", empty but for what cannot be drawn"
	}
	left := fmt.Sprintf("%.1f h", empty.Value/3600)
	if empty.Value >= 4*24*3600 {
		left = fmt.Sprintf("%.0f days", empty.Value/(24*3600))
	}
	return fmt.Sprintf("%s, drawing %s of %s it can give; empty in %s", net, v.number(of(plant.WithdrawalRate), 0), limit, left)
}
