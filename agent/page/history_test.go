package page

import (
	"encoding/json"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
)

func one(at time.Time, f plant.Figure) *agent.Snapshot {
	return &agent.Snapshot{Time: at, Figures: []plant.Figure{f}}
}

func ratio(v float64) plant.Figure {
	return fig(plant.SegmentKind, "clearwell", plant.InactivationRatio, v, "1")
}

const ratioName = "segment.clearwell.inactivation-ratio"

func TestTrendKeepsMeanLeastAndMost(t *testing.T) {
	h := NewHistory()
	for i, v := range []float64{1, 2, 6} {
		h.Observe(one(noon.Add(time.Duration(i)*time.Second), ratio(v)))
	}
	tr, ok := h.trend(ratioName, 1)
	if !ok || len(tr.Points) != 60 || tr.Step != 60 {
		t.Fatalf("%v %+v", ok, tr)
	}
	if last := tr.Points[59]; last == nil || *last != [4]float32{3, 1, 6, 0} {
		t.Errorf("the last minute is %v, want mean 3 of 1, 2 and 6", last)
	}
	if slices.ContainsFunc(tr.Points[:59], func(p *[4]float32) bool { return p != nil }) {
		t.Error("there are points from before the first value")
	}
}

func TestTrendLeavesGaps(t *testing.T) {
	h := NewHistory()
	h.Observe(one(noon, ratio(1)))
	h.Observe(one(noon.Add(time.Minute), bad(ratio(9), reading.NoReply)))
	h.Observe(one(noon.Add(4*time.Minute), uncertain(ratio(2), reading.Frozen)))
	tr, _ := h.trend(ratioName, 1)
	p := tr.Points[len(tr.Points)-5:]
	if p[0] == nil || p[1] != nil || p[2] != nil || p[3] != nil || p[4] == nil {
		t.Fatalf("got %v, want a value, three gaps, a value", p)
	}
	if p[4][3] != 1 || p[0][3] != 0 {
		t.Errorf("doubtful is %v and %v, want 0 and 1", p[0][3], p[4][3])
	}
}

// TestTrendAgainstAPlainList compares the rings with a list of all values, through
// jumps of the clock both ways.
func TestTrendAgainstAPlainList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := NewHistory()
		of := rapid.SampledFrom(scales).Draw(t, "scale")
		type seen struct {
			bin int64
			v   float64
		}
		var all []seen
		now, bin := noon, int64(0)
		for range rapid.IntRange(1, 40).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.OneOf(rapid.IntRange(0, 200), rapid.IntRange(-4000, 90000)).Draw(t, "seconds")) * time.Second)
			before := bin
			bin = now.UnixNano() / int64(of.step)
			// What the clock took back is forgotten, and what it left far behind.
			all = slices.DeleteFunc(all, func(s seen) bool {
				return bin < before && s.bin >= bin || s.bin <= bin-int64(time.Duration(of.hours)*time.Hour/of.step)
			})
			v := rapid.Float64Range(-5, 5).Draw(t, "value")
			if rapid.Bool().Draw(t, "usable") {
				h.Observe(one(now, ratio(v)))
				all = append(all, seen{bin, v})
			} else {
				h.Observe(one(now, bad(ratio(v), reading.Stale)))
			}
		}
		tr, ok := h.trend(ratioName, of.hours)
		if !ok {
			t.Fatal("the figure is not remembered")
		}
		start := time.Time(tr.From).UnixNano() / int64(of.step)
		if len(tr.Points) > maxPoints || start+int64(len(tr.Points)) != bin+1 || tr.Step != of.step.Seconds() {
			t.Fatalf("%d points of %v s from %v, now is bin %d", len(tr.Points), tr.Step, time.Time(tr.From), bin)
		}
		for i, p := range tr.Points {
			low, high, sum, n := math.Inf(1), math.Inf(-1), 0.0, 0
			for _, s := range all {
				if s.bin == start+int64(i) {
					low, high, sum, n = min(low, s.v), max(high, s.v), sum+s.v, n+1
				}
			}
			switch {
			case (p == nil) != (n == 0):
				t.Fatalf("point %d is %v, but %d values are in it", i, p, n)
			case p != nil && (p[1] != float32(low) || p[2] != float32(high) || math.Abs(float64(p[0])-sum/float64(n)) > 1e-4):
				t.Fatalf("point %d is %v, want mean %v of %v to %v", i, *p, sum/float64(n), low, high)
			}
		}
	})
}

