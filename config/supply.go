package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/units"
)

// ContainerKind is a kind of container that the site describes itself.
type ContainerKind struct {
	Name string
	// Net is what a full one holds, Withdrawal what it can give off as gas at 70 °F.
	Net        units.Kilograms
	Withdrawal units.KilogramsPerSecond
	// PerKelvin is what it gives off for each degree that the room is warmer than its
	// liquid, in kg/(s·K), while the header is at HeaderPressure.
	PerKelvin      float64
	HeaderPressure units.Pascals
	// GasLeft is what is still in it when the last liquid has boiled away.
	GasLeft units.Kilograms
}

// Container is one container on a scale, or several on one.
type Container struct {
	Name string
	// Kind is ton, cylinder-150, cylinder-100 or one of the site's own.
	Kind string
	// Scale is the point that weighs it, Valve that which is 1 while its valve is open;
	// empty when that is not measured.
	Scale, Valve string
	// Count is how many stand on the scale together, Group which of them are drawn
	// together; empty for all.
	Count int
	Group string
	// Tare is the stamped empty weight of all on the scale; zero when the scale shows
	// net weight.
	Tare units.Kilograms
	// Heel is what cannot be drawn from one as gas.
	Heel units.Kilograms
	// Division is the scale's division, the smallest step it shows, Noise the standard
	// deviation of a reading; zero is learnt.
	Division, Noise units.Kilograms
	// Drift is how far the scale drifts in a day, Wander how far in hours; nil for the
	// usual.
	Drift, Wander *units.Kilograms
}

// Signal is a point, or a value that stays.
type Signal struct {
	Point string
	Value units.MilligramsPerLitre
}

// Given reports whether the site file gives it.
func (s Signal) Given() bool { return s.Point != "" || s.Value > 0 }

// Bank is a set of containers on one header.
type Bank struct {
	Name       string
	Place      string
	Containers []Container
	// RoomTemperature is the point of the room's temperature, Header that of the
	// pressure in the header; empty when it is not measured.
	RoomTemperature, Header string
	// HeaderPressure is the lowest absolute header pressure the regulator
	// accepts; zero takes the value of the container kind.
	HeaderPressure units.Pascals
	// Liquid tells that chlorine is drawn as liquid, to an evaporator.
	Liquid bool
	// Feed is the point of a feeder's signal, Flow those whose sum is the water that is
	// dosed. Dose, or Residual and Demand together, tell how much it gets.
	Feed     string
	Flow     []string
	Dose     Signal
	Residual string
	Demand   Signal
	// FeedError is how far these wander, as a share, and FeedGain what a unit of them
	// is; zero for the usual and for learning it.
	FeedError, FeedGain float64
	// Stock is the chlorine in full containers beside the bank when it is watched for
	// the first time.
	Stock units.Kilograms
	// LeadDays are the working days from an order to its delivery, nil when nobody is
	// to be told to order.
	LeadDays *int
	// ReportableLoss is the loss in 24 h that has to be reported.
	ReportableLoss units.Kilograms

	WithdrawalHigh, EmptyNotice, EmptyUrgent AlarmSetting
	StandbyEmpty, OrderDue                   AlarmSetting
	At                                       int
}

// Fed reports whether the site file tells what is fed.
func (b *Bank) Fed() bool { return b.Feed != "" || len(b.Flow) > 0 }

// Standby reports whether some of the containers wait for the others.
func (b *Bank) Standby() bool {
	return slices.ContainsFunc(b.Containers, func(c Container) bool { return c.Group != b.Containers[0].Group })
}

