package contact

import "time"

// DayOf returns when the day of a time begins and ends by the clocks of a zone, 23
// to 25 hours apart in most. Where summer time begins at midnight, the day begins
// at one o'clock.
func DayOf(t time.Time, zone *time.Location) (from, to time.Time) {
	y, m, d := t.In(zone).Date()
	return midnight(y, m, d, zone), midnight(y, m, d+1, zone)
}

// midnight is the first instant of a date, or of the next one that the zone has.
func midnight(year int, month time.Month, day int, zone *time.Location) time.Time {
	t := time.Date(year, month, day, 0, 0, 0, 0, zone)
	if t.Format(time.DateOnly) < time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Format(time.DateOnly) {
		_, t = t.ZoneBounds() // there is no midnight, and time.Date went back
	}
	return t
}
