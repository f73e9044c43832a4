package agent

import (
	"context"
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/core"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

// newBankRig joins an agent to a bank of one ton container.
func newBankRig(t *testing.T, store *memoryStore, src Source) rig {
	t.Helper()
	lb := units.MustParse("lb")
	p, err := plant.New(plant.Settings{
		Shown:       plant.Shown{Mass: lb, MassFlow: units.MustParse("lb/d")},
		Instruments: []plant.Instrument{{Name: "scale", Line: "line-a"}},
		Points:      []plant.Point{{Name: "weight", Instrument: "scale", Unit: lb, StaleAfter: 5 * time.Minute}},
		Banks: []plant.Bank{{Name: "tons", Scales: []string{"weight"}, Stock: units.Kilograms(lb.SI(4000)), Settings: supply.BankSettings{
			Containers: []supply.ContainerSettings{{Name: "tons-1", Kind: "ton", Tare: units.Kilograms(lb.SI(1500)), Division: units.Kilograms(lb.SI(1))}},
		}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	told := &recorder{t: t, store: store}
	a, err := New(Options{
		Plant: p, Source: src, Store: store, Teller: told, Tick: time.Minute,
		Alarms: []alarms.Setting{alarms.TareDoubtful("tons", "room", plant.Name(plant.BankKind, "tons", plant.TareDoubtful))},
	})
	if err != nil {
		t.Fatal(err)
	}
	return rig{a, store, told}
}

// A container is changed, told of by a person after a restart, and the book holds all
// of it in the journal, as events of its own and in the checkpoint.
func TestLedgerIsJournaled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := &memoryStore{}
		weigh := func(pounds func(minute int) float64) minutely {
			return func(m int) reading.Reading {
				return reading.Reading{Point: "weight", Value: units.MustParse("lb").SI(pounds(m)), Quality: reading.GoodQuality(), Time: time.Now()}
			}
		}
		r := newBankRig(t, store, weigh(func(m int) float64 {
			switch {
			case m < 60:
				return math.Round(1700 - float64(m)/10)
			case m < 75:
				return 12
			default:
				return 3490
			}
		}))
		r.runFor(t, 2*time.Hour)
		tare := "tons-tare-doubtful"
		state := func(r rig) alarms.State {
			i := slices.IndexFunc(r.Snapshot().Conditions, func(c alarms.Condition) bool { return c.Alarm == tare })
			return r.Snapshot().Conditions[i].State
		}
		if state(r) != alarms.Unacknowledged {
			t.Errorf("the alarm over a tare that nobody has given is %s", state(r))
		}
		again := newBankRig(t, store, weigh(func(int) float64 { return 3490 }))
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- again.Run(ctx) }()
		<-time.After(10 * time.Minute)
		if state(again) != alarms.Unacknowledged {
			t.Errorf("after a restart the alarm is %s", state(again))
		}
		order := func(c alarms.ContainerOrder) alarms.Answer {
			return again.Order(ctx, alarms.Order{Verb: alarms.Containers, ID: "o-" + c.String(), By: "operator", IssuedAt: time.Now(), Container: c})
		}
		if a := order(alarms.ContainerOrder{Action: "on", Container: "tons-2", Serial: "KR-9"}); a.Result != alarms.Refused || !strings.Contains(a.Why, "expected one of tons-1") {
			t.Errorf("a container nowhere: %+v", a)
		}
		if a := order(alarms.ContainerOrder{Action: "on", Container: "tons-1", Serial: "KR-9", Tare: "1490 lb"}); a.Result != alarms.Done {
			t.Errorf("a container described: %+v", a)
		}
		<-time.After(10 * time.Minute)
		if state(again) != alarms.ReturnedUnacknowledged {
			t.Errorf("the tare is known, and the alarm is %s", state(again))
		}
		cancel()
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		third := newBankRig(t, store, weigh(func(int) float64 { return 3490 }))
		third.runFor(t, 5*time.Minute)
		if net, q := third.value(t, plant.Name(plant.BankKind, "tons", plant.NetWeight)); math.Abs(units.MustParse("lb").FromSI(net)-2000) > 0.5 || !q.Usable() {
			t.Errorf("after another restart the net weight is %g kg (%v), expected 2000 lb by the tare that was given", net, q)
		}
		if stock, _ := third.value(t, plant.Name(plant.BankKind, "tons", plant.Stock)); math.Abs(units.MustParse("lb").FromSI(stock)-2000) > 0.5 {
			t.Errorf("the stock is %g kg, expected 2000 lb after one of two was put on", stock)
		}
		var record []string
		for _, tr := range store.events {
			if tr.Cause != alarms.Recorded {
				continue
			}
			var rec supply.Record
			if err := json.Unmarshal(tr.Record, &rec); err != nil || rec.Bank != "tons" || tr.After.Alarm != alarms.Site || tr.Annunciate {
				t.Errorf("%+v: %v", tr, err)
			}
			record = append(record, string(rec.What))
			if rec.What == supply.Off && (rec.Entry == nil || math.Abs(units.MustParse("lb").FromSI(float64(rec.Entry.Used()))-6) > 1) {
				t.Errorf("what was used of the first: %+v", rec.Entry)
			}
		}
		if got := strings.Join(record, " "); got != "on removed off on described" {
			t.Errorf("the journal has %s", got)
		}
		cp, err := core.PlantCheckpoint(store.checkpoint)
		if err != nil {
			t.Fatal(err)
		}
		books, err := plant.Ledgers(cp, time.UTC)
		if err != nil || len(books["tons"].Entries) != 2 {
			t.Fatalf("the books are %+v, %v", books, err)
		}
		if e := books["tons"].Present("tons-1"); e.Serial != "KR-9" || e.OnBy != "operator" {
			t.Errorf("the container on the scale is %+v", e)
		}
	})
}
