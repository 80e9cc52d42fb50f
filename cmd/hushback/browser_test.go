package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/rehearsal"
	"hushback/control"
)

// picturesIn names a folder; when set, the browser test leaves screenshots of
// every stage there for people to look at.
const picturesIn = "HUSHTEST_PICTURES"

// phone is a browser of a phone's size on the daemon's page.
type phone struct {
	t   *testing.T
	ctx context.Context
}

func newPhone(t *testing.T) *phone {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		t.Fatal("no browser on the PATH: install one, on Debian with `apt-get install chromium`")
	}
	options := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Minute)
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(ctx)
	t.Cleanup(end)
	p := &phone{t: t, ctx: ctx}
	p.do("start", chromedp.Navigate("about:blank"), chromedp.EmulateViewport(390, 844, chromedp.EmulateScale(2)))
	return p
}

func (p *phone) do(what string, actions ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, actions...); err != nil {
		p.t.Fatalf("%s: %v", what, err)
	}
}

// until asks the page until the condition holds; asking may fail while the
// page is being replaced.
func (p *phone) until(what, condition string) {
	p.t.Helper()
	var holds bool
	var err error
	for deadline := time.Now().Add(patience); !holds && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		holds, err = chromedp.Run(p.ctx, chromedp.Evaluate[bool]("!!("+condition+")"))
	}
	if !holds {
		body, _ := chromedp.Run(p.ctx, chromedp.Evaluate[string](`document.body.innerText`))
		p.t.Fatalf("%s: never came true (%v); the page says:\n%s", what, err, body)
	}
}

// press clicks a button. Where the page was being replaced at that very moment it
// is looked for again, as a hand would.
func (p *phone) press(button string) {
	p.t.Helper()
	for {
		p.until(button+" can be pressed", `document.querySelector("`+button+`")?.disabled === false`)
		err := chromedp.Do(p.ctx, chromedp.Click(chromedp.CSS(button)))
		if err == nil {
			return
		}
		if !strings.Contains(err.Error(), "node") {
			p.t.Fatalf("press %s: %v", button, err)
		}
	}
}

// on goes to a page and waits until it follows the daemon.
func (p *phone) on(page string) {
	p.t.Helper()
	p.do("go to "+page, chromedp.Click(chromedp.CSS(`nav a[href="/`+page+`"]`)))
	p.until(page+" is live", `document.body.dataset.page === "`+page+`" && document.querySelector("#age").innerText === "Live"`)
}

// hold keeps a button down until the page says that its press was taken up.
func (p *phone) hold(button string) {
	p.t.Helper()
	p.until(button+" can be pressed", `document.querySelector("`+button+`")?.disabled === false`)
	p.do("reach "+button, chromedp.ScrollIntoView(chromedp.CSS(button)))
	at, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]float64](`(() => { const r = document.querySelector("`+button+`").getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`))
	if err != nil {
		p.t.Fatal(err)
	}
	p.do("hold "+button, chromedp.MouseEvent(input.DispatchMouseEventTypeMousePressed, at[0], at[1], chromedp.ButtonLeft, chromedp.ClickCount(1)))
	p.until(button+" is held for long enough", `document.querySelector(".holding") === null`)
	p.do("let go of "+button, chromedp.MouseEvent(input.DispatchMouseEventTypeMouseReleased, at[0], at[1], chromedp.ButtonLeft, chromedp.ClickCount(1)))
}

// picture leaves screenshots of the whole page, in both themes, where wanted.
func (p *phone) picture(name string) {
	p.t.Helper()
	folder := os.Getenv(picturesIn)
	if folder == "" {
		return
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		p.t.Fatal(err)
	}
	for _, theme := range []string{"light", "dark"} {
		scheme := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}}}
		if _, err := chromedp.Call(p.ctx, emulation.SetEmulatedMedia, scheme); err != nil {
			p.t.Fatal(err)
		}
		png, err := chromedp.Run(p.ctx, chromedp.FullScreenshot(100))
		if err != nil {
			p.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, name+"-"+theme+".png"), png, 0o600); err != nil {
			p.t.Fatal(err)
		}
	}
}

