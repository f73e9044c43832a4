package plant

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
)

const (
	// weighEvery is how often the book notes what is in the containers.
	weighEvery = time.Minute
	// exchanged is the share of what a container holds by which its weight may not have
	// risen while ebbwatch did not run: it is another one then (own choice).
	exchanged = 0.05
	// backAgain is the share within which a container that comes back is the same (own
	// choice, as that of the scale).
	backAgain = 0.01
	// mostStock is how many full containers can be on a site (own choice), and
	// mostSerial how long a serial may be.
	mostStock, mostSerial = 1000, 32
)

// book keeps the container ledger of a bank, and its stock.
type book struct {
	*supply.Ledger
	bank    string
	zone    *time.Location
	places  []supply.ContainerSettings
	fulls   []units.Kilograms // what full ones hold, by place
	stock   units.Kilograms
	changes []supply.Record
	weighed time.Time
	stepped time.Time
	fed     units.Kilograms // not entered yet
	at      []place
}

// place is what is known of a place besides its entry.
type place struct {
	met  bool // weighed since the start
	off  bool // the scale does not show the container that the entry is of
	gone bool // a person took it off the book before the scale showed it
	// next is what a person has said of the container that is being put there.
	next *description
}

type description struct {
	serial, by string
	tare       units.Kilograms
}

func newBook(b *Bank, zone *time.Location) book {
	k := book{Ledger: supply.NewLedger(zone), bank: b.Name, zone: zone, places: b.Settings.Containers, stock: b.Stock, at: make([]place, len(b.Settings.Containers))}
	for _, c := range b.Settings.Containers {
		k.fulls = append(k.fulls, b.Settings.Full(c.Kind)*units.Kilograms(max(1, c.Count)))
	}
	return k
}

// step enters what the scales have told.
func (k *book) step(b *bank, s *bankStep) {
	if s.Feed.Quality.Usable() && !k.stepped.IsZero() {
		// Never more than a standstill of the whole watch can hide.
		k.fed += units.Kilograms(s.Feed.Value * min(max(0, s.now.Sub(k.stepped).Seconds()), 60))
	}
	k.stepped = s.now
	for i := range s.Containers {
		r := &s.Containers[i]
		k.at[i].off = r.Off || r.Net.Quality.Reason == reading.Inconsistent
		k.at[i].gone = k.at[i].gone && !k.at[i].off
	}
	for _, e := range s.Events {
		k.understand(b, e)
	}
	if !k.weighed.IsZero() && s.now.Sub(k.weighed) < weighEvery && s.now.After(k.weighed) {
		return
	}
	k.weighed = s.now
	var before supply.Month
	if n := len(k.Months); n > 0 {
		before = k.Months[n-1]
	}
	for i := range s.Containers {
		k.weigh(b, s, i)
	}
	k.Fed(s.now, k.fed)
	k.fed = 0
	if n := len(k.Months); before.Year > 0 && k.Months[n-1].Month != before.Month {
		ended := k.Months[n-2]
		k.record(supply.Record{What: supply.Reconciled, At: s.now, Month: &ended})
	}
}

// weigh notes the content of one place, if it is one.
func (k *book) weigh(b *bank, s *bankStep, i int) {
	r, c, at := &s.Containers[i], &k.places[i], &k.at[i]
	if !r.Net.Quality.Usable() || at.off || at.gone || r.TareWrong {
		return
	}
	net := units.Kilograms(r.Net.Value)
	e := k.Present(c.Name)
	switch {
	case e == nil:
		k.PutOn(s.now, c.Name, "", c.Tare, net, "")
		k.entered(supply.On, s.now, c.Name, "")
	case !at.met && net > e.NetOff+exchanged*k.fulls[i]:
		// Changed while nobody watched.
		k.exchange(b, supply.Event{Kind: supply.Changed, At: s.now, Container: i, From: float64(e.NetOff), To: float64(net)}, "")
	}
	at.met = true
	k.Weigh(s.now, c.Name, net)
}

// understand enters an event of a scale.
func (k *book) understand(b *bank, e supply.Event) {
	c := &k.places[e.Container]
	move := units.Kilograms(e.To - e.From)
	switch e.Kind {
	case supply.Changed:
		old := k.Present(c.Name)
		if old == nil || k.at[e.Container].met {
			k.exchange(b, e, "")
			return
		}
		// The scale was empty at the start and does not know what stood on it before.
		e.From = float64(old.NetOff)
		if math.Abs(e.To-e.From) > backAgain*float64(k.fulls[e.Container]) {
			k.exchange(b, e, "")
			return
		}
		e.Kind = supply.PutBack
	case supply.Step:
		b.moved = moved{e.At, fmt.Sprintf("had a weight that moved at once and stayed: %s by %s on %s", c.Name, signed(b.shown.Mass, float64(move)), b.when(e.At))}
	case supply.Swapped:
		b.moved = moved{e.At, fmt.Sprintf("has a scale that shows another unit, range or step: %s since %s", c.Name, b.when(e.At))}
	case supply.Removed, supply.PutBack, supply.TareWrong, supply.Switchover:
	default: // of the scale, not of the container
		return
	}
	k.Understand(e, c.Name, 0)
	if next := k.at[e.Container].next; e.Kind == supply.PutBack && next != nil {
		b.enter(e.At, e.Container, *next)
	}
	k.record(supply.Record{What: e.Kind, At: e.At, Place: c.Name, From: units.Kilograms(e.From), To: units.Kilograms(e.To), Entry: k.copyOf(c.Name)})
}

