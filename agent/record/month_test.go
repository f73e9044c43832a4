package record

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"

	"github.com/google/go-cmp/cmp"
)

// kept is a closed day with what a month looks at.
func kept(date string, longest, covered, strict float64) *Day {
	from, err := time.Parse(DateLayout, date)
	if err != nil {
		panic(err)
	}
	number := func(v float64) *float64 {
		if v < 0 {
			return nil
		}
		return &v
	}
	return &Day{Date: date, From: from, To: from.AddDate(0, 0, 1), Watched: covered, Items: []Item{
		{Name: "entry.residual-entry.longest-under", Value: number(longest), Unit: "h", Covered: 1},
		{Name: "entry.residual-entry.lowest-residual", Value: number(1), Unit: "mg/L", Covered: covered},
		{Name: "train.main.extremes-ratio", Value: number(strict), Unit: "1", Covered: covered},
		{Name: "train.main.peak-ratio", Value: number(1.5), Unit: "1", Covered: covered},
	}}
}

// june is a June of 30 good days, changed by its days of the month; 0 leaves one
// out.
func june(change map[int]*Day) (entries []Entry) {
	for i := 1; i <= 30; i++ {
		d := kept(fmt.Sprintf("2026-06-%02d", i), 0, 1, 1.4)
		if other, ok := change[i]; ok {
			d = other
		}
		if d != nil {
			entries = append(entries, Entry{Day: d})
		}
	}
	return entries
}

func rules(unfiltered bool) Rules {
	return Rules{
		EntryPoints: []plant.EntryPoint{{Point: "residual-entry", Residual: contact.SurfaceWaterRule}},
		Trains:      []Train{{"main", unfiltered}}, Segments: []string{"clearwell"},
	}
}

func number(v float64) *float64 { return &v }

// Verdicts by 40 CFR 141.72(a)(1), (a)(2), (b)(1), (b)(2) (from memory).
func TestMonth(t *testing.T) {
	after := time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC)
	type verdicts [2]Verdict // residual, inactivation
	for _, c := range []struct {
		reason     string
		days       map[int]*Day
		more       []Entry
		unfiltered bool
		now        time.Time
		want       verdicts
		because    []string // in the reasons, in order
	}{
		{"all in order", nil, nil, false, after, verdicts{Yes, Yes}, []string{"on all 30 days", "on all 30 days"}},
		{"just 4 h under is allowed", map[int]*Day{7: kept("2026-06-07", 4, 1, 2)}, nil, false, after, verdicts{Yes, Yes}, nil},
		{"over 4 h under", map[int]*Day{7: kept("2026-06-07", 4.1, 1, 2)}, nil, false, after, verdicts{No, Yes}, []string{"1 day not so: 2026-06-07 (4.1 h)"}},
		{"one low ratio behind filtration", map[int]*Day{7: kept("2026-06-07", 0, 1, 0.97)}, nil, false, after, verdicts{Yes, No}, []string{"", "2026-06-07 (0.97); with the values at the end of the peak hour 0 days under 1"}},
		{"one low ratio without filtration is excepted", map[int]*Day{7: kept("2026-06-07", 0, 1, 0.97)}, nil, true, after, verdicts{Yes, Yes}, []string{"", "one such day of a month is excepted"}},
		{"two low ratios without filtration", map[int]*Day{7: kept("2026-06-07", 0, 1, 0.97), 9: kept("2026-06-09", 0, 1, 0.5)}, nil, true, after, verdicts{Yes, No}, []string{"", "2 days not so: 2026-06-07 (0.97), 2026-06-09 (0.50)"}},
		{"a day that was hardly watched", map[int]*Day{7: kept("2026-06-07", 0, 0.6, 2)}, nil, false, after, verdicts{NotKnown, NotKnown}, []string{"2026-06-07 (60 %)", "2026-06-07 (60 %)"}},
		{"a low ratio counts however little was watched", map[int]*Day{7: kept("2026-06-07", 0, 0.6, 0.9)}, nil, false, after, verdicts{NotKnown, No}, nil},
		{"a day without a ratio", map[int]*Day{7: kept("2026-06-07", 0, 1, -1)}, nil, false, after, verdicts{Yes, NotKnown}, []string{"", "2026-06-07 (nothing)"}},
		{"a day is missing", map[int]*Day{7: nil}, nil, false, after, verdicts{NotKnown, NotKnown}, []string{"2026-06-07 (nothing)"}},
		{"three days in a row are missing", map[int]*Day{7: nil, 8: nil, 9: nil}, nil, false, after, verdicts{NotKnown, NotKnown}, []string{"2026-06-07 to 2026-06-09 (nothing)"}},
		{"the month is not over", map[int]*Day{30: nil}, nil, false, time.Date(2026, 6, 30, 0, 0, 0, 0, time.UTC), verdicts{NotKnown, NotKnown}, []string{"so far yes"}},
		{"a correction gives the ratio of a dark day", map[int]*Day{7: kept("2026-06-07", 0, 0.95, -1)},
			[]Entry{{Correction: &Correction{Order: "c1", By: "operator", Date: "2026-06-07", Item: "train.main.extremes-ratio", Value: number(1.2), Unit: "1", Why: "by hand"}}},
			false, after, verdicts{Yes, Yes}, nil},
		{"a correction may be to the worse", nil,
			[]Entry{{Correction: &Correction{Order: "c1", By: "operator", Date: "2026-06-07", Item: "entry.residual-entry.longest-under", Value: number(6), Unit: "h", Why: "valve shut"}}},
			false, after, verdicts{No, Yes}, []string{"2026-06-07 (6.0 h)"}},
	} {
		m := NewBook(append(june(c.days), c.more...), nil, c.now).Summary(2026, time.June, rules(c.unfiltered), c.now)
		if len(m.Requirements) != 2 {
			t.Fatalf("%s: %d requirements", c.reason, len(m.Requirements))
		}
		got := verdicts{m.Requirements[0].Verdict, m.Requirements[1].Verdict}
		if got != c.want {
			t.Errorf("%s: %v, expected %v\n%+v", c.reason, got, c.want, m.Requirements)
		}
		for i, why := range c.because {
			if !strings.Contains(m.Requirements[i].Reason, why) {
				t.Errorf("%s: the reason is %q, expected %q in it", c.reason, m.Requirements[i].Reason, why)
			}
		}
	}
}

