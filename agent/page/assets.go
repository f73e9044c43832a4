package page

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"net/http"
	"strings"
	"sync"
)

//go:embed assets
var files embed.FS

// asset is a file of the page. It is compressed when it is first asked for: a
// plant where nobody looks has no use for the memory that this takes.
type asset struct {
	kind, tag string
	plain     []byte
	gzip      func() []byte
}

// assets are the page's files by their path.
var assets = map[string]*asset{
	"/{$}":            load("index.html", "text/html; charset=utf-8"),
	"/page/page.css":  load("page.css", "text/css; charset=utf-8"),
	"/page/page.js":   load("page.js", "text/javascript; charset=utf-8"),
	"/page/draw.js":   load("draw.js", "text/javascript; charset=utf-8"),
	"/page/words.js":  load("words.js", "text/javascript; charset=utf-8"),
	"/page/trends.js": load("trends.js", "text/javascript; charset=utf-8"),
	"/page/icon.svg":  load("icon.svg", "image/svg+xml"),
}

func load(name, kind string) *asset {
	plain := must(files.ReadFile("assets/" + name))
	sum := sha256.Sum256(plain)
	return &asset{kind: kind, tag: `"` + hex.EncodeToString(sum[:8]) + `"`, plain: plain, gzip: sync.OnceValue(func() []byte {
		var b bytes.Buffer
		z, _ := gzip.NewWriterLevel(&b, gzip.BestCompression) // the level is a valid one
		_, _ = z.Write(plain)                                 // a buffer takes everything
		_ = z.Close()
		return b.Bytes()
	})}
}

// ServeHTTP implements http.Handler. The browser asks each time whether its copy
// is still the present one, so that a new daemon never meets an old page.
func (a *asset) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", a.kind)
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", a.tag)
	h.Set("Vary", "Accept-Encoding")
	if r.Header.Get("If-None-Match") == a.tag {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	body := a.plain
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		body = a.gzip()
	}
	_, _ = w.Write(body) // the error is the client's
}
