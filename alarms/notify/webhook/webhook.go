// Package webhook hands events to a web server by HTTP POST, signed as version
// 1.0 of the open specification Standard Webhooks asks: the headers webhook-id,
// webhook-timestamp and webhook-signature, HMAC-SHA256 over id, time and body.
package webhook

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"ebbwatch/alarms/notify/drain"
)

// Options are the parts of a Sender. URL and Secret are required.
type Options struct {
	// URL is https, or http to this very machine.
	URL string
	// Secret is whsec_ and the key in base64, as ParseSecret reads it.
	Secret string
	// TLS is nil to trust the system's certificates.
	TLS *tls.Config
	// Now dates signatures; nil takes time.Now.
	Now func() time.Time
}

// Sender posts to one address. It is safe for concurrent use.
type Sender struct {
	url    string
	shown  string // for messages: a path or query may hold a secret
	key    []byte
	client *http.Client
	now    func() time.Time
}

const (
	// timeout bounds one request with its answer.
	timeout = 20 * time.Second
	// maxAnswer is how much of an answer is read, for the connection's sake.
	maxAnswer = 4 << 10
	// The specification asks for keys of 24 to 64 bytes.
	minKey, maxKey = 24, 64
)

// ParseSecret reads the key out of a secret.
func ParseSecret(secret string) ([]byte, error) {
	text, ok := strings.CutPrefix(secret, "whsec_")
	key, err := base64.StdEncoding.DecodeString(text)
	if !ok || err != nil || len(key) < minKey || len(key) > maxKey {
		return nil, fmt.Errorf("the webhook's secret is not one: expected whsec_ and %d to %d bytes in base64", minKey, maxKey)
	}
	return key, nil
}

// New makes a sender. It does not connect yet.
func New(o Options) (*Sender, error) {
	key, err := ParseSecret(o.Secret)
	if err != nil {
		return nil, err
	}
	u, err := url.Parse(o.URL)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http":
		return nil, errors.New("the webhook's address is not a URL: expected https://host/path")
	case u.User != nil:
		return nil, errors.New("the webhook's address names a user: the signature alone tells who we are")
	case u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, fmt.Errorf("the webhook %s is without TLS: expected https, unless the server is on this machine", u.Host)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Sender{
		url: o.URL, shown: u.Scheme + "://" + u.Host, key: key, now: o.Now,
		client: &http.Client{
			Timeout: timeout,
			Transport: &http.Transport{
				Proxy: http.ProxyFromEnvironment, TLSClientConfig: o.TLS, ForceAttemptHTTP2: true,
				TLSHandshakeTimeout: timeout, MaxIdleConns: 1, IdleConnTimeout: time.Minute, MaxResponseHeaderBytes: 64 << 10,
			},
			// Whoever can make a server redirect must not get what was meant for it.
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
	}, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Send posts one event, a CloudEvents 1.0 object in structured mode, and returns
// nil once the server has answered 2xx. An answer that asks for patience (408,
// 425, 429, 5xx) or none at all may pass; any other, a redirect too, is a
// drain.Refusal. The error is a sentence.
func (s *Sender) Send(ctx context.Context, id string, body []byte) error {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, s.url, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("the webhook's request to %s cannot be made", s.shown)
	}
	at := s.now().Unix()
	req.Header.Set("Content-Type", "application/cloudevents+json; charset=utf-8")
	req.Header.Set("User-Agent", "ebbwatch")
	req.Header.Set("webhook-id", id)
	req.Header.Set("webhook-timestamp", strconv.FormatInt(at, 10))
	req.Header.Set("webhook-signature", sign(s.key, id, at, body))
	resp, err := s.client.Do(req)
	if err != nil {
		return s.explain(err)
	}
	defer resp.Body.Close()
	_, _ = io.CopyN(io.Discard, resp.Body, maxAnswer) // what it says beyond the status is of no use
	return s.judge(resp)
}

// sign makes the signature header.
func sign(key []byte, id string, at int64, body []byte) string {
	mac := hmac.New(sha256.New, key)
	fmt.Fprintf(mac, "%s.%d.", id, at)
	mac.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

func (s *Sender) judge(resp *http.Response) error {
	code := resp.StatusCode
	err := fmt.Errorf("the webhook %s answers %d", s.shown, code)
	switch {
	case code >= 200 && code < 300:
		return nil
	case code == http.StatusRequestTimeout, code == http.StatusTooEarly, code == http.StatusTooManyRequests, code >= 500:
		return &drain.Later{Err: err, Pause: s.retryAfter(resp.Header.Get("Retry-After"))}
	case code < 400:
		err = fmt.Errorf("%w, which sends elsewhere: redirects are not followed, name the right address", err)
	case code == http.StatusUnauthorized || code == http.StatusForbidden:
		err = fmt.Errorf("%w: do both sides have the same secret and the same time?", err)
	}
	return &drain.Refusal{Err: err}
}

// retryAfter reads a pause, in seconds or as a date (RFC 9110, 10.2.3, from
// memory); zero when there is none.
func (s *Sender) retryAfter(text string) time.Duration {
	if seconds, err := strconv.ParseUint(text, 10, 31); err == nil {
		return time.Duration(seconds) * time.Second
	}
	if at, err := http.ParseTime(text); err == nil {
		return max(0, at.Sub(s.now()))
	}
	return 0
}

// explain makes a sentence of a failed request, without the address's path.
func (s *Sender) explain(err error) error {
	if wrapped, ok := errors.AsType[*url.Error](err); ok {
		err = wrapped.Err
	}
	if _, ok := errors.AsType[*tls.CertificateVerificationError](err); ok {
		return fmt.Errorf("the certificate of the webhook %s is not trusted: %w: is the address right, does this machine know the issuer?", s.shown, err)
	}
	return fmt.Errorf("cannot reach the webhook %s: %w: is it running, is the address right?", s.shown, err)
}
