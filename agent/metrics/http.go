package metrics

import (
	"fmt"
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// Check is one thing that must hold for the daemon to be ready. Err says what is
// wrong and what to do, nil when nothing is.
type Check struct {
	Name string
	Err  func() error
}

// standstill is the age of the last step at which the process counts as dead,
// although it still answers.
const standstill = 30 * time.Second

// Handler serves /metrics, /healthz and /readyz.
func Handler(src Source, ready []Check) http.Handler {
	reg := prometheus.NewRegistry()
	reg.MustRegister(NewCollector(src), newPerformance(src.Snapshot), collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	if src.Receivers != nil {
		reg.MustRegister(newReceivers(src.Receivers))
	}
	if src.Times != nil {
		reg.MustRegister(src.Times.poll, src.Times.publish)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(reg, promhttp.HandlerOpts{
		EnableOpenMetrics: true, MaxRequestsInFlight: 4, Timeout: 10 * time.Second,
		ErrorHandling: promhttp.ContinueOnError, // one series too many must not hide the others
	}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) {
		answer(w, []Check{{"loop", func() error {
			if age := src.StepAge(); age > standstill {
				return fmt.Errorf("the evaluating loop has stood still for %s: restart ebbwatch", age.Round(time.Second))
			}
			return nil
		}}})
	})
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) { answer(w, ready) })
	return mux
}

// answer writes one line for each check, and 503 when one fails.
func answer(w http.ResponseWriter, checks []Check) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	status, text := http.StatusOK, ""
	for _, c := range checks {
		if err := c.Err(); err != nil {
			status = http.StatusServiceUnavailable
			text += fmt.Sprintf("%s: %v\n", c.Name, err)
			continue
		}
		text += c.Name + ": ok\n"
	}
	w.WriteHeader(status)
	fmt.Fprint(w, text)
}
