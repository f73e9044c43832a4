package plant

import (
	"math"
	"slices"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
)

// Bank is a set of containers on one header. Scales names the point of each
// container, in the order of Settings.Containers, and Valves that of its valve; what
// is empty is not measured.
type Bank struct {
	Name string
	// Place is the room in which it stands, where detectors watch it.
	Place          string
	Scales, Valves []string
	// RoomTemperature, Header and Feed are points: of the room, of the pressure in the
	// header, which the regulator needs to be HeaderNeeded, and of what a feeder says
	// that it feeds.
	RoomTemperature, Header, Feed string
	HeaderNeeded                  units.Pascals
	// Flow are the points whose sum is the water that is dosed. Dose, or Residual and
	// Demand together, tell what it gets.
	Flow         []string
	Dose, Demand Signal
	Residual     string
	// Stock is the chlorine in full containers at the first start.
	Stock units.Kilograms
	// Orders tells that Settings.LeadDays is known, Hours that Settings.Staffed is.
	Orders, Hours bool
	// Reportable is the loss within 24 h that has to be reported.
	Reportable units.Kilograms
	Settings   supply.BankSettings
}

// Signal is a point, or a value that stays, in mg/L.
type Signal struct {
	Point string
	Value float64
}

// Fed reports whether it is known what the bank is fed.
func (b *Bank) Fed() bool { return b.Feed != "" || len(b.Flow) > 0 }

// Standby reports whether some containers wait for the others.
func (b *Bank) Standby() bool {
	cs := b.Settings.Containers
	return slices.ContainsFunc(cs, func(c supply.ContainerSettings) bool { return c.Group != cs[0].Group })
}

type bank struct {
	Bank
	state                                      *supply.Bank
	scales, valves, flows                      []int
	room, header, feed, dose, residual, demand int
	weights                                    []reading.Reading
	closed                                     []bool
	figures                                    []bankFigure
	shown                                      Shown
	book                                       book
	moved                                      moved
	results                                    []supply.ContainerResult // of the last step
}

// moved is the last weight that moved at once.
type moved struct {
	at    time.Time
	words string
}

// bankStep is what a bank's figures are made from.
type bankStep struct {
	supply.BankResult
	now time.Time
	// fed is how good what tells the feed is, scales the worst of the weights' own
	// qualities, valves that of the valves.
	fed, scales, valves reading.Quality
	header, room        reading.Reading
}

// bank makes one from its settings.
func (p *Plant) bank(b Bank, shown Shown, find, optional func(owner, name string) int) *bank {
	k := &bank{
		Bank: b, state: supply.NewBank(b.Settings), shown: shown, room: optional(b.Name, b.RoomTemperature), header: optional(b.Name, b.Header),
		feed: optional(b.Name, b.Feed), dose: optional(b.Name, b.Dose.Point), residual: optional(b.Name, b.Residual), demand: optional(b.Name, b.Demand.Point),
		weights: make([]reading.Reading, len(b.Scales)), closed: make([]bool, len(b.Scales)), results: make([]supply.ContainerResult, len(b.Scales)),
	}
	for i, scale := range b.Scales {
		k.scales = append(k.scales, find(b.Name, scale))
		k.valves = append(k.valves, none)
		if i < len(b.Valves) {
			k.valves[i] = optional(b.Name, b.Valves[i])
		}
	}
	for _, flow := range b.Flow {
		k.flows = append(k.flows, find(b.Name, flow))
	}
	k.book = newBook(&k.Bank, p.zone)
	k.figures = k.list()
	return k
}

