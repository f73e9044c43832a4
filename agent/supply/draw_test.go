package supply

import (
	"math"
	"testing"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// The heat balance of testdata/supply by hand: 8 lb/d for each degF above 20 degF for
// a ton container, frost from 32 degF on. F and the threshold are from memory.
func TestDraw(t *testing.T) {
	for _, tc := range []struct {
		name          string
		tons          int
		room          float64
		rate          float64 // of each
		headroom, low float64 // lb/d, degF
		needed        int
		frost         bool
		frostFrom     float64
	}{
		{"two at 60 degF", 2, 60, 150, 640 - 300, 20 + 300.0/16, 1, false, 2 * 8 * 28},
		{"one at 40 degF, over its limit", 1, 40, 200, -40, 45, 2, true, 64},
		{"two at 100 degF", 2, 100, 250, 300, 20 + 500.0/16, 2, false, 2 * 8 * 68},
	} {
		gross, rates := make([]float64, tc.tons), make([]float64, tc.tons)
		for i := range gross {
			gross[i], rates[i] = 3000, tc.rate
		}
		r := draw(NewBank(tons(tc.tons)), room(tc.room), gross, rates)
		near := func(what string, v Value, symbol string, want, tolerance float64) {
			if got := shown(symbol, v.Value); !v.Quality.Usable() || math.Abs(got-want) > tolerance {
				t.Errorf("%s: %s is %.5g %v, expected %g", tc.name, what, got, v.Quality, want)
			}
		}
		near("headroom", r.Draw.Headroom, "lb/d", tc.headroom, 7)
		near("lowest room", r.Draw.LowestRoom, "degF", tc.low, 0.3)
		near("frost from", r.Draw.FrostFrom, "lb/d", tc.frostFrom, 1)
		if r.Draw.Needed != tc.needed || r.Draw.Frost != tc.frost {
			t.Errorf("%s: %+v", tc.name, r.Draw)
		}
	}
	// A published count: 1,500 lb/d takes four ton containers at 400 lb/d each (White,
	// Handbook of Chlorination, p. 792; testdata/supply/examples.json).
	ton, _ := KindByName("ton")
	if n := needed(si("lb/d", 1500), float64(ton.Nominal)); n != 4 {
		t.Errorf("1500 lb/d needs %d tons, expected 4", n)
	}
	if needed(1, 0) != 0 {
		t.Error("containers that give nothing off are enough")
	}
	over := draw(NewBank(tons(1)), room(60), []float64{3000}, []float64{500})
	if over.Draw.LowestRoom.Quality.Usable() {
		t.Errorf("no room is warm enough for 500 lb/d of one ton container: %+v", over.Draw.LowestRoom)
	}
	liquid := tons(1)
	liquid.Liquid = true
	l := draw(NewBank(liquid), room(10), []float64{3000}, []float64{900})
	if l.LimitMethod != LiquidWithdrawal || l.Limit.Quality != reading.BadBecause(NotEvaporated) || l.Ratio.Quality.Usable() || !l.Rate.Quality.Usable() {
		t.Errorf("%+v", l)
	}
}

// Where the lowest room temperature is, the heat balance gives the rate back.
func TestLowestRoomOfMixedContainers(t *testing.T) {
	ton, _ := KindByName("ton")
	cylinder, _ := KindByName("cylinder-150")
	mixed := []source{ton.on(0), cylinder.on(0)}
	for _, rate := range []float64{1, 30, 79, 81, 200, 400} {
		low, ok := lowestRoom(mixed, si("lb/d", rate))
		c := units.Celsius(low)
		var heat float64
		for _, s := range mixed {
			heat += float64(s.heat(c))
		}
		if !ok || math.Abs(shown("lb/d", heat)-rate) > 1e-6 {
			t.Errorf("%g lb/d: at %.4g degC the containers give %.6g", rate, low, shown("lb/d", heat))
		}
	}
}
