package dashboard

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

func TestUnpairedVisitorSeesOnlyThePairingPage(t *testing.T) {
	s, d := started(t, control.Drafted{DryRun: desktest.DryRun()})
	stale := &http.Cookie{Name: "hushback_8080", Value: strings.Repeat("ab", 32)}
	for _, cookies := range [][]*http.Cookie{nil, {stale}} {
		for _, path := range []string{"/", "/state.json", "/live?page=send"} {
			for _, headers := range []map[string]string{fromForm(), fromScript()} {
				r := visit{method: "GET", path: path, headers: headers, cookies: cookies}.to(s)
				body := bodyOf(t, r)
				if r.StatusCode != http.StatusUnauthorized {
					t.Errorf("GET %s unpaired: got %d, want 401", path, r.StatusCode)
				}
				for _, secret := range []string{"Quarry", "rear stack", "plain-eight", "c-0007", desktest.DryRun().Digest[:4]} {
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
	if got := d.Wishes(); len(got) != 0 {
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

func TestForeignHostIsRefusedEverywhere(t *testing.T) {
	s, d := started(t, control.Idle{})
	cookies := pairUp(t, s)
	for _, host := range []string{"evil.example", "evil.example:8080"} {
		// A rebound name: Host and Origin agree, the browser calls it same-origin.
		headers := map[string]string{"Origin": "http://" + host, "Sec-Fetch-Site": "same-origin", "Upgrade": "websocket", "Connection": "Upgrade"}
		for _, path := range []string{"/", "/style.css", "/state.json", "/live?page=send"} {
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
	if got := d.Wishes(); len(got) != 0 {
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
		if got := d.Wishes(); len(got) != 0 {
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