func TestTrendsAreBounded(t *testing.T) {
	h := NewHistory()
	s := &agent.Snapshot{Time: noon}
	for i := range 2 * maxTrends {
		s.Figures = append(s.Figures, fig(plant.PointKind, "p"+string(rune('a'+i)), plant.ReadingOf, 1, "1"))
	}
	s.Figures = append(s.Figures, ratio(1), fig(plant.DetectorKind, "gas-1", plant.Unavailable, 0, "1"))
	h.Observe(s)
	if len(h.index) != maxTrends {
		t.Errorf("%d trends, want %d", len(h.index), maxTrends)
	}
	if _, ok := h.trend(ratioName, 1); !ok {
		t.Error("a figure that is made must go before a reading")
	}
	if _, ok := h.trend("detector.gas-1.unavailable", 1); ok {
		t.Error("a state has no course")
	}
}

func TestHistoryOverHTTP(t *testing.T) {
	h := NewHistory()
	h.Observe(one(noon, ratio(1.5)))
	page := Handler(Options{Snapshot: newSource(quiet()).Load, Site: ridge(), History: h})
	for _, c := range []struct {
		query string
		code  int
	}{
		{"figure=" + ratioName, http.StatusOK},
		{"figure=" + ratioName + "&hours=336", http.StatusOK},
		{"figure=" + ratioName + "&hours=0", http.StatusBadRequest},
		{"figure=" + ratioName + "&hours=9999", http.StatusBadRequest},
		{"figure=" + ratioName + "&hours=x", http.StatusBadRequest},
		{"figure=none", http.StatusNotFound},
		{"", http.StatusNotFound},
	} {
		w := get(t, page, "/v1/history?"+c.query)
		if w.Code != c.code {
			t.Errorf("%s: %d, want %d", c.query, w.Code, c.code)
		}
		var tr struct {
			Points []*[4]float64
			Step   float64 `json:"step_s"`
		}
		if w.Code == http.StatusOK {
			if err := json.Unmarshal(w.Body.Bytes(), &tr); err != nil || len(tr.Points) == 0 || len(tr.Points) > maxPoints || tr.Step == 0 {
				t.Errorf("%s: %v, %d points of %v s", c.query, err, len(tr.Points), tr.Step)
			}
		}
	}
	if w := get(t, Handler(Options{Snapshot: newSource(quiet()).Load}), "/v1/history?figure="+ratioName); w.Code != http.StatusNotFound {
		t.Errorf("without a history: %d", w.Code)
	}
}

func BenchmarkObserve(b *testing.B) {
	h := NewHistory()
	s := &agent.Snapshot{Time: noon}
	for i := range maxTrends {
		s.Figures = append(s.Figures, fig(plant.PointKind, "p"+string(rune('a'+i)), plant.ReadingOf, 1, "1"))
	}
	b.ReportAllocs()
	for b.Loop() {
		s.Time = s.Time.Add(time.Second)
		h.Observe(s)
	}
}

// BenchmarkHistoryMemory is the size of a full history.
func BenchmarkHistoryMemory(b *testing.B) {
	s := &agent.Snapshot{Time: noon}
	for i := range maxTrends {
		s.Figures = append(s.Figures, fig(plant.PointKind, "p"+string(rune('a'+i)), plant.ReadingOf, 1, "1"))
	}
	b.ReportAllocs()
	for b.Loop() {
		NewHistory().Observe(s)
	}
}

// TestThePageOffersTheCoursesThereAre: it knows the same figures without one.
func TestThePageOffersTheCoursesThereAre(t *testing.T) {
	script := string(must(files.ReadFile("assets/words.js")))
	between := func(begin string) string {
		_, list, _ := strings.Cut(script, begin)
		list, _, _ = strings.Cut(list, "]")
		return list
	}
	list := between("const flags = [") + ", " + between("const apart = [")
	var want []string
	for _, q := range states {
		want = append(want, "'"+string(q)+"'")
	}
	if list != strings.Join(want, ", ") {
		t.Errorf("the page leaves out %s, the history %s", list, strings.Join(want, ", "))
	}
}
