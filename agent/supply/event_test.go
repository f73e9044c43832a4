package supply

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

const minuteDays = 1.0 / 1440

func between2(from, to, v float64) func(int, float64) float64 {
	return func(_ int, d float64) float64 {
		if d >= from && d < to {
			return v
		}
		return 0
	}
}

// told is the events of a run in words, "removed changed", without the bumps
// when asked.
type told []Event

func (e told) kinds(without ...EventKind) string {
	var s []string
	for _, one := range e {
		skip := false
		for _, w := range without {
			skip = skip || one.Kind == w
		}
		if !skip {
			s = append(s, string(one.Kind))
		}
	}
	return strings.Join(s, " ")
}

// What happens to a container in its life is told once by its name, in time, and
// must never give a false rate. Delays are those of the study: 100 s by rule for a
// step, and 20 s for the readings.
func TestEvents(t *testing.T) {
	const at = 0.4 // days; 9.6 h
	forever := 100.0
	for _, tc := range []struct {
		name   string
		change func(*rig)
		want   string
		delay  time.Duration // from at to the last event
		worst  float64       // lb/d of error of the hourly rate ever after
	}{
		{"nothing", func(*rig) {}, "", 0, 12},
		{"a hoist pulls for 40 s", func(g *rig) { g.disturb = between2(at, at+40.0/86400, 250) }, "bump", time.Minute, 12},
		{"a foot on the scale for 90 s", func(g *rig) { g.disturb = between2(at, at+90.0/86400, -180) }, "bump", 2 * time.Minute, 12},
		{"0.2 % outliers", func(g *rig) { g.outliers = 0.002 }, "", 0, 12},
		{"2 % outliers", func(g *rig) { g.outliers = 0.02 }, "", 0, 12},
		{"a full container replaces an empty one", func(g *rig) { g.net, g.disturb = 300, between2(at, forever, 1650) }, "changed", 2 * time.Minute, 20},
		{"off, and a full one put on after 10 min", func(g *rig) {
			g.net = 300
			g.constant = 200
			g.rate = func(d float64) float64 {
				if d >= at && d < at+10*minuteDays {
					return 0
				}
				return 200
			}
			off, on := between2(at, at+10*minuteDays, -3000), between2(at+10*minuteDays, forever, 1650)
			g.disturb = func(i int, d float64) float64 { return off(i, d) + on(i, d) }
		}, "removed changed", 12 * time.Minute, 20},
		{"off for 5 min and put back", func(g *rig) { g.disturb = between2(at, at+5*minuteDays, -4000) }, "removed put-back", 7 * time.Minute, 20},
		{"off for 40 s", func(g *rig) { g.disturb = between2(at, at+40.0/86400, -4000) }, "bump", time.Minute, 12},
		{"no readings for 10 min", func(g *rig) { g.silent = func(_ int, d float64) bool { return d >= at && d < at+10*minuteDays } }, "dropped-out recovered", 11 * time.Minute, 12},
		{"no readings for 12 h", func(g *rig) { g.silent = func(_ int, d float64) bool { return d >= at && d < at+0.5 } }, "dropped-out recovered", 12*time.Hour + time.Minute, 80},
		{"changed while there were no readings", func(g *rig) {
			g.net = 300
			g.silent = func(_ int, d float64) bool { return d >= at && d < at+10*minuteDays }
			g.disturb = between2(at+5*minuteDays, forever, 1650)
		}, "dropped-out recovered changed", 12 * time.Minute, 20},
		{"a small step that lasts", func(g *rig) { g.disturb = between2(at, forever, 15) }, "step", 2 * time.Minute, 20},
		{"net starts above capacity", func(g *rig) { g.net, g.disturb = 300, between2(at, forever, 1900) }, "changed tare-wrong", 2 * time.Minute, 20},
		{"a display in kg", func(g *rig) {
			g.disturb = func(_ int, d float64) float64 {
				if d < at {
					return 0
				}
				return -(1 - poundKilograms) * (rigTare + g.net + 0.5 - 200*d)
			}
		}, "swapped", 2 * time.Minute, 1e9},
		{"a display of another step", func(g *rig) { g.settings = func(s *BankSettings) { s.Containers[0].Division = pounds(0.2) } }, "swapped", 0, 20},
		{"stuck for 2 h", func(g *rig) { g.frozen = func(d float64) bool { return d >= at && d < at+2.0/24 } }, "stuck recovered", 121 * time.Minute, 60},
		{"a draw of 3000 lb/d more", func(g *rig) {
			g.net = 1900
			g.rate = func(d float64) float64 {
				if d >= at && d < at+0.1 {
					return 3200
				}
				return 200
			}
		}, "", 0, 1e9},
	} {
		for seed := range seeds(4, 30) {
			g := tonRig()
			g.every = 10 * time.Second
			tc.change(&g)
			g.seed = uint64(seed)
			var events told
			var last float64
			worst := 0.0
			g.run(26*time.Hour, func(tr truth, r BankResult) {
				for _, e := range r.Events {
					events = append(events, e)
					last = tr.days
				}
				if r.Rate.Quality.Usable() && tr.days > 0.06 {
					worst = max(worst, math.Abs(shown("lb/d", r.Rate.Value)-200))
				}
			})
			ignore := []EventKind{}
			if !strings.Contains(tc.want, "bump") {
				ignore = append(ignore, Bump)
			}
			if got := events.kinds(ignore...); got != tc.want {
				t.Errorf("%s, seed %d: told %q, expected %q: %v", tc.name, seed, got, tc.want, events)
			} else if d := time.Duration((last - at) * 24 * float64(time.Hour)); tc.delay > 0 && d > tc.delay+20*time.Second {
				t.Errorf("%s, seed %d: told after %v, expected %v", tc.name, seed, d, tc.delay)
			}
			if worst > tc.worst {
				t.Errorf("%s, seed %d: the hourly rate was off by %.3g lb/d, expected at most %g", tc.name, seed, worst, tc.worst)
			}
		}
	}
}

