package plant

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

// scene runs one bank of ton containers by exact readings, every 10 s.
type scene struct {
	t     *testing.T
	s     Settings
	p     *Plant
	at    time.Duration
	value map[string]float64 // by point, in its unit
	bad   map[string]string  // by point, a reason
	rate  map[string]float64 // by scale, lb/d that it loses
	fs    []Figure
	told  []Change
	last  map[string]Figure
}

func pounds(v float64) units.Kilograms { return units.Kilograms(unit("lb").SI(v)) }

// header is a bank of one container on duty and one that stands by, with all that can
// be measured.
func header() Settings {
	s := Settings{Shown: Shown{Mass: unit("lb"), MassFlow: unit("lb/d"), TimeZone: time.UTC}}
	for _, p := range [][2]string{{"duty-weight", "lb"}, {"standby-weight", "lb"}, {"room", "degF"}, {"header-pressure", "psig"}, {"fed", "lb/d"}, {"duty-open", "1"}, {"flow", "MGD"}} {
		s.Points = append(s.Points, Point{Name: p[0], Instrument: "scales", Unit: unit(p[1]), Every: 10 * time.Second, StaleAfter: time.Minute})
	}
	s.Instruments = []Instrument{{Name: "scales", Line: "line-a"}}
	b := Bank{
		Name: "tons", Place: "chlorine-room", Scales: []string{"duty-weight", "standby-weight"}, Valves: []string{"duty-open", ""}, RoomTemperature: "room",
		Header: "header-pressure", HeaderNeeded: units.Pascals(unit("psig").SI(28)), Feed: "fed", Stock: pounds(4000), Orders: true, Hours: true, Reportable: pounds(10),
		Settings: supply.BankSettings{LeadDays: 2, FeedError: 0.005, FeedGain: 1, Staffed: func(at time.Time) bool { return at.Hour() >= 7 && at.Hour() < 16 }},
	}
	for _, name := range []string{"duty", "standby"} {
		b.Settings.Containers = append(b.Settings.Containers, supply.ContainerSettings{
			Name: name, Kind: "ton", Group: name, Tare: pounds(1500), Heel: pounds(36), Division: pounds(0.2), Noise: pounds(0.1),
			Drift: new(units.Kilograms), Wander: new(units.Kilograms),
		})
	}
	s.Banks = []Bank{b}
	return s
}

func newScene(t *testing.T, s Settings) *scene {
	return &scene{
		t: t, s: s, p: newPlant(t, s), last: map[string]Figure{}, bad: map[string]string{},
		value: map[string]float64{"duty-weight": 3000, "standby-weight": 3500, "room": 65, "header-pressure": 60, "fed": 100, "duty-open": 1, "flow": 4},
		rate:  map[string]float64{"duty-weight": 100},
	}
}

// run lets time pass.
func (c *scene) run(d time.Duration) {
	for end := c.at + d; c.at < end; {
		c.at += 10 * time.Second
		now := start.Add(c.at)
		var rs []reading.Reading
		for _, p := range c.s.Points {
			c.value[p.Name] -= c.rate[p.Name] * 10 / 86400
			v := c.value[p.Name]
			if p.Unit.Symbol == "lb" { // a display, with noise that dithers it
				v = math.Round((v+0.1*math.Sin(float64(c.at/time.Second)*1.7))/0.2) * 0.2
			}
			r := reading.Reading{Point: p.Name, Value: p.Unit.SI(v), Quality: reading.GoodQuality(), Time: now}
			if reason := c.bad[p.Name]; reason != "" {
				r.Value, r.Quality = 0, reading.BadBecause(reason)
			}
			rs = append(rs, r)
		}
		c.fs = c.p.Step(now, rs)
		c.told = append(c.told, c.p.Changes()...)
	}
	for _, f := range c.fs {
		c.last[f.Name] = f
	}
}

func (c *scene) figure(q Quantity) Figure { return c.last[Name(BankKind, "tons", q)] }

// is checks a state, and that its words tell of it.
func (c *scene) is(q Quantity, on float64, words string) {
	c.t.Helper()
	f := c.figure(q)
	if !f.Quality.Usable() || f.Value != on || !strings.Contains(f.Detail, words) {
		c.t.Errorf("%s after %s is %g, %v, %q; expected %g and words with %q", q, c.at, f.Value, f.Quality, f.Detail, on, words)
	}
}

