package plant

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/air"
	"ebbwatch/agent/reading"
)

// annex is an invented store of chlorine: three detectors that vote in one room,
// one in another, and what may speak beside them.
func annex(need int, policy air.Policy) Settings {
	s := Settings{Shown: Shown{Mass: unit("lb"), MassFlow: unit("lb/d")}, Instruments: []Instrument{{Name: "panel", Line: "line-a"}}}
	for _, name := range []string{"gas-1", "gas-2", "gas-3", "gas-9"} {
		s.Points = append(s.Points, Point{Name: name + "-ppm", Instrument: "panel", Unit: unit("ppm"), StaleAfter: 10 * time.Second})
		room := "annex"
		if name == "gas-9" {
			room = "porch"
		}
		s.Detectors = append(s.Detectors, Detector{Name: name, Concentration: name + "-ppm", Room: room, Settings: air.Settings{Level1: 0.5, Level2: 1, NoiseFloor: 0.05, DriftLimit: 0.3}})
	}
	for _, name := range []string{"fan", "flow", "door", "scrubber", "wind"} {
		s.Points = append(s.Points, Point{Name: name, Instrument: "panel", Unit: unit("1"), StaleAfter: 10 * time.Second})
	}
	s.Points = append(s.Points, Point{Name: "vacuum", Instrument: "panel", Unit: unit("psig"), StaleAfter: 10 * time.Second})
	s.Rooms = []Room{
		{Name: "annex", Need: need, Policy: policy, FanCommanded: "fan", AirFlow: "flow", Door: "door", Scrubber: "scrubber", WindFrom: "wind", Beside: []string{"vacuum"}},
		{Name: "porch"},
	}
	return s
}

// still is what the annex reads when nothing is wrong.
var still = map[string]string{
	"gas-1-ppm": "0", "gas-2-ppm": "0", "gas-3-ppm": "0", "gas-9-ppm": "0",
	"fan": "1", "flow": "1", "door": "0", "scrubber": "1", "wind": "270", "vacuum": "-6",
}

// says steps the plant with still readings but for those given: a number, or the
// reason for which there is none.
func says(p *Plant, at time.Time, but map[string]string) []Figure {
	var rs []reading.Reading
	for i := range p.points {
		pt := &p.points[i]
		text, ok := but[pt.Name]
		if !ok {
			text = still[pt.Name]
		}
		r := reading.Reading{Point: pt.Name, Quality: reading.GoodQuality(), Time: at}
		if n, _ := fmt.Sscan(text, &r.Value); n == 0 {
			r.Quality = reading.BadBecause(text)
		}
		r.Value = pt.Unit.SI(r.Value)
		rs = append(rs, r)
	}
	return p.Step(at, rs)
}

