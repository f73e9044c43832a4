package record

import (
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/units"
)

// The quantities of a day's items of a bank.
const (
	Used              plant.Quantity = "used"        // what left the scales
	FedByFeed         plant.Quantity = "fed"         // what the feed explains
	UnaccountedFor    plant.Quantity = "unaccounted" // what left the scales and no feed explains
	Water             plant.Quantity = "water"       // what was dosed
	DoseOfDay         plant.Quantity = "dose"        // used over water
	ContainersChanged plant.Quantity = "containers-changed"
	LowestWeight      plant.Quantity = "lowest-net-weight"
)

// Bank is what a record needs to know of a bank.
type Bank struct {
	Name string
	// Flow are the points whose sum is the water that is dosed; empty where it is not
	// known. Fed tells that it is known what the bank is fed.
	Flow []string
	Fed  bool
}

// Totals are what the ledger of a bank has counted since it began.
type Totals struct {
	Used units.Kilograms `json:"used_kg"`
	// Off counts containers that were taken off.
	Off int `json:"off"`
}

// bankDay is the ledger of a bank when the day began, or when it was first seen.
type bankDay struct {
	Began Totals    `json:"began"`
	Since time.Time `json:"since"`
}

// lost is by how much more the use may fall than scales can make it: then the
// ledger is another one.
const lost units.Kilograms = 50

// beginBanks is what a day begins with.
func (r *Recorder) beginBanks(now time.Time) map[string]bankDay {
	out := map[string]bankDay{}
	for i, t := range r.s.Totals() {
		out[r.s.Banks[i].Name] = bankDay{t, now.UTC()}
	}
	return out
}

// supplyItems are those of the banks. What left the scales is known over a gap too,
// what was fed and what water was dosed is not: these count at their mean for the
// rest, where at least enough of the time is known.
func (r *Recorder) supplyItems(lines []Item) []Item {
	at := func(name string) *Item {
		for i := range lines {
			if lines[i].Name == name {
				return &lines[i]
			}
		}
		return nil
	}
	day, totals := r.day.To.Sub(r.day.From).Seconds(), r.s.Totals()
	var items []Item
	for i, b := range r.s.Banks {
		name := func(q plant.Quantity) string { return plant.Name(plant.BankKind, b.Name, q) }
		weight := at(name(LowestWeight))
		mass := units.MustParse(weight.Unit)
		book, counted := r.day.Banks[b.Name]
		var moved Totals
		if counted = counted && i < len(totals); counted {
			moved = Totals{totals[i].Used - book.Began.Used, totals[i].Off - book.Began.Off}
			counted = moved.Off >= 0 && moved.Used > -lost
		}
		used := float64(moved.Used)
		add := func(q plant.Quantity, v float64, unit units.Unit, covered float64, detail string) {
			it := Item{Name: name(q), Unit: unit.Symbol, Covered: covered, Detail: detail}
			if counted {
				shown := unit.FromSI(v)
				it.Value = &shown
			} else {
				it.Covered, it.Detail = 0, "the ledger began anew in the day, or there is none"
			}
			items = append(items, it)
		}
		// whole is a sum of the day for all of the time since the ledger is known.
		whole := func(of *Item) (v float64, ok bool) {
			seconds := r.day.Last.Sub(book.Since).Seconds()
			if of.Value == nil || seconds <= 0 {
				return 0, false
			}
			seen := of.Covered * day / seconds // over 1 where the ledger began later
			return units.MustParse(of.Unit).SI(*of.Value) / seen, seen >= enough
		}
		missing := func(q plant.Quantity, unit units.Unit) {
			items = append(items, Item{Name: name(q), Unit: unit.Symbol, Detail: "too little of the day is known"})
		}
		add(Used, used, mass, weight.Covered, "")
		if fed := at(name(FedByFeed)); fed != nil {
			if kg, ok := whole(fed); ok {
				add(UnaccountedFor, used-kg, mass, min(weight.Covered, fed.Covered), "used less fed")
			} else {
				missing(UnaccountedFor, mass)
			}
		}
		if water := at(name(Water)); water != nil {
			if volume, ok := whole(water); ok && volume > 0 {
				add(DoseOfDay, 1000*used/volume, concentration, min(weight.Covered, water.Covered), "used over water") // 1 kg/m³ is 1000 mg/L
			} else {
				missing(DoseOfDay, concentration)
			}
		}
		add(ContainersChanged, float64(moved.Off), one, weight.Covered, "taken off the scale")
	}
	return items
}
