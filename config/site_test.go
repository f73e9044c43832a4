package config

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

const sites = "../testdata/sites/"

// compare allows for the last digit of a conversion.
func compare() cmp.Option {
	return cmp.Options{
		cmp.Comparer(func(a, b units.Unit) bool { return a == b }),
		cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }),
		cmp.FilterValues(func(a, b any) bool {
			return reflect.ValueOf(a).Kind() == reflect.Float64 && reflect.ValueOf(b).Kind() == reflect.Float64
		}, cmp.Comparer(func(a, b any) bool {
			x, y := reflect.ValueOf(a).Float(), reflect.ValueOf(b).Float()
			return math.Abs(x-y) <= 1e-9*math.Abs(x)
		})),
	}
}

func load(t *testing.T, name string) *Site {
	t.Helper()
	s, err := Load(filepath.Join(sites, name))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func unit(symbol string) units.Unit { return units.MustParse(symbol) }

// Expected values are worked out by hand from the file, with the factors of
// NIST SP 811 (from memory): gal 3.785411784e-3 m3, ft 0.3048 m, lb 0.45359237 kg,
// psi 6894.757293168 Pa over an atmosphere of 101325 Pa.
func TestKestrelRidge(t *testing.T) {
	s := load(t, "kestrel-ridge.yaml")
	top := *s
	top.Lines, top.Instruments, top.Residuals, top.Segments, top.Trains, top.Banks, top.Detectors = nil, nil, nil, nil, nil, nil, nil
	top.People, top.Escalation, top.Rooms = nil, nil, nil
	check := func(what string, got, want any) {
		t.Helper()
		if d := cmp.Diff(want, got, compare()); d != "" {
			t.Errorf("%s (-expected +got):\n%s", what, d)
		}
	}
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	check("the top", top, Site{
		File: sites + "kestrel-ridge.yaml", Name: "kestrel-ridge", Title: "Kestrel Ridge", TimeZone: denver, Display: US,
		StateDir: "/var/lib/ebbwatch", Listen: "127.0.0.1:9640",
		MQTT:            &MQTT{Brokers: []string{"tcp://127.0.0.1:1883"}, User: "ebbwatch", Password: "kestrel-ridge-example", At: 11},
		HTTP:            HTTP{Page: true, Metrics: true},
		GasNoticeWithin: 10 * time.Second, Staffed: &[2]time.Duration{6 * time.Hour, 18 * time.Hour},
	})
	check("who is told first and last of a trip", s.Escalation.Plans[0].Tell, []Turn{
		{Person: "on-call-1", At: s.Escalation.Plans[0].At}, {Person: "supervisor", After: 5 * time.Minute, At: s.Escalation.Plans[0].At}})
	check("lines", s.Lines, []Line{
		{Name: "line-a", Kind: TCP, Address: "127.0.0.1:1502", Timeout: 500 * time.Millisecond, At: 16},
		{Name: "line-b", Kind: RTU, Device: "/dev/ttyUSB0", Baud: 9600, Parity: "even", StopBits: 1, DataBits: 8, Timeout: 800 * time.Millisecond, At: 20},
		{Name: "line-c", Kind: RTUOverTCP, Address: "127.0.0.1:1503", Timeout: 800 * time.Millisecond, At: 27},
	})
	check("an instrument", s.Instruments[0], Instrument{
		Name: "plant-meters", Line: "line-a", Unit: 1, Every: time.Second, StaleAfter: 3 * time.Second, At: 33,
		Points: []Point{
			{Name: "plant-flow", Table: InputRegister, Every: time.Second, StaleAfter: 3 * time.Second, Type: "float32", Order: "ABCD", Scale: 1, Unit: unit("MGD"), Range: &[2]float64{0, 8}, At: 38},
			{Name: "clearwell-level", Table: InputRegister, Every: time.Second, StaleAfter: 3 * time.Second, Address: 2, Type: "uint16", Order: "ABCD", Scale: 0.01, Unit: unit("ft"), Range: &[2]float64{0, 14}, At: 39},
			{Name: "north-feed", Table: InputRegister, Every: time.Second, StaleAfter: 3 * time.Second, Address: 3, Type: "float32", Order: "ABCD", Scale: 1, Unit: unit("lb/d"), Range: &[2]float64{0, 1000}, At: 40},
			{Name: "south-feed", Table: InputRegister, Every: time.Second, StaleAfter: 3 * time.Second, Address: 5, Type: "float32", Order: "ABCD", Scale: 1, Unit: unit("lb/d"), Range: &[2]float64{0, 1000}, At: 41},
		},
	})
	check("a scale", s.Instruments[2].Points[1], Point{
		Name: "north-2-weight", Table: HoldingRegister, Every: 2 * time.Second, StaleAfter: 6 * time.Second, Address: 2, Type: "int32", Order: "CDAB", Scale: 1, Unit: unit("lb"), Range: &[2]float64{-20, 6000}, At: 58,
	})
	var names []string
	points := 0
	for _, in := range s.Instruments {
		names = append(names, in.Name)
		points += len(in.Points)
	}
	check("the order of instruments", names, []string{"plant-meters", "water-analysers", "north-scales", "south-scales",
		"chlorine-room-air", "storage-bay-air", "wellhouse-scale", "wellhouse-air"})
	check("the number of points", points, 21)
	check("residuals", s.Residuals, []Residual{
		{Point: "residual-entry", Place: "entry point", Low: AlarmSetting{Limit: new(0.2), OnDelay: new(time.Minute)}, Rule: "surface-water", At: 96},
		{Point: "residual-out", Place: "clearwell outlet", Low: AlarmSetting{Limit: new(0.6), Deadband: new(0.05), OnDelay: new(time.Minute)}, At: 100},
	})
	check("segments", s.Segments, []Segment{{
		Name: "clearwell", Residual: "residual-out", PH: "ph-out", Temperature: "temperature-out", Flow: []string{"plant-flow"}, Level: "clearwell-level",
		AgreeWithin: 0.1, NoResidualUnder: 0.02, Method: "table", Target: 1, Volume: 567.8117676, LevelFull: 3.6576, BafflingFactor: 0.5, GiardiaLog: 0.5, VirusLog: 2, At: 105,
	}, {
		// pi/4 x (2 ft)2 x 1900 ft
		Name: "transmission", Residual: "residual-entry", PH: "ph-out", Temperature: "temperature-out", Flow: []string{"plant-flow"},
		AgreeWithin: 0.1, NoResidualUnder: 0.02, Method: "table", Target: 1, Volume: math.Pi * 1900 * 0.028316846592, BafflingFactor: 1, GiardiaLog: 0.5, VirusLog: 2, At: 116,
	}})
	check("trains", s.Trains, []Train{{Name: "disinfection", Segments: []string{"clearwell", "transmission"}, Filtration: "conventional", At: 128}})
	check("a bank", s.Banks[0], Bank{
		Name: "north", Place: "chlorine-room", RoomTemperature: "room-temperature", HeaderPressure: 294378.204209, FeedError: 0.02, ReportableLoss: 4.5359237, Feed: "north-feed", LeadDays: new(3), Stock: 1814.36948, At: 135,
		Containers: []Container{
			{Name: "north-1", Kind: "ton", Count: 1, Scale: "north-1-weight", Tare: 671.3167076, Heel: 16.32932532, Division: 0.45359237},
			{Name: "north-2", Kind: "ton", Count: 1, Scale: "north-2-weight", Tare: 684.9244787, Heel: 16.32932532, Division: 0.45359237},
		},
		EmptyNotice: AlarmSetting{Limit: new(172800.0)}, EmptyUrgent: AlarmSetting{Limit: new(28800.0)},
	})
	check("a bank of cylinders", s.Banks[2].Containers[1], Container{
		Name: "wellhouse-2", Kind: "cylinder-150", Group: "standby", Count: 1, Scale: "wellhouse-2-weight", Tare: 42.864478965, Heel: 1.224699399, Division: 0.226796185,
	})
	check("detectors", s.Detectors[:2], []Detector{
		{Name: "gas-1", Room: "chlorine-room", Concentration: "gas-1-ppm", Level1: AlarmSetting{Limit: new(0.5)}, Level2: AlarmSetting{Limit: new(1.0)}, Sensor: Sensor{DriftLimit: 0.3, StuckAfter: time.Hour}, At: 164},
		{Name: "gas-2", Room: "chlorine-room", Concentration: "gas-2-ppm", Sensor: Sensor{DriftLimit: 0.3, StuckAfter: time.Hour}, At: 165},
	})
	check("the number of banks and detectors", []int{len(s.Banks), len(s.Detectors)}, []int{3, 4})
}

func TestEveryKey(t *testing.T) {
	s := load(t, "every-key.yaml")
	second := func(n float64) *time.Duration { return new(time.Duration(n * float64(time.Second))) }
	for _, tc := range []struct {
		reason    string
		got, want any
	}{
		{"a relative folder starts at the site file", s.StateDir, filepath.Join(sites, "state")},
		{"units si", s.Display, SI},
		{"a serial line without parity", s.Lines[1], Line{Name: "line-b", Kind: RTU, Device: "/dev/ttyUSB0", Baud: 9600, Parity: "none", StopBits: 2, DataBits: 8, RS485: &RS485{SendLow: true, BeforeSend: time.Millisecond, AfterSend: 2 * time.Millisecond}, Timeout: 800 * time.Millisecond, At: 21}},
		{"an ASCII line, most of it by default", s.Lines[2], Line{Name: "line-c", Kind: ASCII, Device: "/dev/ttyUSB1", Baud: 19200, Parity: "even", StopBits: 1, DataBits: 8, Timeout: time.Second, At: 29}},
		{"the speed behind a serial server", s.Lines[3], Line{Name: "line-d", Kind: ASCIIOverTCP, Address: "192.0.2.11:4001", Baud: 300, Parity: "odd", StopBits: 1, DataBits: 7, Timeout: time.Second, At: 33}},
		{"an instrument that goes first", s.Instruments[0].Urgent, true},
		{"addresses that must not be read", s.Instruments[0].Unreadable, []Span{{Coil, 0, 65535}, {DiscreteInput, 7, 7}, {HoldingRegister, 100, 120}, {HoldingRegister, 300, 300}, {InputRegister, 8000, 8999}}},
		{"unit 255 on TCP", s.Instruments[0].Unit, byte(255)},
		{"stale_after is given", s.Instruments[0].StaleAfter, 20 * time.Second},
		{"stale_after follows every and timeout", s.Instruments[1].StaleAfter, 3 * time.Second},
		{"lost has delays", s.Instruments[0].Lost, AlarmSetting{OnDelay: second(60), OffDelay: second(20)}},
		{"offset, and a range that stays in the point's unit", s.Instruments[0].Points[0], Point{
			Name: "plant-flow", Table: InputRegister, Address: 10, Type: "int32", Order: "CDAB", Scale: 0.5, Offset: -1.5, Unit: unit("gpm"), Range: &[2]float64{0, 5000},
			Every: 5 * time.Second, StaleAfter: 30 * time.Second, RateLimit: 10 * 3.785411784e-3 / 60, StuckAfter: 2 * time.Hour, StuckWithin: 3.785411784e-3 / 60,
			Status: []Status{{"meter-says", 0, "uncertain", "warming-up"}, {"pump-mode", 3, "bad", "maintenance"}}, At: 53}},
		{"one bit of the last register", s.Instruments[0].Points[5], Point{
			Name: "pump-on", Table: HoldingRegister, Address: 65535, Type: "uint16", Order: "ABCD", Bit: new(3), Scale: 1, Unit: unit("1"), Every: 2 * time.Second, StaleAfter: 20 * time.Second, At: 74}},
		{"a text, which has no unit", s.Instruments[0].Points[6], Point{
			Name: "meter-says", Table: InputRegister, Address: 30, Type: "text", Registers: 4, Expect: []string{"OK", "READY"}, Order: "ABCD", Scale: 1, Unit: unit("1"), Every: 2 * time.Second, StaleAfter: 20 * time.Second, At: 75}},
		{"the last coil, inverted", s.Instruments[1].Points[4], Point{
			Name: "fan-on", Table: Coil, Address: 65535, Type: "bit", Order: "ABCD", Scale: -1, Offset: 1, Unit: unit("1"), Every: time.Second, StaleAfter: 3 * time.Second, At: 84}},
		{"a discrete input is a bit without a unit", s.Instruments[1].Points[5], Point{
			Name: "door-open", Table: DiscreteInput, Type: "bit", Order: "ABCD", Scale: 1, Unit: unit("1"), Every: time.Second, StaleAfter: 3 * time.Second, At: 85}},
		{"a field of bits", s.Instruments[1].Points[6], Point{
			Name: "pump-mode", Table: HoldingRegister, Address: 20, Type: "uint16", Order: "ABCD", Bits: &[2]int{4, 7}, NoReading: []float64{15}, Scale: 1, Unit: unit("1"), Every: time.Second, StaleAfter: 3 * time.Second, At: 86}},
		{"two points, one of them higher and lower", s.Instruments[1].Points[7], Point{
			Name: "feed-tank-level", Table: InputRegister, Address: 21, Type: "int16", Order: "ABCD", NoReading: []float64{32767, -32768}, Scale: -12.5 / 27648, Offset: 12, Unit: unit("ft"), Every: time.Second, StaleAfter: 3 * time.Second, At: 87}},
		{"a current loop, whose range is that of the current", s.Instruments[1].Points[8], Point{
			Name: "gas-2-ppm", Table: InputRegister, Address: 22, Type: "uint16", Order: "ABCD", Current: &[2]float64{4000, 20000}, Scale: 0.000625, Offset: -2.5, Unit: unit("ppm"), Range: &[2]float64{0, 10}, Bands: &[4]float64{3.5, 3.9, 20.2, 22}, Every: time.Second, StaleAfter: 3 * time.Second, At: 88}},
		{"decimal digits", s.Instruments[1].Points[9], Point{
			Name: "feed-total", Table: InputRegister, Address: 23, Type: "bcd32", Order: "CDAB", Scale: 1, Unit: unit("lb"), Every: time.Second, StaleAfter: 3 * time.Second, At: 89}},
		{"a ratio in per cent and a bare one", s.Segments[0].InactivationLow, AlarmSetting{Limit: new(1.1), Deadband: new(0.05), OnDelay: second(30), OffDelay: second(120)}},
		{"a State's least residual", []any{s.Residuals[0].Rule, s.Residuals[0].Least}, []any{"ground-water", units.MilligramsPerLitre(0.5)}},
		{"two analysers to compare", []any{s.Segments[0].ResidualIn, s.Segments[0].Decay * 3600, s.Segments[0].AgreeWithin}, []any{"residual-in", 0.2, 0.2}},
		{"an analyser that shows nothing", s.Segments[0].NoResidualUnder, units.MilligramsPerLitre(0.03)},
		{"how a segment is worked", []any{s.Segments[0].Method, s.Segments[0].Target}, []any{"regression", 1.2}},
		{"the look ahead", s.Segments[0].RatioAheadLow, AlarmSetting{Limit: new(1.15), Deadband: new(0.06), OnDelay: second(60), OffDelay: second(180)}},
		{"flows that add", s.Segments[1].Flow, []string{"plant-flow", "filtered-flow"}},
		// pi/4 x (2 ft)2 x 1900 ft = 5969.026 ft3, of 0.028316846592 m3 each.
		{"the water in a pipe", s.Segments[1].Volume, units.CubicMetres(math.Pi * 1900 * 0.028316846592)},
		{"the flow in alone", [][]string{s.Segments[2].Flow, s.Segments[2].Inflow}, [][]string{nil, {"filtered-flow"}}},
		{"a train", s.Trains[0], Train{Name: "main", Segments: []string{"clearwell", "transmission"}, Filtration: "conventional",
			InactivationLow: AlarmSetting{Limit: new(1.05), Deadband: new(0.03), OnDelay: second(40), OffDelay: second(50)},
			RatioAheadLow:   AlarmSetting{Limit: new(1.1), Deadband: new(0.04), OnDelay: second(41), OffDelay: second(51)}, At: s.Trains[0].At}},
		{"a train with logs of its own", s.Trains[1], Train{Name: "side", Segments: []string{"reservoir"}, GiardiaLog: 1, VirusLog: 3, At: s.Trains[1].At}},
		{"holidays", s.Holidays, []time.Time{time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC), time.Date(2026, 12, 25, 0, 0, 0, 0, time.UTC)}},
		{"a ratio of withdrawal", s.Banks[0].WithdrawalHigh, AlarmSetting{Limit: new(0.9), Deadband: new(0.1), OnDelay: second(300), OffDelay: second(900)}},
		{"days", s.Banks[0].EmptyNotice, AlarmSetting{Limit: new(259200.0), Deadband: new(14400.0), OnDelay: second(1200), OffDelay: second(1260)}},
		{"minutes", s.Banks[0].EmptyUrgent, AlarmSetting{Limit: new(43200.0), Deadband: new(2700.0), OnDelay: second(1320), OffDelay: second(3600)}},
		{"a container on a net scale", s.Banks[0].Containers[1], Container{Name: "north-2", Kind: "cylinder-150", Count: 1, Scale: "north-2-weight"}},
		{"another kind of container", s.ContainerKinds, []ContainerKind{{Name: "drum", Net: 920, Withdrawal: 400 * 0.45359237 / 86400,
			PerKelvin: 8 * 0.45359237 / 86400 * 1.8, HeaderPressure: 294378.204209, GasLeft: 16}}},
		{"hours with somebody there", []any{*s.Staffed, s.StaffedEveryDay}, []any{[2]time.Duration{6*time.Hour + 30*time.Minute, 18 * time.Hour}, true}},
		{"what a bank is fed", []any{s.Banks[0].Feed, s.Banks[0].Flow, s.Banks[0].Dose, s.Banks[0].FeedError, s.Banks[0].FeedGain},
			[]any{"chlorine-fed", []string{"plant-flow", "filtered-flow"}, Signal{Value: 2}, 0.03, 1.05}},
		{"a dose of residual and demand", []any{s.Banks[1].Residual, s.Banks[1].Demand, s.Banks[1].Liquid}, []any{"residual-in", Signal{Value: 1.2}, true}},
		{"stock, supplier and law", []any{s.Banks[0].Stock, *s.Banks[0].LeadDays, s.Banks[0].ReportableLoss}, []any{units.Kilograms(4000 * 0.45359237), 3, units.Kilograms(5 * 0.45359237)}},
		{"a scale that is known", s.Banks[0].Containers[0], Container{Name: "north-1", Kind: "ton", Count: 1, Group: "duty", Scale: "north-1-weight", Tare: 1480 * 0.45359237,
			Heel: 36 * 0.45359237, Division: 0.45359237, Noise: 0.4 * 0.45359237, Drift: new(units.Kilograms(2 * 0.45359237)), Wander: new(units.Kilograms(0.1 * 0.45359237))}},
		{"several on one scale, with a valve", s.Banks[1].Containers[0], Container{Name: "south-1", Kind: "drum", Count: 2, Scale: "south-weight", Valve: "south-open", Tare: 1800}},
		{"a standby", s.Banks[0].StandbyEmpty, AlarmSetting{Limit: new(604800.0), Deadband: new(18000.0), OnDelay: second(1380), OffDelay: second(7200)}},
		{"a time to order", s.Banks[0].OrderDue, AlarmSetting{Limit: new(108000.0), Deadband: new(3600.0), OnDelay: second(1440), OffDelay: second(10800)}},
		{"level 1", s.Detectors[0].Level1, AlarmSetting{Limit: new(0.4), Deadband: new(0.2), OnDelay: second(1), OffDelay: second(120)}},
		{"level 2", s.Detectors[0].Level2, AlarmSetting{Limit: new(0.8), Deadband: new(0.3), OnDelay: second(2), OffDelay: second(180)}},
		{"unavailable has delays", s.Detectors[0].Unavailable, AlarmSetting{OnDelay: second(15), OffDelay: second(5)}},
	} {
		if d := cmp.Diff(tc.want, tc.got, compare()); d != "" {
			t.Errorf("%s (-expected +got):\n%s", tc.reason, d)
		}
	}
}

