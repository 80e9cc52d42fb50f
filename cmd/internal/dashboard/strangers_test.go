package dashboard

import (
	"crypto/tls"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

// door is a served page of a test, with a phone that is paired.
type door struct {
	*httptest.Server
	desk   *desktest.Desk
	cookie *http.Cookie
}

// doorsOf is the page over real sockets, without TLS and with it.
func doorsOf(t *testing.T) map[string]door {
	t.Helper()
	made := map[string]door{}
	for name, start := range map[string]func(http.Handler) *httptest.Server{"plain": httptest.NewServer, "TLS": httptest.NewTLSServer} {
		s, d := started(t, control.Idle{})
		web := start(s)
		t.Cleanup(web.Close)
		t.Cleanup(s.Close)
		out := door{web, d, nil}
		r := out.ask(t, "POST", "/pair", "", map[string]string{"Origin": web.URL}, url.Values{"code": {testCode}}.Encode())
		if r.StatusCode != http.StatusNoContent || len(r.Cookies()) != 1 {
			t.Fatalf("%s: pairing got %d", name, r.StatusCode)
		}
		out.cookie = r.Cookies()[0]
		made[name] = out
	}
	return made
}

// ask makes one request; host stands in place of the address, "" for the address.
func (d door) ask(t *testing.T, method, path, host string, headers map[string]string, body string) *http.Response {
	t.Helper()
	r, err := http.NewRequest(method, d.URL+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if r.Host = host; d.cookie != nil {
		r.AddCookie(d.cookie)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for name, value := range headers {
		r.Header.Set(name, value)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, DisableKeepAlives: true}}
	answer, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	if answer.StatusCode != http.StatusSwitchingProtocols && answer.Header.Get("Content-Type") != "text/event-stream" {
		if _, err := io.Copy(io.Discard, answer.Body); err != nil {
			t.Fatal(err)
		}
	}
	answer.Body.Close()
	return answer
}

// upgrade is what a browser adds to ask for a live socket (RFC 6455, 1.2).
func upgrade(headers map[string]string) map[string]string {
	all := map[string]string{"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13", "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ=="}
	for name, value := range headers {
		all[name] = value
	}
	return all
}

// Every way in, asked by everybody who is not the page, all with the cookie of a
// phone that holds the controls: that is what a browser would send along.
func TestStrangersOverRealSockets(t *testing.T) {
	for name, d := range doorsOf(t) {
		own := d.URL
		host := own[strings.Index(own, "//")+2:]
		scheme := own[:strings.Index(own, "//")]
		other := "http:"
		if scheme == "http:" {
			other = "https:"
		}
		const evil = "evil.example"
		cases := []struct {
			who, host                  string
			headers                    map[string]string
			page, socket, stream, post int
		}{
			{"the page", "", map[string]string{"Origin": own, "Sec-Fetch-Site": "same-origin"}, 200, 101, 200, 204},
			{"the page, of an older browser", "", map[string]string{"Origin": own}, 200, 101, 200, 204},
			{"no origin", "", nil, 200, 403, 200, 403}, // so ask the browser's own address line, and a stream of its own
			{"origin null", "", map[string]string{"Origin": "null"}, 200, 403, 403, 403},
			{"foreign origin", "", map[string]string{"Origin": "http://" + evil}, 200, 403, 403, 403},
			{"a form of another site", "", map[string]string{"Origin": "http://" + evil, "Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}, 200, 403, 403, 403},
			{"another port of this host", "", map[string]string{"Origin": scheme + "//127.0.0.1:1", "Sec-Fetch-Site": "same-site"}, 200, 403, 403, 403},
			{"another port, of an older browser", "", map[string]string{"Origin": scheme + "//127.0.0.1:1"}, 200, 403, 403, 403},
			{"another name of this host", "", map[string]string{"Origin": strings.Replace(own, "127.0.0.1", "localhost", 1)}, 200, 403, 403, 403},
			{"the other scheme", "", map[string]string{"Origin": other + "//" + host}, 200, 403, 403, 403},
			{"a rebound name", evil, map[string]string{"Origin": scheme + "//" + evil, "Sec-Fetch-Site": "same-origin"}, 421, 421, 421, 421},
			{"a rebound name with the port", evil + ":8470", map[string]string{"Origin": scheme + "//" + evil + ":8470"}, 421, 421, 421, 421},
			{"a rebound name without an origin", evil, nil, 421, 421, 421, 421},
			{"a name that only begins like ours", "localhost." + evil, map[string]string{"Origin": "http://localhost." + evil}, 421, 421, 421, 421},
		}
		for _, c := range cases {
			for way, asked := range map[string]struct{ got, want int }{
				"page":   {d.ask(t, "GET", "/send", c.host, c.headers, "").StatusCode, c.page},
				"socket": {d.ask(t, "GET", "/live?page=send", c.host, upgrade(c.headers), "").StatusCode, c.socket},
				"stream": {d.ask(t, "GET", "/events?page=send", c.host, c.headers, "").StatusCode, c.stream},
				"press":  {d.ask(t, "POST", "/dry-run", c.host, c.headers, "").StatusCode, c.post},
			} {
				if asked.got != asked.want {
					t.Errorf("%s, %s, %s: got %d, want %d", name, c.who, way, asked.got, asked.want)
				}
			}
		}
		if got := d.desk.Wishes(); len(got) != 2 {
			t.Errorf("%s: the desk got %q, want the page's own two", name, got)
		}
	}
}

// The cookie that pairs a phone is out of reach of scripts and of other sites, and
// over TLS of everything that is not this very host.
func TestCookieOverRealSockets(t *testing.T) {
	for name, d := range doorsOf(t) {
		c, secure := d.cookie, name == "TLS"
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" || c.Secure != secure || strings.HasPrefix(c.Name, "__Host-") != secure {
			t.Errorf("%s: cookie %s", name, c)
		}
	}
}

// What is larger than any press is cut off, before it is read.
func TestBodiesAreBoundedOverRealSockets(t *testing.T) {
	for name, d := range doorsOf(t) {
		origin := map[string]string{"Origin": d.URL}
		for path, want := range map[string]int{"/dry-run": 400, "/presets": 400, "/pair": 401} {
			if got := d.ask(t, "POST", path, "", origin, "name=x&code="+strings.Repeat("x", maxBody)).StatusCode; got != want {
				t.Errorf("%s, %s: got %d, want %d", name, path, got, want)
			}
		}
		if got := d.desk.Wishes(); len(got) != 0 {
			t.Errorf("%s: the desk got %q", name, got)
		}
	}
}
