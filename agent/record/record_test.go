package record

import (
	"encoding/json"
	"math"
	"testing"
	"time"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"

	"github.com/google/go-cmp/cmp"
)

func zone(t testing.TB, name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// ridge is a small site: an entry point, a segment, two detectors in one room.
func ridge(z *time.Location) Settings {
	figure := func(k plant.Kind, owner string, q plant.Quantity, unit string) plant.Figure {
		f := plant.Figure{Name: plant.Name(k, owner, q), Kind: k, Owner: owner, Quantity: q, Unit: units.MustParse(unit)}
		if k == plant.PointKind {
			f.Name = owner
		}
		return f
	}
	return Settings{
		Zone: z,
		Figures: []plant.Figure{
			figure(plant.PointKind, "residual-entry", plant.ReadingOf, "mg/L"),
			figure(plant.EntryKind, "residual-entry", plant.UnderResidual, "h"),
			figure(plant.PointKind, "temperature", plant.ReadingOf, "degF"),
			figure(plant.PointKind, "ph", plant.ReadingOf, "pH"),
			figure(plant.DetectorKind, "gas-1", plant.Concentration, "ppm"),
			figure(plant.DetectorKind, "gas-1", plant.GasLevel, "1"),
			figure(plant.DetectorKind, "gas-2", plant.Concentration, "ppm"),
			figure(plant.DetectorKind, "gas-2", plant.GasLevel, "1"),
			figure(plant.SegmentKind, "clearwell", plant.DayPeakFlow, "MGD"),
		},
		Segments:    []plant.Segment{{Name: "clearwell", Temperature: "temperature", PH: "ph", Settings: contact.Settings{GiardiaLog: 0.5, VirusLog: 2, Method: contact.Table}}},
		Trains:      []plant.Train{{Name: "main", Segments: []string{"clearwell"}, GiardiaLog: 0.5, VirusLog: 2}},
		EntryPoints: []plant.EntryPoint{{Point: "residual-entry", Residual: contact.SurfaceWaterRule}},
		Detectors:   []plant.Detector{{Name: "gas-1", Room: "chlorine-room"}, {Name: "gas-2", Room: "chlorine-room"}},
	}
}

// now is what the plant shows in a step, by figure; what is left out is bad.
type now map[string]float64

// quiet is a plant in order.
func quiet() now {
	return now{
		"residual-entry": 1.2, "entry.residual-entry.under-residual": 0, "temperature": 10, "ph": 7.5,
		"detector.gas-1.concentration": 0, "detector.gas-1.level": 0, "detector.gas-2.concentration": 0, "detector.gas-2.level": 0,
	}
}

func (n now) with(name string, v float64) now {
	n[name] = v
	return n
}

func (n now) without(names ...string) now {
	for _, name := range names {
		delete(n, name)
	}
	return n
}

func newRecorder(t testing.TB, s Settings) *Recorder {
	t.Helper()
	r, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// figures are what a site's plant shows.
func (r *Recorder) figures(n now) []plant.Figure {
	fs := append([]plant.Figure(nil), r.s.Figures...)
	for i := range fs {
		f := &fs[i]
		f.Quality = reading.BadBecause(reading.NoReply)
		if v, ok := n[f.Name]; ok {
			f.Value, f.Quality = v, reading.GoodQuality()
		}
	}
	return fs
}

// stepWith folds what the plant shows at a time.
func (r *Recorder) stepWith(at time.Time, n now, ts ...alarms.Transition) []Entry {
	return r.Step(Step{Time: at, Figures: r.figures(n), Transitions: ts})
}

// run steps every minute from one time up to another, and returns the days closed.
func (r *Recorder) run(from, to time.Time, at func(time.Time) now) (days []*Day) {
	for t := from; !t.After(to); t = t.Add(time.Minute) {
		for _, e := range r.stepWith(t, at(t)) {
			if e.Day != nil {
				days = append(days, e.Day)
			}
		}
	}
	return days
}

func want(t *testing.T, d *Day, name string, value, covered float64) {
	t.Helper()
	it := d.Item(name)
	switch {
	case it == nil:
		t.Errorf("%s: no item %s", d.Date, name)
	case it.Value == nil != math.IsNaN(value) || it.Value != nil && math.Abs(*it.Value-value) > 1e-9:
		got := math.NaN()
		if it.Value != nil {
			got = *it.Value
		}
		t.Errorf("%s: %s is %v, expected %v", d.Date, name, got, value)
	case math.Abs(it.Covered-covered) > 1e-9:
		t.Errorf("%s: %s is known of %.6f of the day, expected %.6f", d.Date, name, it.Covered, covered)
	}
}

// Days are as long as the clocks of the site make them.
func TestDaysOfEveryLength(t *testing.T) {
	for _, c := range []struct {
		reason, zone, date string
		hours              float64
	}{
		{"a common day", "America/Denver", "2026-06-10", 24},
		{"summer time begins", "America/Denver", "2026-03-08", 23},
		{"summer time ends", "America/Denver", "2026-11-01", 25},
		{"a leap day", "America/Denver", "2028-02-29", 24},
		{"midnight does not exist where summer time begins then", "America/Santiago", "2026-09-06", 23},
		{"half an hour", "Australia/Lord_Howe", "2026-10-04", 23.5},
	} {
		z := zone(t, c.zone)
		noon, err := time.ParseInLocation("2006-01-02 15", c.date+" 12", z)
		if err != nil {
			t.Fatal(err)
		}
		from, _ := contact.DayOf(noon, z)
		r := newRecorder(t, ridge(z))
		days := r.run(from, from.Add(26*time.Hour), func(time.Time) now { return quiet() })
		if len(days) != 1 {
			t.Fatalf("%s: %d days closed", c.reason, len(days))
		}
		d := days[0]
		if got := d.To.Sub(d.From).Hours(); d.Date != c.date || got != c.hours || d.Watched != 1 {
			t.Errorf("%s: %s has %g hours, watched for %g; expected %s with %g, all of it", c.reason, d.Date, got, d.Watched, c.date, c.hours)
		}
		want(t, d, "entry.residual-entry.lowest-residual", 1.2, 1)
		if p := r.Present(); !p.From.Equal(d.To) {
			t.Errorf("%s: the next day begins at %v, expected %v", c.reason, p.From, d.To)
		}
	}
}

// A day with a low residual, gas and gaps, reckoned by hand.
func TestADay(t *testing.T) {
	z := zone(t, "America/Denver")
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, z)
	r := newRecorder(t, ridge(z))
	days := r.run(from, from.Add(24*time.Hour+time.Minute), func(at time.Time) now {
		n := quiet()
		switch minute := int(at.Sub(from).Minutes()); {
		case minute >= 60 && minute < 90: // 30 min under, the lowest at 1:10
			n.with("residual-entry", 0.15).with("entry.residual-entry.under-residual", float64(minute-60)*60)
			if minute == 70 {
				n.with("residual-entry", 0.11)
			}
		case minute >= 120 && minute < 264: // a tenth of the day without temperature and residual
			n.without("temperature", "residual-entry")
		case minute == 300:
			n.with("ph", 8.1).with("temperature", 4)
		case minute >= 400 && minute < 410:
			n.with("detector.gas-1.concentration", 0.7).with("detector.gas-1.level", 1)
		case minute >= 405+60 && minute < 430+60:
			n.with("detector.gas-2.concentration", 1.5).with("detector.gas-2.level", 2)
		}
		return n
	})
	if len(days) != 1 {
		t.Fatalf("%d days", len(days))
	}
	d := days[0]
	want(t, d, "entry.residual-entry.lowest-residual", 0.11, 0.9)
	want(t, d, "entry.residual-entry.time-under", 30, 0.9)
	want(t, d, "entry.residual-entry.longest-under", 29.0/60, 1)
	want(t, d, "segment.clearwell.lowest-temperature", 39.2, 0.9)
	want(t, d, "segment.clearwell.highest-ph", 8.1, 1)
	want(t, d, "room.chlorine-room.highest-gas", 1.5, 1)
	want(t, d, "room.chlorine-room.trips", 2, 1)
	want(t, d, "room.chlorine-room.second-trips", 1, 1)
	want(t, d, "segment.clearwell.peak-ratio", math.NaN(), 0)
	want(t, d, "train.main.extremes-ratio", math.NaN(), 0)
	if it := d.Item("entry.residual-entry.lowest-residual"); !it.At.Equal(from.Add(70 * time.Minute)) {
		t.Errorf("the lowest residual was at %v", it.At)
	}
	if it := d.Item("room.chlorine-room.highest-gas"); it.Detail != "gas-2" {
		t.Errorf("the highest gas was at %q", it.Detail)
	}
	if diff := cmp.Diff([]Period{{Point: "residual-entry", From: from.Add(time.Hour).UTC(), To: from.Add(90 * time.Minute).UTC(), Lowest: 0.11, Least: 0.2}}, d.Periods); diff != "" {
		t.Error(diff)
	}
}

// ebbwatch stopped for three hours, and the host slept for ten minutes: that is
// not covered, and nothing is made of it.
func TestGapsAreNotCovered(t *testing.T) {
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, time.UTC)
	r := newRecorder(t, ridge(time.UTC))
	r.run(from, from.Add(6*time.Hour), func(time.Time) now { return quiet().with("residual-entry", 0.1) })
	days := r.run(from.Add(9*time.Hour), from.Add(24*time.Hour), func(time.Time) now { return quiet() })
	d := days[0]
	want(t, d, "entry.residual-entry.time-under", 6*60, 21.0/24)
	if p := d.Periods; len(p) != 1 || p[0].To.Sub(p[0].From) != 6*time.Hour {
		t.Errorf("periods %+v", p)
	}
	if d.Watched != 21.0/24 {
		t.Errorf("watched %g", d.Watched)
	}
}