func (c *scene) order(o ContainerOrder, why string) {
	c.t.Helper()
	enter, err := c.p.Container(start.Add(c.at), o, "operator")
	switch {
	case err == nil && why == "":
		enter()
		c.told = append(c.told, c.p.Changes()...)
	case err == nil || why == "" || !strings.Contains(err.Error(), why):
		c.t.Errorf("%+v: %v, expected %q", o, err, why)
	}
}

// restart gives what is remembered to a new plant.
func (c *scene) restart() {
	c.t.Helper()
	cp := c.p.Checkpoint()
	c.p = newPlant(c.t, c.s)
	if err := c.p.Restore(cp); err != nil {
		c.t.Fatal(err)
	}
	c.at += time.Minute
}

func (c *scene) ledger() *supply.Ledger { return c.p.banks[0].book.Ledger }

// The sizes and times of each case are those of the study of the estimators, whose
// tests are in agent/supply; here it is shown that the figure speaks.
func TestStatesOfABank(t *testing.T) {
	steady := 3 * time.Hour
	for _, tc := range []struct {
		reason   string
		change   func(*scene)
		after    time.Duration
		quantity Quantity
		words    string
		undo     func(*scene) // nil where nothing ends it soon
		cleared  time.Duration
	}{
		{"a loss of 100 lb/d beside the feed", func(c *scene) { c.rate["duty-weight"] = 200 }, 40 * time.Minute, Unaccounted, "loses chlorine that no feed explains",
			func(c *scene) { c.rate["duty-weight"] = 100 }, 4 * time.Hour},
		{"the feed goes on, the weight stands", func(c *scene) { c.rate["duty-weight"] = 0 }, 40 * time.Minute, FeedLost, "gives no chlorine although it should",
			func(c *scene) { c.rate["duty-weight"] = 100 }, 3 * time.Hour},
		// A ton gives 8 lb/d for each degree over -6.7 degC at 28 psig: 8 x (65 - 20) = 360 lb/d.
		{"drawn at 600 of 360 lb/d", func(c *scene) { c.rate["duty-weight"], c.value["fed"] = 600, 600 }, 40 * time.Minute, Overdrawn, "its containers can give off 3",
			func(c *scene) { c.rate["duty-weight"], c.value["fed"] = 100, 100 }, 3 * time.Hour},
		{"30 lb at once", func(c *scene) { c.value["duty-weight"] -= 30 }, 5 * time.Minute, WeightMoved, "duty by -30 lb", func(*scene) {}, time.Hour},
		{"a container lifted off", func(c *scene) { c.value["standby-weight"] = 2 }, 5 * time.Minute, ContainerOff, "or a scale that has failed: standby",
			func(c *scene) { c.value["standby-weight"] = 3500 }, 5 * time.Minute},
		{"another container of unknown tare", func(c *scene) { c.value["duty-weight"] = 3540 }, 5 * time.Minute, TareDoubtful, "another container at duty since",
			func(c *scene) {
				c.order(ContainerOrder{Action: "on", Container: "duty", Serial: "KR-7", Tare: "1490 lb"}, "")
			}, time.Minute},
		{"more than it can hold", func(c *scene) { c.value["standby-weight"] = 4200 }, 5 * time.Minute, TareDoubtful, "a net weight at standby",
			func(c *scene) { c.value["standby-weight"] = 3500 }, 5 * time.Minute},
		{"no pressure in the header", func(c *scene) { c.value["header-pressure"] = 20 }, time.Minute, HeaderLow, "has 20 psig in its header, under the 28 psig",
			func(c *scene) { c.value["header-pressure"] = 60 }, time.Minute},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			c := newScene(t, header())
			c.run(steady)
			c.is(tc.quantity, 0, "")
			tc.change(c)
			c.run(tc.after)
			c.is(tc.quantity, 1, tc.words)
			tc.undo(c)
			c.run(tc.cleared)
			f := c.figure(tc.quantity)
			if tc.reason != "more than it can hold" && f.Value != 0 {
				t.Errorf("%s later still %q", tc.cleared, f.Detail)
			}
		})
	}
}