// step gives a bank its figures.
func (b *bank) step(p *Plant, now time.Time, w *writer) {
	s := bankStep{now: now, fed: reading.GoodQuality(), scales: reading.GoodQuality(), valves: reading.GoodQuality()}
	in := supply.Inputs{Weights: b.weights, Closed: b.closed, Stock: b.book.stock}
	for i, at := range b.scales {
		b.weights[i] = p.reading(at)
		s.scales = reading.Worst(s.scales, b.weights[i].Quality)
		if b.valves[i] == none {
			continue
		}
		// While a valve is not known it counts as it last was, and the limit is not
		// certain.
		if v := p.reading(b.valves[i]); v.Quality.Usable() {
			b.closed[i] = v.Value == 0
		} else {
			s.valves = reading.UncertainBecause(reading.Missing)
		}
	}
	if b.room != none {
		in.Room = &p.points[b.room].current
	}
	s.header, s.room = p.reading(b.header), p.reading(b.room)
	b.feeds(p, now, &in, &s)
	s.BankResult = b.state.Step(now, in)
	b.results = s.Containers
	b.book.step(b, &s)
	at := p.oldest(b.scales...)
	for i := range b.figures {
		t := b.figures[i].of(&s)
		f := w.next(t.Quality, at).set(t.Value.Value).between(t.Low, t.High)
		f.Method, f.First, f.Evidence = t.method, t.first, t.evidence
		if t.detail != "" {
			f.Detail = t.detail
		}
	}
}

// feeds collects what tells the feed.
func (b *bank) feeds(p *Plant, now time.Time, in *supply.Inputs, s *bankStep) {
	take := func(r reading.Reading) *reading.Reading {
		s.fed = reading.Worst(s.fed, r.Quality)
		return &r
	}
	signal := func(point int, v float64) *reading.Reading {
		switch {
		case point != none:
			return take(p.reading(point))
		case v > 0:
			return &reading.Reading{Value: v, Quality: reading.GoodQuality(), Time: now}
		}
		return nil
	}
	if b.feed != none {
		in.Feed = take(p.reading(b.feed))
	}
	if len(b.flows) == 0 {
		return
	}
	flow := p.sum(b.flows)
	in.Flow = &flow // the demand follows it in any case
	// While the feeder itself tells, nothing else counts for the feed.
	if in.Feed == nil || !in.Feed.Quality.Usable() {
		s.fed = flow.Quality
		in.Dose = signal(b.dose, b.Dose.Value)
		in.Demand = signal(b.demand, b.Demand.Value)
		in.Residual = signal(b.residual, 0)
	}
}

// told is a figure of a bank with its words.
type told struct {
	supply.Value
	method, detail, first, evidence string
}

// bankFigure is one figure of a bank, or of a container on it.
type bankFigure struct {
	kind     Kind
	owner    string
	quantity Quantity
	unit     units.Unit
	of       func(*bankStep) told
}

