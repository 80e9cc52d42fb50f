package dashboard

import (
	"crypto/sha256"
	"crypto/tls"
	"encoding/base64"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/doors"
	"hushback/control"
)

// hold presses a button for as long as it asks for. The button may be gone by the
// time that the finger is lifted.
func (p *phone) hold(button string) {
	p.t.Helper()
	p.until(button+" is there", `document.querySelector("`+button+`") !== null`)
	letGo := p.press(button)
	p.until(button+" is through", `document.querySelector("`+button+`.holding") === null`)
	letGo()
}

// says waits until the page says something, in the part of that id.
func (p *phone) says(what, part, words string) {
	p.t.Helper()
	p.until(what, fmt.Sprintf(`document.getElementById(%q)?.innerText.includes(%q)`, part, words))
}

// openSeat unfolds what is said of this phone.
func (p *phone) openSeat() {
	p.t.Helper()
	p.do("unfold", chromedp.Click(chromedp.CSS("#d-phone summary")))
}

// Two phones by clicking: the second looks on, is refused, takes over, and the
// first is told; then it lets go, and the first takes the controls back. A third
// does not know the code.
func TestTwoPhonesInABrowser(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	_, home := served(t, d)
	first := newPhone(t, home)
	first.pair()
	first.goTo("settings")
	first.says("the first phone holds the controls", "controls", "You hold the controls, as phone 1")
	second := first.another()
	second.pair()
	second.goTo("settings")
	second.says("the second looks on", "controls", "Phone 1 holds the controls. You look on")
	barred := `getComputedStyle(document.querySelector("#dry-run-button")).borderStyle === "dashed"
		&& getComputedStyle(document.querySelector("#dry-run-button"), "::after").content.includes("take over first")`
	second.until("what would be refused looks so", barred+` && getComputedStyle(document.querySelector("#take-over-button")).borderStyle === "solid"`)
	first.until("what would be taken does not", `!(`+barred+`)`)
	first.openSeat()
	first.says("the first is told of it", "controls", "One other phone looks on.")

	second.do("press as a viewer", chromedp.Click(chromedp.CSS(`form[action="/dry-run"] button`)))
	second.says("it is refused, with the way to the controls", "answer", "Phone 1 holds the controls, so this press was not taken. Take over first")
	second.hold("#safe-button")
	reachedDesk(t, d, "safe")
	letGo := second.press("#take-over-button")
	letGo()
	second.says("a tap takes nothing over", "answer", "Let go too early")
	second.says("so it still looks on", "controls", "You look on")

	second.hold("#take-over-button")
	second.says("the second holds the controls", "controls", "You hold the controls, as phone 2")
	first.says("the first is told", "controls", "Phone 2 took them over from you")
	first.until("now it is the first that looks barred", barred)
	second.until("and not the second", `!(`+barred+`)`)
	second.do("press", chromedp.Click(chromedp.CSS(`form[action="/dry-run"] button`)))
	reachedDesk(t, d, "safe", "dry run")
	first.do("press as the one before", chromedp.Click(chromedp.CSS(`form[action="/dry-run"] button`)))
	first.says("the first is refused now", "answer", "Phone 2 holds the controls")
	first.hold("#safe-button")
	reachedDesk(t, d, "safe", "dry run", "safe")

	second.openSeat()
	second.hold("#unpair-button")
	second.until("an unpaired phone sees the pairing page", `document.querySelector("#pair") !== null`)
	first.says("the first is told that nobody holds the controls", "controls", "Nobody holds the controls")
	first.hold("#take-over-button")
	first.says("and takes them back", "controls", "You hold the controls, as phone 1")

	third := first.another()
	third.do("guess", chromedp.Navigate(home+"#k=GUESS"))
	third.until("a wrong code is refused in words", `document.body.innerText.includes("This is not the code")`)
	// Tries come back with time, so on a slow machine it takes more of them.
	for said := ""; !strings.Contains(said, "Too many tries. Wait a minute"); {
		third.do("guess on", chromedp.Evaluate[chromedp.Void](`(async () => {
			for (let i = 0; i < 6; i++) await fetch("/pair", { method: "POST", body: new URLSearchParams({ code: "GUESS" }) });
			document.querySelector("[role=alert]").remove();
			document.querySelector("#code").value = "GUESS";
			document.querySelector("#pair").requestSubmit();
		})()`, chromedp.EvalAwaitPromise))
		third.until("an answer", `document.querySelector("[role=alert]") !== null && document.querySelector("#code").value === ""`)
		said = asked[string](third, "the answer", `document.querySelector("[role=alert]").innerText`)
	}
	reachedDesk(t, d, "safe", "dry run", "safe")
}