// What cannot be seen is not called well, and what is raised stays raised.
func TestBadInputsOfStates(t *testing.T) {
	for _, tc := range []struct {
		point string
		blind []Quantity // bad with it
		sees  []Quantity // go on
	}{
		{"duty-weight", []Quantity{Unaccounted, FeedLost, LossReportable, Overdrawn, ScaleStuck, ContainerOff, NetWeight, TimeToEmpty, TimeToEmptyStandby, TimeToEmptyStock, TimeToOrder, ChangeoverUnstaffed, LossHour, LossDay}, []Quantity{HeaderLow, ExpectedRate, WeightMoved, Stock}},
		{"header-pressure", []Quantity{HeaderLow}, []Quantity{Overdrawn, Unaccounted, FeedLost}},
		{"fed", []Quantity{Unaccounted, FeedLost, LossHour, LossDay, LossReportable, ExpectedRate, SmallestLoss}, []Quantity{Overdrawn, TimeToEmpty, NetWeight, HeaderLow}},
	} {
		c := newScene(t, header())
		c.run(4 * time.Hour)
		c.bad[tc.point] = reading.NoReply
		c.run(15 * time.Minute)
		for _, q := range tc.blind {
			if f := c.figure(q); f.Quality.Usable() || f.Value != 0 {
				t.Errorf("without %s, %s is %g, %v", tc.point, q, f.Value, f.Quality)
			}
		}
		for _, q := range tc.sees {
			if f := c.figure(q); !f.Quality.Usable() {
				t.Errorf("without %s, %s is %v", tc.point, q, f.Quality)
			}
		}
	}
	c := newScene(t, header())
	c.run(3 * time.Hour)
	c.rate["duty-weight"] = 300
	c.run(time.Hour)
	c.is(Unaccounted, 1, "")
	c.bad["duty-weight"] = reading.NoReply
	c.run(30 * time.Minute)
	if f := c.figure(Unaccounted); f.Value != 1 || f.Quality.Level != reading.Uncertain {
		t.Errorf("a loss that was raised is %g, %v without a scale", f.Value, f.Quality)
	}
	// A valve that is not known counts as it last was.
	c = newScene(t, header())
	c.run(3 * time.Hour)
	limit := c.figure(WithdrawalLimit)
	c.value["duty-open"] = 0
	c.run(time.Minute)
	if f := c.figure(WithdrawalLimit); f.Value != 0 || !f.Quality.Usable() || limit.Value <= 0 {
		t.Errorf("a closed valve leaves %g kg/s, %v", f.Value, f.Quality)
	}
	c.bad["duty-open"] = reading.NoReply
	c.run(time.Minute)
	if f := c.figure(WithdrawalLimit); f.Value != 0 || f.Quality.Level != reading.Uncertain {
		t.Errorf("a valve that is not known leaves %g kg/s, %v", f.Value, f.Quality)
	}
}

// A scale that stands still while much is drawn is told of.
func TestStuckScaleOfABank(t *testing.T) {
	s := header()
	s.Banks[0].Feed = "" // or it would be a loss of feed as well
	c := newScene(t, s)
	c.run(3 * time.Hour)
	c.is(ScaleStuck, 0, "")
	c.rate["duty-weight"] = 400
	c.run(3 * time.Hour)
	held := c.value["duty-weight"]
	for range 180 { // half an hour of one value
		c.value["duty-weight"] = held
		c.stuck()
	}
	c.run(0)
	f := c.figure(ScaleStuck)
	if f.Value != 1 || !strings.Contains(f.Detail, "duty") {
		t.Errorf("a stuck scale is %g, %v, %q", f.Value, f.Quality, f.Detail)
	}
}

// stuck is one step in which the scale on duty shows what it showed.
func (c *scene) stuck() {
	c.at += 10 * time.Second
	now := start.Add(c.at)
	var rs []reading.Reading
	for _, p := range c.s.Points {
		rs = append(rs, reading.Reading{Point: p.Name, Value: p.Unit.SI(math.Round(c.value[p.Name]/0.2) * 0.2), Quality: reading.GoodQuality(), Time: now})
	}
	c.fs = c.p.Step(now, rs)
}

