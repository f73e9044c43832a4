package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
	"time"

	"ebbwatch/config"
)

// ways are the ways out over HTTP: what listens, and what it serves.
type ways struct {
	site *config.Site
	log  *slog.Logger
	main net.Listener
	// apart is for metrics and health alone, nil where they are at main.
	apart net.Listener
}

// listen opens the addresses of a site.
func listen(site *config.Site, log *slog.Logger) (*ways, error) {
	w := &ways{site: site, log: log}
	open := func(address, key string) (net.Listener, error) {
		l, err := net.Listen("tcp", address)
		if err != nil {
			return nil, badInput{fmt.Errorf("cannot listen on %s: %w: stop the program that holds this port, or choose another in %s", address, err, key)}
		}
		if secure := site.HTTP.TLS(); secure != nil {
			secure.NextProtos = []string{"http/1.1"} // a stream holds a connection of its own
			l = tls.NewListener(l, secure)
		}
		return l, nil
	}
	var err error
	if w.main, err = open(site.Listen, "listen"); err != nil {
		return nil, err
	}
	if site.HTTP.MetricsListen != "" {
		if w.apart, err = open(site.HTTP.MetricsListen, "http.metrics"); err != nil {
			w.close()
			return nil, err
		}
	}
	return w, nil
}

func (w *ways) close() {
	w.main.Close()
	if w.apart != nil {
		w.apart.Close()
	}
}

// addresses are where it listens, for the log.
func (w *ways) addresses() []any {
	out := []any{"http", w.main.Addr().String()}
	if w.apart != nil {
		out = append(out, "metrics", w.apart.Addr().String())
	}
	return out
}

// edges serve health with the metrics and the page, as far as the site has them.
func (w *ways) edges(machines, people http.Handler) []func(context.Context) error {
	health := func() *http.ServeMux {
		mux := http.NewServeMux()
		mux.Handle("/healthz", machines)
		mux.Handle("/readyz", machines)
		return mux
	}
	mux := health()
	if w.site.HTTP.Page {
		mux.Handle("/", people)
	}
	h := &w.site.HTTP
	if h.Metrics && w.apart == nil {
		mux.Handle("/metrics", machines)
	}
	out := []func(context.Context) error{func(ctx context.Context) error { return w.serve(ctx, w.main, mux) }}
	if w.apart != nil {
		mux := health()
		mux.Handle("/metrics", machines)
		out = append(out, func(ctx context.Context) error { return w.serve(ctx, w.apart, mux) })
	}
	return out
}

// named refuses requests for a name that is not this machine's: a page from
// elsewhere could have had the name made to point here, and would then be taken
// for ours by the browser that shows it. An address cannot be made to.
func (w *ways) named(next http.Handler) http.Handler {
	own := map[string]bool{"localhost": true, "": true} // HTTP/1.0 has no Host
	for _, name := range w.site.HTTP.Names {
		own[name] = true
	}
	for _, address := range []string{w.site.Listen, w.site.HTTP.MetricsListen} {
		host, _, _ := net.SplitHostPort(address)
		own[strings.ToLower(host)] = true
	}
	if name, err := os.Hostname(); err == nil {
		own[strings.ToLower(name)] = true
	}
	return http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		host := r.Host
		if h, _, err := net.SplitHostPort(host); err == nil {
			host = h
		}
		host = strings.ToLower(strings.Trim(host, "[]"))
		if _, err := netip.ParseAddr(host); err != nil && !own[strings.TrimSuffix(host, ".")] {
			http.Error(rw, fmt.Sprintf("ebbwatch does not answer to the name %.80q: use this machine's address, or add the name to http.names in the site file", host), http.StatusMisdirectedRequest)
			return
		}
		next.ServeHTTP(rw, r)
	})
}

// serve answers HTTP until ctx ends, then lets requests in progress finish;
// streams end at once.
func (w *ways) serve(ctx context.Context, l net.Listener, h http.Handler) error {
	srv := &http.Server{
		Handler:     w.named(h),
		ErrorLog:    slog.NewLogLogger(w.log.Handler(), slog.LevelDebug), // whoever knocks with the wrong thing must not fill the log
		BaseContext: func(net.Listener) context.Context { return ctx }, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
	}
	stopped := make(chan error, 1)
	go func() {
		<-ctx.Done()
		limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		stopped <- srv.Shutdown(limit)
	}()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("HTTP server: %w", err)
	}
	<-stopped
	return nil
}

// certificates are those of a site, by the key of the block that has them, with
// when they end.
func certificates(site *config.Site) map[string]time.Time {
	out := map[string]time.Time{}
	add := func(block string, pair []byte, key config.Secret) {
		if p, err := tls.X509KeyPair(pair, []byte(key.Reveal())); err == nil && p.Leaf != nil {
			out[block] = p.Leaf.NotAfter
		}
	}
	add("http", site.HTTP.Certificate, site.HTTP.Key)
	if site.MQTT != nil {
		add("mqtt", site.MQTT.Certificate, site.MQTT.Key)
	}
	return out
}

// showHTTP shows where the page and the metrics are, and who could listen in.
func showHTTP(w io.Writer, site *config.Site, now time.Time) error {
	h := &site.HTTP
	scheme := "http://"
	secure := h.TLS()
	if secure != nil {
		scheme = "https://"
	}
	text := "\n"
	if h.Page {
		text += "The page is at " + scheme + site.Listen + "/, "
	} else {
		text += "The page is switched off, "
	}
	switch {
	case h.MetricsListen != "":
		text += "metrics and health at " + scheme + h.MetricsListen + ".\n"
	case h.Metrics:
		text += "metrics and health at " + scheme + site.Listen + ".\n"
	default:
		text += "metrics are switched off, health is at " + scheme + site.Listen + ".\n"
	}
	if secure != nil {
		leaf := secure.Certificates[0].Leaf
		text += "It proves itself with " + validity(leaf, now, "NO BROWSER WILL TRUST IT") + ".\n"
	} else if warning := exposed(site); warning != "" {
		text += warning + "\n"
	}
	_, err := io.WriteString(w, text)
	return err
}

// exposed warns of what plain HTTP shows to whoever can listen in; empty when
// nothing leaves this machine.
func exposed(site *config.Site) string {
	open := site.Listen
	if !config.Beyond(open) || site.HTTP.TLS() != nil {
		return ""
	}
	if site.HTTP.Page && len(site.Roles) > 0 {
		return "WARNING: " + open + " can be reached from other machines without TLS: whoever listens in on the network gets the keys of roles. Add http.certificate_file and http.key_file, or listen on 127.0.0.1 behind a server that adds TLS."
	}
	return "WARNING: " + open + " can be reached from other machines without TLS: whoever is on the network can read along."
}

// validity tells whose a certificate is and how long it holds.
func validity(cert *x509.Certificate, now time.Time, past string) string {
	text := fmt.Sprintf("the certificate of %s, valid until %s", cert.Subject, cert.NotAfter.Format(time.DateOnly))
	if left := cert.NotAfter.Sub(now); left < 0 {
		text += ", which is past: " + past + ". Put a new one in its place"
	} else if left < 60*24*time.Hour {
		text += fmt.Sprintf(", in %d days: put a new one in its place, then restart ebbwatch", int(left.Hours()/24))
	}
	return text
}