// TestMinimal also holds the defaults against figures written down here: 19200
// baud, 8E1 is that of the MODBUS over Serial Line Specification V1.02, 2.5.1
// and 3.2 (from memory); a segment without credit for filtration owes the 3-log
// and 4-log of 40 CFR 141.70(a) (from memory).
func TestMinimal(t *testing.T) {
	s := load(t, "minimal.yaml")
	want := []any{US, "127.0.0.1:9640", (*MQTT)(nil), time.Second, time.Second, 3 * time.Second, "ABCD", 1.0, 0.0}
	in := s.Instruments[0]
	p := in.Points[0]
	got := []any{s.Display, s.Listen, s.MQTT, s.Lines[0].Timeout, in.Every, in.StaleAfter, p.Order, p.Scale, p.Offset}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	for path, want := range map[string]string{
		"lines.*.baud": "19200", "lines.*.parity": "even", "lines.*.stop_bits": "1",
		"segments.*.giardia_log": "3", "segments.*.virus_log": "4", "segments.*.method": "table",
		"banks.*.containers.*.heel": "0 kg", "banks.*.containers.*.division": "0 kg",
	} {
		if got := newReader("", nil).keys[path].Default; got != want {
			t.Errorf("the default of %s is %q, expected %q", path, got, want)
		}
	}
}

