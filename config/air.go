package config

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ebbwatch/agent/units"
)

// Sensor is what a site file tells of a detector besides its levels.
type Sensor struct {
	// T90 is the time in which the sensor shows 90 % of a step; 0 when it is not
	// known.
	T90 time.Duration
	// WarmUp, DriftLimit, StuckAfter and ZeroStuckAfter are those of air.Settings.
	WarmUp                     time.Duration
	DriftLimit                 units.PartsPerMillion
	StuckAfter, ZeroStuckAfter time.Duration
	// Level3, Exposure15 and Exposure8h are nil when the site has no such alarm.
	Level3, Exposure15, Exposure8h *AlarmSetting
	// Rising is a rate of rise, ppm a second; 0 for no such alarm.
	Rising             float64
	Calibrated, Bumped Service
}

// Service is work that a detector is due for again and again.
type Service struct {
	// Last is the day on which it was done, at its beginning; zero when the site
	// file does not follow it.
	Last  time.Time
	Every time.Duration
}

// Room is a room with detectors. Every room that a detector names is one.
type Room struct {
	Name string
	// Need is how many detectors must show gas for the vote; 0 for no vote.
	Need int
	// BadDetectors is the policy of the vote.
	BadDetectors string
	// Deviation is nil when neighbours are not compared.
	Deviation *AlarmSetting
	// Points of states, and the wind's direction; empty when there are none.
	FanCommanded, AirFlow, Door, Scrubber, WindFrom string
	// Beside are points that are shown with a gas alarm.
	Beside []string
	// Contents are kinds of container that stand there beside those of banks.
	Contents []string
	At       int
}

// The starting values. Common practice, no source.
const (
	exposureLimit, exposureDeadband   = 0.5, 0.1 // ppm
	level3, level3Deadband            = 5, 1     // ppm: half the IDLH of 10 ppm
	deviationLimit, deviationDeadband = 0.5, 0.1 // ppm
)

// airKeys lists the keys of detectors, besides those of the levels, and of rooms.
func airKeys() []Key {
	gas := in("a concentration of gas in air over 0 such as 0.5 ppm", units.GasInAir)
	under := in("a concentration of gas in air of 0 or more, under the limit, such as 0.1 ppm", units.GasInAir)
	const state = "the name of a point that is a state, a number without a unit"
	day := "a day such as 2026-03-01, together with "
	keys := []Key{
		{"detectors.*.t90", false, "", "a duration from 1s to 10m, in which the sensor shows 90 % of a step"},
		{"detectors.*.warm_up", false, "0s", "a duration from 0s to 24h"},
		{"detectors.*.drift_limit", false, "0.3 ppm", in("a concentration of gas in air over 0 such as 0.3 ppm", units.GasInAir)},
		{"detectors.*.stuck_after", false, "1h", "a duration from 1m to 30d"},
		{"detectors.*.zero_stuck_after", false, "", "a duration from 1m to 30d, for a detector whose zero moves"},
		{"detectors.*.rising", false, "", "a rate of rise over 0 such as 0.5 ppm per min (per s, min, h or d)"},
		{"detectors.*.calibrated", false, "", day + "calibrate_every"},
		{"detectors.*.calibrate_every", false, "", "a duration from 1d to 730d, together with calibrated"},
		{"detectors.*.bump_tested", false, "", day + "bump_test_every"},
		{"detectors.*.bump_test_every", false, "", "a duration from 1d to 730d, together with bump_tested"},
	}
	for _, path := range []string{"detectors.*.level_3", "detectors.*.exposure_15min", "detectors.*.exposure_8h"} {
		keys = append(keys, alarm(path, gas, under)...)
	}
	keys = append(keys,
		Key{"gas_notice_within", false, "10s", "a duration from 1s to 90s: the longest time from gas at a sensor, its T90 aside, to the notice leaving"},
		Key{"first_actions", false, "", "a file, its path relative to the site file, with the site's own words of what to do first; ebbwatch check --first-actions en prints the ones to start from"},
		Key{"rooms", false, "", "rooms that detectors name"},
		Key{"rooms.*", false, "", "a block with vote, bad_detectors, deviation, fan_commanded, air_flow, door, scrubber, wind_from, beside and contents"},
		Key{"rooms.*.vote", false, "", "how many of the room's detectors must show gas, such as 2oo3"},
		Key{"rooms.*.bad_detectors", false, "degrade-safe", "trip, degrade-safe, degrade-available or ignore: what a detector that cannot be trusted does to the vote"},
		Key{"rooms.*.fan_commanded", false, "", state},
		Key{"rooms.*.air_flow", false, "", state + ", together with fan_commanded"},
		Key{"rooms.*.door", false, "", state + ", over 0 when the door is open"},
		Key{"rooms.*.scrubber", false, "", state + ", over 0 when the scrubber is ready"},
		Key{"rooms.*.wind_from", false, "", "the name of a point without a unit that shows where the wind comes from, in degrees from north by east"},
		Key{"rooms.*.beside", false, "", "names of points that a gas alarm shows, such as header-vacuum, with commas between"},
		Key{"rooms.*.contents", false, "", "kinds of container that stand there beside those of banks, such as ton, cylinder-150, cylinder-100 or tank-car, with commas between"})
	return append(keys, alarm("rooms.*.deviation", gas, under)...)
}

