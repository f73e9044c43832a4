package main

import (
	"bufio"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/recording"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// writeHistory writes readings of every point of a site, a minute apart, as a row for
// each time or for each reading. They wave with the day and with noise, scales run
// down and are changed, now and then one is missing: the same ones on every machine.
func writeHistory(w io.Writer, site *config.Site, days int, wide bool) error {
	out := bufio.NewWriterSize(w, 1<<20)
	r := rand.New(rand.NewPCG(365, 60))
	var all []config.Point
	for _, in := range site.Instruments {
		all = append(all, in.Points...)
	}
	if wide {
		out.WriteString("time")
		for _, p := range all {
			out.WriteString("," + p.Name)
		}
		out.WriteString("\n")
	} else {
		out.WriteString("time,point,value,quality\n")
	}
	at := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	var row []byte
	for minute := range days * 24 * 60 {
		stamp := at.Add(time.Duration(minute) * time.Minute).Format(time.RFC3339)
		row = row[:0]
		if wide {
			row = append(row, stamp...)
		}
		for i, p := range all {
			v, decimals := invented(r, p, i, minute*60)
			if !wide {
				row = append(append(append(append(row, stamp...), ','), p.Name...), ',')
			} else {
				row = append(row, ',')
			}
			if r.IntN(20_000) > 0 {
				row = strconv.AppendFloat(row, v, 'f', decimals, 64)
			}
			if !wide {
				row = append(row, ",good\n"...)
			}
		}
		if wide {
			row = append(row, '\n')
		}
		out.Write(row)
	}
	return out.Flush()
}

// invented is what a point shows at a second of the year.
func invented(r *rand.Rand, p config.Point, i, second int) (v float64, decimals int) {
	const day = 86400
	wave := math.Sin(2 * math.Pi * float64(second%day) / day)
	low, high := 0.0, 1.0
	if p.Range != nil {
		low, high = p.Range[0], p.Range[1]
	}
	switch p.Unit.Dimension {
	case units.Mass: // run down in 9 days
		left := 1 - float64((second+i*3*day)%(9*day))/(9*day)
		return low + (high-low)*(0.3+0.3*left), 1
	case units.Concentration:
		return 0.8 + 0.2*wave + 0.02*r.NormFloat64(), 2
	case units.GasInAir:
		return max(0, 0.02+0.01*r.NormFloat64()), 2
	case units.Acidity:
		return 7.4 + 0.05*wave + 0.01*r.NormFloat64(), 2
	case units.Ratio:
		return 0, 0
	default:
		return low + (high-low)*(0.5+0.15*wave+0.01*r.NormFloat64()), 2
	}
}

// history makes a file of readings beside a mapping for it.
func history(t testing.TB, site *config.Site, days int, wide bool) (file, mapping string) {
	t.Helper()
	dir := os.Getenv("EBBWATCH_HISTORY")
	if dir == "" {
		dir = t.TempDir()
	}
	file, mapping = filepath.Join(dir, fmt.Sprintf("history-%d-%v.csv.gz", days, wide)), filepath.Join(dir, "columns.yaml")
	f, err := os.Create(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	z := gzip.NewWriter(f)
	if err := writeHistory(z, site, days, wide); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	var m strings.Builder
	m.WriteString("time: time\npoints:\n")
	for _, in := range site.Instruments {
		for _, p := range in.Points {
			fmt.Fprintf(&m, "  %s: %[1]s\n", p.Name)
		}
	}
	if err := os.WriteFile(mapping, []byte(m.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	return file, mapping
}

// A history of the scenario, a reading of each of its points a minute. With
// EBBWATCH_HISTORY=FOLDER the files stay there, to be replayed by hand.
func BenchmarkReplay(b *testing.B) {
	days := 7
	if os.Getenv("EBBWATCH_HISTORY") != "" {
		days = 365
	}
	siteFile := filepath.Join("..", "..", "testdata", "sites", "kestrel-ridge.yaml")
	file, mapping := history(b, theSite(b, "kestrel-ridge.yaml"), days, true)
	for b.Loop() {
		if code := run(context.Background(), []string{"replay", "--site", siteFile, "--readings", file, "--map", mapping, "--every", "1m"}, io.Discard, io.Discard); code != 0 {
			b.Fatalf("the replay ended %d", code)
		}
	}
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)*365/float64(days), "s/year")
}

// What a recording of the scenario takes, polled as its site file says, with a tick a
// second.
func BenchmarkRecording(b *testing.B) {
	site := theSite(b, "kestrel-ridge.yaml")
	settings := plantSettings(site)
	own := make([]alarms.Sample, len(selfAlarms(site, watching{})))
	seconds := 0
	folder := b.TempDir()
	var rec *recording.Recorder
	start, r := time.Now(), rand.New(rand.NewPCG(1, 1))
	for b.Loop() {
		at := start.Add(time.Duration(seconds) * time.Second)
		if seconds%600 == 0 { // a plant is slower than this, and never ahead of the disk
			if rec != nil {
				rec.Close()
			}
			rec = recording.Start(recording.Options{Dir: folder, Site: site.Name, Points: recordedPoints(settings), MaxBytes: 1 << 40})
			rec.Head(at, nil)
		}
		for k, in := range site.Instruments {
			if every := int(in.Every / time.Second); every > 1 && seconds%every > 0 {
				continue
			}
			polled := at.Add(time.Duration(k)*37*time.Millisecond + time.Duration(r.IntN(5))*time.Millisecond)
			var rs []reading.Reading
			for i, p := range in.Points {
				v, decimals := invented(r, p, i, seconds)
				scale := math.Pow10(decimals)
				rs = append(rs, reading.Reading{Point: p.Name, Value: p.Unit.SI(math.Round(v*scale) / scale), Quality: reading.GoodQuality(), Time: polled})
			}
			rec.Step(polled, rs, own)
		}
		rec.Step(at.Add(time.Second-time.Millisecond), nil, own)
		seconds++
	}
	rec.Close()
	if s := rec.Stats(); s.Dropped > 0 || s.Err != nil {
		b.Errorf("%+v", s)
	}
	files, err := os.ReadDir(folder)
	if err != nil {
		b.Fatal(err)
	}
	size := int64(0)
	for _, f := range files {
		if info, err := f.Info(); err == nil {
			size += info.Size()
		}
	}
	b.ReportMetric(float64(size)/float64(seconds)*86400/1e6, "MB/day")
}
