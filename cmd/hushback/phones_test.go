package main

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/control/preset"
	"hushback/engine"
)

// another is a second phone, in the same browser, with cookies of its own.
func (p *phone) another() *phone {
	p.t.Helper()
	ctx, end := chromedp.NewContext(p.ctx, chromedp.WithNewBrowserContext())
	p.t.Cleanup(end)
	other := &phone{t: p.t, ctx: ctx}
	other.do("start", chromedp.Navigate("about:blank"), chromedp.EmulateViewport(390, 844, chromedp.EmulateScale(2)))
	return other
}

func (p *phone) pair(url, code string) {
	p.t.Helper()
	p.do("pair", chromedp.Navigate("about:blank"), chromedp.Navigate(url+"/#k="+code))
	p.until("paired", `document.querySelector("#safe-button") !== null && document.querySelector("#age").innerText === "Live"`)
}

// sees waits until a part of the page says something, in letters of any size.
func (p *phone) sees(part, words string) {
	p.t.Helper()
	p.until(part+" says "+words, `document.querySelector("#`+part+`")?.innerText.toLowerCase().includes("`+strings.ToLower(words)+`")`)
}

// storeQuiet leaves a preset in a state folder, to be restored: that is sent and held
// without being measured.
func storeQuiet(t *testing.T, folder home.Folder) {
	t.Helper()
	if err := folder.Prepare(); err != nil {
		t.Fatal(err)
	}
	store, err := preset.Open(folder.Store())
	if err != nil {
		t.Fatal(err)
	}
	quiet := preset.Preset{Name: "quiet", Taken: time.Now()}
	for _, o := range example(t).Outputs {
		quiet.Settings = append(quiet.Settings, engine.Setting{Output: o.Number, Polarity: 1, GainDB: -20})
	}
	if err := errors.Join(store.Put(quiet), store.Close()); err != nil {
		t.Fatal(err)
	}
}

// draftQuiet takes a dry run of it and goes to where it is confirmed.
func (p *phone) draftQuiet() {
	p.t.Helper()
	p.on("log")
	p.press("#dry-run-quiet")
	p.until("the dry run is there", `document.body.dataset.page === "settings" && document.querySelector("#d-digest") !== null`)
	p.on("send")
}

// Two phones at one rig: the first confirms, the second looks on, is refused, takes
// over while it is measured, and keeps. Then the first, that now looks on, goes back
// to safe in the middle of what the second sends.
func TestTwoPhonesInABrowser(t *testing.T) {
	s := raised(t, func(o *daemon.Options) { storeQuiet(t, o.Home) })
	found := s.rig.Processor.Settings()
	first := newPhone(t)
	first.pair(s.daemon.URL(), s.daemon.Code())
	second := first.another()
	second.pair(s.daemon.URL(), s.daemon.Code())
	first.on("log")
	first.press("#store-safe-button")
	first.on("settings")
	first.press("#dry-run-button")
	second.on("send")
	second.sees("controls", "Phone 1 holds the controls")
	second.hold("#confirm-button")
	second.sees("answer", "Phone 1 holds the controls")
	if n := s.rig.Processor.Writes(); n != 0 {
		t.Fatalf("%d writes reached the processor by a phone that looks on", n)
	}
	first.on("send")
	first.hold("#confirm-button")
	second.sees("strip", "measuring")
	second.hold("#take-over-button")
	second.sees("controls", "You hold the controls")
	first.sees("controls", "Phone 2 took them over from you")
	first.picture("10-taken-over")
	first.until("held", `document.querySelector("#keep-button")?.disabled === false`)
	first.hold("#keep-button")
	first.sees("answer", "Phone 2 holds the controls")
	second.hold("#keep-button")
	second.sees("strip", "kept")
	first.sees("strip", "kept")

	// To a processor that is slow: there is time for a second thought.
	second.draftQuiet()
	before := s.rig.Processor.Writes()
	s.rig.Processor.OnWrite(func(int) {
		if !strings.Contains(s.daemon.View().Doing, "safe preset") {
			time.Sleep(100 * time.Millisecond)
		}
	})
	second.hold("#confirm-button")
	first.sees("strip", "sending")
	first.hold("#safe-button")
	for _, p := range []*phone{first, second} {
		p.sees("strip", "rolled back")
		p.sees("now", "safe preset")
	}
	s.rig.Processor.OnWrite(nil)
	for _, e := range s.daemon.View().Journal {
		if e.Event == "sending" {
			break
		}
		if e.Event == "held" || e.Event == "read back" {
			t.Errorf("the way back came too late to prove anything: the change was %s already", e.Event)
		}
	}
	if now := s.rig.Processor.Settings(); !slices.Equal(now, found) || s.rig.Processor.Writes() == before {
		t.Errorf("after %d writes the processor holds\n%v, want the safe preset\n%v", s.rig.Processor.Writes()-before, now, found)
	}
}

// A phone sleeps over a keep-by and finds on waking that it was rolled back. Then the
// daemon dies under it: it says so, confirms nothing, and pairs anew with the next.
func TestPhoneFindsTheTruthOnWaking(t *testing.T) {
	rig := newRig(t)
	found := rig.Processor.Settings()
	state := stateFolderFor(t)
	storeQuiet(t, home.Folder{Dir: state})
	d := serveAt(t, rig.Processor.Addr(), state, "--keep-for", "5s")
	d.press("/safe-preset", nil)
	p := newPhone(t)
	p.pair(d.note.URL, d.code)
	p.draftQuiet()
	p.hold("#confirm-button")
	p.until("held", `document.querySelector("#keep-button")?.disabled === false`)
	lifecycle := func(state page.SetWebLifecycleStateState) {
		t.Helper()
		if _, err := chromedp.Call(p.ctx, page.SetWebLifecycleState, page.SetWebLifecycleStateParams{State: state}); err != nil {
			t.Fatal(err)
		}
	}
	lifecycle(page.SetWebLifecycleStateStateFrozen)
	d.until(func(r desk.Report) bool { return r.State == "rolled back" })
	lifecycle(page.SetWebLifecycleStateStateActive)
	if keep, err := chromedp.Run(p.ctx, chromedp.Evaluate[bool](`document.querySelector("#keep-button")?.disabled === false && Number(document.querySelector("#keep-button").dataset.by) > Date.now()`)); err != nil || keep {
		t.Errorf("on waking it still offers to keep (%v)", err)
	}
	p.sees("strip", "rolled back")
	p.until("nothing is left to keep", `document.querySelector("#keep-button") === null && document.querySelector("#age").innerText === "Live"`)

	p.draftQuiet()
	p.until("confirm is on", `document.querySelector("#confirm-button")?.disabled === false`)
	if err := d.command.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	d.ended <- <-d.ended
	p.sees("stale", "the daemon is not heard")
	p.until("confirm is off", `document.querySelector("#confirm-button").disabled && !document.querySelector("#safe-button").disabled`)
	p.picture("11-daemon-gone")
	p.hold("#safe-button")
	p.sees("answer", "No answer from the daemon")
	next := serveAt(t, rig.Processor.Addr(), state, "--listen", strings.TrimPrefix(d.note.URL, "http://"))
	p.until("the next daemon wants to be paired", `document.querySelector("#pair") !== null`)
	p.pair(next.note.URL, next.code)
	p.on("send")
	p.sees("strip", "idle")
	if now := rig.Processor.Settings(); !slices.Equal(now, found) {
		t.Errorf("the processor holds\n%v, want as found\n%v", now, found)
	}
}