func TestRoomSpeaksForItsDetectors(t *testing.T) {
	const (
		lost = reading.NoReply
		bad  = "bad"
	)
	for _, tc := range []struct {
		reason string
		need   int
		policy air.Policy
		but    map[string]string
		// want are figures of the room, bad for one that is not usable.
		calling, vote, blind, deviation, ventilation string
		shown, detail                                string // of the vote, and of what is blind
	}{
		{"all is well", 2, air.DegradeSafe, nil, "0", "0", "0", "0", "0", "1oo3 NNN; second level 2oo3 NNN: ok", ""},
		{"one calls: told by itself, no vote yet", 2, air.DegradeSafe, map[string]string{"gas-2-ppm": "1.2"}, "1", "0", "0", "1.2", "0", "1oo3 NTN; second level 2oo3 NTN: ok", ""},
		{"two over the first level are no vote on the second", 2, air.DegradeSafe, map[string]string{"gas-1-ppm": "0.6", "gas-2-ppm": "1.2"}, "2", "0", "0", "1.2", "0", "1oo3 TTN; second level 2oo3 NTN: ok", ""},
		{"two call: the vote comes to a trip", 2, air.DegradeSafe, map[string]string{"gas-1-ppm": "1.1", "gas-2-ppm": "1.2"}, "2", "1", "0", "1.2", "0", "1oo3 TTN; second level 2oo3 TTN: trip", ""},
		{"one is lost: one call is enough", 2, air.DegradeSafe, map[string]string{"gas-1-ppm": lost, "gas-2-ppm": "1.2"}, "1", "1", "0", "1.2", "0", "1oo3 BTN; second level 2oo3 BTN: trip", ""},
		{"unless the site wants two of those left", 2, air.DegradeAvailable, map[string]string{"gas-1-ppm": lost, "gas-2-ppm": "1.2"}, "1", "0", "0", "1.2", "0", "1oo3 BTN; second level 2oo3 BTN: ok", ""},
		{"a lost one votes for gas where the site says so", 2, air.Trip, map[string]string{"gas-1-ppm": lost, "gas-2-ppm": "1.2"}, "1", "1", "0", "1.2", "0", "1oo3 BTN; second level 2oo3 BTN: trip", ""},
		{"and for clean air where it says that", 2, air.Ignore, map[string]string{"gas-1-ppm": lost, "gas-2-ppm": "1.2"}, "1", "0", "0", "1.2", "0", "1oo3 BTN; second level 2oo3 BTN: ok", ""},
		{"too few for such a vote: the room is blind for it", 2, air.Ignore, map[string]string{"gas-1-ppm": lost, "gas-3-ppm": lost}, "0", bad, "1", bad, "0", "1oo3 BNB; second level 2oo3 BNB: lost", "too few detectors for its vote"},
		{"all lost: blind, and by the safe policy a trip", 2, air.DegradeSafe, map[string]string{"gas-1-ppm": lost, "gas-2-ppm": lost, "gas-3-ppm": lost}, "0", "1", "1", bad, "0", "1oo3 BBB; second level 2oo3 BBB: trip", "no detector that can be trusted: gas-1 does not answer; gas-2"},
		{"all lost without a vote: blind", 0, air.DegradeSafe, map[string]string{"gas-1-ppm": lost, "gas-2-ppm": lost, "gas-3-ppm": lost}, "0", "0", "1", bad, "0", "1oo3 BBB", "no detector that can be trusted"},
		{"one that drifted below zero cannot be compared", 0, air.DegradeSafe, map[string]string{"gas-1-ppm": "-0.4", "gas-2-ppm": "0.2"}, "0", "0", "0", "0.2", "0", "1oo3 BNN", ""},
		{"the fan is commanded, and no air flows", 0, air.DegradeSafe, map[string]string{"flow": "0"}, "0", "0", "0", "0", "1", "1oo3 NNN", ""},
		{"the fan stands, and no air flows", 0, air.DegradeSafe, map[string]string{"fan": "0", "flow": "0"}, "0", "0", "0", "0", "0", "1oo3 NNN", ""},
		{"nobody knows whether air flows", 0, air.DegradeSafe, map[string]string{"flow": lost}, "0", "0", "0", "0", bad, "1oo3 NNN", ""},
		{"gas in another room is not of this one", 1, air.DegradeSafe, map[string]string{"gas-9-ppm": "3"}, "0", "0", "0", "0", "0", "1oo3 NNN; second level 1oo3 NNN: ok", ""},
	} {
		p := newPlant(t, annex(tc.need, tc.policy))
		says(p, start, nil)
		fs := says(p, start.Add(time.Second), tc.but)
		figure := func(q Quantity) Figure { return find(t, fs, Name(RoomKind, "annex", q)) }
		for q, want := range map[Quantity]string{Calling: tc.calling, Vote: tc.vote, Blind: tc.blind, Deviation: tc.deviation, Ventilation: tc.ventilation} {
			f := figure(q)
			got := bad
			if f.Quality.Usable() {
				got = fmt.Sprint(f.Shown())
			}
			if got != want {
				t.Errorf("%s: %s is %s (%s), expected %s", tc.reason, q, got, f.Detail, want)
			}
		}
		if got := figure(Vote).Vote; got != tc.shown {
			t.Errorf("%s: the vote is shown as %q, expected %q", tc.reason, got, tc.shown)
		}
		if got := figure(Blind).Detail; !strings.Contains(got, tc.detail) || (got == "") != (tc.detail == "") {
			t.Errorf("%s: what is blind %q, expected %q", tc.reason, got, tc.detail)
		}
		for _, d := range []string{"gas-1", "gas-2", "gas-3"} {
			if f := find(t, fs, Name(DetectorKind, d, Concentration)); f.Vote != tc.shown {
				t.Errorf("%s: %s carries the vote %q", tc.reason, d, f.Vote)
			}
		}
	}
}

