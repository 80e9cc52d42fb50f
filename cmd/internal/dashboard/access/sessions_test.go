package access

import (
	"crypto/tls"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// browser is a paired phone of a test.
type browser struct {
	t      *testing.T
	door   *Door
	cookie *http.Cookie
}

func pairedBrowser(t *testing.T, d *Door) browser {
	t.Helper()
	return browser{t, d, pairedCookie(t, d)}
}

func (b browser) press() *http.Request {
	r := ask("POST", "10.0.0.7:5", nil, "Origin", "http://"+testHost)
	r.AddCookie(b.cookie)
	return r
}

func (b browser) who() Visitor {
	b.t.Helper()
	who, ok := b.door.Who(b.press())
	if !ok {
		b.t.Fatal("a paired phone is not known")
	}
	return who
}

// told takes what a watch has waiting.
func told(changed <-chan struct{}) bool {
	synctest.Wait()
	select {
	case <-changed:
		return true
	default:
		return false
	}
}

func TestFirstPhoneHoldsTheControlsAndOthersLookOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(testRules())
		if c := d.Controls(); c != (Controls{}) {
			t.Errorf("before anybody paired: %+v", c)
		}
		began := time.Now()
		first := pairedBrowser(t, d)
		time.Sleep(2 * time.Second)
		second := pairedBrowser(t, d)
		if a, b := first.who(), second.who(); !a.Operator || b.Operator || a.Name != "phone 1" || b.Name != "phone 2" || a.Program {
			t.Errorf("first %+v, second %+v", a, b)
		}
		c := d.Controls()
		want := Controls{Seq: c.Seq, Held: true, Holder: Phone{"phone 1", began, began}, Since: began, Viewers: 1}
		if c != want {
			t.Errorf("controls %+v, want %+v", c, want)
		}
		if no := d.RefuseToSteer(first.press()); no != nil {
			t.Errorf("the operator is refused: %+v", no)
		}
		no := d.RefuseToSteer(second.press())
		if no == nil || no.Status != http.StatusForbidden || !strings.HasPrefix(no.Sentence, "Phone 1 holds the controls") || !strings.Contains(no.Sentence, "Take over") {
			t.Errorf("a viewer's press: %+v, want it refused with who holds the controls and what to do", no)
		}
		if no := d.Refuse(second.press()); no != nil {
			t.Errorf("a viewer's safe roll back: %+v", no)
		}
	})
}

func TestTakingOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(testRules())
		first, second := pairedBrowser(t, d), pairedBrowser(t, d)
		changed, stop := d.Watch()
		defer stop()
		time.Sleep(time.Minute)
		if no := d.TakeOver(second.press()); no != nil {
			t.Fatalf("taking over: %+v", no)
		}
		if !told(changed) {
			t.Error("nobody was told")
		}
		c := d.Controls()
		if !second.who().Operator || first.who().Operator || c.Holder.Name != "phone 2" || c.From != "phone 1" || !c.Since.Equal(time.Now()) || c.Viewers != 1 {
			t.Errorf("after taking over: %+v", c)
		}
		if no := d.RefuseToSteer(first.press()); no == nil || !strings.HasPrefix(no.Sentence, "Phone 2 holds") {
			t.Errorf("the one before still steers: %+v", no)
		}
		told(changed) // that the first was heard is no news, yet it may have been
		since := c.Since
		time.Sleep(time.Second)
		if no := d.TakeOver(second.press()); no != nil || told(changed) || !d.Controls().Since.Equal(since) || d.Controls().From != "phone 1" {
			t.Errorf("taking over what one holds already changed something: %+v, %+v", no, d.Controls())
		}
	})
}

func TestTakingOverNeedsAPairedPhoneAndThePage(t *testing.T) {
	d := New(testRules())
	first, second := pairedBrowser(t, d), pairedBrowser(t, d)
	nowhere := second.press()
	nowhere.Header.Del("Origin")
	for name, r := range map[string]*http.Request{
		"a stranger":         ask("POST", "10.0.0.8:1", nil, "Origin", "http://"+testHost),
		"a press of no page": nowhere,
	} {
		if no := d.TakeOver(r); no == nil {
			t.Errorf("%s took over", name)
		}
	}
	if no := d.TakeOver(ask("POST", "127.0.0.1:1", nil, "Authorization", "Bearer "+testToken)); no != nil {
		t.Errorf("a program: %+v", no)
	}
	if c := d.Controls(); !first.who().Operator || c.Holder.Name != "phone 1" || c.From != "" {
		t.Errorf("controls %+v, want them where they were", c)
	}
}

