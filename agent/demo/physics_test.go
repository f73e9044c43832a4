package demo

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s is %g, expected %g within %g of it", what, got, want, relative)
	}
}

// Saturation properties computed from the equation of state of Thol, Herrig, Span
// and Lemmon (AIChE Journal 2021).
func TestChlorineAgainstEquationOfState(t *testing.T) {
	for _, c := range []struct{ degC, kPa, vapour, heat float64 }{
		{-6.67, 294.0, 9.965, 270.5e3},
		{0, 368.1, 12.29, 266.1e3},
		{4.44, 424.8, 14.055, 263.0e3},
		{10, 504.6, 16.524, 259.2e3},
		{15.56, 595.1, 19.309, 255.1e3},
	} {
		p := saturationPressure(c.degC)
		near(t, "pressure, kPa", p/1e3, c.kPa, 0.01)
		near(t, "vapour density", saturatedVapour(c.degC, p), c.vapour, 0.01)
		near(t, "heat of vaporisation", vaporisation(c.degC), c.heat, 0.005)
	}
}

// Vapour pressure of chlorine from NIST SRD 134, Index of Semiconductor Process
// Gases, whose stated uncertainty is 1 %.
func TestPressureAgainstNIST(t *testing.T) {
	for _, c := range []struct{ kelvin, kPa float64 }{
		{240, 105.14}, {250, 159.8}, {260, 234.33}, {270, 333.02}, {280, 460.43}, {290, 621.3}, {300, 820.54},
	} {
		near(t, "pressure, kPa", saturationPressure(c.kelvin-273.15)/1e3, c.kPa, 0.01)
	}
}

// The gas that fills a container when its last liquid boils, computed from the
// same equation of state.
func TestGasLeft(t *testing.T) {
	for _, c := range []struct {
		kind *containerKind
		degF float64
		lb   float64
	}{
		{ton(), 50, 26.5},
		{ton(), 70, 35.9},
		{cylinder(), 50, 1.98},
		{cylinder(), 70, 2.7},
	} {
		degC := (c.degF - 32) / 1.8
		near(t, "gas left, lb", saturatedVapour(degC, saturationPressure(degC))*c.kind.volume/pound, c.lb, 0.01)
	}
}

// The rule of 8 lb/d a degree Fahrenheit over 20 degF for a ton container, and of
// 1 lb/d over 30 degF for a cylinder: common practice, no source.
func TestLimitFollowsRule(t *testing.T) {
	for _, degF := range []float64{40, 50, 60, 70} {
		degC := (degF - 32) / 1.8
		tons, small := bank{{kind: ton()}, {kind: ton()}}, bank{{kind: cylinder()}}
		near(t, "limit of two tons, lb/d", tons.limit(degC, regulatorTemperature)/pound*day, 16*(degF-20), 0.01)
		near(t, "limit of a cylinder, lb/d", small.limit(degC, -1.11)/pound*day, degF-30, 0.01)
	}
	if got := (bank{{kind: ton()}}).limit(-10, regulatorTemperature); got != 0 {
		t.Errorf("a room under the boiling point at the header pressure gives %g, expected 0", got)
	}
}

// A container drawn for long at its limit settles at the boiling point of the
// lowest header pressure: the two views of the heat balance agree.
func TestDrawAtLimitSettlesAtThreshold(t *testing.T) {
	c := &container{kind: ton(), net: 900, temp: 10}
	limit := bank{c}.limit(10, regulatorTemperature)
	for range 10 * 24 * 3600 {
		c.net = 900 // as if refilled at once
		c.step(1, limit, 10)
	}
	if math.Abs(c.temp-regulatorTemperature) > 0.01 {
		t.Errorf("the container settles at %.3f degC, expected %.2f", c.temp, regulatorTemperature)
	}
}

// Over the limit the header sags and the feed with it; the bank never gives more
// than its heat allows.
func TestFeedSagsOverLimit(t *testing.T) {
	s := supply{banks: [2]bank{{{kind: ton(), net: 900, temp: 0}, {kind: ton(), net: 900, temp: 0}}, {}}}
	limit := s.banks[0].limit(10, regulatorTemperature)
	var feed float64
	for range 5 * 24 * 3600 {
		for _, c := range s.banks[0] {
			c.net = 900
		}
		feed, _ = s.deliver(1, 1.3*limit, 0, 10)
	}
	if ratio := feed / limit; ratio < 1 || ratio > 1.15 {
		t.Errorf("wanted 1.3 of the limit, got %.3f of it, expected a little over 1: a colder liquid takes a little more heat", ratio)
	}
	if s.online != 0 {
		t.Error("it switched to a bank that has nothing")
	}
}

func TestSwitchoverOnlyToPressure(t *testing.T) {
	spent := bank{{kind: ton(), net: 5, temp: 5}}
	full := bank{{kind: ton(), net: 900, temp: 5}}
	s := supply{banks: [2]bank{spent, full}}
	if feed, _ := s.deliver(1, 1e-3, 0, 5); s.online != 1 || feed != 1e-3 {
		t.Errorf("online %d, feed %g: expected the full bank and the whole feed", s.online, feed)
	}
	s = supply{banks: [2]bank{spent, {{kind: ton(), net: 5, temp: 5}}}}
	if s.deliver(1, 1e-3, 0, 5); s.online != 0 {
		t.Error("it switched between two spent banks")
	}
	s = supply{banks: [2]bank{{{kind: ton(), temp: 5}}, {}}}
	if feed, _ := s.deliver(1, 1e-3, 1e-6, 5); feed != 0 || s.banks[0][0].net != 0 {
		t.Errorf("an empty container gave %g and holds %g, expected 0 and 0", feed, s.banks[0][0].net)
	}
}

