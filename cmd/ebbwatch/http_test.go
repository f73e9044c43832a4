package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"ebbwatch/config"
)

// pair makes a certificate for this machine that ends after a while, and its key.
func pair(t *testing.T, valid time.Duration) (certificate, key []byte) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	made := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "plant.example"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(valid),
		DNSNames: []string{"localhost", "plant.example"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
	}
	der, err := x509.CreateCertificate(rand.Reader, made, made, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
}

// served runs the ways out of a site until the test ends; each path answers with
// who serves it.
func served(t *testing.T, site *config.Site) *ways {
	t.Helper()
	w, err := listen(site, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	who := func(name string) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, name) })
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	edges := w.edges(who("machines"), who("people"))
	for _, edge := range edges {
		go func() { done <- edge(ctx) }()
	}
	t.Cleanup(func() {
		cancel()
		for range edges {
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
	})
	return w
}

// TestPageAndMetricsAreSwitchedApart asks every path at every address.
func TestPageAndMetricsAreSwitchedApart(t *testing.T) {
	const any = "127.0.0.1:0"
	for _, c := range []struct {
		reason      string
		http        config.HTTP
		main, apart string // what answers to /, /metrics and /healthz: people, machines or none
	}{
		{"all at one address", config.HTTP{Page: true, Metrics: true}, "p m m", ""},
		{"without the page", config.HTTP{Metrics: true}, "- m m", ""},
		{"without metrics", config.HTTP{Page: true}, "p - m", ""},
		{"health alone", config.HTTP{}, "- - m", ""},
		{"metrics apart", config.HTTP{Page: true, Metrics: true, MetricsListen: any}, "p - m", "- m m"},
	} {
		w := served(t, &config.Site{Listen: any, HTTP: c.http})
		look := func(l net.Listener) string {
			if l == nil {
				return ""
			}
			var got []string
			for _, path := range []string{"/", "/metrics", "/healthz"} {
				resp, err := http.Get("http://" + l.Addr().String() + path)
				if err != nil {
					t.Fatal(err)
				}
				text, _ := io.ReadAll(resp.Body)
				resp.Body.Close()
				if resp.StatusCode == http.StatusNotFound || string(text) == "people" && path == "/metrics" {
					text = []byte("-")
				}
				got = append(got, string(text[0]))
			}
			return strings.Join(got, " ")
		}
		if got := look(w.main); got != c.main {
			t.Errorf("%s: %s, expected %s", c.reason, got, c.main)
		}
		if got := look(w.apart); got != c.apart {
			t.Errorf("%s, at the other address: %s, expected %s", c.reason, got, c.apart)
		}
	}
}

// TestTLS: with a certificate there is TLS 1.2 and later, and nothing in the clear.
func TestTLS(t *testing.T) {
	certificate, key := pair(t, 30*24*time.Hour)
	site := &config.Site{Listen: "127.0.0.1:0", HTTP: config.HTTP{Page: true, Metrics: true, MetricsListen: "127.0.0.1:0", Certificate: certificate, Key: config.Secret(key)}}
	w := served(t, site)
	roots := x509.NewCertPool()
	roots.AppendCertsFromPEM(certificate)
	get := func(l net.Listener, most uint16) error {
		client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS10, MaxVersion: most}}}
		defer client.CloseIdleConnections()
		resp, err := client.Get("https://" + l.Addr().String() + "/healthz")
		if err == nil {
			resp.Body.Close()
		}
		return err
	}
	for _, l := range []net.Listener{w.main, w.apart} {
		for _, version := range []uint16{tls.VersionTLS12, tls.VersionTLS13} {
			if err := get(l, version); err != nil {
				t.Errorf("%s: %v", tls.VersionName(version), err)
			}
		}
		if err := get(l, tls.VersionTLS11); err == nil {
			t.Error("TLS 1.1 is spoken")
		}
		if resp, err := http.Get("http://" + l.Addr().String() + "/healthz"); err == nil {
			resp.Body.Close()
			if resp.StatusCode != http.StatusBadRequest {
				t.Errorf("plain HTTP is answered with %d", resp.StatusCode)
			}
		}
	}
	if end, ok := certificates(site)["http"]; !ok || time.Until(end) > 30*24*time.Hour {
		t.Errorf("the certificate ends %v", end)
	}
}

