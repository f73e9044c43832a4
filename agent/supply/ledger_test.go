package supply

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

func TestLedger(t *testing.T) {
	denver := time.FixedZone("MST", -7*3600)
	l := NewLedger(denver)
	at := func(month, day, hour int) time.Time {
		return time.Date(2026, time.Month(month), day, hour, 0, 0, 0, denver)
	}
	l.Weigh(at(3, 1, 8), "north-1", 500)
	l.Weigh(at(3, 20, 8), "north-1", 120)
	l.Fed(at(3, 20, 8), 370)
	l.Understand(Event{Kind: Removed, At: at(3, 21, 9), From: 100, To: -600}, "north-1", 680)
	l.Understand(Event{Kind: Changed, At: at(3, 21, 10), From: 100, To: 907}, "north-1", 680)
	if !l.Describe("north-1", "CX-4411", 671, "operator") {
		t.Fatal("no container stands there")
	}
	l.Understand(Event{Kind: Step, At: at(3, 25, 10), From: 850, To: 860}, "north-1", 0)
	l.Weigh(at(3, 31, 23), "north-1", 817)
	l.Weigh(at(4, 2, 0), "north-1", 717)
	l.Understand(Event{Kind: PutBack, At: at(4, 3, 9), From: 717, To: 717}, "north-1", 0)
	l.Understand(Event{Kind: Changed, At: at(4, 9, 9), From: 417, To: 990}, "north-1", 680)
	l.Understand(Event{Kind: TareWrong, At: at(4, 9, 9), From: 907, To: 990}, "north-1", 680)

	want := []Entry{
		{Place: "north-1", On: at(3, 1, 8), Off: at(3, 21, 10), NetOn: 500, NetOff: 100},
		{Place: "north-1", Serial: "CX-4411", Tare: 671, On: at(3, 21, 10), Off: at(4, 9, 9), NetOn: 917, NetOff: 417, OnBy: "operator"},
		{Place: "north-1", Tare: 680, On: at(4, 9, 9), NetOn: 990, NetOff: 990, TareWrong: true},
	}
	if !reflect.DeepEqual(l.Entries, want) {
		t.Errorf("entries\n%+v\nexpected\n%+v", l.Entries, want)
	}
	// 400 of the first, 100 of the second in March; 100 and 300 in April.
	months := []Month{{2026, 3, 500, 370, 2, 1}, {2026, 4, 400, 0, 1, 1}}
	if !reflect.DeepEqual(l.Months, months) || l.Months[0].Unaccounted() != 130 || l.Entries[1].Used() != 500 {
		t.Errorf("months %+v, expected %+v", l.Months, months)
	}
	b, err := json.Marshal(l)
	if err != nil {
		t.Fatal(err)
	}
	back, err := LoadLedger(b, denver)
	if err != nil {
		t.Fatal(err)
	}
	again, _ := json.Marshal(back)
	if string(again) != string(b) {
		t.Errorf("%s came back as %s", b, again)
	}
	back.Weigh(at(4, 30, 0), "north-1", 900)
	if back.Months[1].Used != 490 {
		t.Errorf("a book that was read back does not go on: %+v", back.Months)
	}
	l.Weigh(at(4, 30, 0), "north-1", units.Kilograms(math.NaN()))
	if l.Present("north-1").NetOff != 990 {
		t.Error("a weight that is no number was entered")
	}
}

func TestLedgerIsBounded(t *testing.T) {
	l := NewLedger(nil)
	l.PutOn(start, "standby", "", 0, 900, "")
	for i := range 3000 {
		l.PutOn(start.AddDate(0, 0, i), "duty", "", 0, 900, "")
	}
	if len(l.Entries) > ledgerEntries || len(l.Months) > ledgerMonths || l.Present("standby") == nil || l.Present("duty") == nil {
		t.Errorf("%d entries, %d months", len(l.Entries), len(l.Months))
	}
}

func TestDamagedLedger(t *testing.T) {
	for _, tc := range []struct{ json, want string }{
		{`{`, "container ledger"},
		{`{"entries":[{"place":"a"}]}`, "no time"},
		{`{"entries":[{"place":"a","on":"2026-03-02T00:00:00Z","off":"2026-03-01T00:00:00Z"}]}`, "off before it is on"},
		{`{"entries":[{"place":"a","on":"2026-03-02T00:00:00Z"},{"place":"a","on":"2026-03-02T00:00:00Z"}]}`, "at once"},
	} {
		if _, err := LoadLedger([]byte(tc.json), nil); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, expected %q", tc.json, err, tc.want)
		}
	}
}

func FuzzLoadLedger(f *testing.F) {
	f.Add([]byte(`{"entries":[{"place":"a","on":"2026-03-02T00:00:00Z","net_on_kg":900,"net_off_kg":20}],"months":[{"year":2026,"month":3,"used_kg":880}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		l, err := LoadLedger(b, nil)
		if err != nil {
			return
		}
		l.Weigh(start, "a", 10)
		l.Understand(Event{Kind: Changed, At: start, From: 10, To: 900}, "a", 600)
		if p := l.Present("a"); p == nil || p.NetOn != 900 {
			t.Errorf("%s: %+v", b, p)
		}
	})
}

// A year of change-overs on a simulated scale: the book counts what was drawn.
func TestLedgerOfASimulatedPlant(t *testing.T) {
	g := tonRig()
	g.every, g.net, g.seed = 20*time.Second, 1950, 3
	l := NewLedger(nil)
	filled := 0.0
	g.disturb = func(_ int, d float64) float64 { // a full one each nine days, off for 10 min
		k := math.Floor(d / 9)
		filled = k * 1800
		if k > 0 && d-9*k < 10*minuteDays {
			return filled - 5000
		}
		return filled
	}
	g.rate = func(d float64) float64 {
		if k := math.Floor(d / 9); k > 0 && d-9*k < 10*minuteDays {
			return 0
		}
		return 200
	}
	var drawn float64
	g.run(46*24*time.Hour, func(tr truth, r BankResult) {
		for _, e := range r.Events {
			l.Understand(e, "north-1", 680)
		}
		if r.Net.Quality == reading.GoodQuality() && r.Containers[0].Net.Quality == reading.GoodQuality() {
			l.Weigh(tr.at, "north-1", units.Kilograms(r.Net.Value))
		}
		drawn = tr.drawn
	})
	var used float64
	for _, m := range l.Months {
		used += float64(m.Used) / poundKilograms
	}
	if len(l.Entries) != 6 || math.Abs(used-drawn) > 6 {
		t.Errorf("%d entries, expected 6; %.5g lb used, %.5g drawn", len(l.Entries), used, drawn)
	}
}