// optionalAlarm is nil when the site file does not ask for the alarm.
func optionalAlarm(b block, name string, limit, deadband float64) *AlarmSetting {
	if !b.has(name) {
		return nil
	}
	v := b.get(name)
	a := v.alarm(units.GasInAir)
	clears(v, a, limit, deadband)
	return &a
}

// sensor reads what a detector has besides its levels. Two is the limit of its
// second level, p its point when known.
func (r *siteReader) sensor(name string, v value, b block, two float64, p Point, known bool) Sensor {
	var s Sensor
	b.get("t90").duration(&s.T90, time.Second, 10*time.Minute)
	b.get("warm_up").duration(&s.WarmUp, 0, 24*time.Hour)
	span(b.get("drift_limit"), &s.DriftLimit, units.GasInAir, positive)
	b.get("stuck_after").duration(&s.StuckAfter, time.Minute, 30*24*time.Hour)
	b.get("zero_stuck_after").duration(&s.ZeroStuckAfter, time.Minute, 30*24*time.Hour)
	b.get("rising").rate(&s.Rising, units.GasInAir)
	s.Level3 = optionalAlarm(b, "level_3", level3, level3Deadband)
	if s.Level3 != nil {
		third := b.get("level_3")
		three := or(s.Level3.Limit, level3)
		if two >= three {
			v.fault(third.line, fmt.Sprintf("a level_2 limit of %.4g ppm at a level_3 limit of %.4g ppm for %s", two, three, v.path),
				"the limit of level_2 under that of level_3; absent, they are 1 ppm and 5 ppm")
		}
		if known {
			reaches(third, p, three, units.MustParse("ppm"))
		}
		r.alarmName(v, name+"-level-3")
	}
	s.Exposure15 = optionalAlarm(b, "exposure_15min", exposureLimit, exposureDeadband)
	s.Exposure8h = optionalAlarm(b, "exposure_8h", exposureLimit, exposureDeadband)
	s.Calibrated = r.service(b, "calibrated", "calibrate_every")
	s.Bumped = r.service(b, "bump_tested", "bump_test_every")
	for _, a := range []struct {
		is   bool
		name string
	}{{s.Rising > 0, "-rising"}, {s.Exposure15 != nil, "-exposure-15min"}, {s.Exposure8h != nil, "-exposure-8h"}, {!s.Calibrated.Last.IsZero() || !s.Bumped.Last.IsZero(), "-service-due"}} {
		if a.is {
			r.alarmName(v, name+a.name)
		}
	}
	return s
}

func (r *siteReader) service(b block, last, every string) Service {
	var s Service
	b.get(every).duration(&s.Every, 24*time.Hour, 730*24*time.Hour)
	if b.has(last) != b.has(every) {
		one, other := last, every
		if b.has(other) {
			one, other = other, one
		}
		b.fault(b.get(one).line, fmt.Sprintf("%s without %s in %s", one, other, b.path), "both or neither")
	}
	if v := b.get(last); b.has(last) {
		if text, ok := v.scalar(); ok {
			t, err := time.ParseInLocation(time.DateOnly, text, r.location())
			if err != nil {
				v.bad(show(text))
			}
			s.Last = t
		}
	}
	return s
}

// location is the site's time zone, UTC while it is not known.
func (r *siteReader) location() *time.Location {
	if r.timeZone == nil {
		return time.UTC
	}
	return r.timeZone
}