// list are the figures of a bank; what its settings do not tell has none.
func (b *bank) list() []bankFigure {
	one, hour, degree := units.MustParse("1"), units.MustParse("h"), units.MustParse("degC")
	if b.shown.Mass.Symbol == "lb" {
		degree = units.MustParse("degF")
	}
	var out []bankFigure
	kind, owner := BankKind, b.Name
	add := func(applies bool, q Quantity, u units.Unit, of func(*bankStep) told) {
		if applies {
			out = append(out, bankFigure{kind, owner, q, u, of})
		}
	}
	gas, fed := !b.Settings.Liquid, b.Fed()
	limited := func(v supply.Value, s *bankStep) told {
		v.Quality = reading.Worst(v.Quality, s.valves)
		return told{Value: v, method: string(s.LimitMethod)}
	}
	balanced := func(v supply.Value, s *bankStep) told {
		if s.fed.Usable() {
			v.Quality = reading.Worst(v.Quality, s.fed)
		}
		return told{Value: v}
	}
	add(true, NetWeight, b.shown.Mass, func(s *bankStep) told { return told{Value: s.Net} })
	add(true, WithdrawalRate, b.shown.MassFlow, func(s *bankStep) told { return told{Value: s.Rate} })
	add(true, WithdrawalLimit, b.shown.MassFlow, func(s *bankStep) told { return limited(s.Limit, s) })
	add(true, WithdrawalRatio, one, func(s *bankStep) told { return limited(s.Ratio, s) })
	add(true, TimeToEmpty, hour, func(s *bankStep) told { return told{Value: s.TimeToEmpty} })
	add(true, RateQuarter, b.shown.MassFlow, func(s *bankStep) told { return told{Value: s.RateQuarter} })
	add(true, RateDay, b.shown.MassFlow, func(s *bankStep) told { return told{Value: s.RateDay} })
	add(gas, Headroom, b.shown.MassFlow, func(s *bankStep) told { return limited(s.Draw.Headroom, s) })
	add(true, PeakDemand, b.shown.MassFlow, func(s *bankStep) told { return told{Value: s.Draw.Peak} })
	add(gas, ContainersNeeded, one, func(s *bankStep) told { return counted(s.Draw.Needed, s.Rate, s.Limit) })
	add(gas, ContainersNeededPeak, one, func(s *bankStep) told { return counted(s.Draw.NeededAtPeak, s.Draw.Peak, s.Limit) })
	add(gas, LowestRoom, degree, func(s *bankStep) told { return told{Value: within(s.Draw.LowestRoom, s.Rate.Quality)} })
	add(gas && b.room != none, FrostFrom, b.shown.MassFlow, b.frost)
	add(gas, LiquidEnd, hour, func(s *bankStep) told { return told{Value: s.Supply.LiquidEnd} })
	add(b.Standby(), TimeToEmptyStandby, hour, func(s *bankStep) told { return told{Value: s.Supply.WithStandby} })
	add(true, TimeToEmptyStock, hour, func(s *bankStep) told { return told{Value: s.Supply.AllStock} })
	add(true, Stock, b.shown.Mass, func(*bankStep) told { return told{Value: exactly(float64(b.book.stock))} })
	add(b.Orders, TimeToOrder, hour, b.timeToOrder)
	add(fed, ExpectedRate, b.shown.MassFlow, func(s *bankStep) told { return balanced(s.Feed, s) })
	add(fed, LossHour, b.shown.MassFlow, func(s *bankStep) told { return balanced(s.Balance.LossHour, s) })
	add(fed, LossDay, b.shown.Mass, func(s *bankStep) told { return balanced(s.Balance.LossDay, s) })
	add(fed, SmallestLoss, b.shown.MassFlow, func(s *bankStep) told {
		return balanced(supply.Value{Value: s.Balance.Smallest, Low: math.NaN(), High: math.NaN(), Quality: s.Feed.Quality}, s)
	})
	add(fed, Unaccounted, one, b.unaccounted)
	add(fed, LossReportable, one, b.lossReportable)
	add(fed, FeedLost, one, b.feedLost)
	add(gas, Overdrawn, one, b.overdrawn)
	add(true, ScaleStuck, one, b.scaleStuck)
	add(true, WeightMoved, one, b.weightMoved)
	add(true, ContainerOff, one, b.containerOff)
	add(true, TareDoubtful, one, b.tareDoubtful)
	add(b.Hours, ChangeoverUnstaffed, one, b.changeover)
	add(b.header != none, HeaderLow, one, b.headerLow)
	kind = ContainerKind
	for i, c := range b.Settings.Containers {
		owner = c.Name
		add(true, NetWeight, b.shown.Mass, func(s *bankStep) told { return told{Value: s.Containers[i].Net} })
		add(true, WithdrawalRate, b.shown.MassFlow, func(s *bankStep) told { return told{Value: s.Containers[i].Rate} })
		add(true, TimeToEmpty, hour, func(s *bankStep) told { return told{Value: s.Containers[i].TimeToEmpty} })
	}
	return out
}

func exactly(v float64) supply.Value {
	return supply.Value{Value: v, Low: math.NaN(), High: math.NaN(), Quality: reading.GoodQuality()}
}

func unknown(q reading.Quality) supply.Value {
	return supply.Value{Low: math.NaN(), High: math.NaN(), Quality: q}
}

// within lowers a quality to that of what a value was made from.
func within(v supply.Value, of ...reading.Quality) supply.Value {
	v.Quality = reading.Worst(append(of, v.Quality)...)
	return v
}

// counted is how many containers give off a rate.
func counted(n int, rate, limit supply.Value) told {
	q := reading.Worst(rate.Quality, limit.Quality)
	if q.Usable() && n == 0 && rate.Low > 0 {
		return told{Value: unknown(reading.BadBecause(reading.Inconsistent)), detail: "is not known: no number of such containers gives this rate off"}
	}
	v := exactly(float64(n))
	v.Quality = q
	return told{Value: v}
}
