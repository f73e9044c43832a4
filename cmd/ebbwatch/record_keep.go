package main

import (
	"encoding/json"
	"log/slog"
	"path/filepath"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/archive"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/record"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// presentEvery is how often the present day goes to disk: so much of it a power
// cut may cost, which its coverage then shows.
const presentEvery = 10 * time.Minute

// keeper makes the record of a running watch and hands it to the archive.
type keeper struct {
	core    *plant.Plant
	record  *record.Recorder
	archive *archive.Archive
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
	out := record.Settings{Zone: site.TimeZone, Figures: core.Figures(), Segments: s.Segments, Trains: s.Trains, EntryPoints: s.EntryPoints, Detectors: s.Detectors}
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
	k := &keeper{core: core, record: r, archive: archive.New(recordDir(site)), zone: site.TimeZone, log: log}
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
	days, finished := k.core.Days()
	entries := k.record.Step(record.Step{Time: s.Time, Figures: s.Figures, Transitions: ts, Performance: s.Performance, Days: days, Finished: finished})
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

// close writes the present day as it stands. The agent has stopped.
func (k *keeper) close() {
	if k.last != nil {
		k.put(nil)
	}
	k.archive.Flush()
}
