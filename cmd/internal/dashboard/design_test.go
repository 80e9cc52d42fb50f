package dashboard

import (
	"fmt"
	"image/png"
	"io"
	"math"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/whatif"
	"hushback/control"
)

func read(t *testing.T, r *http.Response) string {
	t.Helper()
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// Without a script the what-if is a form that answers with a page.
func TestDesignByPlainForms(t *testing.T) {
	s, d := started(t, control.Idle{})
	ask := func(path string) (*http.Response, string) {
		t.Helper()
		r := visit{method: "GET", path: path, headers: map[string]string{"Authorization": "Bearer " + testToken, "Accept": "text/html"}, from: "127.0.0.1:4000"}.to(s)
		return r, read(t, r)
	}
	r, page := ask("/design?depth=2.60")
	for _, part := range []string{`name="depth"`, `value="2.60"`, `depth 2.60 m`, `action="/design"`, `name="set-aside"`, `action="/adopt"`, `Quietest behind at`, `id="picture-map-0"`, `in numbers`} {
		if !strings.Contains(page, part) {
			t.Errorf("%d: the page has no %s", r.StatusCode, part)
		}
	}
	if len(page) > 60_000 {
		t.Errorf("the page takes %d bytes", len(page))
	}
	if _, page := ask("/design?depth=99"); !strings.Contains(page, "Depth of 99.00 m is not within") || strings.Contains(page, "picture-map-0") {
		t.Error("what cannot be is not refused in words")
	}
	r, picture := ask("/design/picture?show=polar&depth=2.60")
	if _, err := png.Decode(strings.NewReader(picture)); err != nil || r.Header.Get("Content-Type") != "image/png" || r.Header.Get("Cache-Control") != keptFor {
		t.Errorf("%v, %v", err, r.Header)
	}
	if r, text := ask("/design/picture?show=cloud"); r.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, `no picture "cloud"`) {
		t.Errorf("%d: %s", r.StatusCode, text)
	}
	if r, part := ask("/design/outcome?depth=2.60"); r.StatusCode != http.StatusOK || strings.Contains(part, "<html") || !strings.Contains(part, "depth 2.60 m") {
		t.Errorf("%d: %s", r.StatusCode, part)
	}
	if len(d.Wishes()) != 0 {
		t.Errorf("trying out reached the desk: %q", d.Wishes())
	}
}

// Whoever is not paired tries nothing out, and who looks on adopts nothing.
func TestWhoMayDesign(t *testing.T) {
	s, d := started(t, control.Idle{})
	for _, path := range []string{"/design", "/design/outcome", "/design/picture?show=map"} {
		if r := (visit{method: "GET", path: path}).to(s); r.StatusCode != http.StatusUnauthorized {
			t.Errorf("%s: %d", path, r.StatusCode)
		}
	}
	if r := (visit{method: "POST", path: "/adopt", form: url.Values{"wish": {"depth=2.60"}}}).to(s); r.StatusCode != http.StatusUnauthorized || len(d.Wishes()) != 0 {
		t.Errorf("adopting unpaired: %d, %q", r.StatusCode, d.Wishes())
	}
}

// Adopting hands the desk the site that was tried out.
func TestAdoptingADesign(t *testing.T) {
	s, d := started(t, control.Idle{})
	adopt := func(form url.Values) (*http.Response, string) {
		t.Helper()
		r := visit{method: "POST", path: "/adopt", form: form, from: "127.0.0.1:4000", headers: map[string]string{"Authorization": "Bearer " + testToken}}.to(s)
		return r, read(t, r)
	}
	for _, c := range []struct{ wish, want string }{
		{"", "it is not said what to adopt"}, {"%zz", "it is not said what to adopt"}, {"depth=99", "Refused: depth of 99.00 m is not within"}, {"layout=tower", "there is no layout"},
	} {
		if r, text := adopt(url.Values{"wish": {c.wish}}); r.StatusCode != http.StatusConflict || !strings.Contains(text, c.want) {
			t.Errorf("%q: %d %s", c.wish, r.StatusCode, text)
		}
	}
	if len(d.Wishes()) != 0 {
		t.Fatalf("refused, and yet %q", d.Wishes())
	}
	if r, text := adopt(url.Values{"wish": {"depth=2.60&temperature=25"}}); r.StatusCode != http.StatusNoContent {
		t.Fatalf("%d %s", r.StatusCode, text)
	}
	got := whatif.Of(d.Adopted())
	if wishes := d.Wishes(); len(wishes) != 1 || math.Abs(got.DepthM-2.6) > 1e-9 || got.TemperatureC != 25 {
		t.Errorf("%q, %+v", wishes, got)
	}
}