// TestVoteFollowsItsDetectors: what is kept between steps never outlives what it
// was made of.
func TestVoteFollowsItsDetectors(t *testing.T) {
	p := newPlant(t, annex(2, air.DegradeSafe))
	at := start
	for i, tc := range []struct {
		but  map[string]string
		want string
	}{
		{map[string]string{"gas-3-ppm": reading.NotYetRead}, ""},
		{nil, "1oo3 NNN; second level 2oo3 NNN: ok"},
		{map[string]string{"gas-1-ppm": "0.7"}, "1oo3 TNN; second level 2oo3 NNN: ok"},
		{map[string]string{"gas-1-ppm": "1.7", "gas-3-ppm": "2"}, "1oo3 TNT; second level 2oo3 TNT: trip"},
		{map[string]string{"gas-1-ppm": "1.7", "gas-3-ppm": reading.NoReply}, "1oo3 TNB; second level 2oo3 TNB: trip"},
		{nil, "1oo3 NNN; second level 2oo3 NNN: ok"},
	} {
		at = at.Add(time.Second)
		if got := find(t, says(p, at, tc.but), "room.annex.vote").Vote; got != tc.want {
			t.Errorf("step %d: %q, expected %q", i, got, tc.want)
		}
	}
	// A detector that is no longer read cannot be trusted.
	fs := p.Step(at.Add(time.Minute), nil)
	if f := find(t, fs, "room.annex.blind"); f.Value != 1 || !strings.Contains(f.Detail, "has not been read for too long") {
		t.Errorf("nothing is read, and the room says %v %q", f.Value, f.Detail)
	}
}

// TestQuietRoomsCostNothing: a step in which no detector changes makes one
// allocation, that of its figures.
func TestQuietRoomsCostNothing(t *testing.T) {
	p := newPlant(t, annex(2, air.DegradeSafe))
	at := start
	says(p, at, nil)
	if n := testing.AllocsPerRun(100, func() {
		at = at.Add(time.Millisecond)
		p.Step(at, nil)
	}); n > 1 {
		t.Errorf("a step makes %g allocations, expected 1", n)
	}
}

func TestEvidence(t *testing.T) {
	for _, tc := range []struct {
		reason string
		but    map[string]string
		has    []string
		hasNot []string
	}{
		{"all of it", map[string]string{"gas-1-ppm": "1.2", "gas-2-ppm": "0.3", "gas-3-ppm": reading.NoReply, "gas-9-ppm": "0.7", "door": "1", "flow": "0"},
			[]string{"gas-2 shows 0.30 ppm", "gas-3 tells nothing, it does not answer", "gas-9 in porch shows 0.70 ppm", "the door is open", "the fan is commanded to run", "air does not flow", "the scrubber is ready", "the wind comes from 270 degrees", "vacuum shows -6 psig"}, []string{"gas-1 shows"}},
		{"what is not known says so", map[string]string{"gas-1-ppm": "1.2", "door": reading.NoReply, "wind": reading.NoReply, "vacuum": reading.NoReply},
			[]string{"the door: not known", "the wind is not known", "vacuum is not known"}, []string{"the door is", "gas-9"}},
		{"a doubtful neighbour says why", map[string]string{"gas-1-ppm": "1.2", "gas-2-ppm": "-0.5"}, []string{"gas-2 shows -0.50 ppm, but has drifted too far below zero"}, nil},
	} {
		p := newPlant(t, annex(2, air.DegradeSafe))
		says(p, start, nil)
		fs := says(p, start.Add(time.Second), tc.but)
		for _, q := range []Quantity{Concentration, Rise, ShortTerm, EightHour} {
			got := find(t, fs, Name(DetectorKind, "gas-1", q)).Evidence
			for _, want := range tc.has {
				if !strings.Contains(got, want) {
					t.Errorf("%s: %s shows %q, without %q", tc.reason, q, got, want)
				}
			}
			for _, no := range tc.hasNot {
				if strings.Contains(got, no) {
					t.Errorf("%s: %s shows %q, with %q", tc.reason, q, got, no)
				}
			}
		}
	}
	p := newPlant(t, annex(2, air.DegradeSafe))
	for _, f := range says(p, start, nil) {
		if f.Evidence != "" {
			t.Errorf("%s shows %q while there is no gas", f.Name, f.Evidence)
		}
	}
}

