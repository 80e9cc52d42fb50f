package dashboard

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// axe is the engine that judges the pages (npm package axe-core, installed by
// .ci/run). Its rules follow WCAG 2.2.
func axe(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile("../../../.ci/node_modules/axe-core/axe.min.js")
	if err != nil {
		t.Fatalf("%v: install it with `npm install --no-save --prefix .ci axe-core@4.14.1`, as .ci/run does", err)
	}
	return string(text)
}

// finding is one rule that a page breaks.
type finding struct{ Impact, Rule, Help, Where string }

// grave reports whether a finding may not stand.
func (f finding) grave() bool { return f.Impact == "serious" || f.Impact == "critical" }

// judge runs axe over the page, or some parts of it, with everything unfolded. Only colours depend on
// the theme: where they alone are in question, axe looks at nothing else.
func (p *phone) judge(what, engine string, coloursAlone bool, parts ...string) {
	p.t.Helper()
	for _, f := range p.findings(what, engine, coloursAlone, parts...) {
		say := p.t.Logf
		if f.grave() {
			say = p.t.Errorf
		}
		say("%s: %s, %s (%s): %s", what, f.Impact, f.Rule, f.Help, f.Where)
	}
}

func (p *phone) findings(what, engine string, coloursAlone bool, parts ...string) []finding {
	p.t.Helper()
	p.do("unfold "+what, chromedp.Evaluate[chromedp.Void](`for (const d of document.querySelectorAll("details")) d.open = true`))
	if !asked[bool](p, "look for axe", `"axe" in window`) {
		p.do("bring axe", chromedp.Evaluate[chromedp.Void](engine+";0"))
	}
	rules := `, rules: {"target-size": {enabled: true}}`
	if coloursAlone {
		rules = `, runOnly: ["color-contrast"]`
	}
	type judged struct {
		Passed, Unsure int // places that keep a rule, or where axe cannot tell
		Found          []finding
	}
	where := "document"
	if len(parts) > 0 {
		where = "{include: [['#" + strings.Join(parts, "'], ['#") + "']]}"
	}
	said := asked[judged](p, "judge "+what, `axe.run(`+where+`, {resultTypes: ["violations"]`+rules+`}).then((r) => ({
		Passed: r.passes.length, Unsure: r.incomplete.length, Found: r.violations.flatMap((v) => v.nodes.map((n) => ({
			Impact: n.impact || v.impact || "", Rule: v.id, Help: v.help, Where: n.html.slice(0, 160) + " " + n.failureSummary.replace(/\s+/g, " ").slice(0, 300)})))}))`, chromedp.EvalAwaitPromise)
	if said.Passed == 0 && len(parts) == 0 {
		p.t.Errorf("%s: axe judged nothing", what)
	}
	return said.Found
}

// unseen are the parts of the page on screen that are built as none before was,
// whatever the words and numbers in them; empty ones are not.
func (p *phone) unseen(page pages.Page, seen map[string]bool) (ids []string) {
	p.t.Helper()
	html := asked[map[string]string](p, "read the parts", fmt.Sprintf(`Object.fromEntries(%q.split(" ").map((id) => [id, (document.getElementById(id)?.innerHTML || "").replace(/>[^<]+</g, ">words<").replace(/[-−\d.]+/g, "0")]))`, strings.Join(page.Parts(), " ")))
	for _, id := range page.Parts() {
		if text := html[id]; text != "" && !seen[id+text] {
			seen[id+text] = true
			ids = append(ids, id)
		}
	}
	return ids
}

// scheme asks the pages for a theme, and for less motion or not.
func (p *phone) scheme(theme, motion string) {
	p.t.Helper()
	want := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{
		{Name: "prefers-color-scheme", Value: theme}, {Name: "prefers-reduced-motion", Value: motion},
	}}
	if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, want); err != nil {
		p.t.Fatal(err)
	}
}

