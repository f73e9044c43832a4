package plant

import (
	"math"
	"time"

	"ebbwatch/agent/air"
	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
)

// step gives a segment its figures, in the order in which New listed them.
func (s *segment) step(p *Plant, now time.Time, w *writer) {
	r := s.state.Step(now, contact.Inputs{
		Residual: p.reading(s.residual), PH: p.reading(s.ph), Temperature: p.reading(s.temperature),
		Flow: p.reading(s.flow), Level: p.reading(s.level),
	})
	at := p.oldest(s.residual, s.ph, s.temperature, s.flow, s.level)
	put := func(v contact.Value, method string) { w.next(v.Quality, at).set(v.Value).Method = method }
	method := string(s.Settings.Method)
	put(r.T10, string(r.Basis))
	put(r.CT, string(r.Basis))
	put(r.RequiredGiardia, method)
	put(r.RequiredVirus, method)
	put(r.Ratio, method)
	put(r.GiardiaLog, method)
	put(r.VirusLog, method)
}

// step gives a bank its figures.
func (b *bank) step(p *Plant, w *writer) {
	for i, at := range b.scales {
		b.weights[i] = p.reading(at)
	}
	var room *reading.Reading
	if b.room != none {
		room = &p.points[b.room].current
	}
	r := b.state.Step(b.weights, room)
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
