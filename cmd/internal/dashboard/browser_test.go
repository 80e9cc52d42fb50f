package dashboard

import (
	"bytes"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
)

// freezer is a listener whose live sockets can be frozen: nothing goes in or
// out of them, as on a network that has died without telling anybody. All
// other connections go on.
type freezer struct {
	net.Listener
	mu     sync.Mutex
	thawed chan struct{} // closed unless frozen
}

func (f *freezer) Accept() (net.Conn, error) {
	c, err := f.Listener.Accept()
	if err != nil {
		return nil, err
	}
	return &freezable{Conn: c, by: f, closed: make(chan struct{})}, nil
}

func (f *freezer) freeze() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.thawed = make(chan struct{})
}

func (f *freezer) thaw() {
	f.mu.Lock()
	defer f.mu.Unlock()
	select {
	case <-f.thawed:
	default:
		close(f.thawed)
	}
}

type freezable struct {
	net.Conn
	by     *freezer
	live   bool // set by the first read, before anybody writes
	once   sync.Once
	closed chan struct{}
}

func (c *freezable) wait() {
	c.by.mu.Lock()
	thawed := c.by.thawed
	c.by.mu.Unlock()
	if !c.live {
		return
	}
	select {
	case <-thawed:
	case <-c.closed:
	}
}

func (c *freezable) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if !c.live && bytes.HasPrefix(b[:n], []byte("GET /live?")) {
		c.live = true
	}
	c.wait()
	return n, err
}

func (c *freezable) Write(b []byte) (int, error) {
	c.wait()
	return c.Conn.Write(b)
}

func (c *freezable) Close() error {
	c.once.Do(func() { close(c.closed) })
	return c.Conn.Close()
}

