package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
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
	// A client that reads nothing is cut off after this.
	writeTimeout = 10 * time.Second
)

// Source is what the page reads.
type Source struct {
	Snapshot    func() *agent.Snapshot
	Site, Title string
}

// server answers with the snapshots of a source.
type server struct {
	src     Source
	streams atomic.Int32

	mu   sync.Mutex // guards last
	last *encoded
}

// Handler serves /v1/snapshot, the whole snapshot as one JSON document, and
// /v1/stream, the same as server-sent events: first one named snapshot, then one
// named change for what has changed since, at most one a second.
func Handler(src Source) http.Handler {
	s := &server{src: src}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /v1/snapshot", s.snapshot)
	mux.HandleFunc("GET /v1/stream", s.stream)
	return mux
}

// encoded is the present snapshot, written once for all who ask.
func (s *server) encoded() *encoded {
	now := s.src.Snapshot()
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.last == nil || s.last.of != now {
		s.last = encode(now)
	}
	return s.last
}

// whole is a snapshot's document.
func (s *server) whole(e *encoded) []byte {
	d := document{e.head, e.figures, e.alarms}
	d.Version, d.Site, d.Title = version, s.src.Site, s.src.Title
	return must(json.Marshal(d))
}

// change is the document of what differs between two snapshots of one site.
func change(from, to *encoded) []byte {
	d := document{to.head, []json.RawMessage{}, []json.RawMessage{}}
	differ := func(out *[]json.RawMessage, from, to []json.RawMessage) {
		for i := range to {
			if i >= len(from) || !bytes.Equal(from[i], to[i]) {
				*out = append(*out, to[i])
			}
		}
	}
	differ(&d.Figures, from.figures, to.figures)
	differ(&d.Alarms, from.alarms, to.alarms)
	return must(json.Marshal(d))
}

func (s *server) snapshot(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(s.whole(s.encoded())) // the error is the client's
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
	tick := time.NewTicker(pace)
	defer tick.Stop()
	last := time.Now()
	for {
		select {
		case <-r.Context().Done():
			return
		case <-tick.C:
		}
		switch now := s.encoded(); {
		case now != sent:
			if !event("change", change(sent, now)) {
				return
			}
			sent, last = now, time.Now()
		case time.Since(last) >= silence:
			if !send([]byte(": nothing new\n\n")) {
				return
			}
			last = time.Now()
		}
	}
}
