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

// The bounds of what is remembered for trends (own choice). A figure takes
// 16 B x (1440 + 1344), 45 kB; 256 of them take 11 MB.
const (
	maxTrends   = 256
	fineStep    = time.Minute
	coarseStep  = 15 * time.Minute
	fineSteps   = 24 * 60
	coarseSteps = 14 * 24 * 4
	maxHours    = 14 * 24
	// maxBins is about how many points a trend is sent with.
	maxBins = 360
)

// bin is what one figure did in one step of time.
type bin struct {
	mean, low, high float32
	// usable counts the values that went in, doubtful those that were uncertain.
	usable, doubtful uint16
}

// add takes in what another bin saw.
func (b *bin) add(o bin) {
	if o.usable == 0 {
		return
	}
	if b.usable == 0 {
		*b = o
		return
	}
	b.low, b.high = min(b.low, o.low), max(b.high, o.high)
	total := float64(b.usable) + float64(o.usable)
	b.mean = float32((float64(b.mean)*float64(b.usable) + float64(o.mean)*float64(o.usable)) / total)
	b.usable = uint16(min(total, math.MaxUint16))
	b.doubtful = uint16(min(int(b.doubtful)+int(o.doubtful), math.MaxUint16))
}

// ring is the latest bins of all trends at one step.
type ring struct {
	step time.Duration
	size int64
	// last is the present bin's number since 1970, 0 before the first.
	last int64
	bins [][]bin // by trend
}

func newRing(step time.Duration, size, trends int) ring {
	r := ring{step: step, size: int64(size), bins: make([][]bin, trends)}
	for i := range r.bins {
		r.bins[i] = make([]bin, size)
	}
	return r
}

func (r *ring) number(t time.Time) int64 { return t.UnixNano() / int64(r.step) }

// advance empties the bins that time has reached since the last call. Time that
// was set back takes back what it had already reached.
func (r *ring) advance(now time.Time) {
	n := r.number(now)
	from, to := r.last+1, n
	if n < r.last {
		from, to = n+1, r.last
	}
	if to-from >= r.size {
		from = to - r.size + 1
	}
	for i := from; i <= to; i++ {
		for _, bins := range r.bins {
			bins[i%r.size] = bin{}
		}
	}
	r.last = n
}

// History remembers what figures did, for trends. It lives in memory alone: a
// restart begins anew. A value that is not usable leaves a gap.
type History struct {
	mu    sync.Mutex
	index map[string]int // into bins, by figure
	fine  ring
	rough ring
}

// NewHistory returns an empty history.
func NewHistory() *History { return &History{} }

// trended reports whether a figure is a number whose course tells something;
// states do not.
func trended(f *plant.Figure) bool {
	return !slices.Contains([]plant.Quantity{plant.GasLevel, plant.Unavailable, plant.Lost, plant.Doubtful}, f.Quantity)
}

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
	h.fine = newRing(fineStep, fineSteps, len(h.index))
	h.rough = newRing(coarseStep, coarseSteps, len(h.index))
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
	h.fine.advance(s.Time)
	h.rough.advance(s.Time)
	for i := range s.Figures {
		f := &s.Figures[i]
		at, ok := h.index[f.Name]
		if !ok || !f.Quality.Usable() {
			continue
		}
		v := float32(f.Shown())
		b := bin{v, v, v, 1, 0}
		if f.Quality.Level != reading.Good {
			b.doubtful = 1
		}
		for _, r := range []*ring{&h.fine, &h.rough} {
			r.bins[at][r.last%r.size].add(b)
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
	r := &h.fine
	if hours > 24 {
		r = &h.rough
	}
	n := min(int64(time.Duration(hours)*time.Hour/r.step), r.size)
	each := (n + maxBins - 1) / maxBins // bins to a point
	step := time.Duration(each) * r.step
	// Points begin at whole multiples of their width, so that they do not change
	// from one answer to the next.
	end := r.last/each*each + each
	start := end - (n+each-1)/each*each
	out := trend{Figure: figure, From: alarms.Stamp(time.Unix(0, start*int64(r.step))), Step: step.Seconds(), Points: []*[4]float32{}}
	for from := start; from < end; from += each {
		var sum bin
		for i := max(from, r.last-r.size+1, 0); i < min(from+each, r.last+1); i++ {
			sum.add(r.bins[at][i%r.size])
		}
		if sum.usable == 0 {
			out.Points = append(out.Points, nil)
			continue
		}
		p := [4]float32{sum.mean, sum.low, sum.high, 0}
		if sum.doubtful > 0 {
			p[3] = 1
		}
		out.Points = append(out.Points, &p)
	}
	return out, true
}