// supplyKeys lists the keys of containers and banks.
func supplyKeys(ratio string) []Key {
	const age = "a duration over 0 such as 48h or 2d, at most 3650d"
	mass := func(example string) string { return in("a mass of 0 or more such as "+example, units.Mass) }
	keys := []Key{
		{"staffed", false, "", "two different times of day such as 07:00 to 16:00, between which somebody is on the site; absent, always"},
		{"staffed_on", false, "working-days", "working-days or every-day, together with staffed"},
		{"container_kinds", false, "", "the site's own kinds of container by name"},
		{"container_kinds.*", false, "", "a block with net, withdrawal, per_degree and header_pressure; its name is not that of a kind that ebbwatch knows"},
		{"container_kinds.*.net", must, "", in("a mass over 0 such as 900 kg, of the chlorine in a full one", units.Mass)},
		{"container_kinds.*.withdrawal", must, "", in("a mass flow over 0 such as 400 lb/d, that it can give off as gas at 70 degF", units.MassFlow)},
		{"container_kinds.*.per_degree", must, "", "what it gives off more for each degree that the room is warmer, over 0, such as 8 lb/d per degF (per degF or degC)"},
		{"container_kinds.*.header_pressure", must, "", in("an absolute pressure over 0 such as 28 psig, of the header at which that holds", units.Pressure)},
		{"container_kinds.*.gas_left", false, "0 kg", mass("36 lb, of gas when the last liquid is gone")},

		{"banks", false, "", "banks of containers by name"},
		{"banks.*", false, "", "a block with place and containers"},
		{"banks.*.place", must, "", "where it stands, for people, on one line"},
		{"banks.*.room_temperature", false, "", onePoint + "temperature"},
		{"banks.*.header", false, "", onePoint + "pressure, of the gas in the header, together with header_pressure"},
		{"banks.*.header_pressure", false, "", in("an absolute pressure over 0 such as 28 psig", units.Pressure)},
		{"banks.*.withdrawal", false, "gas", "gas or liquid"},
		{"banks.*.feed", false, "", onePoint + "mass flow, of the chlorine that is fed"},
		{"banks.*.flow", false, "", "the points that measure the flow of the water that is dosed, joined by +, together with dose, or with residual and demand"},
		{"banks.*.dose", false, "", in("the name of a point that measures concentration in water, or a concentration over 0 such as 2 mg/L, together with flow", units.Concentration)},
		{"banks.*.residual", false, "", onePoint + "concentration in water, together with demand and in place of dose"},
		{"banks.*.demand", false, "", in("the name of a point that measures concentration in water, or a concentration over 0 such as 1.2 mg/L, together with residual", units.Concentration)},
		{"banks.*.feed_error", false, "2%", "a ratio over 0 such as 0.02 or 2%, by which the feed may differ from what its signal says"},
		{"banks.*.feed_gain", false, "", "a number from 0.5 to 2; absent, what the scales show a unit of the feed signal to be"},
		{"banks.*.stock", false, "0 kg", mass("4000 lb, of chlorine in full containers beside the bank at the first start; orders change it later")},
		{"banks.*.lead_days", false, "", "a whole number from 0 to 60, of working days from an order to its delivery"},
		{"banks.*.reportable_loss", false, "10 lb", in("a mass over 0 such as 10 lb, whose loss within 24 h has to be reported", units.Mass)},
		{"banks.*.containers", must, "", "at least one container by its name"},
		{"banks.*.containers.*", false, "", "a block with kind, scale and tare"},
		{"banks.*.containers.*.kind", must, "", "ton, cylinder-150, cylinder-100 or one of container_kinds"},
		{"banks.*.containers.*.count", false, "1", "a whole number from 1 to 20, of containers that stand on the scale together"},
		{"banks.*.containers.*.group", false, "", "a name of lower-case letters, digits and inner hyphens, of the containers that are drawn together; the first one's group is on duty first"},
		{"banks.*.containers.*.scale", must, "", onePoint + "mass, for one container only"},
		{"banks.*.containers.*.valve", false, "", "the name of a point that is a state, 1 while the container's valve is open"},
		{"banks.*.containers.*.tare", must, "", in("a mass of 0 or more such as 1480 lb, 0 when the scale shows net weight", units.Mass)},
		{"banks.*.containers.*.heel", false, "0 kg", mass("36 lb")},
		{"banks.*.containers.*.division", false, "0 kg", mass("1 lb")},
		{"banks.*.containers.*.noise", false, "0 kg", mass("0.5 lb, the standard deviation of a reading; 0 is learnt")},
		{"banks.*.containers.*.drift", false, "", mass("2 lb, by which the scale drifts in a day from peak to peak; absent, one division")},
		{"banks.*.containers.*.wander", false, "", mass("0.2 lb, the standard deviation of its drift over hours; absent, 0.2 lb over 500 lb of chlorine, else 0.1 lb")},
	}
	keys = append(keys, alarm("banks.*.withdrawal_high", ratio, "a ratio of 0 or more, under the limit, such as 0.05 or 5%")...)
	for _, name := range []string{"empty_notice", "empty_urgent", "standby_empty", "order_due"} {
		keys = append(keys, alarm("banks.*."+name, age, "a duration from 0 to 3650d")...)
	}
	return keys
}

// knownKinds are those that need no description.
var knownKinds = []string{"ton", "cylinder-150", "cylinder-100"}

