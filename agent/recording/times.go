package recording

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// The words for a time that is a number of seconds or milliseconds since 1970 UTC.
const (
	unixSeconds      = "unix"
	unixMilliseconds = "unix-ms"
)

// parts are what a time may be made of, as a mapping names it and as package time does.
// Both one and two digits are read, but for the year.
var parts = []struct{ ours, layout string }{
	{"YYYY", "2006"}, {"YY", "06"}, {"MON", "Jan"}, {"MM", "1"}, {"DD", "2"},
	{"hh", "15"}, {"mm", "4"}, {"ss", "5"}, {"AM", "PM"}, {"ZONE", "Z07:00"},
}

// layoutOf turns "MM/DD/YYYY hh:mm" into a layout of package time. It returns false
// when a part is missing, or comes twice.
func layoutOf(format string) (layout string, zoned, ok bool) {
	seen := map[string]bool{}
	for format != "" {
		i := 0
		for i < len(parts) && !strings.HasPrefix(format, parts[i].ours) {
			i++
		}
		if i == len(parts) {
			if strings.ContainsRune("0123456789YMDhmsZ", rune(format[0])) {
				return "", false, false
			}
			layout += format[:1]
			format = format[1:]
			continue
		}
		p := parts[i]
		if seen[p.ours] {
			return "", false, false
		}
		seen[p.ours] = true
		layout += p.layout
		format = format[len(p.ours):]
	}
	if seen["AM"] {
		layout = strings.Replace(layout, "15", "3", 1)
	}
	year, month := seen["YYYY"] != seen["YY"], seen["MM"] != seen["MON"]
	return layout, seen["ZONE"], year && month && seen["DD"] && seen["hh"] && seen["mm"]
}

// unixTime reads a number of seconds, or of milliseconds.
func unixTime(s string, unit time.Duration) (time.Time, error) {
	if whole, err := strconv.ParseInt(s, 10, 64); err == nil && max(whole, -whole) < 1e14 {
		per := int64(time.Second / unit)
		return time.Unix(whole/per, whole%per*int64(unit)), nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || !(math.Abs(v) < 1e14) {
		return time.Time{}, fmt.Errorf("not a number of seconds")
	}
	whole, part := math.Modf(v * unit.Seconds())
	return time.Unix(int64(whole), int64(math.Round(part*1e9))), nil
}

// localTimes reads times that name no zone, in their order. A time that a clock shows
// twice, when daylight saving ends, is the first of the two until times go back, and
// the second from there on.
type localTimes struct {
	layout string
	zone   *time.Location
	last   time.Time
	// twice counts the times that could be either.
	twice int
}

func (l *localTimes) parse(s string) (time.Time, error) {
	wall, err := time.Parse(l.layout, s) // as if in UTC
	if err != nil {
		return wall, err
	}
	// What the zone is ahead of UTC well before and well after it; nowhere does it
	// change twice in two days.
	var found []time.Time
	for _, near := range []time.Duration{-24 * time.Hour, 24 * time.Hour} {
		_, ahead := wall.Add(near).In(l.zone).Zone()
		at := wall.Add(-time.Duration(ahead) * time.Second)
		if _, really := at.In(l.zone).Zone(); really == ahead && (found == nil || !found[0].Equal(at)) {
			found = append(found, at)
		}
	}
	switch len(found) {
	case 0:
		return wall, &Fault{Found: "the time " + quote(s) + ", which the clocks of " + l.zone.String() + " leap over",
			Expected: "times of that zone: for a clock that never changes give its zone as -07:00"}
	case 2:
		l.twice++
		if found[0].Before(l.last) {
			found = found[1:]
		}
	}
	l.last = found[0]
	return found[0], nil
}

// parseZone reads the name of a zone, or an offset such as -07:00.
func parseZone(s string) (*time.Location, error) {
	if at, err := time.Parse("-07:00", s); err == nil {
		_, ahead := at.Zone()
		return time.FixedZone(s, ahead), nil
	}
	if s == "" || s == "Local" { // which depend on the machine
		return nil, fmt.Errorf("no zone %q", s)
	}
	return time.LoadLocation(s)
}
