package demo

import (
	"testing"
	"time"

	"ebbwatch/agent/units"
)

// heel is what the demo's site file calls the heel of a ton container.
const heel = units.Kilograms(18 * pound)

// happenings is when each event of a day came first, since the start. What never
// came is absent.
type happenings map[string]time.Duration

// runDay steps a plant and its instruments through 24 h and returns what happened
// and the truth at each minute.
func runDay(seed uint64) (happenings, []Truth) {
	p := newPlant(seed)
	state := p.truth()
	ins := newInstruments(seed, &state)
	d := &Demo{plant: p, instruments: ins, state: state}
	seen := happenings{}
	first := func(event string, is bool) {
		if _, ok := seen[event]; is && !ok {
			seen[event] = d.state.Elapsed
		}
	}
	var shown, same int
	for i := range ins.points {
		if ins.points[i].name == frozenPoint {
			shown = i
		}
	}
	var trail []Truth
	for range 24 * 3600 {
		before := ins.shown[shown]
		d.advance(d.state.Elapsed + stepSeconds*time.Second)
		s := &d.state
		if ins.shown[shown] == before {
			same++
		} else {
			same = 0
		}
		north := s.Online == "north"
		first("notice", north && s.TimeToEmpty(heel) < 48*time.Hour)
		first("urgent", north && s.TimeToEmpty(heel) < 8*time.Hour)
		first("near limit", s.Ratio() > 0.9)
		first("over limit", s.Ratio() > 1)
		first("switchover", !north)
		first("frozen", same > 600)
		_, wasFrozen := seen["frozen"]
		first("moves again", wasFrozen && same == 0)
		first("gas-1 level 1", s.Gas[0] > 0.5)
		first("gas-1 level 2", s.Gas[0] > 1)
		first("gas-2 level 1", s.Gas[1] > 0.5)
		first("gas-2 level 2", s.Gas[1] > 1)
		_, leaked := seen["gas-2 level 2"]
		first("clear", leaked && s.Gas[0] < 0.05 && s.Gas[1] < 0.05)
		if s.Elapsed%time.Minute == 0 {
			trail = append(trail, *s)
		}
	}
	return seen, trail
}

func clock(hour, minute int) time.Duration {
	return time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute - dayBegins*time.Hour
}

// The story has one order for every seed; the hours are those the story wants,
// with room for the noise.
func TestStoryInOrder(t *testing.T) {
	want := []struct {
		event       string
		after, till time.Duration
		reason      string
	}{
		{"notice", clock(5, 5), clock(6, 30), "little is left in the north bank, and the morning draws on it"},
		{"urgent", clock(11, 0), clock(12, 0), "meltwater multiplies the dose"},
		{"near limit", clock(11, 30), clock(12, 30), "two containers in a cool room give off some 480 lb/d"},
		{"over limit", clock(11, 45), clock(13, 0), "the noon demand meets the meltwater"},
		{"switchover", clock(15, 45), clock(16, 45), "the liquid is gone"},
		{"frozen", clock(16, 50), clock(17, 0), "ten minutes after the analyser froze"},
		{"moves again", clock(17, 45), clock(17, 46), "after one hour"},
		{"gas-1 level 1", clock(19, 1), clock(19, 10), "the leak is beside gas-1"},
		{"gas-1 level 2", clock(19, 2), clock(19, 15), "and grows"},
		{"gas-2 level 1", clock(19, 3), clock(19, 20), "gas-2 is further away"},
		{"gas-2 level 2", clock(19, 5), clock(19, 30), ""},
		{"clear", clock(19, 41), clock(20, 10), "a person ended it at 19:40, and the fan clears the room"},
	}
	for _, seed := range []uint64{0, 1, 42} {
		seen, trail := runDay(seed)
		var last time.Duration
		for _, w := range want {
			at, ok := seen[w.event]
			if !ok {
				t.Errorf("seed %d: %q never happened (%s)", seed, w.event, w.reason)
				continue
			}
			if at < w.after || at > w.till {
				t.Errorf("seed %d: %q came %v after the start, expected %v to %v (%s)", seed, w.event, at, w.after, w.till, w.reason)
			}
			if at <= last {
				t.Errorf("seed %d: %q came %v after the start, not after what the story tells before it", seed, w.event, at)
			}
			last = at
		}
		for _, s := range trail {
			believable(t, seed, &s)
			if t.Failed() {
				break
			}
		}
	}
}

