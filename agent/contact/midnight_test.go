package contact

import (
	"testing"
	"time"
)

// Every minute belongs to just one day of its own date, in zones whose clocks
// change at midnight too, and days follow each other without a gap.
func TestDayOf(t *testing.T) {
	for _, name := range []string{"UTC", "America/Denver", "America/Santiago", "America/Havana", "Australia/Lord_Howe", "Asia/Beirut", "Africa/Cairo", "Pacific/Apia"} {
		z := zone(t, name)
		for at, last := time.Date(2011, 1, 1, 12, 0, 0, 0, z), (time.Time{}); at.Year() < 2028; {
			from, to := DayOf(at, z)
			if from.After(at) || !to.After(at) || from.Format(time.DateOnly) != at.Format(time.DateOnly) {
				t.Fatalf("%s: %v is in a day from %v to %v", name, at, from, to)
			}
			if before := from.Add(-time.Second); before.Format(time.DateOnly) == at.Format(time.DateOnly) {
				t.Fatalf("%s: the day from %v begins before", name, from)
			}
			if !last.IsZero() && !from.Equal(last) {
				t.Fatalf("%s: a day ends at %v, the next begins at %v", name, last, from)
			}
			last, at = to, to.Add(time.Hour)
		}
	}
}
