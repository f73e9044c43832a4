package metrics

import (
	"bytes"
	"cmp"
	"compress/gzip"
	"maps"
	"math"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// The two forms in which a scraper may ask for metrics: the text format 0.0.4 of
// Prometheus, and OpenMetrics 1.0.0.
const (
	textForm = "text/plain; version=0.0.4; charset=utf-8"
	openForm = "application/openmetrics-text; version=1.0.0; charset=utf-8"
)

// Desc is one metric: its name, what it says, and the names of its labels.
type Desc struct {
	name, help string
	labels     []string
}

// Samples are the values of one scrape.
type Samples struct{ families map[string]*family } // by name

type family struct {
	*Desc
	kind    string // gauge or counter
	samples []sample
}

type sample struct {
	labels []string
	value  float64
}

// Collector adds its values at a scrape.
type Collector interface{ Collect(*Samples) }

// Gauge adds a value that goes up and down, with the values of its labels.
func (s *Samples) Gauge(d *Desc, v float64, labels ...string) { s.add(d, "gauge", v, labels) }

// Count adds a value that only grows.
func (s *Samples) Count(d *Desc, v float64, labels ...string) { s.add(d, "counter", v, labels) }

func (s *Samples) add(d *Desc, kind string, v float64, labels []string) {
	if len(labels) != len(d.labels) {
		panic("metrics: " + d.name + " has other labels")
	}
	f := s.families[d.name]
	if f == nil {
		f = &family{Desc: d, kind: kind}
		s.families[d.name] = f
	}
	f.samples = append(f.samples, sample{labels, v})
}

// write gives all of it in one of the forms, in the order of names and labels.
func (s *Samples) write(b *bytes.Buffer, form string) {
	open := form == openForm
	for _, key := range slices.Sorted(maps.Keys(s.families)) {
		d := s.families[key]
		name := d.name
		if open && d.kind == "counter" {
			name = strings.TrimSuffix(name, "_total") // it is the sample's, not the family's
		}
		b.WriteString("# HELP " + name + " " + escape(d.help, open) + "\n# TYPE " + name + " " + d.kind + "\n")
		order := make([]int, len(d.labels)) // by the labels' names
		for i := range order {
			order[i] = i
		}
		slices.SortFunc(order, func(i, j int) int { return strings.Compare(d.labels[i], d.labels[j]) })
		slices.SortStableFunc(d.samples, func(x, y sample) int {
			for _, i := range order {
				if c := strings.Compare(x.labels[i], y.labels[i]); c != 0 {
					return c
				}
			}
			return 0
		})
		for _, x := range d.samples {
			b.WriteString(d.name)
			for n, i := range order {
				b.WriteByte("{,"[min(n, 1)])
				b.WriteString(d.labels[i] + `="` + escape(x.labels[i], true) + `"`)
			}
			if len(order) > 0 {
				b.WriteByte('}')
			}
			b.WriteString(" " + number(x.value, open) + "\n")
		}
	}
	if open {
		b.WriteString("# EOF\n")
	}
}

var (
	inHelp  = strings.NewReplacer(`\`, `\\`, "\n", `\n`)
	inLabel = strings.NewReplacer(`\`, `\\`, "\n", `\n`, `"`, `\"`)
)

func escape(s string, quotes bool) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if quotes {
		return inLabel.Replace(s)
	}
	return inHelp.Replace(s)
}

// number writes a value. OpenMetrics has no whole numbers without a point.
func number(v float64, open bool) string {
	switch {
	case math.IsInf(v, 1):
		return "+Inf"
	case math.IsInf(v, -1):
		return "-Inf"
	}
	s := strconv.FormatFloat(v, 'g', -1, 64)
	if open && !strings.ContainsAny(s, ".eN") {
		s += ".0"
	}
	return s
}

// serve serves the values of all collectors, to a few at a time.
func serve(collectors ...Collector) http.HandlerFunc {
	places := make(chan struct{}, 4)
	squeezers := sync.Pool{New: func() any {
		z, _ := gzip.NewWriterLevel(nil, gzip.BestSpeed) // the level is a known one
		return z
	}}
	return func(w http.ResponseWriter, r *http.Request) {
		select {
		case places <- struct{}{}:
			defer func() { <-places }()
		default:
			http.Error(w, "four scrapes are under way: come back later", http.StatusServiceUnavailable)
			return
		}
		all := &Samples{families: map[string]*family{}}
		for _, c := range collectors {
			c.Collect(all)
		}
		form := formFor(r.Header.Get("Accept"))
		var b bytes.Buffer
		all.write(&b, form)
		w.Header().Set("Content-Type", form)
		w.Header().Set("Vary", "Accept, Accept-Encoding")
		if !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
			w.Write(b.Bytes())
			return
		}
		w.Header().Set("Content-Encoding", "gzip")
		z := squeezers.Get().(*gzip.Writer)
		defer squeezers.Put(z)
		z.Reset(w)
		z.Write(b.Bytes())
		z.Close()
	}
}

// formFor picks the form that a scraper likes best, text where it does not care.
func formFor(accept string) string {
	text, open := 0.0, 0.0
	for part := range strings.SplitSeq(accept, ",") {
		media, params, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		q, err := strconv.ParseFloat(cmp.Or(params["q"], "1"), 64)
		if err != nil {
			continue
		}
		switch {
		case media == "application/openmetrics-text" && cmp.Or(params["version"], "1.0.0") == "1.0.0":
			open = max(open, q)
		case media == "text/plain":
			text = max(text, q)
		}
	}
	if open > text {
		return openForm
	}
	return textForm
}