// rooms reads the rooms of the file, and adds those that detectors name.
func (r *siteReader) rooms(v value, detectors []Detector) []Room {
	count := map[string]int{}
	var names []string
	for _, d := range detectors {
		if count[d.Room]++; count[d.Room] == 1 && d.Room != "" {
			names = append(names, d.Room)
		}
	}
	rooms := each(v, func(name string, v value) Room {
		if count[name] == 0 {
			v.fault(v.line, fmt.Sprintf("the room %s, in which no detector is,", quote(name)), "a room that a detector names"+r.such(name, names))
		}
		return r.room(name, v, count[name])
	})
	for _, name := range names {
		if !slices.ContainsFunc(rooms, func(m Room) bool { return m.Name == name }) {
			rooms = append(rooms, Room{Name: name, BadDetectors: "degrade-safe"})
		}
	}
	for _, m := range rooms {
		at := v
		if m.At > 0 {
			at.line, at.path = m.At, "rooms."+m.Name
		} else {
			for _, d := range detectors {
				if d.Room == m.Name {
					at.line, at.path = d.At, "detectors."+d.Name
					break
				}
			}
		}
		if count[m.Name] > 1 {
			r.alarmName(at, m.Name+"-blind")
		}
		if m.Need > 0 {
			r.alarmName(at, m.Name+"-vote")
		}
		if m.Deviation != nil {
			r.alarmName(at, m.Name+"-deviation")
		}
		if m.FanCommanded != "" {
			r.alarmName(at, m.Name+"-ventilation")
		}
	}
	return rooms
}

func (r *siteReader) room(name string, v value, detectors int) Room {
	m := Room{Name: name, At: v.line, BadDetectors: "degrade-safe"}
	b, ok := v.block()
	if !ok {
		return m
	}
	oneOf(b.get("bad_detectors"), &m.BadDetectors, "trip", "degrade-safe", "degrade-available", "ignore")
	if vote := b.get("vote"); b.has("vote") {
		if s, ok := vote.scalar(); ok {
			need, of, _ := strings.Cut(s, "oo")
			n, err := strconv.Atoi(need)
			all, err2 := strconv.Atoi(of)
			switch {
			case err != nil || err2 != nil || n < 1 || n > all:
				vote.bad(show(s))
			case all != detectors:
				vote.fault(vote.line, fmt.Sprintf("%s for %s, which has %d", show(s), vote.path, detectors), fmt.Sprintf("a vote of its %d detectors", detectors))
			}
			m.Need = n
		}
	}
	if d := b.get("deviation"); b.has("deviation") {
		m.Deviation = optionalAlarm(b, "deviation", deviationLimit, deviationDeadband)
		if detectors < 2 {
			d.fault(d.line, fmt.Sprintf("%s for a room with %d detector", d.path, detectors), "two detectors or more to compare")
		}
	}
	for _, p := range []struct {
		key string
		dst *string
	}{{"fan_commanded", &m.FanCommanded}, {"air_flow", &m.AirFlow}, {"door", &m.Door}, {"scrubber", &m.Scrubber}, {"wind_from", &m.WindFrom}} {
		r.refer(b.get(p.key), p.dst, units.Ratio)
	}
	if b.has("fan_commanded") != b.has("air_flow") {
		v.fault(v.line, "only one of fan_commanded and air_flow in "+v.path, "both or neither")
	}
	if p := b.get("beside"); b.has("beside") {
		if s, ok := p.scalar(); ok {
			for _, name := range strings.Split(s, ",") {
				name = strings.TrimSpace(name)
				if _, ok := r.points[name]; !ok {
					p.fault(p.line, "the unknown point "+quote(name)+" for "+p.path, "the name of a point"+r.such(name, r.pointNames))
				}
				m.Beside = append(m.Beside, name)
			}
		}
	}
	if c := b.get("contents"); b.has("contents") {
		if s, ok := c.scalar(); ok {
			for _, kind := range strings.Split(s, ",") {
				kind = strings.TrimSpace(kind)
				if !slices.Contains([]string{"ton", "cylinder-150", "cylinder-100", "tank-car"}, kind) {
					c.bad(show(s))
					break
				}
				m.Contents = append(m.Contents, kind)
			}
		}
	}
	return m
}
