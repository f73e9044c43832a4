package metrics

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"net/http/httptest"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"ebbwatch/agent"
	"ebbwatch/agent/peertest"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

// body is what a scraper gets.
func body(t testing.TB, src Source) []byte {
	t.Helper()
	rec := httptest.NewRecorder()
	Handler(src, nil).ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
	if rec.Code != 200 {
		t.Fatalf("status %d: %s", rec.Code, rec.Body)
	}
	return rec.Body.Bytes()
}

// promtool reads an exposition and complains about names and units. It is not
// ours, and its rules are those of the people who scrape.
func promtool(t *testing.T, exposition []byte) {
	t.Helper()
	cmd := exec.Command(peertest.Tool(t, "promtool"), "check", "metrics")
	cmd.Stdin = bytes.NewReader(exposition)
	out, err := cmd.CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	if err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

func TestPromtoolFindsNoFault(t *testing.T) { promtool(t, body(t, source())) }

// TestHostileNames: whatever stands where a name is expected, the scrape is read
// whole by promtool and every value is there.
func TestHostileNames(t *testing.T) {
	names := []string{
		"quote\"quote", "line\nebbwatch_forged{alarm=\"x\"} 1\n", `back\slash`, "brace}{", "nul\x00", "not utf-8 \xff\xfe",
		"# HELP", strings.Repeat("long", 5000), "", "日本語", "\u202e", "same", "same",
	}
	src := source()
	s := *src.Snapshot()
	for _, name := range names {
		u := units.MustParse("mg/L")
		u.Symbol = name
		s.Figures = append(s.Figures, plant.Figure{
			Name: name, Kind: plant.PointKind, Owner: name, Quantity: plant.ReadingOf, Value: 1, Low: math.NaN(), High: math.NaN(),
			Unit: u, Quality: reading.Quality{Level: reading.Uncertain, Reason: name}, Time: at,
		})
		s.Conditions = append(s.Conditions, alarms.Condition{Alarm: name, Priority: alarms.Priority(name), State: alarms.Normal})
	}
	lines := []Line{}
	for _, name := range names[:len(names)-1] {
		lines = append(lines, Line{Name: name, Errors: map[string]uint64{name: 1}, Instruments: []Instrument{{Name: name}}})
		src.Times.Polled(name, time.Second)
	}
	src.Snapshot, src.Lines = func() *agent.Snapshot { return &s }, func() []Line { return lines }
	src.Receivers = func() []Receiver { return []Receiver{{Name: "a\xffb\n"}} }
	src.Certificates = map[string]time.Time{"c\xff\n": at}
	got := body(t, src)
	promtool(t, got)
	for _, line := range strings.Split(string(got), "\n") {
		if strings.HasPrefix(line, "ebbwatch_forged") {
			t.Errorf("a name has made a series of its own: %s", line)
		}
	}
	if n := bytes.Count(got, []byte("\nebbwatch_alarm_active{")); n != len(source().Snapshot().Conditions)+len(names)-1 {
		t.Errorf("%d alarms are shown; the one that is there twice must not hide others", n)
	}
}

// TestWithoutABroker: no session is neither up nor down.
func TestWithoutABroker(t *testing.T) {
	src := source()
	src.Telling = func() Telling { return Telling{} }
	if strings.Contains(string(body(t, src)), "ebbwatch_broker_connected ") {
		t.Error("ebbwatch_broker_connected is shown without a broker")
	}
}

// BenchmarkScrape sets the collector, over HTTP as it is scraped, against plain
// gauges of the same names, labels and values in the same run. p50 and p95 are of single scrapes,
// taken turn about; ratio is that of the medians.
func BenchmarkScrape(b *testing.B) {
	for _, series := range []int{100, 1000, 10000} {
		b.Run(fmt.Sprint(series), func(b *testing.B) {
			own, plain := prometheus.NewRegistry(), prometheus.NewRegistry()
			own.MustRegister(NewCollector(wide(series)))
			families, err := own.Gather()
			if err != nil {
				b.Fatal(err)
			}
			n := 0
			for _, f := range families { // the same names and labels as plain gauges
				var names []string
				for _, l := range f.GetMetric()[0].GetLabel() {
					names = append(names, l.GetName())
				}
				vec := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "plain_" + f.GetName(), Help: f.GetHelp()}, names)
				plain.MustRegister(vec)
				for _, m := range f.GetMetric() {
					var values []string
					for _, l := range m.GetLabel() {
						values = append(values, l.GetValue())
					}
					vec.WithLabelValues(values...).Set(m.GetGauge().GetValue() + m.GetCounter().GetValue())
					n++
				}
			}
			var took [2][]time.Duration
			for b.Loop() {
				for i, reg := range []*prometheus.Registry{own, plain} {
					h := promhttp.HandlerFor(reg, promhttp.HandlerOpts{})
					rec := httptest.NewRecorder()
					began := time.Now()
					h.ServeHTTP(rec, httptest.NewRequest("GET", "/metrics", nil))
					took[i] = append(took[i], time.Since(began))
					if rec.Code != 200 {
						b.Fatal(rec.Body)
					}
				}
			}
			at := func(i int, share float64) float64 {
				slices.Sort(took[i])
				return took[i][int(share*float64(len(took[i])-1))].Seconds() * 1e3
			}
			b.ReportMetric(float64(n), "series")
			b.ReportMetric(at(0, .5), "p50-ms")
			b.ReportMetric(at(0, .95), "p95-ms")
			b.ReportMetric(at(1, .5), "gauges-p50-ms")
			b.ReportMetric(at(1, .95), "gauges-p95-ms")
			b.ReportMetric(at(0, .5)/at(1, .5), "ratio")
		})
	}
}

// wide is a plant with about so many series: a point has three.
func wide(series int) Source {
	src := source()
	s := *src.Snapshot()
	for i := range max(0, series-230) / 3 {
		f := s.Figures[0]
		f.Name = fmt.Sprintf("point-%d", i)
		f.Owner = f.Name
		s.Figures = append(s.Figures, f)
	}
	if series < 230 {
		s.Figures, s.Conditions = s.Figures[:20], nil
	}
	src.Snapshot = func() *agent.Snapshot { return &s }
	return src
}
