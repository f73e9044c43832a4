package plant

import (
	"math"
	"time"

	"ebbwatch/agent/air"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
)

// step gives a bank its figures.
func (b *bank) step(p *Plant, now time.Time, w *writer) {
	for i, at := range b.scales {
		b.weights[i] = p.reading(at)
	}
	var room *reading.Reading
	if b.room != none {
		room = &p.points[b.room].current
	}
	r := b.state.Step(now, supply.Inputs{Weights: b.weights, Room: room})
	at := p.oldest(b.scales...)
	put := func(v supply.Value, method string) {
		w.next(v.Quality, at).set(v.Value).between(v.Low, v.High).Method = method
	}
	put(r.Net, "")
	put(r.Rate, "")
	put(r.Limit, string(r.LimitMethod))
	put(r.Ratio, string(r.LimitMethod))
	put(r.TimeToEmpty, "")
}

// step gives a detector its figures. Unavailable is always known: not to know is
// what it tells. A detector that has not been read yet is given its time.
func (d *detector) step(p *Plant, w *writer) {
	r := p.reading(d.point)
	j := d.result
	w.next(j.Quality, r.Time).set(float64(j.Concentration))
	w.next(j.Quality, r.Time).set(float64(j.Level))
	f := w.next(reading.GoodQuality(), r.Time)
	if !j.Available && j.Quality.Reason != reading.NotYetRead {
		f.Value, f.Detail = 1, air.Why(j.Blind)
	}
}

// between sets the interval of a usable figure.
func (f *Figure) between(low, high float64) *Figure {
	if f.Quality.Usable() && !math.IsNaN(low) && !math.IsNaN(high) {
		f.Low, f.High = low, high
	}
	return f
}