// The 10 % point of a tracer step through the clearwell: T10/T of five equal tanks
// in series is the 10 % quantile of chi-square with 10 degrees of freedom, 4.865
// (tables of the distribution), over 10.
func TestClearwellBaffling(t *testing.T) {
	const flow = 4 * mgd
	w := newWater(10*foot, 0)
	residence := w.volume / flow
	w.channel = 1 * channelVolume
	seconds := 0.0
	for w.residualOut() < 0.1 {
		w.step(1, flow, flow, 1*flow, 0, 0)
		seconds++
	}
	near(t, "T10/T", seconds/residence, 0.4865, 0.01)
}

// Balances over a whole day, with the leak, the switchover and the sagging feed
// in it.
func TestBalancesOverDay(t *testing.T) {
	p := newPlant(3)
	volume, stored := p.water.volume, p.water.stored()
	all := append(append(bank{}, p.supply.banks[0]...), p.supply.banks[1]...)
	net := make([]float64, len(all))
	heat := make([]float64, len(all))
	for i, c := range all {
		net[i] = c.net
	}
	for range 24 * 3600 {
		// Heat capacity changes as liquid leaves at the container's own
		// temperature, so the heat balance is taken over each step.
		before := make([]float64, len(all))
		for i, c := range all {
			before[i] = c.temp
			heat[i] -= c.boiled
		}
		mass := []float64{all[0].net, all[1].net, all[2].net, all[3].net}
		room := p.room.temp
		p.step()
		for i, c := range all {
			heat[i] += c.boiled
			gained := c.kind.ua * (room - before[i])
			heat[i] += (c.temp-before[i])*(c.kind.steel+mass[i]*liquidHeat) - gained
		}
	}
	w := &p.water
	near(t, "water in less water out, m3", w.waterIn-w.waterOut, w.volume-volume, 1e-6)
	near(t, "chlorine fed to the water, g", w.fed, w.consumed+w.decayed+w.departed+w.stored()-stored, 1e-9)
	near(t, "gas leaked, g", p.gas.released, p.gas.removed+p.gas.near+p.gas.far, 1e-9)
	var lost, drawn float64
	for i, c := range all {
		lost += net[i] - c.net
		drawn += c.drawn
		near(t, "weight lost by a container, kg", net[i]-c.net, c.drawn, 1e-9)
		if math.Abs(heat[i]) > 1 {
			t.Errorf("the heat balance of container %d is off by %g J", i, heat[i])
		}
	}
	near(t, "weight lost by all, kg", lost, (w.fed+p.gas.released)/1e3, 1e-9)
	near(t, "chlorine drawn, kg", drawn, lost, 1e-9)
	if w.fed/1e3 < 80*pound || p.gas.released < 10 {
		t.Errorf("fed %.1f kg, leaked %.1f g: the balances have too little in them", w.fed/1e3, p.gas.released)
	}
}

// A steady leak of 10 lb/d into 1,000 ft3 of air a minute gives 38.4 ppm in
// perfect mixing (C = m/Q, computed); what leaves here is the mean of two zones.
func TestGasSettles(t *testing.T) {
	var g gasRoom
	for range 2 * 3600 {
		g.step(1, 10*pound*1e3/day)
	}
	near1, far := g.ppm()
	air := 1000 * foot * foot * foot / 60
	near(t, "mean concentration, ppm", (near1+far)/2, 38.4*air/ventilation, 0.01)
	near(t, "share of the far zone", far/near1, 0.5, 1e-6)
}

// A fan with one air change in three minutes: the mean falls by 1/e in about the
// time of one change.
func TestGasClears(t *testing.T) {
	g := gasRoom{near: 100, far: 150}
	for range 180 {
		g.step(1, 0)
	}
	if left := (g.near + g.far) / 250; left < 0.3 || left > 0.5 {
		t.Errorf("%.2f of the gas is left after one air change, expected about 0.37", left)
	}
}

func TestChlorinatorHoldsResidual(t *testing.T) {
	const flow = 4 * mgd
	w, c := newWater(10*foot, 0), chlorinator{}
	var largest float64
	for i := range 4 * 3600 {
		raw := 2.0
		if i > 2*3600 {
			raw = 8
		}
		feed := c.request(1, flow, w.residualIn())
		largest = max(largest, feed)
		w.step(1, flow, flow, feed, raw, 1e-5)
	}
	near(t, "residual at the inlet, mg/L", w.residualIn(), residualTarget, 0.01)
	if largest > feederFull {
		t.Errorf("the feeder gave %g g/s, more than its full rate of %g", largest, feederFull)
	}
}

func TestRoomThermostat(t *testing.T) {
	r := chlorineRoom()
	low, high := 99.0, -99.0
	for i := range 24 * 3600 {
		r.step(1, 0, 800)
		if i > 6*3600 {
			low, high = min(low, r.temp), max(high, r.temp)
		}
	}
	if low < r.on-0.1 || high > r.off+0.1 || high-low < 0.5 {
		t.Errorf("the room goes from %.2f to %.2f degC, expected %g to %g", low, high, r.on, r.off)
	}
}

func TestDemandHasThreePeaks(t *testing.T) {
	var peaks []int
	for m := range 24 * 60 {
		h := dayBegins + float64(m)/60
		if demand(h) > demand(h-1.0/60) && demand(h) >= demand(h+1.0/60) {
			peaks = append(peaks, m/60+5)
		}
		near(t, "demand a day later", demand(h+24), demand(h), 1e-9)
	}
	if len(peaks) != 3 || peaks[0] != 7 || peaks[1] != 13 || peaks[2] != 19 {
		t.Errorf("the demand peaks in the hours %v, expected 7, 13 and 19", peaks)
	}
}