// A week of a plant: what lasts how long, and when to order.
func TestSupplyOfABank(t *testing.T) {
	c := newScene(t, header())
	c.run(49 * time.Hour)
	shown := func(q Quantity) float64 { f := c.figure(q); return f.Shown() }
	// 3000 - 100 x 49/24 - 1500 - 36 lb at 100 lb/d; the standby has 1964 lb to draw,
	// the stock 4000.
	left := 1464 - 100*49.0/24
	for q, want := range map[Quantity]float64{
		NetWeight: left + 36 + 2000, RateDay: 100, WithdrawalRate: 100, PeakDemand: 100, ExpectedRate: 100, ContainersNeeded: 1, ContainersNeededPeak: 1,
		TimeToEmpty: left / 100 * 24, TimeToEmptyStandby: (left + 1964) / 100 * 24, TimeToEmptyStock: (left + 1964 + 4000) / 100 * 24, Stock: 4000, SmallestLoss: 0.5,
	} {
		if got := shown(q); math.Abs(got-want) > 0.02*want {
			t.Errorf("%s is %g, expected %g", q, got, want)
		}
	}
	if f := c.figure(TimeToEmpty); !(f.Low < f.Value && f.Value < f.High) {
		t.Errorf("the time to empty is %g, from %g to %g", f.Value, f.Low, f.High)
	}
	// The heat balance: 8 lb/d for each degree over the threshold of 28 psig, 20 degF.
	if got := shown(LowestRoom); math.Abs(got-(20+100.0/8)) > 1 {
		t.Errorf("the rate needs a room of %g degF, expected about 32.5", got)
	}
	order := c.figure(TimeToOrder)
	if !strings.Contains(order.Detail, "the last day on which an order comes in time") || !(order.Value > 0) || order.Value > c.figure(TimeToEmptyStock).Value {
		t.Errorf("an order is due in %g h: %q", order.Shown(), order.Detail)
	}
	if f := c.figure(LossDay); !f.Quality.Usable() || math.Abs(f.Shown()) > 1 {
		t.Errorf("unaccounted for in a day: %g lb, %v", f.Shown(), f.Quality)
	}
	if f := c.last["container.standby.net-weight"]; math.Abs(f.Shown()-2000) > 1 {
		t.Errorf("the standby holds %g lb", f.Shown())
	}
	if f := c.figure(FrostFrom); !strings.Contains(f.Detail, "is not reached") {
		t.Errorf("frost: %q", f.Detail)
	}
	// A loss of 15 lb/d that began in between is reportable when it is sure.
	c.rate["duty-weight"] = 125
	c.run(26 * time.Hour)
	c.is(LossReportable, 1, "lb whose release has to be reported")
	c.is(Unaccounted, 1, "in 24 h")
}

// A container whose end falls into the night is told of.
func TestChangeoverUnstaffed(t *testing.T) {
	c := newScene(t, header())
	c.run(30 * time.Hour)
	c.value["duty-weight"] = 1536 + 100*14.0/24 // 14 h from noon: 2 in the night
	c.run(time.Hour)
	c.is(ChangeoverUnstaffed, 1, "when nobody is on the site")
	c.value["duty-weight"] = 1536 + 100*22.0/24 // 11 the next morning
	c.run(time.Hour)
	c.is(ChangeoverUnstaffed, 0, "")
}

// On the first day nobody is sent to order by a guess, and an empty bank neither is
// overdrawn nor has a changeover ahead.
func TestFirstDayAndEmptyBank(t *testing.T) {
	c := newScene(t, header())
	c.rate["duty-weight"], c.value["fed"] = 600, 600
	c.run(3 * time.Hour)
	if f := c.figure(TimeToOrder); f.Quality.Usable() || f.Quality.Reason != reading.Learning {
		t.Errorf("after three hours the time to order is %g h, %v", f.Shown(), f.Quality)
	}
	c.is(Overdrawn, 1, "is drawn at")
	c.value["duty-weight"], c.rate["duty-weight"] = 1530, 0
	c.run(30 * time.Minute)
	c.is(Overdrawn, 0, "")
	c.at += 10 * time.Hour // into the night
	c.run(10 * time.Minute)
	c.is(ChangeoverUnstaffed, 0, "")
	if f := c.figure(TimeToEmpty); f.Value != 0 {
		t.Errorf("an empty bank lasts %g h", f.Shown())
	}
}

