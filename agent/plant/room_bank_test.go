package plant

import (
	"math"
	"strings"
	"testing"

	"ebbwatch/agent/reading"
)

// TestLossAgainstTheReportableQuantity: 10 lb in 24 h, 40 CFR 302.4 (from memory).
// Intervals are in pounds; nil is not known.
func TestLossAgainstTheReportableQuantity(t *testing.T) {
	lb := unit("lb")
	for _, tc := range []struct {
		reason string
		banks  [][]float64
		want   string
	}{
		{"nothing goes", [][]float64{{-1, 2}}, "is not reached by weight so far: up to 2.0 lb"},
		{"surely over", [][]float64{{11, 15}}, "is reached: 11 lb or more has gone"},
		{"just at it", [][]float64{{10, 10}}, "is reached: 10 lb or more"},
		{"perhaps over", [][]float64{{4, 14}}, "may be reached: up to 14 lb"},
		{"two banks together", [][]float64{{6, 7}, {5, 6}}, "is reached: 11 lb or more"},
		{"what one gains makes up for nothing", [][]float64{{-9, -5}, {10.5, 11}}, "is reached"},
		{"one is not known", [][]float64{{1, 2}, nil}, "may be reached: what bank south lost beside its feed is not known"},
		{"none is known", [][]float64{nil, nil}, "may be reached: what bank north and south lost"},
		{"one is not known, the other is enough", [][]float64{{12, 13}, nil}, "is reached: 12 lb"},
		{"a value without an interval", [][]float64{{12}}, "is reached: 12 lb"},
	} {
		m := room{}
		var out []Figure
		for i, loss := range tc.banks {
			b := roomBank{name: []string{"north", "south"}[i], header: none, expected: none, noFeed: none, rate: len(out), lost: len(out) + 1}
			rate, lost := Figure{Unit: unit("lb/d")}, Figure{Unit: lb, Quality: reading.GoodQuality(), Low: math.NaN(), High: math.NaN()}
			switch len(loss) {
			case 0:
				lost.Quality = reading.BadBecause(reading.Learning)
			case 1:
				lost.Value = lb.SI(loss[0])
			default:
				lost.Low, lost.High = lb.SI(loss[0]), lb.SI(loss[1])
			}
			out = append(out, rate, lost)
			m.banks = append(m.banks, b)
		}
		if got := m.lost(out); !strings.HasPrefix(got, "the reportable quantity, 10 lb (4.5 kg) in 24 h by 40 CFR 302.4, "+tc.want) {
			t.Errorf("%s: %q, expected %q", tc.reason, got, tc.want)
		}
	}
}

// TestGasShowsTheBanks: a bank that stands in the room speaks with the detectors.
func TestGasShowsTheBanks(t *testing.T) {
	s := ridge()
	s.Rooms = []Room{{Name: "chlorine-room"}}
	for i := range s.Detectors {
		s.Detectors[i].Room = "chlorine-room"
	}
	s.Banks[0].Place, s.Banks[0].Header = "chlorine-room", "north-header"
	s.Points = append(s.Points, Point{Name: "north-header", Instrument: "north-scales", Unit: unit("psig"), StaleAfter: s.Points[0].StaleAfter})
	p := newPlant(t, s)
	evidence := func(header reading.Quality) string {
		rs := quietReadings(s, start)
		for i := range rs {
			switch rs[i].Point {
			case "gas-1-ppm":
				rs[i].Value = 2
			case "north-header":
				rs[i].Value, rs[i].Quality = unit("psig").SI(12), header
			}
		}
		return find(t, p.Step(start, rs), "detector.gas-1.concentration").Evidence
	}
	if got := evidence(reading.GoodQuality()); !strings.Contains(got, "what bank north draws is not known, its header is at 12 psig; the reportable quantity") ||
		!strings.HasSuffix(got, "may be reached: what bank north lost beside its feed is not known") || strings.Contains(got, "bank south") {
		t.Errorf("%q", got)
	}
	if got := evidence(reading.BadBecause(reading.NoReply)); !strings.Contains(got, "its header is not known") {
		t.Errorf("%q", got)
	}
}
