package access

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

const (
	testHost  = "localhost:8080"
	testCode  = "K7QM-2XWD"
	testToken = "a-token-of-this-test"
)

func testRules() Rules {
	return Rules{Code: testCode, AgentToken: testToken, Hosts: []string{"rig.test"}, Session: time.Hour}
}

// ask is a request as it reaches the door. from is its remote address, header
// names and values in turn.
func ask(method, from string, form url.Values, header ...string) *http.Request {
	r := httptest.NewRequest(method, "/", strings.NewReader(form.Encode()))
	r.Host, r.RemoteAddr = testHost, from
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Add(header[i], header[i+1])
	}
	return r
}

// pairs tries a code as the page's own form does; status 0 is that it paired.
func pairs(d *Door, code, from string) (status int, answer *http.Response) {
	w := httptest.NewRecorder()
	if no := d.Pair(w, ask("POST", from, url.Values{"code": {code}}, "Origin", "http://"+testHost)); no != nil {
		status = no.Status
	}
	return status, w.Result()
}

func pairedCookie(t *testing.T, d *Door) *http.Cookie {
	t.Helper()
	status, answer := pairs(d, testCode, "10.0.0.3:1")
	if status != 0 || len(answer.Cookies()) != 1 {
		t.Fatalf("pairing: refused with %d, %d cookies", status, len(answer.Cookies()))
	}
	return answer.Cookies()[0]
}

// refused is the status of a refusal, 0 of none.
func refused(d *Door, r *http.Request) int {
	if no := d.Refuse(r); no != nil {
		return no.Status
	}
	return 0
}

func TestPairingNeedsTheCode(t *testing.T) {
	for code, want := range map[string]int{
		testCode: 0, "k7qm2xwd": 0, " K7QM 2XWD ": 0,
		"": 401, "-": 401, "K7QM-2XW": 401, "K7QM-2XWDA": 401, testToken: 401,
	} {
		status, answer := pairs(New(testRules()), code, "10.0.0.3:1")
		if status != want || (want == 0) != (len(answer.Cookies()) == 1) {
			t.Errorf("code %q: refused with %d, %d cookies, want %d", code, status, len(answer.Cookies()), want)
		}
	}
}

func TestPairingTellsWhereItComesFrom(t *testing.T) {
	w := httptest.NewRecorder()
	no := New(testRules()).Pair(w, ask("POST", "10.0.0.3:1", url.Values{"code": {testCode}}))
	if no == nil || no.Status != http.StatusForbidden || len(w.Result().Cookies()) != 0 {
		t.Errorf("a press from nowhere paired: %+v", no)
	}
}

func TestZeroRulesLetNobodyIn(t *testing.T) {
	for _, rules := range []Rules{{}, {Session: time.Hour}} {
		d := New(rules)
		for _, code := range []string{"", " ", "-"} {
			if status, _ := pairs(d, code, "10.0.0.3:1"); status != http.StatusUnauthorized {
				t.Errorf("code %q without a code: refused with %d, want 401", code, status)
			}
		}
		for _, header := range []string{"Bearer ", "Bearer", ""} {
			if got := refused(d, ask("GET", "127.0.0.1:1", nil, "Authorization", header)); got != http.StatusUnauthorized {
				t.Errorf("%q without a token: got %d, want 401", header, got)
			}
		}
	}
}

func TestSessionCookie(t *testing.T) {
	d := New(testRules())
	c := pairedCookie(t, d)
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.MaxAge != 3600 || len(c.Value) != 64 || c.Name != "hushback_8080" {
		t.Errorf("cookie %+v, want HttpOnly, SameSite=Strict, Path=/, one hour, 256 bits, named after the port", c)
	}
	if other := pairedCookie(t, d); other.Value == c.Value {
		t.Error("two pairings share a cookie")
	}
	for key := range d.sessions.all {
		if fmt.Sprintf("%x", key) == c.Value {
			t.Error("the cookie itself is kept in memory")
		}
	}
}

func TestSessionEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(testRules())
		began := time.Now()
		r := ask("GET", "10.0.0.3:1", nil)
		r.AddCookie(pairedCookie(t, d))
		if who, ok := d.Who(r); !ok || !who.Until.Equal(began.Add(time.Hour)) {
			t.Errorf("let in %v until %v, want for an hour", ok, who.Until)
		}
		time.Sleep(time.Hour - time.Second)
		if got := refused(d, r); got != 0 {
			t.Errorf("a second before the end: refused with %d", got)
		}
		time.Sleep(time.Second)
		if got := refused(d, r); got != http.StatusUnauthorized {
			t.Errorf("at the end: got %d, want 401", got)
		}
	})
}