// The book: on, off, serial, tare, by whom, month, and what a restart keeps of it.
func TestLedgerOfABank(t *testing.T) {
	c := newScene(t, header())
	c.run(3 * time.Hour)
	if e := c.ledger().Present("duty"); e == nil || e.Tare != pounds(1500) || math.Abs(float64(e.NetOn-pounds(1500))) > 0.2 {
		t.Fatalf("the container at the start is %+v", e)
	}
	c.order(ContainerOrder{Action: "on", Container: "duty", Serial: "KR-1"}, "")
	c.value["duty-weight"] = 5 // off
	c.rate["duty-weight"] = 0
	c.run(4 * time.Minute)
	// Told while it hangs on the hoist: it is of the one that comes.
	c.order(ContainerOrder{Action: "on", Container: "duty", Serial: "KR-2", Tare: "1510 lb"}, "")
	c.value["duty-weight"] = 3510
	c.run(10 * time.Minute)
	c.rate["duty-weight"] = 100
	check := func(when string) {
		t.Helper()
		e := c.ledger().Present("duty")
		if e == nil || e.Serial != "KR-2" || e.Tare != pounds(1510) || e.OnBy != "operator" || math.Abs(float64(e.NetOn-pounds(2000))) > 0.3 {
			t.Errorf("%s: the second container is %+v", when, e)
		}
		if f := c.last["container.duty.net-weight"]; math.Abs(f.Shown()-(c.value["duty-weight"]-1510)) > 0.5 {
			t.Errorf("%s: net %g lb of gross %g", when, f.Shown(), c.value["duty-weight"])
		}
		closed := c.ledger().Entries[0]
		if closed.Place != "duty" || closed.Serial != "KR-1" || closed.Off.IsZero() || math.Abs(float64(closed.Used()-pounds(12.5))) > 0.3 {
			t.Errorf("%s: the first container is %+v, %g lb used", when, closed, unit("lb").FromSI(float64(closed.Used())))
		}
		if got := c.p.banks[0].book.stock; got != pounds(2000) {
			t.Errorf("%s: a full container came out of the stock: %g kg are left", when, got)
		}
	}
	check("before the restart")
	c.run(time.Hour)
	c.restart()
	c.run(time.Hour)
	check("after the restart")
	// By the month: 3 h and 2 h 10 min at 100 lb/d; no feed is counted for the pause.
	m := c.ledger().Months[0]
	if used := unit("lb").FromSI(float64(m.Used)); math.Abs(used-(300+200)/24.0) > 1 || m.On != 3 || m.Off != 1 {
		t.Errorf("the month is %+v, %g lb used", m, used)
	}
	if fed := unit("lb").FromSI(float64(m.Fed)); math.Abs(fed-100*(5+14.0/60)/24) > 1 {
		t.Errorf("%g lb fed", fed)
	}
	books, err := Ledgers(c.p.Checkpoint(), time.UTC)
	if err != nil || len(books["tons"].Entries) != 3 {
		t.Errorf("the books in the checkpoint: %v, %v", books, err)
	}
	c.order(ContainerOrder{Action: "received", Bank: "tons", Count: 2}, "")
	c.order(ContainerOrder{Action: "stock", Bank: "tons", Count: 1}, "")
	c.order(ContainerOrder{Action: "correct", Container: "duty", Serial: "KR-3"}, "")
	c.order(ContainerOrder{Action: "on", Container: "duty", Serial: "KR-4"}, "") // so like the last that the scale saw none
	c.order(ContainerOrder{Action: "off", Container: "standby"}, "")
	c.run(2 * time.Minute)
	if e := c.ledger().Present("standby"); e != nil {
		t.Errorf("a container that was taken off the book is on it: %+v", e)
	}
	if e := c.ledger().Present("duty"); e == nil || e.Serial != "KR-4" {
		t.Errorf("another one with the same weight is %+v", e)
	}
	if got := c.p.banks[0].book.stock; got != 0 {
		t.Errorf("the last full container was put on, and %g kg are in stock", got)
	}
	schema, err := jsonschema.NewCompiler().Compile("../../testdata/schema/record.json")
	if err != nil {
		t.Fatal(err)
	}
	var whats []string
	for _, change := range c.told {
		if object, err := jsonschema.UnmarshalJSON(bytes.NewReader(change.Record)); err != nil || schema.Validate(object) != nil {
			t.Errorf("%s is not as its schema says: %v", change.Record, schema.Validate(object))
		}
		var r supply.Record
		if err := json.Unmarshal(change.Record, &r); err != nil || r.Bank != "tons" || r.At.IsZero() || !strings.HasSuffix(change.Words, ".") {
			t.Errorf("%q, %s: %v", change.Words, change.Record, err)
		}
		whats = append(whats, string(r.What))
	}
	if got, want := strings.Join(whats, " "), "on on described removed off on described received counted described off on described off"; got != want {
		t.Errorf("the record tells\n%s, expected\n%s", got, want)
	}
}