// TestForeignNamesAreRefused: a name made to point here (DNS rebinding) is not
// taken for ours.
func TestForeignNamesAreRefused(t *testing.T) {
	site := &config.Site{Listen: "panel.example:9640", HTTP: config.HTTP{Names: []string{"plant.example"}}}
	h := (&ways{site: site}).named(http.NotFoundHandler())
	for host, refused := range map[string]bool{
		"127.0.0.1:9640": false, "192.0.2.7": false, "[::1]:9640": false, "[2001:db8::1]": false, "localhost:9640": false, "": false,
		"plant.example:9640": false, "PLANT.example.": false, "panel.example": false,
		"attacker.example:9640": true, "plant.example.attacker.example": true, "127.0.0.1.attacker.example": true, "localhost.attacker.example": true,
	} {
		r := httptest.NewRequest("GET", "/v1/snapshot", nil)
		r.Host = host
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, r)
		if got := rec.Code == http.StatusMisdirectedRequest; got != refused {
			t.Errorf("%q: refused %t, expected %t: %d %s", host, got, refused, rec.Code, rec.Body)
		}
		if refused && !strings.Contains(rec.Body.String(), "http.names") {
			t.Errorf("%q is not told what to do: %s", host, rec.Body)
		}
	}
}

// TestCheckWarnsOfPlainHTTP: keys over a network that anyone can read are warned of.
func TestCheckWarnsOfPlainHTTP(t *testing.T) {
	certificate, key := pair(t, 30*24*time.Hour)
	roles := []config.Role{{Name: "operator"}}
	for _, c := range []struct {
		reason string
		site   config.Site
		want   string
	}{
		{"keys in the clear", config.Site{Listen: "0.0.0.0:9640", HTTP: config.HTTP{Page: true, Metrics: true}, Roles: roles}, "gets the keys of roles"},
		{"every address of this machine", config.Site{Listen: ":9640", HTTP: config.HTTP{Page: true, Metrics: true}, Roles: roles}, "gets the keys of roles"},
		{"without keys", config.Site{Listen: "192.0.2.7:9640", HTTP: config.HTTP{Page: true, Metrics: true}}, "can read along"},
		{"this machine alone", config.Site{Listen: "127.0.0.1:9640", HTTP: config.HTTP{Page: true, Metrics: true}, Roles: roles}, ""},
		{"with TLS", config.Site{Listen: "0.0.0.0:9640", HTTP: config.HTTP{Page: true, Metrics: true, Certificate: certificate, Key: config.Secret(key)}, Roles: roles}, ""},
	} {
		got := exposed(&c.site)
		if (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, expected %q in it", c.reason, got, c.want)
		}
		var text strings.Builder
		if err := showHTTP(&text, &c.site, time.Now()); err != nil || !strings.Contains(text.String(), got) {
			t.Errorf("%s: check says %q, %v", c.reason, text.String(), err)
		}
		if c.reason == "with TLS" && !strings.Contains(text.String(), "in 29 days: put a new one in its place") {
			t.Errorf("check says nothing of the certificate's end: %s", text.String())
		}
	}
}

// TestPortsInUseAreToldByTheirKey names what to change.
func TestPortsInUseAreToldByTheirKey(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	_, err = listen(&config.Site{Listen: "127.0.0.1:0", HTTP: config.HTTP{Metrics: true, MetricsListen: taken.Addr().String()}}, slog.New(slog.DiscardHandler))
	if bad := (badInput{}); !errors.As(err, &bad) || !strings.Contains(err.Error(), "choose another in http.metrics") {
		t.Errorf("got %v", err)
	}
}