// exchange enters another container, by a person or, when that is empty, as the scale
// has told. One that is about full comes out of the stock.
func (k *book) exchange(b *bank, e supply.Event, by string) {
	c, i := &k.places[e.Container], e.Container
	k.takeOff(e.At, c.Name, units.Kilograms(e.From), by)
	k.PutOn(e.At, c.Name, "", 0, units.Kilograms(e.To), by)
	k.at[i].gone = false
	if units.Kilograms(e.To) > k.fulls[i]/2 {
		k.stock = max(0, k.stock-k.fulls[i])
	}
	k.entered(supply.On, e.At, c.Name, by)
	if next := k.at[i].next; next != nil {
		b.enter(e.At, i, *next)
	}
}

// takeOff closes the entry of a place, if there is one.
func (k *book) takeOff(at time.Time, place string, net units.Kilograms, by string) {
	if k.Present(place) == nil {
		return
	}
	i := k.last(place)
	k.TakeOff(at, place, net, by)
	closed := k.Entries[i]
	k.record(supply.Record{What: supply.Off, At: at, Place: place, By: by, Entry: &closed})
}

// last is the index of the last entry of a place.
func (k *book) last(place string) int {
	i := len(k.Entries) - 1
	for i > 0 && k.Entries[i].Place != place {
		i--
	}
	return i
}

func (k *book) copyOf(place string) *supply.Entry {
	if e := k.Present(place); e != nil {
		c := *e
		return &c
	}
	return nil
}

func (k *book) entered(what supply.EventKind, at time.Time, place, by string) {
	stock := k.stock
	k.record(supply.Record{What: what, At: at, Place: place, By: by, Entry: k.copyOf(place), Stock: &stock})
}

func (k *book) record(r supply.Record) {
	r.Bank = k.bank
	k.changes = append(k.changes, r)
}

func signed(u units.Unit, si float64) string {
	if si > 0 {
		return "+" + amount(u, si)
	}
	return amount(u, si)
}

// Change is a line for the record of the plant, in words and as a supply.Record in
// JSON.
type Change struct {
	Words  string
	Record []byte
}

// Changes hands over what has happened to containers since it was asked last.
func (p *Plant) Changes() []Change {
	var out []Change
	for _, words := range p.forgot {
		out = append(out, Change{Words: words})
	}
	p.forgot = nil
	for i := range p.banks {
		b := p.banks[i]
		for j := range b.book.changes {
			r := &b.book.changes[j]
			data, err := json.Marshal(r)
			if err != nil { // a number that JSON has not: the words still stand
				data = nil
			}
			out = append(out, Change{b.words(r), data})
		}
		b.book.changes = b.book.changes[:0]
	}
	return out
}

// words tell a record to people.
func (b *bank) words(r *supply.Record) string {
	mass := func(v units.Kilograms) string { return amount(b.shown.Mass, float64(v)) }
	named := r.Place
	if e := r.Entry; e != nil && e.Serial != "" {
		named += " (" + e.Serial + ")"
	}
	by := ""
	if r.By != "" {
		by = " by " + r.By
	}
	switch r.What {
	case supply.On:
		return fmt.Sprintf("A container is on at %s with %s of chlorine%s.", named, mass(r.Entry.NetOn), by)
	case supply.Off:
		return fmt.Sprintf("The container at %s is off%s: %s of chlorine used, %s left in it.", named, by, mass(r.Entry.Used()), mass(r.Entry.NetOff))
	case supply.Described:
		return fmt.Sprintf("The container at %s is described%s: tare %s, %s of chlorine.", named, by, mass(r.Entry.Tare), mass(r.Entry.NetOff))
	case supply.Received, supply.Counted:
		return fmt.Sprintf("Full containers at %s %s%s: %s of chlorine in stock.", r.Bank, r.What, by, mass(*r.Stock))
	case supply.Reconciled:
		m := r.Month
		return fmt.Sprintf("%s %d at %s: %s of chlorine used, %s fed, %s unaccounted for; %d containers on, %d off.", m.Month, m.Year, r.Bank, mass(m.Used), mass(m.Fed), mass(m.Unaccounted()), m.On, m.Off)
	case supply.Removed:
		return fmt.Sprintf("The container at %s left its scale with %s of chlorine.", named, mass(r.From))
	case supply.PutBack:
		return fmt.Sprintf("The same container is back on its scale at %s with %s of chlorine.", named, mass(r.To))
	case supply.TareWrong:
		return fmt.Sprintf("The net weight at %s began at %s, more than the container can hold: its tare is wrong.", named, mass(r.To))
	case supply.Switchover:
		return fmt.Sprintf("The bank %s draws from %s now, with %s in it; %s are left in the container before.", r.Bank, named, mass(r.To), mass(r.From))
	case supply.Swapped:
		return fmt.Sprintf("The scale at %s shows another unit, range or step.", named)
	default:
		return fmt.Sprintf("The weight at %s moved at once from %s to %s of chlorine and stayed.", named, mass(r.From), mass(r.To))
	}
}