// Each who asks, with each method: who may look, who may press.
func TestWhoMayLookAndPress(t *testing.T) {
	d := New(testRules())
	cookie := pairedCookie(t, d)
	paired := []string{"Cookie", cookie.Name + "=" + cookie.Value}
	origin := []string{"Origin", "http://" + testHost}
	bearer := []string{"Authorization", "Bearer " + testToken}
	with := func(headers ...[]string) (all []string) {
		for _, h := range headers {
			all = append(all, h...)
		}
		return all
	}
	cases := []struct {
		who, from   string
		header      []string
		look, press int
	}{
		{"stranger", "10.0.0.7:5", origin, 401, 401},
		{"paired, from the page", "10.0.0.7:5", with(paired, origin), 0, 0},
		{"paired, from nowhere", "10.0.0.7:5", paired, 0, 403},
		{"paired, by fetch metadata", "10.0.0.7:5", with(paired, []string{"Sec-Fetch-Site", "same-origin"}), 0, 0},
		{"paired, from another port", "10.0.0.7:5", with(paired, []string{"Origin", "http://localhost:8081"}), 0, 403},
		{"paired, by another scheme", "10.0.0.7:5", with(paired, []string{"Origin", "https://" + testHost}), 0, 403},
		{"paired, from another site", "10.0.0.7:5", with(paired, []string{"Sec-Fetch-Site", "cross-site"}), 0, 403},
		{"made-up cookie", "10.0.0.7:5", with([]string{"Cookie", cookie.Name + "=" + strings.Repeat("ab", 32)}, origin), 401, 401},
		{"cookie of another port", "10.0.0.7:5", with([]string{"Cookie", "hushback_8081=" + cookie.Value}, origin), 401, 401},
		{"program", "127.0.0.1:5", bearer, 0, 0},
		{"program, IPv6", "[::1]:5", bearer, 0, 0},
		{"program of another machine", "10.0.0.7:5", bearer, 401, 401},
		{"token in a browser", "127.0.0.1:5", with(bearer, origin), 401, 401},
		{"wrong token", "127.0.0.1:5", []string{"Authorization", "Bearer " + testToken + "x"}, 401, 401},
		{"other scheme", "127.0.0.1:5", []string{"Authorization", "Basic " + testToken}, 401, 401},
	}
	for _, c := range cases {
		if got := refused(d, ask("GET", c.from, nil, c.header...)); got != c.look {
			t.Errorf("%s looks: got %d, want %d", c.who, got, c.look)
		}
		if got := refused(d, ask("POST", c.from, nil, c.header...)); got != c.press {
			t.Errorf("%s presses: got %d, want %d", c.who, got, c.press)
		}
	}
}

func TestPairingIsRateLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(testRules())
		for i := range attemptsPerMinute {
			if got, _ := pairs(d, "wrong", "10.0.0.9:1000"); got != http.StatusUnauthorized {
				t.Errorf("try %d: got %d, want 401", i+1, got)
			}
		}
		got, answer := pairs(d, testCode, "10.0.0.9:2000")
		if got != http.StatusTooManyRequests || answer.Header.Get("Retry-After") != "60" {
			t.Errorf("sixth try, right code: got %d, want 429 and when to come back", got)
		}
		if got, _ := pairs(d, testCode, "10.0.0.10:1000"); got != 0 {
			t.Errorf("another address: refused with %d", got)
		}
		time.Sleep(time.Minute / attemptsPerMinute)
		if got, _ := pairs(d, testCode, "10.0.0.9:3000"); got != 0 {
			t.Errorf("after twelve seconds: refused with %d", got)
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
	d := New(Rules{Hosts: []string{"rig.test", "10.0.0.5:8080", "[fd00::5]", "Box.Local:80", ""}})
	for _, h := range []string{"localhost", "LOCALHOST:1", "127.0.0.1:8080", "127.9.9.9", "[::1]", "[::1]:8080", "rig.test", "rig.test:99", "RIG.test", "10.0.0.5:8080", "[fd00::5]:7", "[fd00::5]", "box.local:80"} {
		if !d.Knows(h) {
			t.Errorf("%q refused, want it let in", h)
		}
	}
	for _, h := range []string{"", "evil.example", "evil.example:8080", "localhost.evil.example", "127.0.0.1.evil.example", "10.0.0.5", "10.0.0.5:81", "rig.test.evil", "box.local", "localhost:8080:1", "0.0.0.0", "2130706433"} {
		if d.Knows(h) {
			t.Errorf("%q let in, want it refused", h)
		}
	}
}
