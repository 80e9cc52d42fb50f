package dashboard

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

// whatIsWrong lists, in the page, what would hinder a hand or an eye: what is wider
// than the screen or cut off, what is too small for a glove, and bars that leave
// too little between them. What scrolls by itself may be wider than it shows.
const whatIsWrong = `(() => {
	const wrong = [], say = (what, e) => wrong.push(what + ": " + e.outerHTML.replace(/\s+/g, " ").slice(0, 140));
	const scrolls = (e) => e.closest(".scroll, .state a") !== null;
	for (const d of document.querySelectorAll("details")) d.open = true;
	if (document.documentElement.scrollWidth > innerWidth) {
		wrong.push("the page scrolls sideways, " + document.documentElement.scrollWidth + " px in " + innerWidth);
	}
	for (const e of document.querySelectorAll("body *")) {
		if (!e.checkVisibility() || scrolls(e)) continue;
		const r = e.getBoundingClientRect();
		if (r.width > 0 && (r.right > innerWidth + 1 || r.left < -1) && !e.matches(".skip, svg *")) say("beyond the edge", e);
		if (e.matches("button, summary, p, h1, h2, h3, dd, dt, label") && e.scrollWidth > e.clientWidth + 1) say("cut off", e);
	}
	for (const e of document.querySelectorAll("a[href], button, summary, input, select, textarea, [role=slider]")) {
		if (!e.checkVisibility() || e.type === "hidden") continue;
		const r = (e.closest("label") || e).getBoundingClientRect();
		if (r.height < 43.9 || r.width < 43.9) say("too small for a glove, " + r.width.toFixed(1) + " by " + r.height.toFixed(1), e);
	}
	const stays = (e) => ["sticky", "fixed"].includes(getComputedStyle(e).position);
	const bars = [...document.querySelectorAll("body > *")].filter(stays).reduce((sum, e) => sum + e.getBoundingClientRect().height, 0);
	if (bars > innerHeight / 2) wrong.push("the bars take " + bars + " px of " + innerHeight);
	return wrong.join("\n");
})()`

// Nothing is wider than the screen and nothing to press is too small for a glove,
// from the narrowest phone to a laptop, upright and lying, and with letters of
// twice the size for whoever sets the browser to that.
func TestPagesFitEveryScreen(t *testing.T) {
	screens := map[int][][2]int64{16: {{320, 568}, {390, 844}, {844, 390}, {1280, 800}}, 32: {{390, 844}, {1280, 800}}}
	for letters, sizes := range screens {
		d := desktest.New(desktest.View(control.Idle{}))
		_, home := served(t, d)
		p := newPhone(t, home, chromedp.Flag("blink-settings", fmt.Sprintf("defaultFontSize=%d", letters)))
		p.pair()
		if got := asked[string](p, "the letters", `getComputedStyle(document.documentElement).fontSize`); got != fmt.Sprint(letters, "px") {
			t.Fatalf("letters of %s, want %d px", got, letters)
		}
		for _, page := range pages.All() {
			p.goTo(page.Name)
			for _, s := range situations() {
				if !slices.Contains([]string{"blind and changed elsewhere", "held", "refuted and corrected"}, s.name) {
					continue
				}
				arrives(d, p, s.view, page.Name+" "+s.name)
				for _, size := range sizes {
					p.do("resize", chromedp.EmulateViewport(size[0], size[1]))
					if wrong := asked[string](p, "look for what is wrong", whatIsWrong); wrong != "" {
						t.Errorf("%s, %s, %d px by %d, letters of %d:\n%s", page.Name, s.name, size[0], size[1], letters, wrong)
					}
				}
			}
		}
	}
}

// here names what has the keyboard, and tells what is wrong with how it shows that.
const here = `new Promise((next) => requestAnimationFrame(() => setTimeout(next))).then(() => {
	const e = document.activeElement;
	if (!e || e === document.body) return "";
	const r = e.getBoundingClientRect(), at = document.elementFromPoint(r.x + Math.min(r.width, innerWidth) / 2, r.y + Math.min(r.height, 40) / 2);
	const name = e.id || (e.closest("[id]") || e).id + " " + e.tagName.toLowerCase() + " " + e.textContent.trim().slice(0, 30);
	if (getComputedStyle(e).outlineStyle === "none") return "no ring around " + name;
	if (!at || !(e.contains(at) || at.contains(e))) return "covered: " + name;
	return name;
})`

// What can be reached by a finger is reached by the keyboard alone, in view and
// marked.
func TestKeyboardReachesEverything(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	_, home := served(t, d)
	p := newPhone(t, home)
	p.pair()
	p.do("resize", chromedp.EmulateViewport(390, 844))
	p.scheme("light", "reduce")
	for _, page := range pages.All() {
		p.goTo(page.Name)
		for _, s := range situations() {
			if s.name == "blind and changed elsewhere" || s.name == "held" && page.Name == "send" {
				arrives(d, p, s.view, page.Name+" "+s.name)
				p.tabThrough(page.Name + " " + s.name)
			}
		}
	}
}