// ContainerOrder is what a person says of containers.
type ContainerOrder struct {
	// Action is on, off, correct, received or stock.
	Action string
	// Container is the place, for on, off and correct; Bank the bank, for received and stock.
	Container, Bank string
	// Serial and Tare describe the container that is on; either may be empty. Tare
	// carries its unit.
	Serial, Tare string
	// Count is how many full containers came, or are there.
	Count int
}

// Container checks what a person says of containers and returns what enters it. The
// error says what a person is to change.
func (p *Plant) Container(now time.Time, o ContainerOrder, by string) (enter func(), err error) {
	switch o.Action {
	case "on", "off", "correct":
		for i := range p.banks {
			b := p.banks[i]
			if at := slices.IndexFunc(b.Settings.Containers, func(c supply.ContainerSettings) bool { return c.Name == o.Container }); at >= 0 {
				return b.describe(now, at, o, by)
			}
		}
		return nil, fmt.Errorf("a container at %q: expected one of %s", o.Container, p.namesOf(func(b *bank) []string {
			var names []string
			for _, c := range b.Settings.Containers {
				names = append(names, c.Name)
			}
			return names
		}))
	case "received", "stock":
		for i := range p.banks {
			if b := p.banks[i]; b.Name == o.Bank {
				return b.count(now, o, by)
			}
		}
		return nil, fmt.Errorf("full containers of the bank %q: expected one of %s", o.Bank, p.namesOf(func(b *bank) []string { return []string{b.Name} }))
	}
	return nil, fmt.Errorf("the action %.40q: expected on, off or correct with container, or received or stock with bank and count", o.Action)
}

func (p *Plant) namesOf(of func(*bank) []string) string {
	var names []string
	for i := range p.banks {
		names = append(names, of(p.banks[i])...)
	}
	if len(names) == 0 {
		return "a site with containers"
	}
	return strings.Join(names, ", ")
}

// describe says which container stands at a place, or that it is gone.
func (b *bank) describe(now time.Time, at int, o ContainerOrder, by string) (func(), error) {
	c, k := &b.Settings.Containers[at], &b.book
	present := k.Present(c.Name)
	if o.Action == "off" {
		if present == nil {
			return nil, fmt.Errorf("no container is on at %s in the ledger", c.Name)
		}
		return func() {
			k.takeOff(now, c.Name, present.NetOff, by)
			k.at[at].gone = true
		}, nil
	}
	if utf8.RuneCountInString(o.Serial) > mostSerial || strings.ContainsFunc(o.Serial, func(r rune) bool { return r < ' ' }) {
		return nil, fmt.Errorf("the serial %.40q: expected at most %d characters on one line", o.Serial, mostSerial)
	}
	var tare units.Kilograms
	if o.Tare != "" {
		v, u, err := units.ParseQuantity(o.Tare)
		tare = units.Kilograms(u.SI(v))
		switch least := c.Tare / 2; {
		case err != nil || u.Dimension != units.Mass:
			return nil, fmt.Errorf("the tare %.40q: expected a mass such as 1480 lb", o.Tare)
		case c.Tare == 0:
			return nil, fmt.Errorf("a tare for %s, whose scale shows net weight: set it at the scale", c.Name)
		case tare < least || tare > 2*c.Tare:
			return nil, fmt.Errorf("the tare %s: expected one between half and twice the %s of the site file", o.Tare, amount(b.shown.Mass, float64(c.Tare)))
		}
	}
	if o.Serial == "" && tare == 0 {
		return nil, errors.New("the order gives neither serial nor tare of the container")
	}
	d := description{o.Serial, by, tare}
	switch {
	case k.at[at].off:
		return func() { k.at[at].next = &d }, nil // it is being put there
	case o.Action == "correct" && present == nil:
		return nil, fmt.Errorf("no container is on at %s in the ledger", c.Name)
	case o.Action == "on" && present != nil && present.Serial != "" && o.Serial != "" && o.Serial != present.Serial:
		// One so like the last that the scale saw no other.
		net := float64(present.NetOff)
		return func() {
			k.exchange(b, supply.Event{Kind: supply.Changed, At: now, Container: at, From: net, To: net}, by)
			b.enter(now, at, d)
		}, nil
	}
	return func() { b.enter(now, at, d) }, nil
}

