package main

import (
	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// water gives the core the segments, trains and entry points.
func water(s *config.Site, ps *plant.Settings) {
	for _, g := range s.Segments {
		sg := plant.Segment{
			Name: g.Name, Residual: g.Residual, PH: g.PH, Temperature: g.Temperature, Flow: g.Flow, Level: g.Level,
			ResidualIn: g.ResidualIn, Decay: g.Decay, Within: g.AgreeWithin, Blank: float64(g.NoResidualUnder),
			Settings: contact.Settings{
				Volume: g.Volume, LevelFull: g.LevelFull, BafflingFactor: g.BafflingFactor,
				GiardiaLog: g.GiardiaLog, VirusLog: g.VirusLog,
				Method: contact.Method(g.Method), // the words of the site file are its own
				Target: g.Target, FlowsIn: len(g.Inflow) > 0,
			},
		}
		if sg.Settings.FlowsIn {
			sg.Flow = g.Inflow
		}
		ps.Segments = append(ps.Segments, sg)
	}
	for _, t := range s.Trains {
		tr := plant.Train{Name: t.Name, Segments: t.Segments, GiardiaLog: t.GiardiaLog, VirusLog: t.VirusLog}
		if giardia, virus, ok := contact.Filtration(t.Filtration).LeftToDisinfection(); ok {
			tr.GiardiaLog, tr.VirusLog, tr.Filtration = giardia, virus, contact.Filtration(t.Filtration)
		}
		ps.Trains = append(ps.Trains, tr)
	}
	days := calendar(s)
	for _, r := range s.Residuals {
		if r.Rule == "" {
			continue
		}
		e := plant.EntryPoint{Point: r.Point, Calendar: days}
		e.Residual, e.Analyser = rules(r)
		ps.EntryPoints = append(ps.EntryPoints, e)
	}
}

// rules are those of an entry point.
func rules(r config.Residual) (contact.ResidualRule, contact.AnalyserRule) {
	if r.Rule == "ground-water" {
		return contact.GroundWaterRule(float64(r.Least)), contact.GroundWaterAnalyser
	}
	return contact.SurfaceWaterRule, contact.SurfaceWaterAnalyser
}

// waterAlarms are those of segments, trains and entry points.
func waterAlarms(s *config.Site, add func(alarms.Setting, config.AlarmSetting)) {
	inTrain := map[string]bool{}
	for _, t := range s.Trains {
		for _, name := range t.Segments {
			inTrain[name] = true
		}
	}
	for _, g := range s.Segments {
		// The train speaks for its segments, but for what the site asks of one.
		own := func(by config.AlarmSetting) bool { return !inTrain[g.Name] || by != config.AlarmSetting{} }
		if own(g.InactivationLow) {
			add(alarms.InactivationLow(g.Name, plant.Name(plant.SegmentKind, g.Name, plant.InactivationRatio)), g.InactivationLow)
		}
		if own(g.RatioAheadLow) {
			ahead := alarms.RatioAheadLow(g.Name, plant.Name(plant.SegmentKind, g.Name, plant.RatioAhead))
			ahead.Limit = g.Target
			add(ahead, g.RatioAheadLow)
		}
	}
	for _, t := range s.Trains {
		figure := func(q plant.Quantity) string { return plant.Name(plant.TrainKind, t.Name, q) }
		add(alarms.TrainInactivationLow(t.Name, figure(plant.InactivationRatio)), t.InactivationLow)
		add(alarms.TrainRatioAheadLow(t.Name, figure(plant.RatioAhead)), t.RatioAheadLow)
	}
	entries := false
	for _, r := range s.Residuals {
		if r.Rule == "" {
			continue
		}
		entries = true
		figure := func(q plant.Quantity) string { return plant.Name(plant.EntryKind, r.Point, q) }
		as := []alarms.Setting{
			alarms.GrabDue(r.Point, r.Place, figure(plant.GrabSampleDue)),
			alarms.GrabOverdue(r.Point, r.Place, figure(plant.GrabSampleDue)),
			alarms.AnalyserBackDue(r.Point, r.Place, figure(plant.AnalyserBackIn)),
		}
		rule, _ := rules(r)
		for _, stage := range []alarms.Stage{alarms.Started, alarms.Half, alarms.Limit} {
			as = append(as, alarms.ResidualUnder(r.Point, r.Place, figure(plant.UnderResidual), rule.Least, rule.Allowed, stage))
		}
		for _, a := range as {
			add(a, config.AlarmSetting{})
		}
	}
	if entries {
		add(alarms.DistributionResidualHigh(plant.Name(plant.DistributionKind, plant.Distribution, plant.AnnualAverage)), config.AlarmSetting{})
	}
}