// TestExposureOutlivesARestart: the mean of 8 h goes on from the checkpoint, and
// the time between counts as not known.
func TestExposureOutlivesARestart(t *testing.T) {
	p := newPlant(t, annex(0, air.DegradeSafe))
	at := start
	for ; !at.After(start.Add(time.Hour)); at = at.Add(10 * time.Second) {
		says(p, at, map[string]string{"gas-1-ppm": "4"})
	}
	kept := p.Checkpoint()
	if again := p.Checkpoint(); string(again) != string(kept) {
		t.Error("two checkpoints of one state differ")
	}
	for _, tc := range []struct {
		reason string
		after  time.Duration
		want   float64 // ppm over 8 h: an hour at 4 ppm is 0.5
	}{
		{"two minutes later", 2 * time.Minute, 0.5},
		{"a clock that lost its time", -1000 * time.Hour, 0.5},
		{"half an hour too early", -30 * time.Minute, 0.5},
		{"the next day", 24 * time.Hour, 0},
	} {
		q := newPlant(t, annex(0, air.DegradeSafe))
		if err := q.Restore(kept); err != nil {
			t.Fatal(err)
		}
		back := at.Add(tc.after)
		var fs []Figure
		for range 13 {
			back = back.Add(10 * time.Second)
			fs = says(q, back, nil)
		}
		f := find(t, fs, Name(DetectorKind, "gas-1", EightHour))
		if got := f.Value; got < tc.want-1e-6 || got > tc.want+0.01 {
			t.Errorf("%s: the mean of 8 h is %.4f ppm, expected %.2f", tc.reason, got, tc.want)
		}
		if f.Quality != reading.UncertainBecause(reading.Learning) {
			t.Errorf("%s: %v, but what happened in between is not known", tc.reason, f.Quality)
		}
	}
	q := newPlant(t, annex(0, air.DegradeSafe))
	broken := strings.ReplaceAll(string(kept), `"peak":4`, `"peak":-4`)
	if broken == string(kept) {
		t.Fatal("the checkpoint has no peak of 4 ppm")
	}
	if err := q.Restore([]byte(broken)); err != nil {
		t.Fatal(err)
	}
	if f := find(t, says(q, at, nil), Name(DetectorKind, "gas-1", EightHour)); f.Value != 0 {
		t.Errorf("an exposure that cannot be counts %g ppm", f.Value)
	}
}

// TestServicesFallDue: what a person records moves the day on, and outlives a
// restart.
func TestServicesFallDue(t *testing.T) {
	s := annex(0, air.DegradeSafe)
	day := 24 * time.Hour
	s.Detectors[0].Services = []Service{{Calibration, start.Add(-100 * day), 180 * day}, {BumpTest, start.Add(-31 * day), 30 * day}}
	p := newPlant(t, s)
	due := func(p *Plant, at time.Time) (calibration, bump float64, overdue string) {
		fs := says(p, at, nil)
		f := find(t, fs, "detector.gas-1.service-overdue")
		if (f.Value == 1) != (f.Detail != "") {
			t.Errorf("overdue %g says %q", f.Value, f.Detail)
		}
		c, b := find(t, fs, "detector.gas-1.calibration-due"), find(t, fs, "detector.gas-1.bump-test-due")
		return c.Shown(), b.Shown(), f.Detail
	}
	if c, b, says := due(p, start); c != 80 || b != -1 || says != "is overdue: its bump test was due on 1 March 2026, last done on 30 January 2026" {
		t.Errorf("calibration in %g d, bump test in %g d, %q", c, b, says)
	}
	for _, tc := range []struct {
		detector string
		work     Work
		done     time.Time
		want     string
	}{
		{"gas-7", BumpTest, start, `no detector is called "gas-7"`},
		{"gas-1", "dusting", start, `no "dusting" is due for gas-1: expected calibration or bump-test`},
		{"gas-2", BumpTest, start, `no "bump-test" is due for gas-2`},
		{"gas-1", BumpTest, start.Add(day), "which is to come"},
		{"gas-1", BumpTest, start.Add(-40 * day), "expected a time after the one on record, 30 January 2026 06:00 UTC"},
	} {
		if _, err := p.Serviced(start, tc.detector, tc.work, tc.done); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s of %s: error %v, expected %q", tc.work, tc.detector, err, tc.want)
		}
	}
	enter, err := p.Serviced(start, "gas-1", BumpTest, start.Add(-time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	enter()
	again := newPlant(t, s)
	if err := again.Restore(p.Checkpoint()); err != nil {
		t.Fatal(err)
	}
	for _, q := range []*Plant{p, again} {
		if c, b, says := due(q, start.Add(time.Second)); math.Abs(c-80) > 1e-3 || math.Abs(b-30+1.0/24) > 1e-3 || says != "" {
			t.Errorf("after the bump test: calibration in %g d, bump test in %g d, %q", c, b, says)
		}
	}
	if s.Detectors[0].Services[1].Last != start.Add(-31*day) {
		t.Error("the settings of the caller were changed")
	}
}
