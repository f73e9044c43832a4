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

	"ebbwatch/agent/units"
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
		wave := math.Sin(2 * math.Pi * float64(minute%1440) / 1440)
		row = row[:0]
		if wide {
			row = append(row, stamp...)
		}
		for i, p := range all {
			low, high := 0.0, 1.0
			if p.Range != nil {
				low, high = p.Range[0], p.Range[1]
			}
			var v float64
			decimals := 2
			switch p.Unit.Dimension {
			case units.Mass: // run down in 9 days, an hour's pause between them
				left := 1 - float64((minute+i*3600)%(9*1440))/(9*1440)
				v = low + (high-low)*(0.3+0.3*left)
				decimals = 1
			case units.Concentration:
				v = 0.8 + 0.2*wave + 0.02*r.NormFloat64()
			case units.GasInAir:
				v = max(0, 0.02+0.01*r.NormFloat64())
			case units.Acidity:
				v = 7.4 + 0.05*wave + 0.01*r.NormFloat64()
			case units.Ratio:
				v = 0
				decimals = 0
			default:
				v = low + (high-low)*(0.5+0.15*wave+0.01*r.NormFloat64())
			}
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