// situations are the pictures that a page is judged in: every state, and what else
// brings parts of their own.
func situations() []struct {
	name string
	view desk.View
} {
	type situation = struct {
		name string
		view desk.View
	}
	var all []situation
	soon := func(s control.State) control.State {
		switch s := s.(type) {
		case control.Drafted:
			s.DryRun.Expires = time.Now().Add(time.Hour)
			return s
		case control.Held:
			s.KeepBy = time.Now().Add(time.Hour)
			return s
		}
		return s
	}
	for _, name := range []string{"idle", "drafted", "sending", "measuring", "held", "kept", "rolled back", "adrift"} {
		all = append(all, situation{name, desktest.View(soon(desktest.States()[name]))})
	}
	blind := desktest.View(soon(control.Drafted{DryRun: desktest.BlindDryRun()}))
	blind.Strange = desktest.Strangers()
	bare := desktest.View(control.Idle{})
	bare.Safe, bare.AsFound, bare.Presets, bare.Journal, bare.Feeds = nil, nil, nil, nil, nil
	bare.Notice = "The processor cannot be read: nobody answers."
	placing := desktest.View(soon(desktest.States()["measuring"]))
	placing.Placing = "back fence"
	refuted := desktest.View(desktest.States()["rolled back"])
	refuted.Diagnosis = &diagnose.Diagnosis{Causes: []diagnose.Cause{
		{Sentence: "output 3 plays with its polarity reversed", Evidence: "rear microphone, output 3 alone: 178° from prediction", Probability: 0.999}, {Sentence: "output 1 is late", Probability: 0.06},
	}}
	refuted.Correction = &correct.Correction{
		Sheet: desktest.Sheet(), Prediction: desktest.Prediction(), Unheard: []int{4},
		Moves: []correct.Move{{Sentence: "moving what output 1 (rear) feeds 0.3 m away from the audience would do 2.0 dB better over the range than any delay"}},
	}
	refuted.Corrected = true
	broken := desktest.View(control.Idle{})
	broken.Broken = []string{"mine.yaml:12:16: air.temperature: got hot, want a number with °C", "and 3 more"}
	return append(all, situation{"broken", broken}, situation{"refuted and corrected", refuted}, situation{"blind and changed elsewhere", blind}, situation{"nothing stored", bare}, situation{"placing", placing})
}

// Every page in every situation, as the phone that holds the controls and as one
// that looks on, in both themes, has nothing that axe calls serious.
func TestPagesAreAccessible(t *testing.T) {
	engine := axe(t)
	d := desktest.New(desktest.View(control.Idle{}))
	_, home := served(t, d)
	holder := newPhone(t, home)
	// So high that no bar lies over what is judged.
	holder.do("resize", chromedp.EmulateViewport(390, 6000))
	holder.do("visit", chromedp.Navigate(home))
	both := func(p *phone, what string, parts ...string) {
		t.Helper()
		for _, theme := range []string{"light", "dark"} {
			p.scheme(theme, "reduce")
			p.judge(what+", "+theme, engine, theme == "dark", parts...)
		}
	}
	both(holder, "pairing")
	holder.do("a wrong code", chromedp.Navigate("about:blank"), chromedp.Navigate(home+"#k=WRONG"))
	holder.until("a wrong code is refused in words", `document.body.innerText.includes("This is not the code")`)
	both(holder, "pairing refused")
	holder.pair()
	onlooker := holder.another()
	onlooker.do("resize", chromedp.EmulateViewport(390, 6000))
	onlooker.pair()
	seen, all := map[string]bool{}, situations()
	for _, page := range pages.All() {
		holder.goTo(page.Name)
		both(holder, page.Name)
		for n, s := range all {
			// Each part that is not the same as before; what it stands in was judged above.
			arrives(d, holder, s.view, fmt.Sprintf("picture %02d", n))
			if parts := holder.unseen(page, seen); len(parts) > 0 {
				both(holder, page.Name+" "+s.name, parts...)
			}
		}
		for _, width := range []int64{320, 1280} {
			holder.do("resize", chromedp.EmulateViewport(width, 6000))
			holder.judge(fmt.Sprintf("%s at %d px", page.Name, width), engine, false)
		}
		holder.do("resize", chromedp.EmulateViewport(390, 6000))
	}
	onlooker.goTo("send")
	both(onlooker, "looking on")

	// That axe would have found something: faults that are planted, it finds.
	onlooker.do("plant", chromedp.Evaluate[chromedp.Void](`document.querySelector("main").insertAdjacentHTML("afterbegin", '<button id="nameless"></button><p id="faint">faint</p>');
		document.querySelector("#faint").style.color = "#39342a"`))
	for _, coloursAlone := range []bool{false, true} {
		found := onlooker.findings("planted", engine, coloursAlone)
		for rule, want := range map[string]bool{"button-name": !coloursAlone, "color-contrast": true} {
			if got := slices.ContainsFunc(found, func(f finding) bool { return f.grave() && f.Rule == rule }); got != want {
				t.Errorf("colours alone %v: found %s %v, want %v", coloursAlone, rule, got, want)
			}
		}
	}
}

// arrives shows a view and waits until it is on a phone's screen; the word is on no
// other.
func arrives(d *desktest.Desk, p *phone, view desk.View, word string) {
	p.t.Helper()
	d.Show(func(v *desk.View) {
		view.Seq, view.Processor = v.Seq, v.Processor
		view.Notice = strings.TrimSpace(view.Notice + " (" + word + ")")
		*v = view
	})
	p.until("it arrives", fmt.Sprintf(`document.querySelector("#told")?.innerText.includes(%q)`, word))
}
