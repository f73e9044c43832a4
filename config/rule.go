package config

import "time"

// AlarmRule adjusts what holds for any alarm, by its name; what is nil keeps
// what the alarm has.
type AlarmRule struct {
	Alarm    string
	Priority string // empty for that of the alarm
	// OnBad is hold, restart or alarm; empty for what the alarm has.
	OnBad string
	Group string
	// SuppressedBy is a point that suppresses the alarm while it is not 0.
	SuppressedBy                                           string
	OnDelay, OffDelay, ShelveMax, ReAlarm, UnsuppressDelay *time.Duration
	At                                                     int
}

func ruleKeys() []Key {
	return []Key{
		{"alarm_rules", false, "", "what else holds for an alarm, by the alarm's name as ebbwatch check lists it"},
		{"alarm_rules.*", false, "", "a block with any of its keys"},
		{"alarm_rules.*.priority", false, "", "critical, high, medium or low"},
		{"alarm_rules.*.on_delay", false, "", "a duration from 0s to 24h"},
		{"alarm_rules.*.off_delay", false, "", "a duration from 0s to 24h"},
		{"alarm_rules.*.on_bad", false, "", "hold, restart or alarm: what a value that is not usable does while the alarm is not active; hold its on-delay, restart it, or count as the alarm itself"},
		{"alarm_rules.*.shelve_max", false, "", "a duration from 0s, for never, to 7d"},
		{"alarm_rules.*.re_alarm", false, "", "a duration from 0s, for never, to 7d, after which an acknowledged alarm that still stands calls again"},
		{"alarm_rules.*.group", false, "", nameRule + ": alarms of one group tell which came first"},
		{"alarm_rules.*.suppressed_by", false, "", "the name of a point without a unit that suppresses the alarm while it is not 0"},
		{"alarm_rules.*.unsuppress_delay", false, "", "a duration from 0s to 24h, together with suppressed_by, for how long that has to be 0; absent, it lets go at once"},
	}
}

func (r *siteReader) alarmRule(name string, v value) AlarmRule {
	a := AlarmRule{Alarm: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return a
	}
	day := 24 * time.Hour
	for _, d := range []struct {
		key  string
		most time.Duration
		dst  **time.Duration
	}{
		{"on_delay", day, &a.OnDelay}, {"off_delay", day, &a.OffDelay}, {"unsuppress_delay", day, &a.UnsuppressDelay},
		{"shelve_max", 7 * day, &a.ShelveMax}, {"re_alarm", 7 * day, &a.ReAlarm},
	} {
		var t time.Duration
		if b.has(d.key) && b.get(d.key).duration(&t, 0, d.most) {
			*d.dst = &t
		}
	}
	oneOf(b.get("priority"), &a.Priority, "critical", "high", "medium", "low")
	oneOf(b.get("on_bad"), &a.OnBad, "hold", "restart", "alarm")
	b.get("group").name(&a.Group)
	by := b.get("suppressed_by")
	if p, ok := r.any(by, &a.SuppressedBy); ok && p.Unit.Symbol != "1" {
		by.bad("the point " + p.Name + ", which measures " + string(p.Unit.Dimension) + ",")
	}
	if b.has("unsuppress_delay") && !b.has("suppressed_by") {
		v.fault(b.get("unsuppress_delay").line, "unsuppress_delay without suppressed_by in "+v.path, "both")
	}
	return a
}

// NoAlarm is the fault of a rule for an alarm that the site does not have.
func (s *Site) NoAlarm(r AlarmRule, names []string) Fault {
	f := Fault{s.File, r.At, "a rule for the unknown alarm " + quote(r.Alarm), "an alarm that ebbwatch check lists"}
	if near := nearest(r.Alarm, names); len(near) > 0 {
		f.Expected += ", such as " + near[0]
	}
	return f
}
