package supply

import (
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// rig simulates the scales of one bank, its feed and its demand in the units of
// the trade: lb, lb/d and days. It is deterministic by its seed.
type rig struct {
	seed  uint64
	every time.Duration
	kind  string
	// sigma, division, drift (peak to peak in a day), wander (standard deviation,
	// 8 h correlation) of each scale.
	sigma, division, drift, wander float64
	known                          bool // noise and drift stand in the settings
	containers                     int
	net                            float64                 // of each at the start
	rate                           func(d float64) float64 // demand; nil: constant
	constant                       float64
	feedKnown                      bool
	feedError                      float64                        // standard deviation of its share, 1 d correlation
	feedOut                        func(d float64) bool           // the feed signal is lost
	trust                          float64                        // BankSettings.FeedError
	loss                           func(d float64) float64        // lb/d that leaves by no feed
	starved                        func(d float64) bool           // the feed runs, nothing is drawn
	drawn                          func(d float64) int            // which container
	disturb                        func(i int, d float64) float64 // added to a scale
	silent                         func(i int, d float64) bool    // no reading
	frozen                         func(d float64) bool           // container 0's display
	outliers                       float64
	group                          bool
	settings                       func(*BankSettings)
	heel, stock                    float64
	feedGain                       float64 // what the signal shows of a unit; 0 is 1
	remember                       *Memory
}

const rigTare = 1500.0

func (g *rig) tare() float64 {
	if g.kind == "cylinder-150" {
		return 92
	}
	return rigTare
}

func pounds(v float64) units.Kilograms { return units.Kilograms(v * poundKilograms) }

func ptr[T any](v T) *T { return &v }

// truth is what the simulation knows.
type truth struct {
	net     []float64 // lb
	drawn   float64   // lb since the start
	bank    *Bank
	at      time.Time
	days    float64
	feed    float64 // lb/d asked for
	reading []float64
}

// run feeds a bank and calls back after each step.
func (g rig) run(length time.Duration, after func(truth, BankResult)) {
	r := rand.New(rand.NewPCG(g.seed, 77))
	n := max(1, g.containers)
	s := BankSettings{FeedError: g.trust}
	for i := range n {
		c := ContainerSettings{Kind: g.kind, Tare: pounds(g.tare()), Division: pounds(g.division), Heel: pounds(g.heel)}
		if g.known {
			c.Noise, c.Drift, c.Wander = pounds(g.sigma), ptr(pounds(g.drift)), ptr(pounds(g.wander))
		}
		if g.group {
			c.Group = string(rune('a' + i))
		}
		s.Containers = append(s.Containers, c)
	}
	if g.settings != nil {
		g.settings(&s)
	}
	b := NewBank(s)
	if g.remember != nil {
		if err := b.Remember(*g.remember); err != nil {
			panic(err)
		}
	}
	shows := 1.0
	if g.feedGain != 0 {
		shows = g.feedGain
	}
	tr := truth{net: make([]float64, n), bank: b, reading: make([]float64, n)}
	phase, wander, held := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		tr.net[i] = g.net + r.Float64()
		phase[i] = r.Float64()
		wander[i] = g.wander * r.NormFloat64()
	}
	gain := g.feedError * r.NormFloat64()
	ws := make([]reading.Reading, n)
	dt := g.every.Hours() / 24
	keep, kick := math.Exp(-dt*3), math.Sqrt(1-math.Exp(-dt*6))
	gainKeep, gainKick := math.Exp(-dt), math.Sqrt(1-math.Exp(-2*dt))
	feed := reading.Reading{Quality: reading.GoodQuality()}
	for at := time.Duration(0); at <= length; at += g.every {
		d := at.Hours() / 24
		rate := g.constant
		if g.rate != nil {
			rate = g.rate(d)
		}
		which := 0
		if g.drawn != nil {
			which = g.drawn(d)
		}
		if at > 0 && (g.starved == nil || !g.starved(d)) {
			tr.net[which] -= rate * dt
			tr.drawn += rate * dt
		}
		if g.loss != nil && at > 0 {
			tr.net[which] -= g.loss(d) * dt
		}
		if g.feedError > 0 {
			gain = gain*gainKeep + g.feedError*gainKick*r.NormFloat64()
		}
		now := start.Add(at)
		for i := range n {
			if g.wander > 0 {
				wander[i] = wander[i]*keep + g.wander*kick*r.NormFloat64()
			}
			w := g.tare() + tr.net[i] + wander[i] + g.drift/2*math.Sin(2*math.Pi*(d+phase[i])) + g.sigma*r.NormFloat64()
			if g.outliers > 0 && r.Float64() < g.outliers {
				w += 30 * r.NormFloat64()
			}
			if g.disturb != nil {
				w += g.disturb(i, d)
			}
			if g.division > 0 {
				w = g.division * math.Round(w/g.division)
			}
			if i == 0 && g.frozen != nil && g.frozen(d) {
				w = held[i]
			}
			held[i] = w
			if g.silent != nil && g.silent(i, d) {
				ws[i].Quality = reading.BadBecause(reading.NoReply)
				continue
			}
			ws[i] = reading.Reading{Value: w * poundKilograms, Quality: reading.GoodQuality(), Time: now}
			tr.reading[i] = w
		}
		in := Inputs{Weights: ws, Stock: pounds(g.stock)}
		if g.feedKnown {
			feed.Value, feed.Time = shows*rate*(1+gain)*poundKilograms/secondsPerDay, now
			feed.Quality = reading.GoodQuality()
			if g.feedOut != nil && g.feedOut(d) {
				feed.Quality = reading.BadBecause(reading.NoReply)
			}
			in.Feed = &feed
		}
		tr.at, tr.days, tr.feed = now, d, rate
		after(tr, b.Step(now, in))
	}
}

// score gathers errors of a figure and how often its interval holds the truth.
type score struct {
	n, held, square float64
}

func (s *score) add(v Value, want float64) {
	if !v.Quality.Usable() {
		return
	}
	s.n++
	d := (v.Value - want)
	s.square += d * d
	if v.Low <= want && want <= v.High {
		s.held++
	}
}

func (s score) rmse() float64     { return math.Sqrt(s.square / s.n) }
func (s score) coverage() float64 { return s.held / s.n }

func perDay(lb float64) float64 { return lb * poundKilograms / secondsPerDay }

// full reports whether the whole study is asked for.
func full() bool { return study == "full" }

// seeds is how many are run, from 0 up.
func seeds(short, long int) int {
	if full() {
		return long
	}
	return short
}

func tonRig() rig {
	return rig{kind: "ton", every: 5 * time.Second, sigma: 0.5, division: 1, known: true, net: 1500, constant: 200}
}

func cylinderRig() rig {
	return rig{kind: "cylinder-150", every: 5 * time.Second, sigma: 0.2, division: 0.2, known: true, net: 120, constant: 20}
}

var heading sync.Once

// row is one line of the study's table, in Markdown. A bound or target of 0 is none.
func row(t *testing.T, name, metric string, achieved, target, bound float64, unit string) {
	t.Helper()
	heading.Do(func() {
		t.Log("every case has seeds from 0 up")
		t.Log("| case | measure | achieved | target | bound | unit |")
		t.Log("| --- | --- | ---: | ---: | ---: | --- |")
	})
	t.Logf("| %s | %s | %.3g | %.3g | %.3g | %s |", name, metric, achieved, target, bound, unit)
}
