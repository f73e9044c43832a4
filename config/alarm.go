package config

import (
	"fmt"
	"slices"
	"time"
)

// Alarm is one that the site adds to those of the catalogue.
type Alarm struct {
	Name, Kind string
	// Point is what it watches. Other is the point to compare with, or the one
	// that must be over zero for a value to count as stuck; empty for none.
	Point, Other string
	// Window is that of a change: the limit is the change within it.
	Window   time.Duration
	Set      AlarmSetting
	Latching bool
	Priority string
	// Place to RespondWithin are for people.
	Place, LikelyCause, Consequence, FirstAction string
	RespondWithin, ShelveMax                     time.Duration
	At                                           int
}

// ownNames are those of the alarms that ebbwatch has about itself, and the one
// under which it keeps what concerns no alarm.
var ownNames = []string{"journal-lost", "journal-failing", "mqtt-failing", "notices-failing", "site"}

// The kinds of alarm that a site can add.
var alarmKinds = []string{"high", "low", "rising", "falling", "deviation", "state", "stuck", "stale"}

func alarmKeys() []Key {
	return []Key{
		{"alarms", false, "", "alarms beside those of the catalogue, by name"},
		{"alarms.*", false, "", "a block with kind, point, priority, place, consequence, first_action and respond_within"},
		{"alarms.*.kind", must, "", "high, low, rising, falling, deviation, state, stuck or stale"},
		{"alarms.*.point", must, "", "the name of a point"},
		{"alarms.*.other", false, "", "the name of a point: for deviation the one to compare with, for stuck one that is over 0 while the value must move"},
		{"alarms.*.limit", false, "", "a value in a unit of what the point measures, such as 4 ft; for rising and falling the change within the window, for deviation the difference, both over 0; for stuck a duration from 10s to 30d; absent for state and stale"},
		{"alarms.*.deadband", false, "", "a difference of 0 or more in a unit of what the point measures, such as 0.1 ft, for high, low, rising, falling and deviation"},
		{"alarms.*.window", false, "", "a duration from 10s to 24h, for rising and falling"},
		{"alarms.*.on_delay", false, "", "a duration from 0s to 24h"},
		{"alarms.*.off_delay", false, "", "a duration from 0s to 24h"},
		{"alarms.*.latching", false, "no", "yes or no"},
		{"alarms.*.priority", must, "", "critical, high, medium or low"},
		{"alarms.*.place", must, "", "where it is, for people, on one line"},
		{"alarms.*.likely_cause", false, "", "what mostly causes it, for people, on one line"},
		{"alarms.*.consequence", must, "", "what happens when nobody acts, for people, on one line"},
		{"alarms.*.first_action", must, "", "what to do first, for people, on one line"},
		{"alarms.*.respond_within", must, "", "a duration from 1m to 7d"},
		{"alarms.*.shelve_max", false, "8h", "a duration from 0s, for never, to 7d"},
	}
}

func (r *siteReader) alarm(name string, v value) Alarm {
	a := Alarm{Name: name, ShelveMax: 8 * time.Hour, At: v.line}
	b, ok := v.block()
	if !ok {
		return a
	}
	r.alarmName(v, name)
	kindOK := oneOf(b.get("kind"), &a.Kind, alarmKinds...)
	p, pointOK := r.any(b.get("point"), &a.Point)
	day := 24 * time.Hour
	set := func(key string, dst **time.Duration) {
		var d time.Duration
		if b.get(key).duration(&d, 0, day) {
			*dst = &d
		}
	}
	set("on_delay", &a.Set.OnDelay)
	set("off_delay", &a.Set.OffDelay)
	b.get("window").duration(&a.Window, 10*time.Second, day)
	a.Latching = b.get("latching").yes()
	oneOf(b.get("priority"), &a.Priority, "critical", "high", "medium", "low")
	b.get("place").text(&a.Place)
	b.get("likely_cause").text(&a.LikelyCause)
	b.get("consequence").text(&a.Consequence)
	b.get("first_action").text(&a.FirstAction)
	b.get("respond_within").duration(&a.RespondWithin, time.Minute, 7*day)
	b.get("shelve_max").duration(&a.ShelveMax, 0, 7*day)
	other := b.get("other")
	q, otherOK := r.any(other, &a.Other)
	if !kindOK || !pointOK {
		return a
	}
	is := func(kinds ...string) bool { return slices.Contains(kinds, a.Kind) }
	for _, k := range []struct {
		key         string
		needs, may  bool
		description string
	}{
		{"limit", !is("state", "stale"), !is("state", "stale"), "all kinds but state and stale"},
		{"deadband", false, !is("state", "stale", "stuck"), "all kinds but state, stale and stuck"},
		{"window", is("rising", "falling"), is("rising", "falling"), "rising and falling"},
		{"other", is("deviation"), is("deviation", "stuck"), "deviation, and for stuck if need be"},
	} {
		switch has := b.has(k.key); {
		case has && !k.may:
			v.fault(b.get(k.key).line, fmt.Sprintf("%s for %s of the kind %s", k.key, v.path, a.Kind), k.key+" for "+k.description+" only")
		case !has && k.needs:
			v.fault(v.line, fmt.Sprintf("no %s for %s of the kind %s", k.key, v.path, a.Kind), b.get(k.key).keys[b.get(k.key).key].Expects)
		}
	}
	if is("state", "stale") {
		return a
	}
	if p.Unit.IsZero() || p.Type == "text" {
		b.get("point").bad(fmt.Sprintf("the point %s, which is no number,", p.Name))
		return a
	}
	if is("deviation") && otherOK && q.Unit.Dimension != p.Unit.Dimension {
		other.bad(fmt.Sprintf("the point %s, which measures something else than %s,", q.Name, p.Name))
	}
	var limit, deadband float64
	var t time.Duration
	given := false
	switch l := b.get("limit"); {
	case is("stuck"):
		given = l.duration(&t, 10*time.Second, 30*day)
		limit = t.Seconds()
	case is("high", "low"):
		if given = quantity(l, &limit, p.Unit.Dimension, func(float64) bool { return true }); given {
			reaches(l, p, limit, p.Unit)
		}
	default:
		given = span(l, &limit, p.Unit.Dimension, positive)
	}
	if given {
		a.Set.Limit = &limit
	}
	if span(b.get("deadband"), &deadband, p.Unit.Dimension, notNegative) {
		a.Set.Deadband = &deadband
	}
	if given && !is("high", "low", "stuck") && deadband >= limit {
		v.fault(b.get("deadband").line, "a deadband of the limit or more for "+v.path, "a deadband under the limit, or the alarm never clears")
	}
	return a
}

// any reads the name of a point, whatever it measures.
func (r *siteReader) any(v value, dst *string) (Point, bool) {
	s, ok := v.scalar()
	if !ok {
		return Point{}, false
	}
	*dst = s
	p, ok := r.points[s]
	if !ok {
		v.bad("the unknown point " + quote(s))
	}
	return p, ok
}