// The record of a run that is killed in mid-day and goes on ten minutes later is
// that of one that was not, but for the ten minutes; and a state from before the
// last transitions costs just them.
func TestCrashInMidDay(t *testing.T) {
	z := zone(t, "America/Denver")
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, z)
	at := func(at time.Time) now {
		return quiet().with("residual-entry", 1+0.5*math.Sin(at.Sub(from).Hours()))
	}
	whole := newRecorder(t, ridge(z))
	expected := whole.run(from, from.Add(24*time.Hour), at)[0]
	first := newRecorder(t, ridge(z))
	first.run(from, from.Add(13*time.Hour), at)
	second := newRecorder(t, ridge(z))
	if err := second.Restore(first.State()); err != nil {
		t.Fatal(err)
	}
	got := second.run(from.Add(13*time.Hour+10*time.Minute), from.Add(24*time.Hour), at)[0]
	missing := 10.0 / (24 * 60)
	if math.Abs(got.Watched-(1-missing)) > 1e-12 {
		t.Errorf("watched %g", got.Watched)
	}
	for i := range expected.Items {
		e, g := expected.Items[i], got.Items[i]
		if e.Covered > 0 && math.Abs(e.Covered-g.Covered-missing) > 1e-9 {
			t.Errorf("%s covered %g, without the crash %g", e.Name, g.Covered, e.Covered)
		}
		e.Covered = g.Covered
		if d := cmp.Diff(e, g); d != "" {
			t.Error(d)
		}
	}
}