func (r *siteReader) containerKind(name string, v value) ContainerKind {
	k := ContainerKind{Name: name}
	b, ok := v.block()
	if !ok {
		return k
	}
	if slices.Contains(knownKinds, name) {
		v.bad(quote(name))
	}
	quantity(b.get("net"), &k.Net, units.Mass, positive)
	quantity(b.get("withdrawal"), &k.Withdrawal, units.MassFlow, positive)
	b.get("per_degree").perDegree(&k.PerKelvin)
	quantity(b.get("header_pressure"), &k.HeaderPressure, units.Pressure, positive)
	quantity(b.get("gas_left"), &k.GasLeft, units.Mass, notNegative)
	return k
}

// perDegree reads a mass flow for each degree: "8 lb/d per degF".
func (v value) perDegree(dst *float64) {
	s, ok := v.scalar()
	if !ok {
		return
	}
	flow, per, _ := strings.Cut(s, " per ")
	f, u, err := units.ParseQuantity(flow)
	degree, err2 := units.Parse(strings.TrimSpace(per))
	if err != nil || err2 != nil || u.Dimension != units.MassFlow || degree.Dimension != units.Temperature {
		v.bad(show(s))
		return
	}
	keep(v, dst, u.SI(f)/degree.SpanSI(1), positive)
}

func (r *siteReader) bank(name string, v value, kinds []ContainerKind) Bank {
	k := Bank{Name: name, At: v.line}
	b, ok := v.block()
	if !ok {
		return k
	}
	b.get("place").text(&k.Place)
	r.refer(b.get("room_temperature"), &k.RoomTemperature, units.Temperature)
	r.refer(b.get("header"), &k.Header, units.Pressure)
	quantity(b.get("header_pressure"), &k.HeaderPressure, units.Pressure, positive)
	if b.has("header") && !b.has("header_pressure") {
		b.fault(b.get("header").line, "header without header_pressure in "+v.path, "both: the pressure in the header is compared with what the regulator needs")
	}
	var withdrawal string
	oneOf(b.get("withdrawal"), &withdrawal, "gas", "liquid")
	k.Liquid = withdrawal == "liquid"
	r.fed(b, &k)
	quantity(b.get("stock"), &k.Stock, units.Mass, notNegative)
	var lead int
	if b.get("lead_days").whole(&lead, between(0, 60)) {
		k.LeadDays = &lead
	}
	quantity(b.get("reportable_loss"), &k.ReportableLoss, units.Mass, positive)
	k.Containers = each(b.get("containers"), func(name string, v value) Container { return r.container(name, v, kinds) })
	r.bankAlarms(v, b, &k)
	return k
}

// fed reads what tells how much chlorine is fed.
func (r *siteReader) fed(b block, k *Bank) {
	r.refer(b.get("feed"), &k.Feed, units.MassFlow)
	r.sum(b.get("flow"), &k.Flow)
	r.signal(b.get("dose"), &k.Dose)
	r.refer(b.get("residual"), &k.Residual, units.Concentration)
	r.signal(b.get("demand"), &k.Demand)
	quantity(b.get("feed_error"), &k.FeedError, units.Ratio, positive)
	b.get("feed_gain").number(&k.FeedGain, func(f float64) bool { return f >= 0.5 && f <= 2 })
	b.together("residual", "demand", "both, or neither")
	b.instead("dose", "residual", "dose, or residual and demand in its place")
	dosed := b.has("dose") || b.has("residual")
	switch {
	case b.has("flow") && !dosed:
		b.fault(b.get("flow").line, "flow without dose in "+b.path, "dose, or residual and demand, to tell what the water gets")
	case dosed && !b.has("flow"):
		b.fault(b.line, "no flow in "+b.path, "the flow of the water that gets the dose")
	}
	for _, name := range []string{"feed_error", "feed_gain"} {
		if b.has(name) && !b.has("feed") && !b.has("flow") {
			b.fault(b.get(name).line, name+" without feed or flow in "+b.path, "it beside what tells the feed only")
		}
	}
}

// signal reads the name of a point, or a concentration.
func (r *siteReader) signal(v value, dst *Signal) {
	s, ok := v.scalar()
	if _, bare := parseNumber(s); ok && isName(s) && !bare {
		r.refer(v, &dst.Point, units.Concentration)
	} else {
		quantity(v, &dst.Value, units.Concentration, positive)
	}
}

