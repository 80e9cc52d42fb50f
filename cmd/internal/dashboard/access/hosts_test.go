package access

import (
	"crypto/tls"
	"net/http"
	"testing"
)

func asking(t *testing.T, secure bool, header ...string) *http.Request {
	t.Helper()
	r, err := http.NewRequest("GET", "http://"+testHost+"/live", nil)
	if err != nil {
		t.Fatal(err)
	}
	if secure {
		r.TLS = &tls.ConnectionState{}
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Add(header[i], header[i+1])
	}
	return r
}

func TestSocketsOriginIsStrict(t *testing.T) {
	cases := []struct {
		origin        string
		plain, secure bool
	}{
		{"http://" + testHost, true, false},
		{"https://" + testHost, false, true},
		{"http://LOCALHOST:8080", true, false},
		{"", false, false},
		{"null", false, false},
		{"http://localhost", false, false},
		{"http://localhost:8081", false, false},
		{"ftp://" + testHost, false, false},
		{"http://evil.example", false, false},
		{testHost, false, false},
		{"http://" + testHost + ".evil.example", false, false},
	}
	for _, c := range cases {
		header := []string{"Origin", c.origin}
		if c.origin == "" {
			header = nil
		}
		if got := SameOrigin(asking(t, false, header...)); got != c.plain {
			t.Errorf("origin %q: got %v, want %v", c.origin, got, c.plain)
		}
		if got := SameOrigin(asking(t, true, header...)); got != c.secure {
			t.Errorf("origin %q over TLS: got %v, want %v", c.origin, got, c.secure)
		}
		if got := NotForeign(asking(t, false, header...)); got != (c.plain || c.origin == "") {
			t.Errorf("origin %q of a stream: got %v", c.origin, got)
		}
	}
	if SameOrigin(asking(t, false, "Origin", "http://"+testHost, "Origin", "http://evil.example")) {
		t.Error("two origins at once were let in")
	}
}

func TestStreamBelievesFetchMetadata(t *testing.T) {
	for site, want := range map[string]bool{"same-origin": true, "same-site": false, "cross-site": false, "none": false, "made-up": false} {
		if got := NotForeign(asking(t, false, "Sec-Fetch-Site", site)); got != want {
			t.Errorf("%s: got %v, want %v", site, got, want)
		}
	}
	if NotForeign(asking(t, false, "Sec-Fetch-Site", "same-origin", "Origin", "http://evil.example")) {
		t.Error("a foreign origin was let in")
	}
}
