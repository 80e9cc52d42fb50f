package dashboard

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

const (
	testHost  = "localhost:8080"
	testCode  = "K7QM-2XWD"
	testToken = "a-token-of-this-test"
)

func testAccess() access.Rules {
	return access.Rules{Code: testCode, AgentToken: testToken, Hosts: []string{"rig.test", "10.0.0.5:8080"}, Session: time.Hour}
}

// visit is one request, sent straight to the handler.
type visit struct {
	method, path string
	form         url.Values
	body         string // instead of a form
	host         string // testHost if empty
	from         string // remote address
	headers      map[string]string
	cookies      []*http.Cookie
	ctx          context.Context
}

func (v visit) to(s http.Handler) *http.Response {
	var body io.Reader
	if v.form != nil {
		body = strings.NewReader(v.form.Encode())
	} else if v.body != "" {
		body = strings.NewReader(v.body)
	}
	if v.ctx == nil {
		v.ctx = context.Background()
	}
	r := httptest.NewRequestWithContext(v.ctx, v.method, v.path, body)
	r.Host = testHost
	if v.host != "" {
		r.Host = v.host
	}
	if v.from != "" {
		r.RemoteAddr = v.from
	}
	if v.form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for k, h := range v.headers {
		r.Header.Set(k, h)
	}
	for _, c := range v.cookies {
		r.AddCookie(c)
	}
	w := httptest.NewRecorder()
	s.ServeHTTP(w, r)
	return w.Result()
}

// fromForm and fromScript are the headers a browser sends with a plain form
// and with fetch.
func fromForm() map[string]string {
	return map[string]string{"Origin": "http://" + testHost, "Sec-Fetch-Site": "same-origin", "Accept": "text/html,*/*"}
}

func fromScript() map[string]string {
	return map[string]string{"Origin": "http://" + testHost, "Sec-Fetch-Site": "same-origin", "Accept": "text/plain"}
}

