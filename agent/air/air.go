// Package air judges what chlorine gas detectors say: their levels, their
// health, what people near them were exposed to, and the vote of a room.
package air

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Settings are how a detector is judged. The starting values of the levels are
// in the catalogue of alarms.
type Settings struct {
	// Level1 to Level3 rise; Level3 is 0 when there is none.
	Level1, Level2, Level3 units.PartsPerMillion
	// FullScale is the end of the range, at which a saturated detector stands; 0 when
	// it is not known.
	FullScale units.PartsPerMillion
	// NoiseFloor is how far from zero clean air may read.
	NoiseFloor units.PartsPerMillion
	// DriftLimit is how far below zero a detector may drift before it counts as
	// blind: it would read a leak too low by as much. 0 for no limit.
	DriftLimit units.PartsPerMillion
	// StuckAfter is how long a value over the noise floor may stay the same to the
	// last digit; 0 for ever.
	StuckAfter time.Duration
	// ZeroStuckAfter is likewise for values within the noise floor. Most detectors
	// show a steady zero in clean air, and only a bump test tells that they live;
	// it is for those whose zero moves. 0 for ever.
	ZeroStuckAfter time.Duration
	// WarmUp is how long a detector counts as blind after it came back.
	WarmUp time.Duration
	// RiseWindow is the time over which the rate of rise is taken; 0 takes 30 s.
	RiseWindow time.Duration
}

// The starting values. Common practice, no source.
const (
	DefaultNoiseFloor = units.PartsPerMillion(0.05)
	DefaultDriftLimit = units.PartsPerMillion(0.3)
	defaultRiseWindow = 30 * time.Second
)

// The reasons for which a detector is blind although its value can be read.
const (
	Drifted  = "drifted-below-zero"
	Settling = "settling"
)

// Result is the state of a detector.
type Result struct {
	Concentration units.PartsPerMillion
	// Level is how many levels the gas has reached: 0 to 3. It means nothing when
	// Quality is bad, and holds although the detector is not available: gas that a
	// doubtful detector shows is gas.
	Level int
	// Available is false when the detector cannot be trusted to see gas; Blind is
	// the reason.
	Available bool
	Blind     string
	Quality   reading.Quality
}

// Judge reads a detector by one reading alone. A reading above its range keeps its
// value, so that it counts as over all levels that lie inside the range; one that
// is bad says nothing about gas, neither that it is there nor that it is not.
func Judge(r reading.Reading, s Settings) Result {
	q := r.Checked().Quality
	if !q.Usable() {
		return Result{Quality: q, Blind: q.Reason}
	}
	res := Result{Concentration: units.PartsPerMillion(r.Value), Available: true, Quality: q}
	top := 2
	if s.Level3 > 0 {
		top = 3
	}
	switch c := res.Concentration; {
	case q.Reason == reading.OverRange, top == 3 && c >= s.Level3:
		res.Level = top
	case c >= s.Level2:
		res.Level = 2
	case c >= s.Level1:
		res.Level = 1
	}
	switch q.Reason {
	case reading.Fault, reading.Maintenance, reading.WarmingUp, reading.Frozen:
		res.Available, res.Blind = false, q.Reason
	default:
		if s.DriftLimit > 0 && res.Concentration < -s.DriftLimit {
			res.Available, res.Blind = false, Drifted
		}
	}
	return res
}

// Detector is a detector over time. It is not safe for concurrent use.
type Detector struct {
	s        Settings
	exposure Exposure
	rise     rise

	last    time.Time // of the last reading folded in
	seen    bool      // a usable one came before
	lost    bool      // none has come since
	back    time.Time // when it came back, zero when it had not been lost
	anchor  float64
	still   time.Duration
	moving  bool // anchor holds
	stillAt time.Time
}

// NewDetector makes a detector that has read nothing.
func NewDetector(s Settings) *Detector {
	if s.RiseWindow == 0 {
		s.RiseWindow = defaultRiseWindow
	}
	return &Detector{s: s, rise: rise{window: s.RiseWindow}}
}

