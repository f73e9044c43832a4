package main

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/archive"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/record"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// presentEvery is how often the present day goes to disk: so much of it a power
// cut may cost, which its coverage then shows.
const presentEvery = 10 * time.Minute

// keeper makes the record of a running watch and hands it to the archive.
type keeper struct {
	record  *record.Recorder
	archive *archive.Archive
	items   map[string]units.Unit // those that may be corrected
	zone    *time.Location
	log     *slog.Logger
	last    *agent.Snapshot
	written time.Time
}

// present is what holds at present, for a restart and for who asks meanwhile.
type present struct {
	Written time.Time   `json:"written"`
	Day     *record.Day `json:"day"`
	// Standing are the alarms that are not normal.
	Standing []alarms.Condition `json:"standing"`
	State    json.RawMessage    `json:"state"`
}

// recordDir is where the record of a site is.
func recordDir(site *config.Site) string { return filepath.Join(site.StateDir, "record") }

// recordSettings tell what the record of a site is made of.
func recordSettings(site *config.Site, s plant.Settings, core *plant.Plant) record.Settings {
	out := record.Settings{Zone: site.TimeZone, Figures: core.Figures(), Segments: s.Segments, Trains: s.Trains, EntryPoints: s.EntryPoints, Detectors: s.Detectors, Days: core.Days}
	for i := range s.Banks {
		b := &s.Banks[i]
		out.Banks = append(out.Banks, record.Bank{Name: b.Name, Flow: b.Flow, Fed: b.Fed()})
	}
	out.Totals = func() []record.Totals {
		used, off := core.Drawn()
		totals := make([]record.Totals, len(used))
		for i := range used {
			totals[i] = record.Totals{Used: used[i], Off: off[i]}
		}
		return totals
	}
	for _, r := range site.Residuals {
		if r.Rule == "" {
			out.Residuals = append(out.Residuals, r.Point)
		}
	}
	return out
}

// keepRecord goes on with the record of a site. What cannot be read of the present
// day is told in the log; the days before it are never touched.
func keepRecord(site *config.Site, s plant.Settings, core *plant.Plant, log *slog.Logger) (*keeper, error) {
	r, err := record.New(recordSettings(site, s, core))
	if err != nil {
		return nil, badInput{err}
	}
	k := &keeper{record: r, archive: archive.New(recordDir(site)), items: map[string]units.Unit{}, zone: site.TimeZone, log: log}
	for _, it := range r.Items() {
		k.items[it.Name] = units.MustParse(it.Unit)
	}
	data, err := archive.Present(recordDir(site))
	if data != nil {
		var p present
		if err = json.Unmarshal(data, &p); err == nil {
			err = r.Restore(p.State)
		}
	}
	if err != nil {
		log.Error("the record of the present day cannot be read: it begins anew, and its coverage shows it", "err", err)
	}
	return k, nil
}

// step folds what holds into the record. It is called by the owner goroutine, and
// does not wait for the disk.
func (k *keeper) step(s *agent.Snapshot, ts []alarms.Transition) {
	k.last = s
	entries := k.record.Step(record.Step{Time: s.Time, Figures: s.Figures, Transitions: ts, Performance: s.Performance})
	said := len(entries) > 0
	for i := range ts {
		said = said || ts[i].Order != nil || ts[i].Annunciate
	}
	if !said && s.Time.Sub(k.written).Abs() < presentEvery {
		return
	}
	k.put(entries)
}

func (k *keeper) put(entries []record.Entry) {
	k.written = k.last.Time
	var out []archive.Entry
	for _, e := range entries {
		year := k.last.Time.In(k.zone).Year()
		if e.Day != nil {
			year = e.Day.From.In(k.zone).Year()
		}
		b, err := json.Marshal(e)
		if err != nil {
			k.log.Error("an entry of the record cannot be written", "err", err)
			continue
		}
		out = append(out, archive.Entry{Year: year, Data: b})
	}
	p := present{Written: k.written, Day: k.record.Present(), State: k.record.State(), Standing: []alarms.Condition{}}
	for _, c := range k.last.Conditions {
		if c.State != alarms.Normal {
			p.Standing = append(p.Standing, c)
		}
	}
	b, err := json.Marshal(p)
	if err != nil {
		k.log.Error("the present day of the record cannot be written", "err", err)
	}
	k.archive.Put(out, b)
}

// unknown is the value of what nobody knows.
const unknown = "unknown"

// check completes an order to correct, or refuses it. It may be called from any
// goroutine.
func (k *keeper) check(now time.Time, o alarms.Order) alarms.Order {
	if o.Verb != alarms.Correct || o.Refused != "" {
		return o
	}
	c := &o.Correction
	day, err := time.ParseInLocation(record.DateLayout, c.Date, k.zone)
	unit, known := k.items[c.Item]
	c.Unit = unit.Symbol
	switch {
	case err != nil:
		o.Refused = fmt.Sprintf("%q is no day: expected one such as 2026-05-03", c.Date)
	case day.After(now):
		o.Refused = fmt.Sprintf("%s is to come: expected a day up to today", c.Date)
	case !known:
		o.Refused = fmt.Sprintf("the record has no item %q: ebbwatch record --format csv lists them", c.Item)
	case c.Given == unknown:
	default:
		v, err := quantityIn(c.Given, unit)
		if err != nil {
			o.Refused = fmt.Sprintf("value: %v, or the word %s", err, unknown)
			break
		}
		c.Value = &v
	}
	return o
}

// quantityIn reads a number with its unit as one in another unit. A plain number
// needs none.
func quantityIn(text string, unit units.Unit) (float64, error) {
	v, u, err := units.ParseQuantity(text)
	if bare, e := strconv.ParseFloat(strings.TrimSpace(text), 64); e == nil && unit.Symbol == "1" {
		v, u, err = bare, unit, nil
	}
	switch {
	case err != nil:
		return 0, fmt.Errorf("%w: expected a number with its unit, such as 1 %s", err, unit.Symbol)
	case math.IsNaN(v) || math.IsInf(v, 0):
		return 0, fmt.Errorf("%q is not a finite number", text)
	case u.Dimension != unit.Dimension:
		return 0, fmt.Errorf("%s is a unit of %s, expected one of %s, such as %s", u.Symbol, u.Dimension, unit.Dimension, unit.Symbol)
	}
	return unit.FromSI(u.SI(v)), nil
}

// close writes the present day as it stands. The agent has stopped.
func (k *keeper) close() {
	if k.last != nil {
		k.put(nil)
	}
	k.archive.Flush()
}