// A display that stands still, or says nothing, is told in time and found live again.
func TestStuckAndSilent(t *testing.T) {
	cylinder := cylinderRig()
	cylinder.every = 10 * time.Second
	for _, tc := range []struct {
		name   string
		g      rig
		known  bool
		silent bool
		target float64 // min
	}{
		{"stuck scale, ton", tonRig(), false, false, 12},
		{"stuck scale, ton, feed known", tonRig(), true, false, 12},
		{"stuck scale, cylinder", cylinder, false, false, 12},
		{"stuck scale, cylinder, feed known", cylinder, true, false, 12},
		{"drop-out, ton", tonRig(), false, true, 5},
	} {
		var worst, mean float64
		n := seeds(8, 100)
		for seed := range n {
			g := tc.g
			g.seed, g.feedKnown, g.drift, g.wander = uint64(seed), tc.known, 1*g.division, 0.1
			at := 0.3 + 0.1*float64(seed)/float64(n)
			end := at + 2.0/24
			stands := func(d float64) bool { return d >= at && d < end }
			want := "stuck recovered"
			if tc.silent {
				want = "dropped-out recovered"
				g.silent = func(_ int, d float64) bool { return stands(d) }
			} else {
				g.frozen = stands
			}
			var events told
			delay := 1e9
			g.run(14*time.Hour, func(tr truth, r BankResult) {
				for _, e := range r.Events {
					if len(events) == 0 {
						delay = (tr.days - at) * 1440
					}
					events = append(events, e)
				}
			})
			if got := events.kinds(); got != want {
				t.Errorf("%s, seed %d: told %q, expected %q", tc.name, seed, got, want)
			}
			worst, mean = max(worst, delay), mean+delay/float64(n)
		}
		row(t, tc.name, "mean delay", mean, tc.target, 0, "min")
		row(t, tc.name, "worst delay", worst, tc.target, 0, "min")
		if worst > tc.target+1e-6 {
			t.Errorf("%s: told after %.3g min, expected %g", tc.name, worst, tc.target)
		}
	}
}

