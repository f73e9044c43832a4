package air

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var t0 = time.Date(2026, 3, 1, 6, 0, 0, 0, time.UTC)

// feed gives an exposure a value every second.
func feed(e *Exposure, from time.Time, length time.Duration, ppm float64) time.Time {
	for at := from; at.Before(from.Add(length)); at = at.Add(time.Second) {
		e.Add(at, ppm)
	}
	return from.Add(length)
}

// TestExposureByHand checks means against sums made by hand.
func TestExposureByHand(t *testing.T) {
	type step struct {
		length time.Duration
		ppm    float64
	}
	for _, tc := range []struct {
		name  string
		steps []step
		w     Window
		want  float64 // ppm
	}{
		{"15 min of 0.5 ppm: 7.5 ppm·min / 15", []step{{15 * time.Minute, 0.5}}, FifteenMinutes, 0.5},
		{"5 min of 1.2 in clean air: 6 / 15", []step{{10 * time.Minute, 0}, {5 * time.Minute, 1.2}}, FifteenMinutes, 0.4},
		{"the same an hour later is gone", []step{{5 * time.Minute, 1.2}, {time.Hour, 0}}, FifteenMinutes, 0},
		{"8 h of 0.3 and 0.7 by halves: (72 + 168) / 480", []step{{4 * time.Hour, 0.3}, {4 * time.Hour, 0.7}}, EightHours, 0.5},
		{"24 min of 10 ppm in 8 h: 240 / 480", []step{{24 * time.Minute, 10}, {456 * time.Minute, 0}}, EightHours, 0.5},
		{"a zero that drifts below takes nothing away: 6 / 10", []step{{5 * time.Minute, -0.4}, {5 * time.Minute, 1.2}}, TenMinutes, 0.6},
	} {
		var e Exposure
		at := t0
		for _, s := range tc.steps {
			at = feed(&e, at, s.length, s.ppm)
		}
		// A step between two values counts one second at the higher one, and a mean
		// up to a minute more than its window.
		if got := e.Mean(tc.w); got.PPM < tc.want-1e-3 || got.PPM > tc.want*1.02+1.2/600 {
			t.Errorf("%s: %.4f ppm, expected %.4f", tc.name, got.PPM, tc.want)
		}
	}
}

func TestExposureTellsWhatItDoesNotKnow(t *testing.T) {
	var e Exposure
	at := feed(&e, t0, 5*time.Minute, 2)
	e.Gap()
	at = at.Add(5 * time.Minute)
	feed(&e, at, 5*time.Minute, 2)
	m := e.Mean(FifteenMinutes)
	if math.Abs(m.Known-10.0/15) > 0.01 || math.Abs(m.PPM-20.0/15) > 0.02 || m.Peak != 2 {
		t.Errorf("%+v: expected two thirds known and 1.33 ppm, what nobody saw counted as clean", m)
	}
	e.Add(at.Add(24*time.Hour), 0)
	if m := e.Mean(EightHours); m.PPM != 0 || m.Known != 0 {
		t.Errorf("%+v a day later", m)
	}
	e.Add(at, 9) // a clock that was put back
	if m := e.Mean(EightHours); m.PPM != 0 {
		t.Errorf("%+v after a reading of the past", m)
	}
}

// TestExposureIsNeverUnderTheTruth compares with a sum over every second.
func TestExposureIsNeverUnderTheTruth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1, 20), 1, 60).Draw(t, "one value for each half minute")
		var e Exposure
		at, dose := t0, 0.0
		for i, v := range values {
			at = feed(&e, at, 30*time.Second, v)
			if len(values)-i <= 20 { // the last 10 min
				dose += 30 * max(0, v)
			}
		}
		// The last value is known to have held for 29 s.
		truth := (dose - max(0, values[len(values)-1])) / 600
		if got := e.Mean(TenMinutes).PPM; got < truth-1e-9 {
			t.Errorf("%g ppm, the truth is %g", got, truth)
		}
	})
}