func TestInABrowser(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	page := New(d, testAccess())
	var gone atomic.Bool             // nobody answers any more
	var again atomic.Pointer[Server] // who answers
	again.Store(page)
	web := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if gone.Load() {
			panic(http.ErrAbortHandler)
		}
		again.Load().ServeHTTP(w, r)
	}))
	network := &freezer{Listener: web.Listener, thawed: make(chan struct{})}
	network.thaw()
	web.Listener = network
	web.Start()
	t.Cleanup(func() { network.thaw(); page.Close(); web.CloseClientConnections(); web.Close() })
	_, port, err := net.SplitHostPort(strings.TrimPrefix(web.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	home := "http://rig.test:" + port + "/"

	p := newPhone(t, home)
	do, until, goTo := p.do, p.until, p.goTo
	reached := func(want ...string) { t.Helper(); reachedDesk(t, d, want...) }
	// hold keeps a button down until the desk has heard of it.
	hold := func(button string, want ...string) {
		t.Helper()
		letGo := p.press(button)
		if reached(want...); len(want) == 0 {
			until("a press says that nobody is there", `document.querySelector("#answer").innerText.includes("no daemon is there to take this press")`)
		}
		letGo()
	}
	// Pairing: a wrong code stays outside, the right one in the address goes in.
	do("wrong code", chromedp.Navigate(home+"#k=WRONG"))
	until("a wrong code is refused in words", `document.body.innerText.includes("This is not the code")`)
	do("about to pair", chromedp.Navigate("about:blank"))
	do("right code", chromedp.Navigate(home+"#k="+testCode))
	until("the code leaves the address", `location.hash === "" && document.querySelector("#safe-button") !== null`)

	// A live update arrives, and what was unfolded stays so.
	goTo("send")
	dryRun := desktest.DryRun()
	dryRun.Expires = time.Now().Add(-time.Second)
	d.Show(func(v *desk.View) { v.State = control.Drafted{DryRun: dryRun} })
	until("a dry run whose time is over cannot be confirmed", `document.querySelector("#confirm-button")?.disabled`)
	dryRun.Expires = time.Now().Add(time.Hour)
	d.Show(func(v *desk.View) { v.State = control.Drafted{DryRun: dryRun} })
	until("the dry run arrives", `document.querySelector("#confirm-button")?.disabled === false`)
	feeds := d.View().Feeds
	d.Show(func(v *desk.View) { v.Feeds = feeds[:1] })
	until("a microphone that is away keeps confirm off", `document.querySelector("#confirm-button").disabled && document.querySelector("#age").innerText === "Live" &&
		document.querySelector("#send").innerText.includes("connect the back fence microphone first")`)
	do("confirm all the same", chromedp.Evaluate[chromedp.Void](`document.querySelector("#confirm-button").form.requestSubmit()`))
	d.Show(func(v *desk.View) { v.Feeds = feeds })
	until("once it is back confirm is on", `!document.querySelector("#confirm-button").disabled`)
	goTo("settings")
	do("unfold", chromedp.Click(chromedp.CSS("#d-digest summary")))
	until("it unfolds", `document.querySelector("#d-digest").open`)
	d.Show(func(v *desk.View) {
		v.Site.Outputs = slices.Clone(v.Site.Outputs)
		v.Site.Outputs[0].Label = "renamed"
	})
	until("the new name arrives", `document.querySelector("#dry-run").innerText.includes("renamed")`)
	until("what was unfolded stays so", `document.querySelector("#d-digest").open`)

	// An old picture cannot confirm; the safe roll back goes out all the same.
	goTo("send")
	network.freeze()
	until("the old picture disables confirm and says so", `document.querySelector("#confirm-button").disabled &&
		!document.querySelector("#stale").hidden && document.querySelector("#stale").innerText.includes("This picture is old")`)
	do("confirm on an old picture", chromedp.Evaluate[chromedp.Void](`document.querySelector("#confirm-button").form.requestSubmit()`))
	until("the way back stays on", `!document.querySelector("#safe-button").disabled`)
	do("only touch the way back", chromedp.Click(chromedp.CSS("#safe-button")))
	until("a touch does nothing and says so", `document.querySelector("#answer").innerText.startsWith("Let go too early")`)
	hold("#safe-button", "safe")
	network.thaw()
	until("the picture is fresh again", `!document.querySelector("#confirm-button").disabled && document.querySelector("#stale").hidden`)

	// Now it confirms, once, what was shown.
	hold("#confirm-button", "safe", "confirm "+dryRun.Digest)
	d.Refuse("the keep-by time is over")
	d.Show(func(v *desk.View) {
		*v = desktest.View(control.Held{Change: "c-0008", KeepBy: time.Now().Add(time.Hour)})
		v.Seq = 99
	})
	until("the countdown runs on the daemon's clock", `/, 59 min \d+ s left/.test(document.querySelector(".keep-by").innerText)`)
	hold("#keep-button", "safe", "confirm "+dryRun.Digest, "keep c-0008")
	until("a refusal is shown", `document.querySelector("#answer").innerText === "Refused: the keep-by time is over"`)
	d.Refuse("")

	// A daemon that stops on purpose says so; one that comes back is followed again.
	d.Show(func(v *desk.View) { v.Notice = "The daemon was stopped. The sheet was held." })
	page.Close()
	until("the page says that the daemon was stopped", `document.querySelector("#stale").innerText.startsWith("The daemon was stopped. The sheet was held.") &&
		!document.querySelector("#stale").innerText.includes("still tried") && document.querySelector("#age").innerText === "Stopped"`)
	until("everything is off but the way back", `[...document.querySelectorAll("button")].every((b) => b.disabled === (b.id !== "safe-button"))`)
	gone.Store(true)
	hold("#safe-button")
	next := New(d, testAccess())
	t.Cleanup(next.Close)
	again.Store(next)
	gone.Store(false)
	until("the next daemon wants to be paired", `document.querySelector("#pair") !== null`)
	do("pair again", chromedp.Navigate("about:blank"), chromedp.Navigate(home+"#k="+testCode))
	until("the picture is fresh once more", `document.querySelector("#age")?.innerText === "Live" && document.querySelector("#stale").hidden`)

	// What is ticked and typed outlives an update; a new dry run wants a new tick.
	before := []string{"safe", "confirm " + dryRun.Digest, "keep c-0008"}
	blind := desktest.BlindDryRun()
	blind.Expires = time.Now().Add(time.Hour)
	goTo("send")
	d.Show(func(v *desk.View) { v.State, v.Strange = control.Drafted{DryRun: blind}, desktest.Strangers() })
	until("confirm waits for the tick", `document.querySelector("#confirm-button")?.disabled === false && document.querySelector(".consent input").checked === false`)
	do("tick", chromedp.Click(chromedp.CSS(".consent")))
	d.Show(func(v *desk.View) { v.Feeds, v.Presets = nil, nil })
	until("the tick outlives an update", `document.querySelector("#send").innerText.includes("Confirming is off") && document.querySelector(".consent input").checked`)
	d.Show(func(v *desk.View) { v.Feeds = feeds })
	until("confirm is on", `!document.querySelector("#confirm-button").disabled`)
	before = append(before, "confirm "+blind.Digest+" blind")
	hold("#confirm-button", before...)
	blind.Digest = strings.Repeat("5", 64)
	d.Show(func(v *desk.View) { v.State = control.Drafted{DryRun: blind} })
	until("a new dry run is not ticked", `document.querySelector("[name=digest]").value.startsWith("5555") && !document.querySelector(".consent input").checked`)
	do("put back", chromedp.Click(chromedp.CSS("#put-back-button")))
	before = append(before, "put back")
	reached(before...)
	until("the page with its dry run comes", `document.body.dataset.page === "settings" && document.querySelector("#age").innerText === "Live"`)
	goTo("log")
	do("type", chromedp.SendKeys(chromedp.CSS("#preset-name"), "evening"))
	d.Show(func(v *desk.View) { v.Presets = nil; v.Safe = nil })
	until("what is typed outlives an update", `!document.querySelector("#presets").innerText.includes("quiet") && document.querySelector("#preset-name").value === "evening"`)
	// The page has become much shorter: it is scrolled until the button is where a finger finds it.
	until("the button is within reach", `(() => { const b = document.querySelector("#store-preset-button"); b.scrollIntoView({ block: "center" });
		const r = b.getBoundingClientRect(); return document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2) === b; })()`)
	do("store a preset", chromedp.Click(chromedp.CSS("#store-preset-button")))
	before = append(before, "save preset evening")
	reached(before...)
	until("the name is used up", `document.querySelector("#preset-name").value === ""`)

	// Without its script the page still presses, by a plain form.
	if _, err := chromedp.Call(p.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	do("reload without script", chromedp.Navigate(home), chromedp.Click(chromedp.CSS("#safe-button")))
	reached(append(before, "safe")...)
}
