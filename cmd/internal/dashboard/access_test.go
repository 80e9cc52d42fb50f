package dashboard

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"hushback/control"
)

func TestUnpairedVisitorSeesOnlyThePairingPage(t *testing.T) {
	s, d := started(t, control.Drafted{DryRun: testDryRun()})
	stale := &http.Cookie{Name: "hushback_8080", Value: strings.Repeat("ab", 32)}
	for _, cookies := range [][]*http.Cookie{nil, {stale}} {
		for _, path := range []string{"/", "/state.json", "/live"} {
			for _, headers := range []map[string]string{fromForm(), fromScript()} {
				r := visit{method: "GET", path: path, headers: headers, cookies: cookies}.to(s)
				body := bodyOf(t, r)
				if r.StatusCode != http.StatusUnauthorized {
					t.Errorf("GET %s unpaired: got %d, want 401", path, r.StatusCode)
				}
				for _, secret := range []string{"Quarry", "rear stack", "plain-eight", "c-0007", testDryRun().Digest[:4]} {
					if strings.Contains(body, secret) {
						t.Errorf("GET %s unpaired tells %q", path, secret)
					}
				}
			}
		}
		for _, w := range wishes() {
			r := visit{method: "POST", path: w.path, form: w.form, headers: fromForm(), cookies: cookies}.to(s)
			if r.StatusCode != http.StatusUnauthorized {
				t.Errorf("POST %s unpaired: got %d, want 401", w.path, r.StatusCode)
			}
		}
	}
	if got := d.pressed(); len(got) != 0 {
		t.Errorf("unpaired presses reached the desk: %q", got)
	}
}

func TestPairing(t *testing.T) {
	cases := []struct {
		code string
		ok   bool
	}{
		{testCode, true}, {"k7qm2xwd", true}, {" K7QM 2XWD ", true},
		{"", false}, {"-", false}, {"K7QM-2XW", false}, {"K7QM-2XWDA", false}, {testToken, false},
	}
	for _, c := range cases {
		s, _ := started(t, control.Idle{})
		r := visit{method: "POST", path: "/pair", form: url.Values{"code": {c.code}}, headers: fromForm()}.to(s)
		if c.ok != (r.StatusCode == http.StatusSeeOther) || c.ok != (len(r.Cookies()) == 1) {
			t.Errorf("code %q: got %d with %d cookies, want ok=%v", c.code, r.StatusCode, len(r.Cookies()), c.ok)
		}
		if body := bodyOf(t, r); !c.ok && (r.StatusCode != http.StatusUnauthorized || !strings.Contains(body, "This is not the code")) {
			t.Errorf("code %q: got %d, want 401 and the reason", c.code, r.StatusCode)
		}
	}
}

func TestEmptySecretsLetNobodyIn(t *testing.T) {
	s := New(newFakeDesk(View{}), Access{Session: time.Hour})
	defer s.Close()
	for _, code := range []string{"", " ", "-"} {
		r := visit{method: "POST", path: "/pair", form: url.Values{"code": {code}}, headers: fromScript()}.to(s)
		if r.StatusCode != http.StatusUnauthorized {
			t.Errorf("code %q without a code: got %d, want 401", code, r.StatusCode)
		}
	}
	for _, header := range []string{"Bearer ", "Bearer", ""} {
		r := visit{method: "GET", path: "/state.json", from: "127.0.0.1:1", headers: map[string]string{"Authorization": header}}.to(s)
		if r.StatusCode != http.StatusUnauthorized {
			t.Errorf("%q without a token: got %d, want 401", header, r.StatusCode)
		}
	}
}

func TestSessionCookie(t *testing.T) {
	s, _ := started(t, control.Idle{})
	c := pairUp(t, s)[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.MaxAge != 3600 || len(c.Value) != 64 || c.Name != "hushback_8080" {
		t.Errorf("cookie %+v, want HttpOnly, SameSite=Strict, Path=/, one hour, 256 bits, named after the port", c)
	}
	if other := pairUp(t, s)[0]; other.Value == c.Value {
		t.Error("two pairings share a cookie")
	}
	for key := range s.sessions.until {
		if fmt.Sprintf("%x", key) == c.Value {
			t.Error("the cookie itself is kept in memory")
		}
	}
}

func TestSessionEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := started(t, control.Idle{})
		look := visit{method: "GET", path: "/", cookies: pairUp(t, s)}
		time.Sleep(time.Hour - time.Second)
		if r := look.to(s); r.StatusCode != http.StatusOK {
			t.Errorf("a second before the end: got %d, want 200", r.StatusCode)
		}
		time.Sleep(time.Second)
		if r := look.to(s); r.StatusCode != http.StatusUnauthorized {
			t.Errorf("at the end: got %d, want 401", r.StatusCode)
		}
	})
}

func TestSessionsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s sessions
		first := s.open(time.Hour)
		time.Sleep(time.Second)
		var last string
		for range maxSessions {
			last = s.open(time.Hour)
		}
		if len(s.until) != maxSessions {
			t.Errorf("%d sessions kept, want %d", len(s.until), maxSessions)
		}
		if _, ok := s.check(first); ok {
			t.Error("the oldest session outlived newer ones")
		}
		if _, ok := s.check(last); !ok {
			t.Error("the newest session was dropped")
		}
	})
}

func TestPairingIsRateLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, _ := started(t, control.Idle{})
		try := func(code, from string) int {
			return visit{method: "POST", path: "/pair", form: url.Values{"code": {code}}, headers: fromScript(), from: from}.to(s).StatusCode
		}
		for i := range attemptsPerMinute {
			if got := try("wrong", "10.0.0.9:1000"); got != http.StatusUnauthorized {
				t.Errorf("try %d: got %d, want 401", i+1, got)
			}
		}
		if got := try(testCode, "10.0.0.9:2000"); got != http.StatusTooManyRequests {
			t.Errorf("sixth try, right code: got %d, want 429", got)
		}
		if got := try(testCode, "10.0.0.10:1000"); got != http.StatusNoContent {
			t.Errorf("another address: got %d, want 204", got)
		}
		time.Sleep(time.Minute / attemptsPerMinute)
		if got := try(testCode, "10.0.0.9:3000"); got != http.StatusNoContent {
			t.Errorf("after twelve seconds: got %d, want 204", got)
		}
	})
}

func TestAttemptsFromEverywhereAreLimitedAndBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newAttempts()
		allowed := 0
		for i := range 5000 {
			if a.allow(fmt.Sprintf("10.%d.%d.1:9", i/250, i%250)) {
				allowed++
			}
		}
		if allowed != attemptsOfAll {
			t.Errorf("%d tries got through at once, want %d", allowed, attemptsOfAll)
		}
		if len(a.from) > maxAddresses {
			t.Errorf("%d addresses remembered, want at most %d", len(a.from), maxAddresses)
		}
		time.Sleep(2 * time.Minute)
		if !a.allow("10.99.99.99:9") {
			t.Error("nobody new may try, long after the flood")
		}
		if len(a.from) != 1 {
			t.Errorf("%d addresses remembered after all had their tries back, want 1", len(a.from))
		}
	})
}

func TestAddressBlocks(t *testing.T) {
	same := [][2]string{{"10.0.0.1:1", "10.0.0.1:2"}, {"[2001:db8::1]:1", "[2001:db8::ffff:1]:1"}, {"[::ffff:10.0.0.1]:1", "10.0.0.1:1"}, {"pipe", "nonsense"}}
	other := [][2]string{{"10.0.0.1:1", "10.0.0.2:1"}, {"[2001:db8:0:1::1]:1", "[2001:db8:0:2::1]:1"}}
	for _, p := range same {
		if addressBlock(p[0]) != addressBlock(p[1]) {
			t.Errorf("%s and %s count apart", p[0], p[1])
		}
	}
	for _, p := range other {
		if addressBlock(p[0]) == addressBlock(p[1]) {
			t.Errorf("%s and %s count as one", p[0], p[1])
		}
	}
}

func TestHosts(t *testing.T) {
	l := newHostList([]string{"rig.test", "10.0.0.5:8080", "[fd00::5]", "Box.Local:80", ""})
	for _, h := range []string{"localhost", "LOCALHOST:1", "127.0.0.1:8080", "127.9.9.9", "[::1]", "[::1]:8080", "rig.test", "rig.test:99", "RIG.test", "10.0.0.5:8080", "[fd00::5]:7", "[fd00::5]", "box.local:80"} {
		if !l.allow(h) {
			t.Errorf("%q refused, want it let in", h)
		}
	}
	for _, h := range []string{"", "evil.example", "evil.example:8080", "localhost.evil.example", "127.0.0.1.evil.example", "10.0.0.5", "10.0.0.5:81", "rig.test.evil", "box.local", "localhost:8080:1", "0.0.0.0", "2130706433"} {
		if l.allow(h) {
			t.Errorf("%q let in, want it refused", h)
		}
	}
}

