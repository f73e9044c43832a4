package contact

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
)

// balance works the flow out of a basin from the flow into it and its volume:
// outflow = inflow - dV/dt, both over the last minutes. A level gives no outflow
// of one moment: its last digit, over a second, is more than a pump.
type balance struct {
	slots [balanceSlots]balanceSlot
}

// The window is 5 minutes; a change of the outflow shows whole after it. Nothing
// is known from less than 2 minutes of it, nor from fewer than 5 slots: at a
// start there is no contact time for so long, rather than one from the last digit
// of a level (own choice). One reading a minute is the slowest that serves.
const (
	balanceStep   = 10 * time.Second
	balanceSlots  = 30
	balanceSpan   = 2 * time.Minute
	balanceNeeded = 5
)

type balanceSlot struct {
	number         int64
	inflow, volume mean
}

// step folds in what holds since the first step and returns the outflow.
func (b *balance) step(since time.Duration, inflow reading.Reading, volume Value) reading.Reading {
	out := inflow
	out.Value = 0
	if out.Quality = reading.Worst(inflow.Quality, volume.Quality); !out.Quality.Usable() {
		return out
	}
	number := int64(since / balanceStep)
	s := &b.slots[number%balanceSlots]
	if s.number != number {
		*s = balanceSlot{number: number}
	}
	s.inflow.add(inflow.Value)
	s.volume.add(volume.Value)

	var n, sum, oldest, sx, sy, sxx, sxy, syy float64
	for i := range b.slots {
		s := &b.slots[i]
		if s.inflow.n == 0 || number-s.number >= balanceSlots {
			continue
		}
		x, y := float64(s.number-number)*balanceStep.Seconds(), s.volume.sum/float64(s.volume.n)-volume.Value
		sum, oldest = sum+s.inflow.sum/float64(s.inflow.n), min(oldest, x)
		n, sx, sy, sxx, sxy, syy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y, syy+y*y
	}
	if n < balanceNeeded || -oldest < (balanceSpan-balanceStep).Seconds() {
		out.Quality = reading.BadBecause(reading.Learning)
		return out
	}
	wide := sxx - sx*sx/n
	slope := (sxy - sx*sy/n) / wide
	deviation := math.Sqrt(max(0, syy-sy*sy/n-slope*slope*wide) / (n - 2) / wide)
	if out.Value = sum/n - slope; math.Abs(out.Value) < 5*deviation {
		out.Value = 0
	}
	return out
}
