package contact

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
	"ebbwatch/agent/reading"
)

// The EPANET engine (Rossman et al., EPANET 2.2 User Manual, EPA/600/R-20/133)
// moves water through a first-in-first-out tank and a pipe in parcels. Its water
// age at the outlet is the residence time with a baffling factor of 1, within its
// quality step; a first-order decay tells the same age once more. What it gives for
// a node is the mean of the water of the last step, so it is compared with the mean
// of ours over that step. Its decay goes by a factor of 1 - k·dt a step (Euler).
const qualityStep = 10 * time.Second

// hours are multipliers of the flow, each for an hour.
var hours = []float64{1, 0.7, 0.4, 0.4, 0.6, 1.2, 1.7, 1.5, 1.1, 0.9, 1.3, 1.2}

func network(body, quality string) string {
	var pattern strings.Builder
	for _, m := range hours {
		fmt.Fprintf(&pattern, " %g", m)
	}
	return fmt.Sprintf(`[JUNCTIONS]
IN 0 -50 INFLOW
OUT 0 50 OUTFLOW
%s
[PATTERNS]
INFLOW%s
OUTFLOW%s
[OPTIONS]
Units LPS
Headloss H-W
%s
Tolerance 1e-9
[TIMES]
Duration 36:00
Hydraulic Timestep 1:00
Quality Timestep 0:00:10
Pattern Timestep 1:00
[END]
`, body, pattern.String(), "%s", quality)
}

const tankBody = `[TANKS]
T 10 5 0 10 10 0
[PIPES]
P1 IN T 1 100 100 0 Open
P2 T OUT 1 100 100 0 Open
[MIXING]
T FIFO
`

// A pipe of 3 km and 400 mm holds 377 m3.
const pipeBody = `[RESERVOIRS]
R 10
[PIPES]
P1 IN OUT 3000 400 100 0 Open
P2 R IN 1 100 100 0 Open
`

func flowPattern(level bool) (pattern string, outflow func(s float64) float64) {
	var b strings.Builder
	factor := func(hour int) float64 {
		if level { // the tank rises and falls
			return hours[(hour+1)%len(hours)]
		}
		return hours[hour%len(hours)]
	}
	for i := range hours {
		fmt.Fprintf(&b, " %g", factor(i))
	}
	return b.String(), func(s float64) float64 { return 0.05 * factor(int(s/3600)) }
}

func TestResidenceAgainstEpanet(t *testing.T) {
	const decay = 0.5 // 1/h
	for _, c := range []struct {
		name, body string
		level      bool
		pipe       float64 // m³, for what has no tank
	}{
		{name: "a tank with changing flow", body: tankBody},
		{name: "a tank whose level moves", body: tankBody, level: true},
		{name: "a pipe with changing flow", body: pipeBody, pipe: math.Pi / 4 * 0.4 * 0.4 * 3000},
	} {
		t.Run(c.name, func(t *testing.T) {
			pattern, outflow := flowPattern(c.level)
			ages := peertest.Epanet(t, fmt.Sprintf(network(c.body, "Quality Age"), pattern), "OUT")
			concentrations := peertest.Epanet(t, fmt.Sprintf(network(c.body+fmt.Sprintf("[SOURCES]\nIN CONCEN 2\n[REACTIONS]\nGlobal Bulk %g\n", -decay*24), "Quality Chlorine mg/L"), pattern), "OUT")

			r := NewResidence(1)
			compared, last, stored := 0, 0.0, math.Pi/4*10*10*5
			var worst, worstDecay, entryBefore, inflowBefore float64
			for i, step := range ages {
				// The tank's volume by what came in and went out since the last step.
				middle := (last + step.Time) / 2
				stored += (step.Time - last) * (0.05*hours[int(middle/3600)%len(hours)] - outflow(middle))
				last = step.Time
				volume := stored
				if c.pipe > 0 {
					volume = c.pipe
				}
				now := start.Add(time.Duration(step.Time) * time.Second)
				v := Value{volume, reading.GoodQuality()}
				if int(step.Time)%3600 == 0 && step.Time > 0 { // the flow jumps
					r.Step(now, Value{outflow(step.Time - 1), reading.GoodQuality()}, v)
				}
				r.Step(now, Value{outflow(step.Time), reading.GoodQuality()}, v)
				entry, inflow := r.Times()
				ofStep, inflowOfStep := (entry.Value+entryBefore)/2, (inflow.Value+inflowBefore)/2
				entryBefore, inflowBefore = entry.Value, inflow.Value
				if !entry.Quality.Usable() || step.Time < 12*3600 { // until the water at the start has left
					continue
				}
				compared++
				worst = max(worst, math.Abs(ofStep-step.Quality*3600), math.Abs(inflowOfStep-step.Quality*3600))
				dt := qualityStep.Seconds()
				age := math.Log(concentrations[i].Quality/2) / math.Log(1-decay/3600*dt) * dt
				worstDecay = max(worstDecay, math.Abs(ofStep-age))
			}
			t.Logf("%d steps, worst %.1f s by age, %.1f s by decay", compared, worst, worstDecay)
			if compared < 2000 {
				t.Errorf("only %d steps compared", compared)
			}
			if step := qualityStep.Seconds(); worst > step || worstDecay > step {
				t.Errorf("worst %.1f s by age and %.1f s by decay, want at most %g", worst, worstDecay, step)
			}
		})
	}
}