// TestLimitsFallWithTime: a longer stay is never allowed more.
func TestLimitsFallWithTime(t *testing.T) {
	for i, a := range Limits {
		if a.Year == 0 || a.Source == "" {
			t.Errorf("%s has no year or source", a.Name)
		}
		for _, b := range Limits[i+1:] {
			if a.Name == b.Name && (b.Window <= a.Window || b.PPM > a.PPM) {
				t.Errorf("%s: %g ppm over %s after %g ppm over %s", a.Name, b.PPM, b.Window.Duration(), a.PPM, a.Window.Duration())
			}
		}
	}
	var e Exposure
	feed(&e, t0, 11*time.Minute, 3)
	if l, any := e.Gravest(); !any || l.Name != "AEGL-2" || l.Window != TenMinutes || l.Edition() != "2004, from memory" {
		t.Errorf("%+v after 11 min at 3 ppm, expected AEGL-2 over 10 min (2.8 ppm)", l)
	}
}

func BenchmarkExposureSecond(b *testing.B) {
	var e Exposure
	at := t0
	for b.Loop() {
		at = at.Add(time.Second)
		e.Add(at, 0.1)
	}
}

// TestLimitsAgainstTheReference compares the limits with testdata/air/reference.json,
// which names the source of each and marks those from memory.
func TestLimitsAgainstTheReference(t *testing.T) {
	data, err := os.ReadFile("../../testdata/air/reference.json")
	if err != nil {
		t.Fatal(err)
	}
	var f struct {
		Exposure struct {
			NIOSH struct{ Value float64 } `json:"niosh_rel"`
			AEGL  struct {
				Value  map[string]map[string]float64
				Memory bool `json:"from_memory"`
			}
		}
	}
	if err := json.Unmarshal(data, &f); err != nil {
		t.Fatal(err)
	}
	windows := map[Window]string{TenMinutes: "10min", ThirtyMinutes: "30min", OneHour: "1h", FourHours: "4h", EightHours: "8h"}
	seen := 0
	for _, l := range Limits {
		want := f.Exposure.NIOSH.Value
		if l.Name != "NIOSH ceiling" {
			want = f.Exposure.AEGL.Value[l.Name][windows[l.Window]]
			if strings.Contains(l.Source, "from memory") != f.Exposure.AEGL.Memory {
				t.Errorf("%s: its mark differs from the reference", l.Name)
			}
		}
		if seen++; l.PPM != want {
			t.Errorf("%s over %s: %g ppm, the reference has %g", l.Name, l.Window.Duration(), l.PPM, want)
		}
	}
	if seen != 16 {
		t.Errorf("%d limits were compared", seen)
	}
}

// FuzzExposure reads checkpoints that a disk or a hand has spoilt: what is taken
// can be written again and is a possible exposure.
func FuzzExposure(f *testing.F) {
	var e Exposure
	feed(&e, t0, 20*time.Minute, 2)
	text, err := json.Marshal(&e)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"begun":"2026-03-01T06:00:00Z","last":"2026-03-01T06:00:30Z","dose":1e9,"known":30,"peak":2}`))
	f.Add([]byte(`{"minutes":"AAAA"}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		var e Exposure
		if json.Unmarshal(text, &e) != nil {
			return
		}
		again, err := json.Marshal(&e)
		if err != nil {
			t.Fatal(err)
		}
		var same Exposure
		if err := json.Unmarshal(again, &same); err != nil {
			t.Fatalf("%s: %v", again, err)
		}
		for w := range nWindows {
			m := e.Mean(w)
			if !(m.PPM >= 0) || !(m.Known >= 0 && m.Known <= 1) || m != same.Mean(w) {
				t.Errorf("%s of %s: %+v, and %+v when it is read again", w.Duration(), text, m, same.Mean(w))
			}
		}
		e.Add(t0.Add(24*time.Hour), 1)
	})
}
