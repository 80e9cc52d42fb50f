package dashboard

import (
	"compress/gzip"
	"io"
	"net/http"
	"strings"
	"testing"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/control"
)

func TestBrowsersKeepWhatNeverChanges(t *testing.T) {
	s, _ := started(t, control.Idle{})
	for _, name := range []string{"style.css", "live.js"} {
		at, err := pages.Address(name)
		if err != nil {
			t.Fatal(err)
		}
		for path, want := range map[string]string{at: keepFor, "/" + name: "no-store", "/" + name + "?v=000000000000": "no-store", at + "0": "no-store"} {
			r := visit{method: "GET", path: path}.to(s)
			if got := r.Header.Get("Cache-Control"); r.StatusCode != http.StatusOK || got != want {
				t.Errorf("%s: %d, kept %q, want %q", path, r.StatusCode, got, want)
			}
		}
	}
	page := bodyOf(t, visit{method: "GET", path: "/send", cookies: pairUp(t, s)}.to(s))
	if strings.Contains(page, `.css"`) || strings.Contains(page, `.js"`) {
		t.Error("the page asks for a file at an address that may not be kept")
	}
}

// Whoever takes squeezed text gets the same text, in less.
func TestPagesAreSqueezed(t *testing.T) {
	s, _ := started(t, control.Idle{})
	cookies := pairUp(t, s)
	for _, path := range []string{"/proof", "/style.css"} {
		plain := bodyOf(t, visit{method: "GET", path: path, cookies: cookies}.to(s))
		r := visit{method: "GET", path: path, cookies: cookies, headers: map[string]string{"Accept-Encoding": "gzip"}}.to(s)
		small := bodyOf(t, r)
		open, err := gzip.NewReader(strings.NewReader(small))
		if err != nil || r.Header.Get("Content-Encoding") != "gzip" {
			t.Fatalf("%s: encoded as %q, %v", path, r.Header.Get("Content-Encoding"), err)
		}
		text, err := io.ReadAll(open)
		if err != nil || len(text) != len(plain) || 2*len(small) > len(plain) {
			t.Errorf("%s: %d bytes squeezed to %d, open %d again, %v", path, len(plain), len(small), len(text), err)
		}
	}
}