// bankAlarms reads the alarms of a bank.
func (r *siteReader) bankAlarms(v value, b block, k *Bank) {
	name := k.Name
	withdrawal := b.get("withdrawal_high")
	k.WithdrawalHigh = withdrawal.alarm(units.Ratio)
	clears(withdrawal, k.WithdrawalHigh, withdrawalHigh, withdrawalHighDeadband)
	k.EmptyNotice = b.get("empty_notice").alarm(units.Time)
	k.EmptyUrgent = b.get("empty_urgent").alarm(units.Time)
	k.StandbyEmpty = b.get("standby_empty").alarm(units.Time)
	k.OrderDue = b.get("order_due").alarm(units.Time)
	notice, urgent := or(k.EmptyNotice.Limit, emptyNotice), or(k.EmptyUrgent.Limit, emptyUrgent)
	if urgent >= notice {
		v.fault(b.get("empty_urgent").line, fmt.Sprintf("an empty_urgent limit of %.4g h at an empty_notice limit of %.4g h for %s", urgent/3600, notice/3600, v.path),
			"the urgent limit under that of the notice; absent, they are 8 h and 48 h")
	}
	if b.has("standby_empty") && len(k.Containers) > 0 && !k.Standby() {
		v.fault(b.get("standby_empty").line, "standby_empty in "+v.path+", whose containers are all of one group", "containers of two groups or more, of which one stands by")
	}
	if b.has("order_due") && k.LeadDays == nil {
		v.fault(b.get("order_due").line, "order_due without lead_days in "+v.path, "both: without it the latest time to order is not known")
	}
	suffixes := []string{"-empty-notice", "-empty-urgent", "-scale-stuck", "-weight-moved", "-container-off", "-tare-doubtful"}
	if !k.Liquid {
		suffixes = append(suffixes, "-withdrawal-high", "-overdrawn")
	}
	if k.Fed() {
		suffixes = append(suffixes, "-unaccounted", "-loss-reportable", "-feed-lost")
	}
	if len(k.Containers) > 0 && k.Standby() {
		suffixes = append(suffixes, "-standby-empty")
	}
	if k.LeadDays != nil {
		suffixes = append(suffixes, "-order-due")
	}
	if r.staffed {
		suffixes = append(suffixes, "-changeover-unstaffed")
	}
	if k.Header != "" {
		suffixes = append(suffixes, "-header-low")
	}
	for _, alarm := range suffixes {
		r.alarmName(v, name+alarm)
	}
}

func (r *siteReader) container(name string, v value, kinds []ContainerKind) Container {
	c := Container{Name: name}
	r.once(v, "the container "+name)
	b, ok := v.block()
	if !ok {
		return c
	}
	names := slices.Clone(knownKinds)
	for _, k := range kinds {
		names = append(names, k.Name)
	}
	oneOf(b.get("kind"), &c.Kind, names...)
	b.get("count").whole(&c.Count, between(1, 20))
	b.get("group").name(&c.Group)
	scale := b.get("scale")
	if _, ok := r.refer(scale, &c.Scale, units.Mass); ok {
		r.once(scale, "the scale "+c.Scale)
	}
	r.valve(b.get("valve"), &c.Valve)
	quantity(b.get("tare"), &c.Tare, units.Mass, notNegative)
	quantity(b.get("heel"), &c.Heel, units.Mass, notNegative)
	span(b.get("division"), &c.Division, units.Mass, notNegative)
	span(b.get("noise"), &c.Noise, units.Mass, notNegative)
	optional := func(name string, dst **units.Kilograms) {
		var kg units.Kilograms
		if b.has(name) && span(b.get(name), &kg, units.Mass, notNegative) {
			*dst = &kg
		}
	}
	optional("drift", &c.Drift)
	optional("wander", &c.Wander)
	return c
}

// valve reads the name of a point that is a state.
func (r *siteReader) valve(v value, dst *string) {
	if p, ok := r.any(v, dst); ok && p.Type != "bit" && p.Bit == nil {
		v.bad("the point " + p.Name + ", which is not a state,")
	}
}

// hours reads when somebody is on the site.
func (r *siteReader) hours(b block, s *Site) {
	var on string
	b.get("staffed").timesOfDay(&s.Staffed)
	oneOf(b.get("staffed_on"), &on, "working-days", "every-day")
	s.StaffedEveryDay = on == "every-day"
	r.staffed = s.Staffed != nil
	if b.has("staffed_on") && !b.has("staffed") {
		b.fault(b.get("staffed_on").line, "staffed_on without staffed", "both, or neither")
	}
}

// Staffs reports whether somebody is on the site at a time, given whether people
// work on that day.
func (s *Site) Staffs(at time.Time, works bool) bool {
	if s.Staffed == nil {
		return true
	}
	if !works && !s.StaffedEveryDay {
		return false
	}
	local := at.In(s.TimeZone)
	day := time.Duration(local.Hour())*time.Hour + time.Duration(local.Minute())*time.Minute
	if from, to := s.Staffed[0], s.Staffed[1]; from < to {
		return day >= from && day < to
	} else {
		return day >= from || day < to
	}
}