func TestMonthWithoutTrains(t *testing.T) {
	r := rules(false)
	r.Trains = nil
	m := NewBook(june(nil), nil, time.Now()).Summary(2026, time.June, r, time.Date(2026, 7, 2, 0, 0, 0, 0, time.UTC))
	if got := m.Requirements[1]; got.Verdict != NotKnown || !strings.Contains(got.What, "clearwell") {
		t.Errorf("without trains %+v", got)
	}
}

// 29 days of February in a leap year, 28 in others.
func TestMonthsOfEveryLength(t *testing.T) {
	for year, days := range map[int]int{2027: 28, 2028: 29, 2100: 28} {
		m := NewBook(nil, nil, time.Now()).Summary(year, time.February, Rules{}, time.Date(year, 3, 1, 0, 0, 0, 0, time.UTC))
		if m.MissingDays != days || !m.Over {
			t.Errorf("February %d has %d days, expected %d", year, m.MissingDays, days)
		}
	}
}

// A correction never edits: the day stays, the last word about an item holds, one
// that was stored twice counts once, one about an unknown day is nowhere.
func TestCorrections(t *testing.T) {
	day := kept("2026-06-07", 0, 1, 0.9)
	fix := func(order, date string, v float64) Entry {
		return Entry{Correction: &Correction{Order: order, By: "operator", Date: date, Item: "train.main.extremes-ratio", Value: &v, Unit: "1", Why: "pH meter was off"}}
	}
	b := NewBook([]Entry{{Day: day}, fix("a", "2026-06-07", 1.1), fix("b", "2026-06-07", 1.2), fix("a", "2026-06-07", 1.1), fix("c", "2026-06-08", 5)}, nil, time.Now())
	d := b.Date("2026-06-07")[0]
	it, c := d.Holds("train.main.extremes-ratio")
	if *it.Value != 1.2 || c.Order != "b" || *d.Item("train.main.extremes-ratio").Value != 0.9 || len(d.Corrections) != 2 {
		t.Errorf("holds %v by %+v, recorded %v, %d corrections", *it.Value, c, *d.Item("train.main.extremes-ratio").Value, len(d.Corrections))
	}
}

// After a crash a day may be stored twice: the one that was watched longer counts,
// once.
func TestADayStoredTwice(t *testing.T) {
	short, long := kept("2026-06-07", 0, 0.5, 1.1), kept("2026-06-07", 0, 0.9, 1.2)
	for _, entries := range [][]Entry{{{Day: short}, {Day: long}}, {{Day: long}, {Day: short}}} {
		b := NewBook(entries, short, short.From)
		if len(b.Days) != 1 || b.Days[0].Watched != 0.9 || b.Days[0].Present {
			t.Errorf("%+v", b.Days)
		}
	}
}

// A day that was never closed, since the daemon stopped in it, is judged like any
// other once it is over.
func TestADayThatNobodyClosed(t *testing.T) {
	last := kept("2026-06-30", 0, 0.5, 1.4)
	for now, want := range map[time.Time]string{
		last.From.Add(13 * time.Hour): "so far yes, but the month is not over",
		last.To.Add(time.Hour):        "2026-06-30 (50 %)",
	} {
		m := NewBook(june(map[int]*Day{30: nil}), last, now).Summary(2026, time.June, rules(false), now)
		for _, r := range m.Requirements {
			if r.Verdict != NotKnown || !strings.Contains(r.Reason, want) {
				t.Errorf("at %v: %+v, expected %q", now, r, want)
			}
		}
	}
}

// A period over midnight is one, whose duration is what the State is told.
func TestPeriodsOverMidnight(t *testing.T) {
	z := time.UTC
	from := time.Date(2026, 6, 7, 0, 0, 0, 0, z)
	r := newRecorder(t, ridge(z))
	days := r.run(from, from.Add(49*time.Hour), func(at time.Time) now {
		if h := at.Sub(from).Hours(); h >= 22 && h < 26 {
			return quiet().with("residual-entry", 0.1)
		}
		return quiet()
	})
	if len(days) != 2 || len(days[0].Periods) != 1 || len(days[1].Periods) != 1 || !days[0].Periods[0].Open {
		t.Fatalf("%+v", days)
	}
	m := NewBook([]Entry{{Day: days[0]}, {Day: days[1]}}, nil, from).Summary(2026, time.June, Rules{}, from.AddDate(0, 1, 0))
	want := []Period{{Point: "residual-entry", From: from.Add(22 * time.Hour), To: from.Add(26 * time.Hour), Lowest: 0.1, Least: 0.2}}
	if d := cmp.Diff(want, m.Periods); d != "" {
		t.Error(d)
	}
}