// While the feeder does not tell, flow and dose do; each of them bad makes the books
// blind, not wrong.
func TestFeedByFlowAndDose(t *testing.T) {
	s := header()
	s.Banks[0].Flow, s.Banks[0].Dose = []string{"flow"}, Signal{Value: 3}
	c := newScene(t, s)
	c.run(time.Minute)
	expect := func(want float64, usable bool) {
		t.Helper()
		if f := c.figure(ExpectedRate); f.Quality.Usable() != usable || usable && math.Abs(f.Shown()-want) > 0.1 {
			t.Errorf("after %s the feed is %g lb/d, %v; expected %g", c.at, f.Shown(), f.Quality, want)
		}
	}
	expect(100, true)
	c.bad["fed"] = reading.NoReply
	c.run(time.Minute)
	expect(100.1, true) // 4 MGD at 3 mg/L: 4 x 3 x 8.34, the feed formula of testdata/supply
	c.bad["flow"] = reading.NoReply
	c.run(time.Minute)
	if f := c.figure(Unaccounted); f.Value != 0 {
		t.Errorf("a loss without a feed signal: %+v", f)
	}
	c.run(6 * time.Minute) // the last one stands in for five
	expect(0, false)
	c.bad["fed"] = ""
	c.run(time.Minute)
	expect(100, true)
}

// A month that has ended is reconciled, once.
func TestMonthIsReconciled(t *testing.T) {
	c := newScene(t, header())
	for i := range 60 { // as many as the book holds
		c.ledger().Months = append(c.ledger().Months, supply.Month{Year: 2021, Month: time.Month(i%12 + 1)})
	}
	c.at = time.Date(2026, 3, 31, 12, 0, 0, 0, time.UTC).Sub(start)
	c.run(13 * time.Hour)
	n := 0
	for _, change := range c.told {
		var r supply.Record
		if err := json.Unmarshal(change.Record, &r); err != nil || r.What != supply.Reconciled || r.Month.Year == 2021 {
			continue
		}
		n++
		used, fed := unit("lb").FromSI(float64(r.Month.Used)), unit("lb").FromSI(float64(r.Month.Fed))
		if r.Month.Month != time.March || math.Abs(used-50) > 1 || math.Abs(fed-50) > 1 || !strings.Contains(change.Words, "March 2026 at tons: 50 lb of chlorine used, 50 lb fed") {
			t.Errorf("%q: %g lb used, %g fed", change.Words, used, fed)
		}
	}
	if n != 1 {
		t.Errorf("a month was reconciled %d times", n)
	}
}

