package record

import (
	"math"
	"testing"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/units"
)

// withBank is the small site with a bank that is fed and whose water is metered.
func withBank() Settings {
	s := ridge(time.UTC)
	for _, f := range []struct {
		name string
		q    plant.Quantity
		unit string
	}{
		{"bank.north.net-weight", plant.NetWeight, "lb"}, {"bank.north.expected-rate", plant.ExpectedRate, "lb/d"}, {"plant-flow", plant.ReadingOf, "MGD"}, {"well-flow", plant.ReadingOf, "gpm"},
	} {
		s.Figures = append(s.Figures, plant.Figure{Name: f.name, Kind: plant.BankKind, Owner: "north", Quantity: f.q, Unit: units.MustParse(f.unit)})
	}
	s.Banks = []Bank{{Name: "north", Flow: []string{"plant-flow", "well-flow"}, Fed: true}}
	return s
}

func pounds(lb float64) units.Kilograms { return units.Kilograms(units.MustParse("lb").SI(lb)) }

// chlorine runs a day of 120 lb by the scales and 110 lb/d by the feed, at 2 MGD and
// 0.5 MGD, the ledger having counted 5,000 lb before. The well's meter fails for some
// hours, one container is changed at 20 h.
func chlorine(t *testing.T, fails float64, ledger func(hour float64, before Totals) Totals) *Day {
	t.Helper()
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, time.UTC)
	s := withBank()
	var totals Totals
	s.Totals = func() []Totals { return []Totals{totals} }
	r := newRecorder(t, s)
	si := func(unit string, v float64) float64 { return units.MustParse(unit).SI(v) }
	for at := from; ; at = at.Add(time.Minute) {
		hour := at.Sub(from).Hours()
		n := quiet().with("bank.north.net-weight", si("lb", 2000-hour*5)).with("bank.north.expected-rate", si("lb/d", 110)).
			with("plant-flow", si("MGD", 2)).with("well-flow", si("MGD", 0.5))
		if hour < fails {
			n.without("well-flow")
		}
		totals = Totals{Used: pounds(5000 + 120*hour/24)}
		if hour >= 20 {
			totals.Off = 1
		}
		totals = ledger(hour, totals)
		for _, e := range r.Step(Step{Time: at, Figures: r.figures(n)}) {
			if e.Day != nil {
				return e.Day
			}
		}
	}
}

func TestChlorineOfADay(t *testing.T) {
	plain := func(_ float64, now Totals) Totals { return now }
	for _, c := range []struct {
		reason string
		fails  float64
		ledger func(float64, Totals) Totals
		want   map[string][2]float64 // value and share; the value is NaN where it is not known
	}{
		{"all is known", 0, plain, map[string][2]float64{
			"used": {120, 1}, "fed": {110, 1}, "unaccounted": {10, 1}, "containers-changed": {1, 1}, "water": {2.5e6, 1},
			"lowest-net-weight": {2000 - 5*(24-1.0/60), 1},
			// 8.3454 lb in a million gallons for each mg/L.
			"dose": {120 / (2.5 * 8.34540), 1},
		}},
		{"a twelfth of the water is not", 2, plain, map[string][2]float64{"water": {2.5e6 * 22 / 24, 22.0 / 24}, "dose": {120 / (2.5 * 8.34540), 22.0 / 24}, "used": {120, 1}}},
		{"a quarter of the water is not", 6, plain, map[string][2]float64{"water": {2.5e6 * 18 / 24, 18.0 / 24}, "dose": {math.NaN(), 0}, "unaccounted": {10, 1}}},
		{"the ledger is lost at noon", 0, func(hour float64, now Totals) Totals {
			if hour >= 12 {
				now.Used, now.Off = now.Used-pounds(5060), 0
			}
			return now
		}, map[string][2]float64{"used": {math.NaN(), 0}, "unaccounted": {math.NaN(), 0}, "dose": {math.NaN(), 0}, "containers-changed": {math.NaN(), 0}}},
	} {
		d := chlorine(t, c.fails, c.ledger)
		for q, want := range c.want {
			it := d.Item("bank.north." + q)
			if it == nil || math.Abs(it.Covered-want[1]) > 1e-9 || (it.Value == nil) != math.IsNaN(want[0]) || it.Value != nil && math.Abs(*it.Value-want[0]) > 1e-5*math.Abs(want[0]) {
				t.Errorf("%s: %s is %+v, expected %v", c.reason, q, it, want)
			}
		}
	}
}

// The use goes on over a restart from the beginning of the day.
func TestChlorineOverARestart(t *testing.T) {
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, time.UTC)
	s := withBank()
	used := 5000.0
	s.Totals = func() []Totals { return []Totals{{Used: pounds(used)}} }
	r := newRecorder(t, s)
	r.stepWith(from, quiet())
	used = 5060
	r.stepWith(from.Add(12*time.Hour), quiet())
	again := newRecorder(t, s)
	if err := again.Restore(r.State()); err != nil {
		t.Fatal(err)
	}
	used = 5090
	again.stepWith(from.Add(18*time.Hour), quiet())
	if it := again.Present().Item("bank.north.used"); it.Value == nil || math.Abs(*it.Value-90) > 1e-9 {
		t.Errorf("used %+v, expected 90 lb", it)
	}
}