// Bumps up to 90 s and 300 lb, and outliers, cost no accuracy and tell no step.
func TestDirt(t *testing.T) {
	for _, outliers := range []float64{0.002, 0.02} {
		var h, clean score
		for seed := range seeds(20, 100) {
			for _, dirty := range []bool{true, false} {
				g := tonRig()
				g.seed = uint64(seed)
				s := &clean
				if dirty {
					s = &h
					g.outliers = outliers
					r := rand.New(rand.NewPCG(uint64(seed), 5))
					var at, long, high [12]float64
					for i := range at {
						at[i], long[i], high[i] = float64(i)/24+r.Float64()/30, (10+80*r.Float64())/86400, 600*r.Float64()-300
					}
					g.disturb = func(_ int, d float64) float64 {
						for i := range at {
							if d >= at[i] && d < at[i]+long[i] {
								return high[i]
							}
						}
						return 0
					}
				}
				last := 0
				g.run(12*time.Hour, func(tr truth, r BankResult) {
					for _, e := range r.Events {
						if e.Kind != Bump {
							t.Errorf("seed %d: %+v", seed, e)
						}
					}
					if m := int(tr.days*24 + 1e-9); m != last && m > 1 {
						last = m
						s.add(r.Rate, perDay(200))
					}
				})
			}
		}
		ratio := h.rmse() / clean.rmse()
		row(t, fmt.Sprintf("bumps, %g %% outliers", outliers*100), "RMSE ratio 1 h", ratio, 1.1, 1, "")
		if ratio > 1.1 {
			t.Errorf("%g outliers: RMSE is %.3g of the clean one", outliers, ratio)
		}
	}
}

// A bump while the first readings come is no step and no loss, and leaves no trace.
func TestABumpAtTheStart(t *testing.T) {
	for seed := range seeds(10, 100) {
		g := tonRig()
		g.every, g.seed, g.feedKnown, g.drift, g.wander, g.trust = 10*time.Second, uint64(seed), true, 1, 0.1, 0.005
		g.settings = func(s *BankSettings) { s.FeedGain = 1 }
		r := rand.New(rand.NewPCG(uint64(seed), 11))
		at := 240 * r.Float64() / 86400
		g.disturb = between2(at, at+(10+80*r.Float64())/86400, 60*r.Float64()-30)
		g.run(25*time.Hour, func(tr truth, r BankResult) {
			for _, e := range r.Events {
				if e.Kind != Bump {
					t.Errorf("seed %d: %+v", seed, e)
				}
			}
			if tr.days < 0.1 && (!r.Balance.Leak.IsZero() || !r.Balance.FeedLost.IsZero()) {
				t.Fatalf("seed %d: a false alarm at %.4g d: %+v", seed, tr.days, r.Balance)
			}
			if r.RateDay.Quality.Usable() && math.Abs(shown("lb/d", r.RateDay.Value)-200) > 2 {
				t.Fatalf("seed %d: %.4g lb/d of the day", seed, shown("lb/d", r.RateDay.Value))
			}
		})
	}
}

// A change-over or a removal is told within 120 s, and the rate of the day keeps
// within 0.2 lb/d of the truth.
func TestChangeOver(t *testing.T) {
	n := seeds(12, 200)
	var late, shift, count float64
	missed := 0
	for seed := range n {
		g := tonRig()
		g.seed, g.net = uint64(seed), 800
		at := 1.2 + 0.3*float64(seed)/float64(n)
		off := at + 8*minuteDays
		g.rate = func(d float64) float64 {
			if d >= at && d < off {
				return 0
			}
			return 200
		}
		g.disturb = func(_ int, d float64) float64 {
			switch {
			case d >= off:
				return 1400
			case d >= at:
				return -5000
			}
			return 0
		}
		ledger := 0
		total := map[int]float64{}
		g.run(50*time.Hour, func(tr truth, r BankResult) {
			m := int(tr.days*1440 + 1e-9)
			total[m] = tr.drawn
			for _, e := range r.Events {
				switch e.Kind {
				case Removed:
					late = max(late, (tr.days-at)*86400)
				case Changed:
					late = max(late, (tr.days-off)*86400)
					ledger++
				}
			}
			if d := tr.days - at; d > 0.02 && m%60 == 0 && r.RateDay.Quality.Usable() {
				shift += square(shown("lb/d", r.RateDay.Value) - (total[m] - total[m-1440]))
				count++
			}
		})
		if ledger != 1 {
			missed++
		}
	}
	per := math.Sqrt(shift / count)
	row(t, "change-over", "latest told", late, 120, 100, "s")
	row(t, "change-over", "missed", float64(missed), 0, 0, "")
	row(t, "change-over", "24 h rate shifted, rms", per, 0.2, 0, "lb/d")
	if late > 120 || missed > 0 || per > 0.2 {
		t.Errorf("told after %.0f s, %d missed, shift %.3g lb/d", late, missed, per)
	}
}