func TestStaleAfterWaitsForTwoTimeouts(t *testing.T) {
	data := strings.Replace(read(t, "minimal.yaml"), "192.0.2.10:502", "192.0.2.10:502\n    timeout: 5s", 1)
	s, err := Parse("site.yaml", []byte(data), ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got := s.Instruments[0].StaleAfter; got != 11*time.Second {
		t.Errorf("stale after %s, expected 1 s + 2 x 5 s", got)
	}
}

// A point with its own period has its own age, whatever its instrument says.
func TestStaleAfterFollowsThePeriodOfThePoint(t *testing.T) {
	data := strings.Replace(read(t, "minimal.yaml"), "range: 0 to 5}", "range: 0 to 5, every: 30s}\n      ph: {table: input-register, address: 4, type: int16, unit: pH}", 1)
	data = strings.Replace(data, "    unit: 1\n", "    unit: 1\n    stale_after: 20s\n", 1)
	s, err := Parse("site.yaml", []byte(data), ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	own, other := s.Instruments[0].Points[0], s.Instruments[0].Points[1]
	if own.Every != 30*time.Second || own.StaleAfter != 90*time.Second || other.Every != time.Second || other.StaleAfter != 20*time.Second {
		t.Errorf("read every %s and stale after %s, the other %s and %s", own.Every, own.StaleAfter, other.Every, other.StaleAfter)
	}
}

// A status may name a point that stands further down, of another instrument.
func TestStatusOfAPointFurtherDown(t *testing.T) {
	data := strings.Replace(read(t, "minimal.yaml"), "range: 0 to 5}", "range: 0 to 5, status: {purge-on: {}}}", 1)
	data = strings.Replace(data, "\nresiduals:", "      purge-on: {table: coil, address: 0}\n\nresiduals:", 1)
	s, err := Parse("site.yaml", []byte(data), ParseOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := []Status{{Point: "purge-on", When: 1, Quality: "bad", Means: "fault"}}
	if d := cmp.Diff(want, s.Instruments[0].Points[0].Status); d != "" {
		t.Error(d)
	}
}

func read(t testing.TB, name string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(sites, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// What the reader takes for granted where the file is silent must be what the
// catalogue does.
func TestStartingLimitsAreThoseOfTheCatalogue(t *testing.T) {
	one, two := alarms.DetectorLevel("g", "room", "x", 1), alarms.DetectorLevel("g", "room", "x", 2)
	low, withdrawal := alarms.ResidualLow("p", "place", "x"), alarms.WithdrawalHigh("b", "place", "x", "y")
	notice, urgent := alarms.EmptyNotice("b", "place", "x"), alarms.EmptyUrgent("b", "place", "x")
	three, exposure, deviation := alarms.DetectorLevel("g", "room", "x", 3), alarms.ExposureHigh("g", "room", "8h", "x"), alarms.RoomDeviation("r", "x", "y")
	want := []float64{three.Limit, three.Deadband, exposure.Limit, exposure.Deadband, deviation.Limit, deviation.Deadband, one.Limit, one.Deadband, two.Limit, two.Deadband, low.Limit, withdrawal.Limit, withdrawal.Deadband, notice.Limit, urgent.Limit}
	got := []float64{level3, level3Deadband, exposureLimit, exposureDeadband, deviationLimit, deviationDeadband, level1, level1Deadband, level2, level2Deadband, residualLow, withdrawalHigh, withdrawalHighDeadband, emptyNotice, emptyUrgent}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("catalogue and reader differ (-catalogue +reader):\n%s", d)
	}
}

// webhookSecret is that of the example in the specification Standard Webhooks 1.0.
const webhookSecret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"

func TestSecretsStaySecret(t *testing.T) {
	const secret = "hunter2"
	files := map[string]string{
		"mqtt-password": secret, "mail-password": secret, "pager-secret": webhookSecret,
		"operator-key": strings.Repeat(secret, 5), "maintenance-key": strings.Repeat(secret, 6),
	}
	for _, name := range []string{"broker-ca.pem", "ebbwatch-certificate.pem", "ebbwatch-key.pem"} {
		files[name] = read(t, name)
	}
	key := strings.Split(files["ebbwatch-key.pem"], "\n")[1]
	o := ParseOptions{ReadFile: func(path string) ([]byte, error) {
		content, ok := files[filepath.Base(path)]
		if !ok || filepath.Dir(path) != "/etc/ebbwatch" {
			return nil, fmt.Errorf("wrong path %s", path)
		}
		return []byte(content + "\r\nsecond line\n"), nil
	}}
	s, err := Parse("/etc/ebbwatch/site.yaml", []byte(read(t, "every-key.yaml")), o)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.MQTT.Password.Reveal(); got != secret {
		t.Fatalf("the password is %q, expected the first line of the file", got)
	}
	if got := []string{s.Mail.Password.Reveal(), s.Webhooks[0].Secret.Reveal(), s.Roles[1].Key.Reveal()}; !slices.Equal(got, []string{secret, webhookSecret, files["maintenance-key"]}) {
		t.Fatalf("the secrets are %q", got)
	}
	for _, v := range []any{s, *s, s.MQTT, *s.MQTT, s.MQTT.Password, &s.MQTT.Password, []any{*s.MQTT}, s.HTTP, &s.HTTP, s.Mail, *s.Mail, s.Webhooks, s.Webhooks[0], s.Roles, s.Roles[0]} {
		for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%X", "%d", "%t", "%e"} {
			if text := fmt.Sprintf(verb, v); strings.Contains(text, secret) || strings.Contains(text, fmt.Sprintf("%x", secret)) || strings.Contains(text, webhookSecret[6:]) || strings.Contains(text, "pager.example") || strings.Contains(text, key) {
				t.Errorf("%s of a %T shows the password", verb, v)
			}
		}
		if text, err := json.Marshal(v); err != nil || strings.Contains(string(text), secret) || strings.Contains(string(text), webhookSecret[6:]) || strings.Contains(string(text), "pager.example") || strings.Contains(string(text), key) {
			t.Errorf("JSON of a %T shows the password, or fails: %v", v, err)
		}
	}
	// A fault beside a password that was read.
	bad := strings.Replace(read(t, "every-key.yaml"), "kind: tcp", "kind: udp", 1)
	if _, err := Parse("/etc/ebbwatch/site.yaml", []byte(bad), o); err == nil || strings.Contains(fmt.Sprintf("%#v", err), secret) {
		t.Errorf("error %#v shows the password, or is none", err)
	}
}

func TestPasswordFile(t *testing.T) {
	for _, tc := range []struct {
		reason, content string
		err             error
		want            string
	}{
		{"no line end", "secret", nil, ""},
		{"blanks belong to a password", "  secret ", nil, ""},
		{"empty", "", nil, "a file with an empty first line"},
		{"an empty line first", "\nsecret", nil, "a file with an empty first line"},
		{"more than MQTT can carry", strings.Repeat("s", 65536), nil, "a first line of over 65535 bytes"},
		{"not readable", "", &os.PathError{Op: "open", Path: "secret", Err: os.ErrPermission}, "a file that this user may not read"},
		{"another failure keeps the path out", "", &os.PathError{Op: "read", Path: "secret", Err: errors.New("input/output error")}, "a file that cannot be read (input/output error)"},
	} {
		_, err := Parse("site.yaml", []byte(read(t, "every-key.yaml")), ParseOptions{
			ReadFile: func(path string) ([]byte, error) {
				if path != "mqtt-password" {
					return os.ReadFile(filepath.Join(sites, path))
				}
				return []byte(tc.content), tc.err
			},
		})
		switch {
		case tc.want == "" && err != nil:
			t.Errorf("%s: %v", tc.reason, err)
		case tc.want != "" && (err == nil || !strings.Contains(err.Error(), "found "+tc.want) || strings.Contains(err.Error(), "secret")):
			t.Errorf("%s: error %v, expected %q", tc.reason, err, tc.want)
		}
	}
}
