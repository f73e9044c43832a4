package page

import (
	"math"
	"slices"
	"sync"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// scales are the widths at which courses are remembered, each for a span of
// hours (own choice). A figure takes 12 B for each bin, 13 kB; 256 of them take
// 3.3 MB.
var scales = []scale{{6, time.Minute}, {24, 4 * time.Minute}, {maxHours, time.Hour}}

type scale struct {
	hours int
	step  time.Duration
}

const (
	maxTrends = 256
	maxHours  = 14 * 24
	maxPoints = 360 // of a course
)

// bin is what one figure did in one step of time: its mean, least and greatest.
// The last bit of the mean is set when a value was uncertain. A mean that is not a
// number says that no value was usable.
type bin [3]float32

var nothing = bin{float32(math.NaN())}

// growing is a bin that still grows.
type growing struct {
	total     float64
	n         int
	low, high float32
	doubtful  bool
}

func (s *growing) add(v float32, doubtful bool) {
	if s.n == 0 {
		s.low, s.high = v, v
	}
	s.low, s.high = min(s.low, v), max(s.high, v)
	s.total += float64(v)
	s.n++
	s.doubtful = s.doubtful || doubtful
}

func (s *growing) bin() bin {
	mean := math.Float32bits(float32(s.total/float64(s.n))) &^ 1
	if s.doubtful {
		mean |= 1
	}
	return bin{math.Float32frombits(mean), s.low, s.high}
}

// ring is the latest bins of all trends at one step.
type ring struct {
	step time.Duration
	size int64
	// last is the present bin's number since 1970, 0 before the first.
	last int64
	bins [][]bin   // by trend
	now  []growing // the present bins, by trend
}

func newRing(step time.Duration, size, trends int) ring {
	r := ring{step: step, size: int64(size), bins: make([][]bin, trends), now: make([]growing, trends)}
	for i := range r.bins {
		r.bins[i] = slices.Repeat([]bin{nothing}, size)
	}
	return r
}

func (r *ring) number(t time.Time) int64 { return t.UnixNano() / int64(r.step) }

// advance empties the bins that time has reached since the last call. Time that
// was set back takes back what it had already reached, the bin where it is now
// too.
func (r *ring) advance(now time.Time) {
	n := r.number(now)
	if n == r.last {
		return
	}
	from, to := r.last+1, n
	if n < r.last {
		from, to = n, r.last
	}
	if to-from >= r.size {
		from = to - r.size + 1
	}
	for i := from; i <= to; i++ {
		for _, bins := range r.bins {
			bins[i%r.size] = nothing
		}
	}
	clear(r.now)
	r.last = n
}

func (r *ring) add(trend int, v float32, doubtful bool) {
	s := &r.now[trend]
	s.add(v, doubtful)
	r.bins[trend][r.last%r.size] = s.bin()
}

// History remembers what figures did, for trends. It lives in memory alone: a
// restart begins anew. A value that is not usable leaves a gap.
type History struct {
	mu    sync.Mutex
	index map[string]int // into bins, by figure
	rings []ring         // by scale
}

// NewHistory returns an empty history.
func NewHistory() *History { return &History{} }

// states are the quantities whose course tells nothing: first those that are yes
// or no, then settings and mere countdowns.
var states = []plant.Quantity{
	plant.Unavailable, plant.Lost, plant.Doubtful, plant.Overdue, plant.Vote, plant.Blind, plant.Ventilation,
	plant.Unaccounted, plant.LossReportable, plant.FeedLost, plant.Overdrawn, plant.ScaleStuck, plant.WeightMoved,
	plant.ContainerOff, plant.TareDoubtful, plant.ChangeoverUnstaffed, plant.HeaderLow,

	plant.GasLevel, plant.Calling, plant.GiardiaLogOwed, plant.VirusLogOwed, plant.BumpTestDue, plant.CalibrationDue,
	plant.ContainersNeeded, plant.ContainersNeededPeak, plant.FrostFrom,
}

func trended(f *plant.Figure) bool { return !slices.Contains(states, f.Quantity) }

// begin chooses the trends once: figures that are made before readings.
func (h *History) begin(figures []plant.Figure) {
	h.index = make(map[string]int, maxTrends)
	for _, points := range []bool{false, true} {
		for i := range figures {
			f := &figures[i]
			if trended(f) && (f.Kind == plant.PointKind) == points && len(h.index) < maxTrends {
				h.index[f.Name] = len(h.index)
			}
		}
	}
	for _, s := range scales {
		h.rings = append(h.rings, newRing(s.step, int(time.Duration(s.hours)*time.Hour/s.step), len(h.index)))
	}
}

// Observe takes in what holds after a step. It is called for every step, from one
// goroutine, and never waits for long.
func (h *History) Observe(s *agent.Snapshot) {
	if len(s.Figures) == 0 {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.index == nil {
		h.begin(s.Figures)
	}
	for i := range h.rings {
		h.rings[i].advance(s.Time)
	}
	for i := range s.Figures {
		f := &s.Figures[i]
		at, ok := h.index[f.Name]
		if !ok || !f.Quality.Usable() {
			continue
		}
		for i := range h.rings {
			h.rings[i].add(at, float32(f.Shown()), f.Quality.Level != reading.Good)
		}
	}
}

// trend is a figure's course as JSON.
type trend struct {
	Figure string       `json:"figure"`
	From   alarms.Stamp `json:"from"`
	// Step is the width of a point in seconds; the last point ends with the present.
	Step float64 `json:"step_s"`
	// Points are [mean, lowest, highest, doubtful], doubtful 1 when a value was
	// uncertain; null where there was no usable value.
	Points []*[4]float32 `json:"points"`
}

// trend gives a figure's last hours, and whether it is remembered at all.
func (h *History) trend(figure string, hours int) (trend, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	at, ok := h.index[figure]
	if !ok {
		return trend{}, false
	}
	r := &h.rings[slices.IndexFunc(scales, func(s scale) bool { return hours <= s.hours })]
	end := r.last + 1
	start := end - int64(time.Duration(hours)*time.Hour/r.step)
	out := trend{Figure: figure, From: alarms.Stamp(time.Unix(0, start*int64(r.step))), Step: r.step.Seconds(), Points: []*[4]float32{}}
	for i := max(start, 0); i < end; i++ {
		b := r.bins[at][i%r.size]
		if b[0] != b[0] { // not a number
			out.Points = append(out.Points, nil)
			continue
		}
		out.Points = append(out.Points, &[4]float32{b[0], b[1], b[2], float32(math.Float32bits(b[0]) & 1)})
	}
	return out, true
}