// The whole rehearsal by clicking, in a real browser: pair, store a safe
// preset, dry run, confirm, watch it measured and proven, keep; then again,
// and back to the safe preset with one press.
func TestWholeLoopInABrowser(t *testing.T) {
	s := raised(t, func(*daemon.Options) {})
	found := s.rig.Processor.Settings()
	p := newPhone(t)
	p.do("pair", chromedp.Navigate(s.daemon.URL()+"/#k="+s.daemon.Code()))
	p.until("paired", `document.querySelector("#safe-button") !== null && document.querySelector("#age").innerText === "Live"`)
	p.picture("1-paired")
	p.on("design")
	p.do("scroll over it", chromedp.Evaluate[chromedp.Void](`document.querySelectorAll("main img").forEach((i) => { i.loading = "eager"; })`))
	p.until("the design is drawn", `document.querySelectorAll("main img").length > 0 && [...document.querySelectorAll("main img")].every((i) => i.complete && i.naturalWidth > 0)`)
	p.picture("1-design")
	p.on("log")
	p.press("#store-safe-button")
	p.on("settings")
	p.press("#dry-run-button")
	p.until("the dry run is there", `document.querySelector("#d-digest") !== null`)
	p.picture("2-dry-run")
	p.on("send")
	p.picture("2-send")
	p.hold("#confirm-button")
	p.until("values are read back", `document.querySelector("#send").textContent.includes("4.63 ms")`)
	p.on("measure")
	p.until("it measures", `document.body.innerText.includes("easuring 3 of 5")`)
	p.picture("3-measuring")
	p.on("proof")
	p.until("proven", `document.querySelector("#verdict").innerText.toLowerCase().includes("proven")`)
	p.until("held", `document.querySelector("#keep-button")?.disabled === false`)
	p.picture("4-held")
	p.hold("#keep-button")
	p.until("kept", `document.querySelector("#strip").innerText.toLowerCase().includes("kept")`)
	if _, kept := s.daemon.View().State.(control.Kept); !kept {
		t.Fatalf("the page says kept, the daemon %#v", s.daemon.View().State)
	}
	p.picture("5-kept")
	p.hold("#safe-button")
	p.until("rolled back", `document.querySelector("#strip").innerText.toLowerCase().includes("rolled back")`)
	if now := s.rig.Processor.Settings(); !slices.Equal(now, found) {
		t.Errorf("the processor holds\n%v, want the safe preset\n%v", now, found)
	}
	p.picture("6-rolled-back")
}

// One microphone, a rig out of order: carried by the presses of a hand, the loop
// refutes, names what is wrong, and proves the correction that it offers.
func TestCorrectionInABrowser(t *testing.T) {
	s := raisedWith(t, func(*daemon.Options) {}, rehearsal.Options{
		Seed: 1, Fault: rehearsal.Fault{Kind: rehearsal.Late, Output: 2}, Moved: daemon.Moved,
	})
	p := newPhone(t)
	p.do("pair", chromedp.Navigate(s.daemon.URL()+"/#k="+s.daemon.Code()))
	p.until("paired", `document.querySelector("#safe-button") !== null && document.querySelector("#age").innerText === "Live"`)
	p.on("log")
	p.press("#store-safe-button")
	p.on("settings")
	p.press("#dry-run-button")
	p.on("measure")
	p.until("one microphone stands in for both", `document.querySelector("#feeds").innerText.includes("one microphone for all places")`)
	p.on("send")
	p.hold("#confirm-button")
	p.on("measure")
	walk := func(places ...string) {
		for _, place := range places {
			p.until("carry it to "+place, `document.querySelector("#placed-button")?.innerText.includes("`+place+`")`)
			if place == "stage door" {
				p.picture("7-placing")
			}
			p.press("#placed-button")
		}
	}
	walk("mixing position", "stage door")
	p.on("proof")
	p.until("refuted", `document.querySelector("#verdict").innerText.toLowerCase().includes("refuted")`)
	p.until("named", `document.querySelector("#causes").innerText.includes("4.00 ms later than its sheet says")`)
	p.until("offered", `document.querySelector("#correct-button")?.disabled === false`)
	p.picture("8-refuted")
	p.press("#correct-button")
	p.until("the correction is a draft", `document.querySelector("#sheet")?.innerText.includes("Corrected settings")`)
	p.picture("9-correction")
	p.on("send")
	p.hold("#confirm-button")
	p.on("measure")
	walk("mixing position", "stage door")
	p.on("proof")
	p.until("proven", `document.querySelector("#verdict").innerText.toLowerCase().includes("proven")`)
	p.hold("#keep-button")
	p.until("kept", `document.querySelector("#strip").innerText.toLowerCase().includes("kept")`)
	p.picture("9-corrected")
}