func TestForeignHostIsRefusedEverywhere(t *testing.T) {
	s, d := started(t, control.Idle{})
	cookies := pairUp(t, s)
	for _, host := range []string{"evil.example", "evil.example:8080"} {
		// A rebound name: Host and Origin agree, the browser calls it same-origin.
		headers := map[string]string{"Origin": "http://" + host, "Sec-Fetch-Site": "same-origin", "Upgrade": "websocket", "Connection": "Upgrade"}
		for _, path := range []string{"/", "/style.css", "/state.json", "/live"} {
			if r := (visit{method: "GET", path: path, host: host, headers: headers, cookies: cookies}).to(s); r.StatusCode != http.StatusMisdirectedRequest {
				t.Errorf("GET %s from %s: got %d, want 421", path, host, r.StatusCode)
			}
		}
		for _, w := range append(wishes(), wish{path: "/pair", form: url.Values{"code": {testCode}}}) {
			if r := (visit{method: "POST", path: w.path, form: w.form, host: host, headers: headers, cookies: cookies}).to(s); r.StatusCode != http.StatusMisdirectedRequest {
				t.Errorf("POST %s from %s: got %d, want 421", w.path, host, r.StatusCode)
			}
		}
	}
	if got := d.pressed(); len(got) != 0 {
		t.Errorf("presses of a foreign host reached the desk: %q", got)
	}
}

func TestForeignPressesAreRefused(t *testing.T) {
	cases := map[string]map[string]string{
		"foreign origin":     {"Origin": "http://evil.example"},
		"null origin":        {"Origin": "null"},
		"other port":         {"Origin": "http://localhost:9999"},
		"cross site":         {"Sec-Fetch-Site": "cross-site"},
		"same site":          {"Sec-Fetch-Site": "same-site", "Origin": "http://localhost:9999"},
		"no sign of origin":  {},
		"token of a browser": {"Authorization": "Bearer " + testToken, "Origin": "http://evil.example"},
	}
	for name, headers := range cases {
		s, d := started(t, control.Idle{})
		cookies := pairUp(t, s)
		for _, w := range append(wishes(), wish{path: "/pair", form: url.Values{"code": {testCode}}}) {
			r := visit{method: "POST", path: w.path, form: w.form, headers: headers, cookies: cookies}.to(s)
			if r.StatusCode != http.StatusForbidden || len(r.Cookies()) != 0 {
				t.Errorf("%s: POST %s got %d, want 403", name, w.path, r.StatusCode)
			}
		}
		if got := d.pressed(); len(got) != 0 {
			t.Errorf("%s: presses reached the desk: %q", name, got)
		}
	}
}

func TestTokenCountsOnlyForProgramsOfThisMachine(t *testing.T) {
	bearer := func(token string, more ...string) map[string]string {
		h := map[string]string{"Authorization": "Bearer " + token}
		for i := 0; i+1 < len(more); i += 2 {
			h[more[i]] = more[i+1]
		}
		return h
	}
	cases := []struct {
		name, from string
		headers    map[string]string
		want       int
	}{
		{"here", "127.0.0.1:5", bearer(testToken), http.StatusOK},
		{"here, IPv6", "[::1]:5", bearer(testToken), http.StatusOK},
		{"another machine", "10.0.0.7:5", bearer(testToken), http.StatusUnauthorized},
		{"wrong token", "127.0.0.1:5", bearer(testToken + "x"), http.StatusUnauthorized},
		{"pairing code", "127.0.0.1:5", bearer(testCode), http.StatusUnauthorized},
		{"from a page", "127.0.0.1:5", bearer(testToken, "Origin", "http://"+testHost), http.StatusUnauthorized},
		{"other scheme", "127.0.0.1:5", map[string]string{"Authorization": "Basic " + testToken}, http.StatusUnauthorized},
	}
	for _, c := range cases {
		s, _ := started(t, control.Idle{})
		if r := (visit{method: "GET", path: "/state.json", from: c.from, headers: c.headers}).to(s); r.StatusCode != c.want {
			t.Errorf("%s: got %d, want %d", c.name, r.StatusCode, c.want)
		}
	}
}

func TestSocketsOriginIsStrict(t *testing.T) {
	cases := map[string]bool{
		"http://" + testHost: true, "https://" + testHost: true, "http://LOCALHOST:8080": true,
		"": false, "null": false, "http://localhost": false, "http://localhost:8081": false,
		"ftp://" + testHost: false, "http://evil.example": false, testHost: false, "http://" + testHost + ".evil.example": false,
	}
	for origin, want := range cases {
		r, err := http.NewRequest("GET", "http://"+testHost+"/live", nil)
		if err != nil {
			t.Fatal(err)
		}
		if origin != "" {
			r.Header.Set("Origin", origin)
		}
		if got := sameOrigin(r); got != want {
			t.Errorf("origin %q: got %v, want %v", origin, got, want)
		}
	}
	r := &http.Request{Host: testHost, Header: http.Header{"Origin": {"http://" + testHost, "http://evil.example"}}}
	if sameOrigin(r) {
		t.Error("two origins at once were let in")
	}
}
