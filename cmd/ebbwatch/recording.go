package main

import (
	"cmp"
	"path/filepath"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/recording"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// What an agent says of its ways out.
const (
	recordFigure  = "self.record"
	brokerFigure  = "self.mqtt"
	noticesFigure = "self.notices"
)

// selfAlarms are the alarms of a site's agent over itself, in the order in which it
// steps them: first those of its memory, then one for each of its watches.
func selfAlarms(site *config.Site, w watching) []alarms.Setting {
	own := append(agent.MemoryAlarms(), w.realTime(alarms.RecordFailing(recordFigure)))
	if site.MQTT != nil {
		own = append(own, w.realTime(alarms.BrokerFailing(brokerFigure)))
	}
	if len(site.Webhooks) > 0 || site.Escalation != nil && len(addressees(site)) > 0 {
		own = append(own, w.realTime(alarms.NoticesFailing(noticesFigure)))
	}
	return own
}

// plantSettings are those of the site, its periods in the time of now.
func (w watching) plantSettings(site *config.Site) plant.Settings {
	s := plantSettings(site)
	for i := range s.Points {
		s.Points[i].Every = time.Duration(cmp.Or(w.speed, 1) * float64(s.Points[i].Every))
	}
	return s
}

// recordedPoints are the units that values are recorded in.
func recordedPoints(s plant.Settings) recording.Points {
	points := recording.Points{}
	for _, p := range s.Points {
		points[p.Name] = p.Unit
	}
	return points
}

// recordingDir is where the daemon keeps its recording.
func recordingDir(site *config.Site) string { return filepath.Join(site.StateDir, "recording") }

// record starts the recorder that the site asks for, or returns nil.
func (w watching) record(site *config.Site, s plant.Settings) *recording.Recorder {
	if site.Recording == nil {
		return nil
	}
	return recording.Start(recording.Options{
		Dir: cmp.Or(w.recording, recordingDir(site)), Site: site.Name, Points: recordedPoints(s),
		MaxBytes: site.Recording.MaxBytes, MaxAge: site.Recording.MaxAge, Speed: w.speed, Log: w.log,
	})
}
