package page

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"ebbwatch/agent"
)

// The bounds of a stream (own choice).
const (
	maxStreams = 32
	// pace is the shortest time between two messages, silence the longest.
	pace    = time.Second
	silence = 15 * time.Second
	// timing is how often the times of figures that are otherwise as they were are
	// sent.
	timing = 15 * time.Second
	// A client that reads nothing is cut off after this.
	writeTimeout = 10 * time.Second
)

// Options are what the page is made of. Snapshot is required.
type Options struct {
	Snapshot func() *agent.Snapshot
	Site     Site
	// History answers /v1/history; nil has no trends.
	History *History
	// Roles may give Orders. Without either the page only shows.
	Roles  []Role
	Orders Orders
}

// server answers with the snapshots of an agent.
type server struct {
	o       Options
	pace    time.Duration
	streams atomic.Int32
	wrong   wrongKeys

	mu   sync.Mutex // guards last
	last *encoded
}

// Handler serves
//
//   - / and /page/, the page for people,
//   - /v1/snapshot, the whole snapshot as one JSON document,
//   - /v1/stream, the same as server-sent events: first one named snapshot, then
//     one named change for what has changed since, at most one a second and with
//     the times of figures that are otherwise as they were every 15 s,
//   - /v1/history?figure=NAME&hours=N, a figure's course,
//   - POST /v1/order, for roles with a key.
func Handler(o Options) http.Handler { return newServer(o).handler() }

func newServer(o Options) *server { return &server{o: o, pace: pace} }

func (s *server) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /v1/snapshot", s.snapshot)
	mux.HandleFunc("GET /v1/stream", s.stream)
	mux.HandleFunc("GET /v1/history", s.history)
	mux.HandleFunc("POST /v1/order", s.order)
	for path, a := range assets {
		mux.Handle("GET "+path, a)
	}
	return guarded(http.NewCrossOriginProtection().Handler(mux))
}

// guarded forbids the browser whatever the page does not need.
func guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		next.ServeHTTP(w, r)
	})
}

// encoded is the present snapshot, written once for all who ask.
func (s *server) encoded() *encoded {
	now := s.o.Snapshot()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.last == nil || s.last.of != now {
		s.last = encode(&s.o.Site, now)
	}
	return s.last
}

// now is the head as it is to be written at this moment.
func (e *encoded) now() head {
	h := e.head
	h.Age = time.Since(e.of.Stepped).Round(time.Millisecond).Seconds()
	return h
}

// whole is a snapshot's document.
func (s *server) whole(e *encoded) []byte {
	d := document{e.now(), e.Figures, e.Alarms}
	d.Version, d.Site, d.Title = version, s.o.Site.Name, s.o.Site.Title
	l := layoutOf(&s.o.Site, e.of.Figures, s.o.Roles)
	d.Layout, d.Performance = &l, performanceOf(&e.of.Performance)
	return must(json.Marshal(d))
}

func (s *server) snapshot(w http.ResponseWriter, _ *http.Request) {
	writeJSON(w, s.whole(s.encoded()))
}

func writeJSON(w http.ResponseWriter, data []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(data) // the error is the client's
}

func (s *server) history(w http.ResponseWriter, r *http.Request) {
	hours, err := strconv.Atoi(cmp.Or(r.FormValue("hours"), "24"))
	if err != nil || hours < 1 || hours > maxHours {
		http.Error(w, fmt.Sprintf("hours is %.20q: expected 1 to %d", r.FormValue("hours"), maxHours), http.StatusBadRequest)
		return
	}
	name := r.FormValue("figure")
	var t trend
	var ok bool
	if s.o.History != nil {
		t, ok = s.o.History.trend(name, hours)
	}
	if !ok {
		http.Error(w, fmt.Sprintf("no course is kept of %.80q: /v1/snapshot lists the figures", name), http.StatusNotFound)
		return
	}
	writeJSON(w, must(json.Marshal(t)))
}

// stream sends events until the client goes, or the server.
func (s *server) stream(w http.ResponseWriter, r *http.Request) {
	if s.streams.Add(1) > maxStreams {
		s.streams.Add(-1)
		w.Header().Set("Retry-After", "30")
		http.Error(w, fmt.Sprintf("all %d streams are in use: close one, or read /v1/snapshot", maxStreams), http.StatusServiceUnavailable)
		return
	}
	defer s.streams.Add(-1)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("Cache-Control", "no-store")
	out := http.NewResponseController(w)
	// Each write has a limit of its own, in place of the server's for a whole answer.
	send := func(text ...[]byte) bool {
		if out.SetWriteDeadline(time.Now().Add(writeTimeout)) != nil {
			return false
		}
		if _, err := w.Write(slices.Concat(text...)); err != nil {
			return false
		}
		return out.Flush() == nil
	}
	event := func(name string, data []byte) bool {
		return send([]byte("event: "+name+"\ndata: "), data, []byte("\n\n"))
	}
	sent := s.encoded()
	if !event("snapshot", s.whole(sent)) {
		return
	}
	tick := time.NewTicker(s.pace)
	defer tick.Stop()
	last := time.Now()
	timed, timedAt := sent, last
	for {
		select {
		case <-r.Context().Done():
			return
		case <-tick.C:
		}
		switch now := s.encoded(); {
		case now != sent:
			var since *encoded
			if time.Since(timedAt) >= timing {
				since = timed
			}
			if !event("change", change(sent, now, since)) {
				return
			}
			sent, last = now, time.Now()
			if since != nil {
				timed, timedAt = now, last
			}
		case time.Since(last) >= silence:
			if !send([]byte(": nothing new\n\n")) {
				return
			}
			last = time.Now()
		}
	}
}