// believable checks what must hold all day: the plant is in trouble only where
// the story says so.
func believable(t *testing.T, seed uint64, s *Truth) {
	t.Helper()
	for _, c := range []struct {
		what         string
		v, low, high float64
		reason       string
	}{
		{"level, ft", float64(s.Level) / foot, 7, 12, "the clearwell neither runs over nor dry"},
		{"flow, MGD", float64(s.Flow) / mgd, 1.5, 6, "the plant's capacity is 6 MGD"},
		{"residual at the outlet", float64(s.ResidualOut), 1.5, 4, "4 mg/L is the maximum residual level of 40 CFR 141.65"},
		{"residual at the entry", float64(s.ResidualEntry), 1.5, 4, "as before"},
		{"dose", float64(s.Dose), 2, 18, ""},
		{"pH", float64(s.PH), 7, 7.6, ""},
		{"water, degC", float64(s.Water), 7.5, 10.5, "9 degC, a little around it"},
		{"room, degF", float64(s.Room)*1.8 + 32, 46, 56, "a cool room with a thermostat"},
		{"gas-1", float64(s.Gas[0]), 0, 10, "within the detector's range"},
		{"gas-2", float64(s.Gas[1]), 0, float64(s.Gas[0]) + 3.5, ""},
		{"ratio", s.Ratio(), 0, 1.4, "near the limit, not far over it"},
	} {
		if !(c.v >= c.low && c.v <= c.high) {
			t.Errorf("seed %d, %v after the start: %s is %.3f, expected %g to %g (%s)", seed, s.Elapsed, c.what, c.v, c.low, c.high, c.reason)
		}
	}
}

func TestSameSeedSameTruth(t *testing.T) {
	a, b, c := newPlant(7), newPlant(7), newPlant(8)
	for range 3 * 3600 {
		a.step()
		b.step()
		c.step()
	}
	if a.truth() != b.truth() {
		t.Errorf("two plants of one seed differ:\n%+v\n%+v", a.truth(), b.truth())
	}
	if a.truth() == c.truth() {
		t.Error("two plants of different seeds are equal")
	}
}

// What instruments show does not depend on how many steps are made at once, nor
// on what is frozen.
func TestSameSeedSameReadings(t *testing.T) {
	run := func(stride time.Duration, frozen string) []float64 {
		p := newPlant(7)
		state := p.truth()
		d := &Demo{plant: p, instruments: newInstruments(7, &state), state: state, frozen: map[string]bool{frozen: true}}
		for at := stride; at <= time.Hour; at += stride {
			d.advance(at)
		}
		return d.instruments.shown
	}
	a, b, c := run(time.Second, ""), run(20*time.Minute, ""), run(time.Minute, "plant-flow")
	for i, p := range allPoints() {
		if a[i] != b[i] {
			t.Errorf("%s shows %v in steps of 1 s and %v in batches", p.name, a[i], b[i])
		}
		if frozen := p.name == "plant-flow"; frozen == (a[i] == c[i]) {
			t.Errorf("%s shows %v, and %v while plant-flow is frozen", p.name, a[i], c[i])
		}
	}
}

func BenchmarkStep(b *testing.B) {
	p := newPlant(1)
	state := p.truth()
	ins := newInstruments(1, &state)
	never := func(string) bool { return false }
	b.ReportAllocs()
	for b.Loop() {
		p.step()
		state = p.truth()
		ins.step(&state, never)
	}
}