func bodyOf(t *testing.T, r *http.Response) string {
	t.Helper()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func pairUp(t *testing.T, s *Server) []*http.Cookie {
	t.Helper()
	r := visit{method: "POST", path: "/pair", form: url.Values{"code": {testCode}}, headers: fromScript()}.to(s)
	if r.StatusCode != http.StatusNoContent || len(r.Cookies()) != 1 {
		t.Fatalf("pairing: got %d with %d cookies, want 204 with 1: %s", r.StatusCode, len(r.Cookies()), bodyOf(t, r))
	}
	return r.Cookies()
}

func started(t *testing.T, state control.State) (*Server, *desktest.Desk) {
	t.Helper()
	d := desktest.New(desktest.View(state))
	s := New(d, testAccess())
	t.Cleanup(s.Close)
	return s, d
}

type wish struct {
	path string
	form url.Values
	want string // what the desk must record
}

func wishes() []wish {
	digest := desktest.DryRun().Digest
	return []wish{
		{"/safe-preset", url.Values{}, "store safe"},
		{"/dry-run", url.Values{}, "dry run"},
		{"/confirm", url.Values{"digest": {digest}}, "confirm " + digest},
		{"/keep", url.Values{"change": {"c-0008"}}, "keep c-0008"},
		{"/roll-back", url.Values{"change": {"c-0008"}}, "roll back c-0008"},
		{"/safe", url.Values{}, "safe"},
		{"/accept", url.Values{}, "accept"},
		{"/put-back", url.Values{}, "put back"},
		{"/presets", url.Values{"name": {"evening"}}, "save preset evening"},
		{"/correct", url.Values{}, "correct"},
		{"/as-designed", url.Values{}, "as designed"},
		{"/placed", url.Values{"microphone": {"stage door"}}, "placed stage door"},
		{"/use-as-safe", url.Values{"name": {"evening, quiet"}}, "use as safe evening, quiet"},
		{"/dry-run-preset", url.Values{"name": {"evening, quiet"}}, "dry run preset evening, quiet"},
	}
}

func TestEveryPressReachesTheDeskOnce(t *testing.T) {
	for _, w := range wishes() {
		for kind, headers := range map[string]map[string]string{"form": fromForm(), "script": fromScript()} {
			s, d := started(t, control.Idle{})
			r := visit{method: "POST", path: w.path, form: w.form, headers: headers, cookies: pairUp(t, s)}.to(s)
			if got := d.Wishes(); !slices.Equal(got, []string{w.want}) {
				t.Errorf("%s by %s: desk got %q, want one %q", w.path, kind, got, w.want)
			}
			want := map[string]int{"form": http.StatusSeeOther, "script": http.StatusNoContent}[kind]
			if r.StatusCode != want {
				t.Errorf("%s by %s: got %d, want %d", w.path, kind, r.StatusCode, want)
			}
			name, place, _ := strings.Cut(strings.TrimPrefix(r.Header.Get("Location"), "/"), "#")
			page, known := pages.Find(name)
			if kind == "form" && (!known || !slices.Contains(page.Parts(), place)) {
				t.Errorf("%s by form: sent on to %q, want a part of a page", w.path, r.Header.Get("Location"))
			}
		}
	}
}

func TestProgramPressesWithItsToken(t *testing.T) {
	for _, w := range wishes() {
		s, d := started(t, control.Idle{})
		v := visit{method: "POST", path: w.path, form: w.form, from: "127.0.0.1:5555", headers: map[string]string{"Authorization": "Bearer " + testToken}}
		if r := v.to(s); r.StatusCode != http.StatusNoContent {
			t.Errorf("%s by token: got %d, want 204", w.path, r.StatusCode)
		}
		if got := d.Wishes(); !slices.Equal(got, []string{w.want}) {
			t.Errorf("%s by token: desk got %q, want one %q", w.path, got, w.want)
		}
	}
}

func TestRefusalIsSaidOnThePageAndToTheScript(t *testing.T) {
	const why = "the dry run changed <since> it was shown"
	for _, w := range wishes() {
		s, d := started(t, control.Idle{})
		d.Refuse(why)
		cookies := pairUp(t, s)
		r := visit{method: "POST", path: w.path, form: w.form, headers: fromScript(), cookies: cookies}.to(s)
		if body := bodyOf(t, r); r.StatusCode != http.StatusConflict || strings.TrimSpace(body) != "Refused: "+why {
			t.Errorf("%s by script: got %d %q, want 409 and the sentence", w.path, r.StatusCode, body)
		}
		r = visit{method: "POST", path: w.path, form: w.form, headers: fromForm(), cookies: cookies}.to(s)
		body := bodyOf(t, r)
		if r.StatusCode != http.StatusConflict || !strings.Contains(body, "the dry run changed &lt;since&gt; it was shown") {
			t.Errorf("%s by form: got %d without the escaped sentence, want 409 with it", w.path, r.StatusCode)
		}
		if !strings.Contains(body, `id="safe-button"`) {
			t.Errorf("%s by form: the refusal's page has no way back", w.path)
		}
	}
}

func TestPressThatNamesNothingIsRefusedWithoutTheDesk(t *testing.T) {
	for _, path := range []string{"/confirm", "/keep", "/roll-back", "/presets", "/dry-run-preset"} {
		s, d := started(t, control.Idle{})
		r := visit{method: "POST", path: path, form: url.Values{}, headers: fromScript(), cookies: pairUp(t, s)}.to(s)
		if r.StatusCode != http.StatusConflict || len(d.Wishes()) != 0 {
			t.Errorf("%s without a name: got %d and %d presses, want 409 and none", path, r.StatusCode, len(d.Wishes()))
		}
	}
}

// A phone loses the answer and presses again.
func TestRepeatedPressIsNoMistake(t *testing.T) {
	digest := desktest.DryRun().Digest
	cases := []struct {
		path  string
		form  url.Values
		after control.State
	}{
		{"/confirm", url.Values{"digest": {digest}}, control.Sending{Change: "c-0008"}},
		{"/keep", url.Values{"change": {"c-0008"}}, control.Kept{Change: "c-0008"}},
		{"/roll-back", url.Values{"change": {"c-0008"}}, control.RolledBack{Change: "c-0008"}},
	}
	for _, c := range cases {
		s, d := started(t, control.Drafted{DryRun: desktest.DryRun()})
		again := visit{method: "POST", path: c.path, form: c.form, headers: fromScript(), cookies: pairUp(t, s)}
		if r := again.to(s); r.StatusCode != http.StatusNoContent {
			t.Fatalf("%s: got %d, want 204", c.path, r.StatusCode)
		}
		d.Refuse("already used")
		if r := again.to(s); r.StatusCode != http.StatusConflict {
			t.Errorf("%s refused before it took effect: got %d, want 409", c.path, r.StatusCode)
		}
		d.Show(func(v *desk.View) { v.State = c.after })
		if r := again.to(s); r.StatusCode != http.StatusNoContent {
			t.Errorf("%s repeated after it took effect: got %d, want 204", c.path, r.StatusCode)
		}
	}
}

func TestRepeatOfAnotherChangeIsRefused(t *testing.T) {
	s, d := started(t, control.Kept{Change: "c-0008"})
	d.Refuse("no such change is held")
	cookies := pairUp(t, s)
	for path, form := range map[string]url.Values{"/keep": {"change": {"c-0007"}}, "/roll-back": {"change": {"c-0008"}}, "/confirm": {"digest": {"beef"}}} {
		if r := (visit{method: "POST", path: path, form: form, headers: fromScript(), cookies: cookies}).to(s); r.StatusCode != http.StatusConflict {
			t.Errorf("%s %v: got %d, want 409", path, form, r.StatusCode)
		}
	}
}

func TestPhoneThatDropsOffHasPressedAllTheSame(t *testing.T) {
	s, d := started(t, control.Idle{})
	gone, cancel := context.WithCancel(context.Background())
	cookies := pairUp(t, s)
	cancel()
	visit{method: "POST", path: "/safe", form: url.Values{}, headers: fromScript(), cookies: cookies, ctx: gone}.to(s)
	if got := d.Wishes(); !slices.Equal(got, []string{"safe"}) {
		t.Errorf("desk got %q, want the safe roll back", got)
	}
}

func TestGetChangesNothing(t *testing.T) {
	s, d := started(t, control.Held{Change: "c-0008", KeepBy: desktest.Time})
	cookies := pairUp(t, s)
	paths := []string{"/", "/state.json", "/style.css", "/live.js", "/pair", "/live?page=send"}
	for _, w := range wishes() {
		paths = append(paths, w.path, w.path+"?"+w.form.Encode())
	}
	for _, path := range paths {
		for _, method := range []string{"GET", "HEAD", "OPTIONS"} {
			visit{method: method, path: path, headers: fromForm(), cookies: cookies}.to(s)
		}
	}
	if got := d.Wishes(); len(got) != 0 {
		t.Errorf("reading pressed %q", got)
	}
}

func TestHeadersOfEveryAnswer(t *testing.T) {
	s, _ := started(t, control.Idle{})
	answers := map[string]*http.Response{
		"pairing page": visit{method: "GET", path: "/", headers: fromForm()}.to(s),
		"page":         visit{method: "GET", path: "/", cookies: pairUp(t, s)}.to(s),
		"style":        visit{method: "GET", path: "/style.css"}.to(s),
		"foreign host": visit{method: "GET", path: "/", host: "evil.example"}.to(s),
		"nothing":      visit{method: "GET", path: "/nothing"}.to(s),
	}
	want := map[string]string{
		"Content-Security-Policy": "frame-ancestors 'none'", "X-Content-Type-Options": "nosniff",
		"Referrer-Policy": "same-origin", "Cache-Control": "no-store",
	}
	for name, r := range answers {
		for header, value := range want {
			if got := r.Header.Get(header); !strings.Contains(got, value) {
				t.Errorf("%s: %s is %q, want %q in it", name, header, got, value)
			}
		}
		if csp := r.Header.Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'self';") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q lets more than our own files in", name, csp)
		}
	}
}

func TestOversizedPressIsRefused(t *testing.T) {
	s, d := started(t, control.Idle{})
	long := url.Values{"digest": {strings.Repeat("a", maxBody+1)}}
	r := visit{method: "POST", path: "/confirm", form: long, headers: fromScript(), cookies: pairUp(t, s)}.to(s)
	if r.StatusCode != http.StatusBadRequest || len(d.Wishes()) != 0 {
		t.Errorf("got %d and %d presses, want 400 and none", r.StatusCode, len(d.Wishes()))
	}
}
