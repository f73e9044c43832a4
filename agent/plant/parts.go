package plant

import (
	"math"

	"ebbwatch/agent/air"
	"ebbwatch/agent/reading"
)

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
