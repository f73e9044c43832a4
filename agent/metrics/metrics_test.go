package metrics

import (
	"errors"
	"flag"
	"math"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

var update = flag.Bool("update", false, "write the golden file anew")

var at = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// source is a small plant with one figure of each kind, one of them bad.
func source() Source {
	nan := math.NaN()
	fig := func(k plant.Kind, owner string, q plant.Quantity, si, low, high float64, unit string) plant.Figure {
		return plant.Figure{Name: plant.Name(k, owner, q), Kind: k, Owner: owner, Quantity: q, Value: si, Low: low, High: high,
			Unit: units.MustParse(unit), Quality: reading.GoodQuality(), Time: at.Add(-2 * time.Second)}
	}
	required := fig(plant.SegmentKind, "clearwell", plant.CTRequiredGiardia, 20, nan, nan, "mg.min/L")
	required.Method = "table"
	figures := []plant.Figure{
		{Name: "flow", Kind: plant.PointKind, Owner: "flow", Quantity: plant.ReadingOf, Value: units.MustParse("MGD").SI(4), Low: nan, High: nan,
			Unit: units.MustParse("MGD"), Quality: reading.GoodQuality(), Time: at.Add(-2 * time.Second)},
		{Name: "residual", Kind: plant.PointKind, Owner: "residual", Quantity: plant.ReadingOf, Value: 0.7, Low: nan, High: nan,
			Unit: units.MustParse("mg/L"), Quality: reading.BadBecause(reading.NoReply), Time: at.Add(-time.Minute)},
		fig(plant.SegmentKind, "clearwell", plant.T10, 1800, nan, nan, "min"),
		fig(plant.SegmentKind, "clearwell", plant.CT, 30, nan, nan, "mg.min/L"),
		required,
		fig(plant.SegmentKind, "clearwell", plant.CTRequiredVirus, 3, nan, nan, "mg.min/L"),
		fig(plant.SegmentKind, "clearwell", plant.InactivationRatio, 1.5, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.GiardiaLog, 0.75, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.VirusLog, 4, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.T10Static, 1800, nan, nan, "min"),
		fig(plant.SegmentKind, "clearwell", plant.T10Entry, 1850, nan, nan, "min"),
		fig(plant.SegmentKind, "clearwell", plant.T10Inflow, 1900, nan, nan, "min"),
		fig(plant.SegmentKind, "clearwell", plant.ResidualNeeded, 0.9, nan, nan, "mg/L"),
		fig(plant.SegmentKind, "clearwell", plant.FlowGreatest, 0.25, nan, nan, "MGD"),
		fig(plant.SegmentKind, "clearwell", plant.RatioAhead, 1.2, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.RatioAheadIn, 2400, nan, nan, "min"),
		fig(plant.SegmentKind, "clearwell", plant.DayRatio, 1.4, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.DayRatioExtremes, 1.1, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.DayLowestRatio, 1.3, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.DayRatioClockHour, 1.5, nan, nan, "1"),
		fig(plant.SegmentKind, "clearwell", plant.DayLowestResidual, 0.9, nan, nan, "mg/L"),
		fig(plant.SegmentKind, "clearwell", plant.DayPeakFlow, 0.2, nan, nan, "MGD"),
		fig(plant.SegmentKind, "clearwell", plant.DayPeakFlowClock, 0.19, nan, nan, "MGD"),
		fig(plant.SegmentKind, "clearwell", plant.DayCovered, 0.25, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.InactivationRatio, 2, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.GiardiaLog, 1, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.VirusLog, 5, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.RatioAhead, 1.8, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.DayRatio, 1.9, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.DayRatioClockHour, 1.95, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.DayRatioExtremes, 1.4, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.DayCovered, 0.2, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.GiardiaLogOwed, 0.5, nan, nan, "1"),
		fig(plant.TrainKind, "main", plant.VirusLogOwed, 2, nan, nan, "1"),
		fig(plant.EntryKind, "residual", plant.UnderResidual, 600, nan, nan, "h"),
		fig(plant.EntryKind, "residual", plant.UnderResidualLeft, 13800, nan, nan, "h"),
		fig(plant.EntryKind, "residual", plant.GrabSampleDue, 14400, nan, nan, "h"),
		fig(plant.EntryKind, "residual", plant.AnalyserBackIn, 432000, nan, nan, "d"),
		fig(plant.DistributionKind, plant.Distribution, plant.AnnualAverage, 1.1, nan, nan, "mg/L"),
		fig(plant.BankKind, "north", plant.NetWeight, 907, nan, nan, "lb"),
		fig(plant.BankKind, "north", plant.WithdrawalRate, 0.001, 0.0009, 0.0011, "lb/d"),
		fig(plant.BankKind, "north", plant.WithdrawalLimit, 0.002, nan, nan, "lb/d"),
		fig(plant.BankKind, "north", plant.WithdrawalRatio, 0.5, 0.45, 0.55, "1"),
		fig(plant.BankKind, "north", plant.TimeToEmpty, 90000, 80000, 100000, "h"),
		fig(plant.BankKind, "north", plant.TimeToEmptyStock, 900000, 800000, 1000000, "h"),
		fig(plant.BankKind, "north", plant.TimeToOrder, -3600, nan, nan, "h"),
		fig(plant.BankKind, "north", plant.Stock, 1814, nan, nan, "lb"),
		fig(plant.BankKind, "north", plant.RateQuarter, 0.0011, 0.0008, 0.0014, "lb/d"),
		fig(plant.BankKind, "north", plant.ContainersNeeded, 1, nan, nan, "1"),
		fig(plant.BankKind, "north", plant.LowestRoom, 4.5, nan, nan, "degF"),
		fig(plant.BankKind, "north", plant.LossDay, 0.2, -0.4, 0.8, "lb"),
		fig(plant.BankKind, "north", plant.Unaccounted, 0, nan, nan, "1"),
		fig(plant.BankKind, "north", plant.FeedLost, 1, nan, nan, "1"),
		fig(plant.ContainerKind, "north-1", plant.NetWeight, 400, nan, nan, "lb"),
		fig(plant.DetectorKind, "gas-1", plant.Concentration, 0.1, nan, nan, "ppm"),
		fig(plant.DetectorKind, "gas-1", plant.GasLevel, 0, nan, nan, "1"),
		fig(plant.DetectorKind, "gas-1", plant.Unavailable, 0, nan, nan, "1"),
		fig(plant.DetectorKind, "gas-1", plant.Rise, 0.01, nan, nan, "ppm/min"),
		fig(plant.DetectorKind, "gas-1", plant.Ceiling, 0.4, nan, nan, "ppm"),
		fig(plant.DetectorKind, "gas-1", plant.ShortTerm, 0.2, nan, nan, "ppm"),
		fig(plant.DetectorKind, "gas-1", plant.EightHour, 0.03, nan, nan, "ppm"),
		fig(plant.DetectorKind, "gas-1", plant.Overdue, 1, nan, nan, "1"),
		fig(plant.DetectorKind, "gas-1", plant.CalibrationDue, 86400, nan, nan, "d"),
		fig(plant.DetectorKind, "gas-1", plant.BumpTestDue, -3600, nan, nan, "d"),
		fig(plant.RoomKind, "chlorine-room", plant.Calling, 1, nan, nan, "1"),
		fig(plant.RoomKind, "chlorine-room", plant.Vote, 0, nan, nan, "1"),
		fig(plant.RoomKind, "chlorine-room", plant.Blind, 0, nan, nan, "1"),
		fig(plant.RoomKind, "chlorine-room", plant.Deviation, 0.1, nan, nan, "ppm"),
		fig(plant.RoomKind, "chlorine-room", plant.Ventilation, 0, nan, nan, "1"),
		fig(plant.InstrumentKind, "meters", plant.Lost, 1, nan, nan, "1"),
		fig(plant.InstrumentKind, "meters", plant.Doubtful, 0, nan, nan, "1"),
		fig(plant.LineKind, "line-a", plant.Lost, 0, nan, nan, "1"),
		fig(plant.LineKind, "line-a", plant.Pace, 1.02, nan, nan, "1"),
	}
	s := &agent.Snapshot{
		Time: at, Stepped: at, Steps: 42, Sequence: 7, Figures: figures,
		Conditions: []alarms.Condition{
			{Alarm: "gas-1-level-2", Priority: alarms.Critical, State: alarms.LatchedUnacknowledged},
			{Alarm: "meters-lost", Priority: alarms.Medium, State: alarms.Acknowledged},
			{Alarm: "residual-low", Priority: alarms.High, State: alarms.Normal},
		},
		Performance: alarms.Performance{
			Watched: 48 * time.Hour, Last10Minutes: 12, LastHour: 20, LastDay: 25, Annunciations: 31, Peak: 12, BusySpans: 1,
			Flood: true, TimeInFlood: 90 * time.Second, Stale: 1, Withheld: 2, Chattering: []string{"meters-lost"}, Bursts: 3, Fleeting: 4,
			Top: []alarms.Load{{Alarm: "meters-lost", Annunciations: 29}, {Alarm: "gas-1-level-2", Annunciations: 2}}, TopShare: 1,
		},
	}
	times := NewTimes([]string{"line-a"})
	times.Polled("line-a", 20*time.Millisecond)
	times.Polled("line-a", 3*time.Second)
	times.Published(7 * time.Millisecond)
	return Source{
		Snapshot: func() *agent.Snapshot { return s },
		Lines: func() []Line {
			return []Line{{
				Name: "line-a", Polls: 100, Errors: map[string]uint64{"no-reply": 3, "exception": 0},
				Cycle: 30 * time.Millisecond, Planned: 25 * time.Millisecond, Slowest: 40 * time.Millisecond, Grace: 500 * time.Millisecond, Overruns: 1, Discarded: 7,
				Instruments: []Instrument{
					{Name: "analysers", Polls: 60, Errors: map[string]uint64{"no-reply": 0, "exception": 0}, Took: 20 * time.Millisecond, Slowest: 40 * time.Millisecond},
					{Name: "meters", Polls: 40, Errors: map[string]uint64{"no-reply": 3, "exception": 0}, Took: 10 * time.Millisecond, Slowest: 15 * time.Millisecond, Overruns: 1, Resting: true},
				},
			}}
		},
		Telling: func() Telling {
			return Telling{Broker: true, Depth: 2, Oldest: at.Add(-5 * time.Second), Connected: true, Sent: 9, Acked: 7, Late: 1}
		},
		Receivers: func() []Receiver {
			return []Receiver{{Name: "mail/on-call-1", Sent: 3, Passed: 1}, {Name: "webhook/pager", Sent: 12}}
		},
		Now:     func() time.Time { return at },
		StepAge: func() time.Duration { return 0 },
		Version: "v0", Commit: "c0",
		Times:        times,
		Recording:    func() (uint64, error) { return 7, errors.New("the disk is full") },
		Certificates: map[string]time.Time{"http": at.Add(90 * 24 * time.Hour)},
	}
}

// TestExposition compares the whole exposition with a golden file, build
// information left out, since it names the Go version.
func TestExposition(t *testing.T) {
	rec := httptest.NewRecorder()
	Handler(source(), nil).ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
	if rec.Code != http.StatusOK {
		t.Fatalf("status %d: %s", rec.Code, rec.Body)
	}
	var got strings.Builder
	for line := range strings.Lines(rec.Body.String()) {
		if strings.Contains(line, "ebbwatch_") && !strings.Contains(line, "ebbwatch_build_info") {
			got.WriteString(line)
		}
	}
	golden := filepath.Join("..", "..", "testdata", "metrics", "exposition.txt")
	if *update {
		if err := os.MkdirAll(filepath.Dir(golden), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("the exposition differs from %s; go test ./agent/metrics -update writes it anew:\n%s", golden, got.String())
	}
}

func TestABadFigureHasNoValue(t *testing.T) {
	got := scrape(t, "text/plain")
	for _, forbidden := range []string{`ebbwatch_reading{point="residual"`, "0.7 ", "NaN"} {
		if strings.Contains(got, forbidden) {
			t.Errorf("the exposition shows %q", forbidden)
		}
	}
	for _, want := range []string{
		`ebbwatch_quality{figure="residual",reason="no-reply"} 0`,
		`ebbwatch_reading_age_seconds{point="residual"} 60`,
		`ebbwatch_reading{point="flow",unit="MGD"} 4`,
	} {
		if !strings.Contains(got, want) {
			t.Errorf("the exposition lacks %q", want)
		}
	}
}

func scrape(t *testing.T, accept string) string {
	t.Helper()
	req := httptest.NewRequest("GET", "/metrics", nil)
	req.Header.Set("Accept", accept)
	rec := httptest.NewRecorder()
	Handler(source(), nil).ServeHTTP(rec, req)
	var ours strings.Builder
	for line := range strings.Lines(rec.Body.String()) {
		if strings.HasPrefix(line, "ebbwatch_") || strings.HasPrefix(line, "# EOF") {
			ours.WriteString(line)
		}
	}
	return ours.String()
}

func TestOpenMetricsIsOffered(t *testing.T) {
	if got := scrape(t, "application/openmetrics-text; version=1.0.0"); !strings.HasSuffix(got, "# EOF\n") {
		t.Error("an OpenMetrics scrape does not end with # EOF")
	}
}

func TestNamesFollowTheConventions(t *testing.T) {
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(NewCollector(source()))
	problems, err := testutil.GatherAndLint(reg)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
}

func TestHealthAndReadiness(t *testing.T) {
	src := source()
	age := time.Duration(0)
	src.StepAge = func() time.Duration { return age }
	broker := error(nil)
	h := Handler(src, []Check{{"polling", func() error { return nil }}, {"broker", func() error { return broker }}})
	get := func(path string) (int, string) {
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, httptest.NewRequest("GET", path, nil))
		return rec.Code, rec.Body.String()
	}
	for _, tc := range []struct {
		reason, path string
		set          func()
		code         int
		text         string
	}{
		{"alive", "/healthz", func() {}, 200, "loop: ok\n"},
		{"ready", "/readyz", func() {}, 200, "polling: ok\nbroker: ok\n"},
		{"a broker that is down is told, not fatal", "/readyz", func() { broker = errors.New("cannot reach the broker: is it running") }, 503, "polling: ok\nbroker: cannot reach the broker: is it running\n"},
		{"alive without a broker", "/healthz", func() {}, 200, "loop: ok\n"},
		{"a loop that stands still is not alive", "/healthz", func() { age = time.Minute }, 503, "loop: the evaluating loop has stood still for 1m0s: restart ebbwatch\n"},
		{"nothing else is served", "/secret", func() {}, 404, ""},
	} {
		tc.set()
		code, text := get(tc.path)
		if code != tc.code || !strings.Contains(text, tc.text) {
			t.Errorf("%s: GET %s gave %d %q, expected %d %q", tc.reason, tc.path, code, text, tc.code, tc.text)
		}
	}
	rec := httptest.NewRecorder()
	h.ServeHTTP(rec, httptest.NewRequest("POST", "/metrics", nil))
	if rec.Code != http.StatusMethodNotAllowed {
		t.Errorf("POST /metrics gave %d", rec.Code)
	}
}

// TestFailingReceiver shows for how long somebody is not reached.
func TestFailingReceiver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := source()
		since := time.Now()
		src.Receivers = func() []Receiver { return []Receiver{{Name: "mail/on-call-1", Failing: since}} }
		time.Sleep(90 * time.Second)
		rec := httptest.NewRecorder()
		Handler(src, nil).ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
		if want := `ebbwatch_receiver_failing_seconds{receiver="mail/on-call-1"} 90`; !strings.Contains(rec.Body.String(), want) {
			t.Errorf("the scrape lacks %s", want)
		}
	})
}