// An automatic switchover is told within 15 min.
func TestSwitchover(t *testing.T) {
	for _, known := range []bool{true, false} {
		var sum, worst float64
		n := seeds(30, 200)
		for seed := range n {
			g := tonRig()
			g.every, g.seed, g.containers, g.group, g.feedKnown, g.drift, g.wander = 10*time.Second, uint64(seed), 2, true, known, 1, 0.1
			at := 0.3 + 0.2*float64(seed)/float64(n)
			g.drawn = func(d float64) int {
				if d >= at {
					return 1
				}
				return 0
			}
			var events told
			var delay float64
			g.run(16*time.Hour, func(tr truth, r BankResult) {
				for _, e := range r.Events {
					events = append(events, e)
					delay = (tr.days - at) * 1440
				}
				if tr.days > at+0.1 && (!r.Containers[1].Drawn || r.Containers[0].Drawn) {
					t.Fatalf("seed %d: drawn %+v", seed, r.Containers)
				}
			})
			if events.kinds() != "switchover" || events[0].Container != 1 {
				t.Errorf("seed %d: %+v", seed, events)
			}
			sum, worst = sum+delay/float64(n), max(worst, delay)
		}
		row(t, fmt.Sprintf("switchover, feed known %v", known), "mean delay", sum, 15, 8, "min")
		row(t, fmt.Sprintf("switchover, feed known %v", known), "worst delay", worst, 15, 8, "min")
		if worst > 15 {
			t.Errorf("a switchover was told after %.3g min", worst)
		}
	}
}

// Containers that are drawn together share the draw unevenly by chance: that is no
// switchover. When the group goes off duty it is one, told in time.
func TestContainersDrawnTogether(t *testing.T) {
	var worst float64
	for seed := range seeds(6, 50) {
		for _, groups := range []bool{false, true} {
			g := tonRig()
			g.every, g.seed, g.feedKnown, g.drift, g.wander, g.containers = 10*time.Second, uint64(seed), seed%2 == 0, 1, 0.1, 2
			at, length := 100.0, 96*time.Hour
			if groups {
				// Two are drawn together where one cannot hold the rate.
				g.containers, g.constant, at, length = 4, 400, 0.5+0.1*float64(seed%7), 30*time.Hour
				g.settings = func(s *BankSettings) {
					for i := range s.Containers {
						s.Containers[i].Group = [2]string{"left", "right"}[i/2]
					}
				}
			}
			turn := 0
			g.drawn = func(d float64) int {
				turn++
				if d >= at {
					return 2 + turn%2
				}
				return turn % 2
			}
			told, flips, was := 0, 0, [4]bool{}
			g.run(length, func(tr truth, r BankResult) {
				for _, e := range r.Events {
					if told++; e.Kind != Switchover || tr.days < at {
						t.Errorf("seed %d, groups %v: %+v", seed, groups, e)
					}
					worst = max(worst, (tr.days-at)*1440)
				}
				var now [4]bool
				for i, c := range r.Containers {
					now[i] = c.Drawn
				}
				if now != was {
					was = now
					flips++
				}
			})
			if groups && (told != 1 || was != [4]bool{false, false, true, true}) || !groups && flips != 1 {
				t.Errorf("seed %d, groups %v: %d switchovers, %d changes, drawn %v", seed, groups, told, flips, was)
			}
		}
	}
	row(t, "switchover of a group of two", "worst delay", worst, 15, 8, "min")
	if worst > 15 {
		t.Errorf("a switchover of a group of two was told after %.3g min", worst)
	}
}
