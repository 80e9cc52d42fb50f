package dashboard

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/desk/desktest"
)

// startBrowser needs a Chromium on the PATH: nothing else sees what a person
// sees, so that it is never left out quietly.
func startBrowser(t *testing.T, more ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		t.Fatal("no browser on the PATH: install one, on Debian with `apt-get install chromium`")
	}
	opts := append(slices.Clone(chromedp.DefaultExecAllocatorOptions[:]), chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		// Names that are not loopback's, still on this machine: browsers treat loopback better than the LAN.
		chromedp.Flag("host-resolver-rules", "MAP *.test 127.0.0.1"))
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Minute)
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewExecAllocator(ctx, append(opts, more...)...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(ctx)
	t.Cleanup(end)
	return ctx
}

// phone is a tab of a browser that has its cookies to itself.
type phone struct {
	t    *testing.T
	ctx  context.Context
	home string // the daemon's address, with a slash at its end
}

// newPhone starts a browser. What its pages throw, and what its content policy
// keeps out, fails the test at its end.
func newPhone(t *testing.T, home string, more ...chromedp.ExecAllocatorOption) *phone {
	t.Helper()
	p := &phone{t: t, ctx: startBrowser(t, more...), home: home}
	p.listen()
	return p
}

// another is a second phone, in the same browser.
func (p *phone) another() *phone {
	p.t.Helper()
	ctx, end := chromedp.NewContext(p.ctx, chromedp.WithNewBrowserContext())
	p.t.Cleanup(end)
	other := &phone{t: p.t, ctx: ctx, home: p.home}
	other.listen()
	return other
}

func (p *phone) listen() {
	p.t.Helper()
	p.do("start", chromedp.Navigate("about:blank"))
	var mu sync.Mutex
	var faults []string
	if err := chromedp.Listen(p.ctx, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			faults = append(faults, fmt.Sprint(e.ExceptionDetails.Text, e.ExceptionDetails.Exception))
		case *log.EventEntryAdded:
			if strings.Contains(e.Entry.Text, "Content Security Policy") {
				faults = append(faults, e.Entry.Text)
			}
		}
	}); err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() {
		mu.Lock()
		defer mu.Unlock()
		if len(faults) != 0 {
			p.t.Errorf("the browser complains: %q", faults)
		}
	})
}

func (p *phone) do(what string, actions ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	if err := chromedp.Do(p.ctx, actions...); err != nil {
		p.t.Fatalf("%s: %v", what, err)
	}
}

// asked is what an expression comes to on a phone's page.
func asked[T any](p *phone, what, expression string, how ...chromedp.EvaluateOption) T {
	p.t.Helper()
	got, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](expression, how...))
	if err != nil {
		p.t.Fatalf("%s: %v", what, err)
	}
	return got
}

// until asks until the condition holds. Asking may fail while the page changes.
func (p *phone) until(what, condition string) {
	p.t.Helper()
	var holds bool
	var err error
	for deadline := time.Now().Add(time.Minute); !holds && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		holds, err = chromedp.Run(p.ctx, chromedp.Evaluate[bool]("!!("+condition+")"))
	}
	if !holds {
		body, _ := chromedp.Run(p.ctx, chromedp.Evaluate[string](`document.body.innerText.slice(0, 600)`))
		p.t.Fatalf("%s: never came true (%v); the page says: %s", what, err, body)
	}
}

// goTo opens a page and waits until it follows the daemon.
func (p *phone) goTo(page string) {
	p.t.Helper()
	p.do("go to "+page, chromedp.Navigate(p.home+page))
	p.until(page+" is fresh", `document.body.dataset.page === "`+page+`" && document.querySelector("#age").innerText === "Live"`)
}

// pair goes in with the code in the address.
func (p *phone) pair() {
	p.t.Helper()
	p.do("about to pair", chromedp.Navigate("about:blank"), chromedp.Navigate(p.home+"#k="+testCode))
	p.until("paired", `location.hash === "" && document.querySelector("#safe-button") !== null`)
}

// press puts a finger down on the middle of a button, and returns how to let go.
func (p *phone) press(button string) (letGo func()) {
	p.t.Helper()
	p.do("reach "+button, chromedp.ScrollIntoView(chromedp.CSS(button)))
	at := asked[[]float64](p, "where "+button+" is", `(() => { const r = document.querySelector("`+button+`").getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()`)
	touch := func(what string, event input.DispatchMouseEventType) {
		p.t.Helper()
		p.do(what+" "+button, chromedp.MouseEvent(event, at[0], at[1], chromedp.ButtonLeft, chromedp.ClickCount(1)))
	}
	touch("press", input.DispatchMouseEventTypeMousePressed)
	return func() { p.t.Helper(); touch("let go of", input.DispatchMouseEventTypeMouseReleased) }
}

// reachedDesk waits until the desk has these presses and no others.
func reachedDesk(t *testing.T, d *desktest.Desk, want ...string) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); len(d.Wishes()) < len(want) && time.Now().Before(deadline); {
		time.Sleep(10 * time.Millisecond)
	}
	if got := d.Wishes(); len(want) > 0 && !slices.Equal(got, want) {
		t.Fatalf("desk got %q, want %q", got, want)
	}
}

// served is a desk's page on a port of this machine; its address is by a name that
// is not loopback's.
func served(t *testing.T, d *desktest.Desk) (s *Server, home string) {
	t.Helper()
	s = New(d, testAccess())
	web := httptest.NewServer(http.HandlerFunc(s.ServeHTTP))
	t.Cleanup(func() { s.Close(); web.CloseClientConnections(); web.Close() })
	_, port, err := net.SplitHostPort(strings.TrimPrefix(web.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	return s, "http://rig.test:" + port + "/"
}