func TestRestoreRefuses(t *testing.T) {
	r := newRecorder(t, ridge(time.UTC))
	for _, state := range []string{"", "{}", `{"version":2}`, `{"version":1}`, `{"version":1,"lines":["a"],"open":{"from":"2026-05-03T00:00:00Z"}}`} {
		if err := r.Restore([]byte(state)); err == nil {
			t.Errorf("restored %q", state)
		}
	}
	if r.Present() != nil {
		t.Error("a refused state left something")
	}
}

// A line that the site got after the state was written begins then.
func TestRestoreUnderANewSite(t *testing.T) {
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, time.UTC)
	s := ridge(time.UTC)
	before := s
	before.EntryPoints = nil
	old := newRecorder(t, before)
	old.run(from, from.Add(12*time.Hour), func(time.Time) now { return quiet() })
	r := newRecorder(t, s)
	if err := r.Restore(old.State()); err != nil {
		t.Fatal(err)
	}
	d := r.run(from.Add(12*time.Hour+time.Minute), from.Add(24*time.Hour), func(time.Time) now { return quiet() })[0]
	share := (12*60.0 - 1) / (24 * 60)
	want(t, d, "entry.residual-entry.lowest-residual", 1.2, share)
	want(t, d, "segment.clearwell.highest-ph", 7.5, 0.5+share)
}

// A clock that runs ahead and is set right again leaves no day of the future open.
func TestAClockThatWasWrong(t *testing.T) {
	from := time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)
	r := newRecorder(t, ridge(time.UTC))
	r.stepWith(from, quiet())
	r.stepWith(from.AddDate(11, 0, 0), quiet())
	r.stepWith(from.Add(time.Minute), quiet())
	if p := r.Present(); p.Date != "2026-05-03" {
		t.Errorf("the present day is %s", p.Date)
	}
}

// The zone of the site file is changed in mid-day: the old day goes to its end, the
// new one begins there and says how little of it is covered.
func TestAZoneThatIsChanged(t *testing.T) {
	denver := zone(t, "America/Denver")
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, denver)
	a := newRecorder(t, ridge(denver))
	a.run(from, from.Add(12*time.Hour), func(time.Time) now { return quiet() })
	b := newRecorder(t, ridge(time.UTC))
	if err := b.Restore(a.State()); err != nil {
		t.Fatal(err)
	}
	days := b.run(from.Add(12*time.Hour+time.Minute), from.Add(42*time.Hour), func(time.Time) now { return quiet() })
	if len(days) != 2 || days[0].Date != "2026-05-03" || days[1].Date != "2026-05-04" {
		t.Fatalf("%d days", len(days))
	}
	// Midnight in Denver is 6:00 UTC.
	if got, expected := days[1].Watched, 18.0/24; math.Abs(got-expected) > 1e-9 {
		t.Errorf("the first day of the new zone is watched for %g, expected %g", got, expected)
	}
}