// A page of another site, and one on another port of the very host, whose presses a
// browser sends with the phone's cookie: nothing of them arrives.
func TestOtherSitesInABrowser(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	_, home := served(t, d)
	p := newPhone(t, home)
	p.pair()
	foreign := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprintf(w, `<!doctype html><title>other</title><form method="post" action="%ssafe"><button>Win a prize</button></form>`, home)
	}))
	t.Cleanup(foreign.Close)
	_, port, err := net.SplitHostPort(strings.TrimPrefix(foreign.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	for _, site := range []string{"rig.test", "evil.test"} {
		other := "http://" + net.JoinHostPort(site, port) + "/"
		p.do("visit "+site, chromedp.Navigate(other))
		p.until("it is open", `document.title === "other"`)
		got := asked[string](p, "press from "+site, fmt.Sprintf(`(async () => {
			const home = %q, said = [];
			for (const path of ["safe", "keep", "take-over", "unpair", "seen?stream=x"]) {
				await fetch(home + path, { method: "POST", mode: "no-cors", credentials: "include", body: new URLSearchParams({ change: "c-0008" }) }).catch(() => said.push(path + " failed"));
			}
			await new Promise((done) => { const s = new WebSocket(home.replace("http", "ws") + "live?page=send"); s.onopen = () => { said.push("socket open"); done(); }; s.onclose = done; });
			await new Promise((done) => { const s = new EventSource(home + "events?page=send", { withCredentials: true }); s.onopen = () => { said.push("stream open"); done(); }; s.onerror = () => { s.close(); done(); }; });
			await fetch(home + "state.json", { credentials: "include" }).then(() => said.push("state read"), () => {});
			return said.join(", ");
		})()`, home), chromedp.EvalAwaitPromise)
		if got != "" {
			t.Errorf("a page of %s: %s", site, got)
		}
		p.do("press its form", chromedp.Click(chromedp.CSS("button")))
		p.until("the form is refused", `document.body.innerText.includes("another site")`)
	}
	// A rebound name is this very daemon under a name that is not its own.
	p.do("visit by a rebound name", chromedp.Navigate(strings.Replace(home, "rig.test", "evil.test", 1)))
	p.until("nothing is shown", `document.body.innerText.includes("does not answer to that host name")`)
	if got := d.Wishes(); len(got) != 0 {
		t.Errorf("the desk got %q", got)
	}
	p.goTo("send")
	p.says("the phone is paired as before and holds the controls", "controls", "You hold the controls, as phone 1")
}

// Where a live socket is refused the page follows by events, and says nothing of it.
func TestWithoutSocketsInABrowser(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	s := New(d, testAccess())
	web := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/live" {
			http.Error(w, "no sockets here", http.StatusForbidden)
			return
		}
		s.ServeHTTP(w, r)
	}))
	t.Cleanup(func() { s.Close(); web.CloseClientConnections(); web.Close() })
	p := newPhone(t, strings.Replace(web.URL, "127.0.0.1", "rig.test", 1)+"/")
	p.pair()
	p.goTo("measure")
	for i := range 3 {
		level := -float64(20 + i)
		d.Show(func(v *desk.View) { v.Feeds[0].LevelDB = level })
		p.says("a change arrives", "feeds", fmt.Sprintf("−%.1f", -level))
	}
	// A network that breaks the stream is got over.
	web.CloseClientConnections()
	d.Show(func(v *desk.View) { v.Feeds[0].LevelDB = -31 })
	p.says("it follows again", "feeds", "−31.0")
	p.until("and is live", `document.querySelector("#age").innerText === "Live"`)
	d.Show(func(v *desk.View) { v.Notice = "The daemon was stopped. All is well." })
	s.Close()
	p.says("it hears the goodbye", "stale", "The daemon was stopped. All is well.")
}

// Over TLS, with a certificate that nobody vouches for but the person who compared
// its key: the whole page, its live socket and its cookie.
func TestOverTLSInABrowser(t *testing.T) {
	d := desktest.New(desktest.View(control.Idle{}))
	at, err := doors.Open(doors.Wish{Listen: "127.0.0.1:0", Hosts: []string{"rig.test"}, TLS: true, Folder: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	rules := testAccess()
	rules.Hosts = at.Hosts
	s := New(d, rules)
	server := &http.Server{Handler: s, ReadHeaderTimeout: time.Minute}
	for _, l := range at.Listeners {
		go server.Serve(l)
	}
	t.Cleanup(func() { s.Close(); server.Close() })
	shown, err := tls.Dial("tcp", strings.TrimPrefix(at.URL, "https://"), &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	shown.Close()
	key := sha256.Sum256(shown.ConnectionState().PeerCertificates[0].RawSubjectPublicKeyInfo)
	home := strings.Replace(at.URL, "127.0.0.1", "rig.test", 1) + "/"

	p := newPhone(t, home, chromedp.Flag("ignore-certificate-errors-spki-list", base64.StdEncoding.EncodeToString(key[:])))
	p.pair()
	p.goTo("settings")
	p.until("it came over TLS, and follows by its socket", `isSecureContext && performance.getEntriesByType("resource").every((e) => !e.name.includes("/events"))`)
	p.do("press", chromedp.Click(chromedp.CSS(`form[action="/dry-run"] button`)))
	reachedDesk(t, d, "dry run")
	d.Show(func(v *desk.View) { v.Notice = "Over TLS as well." })
	p.says("a change arrives", "now", "Over TLS as well.")

	stranger := newPhone(t, home)
	if err := chromedp.Do(stranger.ctx, chromedp.Navigate(home)); err == nil || !strings.Contains(err.Error(), "ERR_CERT") {
		t.Errorf("who has not compared the key: %v, want the browser to warn", err)
	}
}