// tabThrough goes through the page by the tab key and misses what it does not reach.
func (p *phone) tabThrough(what string) {
	p.t.Helper()
	const targets = `[...document.querySelectorAll("a[href], button, summary, input, select, textarea, [tabindex='0']")].filter((e) => e.checkVisibility() && !e.disabled && e.type !== "hidden")`
	count := asked[int](p, "count", `(() => { scrollTo(0, 0); document.activeElement.blur(); const all = `+targets+`; for (const e of all) delete e.dataset.reached; return all.length; })()`)
	for range count + 2 {
		p.do("tab", chromedp.KeyEvent(kb.Tab))
		at := asked[string](p, "where the keyboard is", here, chromedp.EvalAwaitPromise)
		if strings.HasPrefix(at, "covered") || strings.HasPrefix(at, "no ring") {
			p.t.Errorf("%s: %s", what, at)
		}
		p.do("mark", chromedp.Evaluate[chromedp.Void](`document.activeElement.dataset.reached = "yes"`))
	}
	missed := asked[string](p, "what was missed", targets+`.filter((e) => e.dataset.reached !== "yes").map((e) => e.outerHTML.slice(0, 120)).join("\n")`)
	if missed != "" || count < 10 {
		p.t.Errorf("%s: of %d targets the keyboard misses\n%s", what, count, missed)
	}
}

// key presses or lets go of a key.
func (p *phone) key(kind input.DispatchKeyEventType, key string, code int64) {
	p.t.Helper()
	event := input.DispatchKeyEventParams{Type: kind, Key: key, Code: map[string]string{" ": "Space", "Enter": "Enter"}[key], WindowsVirtualKeyCode: code, Text: map[string]string{"Enter": "\r", " ": " "}[key]}
	if _, err := chromedp.Call(p.ctx, input.DispatchKeyEvent, event); err != nil {
		p.t.Fatal(err)
	}
}

// A whole change by the keyboard alone, held by both keys; and by what can only
// click, such as a screen reader: once to be asked, once more to do it.
func TestKeyboardAndScreenReaderPress(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	_, home := served(t, d)
	p := newPhone(t, home)
	p.pair()
	p.goTo("send")
	dry := desktest.BlindDryRun()
	dry.Expires = time.Now().Add(time.Hour)
	show := func(s control.State) { d.Show(func(v *desk.View) { v.State = s }) }
	focus := func(id string) {
		t.Helper()
		p.until(id+" is on", fmt.Sprintf(`document.getElementById(%q)?.disabled === false`, id))
		p.do("go to "+id, chromedp.Evaluate[chromedp.Void](fmt.Sprintf(`document.getElementById(%q).focus()`, id)))
	}
	answers := func(what, start string) {
		t.Helper()
		p.until(what, fmt.Sprintf(`document.querySelector("#answer").innerText.startsWith(%q)`, start))
	}
	show(control.Drafted{DryRun: dry})
	p.until("confirm is on", `document.querySelector("#confirm-button")?.disabled === false`)
	focus("blind-" + asked[string](p, "which tick", `document.querySelector(".consent input").id.slice(6)`))
	p.do("tick", chromedp.KeyEvent(" "))
	p.until("it is ticked", `document.querySelector(".consent input").checked`)
	focus("confirm-button")
	p.key(input.DispatchKeyEventTypeKeyDown, "Enter", 13)
	p.key(input.DispatchKeyEventTypeKeyUp, "Enter", 13)
	answers("a tap of the key does nothing and says so", "Let go too early")
	p.key(input.DispatchKeyEventTypeKeyDown, "Enter", 13)
	want := []string{"confirm " + dry.Digest + " blind"}
	reachedDesk(t, d, want...)
	p.key(input.DispatchKeyEventTypeKeyUp, "Enter", 13)

	show(control.Held{Change: "c-0008", KeepBy: time.Now().Add(time.Hour)})
	focus("keep-button")
	p.key(input.DispatchKeyEventTypeKeyDown, " ", 32)
	want = append(want, "keep c-0008")
	reachedDesk(t, d, want...)
	p.key(input.DispatchKeyEventTypeKeyUp, " ", 32)

	click := chromedp.Evaluate[chromedp.Void](`document.querySelector("#safe-button").click()`)
	p.do("click once", click)
	answers("it asks", "Press once more to do it: Roll back to")
	if got := d.Wishes(); !slices.Equal(got, want) {
		t.Fatalf("one click alone pressed: desk got %q", got)
	}
	p.do("click again", click)
	reachedDesk(t, d, append(want, "safe")...)
}

// Whoever asks for less motion sees none, and is told in words that a hold goes on.
func TestLessMotion(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	_, home := served(t, d)
	p := newPhone(t, home)
	p.pair()
	p.goTo("send")
	for motion, moves := range map[string]bool{"reduce": false, "no-preference": true} {
		p.scheme("light", motion)
		letGo := p.press("#safe-button")
		said := asked[[]any](p, "what moves", `[document.getAnimations().length > 0 || getComputedStyle(document.documentElement).scrollBehavior === "smooth", document.querySelector("#answer").innerText]`)
		letGo()
		if said[0] != moves || said[1] != "Keep holding…" {
			t.Errorf("motion %s: moving and saying %v, want %v and that the hold goes on", motion, said, moves)
		}
	}
}