// Gas that stands over midnight has tripped once.
func TestATripOverMidnight(t *testing.T) {
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, time.UTC)
	r := newRecorder(t, ridge(time.UTC))
	days := r.run(from, from.Add(48*time.Hour), func(at time.Time) now {
		n := quiet()
		if h := at.Sub(from).Hours(); h >= 23 && h < 25 {
			n.with("detector.gas-1.level", 2)
		}
		return n
	})
	want(t, days[0], "room.chlorine-room.trips", 1, 1)
	want(t, days[1], "room.chlorine-room.trips", 0, 1)
}

// A room is watched as far as all its detectors are; what one of them shows counts.
func TestARoomWithALostDetector(t *testing.T) {
	from := time.Date(2026, 5, 3, 0, 0, 0, 0, time.UTC)
	r := newRecorder(t, ridge(time.UTC))
	days := r.run(from, from.Add(24*time.Hour), func(at time.Time) now {
		n := quiet()
		if h := at.Sub(from).Hours(); h >= 6 && h < 12 {
			n.without("detector.gas-1.concentration", "detector.gas-1.level").with("detector.gas-2.concentration", 0.3)
		}
		return n
	})
	want(t, days[0], "room.chlorine-room.highest-gas", 0.3, 0.75)
	want(t, days[0], "room.chlorine-room.trips", 0, 0.75)
}

// What people say and what calls them is kept, and bounded.
func TestRemarks(t *testing.T) {
	at := time.Date(2026, 5, 3, 12, 0, 0, 0, time.UTC)
	r := newRecorder(t, ridge(time.UTC))
	site := alarms.Condition{Alarm: alarms.Site, Priority: alarms.Low, What: "Note by operator: South scale drifts."}
	note := alarms.Transition{Time: at, Cause: alarms.Noted, Order: &alarms.Ordered{Verb: alarms.Note, By: "operator", Result: alarms.Done, Reason: "South scale drifts."}, After: site}
	refused := note
	refused.Order = &alarms.Ordered{Verb: alarms.Note, By: "x", Result: alarms.Refused}
	call := alarms.Transition{Time: at, Cause: alarms.Raised, Annunciate: true, After: alarms.Condition{Alarm: "a", Priority: alarms.High, What: "A is so."}}
	again := call
	again.Cause = alarms.Realarmed
	r.stepWith(at, quiet(), note, refused, call, again)
	for range 200 {
		at = at.Add(time.Second)
		r.stepWith(at, quiet(), call)
	}
	d := r.Present()
	if diff := cmp.Diff([]Remark{{d.From.Add(12 * time.Hour), "note", "operator", site.What}, {d.From.Add(12 * time.Hour), "high", "", "A is so."}}, d.Remarks[:2]); diff != "" {
		t.Error(diff)
	}
	if len(d.Remarks) != 1+maxCalled || d.Unsaid != 201-maxCalled {
		t.Errorf("%d remarks, %d unsaid", len(d.Remarks), d.Unsaid)
	}
	want(t, d, "alarms.site.high", 202, 200.0/86400)
	want(t, d, "alarms.site.low", 0, 200.0/86400)
}

// The same steps make the same record.
func TestTheRecordIsDeterministic(t *testing.T) {
	once := func() []byte {
		z := zone(t, "America/Denver")
		from := time.Date(2026, 5, 3, 0, 0, 0, 0, z)
		r := newRecorder(t, ridge(z))
		days := r.run(from, from.Add(72*time.Hour), func(at time.Time) now {
			return quiet().with("residual-entry", 0.3+0.2*math.Sin(at.Sub(from).Hours()*3)).with("detector.gas-1.level", float64(at.Minute()/20))
		})
		b, err := json.Marshal(days)
		if err != nil {
			t.Fatal(err)
		}
		return append(b, r.State()...)
	}
	if d := cmp.Diff(string(once()), string(once())); d != "" {
		t.Error(d)
	}
}

func TestMissingFigure(t *testing.T) {
	s := ridge(time.UTC)
	s.Figures = s.Figures[1:]
	if _, err := New(s); err == nil {
		t.Error("a record without the figure of its entry point was made")
	}
}

// One step of the small site, the making of its figures included.
func BenchmarkStep(b *testing.B) {
	r := newRecorder(b, ridge(time.UTC))
	at := time.Date(2026, 5, 3, 0, 0, 0, 0, time.UTC)
	b.ReportAllocs()
	for b.Loop() {
		at = at.Add(time.Second)
		r.stepWith(at, nil)
	}
}