// enter completes the entry of the container at a place, or opens one.
func (b *bank) enter(now time.Time, at int, d description) {
	c, k := &b.Settings.Containers[at], &b.book
	k.at[at].next, k.at[at].gone = nil, false
	e := k.Present(c.Name)
	if e == nil {
		net := units.Kilograms(b.results[at].Net.Value)
		k.PutOn(now, c.Name, "", c.Tare, net, d.by)
		e = k.Present(c.Name)
	}
	was := cmp.Or(e.Tare, c.Tare)
	tare := cmp.Or(d.tare, e.Tare)
	k.Describe(c.Name, cmp.Or(d.serial, e.Serial), tare, d.by)
	if d.tare > 0 {
		e.NetOn, e.NetOff = e.NetOn+was-tare, e.NetOff+was-tare
		b.state.SetTare(at, tare)
	}
	k.entered(supply.Described, now, c.Name, d.by)
}

// count enters full containers.
func (b *bank) count(now time.Time, o ContainerOrder, by string) (func(), error) {
	if least := map[string]int{"received": 1}[o.Action]; o.Count < least || o.Count > mostStock {
		return nil, fmt.Errorf("a count of %d full containers: expected %d to %d", o.Count, least, mostStock)
	}
	k := &b.book
	each := b.Settings.Full(b.Settings.Containers[0].Kind)
	return func() {
		what := supply.Counted
		if o.Action == "received" {
			what = supply.Received
			k.stock += units.Kilograms(o.Count) * each
		} else {
			k.stock = units.Kilograms(o.Count) * each
		}
		stock := k.stock
		k.record(supply.Record{What: what, At: now, By: by, Stock: &stock})
	}, nil
}

// rememberedBank is what a bank keeps over a restart.
type rememberedBank struct {
	Learnt supply.Memory   `json:"learnt"`
	Ledger *supply.Ledger  `json:"ledger"`
	Stock  units.Kilograms `json:"stock_kg"`
}

func (b *bank) remember() rememberedBank {
	return rememberedBank{b.state.Memory(), b.book.Ledger, b.book.stock}
}

// restore brings back what a bank remembers. What cannot be right is left out, and
// the error tells it.
func (b *bank) restore(data []byte) error {
	var m struct {
		rememberedBank
		Ledger json.RawMessage `json:"ledger"`
	}
	if err := json.Unmarshal(data, &m); err != nil {
		return err
	}
	if s := float64(m.Stock); s >= 0 {
		b.book.stock = m.Stock
	}
	err := b.state.Remember(m.Learnt)
	l, err2 := supply.LoadLedger(m.Ledger, b.book.zone)
	if err2 != nil {
		return errors.Join(err, err2)
	}
	b.book.Ledger = l
	for i, c := range b.Settings.Containers {
		if e := l.Present(c.Name); e != nil && e.OnBy != "" && e.Tare > 0 {
			b.state.SetTare(i, e.Tare)
		}
	}
	return err
}

// Ledgers reads the container ledgers out of a checkpoint of a plant, by bank. Zone
// is that of the site.
func Ledgers(checkpoint []byte, zone *time.Location) (map[string]*supply.Ledger, error) {
	var m struct {
		Banks map[string]struct {
			Ledger json.RawMessage `json:"ledger"`
		} `json:"banks"`
	}
	if err := json.Unmarshal(checkpoint, &m); err != nil {
		return nil, fmt.Errorf("plant checkpoint is not readable: %w", err)
	}
	out := make(map[string]*supply.Ledger, len(m.Banks))
	for name, b := range m.Banks {
		l, err := supply.LoadLedger(b.Ledger, zone)
		if err != nil {
			return nil, fmt.Errorf("bank %s: %w", name, err)
		}
		out[name] = l
	}
	return out, nil
}

// Drawn is what the book of a bank has counted since it began: what left the scales,
// and the containers that were taken off.
func (p *Plant) Drawn() (used []units.Kilograms, off []int) {
	for i := range p.banks {
		var kg units.Kilograms
		n := 0
		for _, m := range p.banks[i].book.Months {
			kg, n = kg+m.Used, n+m.Off
		}
		used, off = append(used, kg), append(off, n)
	}
	return used, off
}