func TestProgramsSteer(t *testing.T) {
	d := New(testRules())
	pairedCookie(t, d)
	r := ask("POST", "127.0.0.1:1", nil, "Authorization", "Bearer "+testToken)
	if who, ok := d.Who(r); !ok || !who.Program || !who.Operator || !who.Until.IsZero() || d.RefuseToSteer(r) != nil {
		t.Errorf("a program is %+v, %v", who, ok)
	}
}

// A holder that is not heard is offered for taking over, and everybody is told
// once, both when it falls silent and when it is heard again.
func TestSilentHolder(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(testRules())
		first, second := pairedBrowser(t, d), pairedBrowser(t, d)
		changed, stop := d.Watch()
		defer stop()
		for range 100 {
			time.Sleep(time.Second)
			first.door.Heard(first.press())
		}
		if told(changed) || d.Controls().Silent {
			t.Error("a holder that is heard every second counts as silent, or is news")
		}
		time.Sleep(SilentAfter - time.Millisecond)
		first.who() // asking who somebody is does not hear of them
		if d.Refuse(second.press()) != nil || told(changed) || d.Controls().Silent {
			t.Error("silent too early")
		}
		time.Sleep(time.Millisecond)
		if !told(changed) || !d.Controls().Silent {
			t.Error("nobody was told that the holder is silent")
		}
		seq := d.Controls().Seq
		if no := d.Refuse(first.press()); no != nil || d.Controls().Seq == seq {
			t.Errorf("%+v, at number %d as before", no, seq)
		}
		if !told(changed) || d.Controls().Silent {
			t.Error("nobody was told that the holder is back")
		}
		if c := d.Controls(); !c.Held || c.Holder.Name != "phone 1" {
			t.Errorf("silence took the controls away: %+v", c)
		}
	})
}

func TestControlsAreFreeWhenTheHoldersSessionEnds(t *testing.T) {
	ends := map[string]func(Visitor, browser){
		"by time":   func(v Visitor, _ browser) { time.Sleep(time.Until(v.Until)) },
		"by a wish": func(_ Visitor, b browser) { b.door.Unpair(httptest.NewRecorder(), b.press()) },
	}
	for name, end := range ends {
		synctest.Test(t, func(t *testing.T) {
			d := New(testRules())
			first := pairedBrowser(t, d)
			time.Sleep(time.Minute)
			second := pairedBrowser(t, d)
			changed, stop := d.Watch()
			defer stop()
			end(first.who(), first)
			if !told(changed) {
				t.Errorf("%s: nobody was told", name)
			}
			if _, ok := d.Who(first.press()); ok {
				t.Errorf("%s: the session goes on", name)
			}
			if c := d.Controls(); c.Held || c.From != "phone 1" || !c.Since.Equal(time.Now()) || c.Viewers != 1 {
				t.Errorf("%s: controls %+v, want nobody's", name, c)
			}
			if no := d.RefuseToSteer(second.press()); no == nil || !strings.HasPrefix(no.Sentence, "Nobody holds the controls") {
				t.Errorf("%s: a viewer's press: %+v", name, no)
			}
			if d.TakeOver(second.press()) != nil || !second.who().Operator {
				t.Errorf("%s: the viewer could not take over", name)
			}
		})
	}
}

func TestNextPhoneTakesControlsThatNobodyHolds(t *testing.T) {
	d := New(testRules())
	first := pairedBrowser(t, d)
	d.Unpair(httptest.NewRecorder(), first.press())
	if third := pairedBrowser(t, d).who(); !third.Operator || third.Name != "phone 2" {
		t.Errorf("%+v, want phone 2 with the controls", third)
	}
}