func TestOrdersAboutContainers(t *testing.T) {
	c := newScene(t, header())
	c.run(time.Minute)
	c.order(ContainerOrder{Action: "open", Container: "duty"}, `the action "open": expected on, off or correct with container`)
	c.order(ContainerOrder{Action: "on", Container: "north"}, `a container at "north": expected one of duty, standby`)
	c.order(ContainerOrder{Action: "received", Bank: "north", Count: 1}, `the bank "north": expected one of tons`)
	c.order(ContainerOrder{Action: "received", Bank: "tons"}, `a count of 0 full containers: expected 1 to 1000`)
	c.order(ContainerOrder{Action: "stock", Bank: "tons", Count: -1}, `expected 0 to 1000`)
	c.order(ContainerOrder{Action: "on", Container: "duty"}, `neither serial nor tare`)
	c.order(ContainerOrder{Action: "on", Container: "duty", Tare: "1490"}, `expected a mass such as 1480 lb`)
	c.order(ContainerOrder{Action: "on", Container: "duty", Tare: "1490 gal"}, `expected a mass such as 1480 lb`)
	c.order(ContainerOrder{Action: "on", Container: "duty", Tare: "149 lb"}, `between half and twice the 1500 lb`)
	c.order(ContainerOrder{Action: "on", Container: "duty", Serial: strings.Repeat("K", 33)}, `at most 32 characters`)
	c.order(ContainerOrder{Action: "off", Container: "duty"}, "")
	c.order(ContainerOrder{Action: "off", Container: "duty"}, `no container is on at duty`)
	c.order(ContainerOrder{Action: "correct", Container: "duty", Serial: "KR-1"}, `no container is on at duty`)
}

// What happens to a container while nobody watches is understood at the next start.
func TestChangedWhileStopped(t *testing.T) {
	for _, tc := range []struct {
		reason      string
		stop, start float64 // gross at the stop and at the start, lb
		between     float64 // 0, or gross at the first readings
		entries     int
		used        float64 // of the first container after the restart, lb
	}{
		{"drawn on", 2500, 2440, 0, 1, 60},
		{"another one", 1700, 3500, 0, 2, 0},
		{"off, then another one", 1700, 3500, 4, 2, 0},
		{"off, then the same", 2500, 2500, 4, 1, 0},
	} {
		c := newScene(t, header())
		c.rate["duty-weight"], c.value["fed"] = 0, 0
		c.value["duty-weight"] = tc.stop
		c.run(30 * time.Minute)
		c.restart()
		if tc.between > 0 {
			c.value["duty-weight"] = tc.between
			c.run(5 * time.Minute)
		}
		c.value["duty-weight"] = tc.start
		c.run(10 * time.Minute)
		var mine []supply.Entry
		for _, e := range c.ledger().Entries {
			if e.Place == "duty" {
				mine = append(mine, e)
			}
		}
		if len(mine) != tc.entries || math.Abs(unit("lb").FromSI(float64(mine[0].Used()))-tc.used) > 1 {
			t.Errorf("%s: %d entries, of the first %g lb used: %+v", tc.reason, len(mine), unit("lb").FromSI(float64(mine[0].Used())), mine)
		}
	}
}

// What has been learnt of demand and gain survives, and a memory that cannot be right
// costs itself alone, and is told of.
func TestBankRemembers(t *testing.T) {
	c := newScene(t, header())
	c.run(30 * time.Hour)
	if f := c.figure(TimeToEmpty); f.Quality.Level != reading.Good {
		t.Fatalf("after 30 h the time to empty is %v", f.Quality)
	}
	c.restart()
	c.run(2 * time.Hour)
	if f := c.figure(TimeToEmpty); f.Quality.Level != reading.Good {
		t.Errorf("2 h after a restart the time to empty is %v", f.Quality)
	}
	cp := c.p.Checkpoint()
	for _, tc := range []struct{ old, new, told string }{
		{`"hour":`, `"hour":-`, "demand of hour"},
		{`"place":"duty"`, `"place":""`, "has no place"},
		{`"stock_kg":1814`, `"stock_kg":-1814`, ""},
		{`"learnt":{`, `"learnt":[{`, ""},
	} {
		p := newPlant(t, c.s)
		bad := strings.Replace(string(cp), tc.old, tc.new, 1)
		if bad == string(cp) {
			t.Fatalf("the checkpoint lacks %s", tc.old)
		}
		if err := p.Restore([]byte(bad)); err != nil && json.Valid([]byte(bad)) {
			t.Errorf("%s: %v", tc.new, err)
		}
		told := p.Changes()
		if tc.told != "" && (len(told) != 1 || !strings.Contains(told[0].Words, tc.told)) {
			t.Errorf("%s: told %v, expected %q", tc.new, told, tc.told)
		}
		if p.banks[0].book.stock < 0 {
			t.Errorf("a negative stock was taken over")
		}
		p.Step(start.Add(c.at), nil)
	}
}
