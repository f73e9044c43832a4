package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
	"ebbwatch/config"
)

var update = flag.Bool("update", false, "write the golden file anew")

// watched is the pure core of a site, stepped by hand.
type watched struct {
	site   *config.Site
	core   *plant.Plant
	alarms *alarms.Evaluator
}

func watchSite(t *testing.T, file string) *watched {
	t.Helper()
	site, err := config.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	core, err := plant.New(plantSettings(site))
	if err != nil {
		t.Fatal(err)
	}
	e, err := alarms.New(alarmSettings(site, guidance.Default()), core.Names())
	if err != nil {
		t.Fatal(err)
	}
	return &watched{site, core, e}
}

// step gives every point of the site a reading in the middle of its range, of
// the quality that its instrument has, and returns what was raised.
func (w *watched) step(now time.Time, quality func(in config.Instrument, point int) reading.Quality) (raised []alarms.Condition) {
	var rs []reading.Reading
	for _, in := range w.site.Instruments {
		for i, p := range in.Points {
			middle := 1.0
			if p.Range != nil {
				middle = (p.Range[0] + p.Range[1]) / 2
			}
			rs = append(rs, reading.Reading{Point: p.Name, Value: p.Unit.SI(middle), Quality: quality(in, i), Time: now})
		}
	}
	var samples []alarms.Sample
	for _, f := range w.core.Step(now, rs) {
		samples = append(samples, alarms.Sample{Value: f.Value, Usable: f.Quality.Usable(), Quality: f.Quality.String(), Detail: f.Detail, First: f.First})
	}
	for _, tr := range w.alarms.Step(now, samples) {
		if tr.Cause == alarms.Raised {
			raised = append(raised, tr.After)
		}
	}
	return raised
}

// TestWordsOfLostInstruments writes what a person is told about each kind of
// fault of a line or an instrument, as a file to be read aloud.
func TestWordsOfLostInstruments(t *testing.T) {
	start := time.Date(2026, 3, 2, 10, 12, 0, 0, time.UTC)
	good := func(config.Instrument, int) reading.Quality { return reading.GoodQuality() }
	one := func(instrument string, q reading.Quality) func(config.Instrument, int) reading.Quality {
		return func(in config.Instrument, _ int) reading.Quality {
			if in.Name == instrument {
				return q
			}
			return reading.GoodQuality()
		}
	}
	line := func(line, reason string) func(config.Instrument, int) reading.Quality {
		return func(in config.Instrument, _ int) reading.Quality {
			if in.Line == line {
				return reading.BadBecause(reason)
			}
			return reading.GoodQuality()
		}
	}
	type fault struct {
		what    string
		quality func(config.Instrument, int) reading.Quality
		every   time.Duration
		want    string // an alarm that has to be among those raised
	}
	faults := []fault{
		{"a serial adapter is pulled", line("line-b", reading.NotConnected), 0, "line-b-lost"},
		{"a whole serial wire is silent", line("line-b", reading.NoReply), 0, "line-b-lost"},
		{"a network address cannot be reached", line("line-a", reading.NotConnected), 0, "line-a-lost"},
		{"nothing behind a network address answers", line("line-a", reading.NoReply), 0, "line-a-lost"},
		{"nothing behind a serial server answers", line("line-c", reading.NoReply), 0, "line-c-lost"},
		{"a line gives no reading at all", line("line-c", reading.Stale), 0, "line-c-lost"},
		{"one point of two is refused", func(in config.Instrument, point int) reading.Quality {
			if in.Name == "north-scales" && point == 1 {
				return reading.BadBecause(reading.Exception + "-2")
			}
			return reading.GoodQuality()
		}, 0, "north-scales-lost"},
		{"one point of two gets no reply", func(in config.Instrument, point int) reading.Quality {
			if in.Name == "north-scales" && point == 1 {
				return reading.BadBecause(reading.NoReply)
			}
			return reading.GoodQuality()
		}, 0, "north-scales-lost"},
		{"a line reads at a third of its pace", good, 3 * time.Second, "line-b-overrun"},
	}
	for _, in := range []string{"plant-meters", "north-scales"} {
		for _, reason := range []string{reading.NoReply, reading.WrongReply} {
			faults = append(faults, fault{reason + " of " + in, one(in, reading.BadBecause(reason)), 0, in + "-lost"})
		}
	}
	for _, reason := range []string{
		reading.Exception + "-2", reading.Exception + "-4", reading.Exception + "-6", reading.Exception + "-10", reading.Exception + "-11",
		reading.NotANumber, reading.InvalidCode, reading.NoReading, reading.SensorFailure, reading.OutOfRange, reading.Stale,
		reading.Fault, reading.Maintenance, reading.WarmingUp, reading.Frozen, reading.Jumped,
	} {
		faults = append(faults, fault{reason + " of water-analysers", one("water-analysers", reading.BadBecause(reason)), 0, "water-analysers-lost"})
	}
	for _, reason := range []string{reading.Fault, reading.Maintenance, reading.WarmingUp, reading.Frozen, reading.Jumped} {
		faults = append(faults, fault{"uncertain: " + reason + " of water-analysers", one("water-analysers", reading.UncertainBecause(reason)), 0, "water-analysers-doubtful"})
	}
	var got strings.Builder
	told := map[string]bool{}
	for _, f := range faults {
		w := watchSite(t, filepath.Join("..", "..", "testdata", "sites", "kestrel-ridge.yaml"))
		every := max(f.every, time.Second)
		w.step(start, good)
		fmt.Fprintf(&got, "## %s\n", f.what)
		var names []string
		for at := start.Add(every); at.Sub(start) < 7*time.Minute; at = at.Add(every) {
			for _, c := range w.step(at, f.quality) {
				if !strings.HasSuffix(c.Alarm, "-lost") && !strings.HasSuffix(c.Alarm, "-doubtful") && !strings.HasSuffix(c.Alarm, "-overrun") {
					continue
				}
				names = append(names, c.Alarm)
				fmt.Fprintf(&got, "%s, %s: %s\n  1. %s\n", c.Alarm, c.Priority, c.What, c.FirstAction[0])
				// The rest is the same for all alarms of this kind.
				kind := c.Alarm[strings.LastIndex(c.Alarm, "-"):] + string(c.Priority)
				if told[kind] {
					continue
				}
				told[kind] = true
				for i, a := range c.FirstAction[1:] {
					fmt.Fprintf(&got, "  %d. %s\n", i+2, a)
				}
				fmt.Fprintf(&got, "  If nothing is done: %s\n", c.Consequence)
			}
		}
		fmt.Fprintln(&got)
		if !slices.Contains(names, f.want) {
			t.Errorf("%s: raised %v, expected %s", f.what, names, f.want)
		}
	}
	golden := filepath.Join("..", "..", "testdata", "alarms", "lines-and-instruments.txt")
	if *update {
		if err := os.WriteFile(golden, []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("the words differ from %s; go test ./cmd/ebbwatch -run Words -update writes it anew, to be read aloud:\n%s", golden, got.String())
	}
}
