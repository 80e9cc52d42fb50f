package dashboard

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/dossier"
	"hushback/control"
)

// picturesIn names a folder; when set, the test leaves screenshots there for people.
const picturesIn = "HUSHTEST_PICTURES"

func TestPastIsForThoseWhoArePaired(t *testing.T) {
	s, d := started(t, control.Idle{})
	past := desktest.Past()
	d.Remember(past...)
	cookies := pairUp(t, s)
	for path, want := range map[string]struct {
		status int
		says   string
	}{
		"/log/" + past[1].Change:             {http.StatusOK, "Refuted then"},
		"/log/" + past[1].Change + ".json":   {http.StatusOK, dossier.Format},
		"/log/all":                           {http.StatusOK, past[3].Change},
		"/log":                               {http.StatusOK, past[0].Change},
		"/log/20010101-000000.000-00000000":  {http.StatusNotFound, "Nothing is kept of this change"},
		"/log/20010101-000000.000-0000.json": {http.StatusNotFound, "Nothing is kept of this change"},
		"/log/..%2fhushback.db":              {http.StatusNotFound, "Nothing is kept of this change"},
	} {
		for _, paired := range []bool{true, false} {
			v := visit{method: "GET", path: path, headers: map[string]string{"Accept": "text/html"}}
			if paired {
				v.cookies = cookies
			}
			r := v.to(s)
			body := bodyOf(t, r)
			if paired && (r.StatusCode != want.status || !strings.Contains(body, want.says)) {
				t.Errorf("%s: %d, want %d and %q", path, r.StatusCode, want.status, want.says)
			}
			if !paired && (r.StatusCode != http.StatusUnauthorized || strings.Contains(body, past[1].Job)) {
				t.Errorf("%s unpaired: %d, %.200s", path, r.StatusCode, body)
			}
		}
	}
	if got := d.Wishes(); len(got) != 0 {
		t.Errorf("looking reached the desk: %q", got)
	}
}

// What is handed out is the dossier, for programs with the token too.
func TestDossierIsHandedOut(t *testing.T) {
	s, d := started(t, control.Idle{})
	past := desktest.Past()
	d.Remember(past...)
	r := visit{method: "GET", path: "/log/" + past[1].Change + ".json", from: "127.0.0.1:5", headers: map[string]string{"Authorization": "Bearer " + testToken}}.to(s)
	if got := r.Header.Get("Content-Disposition"); r.Header.Get("Content-Type") != "application/json" || got != fmt.Sprintf("attachment; filename=%q", past[1].Change+".json") {
		t.Errorf("%s, %q", r.Header.Get("Content-Type"), got)
	}
	text := []byte(bodyOf(t, r))
	got, err := dossier.Unmarshal(text)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(got.Captures[1].Function, past[1].Captures[1].Function) || got.Change != past[1].Change || !reflect.DeepEqual(got.Site, past[1].Site) {
		t.Error("it is another one")
	}
	var plain struct {
		Captures []struct {
			Function struct {
				FreqHz []float64   `json:"freq_hz"`
				H      [][]float64 `json:"h"`
			} `json:"function"`
		} `json:"captures"`
	}
	if err := json.Unmarshal(text, &plain); err != nil {
		t.Fatal(err)
	}
	f, want := plain.Captures[0].Function, past[1].Captures[0].Function
	if len(f.H) != len(want.H) || f.H[3][0] != real(want.H[3]) || f.H[3][1] != imag(want.H[3]) || f.FreqHz[3] != want.FreqHz[3] {
		t.Error("another program reads other numbers")
	}
}

// In a real browser, from the log to a change and back, on small and large screens and
// in both themes: it fits, is accessible, follows the strip, and only the way back can
// be pressed.
func TestPastInABrowser(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	d.Remember(desktest.Past()...)
	engine := axe(t)
	_, home := served(t, d)
	p := newPhone(t, home)
	p.pair()
	fits := func(what string) {
		t.Helper()
		for _, width := range []int64{320, 390, 1280} {
			p.do("resize", chromedp.EmulateViewport(width, 844))
			if wrong := asked[string](p, "look for what is wrong", whatIsWrong); wrong != "" {
				t.Errorf("%s, %d px: %s", what, width, wrong)
			}
		}
		for _, theme := range []string{"light", "dark"} {
			p.scheme(theme, "reduce")
			p.do("resize", chromedp.EmulateViewport(390, 844))
			p.picture(what + "-" + theme)
		}
	}
	p.goTo("log")
	fits("log")
	for i, past := range desktest.Past() {
		p.goTo("log")
		p.do("follow the link", chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.querySelector('a[href="/log/%s"]').click()`, past.Change)))
		p.until("it is there", fmt.Sprintf(`document.body.dataset.page === "past" && document.body.innerText.includes(%q)`, past.Change))
		p.until("it is live", `document.querySelector("#age").innerText === "Live"`)
		fits(fmt.Sprintf("past-%d", i))
		if past.Diagnosis == nil {
			continue // has no part that this one has not
		}
		p.do("resize", chromedp.EmulateViewport(390, 6000))
		for _, theme := range []string{"light", "dark"} {
			p.scheme(theme, "reduce")
			p.judge("a past change, "+theme, engine, theme == "dark")
		}
		p.do("resize", chromedp.EmulateViewport(390, 844))
	}
	view := desktest.View(desktest.States()["held"])
	d.Show(func(v *desk.View) { view.Seq = v.Seq; *v = view })
	p.until("the strip follows", `document.querySelector("#strip").innerText.toLowerCase().includes("held")`)
	if n := asked[int](p, "count presses", `document.querySelectorAll("button").length`); n != 1 {
		t.Errorf("%d buttons, want the way back alone", n)
	}
	letGo := p.press("#safe-button")
	reachedDesk(t, d, "safe")
	letGo()
}

// picture leaves a screenshot of the whole page where wanted.
func (p *phone) picture(name string) {
	p.t.Helper()
	folder := os.Getenv(picturesIn)
	if folder == "" {
		return
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		p.t.Fatal(err)
	}
	png, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		p.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, name+".png"), png, 0o600); err != nil {
		p.t.Fatal(err)
	}
}
