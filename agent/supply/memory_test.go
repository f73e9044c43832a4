package supply

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"ebbwatch/agent/reading"
)

// A restart costs the scales an hour, not the demand and not the gain.
func TestARestartKeepsWhatWasLearnt(t *testing.T) {
	use := demand(4, 20)
	g := tonRig()
	g.every, g.kind, g.net, g.rate, g.feedKnown, g.feedGain = time.Minute, "tank", 4000, use, true, 1.1
	tank := func(s *BankSettings) { s.Kinds = []Kind{kind("tank", 20000, 4000, 80, 28, 36)} }
	g.settings = tank
	var before BankResult
	var old *Bank
	g.run(10*24*time.Hour, func(tr truth, r BankResult) { before, old = r, tr.bank })
	b, err := json.Marshal(old.Memory())
	if err != nil {
		t.Fatal(err)
	}
	var m Memory
	if err := json.Unmarshal(b, &m); err != nil {
		t.Fatal(err)
	}
	h := tonRig()
	h.every, h.kind, h.net, h.feedKnown, h.feedGain, h.settings = g.every, g.kind, before.Net.Value/poundKilograms, true, 1.1, tank
	h.rate = func(d float64) float64 { return use(d + 10) }
	h.remember = &m
	h.run(2*time.Hour, func(tr truth, r BankResult) {
		if tr.days < 1.5/24 {
			return
		}
		gone := tr.days * secondsPerDay
		if v := r.TimeToEmpty; v.Quality.Level != reading.Good || math.Abs(v.Value+gone-before.TimeToEmpty.Value) > 0.05*before.TimeToEmpty.Value {
			t.Fatalf("after the restart %+v, before %+v", v, before.TimeToEmpty)
		}
		if math.Abs(r.Balance.Gain-1/1.1) > 0.02 {
			t.Fatalf("gain %g, expected %g", r.Balance.Gain, 1/1.1)
		}
	})
}

func TestMemoryThatCannotBeRight(t *testing.T) {
	for _, m := range []Memory{
		{Hours: []HourMemory{{Hour: 24}}},
		{Hours: []HourMemory{{Mass: math.NaN()}}},
		{Hours: []HourMemory{{Flow: -1}}},
		{Hours: make([]HourMemory, weekHours+1)},
		{Days: []DayMemory{{Mass: math.Inf(1)}}},
		{Gain: 0, Steps: 5},
		{Steps: -1},
	} {
		b := NewBank(tons(1))
		if b.Remember(m) == nil || b.profile.count != 0 || b.feed.gain != 1 {
			t.Errorf("%+v was taken", m)
		}
	}
	if err := NewBank(tons(1)).Remember(Memory{}); err != nil {
		t.Error(err)
	}
}
