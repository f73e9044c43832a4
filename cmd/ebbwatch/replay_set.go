package main

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

const settable = "ALARM.limit, ALARM.deadband, ALARM.on_delay, ALARM.off_delay or ALARM.priority, an equals sign and a value"

// change carries out one --set, ALARM.SETTING=VALUE.
func change(rules []alarms.Setting, text string) error {
	key, value, ok := strings.Cut(text, "=")
	name, what, dotted := strings.Cut(strings.TrimSpace(key), ".")
	value = strings.TrimSpace(value)
	if !ok || !dotted {
		return fmt.Errorf("--set %q: expected %s", text, settable)
	}
	i := slices.IndexFunc(rules, func(a alarms.Setting) bool { return a.Name == name })
	if i < 0 {
		return fmt.Errorf("--set %q: the site has no alarm %s; expected %s", text, name, nearAlarms(name, rules))
	}
	a := &rules[i]
	switch what {
	case "on_delay":
		return changeDelay(&a.OnDelay, text, value)
	case "off_delay":
		return changeDelay(&a.OffDelay, text, value)
	case "limit":
		a.Source = "" // it was that of another limit
		return changeNumber(&a.Limit, a, text, value, false)
	case "deadband":
		return changeNumber(&a.Deadband, a, text, value, true)
	case "priority":
		if alarms.Priority(value).Rank() == 0 {
			return fmt.Errorf("--set %q: expected critical, high, medium or low", text)
		}
		a.Priority = alarms.Priority(value)
		return nil
	}
	return fmt.Errorf("--set %q: an alarm has no setting %q; expected %s", text, what, settable)
}

// nearAlarms are the alarms that a wrong name may have meant: those that share a word.
func nearAlarms(name string, rules []alarms.Setting) string {
	shared := func(a string) (n int) {
		for _, word := range strings.Split(name, "-") {
			if slices.Contains(strings.Split(a, "-"), word) {
				n += len(word)
			}
		}
		return n
	}
	var names []string
	for _, a := range rules {
		if shared(a.Name) > 0 {
			names = append(names, a.Name)
		}
	}
	if names == nil {
		return "one of those that ebbwatch check lists"
	}
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(shared(b), shared(a)) })
	return "a name such as " + strings.Join(names[:min(3, len(names))], ", ") + "; ebbwatch check lists them"
}

func changeDelay(to *time.Duration, text, value string) error {
	d, err := time.ParseDuration(value)
	if err != nil || d < 0 || d > 24*time.Hour {
		return fmt.Errorf("--set %q: expected a duration from 0s to 24h, such as 90s", text)
	}
	*to = d
	return nil
}

// changeNumber reads a number with its unit, or one in the unit that the alarm shows.
func changeNumber(to *float64, a *alarms.Setting, text, value string, span bool) error {
	if a.Kind == alarms.StateOn || a.Kind == alarms.Stale {
		return fmt.Errorf("--set %q: the alarm watches a state and has no number; expected %s.on_delay, %[2]s.off_delay or %[2]s.priority", text, a.Name)
	}
	shown, err := units.Parse(cmp.Or(a.Shown.Unit, "1"))
	if err != nil {
		return err
	}
	v, u, err := units.ParseQuantity(value)
	if err != nil {
		v, u, err = units.ParseQuantity(value + " " + shown.Symbol)
	}
	if err != nil || u.Dimension != shown.Dimension {
		return fmt.Errorf("--set %q: expected a number with one of the units %s", text, strings.Join(units.Symbols(shown.Dimension), ", "))
	}
	switch {
	case span && v < 0:
		return fmt.Errorf("--set %q: expected a deadband of 0 or more", text)
	case span || a.Kind == alarms.Deviation:
		*to = u.SpanSI(v)
	case a.Kind == alarms.Rising || a.Kind == alarms.Falling: // a change within the window
		*to = u.SpanSI(v) / a.Window.Seconds()
	default:
		*to = u.SI(v)
	}
	if span && (a.Kind == alarms.Rising || a.Kind == alarms.Falling) {
		*to /= a.Window.Seconds()
	}
	return nil
}

// trips lets the detectors of a plant trip at the limits of their alarms, since they
// do so by levels of their own.
func trips(s *plant.Settings, rules []alarms.Setting) {
	s.Detectors = slices.Clone(s.Detectors)
	for i := range s.Detectors {
		d := &s.Detectors[i]
		for level, to := range []*units.PartsPerMillion{&d.Settings.Level1, &d.Settings.Level2, &d.Settings.Level3} {
			name := alarms.DetectorLevel(d.Name, "", "", level+1).Name
			for _, r := range rules {
				if r.Name == name {
					*to = units.PartsPerMillion(r.Limit)
				}
			}
		}
	}
}
