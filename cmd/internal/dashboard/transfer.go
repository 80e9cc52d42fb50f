package dashboard

import (
	"net/http"
	"strings"

	"github.com/klauspost/compress/gzhttp"

	"hushback/cmd/internal/dashboard/pages"
)

// keepFor is how long a browser may keep what never changes, in the words of HTTP.
const keepFor = "public, max-age=31536000, immutable"

// kept lets a browser keep files that it asks for at the address of their content.
func kept(files http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if at, err := pages.Address(strings.TrimPrefix(r.URL.Path, "/")); err == nil && r.URL.RequestURI() == at {
			w.Header().Set("Cache-Control", keepFor)
		}
		files.ServeHTTP(w, r)
	})
}

// squeezed makes text small on its way to whoever takes it so: a phone at the edge of
// the wifi gets a page in half the time. Streams go through as they are.
func squeezed(all http.Handler) http.Handler {
	small := gzhttp.GzipHandler(all)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/live" || r.URL.Path == "/events" {
			all.ServeHTTP(w, r)
			return
		}
		small(w, r)
	})
}