// Step folds the reading that holds in. A reading with the time of the one before
// is that one, and only its quality counts.
func (d *Detector) Step(r reading.Reading) Result {
	r = r.Checked()
	res := Judge(r, d.s)
	if !r.Quality.Usable() {
		d.lost = d.lost || d.seen
		d.stillAt = time.Time{}
		d.exposure.Gap()
		return res
	}
	if r.Time.After(d.last) || !d.seen {
		d.take(r)
	}
	switch {
	case !res.Available:
	case d.stuck(r.Value) && !d.saturated(r):
		res.Available, res.Blind = false, reading.Frozen
	case d.s.WarmUp > 0 && !d.back.IsZero() && r.Time.Sub(d.back) < d.s.WarmUp:
		res.Available, res.Blind = false, Settling
	}
	return res
}

func (d *Detector) take(r reading.Reading) {
	if d.lost {
		d.back = r.Time
	}
	d.last, d.seen, d.lost = r.Time, true, false
	d.exposure.Add(r.Time, r.Value)
	d.rise.add(r.Time, r.Value)
	dt := r.Time.Sub(d.stillAt)
	switch {
	case !d.moving || r.Value != d.anchor:
		d.moving, d.anchor, d.still = true, r.Value, 0
	case !d.stillAt.IsZero() && dt > 0 && dt <= gapAfter:
		d.still += dt
	}
	d.stillAt = r.Time
}

// stuck tells whether the value has stood still for longer than a live sensor's
// would.
func (d *Detector) stuck(v float64) bool {
	limit := d.s.StuckAfter
	if math.Abs(v) <= float64(d.s.NoiseFloor) {
		limit = d.s.ZeroStuckAfter
	}
	return limit > 0 && d.still >= limit
}

// saturated tells whether the detector shows as much as it can: it then stands
// still because there is gas.
func (d *Detector) saturated(r reading.Reading) bool {
	return r.Quality.Reason == reading.OverRange || d.s.FullScale > 0 && r.Value >= float64(d.s.FullScale)
}

// Exposure is what the detector has seen so far.
func (d *Detector) Exposure() *Exposure { return &d.exposure }

// Rise is the rate of rise in ppm a second over the last RiseWindow, and whether
// it is known.
func (d *Detector) Rise() (perSecond float64, known bool) { return d.rise.slope() }

// Why puts the reason for which a detector is blind into words that complete a
// sentence.
func Why(blind string) string {
	switch blind {
	case Drifted:
		return "has drifted too far below zero to be trusted: it would read gas too low"
	case Settling:
		return "has just come back and needs its time to settle"
	}
	return reading.Explain(blind)
}

// rise keeps a few values of the last window: constant memory whatever the pace.
type rise struct {
	window time.Duration
	at     [riseSlots]time.Time
	value  [riseSlots]float64
	n      int
}

const riseSlots = 16

func (s *rise) add(at time.Time, v float64) {
	// A value that is closer to the one before the last than a slot replaces the
	// last, so that the slots span the window.
	if s.n >= 2 && at.Sub(s.at[s.n-2]) < s.window/(riseSlots-2) {
		s.n--
	}
	for s.n > 0 && (s.n == riseSlots || at.Sub(s.at[0]) > s.window) {
		copy(s.at[:], s.at[1:s.n])
		copy(s.value[:], s.value[1:s.n])
		s.n--
	}
	s.at[s.n], s.value[s.n] = at, v
	s.n++
}

// slope is that of the line of least squares through the kept values.
func (s *rise) slope() (float64, bool) {
	if s.n < 3 {
		return 0, false
	}
	var mt, mv float64
	for i := range s.n {
		mt += s.at[i].Sub(s.at[0]).Seconds()
		mv += s.value[i]
	}
	mt, mv = mt/float64(s.n), mv/float64(s.n)
	var tv, tt float64
	for i := range s.n {
		t := s.at[i].Sub(s.at[0]).Seconds() - mt
		tv += t * (s.value[i] - mv)
		tt += t * t
	}
	if tt == 0 {
		return 0, false
	}
	return tv / tt, true
}