// In a browser numbers and pictures follow the finger, sharpen when it rests, two
// variants stand side by side, and what is adopted is what was shown.
func TestDesignInABrowser(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	_, home := served(t, d)
	p := newPhone(t, home)
	p.do("resize", chromedp.EmulateViewport(390, 844))
	p.pair()
	p.goTo("design")
	p.do("look at the map", chromedp.ScrollIntoView(chromedp.CSS("#picture-map-0")))
	p.until("the first pictures are coarse", `document.querySelector("#picture-map-0").naturalWidth > 0 && document.querySelector("#picture-map-0").naturalWidth < 450`)
	p.until("the sliders are there", `[...document.querySelectorAll("#wish input[type=range]")].length === 5 && [...document.querySelectorAll("#wish input[type=range]")].every((s) => !s.hidden)`)
	drag := func(key, value string) {
		t.Helper()
		p.do("drag "+key, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`(() => { const s = document.querySelector("[data-for=w-%s]"); s.value = %q; s.dispatchEvent(new Event("input", {bubbles: true})); })()`, key, value)))
	}
	before := asked[string](p, "the map before", `document.querySelector("#picture-map-0").currentSrc`)
	for _, depth := range []string{"2.2", "2.3", "2.4", "2.5", "2.6"} {
		drag("depth", depth)
	}
	p.until("the numbers follow", `document.querySelector("#outcome").innerText.includes("depth 2.60 m") && document.querySelector("#w-depth").value === "2.6"`)
	p.until("the map follows and is sharp", fmt.Sprintf(`(() => { const m = document.querySelector("#picture-map-0"); return m.currentSrc !== %q && m.currentSrc.includes("depth=2.60") && m.naturalWidth > 700; })()`, before))
	p.until("what comes out is said once it rests", `document.querySelector("#comes-out").textContent.startsWith("Quietest behind at")`)
	p.until("the address keeps the wish", `location.search.includes("depth=2.6")`)
	drag("depth", "3.9")
	p.do("a number by hand", chromedp.Evaluate[chromedp.Void](`(() => { const f = document.querySelector("#w-depth"); f.value = "12"; f.dispatchEvent(new Event("input", {bubbles: true})); })()`))
	p.until("what cannot be is refused in words", `document.querySelector("#outcome [role=alert]")?.innerText.startsWith("Depth of 12.00 m is not within")`)
	drag("depth", "2.6")
	p.until("and is there again", `document.querySelector("#outcome").innerText.includes("depth 2.60 m")`)

	p.do("set it aside", chromedp.Click(chromedp.CSS("[name=set-aside]")))
	p.until("two stand side by side", `document.querySelectorAll(".numbers thead th").length === 2 && document.querySelector("#picture-map-1")`)
	drag("target", "50")
	p.until("A moves, B stays", `document.querySelector("#outcome").innerText.includes("A: target frequency 50.0 Hz, depth 2.60 m") && document.querySelector("#outcome").innerText.includes("B: depth 2.60 m")`)
	p.until("both have their map", `[0, 1].every((n) => document.querySelector("#picture-map-" + n).naturalWidth > 0) && document.querySelector("#picture-map-1").currentSrc.includes("target=47.0")`)

	for theme, of := range map[string]string{"dark": "", "light": "!"} {
		p.scheme(theme, "reduce")
		p.until("the maps are of the "+theme+" theme", `[0, 1].every((n) => { const m = document.querySelector("#picture-map-" + n); return m.complete && m.naturalWidth > 0 && `+of+`m.currentSrc.includes("dark=yes"); })`)
	}
	p.until("it is at rest", `document.querySelector("#outcome").getAttribute("aria-busy") === "false"`)
	p.do("adopt", chromedp.Click(chromedp.CSS("#outcome form button")))
	reachedDesk(t, d, "adopt "+d.View().Site.Job)
	if got := whatif.Of(d.Adopted()); got.TargetHz != 50 || math.Abs(got.DepthM-2.6) > 1e-9 {
		t.Errorf("adopted %+v", got)
	}
	p.until("it leads to the dry run", `document.body.dataset.page === "settings"`)
}
