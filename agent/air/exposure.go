package air

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Exposure adds up what the air at a detector held, for the time-weighted means
// of the regulations, in constant memory: a ring of minutes over eight hours.
//
// It errs to the safe side: between two readings the higher one holds, a mean
// counts the minute that has begun on top of the full ones, and what reads below
// zero takes nothing away. What it cannot know is told: see Window. The zero
// value is ready.
type Exposure struct {
	minutes [longestWindow]minute // full ones, the oldest at next
	next, n int
	current minute
	begun   time.Time // of current
	last    time.Time
	value   float64
	open    bool            // last and value hold
	full    [nWindows]total // over the full minutes of each window
	// recalled: nothing was added since a restart, and the times above are of the
	// wall clock alone.
	recalled bool
	written  []byte // the full minutes as a checkpoint has them, nil when they changed
}

type minute struct {
	dose  float64 // ppm·s
	known float64 // s
	peak  float64 // ppm
}

type total struct{ dose, known, peak float64 }

func (t *total) add(m minute) {
	t.dose += m.dose
	t.known += m.known
	t.peak = max(t.peak, m.peak)
}

// Window is a time over which exposure is averaged.
type Window int

// The windows.
const (
	TenMinutes Window = iota
	FifteenMinutes
	ThirtyMinutes
	OneHour
	FourHours
	EightHours
	nWindows
)

var windowMinutes = [nWindows]int{10, 15, 30, 60, 240, 480}

const (
	longestWindow = 480 // minutes
	// gapAfter is the longest time between two readings over which a value holds.
	// Common practice, no source.
	gapAfter = time.Minute
)

// Duration is the length of the window.
func (w Window) Duration() time.Duration { return time.Duration(windowMinutes[w]) * time.Minute }

// Gap tells that the last value no longer holds.
func (e *Exposure) Gap() { e.open = false }

// Add folds a value in ppm in. One that is no later than the last is ignored.
func (e *Exposure) Add(at time.Time, ppm float64) {
	ppm = max(0, ppm)
	if e.recalled {
		e.wake(at)
	}
	if e.begun.IsZero() {
		e.begun, e.last = at, at
	}
	if at.Before(e.last) {
		return
	}
	higher := max(ppm, e.value)
	known := e.open && at.Sub(e.last) <= gapAfter
	if !known {
		e.skip(at)
	}
	for from := e.last; known && from.Before(at); {
		to := e.begun.Add(time.Minute)
		if at.Before(to) {
			to = at
		}
		dt := to.Sub(from).Seconds()
		e.current.dose += higher * dt
		e.current.known += dt
		e.current.peak = max(e.current.peak, higher)
		if from = to; to.Equal(e.begun.Add(time.Minute)) {
			e.roll()
		}
	}
	e.current.peak = max(e.current.peak, ppm)
	e.last, e.value, e.open = at, ppm, true
}

// skip lets time pass of which nothing is known.
func (e *Exposure) skip(to time.Time) {
	if to.Sub(e.begun) > (longestWindow+1)*time.Minute {
		*e = Exposure{begun: to}
		return
	}
	for to.Sub(e.begun) >= time.Minute {
		e.roll()
	}
}

// roll closes the current minute.
func (e *Exposure) roll() {
	e.minutes[e.next] = e.current
	e.next = (e.next + 1) % longestWindow
	e.n = min(e.n+1, longestWindow)
	e.current, e.begun, e.written = minute{}, e.begun.Add(time.Minute), nil
	e.sum()
}

// sum adds the full minutes up.
func (e *Exposure) sum() {
	e.full = [nWindows]total{}
	for back := range e.n {
		m := e.minutes[(e.next-1-back+2*longestWindow)%longestWindow]
		for w, length := range windowMinutes {
			if back < length {
				e.full[w].add(m)
			}
		}
	}
}

// Mean is the exposure over a window, in ppm, taken as if clean air had been
// before and wherever nothing is known: a lower bound unless Known is 1.
type Mean struct {
	PPM float64
	// Known is the share of the window in which the detector could be read.
	Known float64
	// Peak is the highest value in the window, ppm.
	Peak float64
}

// Mean returns the time-weighted mean over a window.
func (e *Exposure) Mean(w Window) Mean {
	t := e.full[w]
	t.add(e.current)
	seconds := w.Duration().Seconds()
	return Mean{PPM: t.dose / seconds, Known: math.Min(1, t.known/seconds), Peak: t.peak}
}

// Limit is a published limit of exposure to chlorine.
type Limit struct {
	Name   string
	Window Window
	PPM    float64
	// Year is that of the edition the value is from; Source names it, with a mark
	// when the value comes from memory.
	Year   int
	Source string
	// Grave marks levels at which harm may last or life is in danger.
	Grave bool
}

// The regulatory limits that are means. The OSHA ceiling of 1 ppm (29 CFR
// 1910.1000 Table Z-1) and the NIOSH ceiling are levels of the detector.
const (
	niosh = "NIOSH Pocket Guide to Chemical Hazards, 2005"
	aegl  = "NRC, Acute Exposure Guideline Levels, vol. 4, 2004 (from memory)"
)

// Limits lists the published means, the gravest of a window last.
var Limits = []Limit{
	{"NIOSH ceiling", FifteenMinutes, 0.5, 2005, niosh, false},
	{"AEGL-1", TenMinutes, 0.5, 2004, aegl, false},
	{"AEGL-1", ThirtyMinutes, 0.5, 2004, aegl, false},
	{"AEGL-1", OneHour, 0.5, 2004, aegl, false},
	{"AEGL-1", FourHours, 0.5, 2004, aegl, false},
	{"AEGL-1", EightHours, 0.5, 2004, aegl, false},
	{"AEGL-2", TenMinutes, 2.8, 2004, aegl, true},
	{"AEGL-2", ThirtyMinutes, 2.8, 2004, aegl, true},
	{"AEGL-2", OneHour, 2.0, 2004, aegl, true},
	{"AEGL-2", FourHours, 1.0, 2004, aegl, true},
	{"AEGL-2", EightHours, 0.71, 2004, aegl, true},
	{"AEGL-3", TenMinutes, 50, 2004, aegl, true},
	{"AEGL-3", ThirtyMinutes, 28, 2004, aegl, true},
	{"AEGL-3", OneHour, 20, 2004, aegl, true},
	{"AEGL-3", FourHours, 10, 2004, aegl, true},
	{"AEGL-3", EightHours, 7.1, 2004, aegl, true},
}

// Edition is the year of the limit and its mark, for people.
func (l Limit) Edition() string {
	if strings.Contains(l.Source, "(from memory)") {
		return fmt.Sprintf("%d, from memory", l.Year)
	}
	return strconv.Itoa(l.Year)
}

// Gravest returns the last of Limits that is reached, and whether any is.
func (e *Exposure) Gravest() (l Limit, any bool) {
	for _, at := range Limits {
		if e.Mean(at.Window).PPM >= at.PPM {
			l, any = at, true
		}
	}
	return l, any
}
