package config

import (
	"crypto/tls"
	"fmt"
	"slices"
	"strings"
)

// HTTP is how the page and the metrics are served.
type HTTP struct {
	// Page and Metrics tell whether each is served.
	Page, Metrics bool
	// MetricsListen is host:port for the metrics alone; empty when they are at
	// Site.Listen.
	MetricsListen string
	// Certificate, in PEM, is what the servers prove themselves with, by Key; empty
	// without TLS.
	Certificate []byte
	Key         Secret
	// Names are the names, besides this machine's own and any address, by which
	// browsers may ask.
	Names []string
	At    int
}

// Format prints the settings without the key, as that of MQTT does.
func (h HTTP) Format(f fmt.State, _ rune) {
	fmt.Fprintf(f, "{page %t metrics %t %s names %v}", h.Page, h.Metrics, h.MetricsListen, h.Names)
}

// TLS is nil where the servers speak plain HTTP.
func (h *HTTP) TLS() *tls.Config {
	pair, err := tls.X509KeyPair(h.Certificate, []byte(h.Key.Reveal()))
	if err != nil {
		return nil // the reader made sure that a pair which is there is whole
	}
	return &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}
}

// Beyond reports whether an address to listen on can be reached from another
// machine.
func Beyond(listen string) bool {
	host, _, _ := splitHostPort(listen)
	return !ownMachine(host)
}

// httpKeys lists the keys of the page and the metrics.
func httpKeys() []Key {
	return []Key{
		{"http", false, "", "a block with page, metrics, certificate_file, key_file and names"},
		{"http.page", false, "yes", "yes or no; no serves neither the page nor what it reads"},
		{"http.metrics", false, "yes", "yes, no, or host:port such as 127.0.0.1:9641, other than listen, for metrics and health alone"},
		{"http.certificate_file", false, "", "a file, its path relative to the site file, with the server's certificate in PEM and those it comes from after it, together with key_file; absent, plain HTTP"},
		{"http.key_file", false, "", "a file, its path relative to the site file, with the certificate's key in PEM and without a passphrase, together with certificate_file"},
		{"http.names", false, "", "names with commas between, such as plant.example, by which browsers may ask besides this machine's own name and any address"},
	}
}

func (r *siteReader) http(v value, listen string) HTTP {
	h := HTTP{Page: true, Metrics: true}
	b, ok := v.block()
	if !ok {
		return h
	}
	h.At = v.line
	h.Page = b.get("page").yes()
	metrics := b.get("metrics")
	switch word, _ := metrics.scalar(); word {
	case "yes":
	case "no":
		h.Metrics = false
	default:
		if metrics.listen(&h.MetricsListen) && word == listen && !strings.HasSuffix(listen, ":0") { // any free port
			metrics.bad("the address of listen")
		}
	}
	h.Certificate, h.Key = r.pair(b)
	if s, ok := b.get("names").scalar(); ok {
		for name := range strings.SplitSeq(s, ",") {
			name = strings.ToLower(strings.TrimSpace(name))
			if host, _, ok := splitHostPort(name + ":1"); !ok || host == "" || strings.Contains(host, ":") || slices.Contains(h.Names, name) {
				b.get("names").bad(fmt.Sprintf("the name %s, or it twice,", quote(name)))
			}
			h.Names = append(h.Names, name)
		}
	}
	return h
}
