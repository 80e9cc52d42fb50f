package dashboard

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"

	"hushback/cmd/internal/dashboard/access"
	"hushback/cmd/internal/desk"
	"hushback/control"
)

// One phone presses, the others look on: all they may do is go back to safe.
func TestOnlyTheHolderOfTheControlsPresses(t *testing.T) {
	s, d := started(t, control.Idle{})
	first, second := pairUp(t, s), pairUp(t, s)
	post := func(path string, form url.Values, who []*http.Cookie) (int, string) {
		r := visit{method: "POST", path: path, form: form, headers: fromScript(), cookies: who}.to(s)
		return r.StatusCode, strings.TrimSpace(bodyOf(t, r))
	}
	for _, w := range wishes() {
		code, said := post(w.path, w.form, second)
		if w.path == "/safe" {
			if code != http.StatusNoContent || !slices.Equal(d.Wishes(), []string{"safe"}) {
				t.Errorf("a viewer's roll back to safe: got %d, the desk %q", code, d.Wishes())
			}
			continue
		}
		if code != http.StatusForbidden || !strings.HasPrefix(said, "Phone 1 holds the controls") || !strings.Contains(said, "Take over first") {
			t.Errorf("a viewer's %s: got %d %q, want 403, who holds the controls and the way to them", w.path, code, said)
		}
	}
	if got := d.Wishes(); !slices.Equal(got, []string{"safe"}) {
		t.Errorf("a viewer's presses reached the desk: %q", got)
	}
	if code, said := post("/take-over", nil, second); code != http.StatusNoContent {
		t.Fatalf("taking over: %d %s", code, said)
	}
	if code, said := post("/dry-run", url.Values{}, second); code != http.StatusNoContent {
		t.Errorf("after taking over: %d %s", code, said)
	}
	if code, said := post("/dry-run", url.Values{}, first); code != http.StatusForbidden || !strings.HasPrefix(said, "Phone 2 holds the controls") {
		t.Errorf("the one before: %d %s", code, said)
	}
	if code, said := post("/safe", url.Values{}, first); code != http.StatusNoContent {
		t.Errorf("the one before goes back to safe: %d %s", code, said)
	}
}

// Without a script the same, by forms: the refusal stands on the page, with the
// button that takes over.
func TestRolesByForms(t *testing.T) {
	s, d := started(t, control.Idle{})
	pairUp(t, s)
	second := pairUp(t, s)
	form := func(path string) *http.Response {
		return visit{method: "POST", path: path, form: url.Values{}, headers: fromForm(), cookies: second}.to(s)
	}
	r := form("/dry-run")
	if body := bodyOf(t, r); r.StatusCode != http.StatusForbidden || !strings.Contains(body, "Phone 1 holds the controls, so this press was not taken") || !strings.Contains(body, `action="/take-over"`) {
		t.Errorf("got %d, %s", r.StatusCode, body)
	}
	if r := form("/take-over"); r.StatusCode != http.StatusSeeOther || !strings.HasPrefix(r.Header.Get("Location"), "/") {
		t.Errorf("taking over: %d", r.StatusCode)
	}
	if r := form("/dry-run"); r.StatusCode != http.StatusSeeOther || !slices.Equal(d.Wishes(), []string{"dry run"}) {
		t.Errorf("after it: %d, the desk %q", r.StatusCode, d.Wishes())
	}
	if r := form("/unpair"); r.StatusCode != http.StatusSeeOther || len(r.Cookies()) != 1 || r.Cookies()[0].MaxAge >= 0 {
		t.Errorf("unpairing: %d with %+v", r.StatusCode, r.Cookies())
	}
	if r := form("/dry-run"); r.StatusCode != http.StatusUnauthorized {
		t.Errorf("an unpaired phone's press: %d", r.StatusCode)
	}
}

// Every open page hears of it when the controls change hands, whichever way it
// follows.
func TestOpenPagesAreToldWhoHoldsTheControls(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		first := r.dial(t)
		defer first.Close()
		other := r
		other.cookies = pairUp(t, r.Server)
		second := other.dial(t)
		defer second.Close()
		shows := func(w wire, wants ...string) {
			t.Helper()
			html := take(t, w).Sections["controls"]
			if !strings.Contains(html, wants[0]) {
				html = take(t, w).Sections["controls"] // the one before was that another phone paired
			}
			for _, want := range wants {
				if !strings.Contains(html, want) {
					t.Errorf("no %q in %q", want, html)
				}
			}
		}
		shows(first, "You hold the controls")
		shows(second, "Phone 1 holds the controls", "You look on")
		if got := (visit{method: "POST", path: "/take-over", headers: fromScript(), cookies: other.cookies}).to(r.Server).StatusCode; got != http.StatusNoContent {
			t.Fatalf("taking over: %d", got)
		}
		shows(first, "Phone 2 holds the controls", "Phone 2 took them over from you")
		shows(second, "You hold the controls", "You took them over from phone 1")

		// The new holder's page goes away: the other is told that it is not heard.
		over := beating(first, -1)
		heard := make(chan string, 100)
		go func() {
			for {
				text, err := first.read()
				if err != nil {
					close(heard)
					return
				}
				if strings.Contains(string(text), "controls") {
					heard <- string(text)
				}
			}
		}()
		time.Sleep(access.SilentAfter + time.Second)
		synctest.Wait()
		select {
		case text := <-heard:
			if !strings.Contains(text, "is not heard") || !strings.Contains(text, "If you lead now, take over.") {
				t.Errorf("told %q", text)
			}
		default:
			t.Error("nobody was told that the holder is not heard")
		}
		first.Close()
		<-over
	})
}

// Whoever is unpaired sees nothing more, although the page is open.
func TestUnpairingEndsTheLivePage(t *testing.T) {
	inBubble(t, func(t *testing.T, r rig) {
		c := r.dial(t)
		seq := take(t, c).Seq
		if got := (visit{method: "POST", path: "/unpair", headers: fromScript(), cookies: r.cookies}).to(r.Server).StatusCode; got != http.StatusNoContent {
			t.Fatalf("unpairing: %d", got)
		}
		r.desk.Show(func(v *desk.View) { v.Notice = "A secret." })
		for {
			text, err := c.read()
			if strings.Contains(string(text), "secret") {
				t.Error("an unpaired phone is shown what goes on")
			}
			if err == nil {
				continue
			}
			if end := (*websocket.CloseError)(nil); !errors.As(err, &end) || end.Code != closeExpired {
				t.Errorf("ended with %v after picture %d, want code %d", err, seq, closeExpired)
			}
			break
		}
		c.Close()
	})
}