func TestUnpairingTakesTheCookieAway(t *testing.T) {
	d := New(testRules())
	b := pairedBrowser(t, d)
	w := httptest.NewRecorder()
	d.Unpair(w, b.press())
	cookies := w.Result().Cookies()
	if len(cookies) != 1 || cookies[0].Name != b.cookie.Name || cookies[0].MaxAge >= 0 || cookies[0].Value != "" {
		t.Errorf("cookies %+v, want the session's taken away", cookies)
	}
	if got := refused(d, b.press()); got != http.StatusUnauthorized {
		t.Errorf("the old cookie: got %d, want 401", got)
	}
	d.Unpair(httptest.NewRecorder(), ask("POST", "10.0.0.7:5", nil)) // a stranger's wish ends nothing
}

// Whoever scans the code again stays who he was; the old cookie is worth nothing.
func TestPairingAgainKeepsNameAndControls(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := New(testRules())
		first, second := pairedBrowser(t, d), pairedBrowser(t, d)
		time.Sleep(time.Minute)
		for _, b := range []browser{first, second} {
			was := b.who()
			r := ask("POST", "10.0.0.7:5", url.Values{"code": {testCode}}, "Origin", "http://"+testHost)
			r.AddCookie(b.cookie)
			w := httptest.NewRecorder()
			if no := d.Pair(w, r); no != nil {
				t.Fatalf("%+v", no)
			}
			if _, ok := d.Who(b.press()); ok {
				t.Error("the old cookie still counts")
			}
			b.cookie = w.Result().Cookies()[0]
			if is := b.who(); is.Name != was.Name || is.Operator != was.Operator || !is.Until.Equal(time.Now().Add(time.Hour)) || !is.Paired.Equal(was.Paired) {
				t.Errorf("was %+v, is %+v", was, is)
			}
		}
	})
}

func TestSessionsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s sessions
		holder := s.open("", time.Hour)
		time.Sleep(time.Second)
		oldest := s.open("", time.Hour)
		time.Sleep(time.Second)
		var last string
		for range maxSessions - 1 {
			last = s.open("", time.Hour)
		}
		if len(s.all) != maxSessions {
			t.Errorf("%d sessions kept, want %d", len(s.all), maxSessions)
		}
		for token, want := range map[string]bool{holder: true, oldest: false, last: true} {
			if _, ok := s.find(token); ok != want {
				t.Errorf("known %v, want %v: the holder stays, the oldest of the others goes", ok, want)
			}
		}
		time.Sleep(time.Hour)
		if s.controls(); len(s.all) != 0 {
			t.Errorf("%d sessions are kept after their end", len(s.all))
		}
	})
}

func TestStoppedWatchHearsNothing(t *testing.T) {
	var s sessions
	changed, stop := s.watch()
	stop()
	s.open("", time.Hour)
	select {
	case <-changed:
		t.Error("it was told")
	default:
	}
	if len(s.waiting) != 0 {
		t.Error("it is still kept")
	}
}

func TestCodesAndTokens(t *testing.T) {
	code := regexp.MustCompile(`^[A-HJKMNP-TV-Z0-9]{4}-[A-HJKMNP-TV-Z0-9]{4}$`)
	seen := map[string]bool{}
	for range 1000 {
		c, k := NewCode(), NewToken()
		if !code.MatchString(c) {
			t.Fatalf("pairing code %q has a letter that is mistaken for another", c)
		}
		if len(k) != 64 || seen[c] || seen[k] {
			t.Fatalf("code %q or token %q is short or came twice", c, k)
		}
		seen[c], seen[k] = true, true
	}
}

// Over TLS the cookie is bound to this very host by its name, and to TLS.
func TestCookieOverTLS(t *testing.T) {
	d := New(testRules())
	r := ask("POST", "10.0.0.3:1", url.Values{"code": {testCode}}, "Origin", "https://"+testHost)
	r.TLS = &tls.ConnectionState{}
	w := httptest.NewRecorder()
	if no := d.Pair(w, r); no != nil {
		t.Fatalf("%+v", no)
	}
	c := w.Result().Cookies()[0]
	if c.Name != "__Host-hushback_8080" || !c.Secure || c.Path != "/" || c.Domain != "" || !c.HttpOnly || c.SameSite != http.SameSiteStrictMode {
		t.Errorf("cookie %+v", c)
	}
	r.AddCookie(c)
	if got := refused(d, r); got != 0 {
		t.Errorf("over TLS: refused with %d", got)
	}
	if r.TLS = nil; refused(d, r) != http.StatusUnauthorized {
		t.Error("without TLS the cookie counts as well")
	}
}
