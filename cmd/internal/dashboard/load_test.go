package dashboard

import (
	"os"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk/desktest"
)

// One bar of wifi.
const (
	slowBytesPerSec = 125e3 // 1 Mbit/s
	slowLatencyMs   = 200
	mostAtFirst     = 150e3 // bytes
	usableWithin    = time.Second
)

// meter counts what a phone takes from its network, over requests and over the
// live socket.
type meter struct {
	mu              sync.Mutex
	bytes, requests int
}

func (m *meter) hear(ev any) {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch e := ev.(type) {
	case *network.EventLoadingFinished:
		if m.bytes += int(e.EncodedDataLength); e.EncodedDataLength > 0 { // else it was kept
			m.requests++
		}
	case *network.EventWebSocketFrameReceived:
		m.bytes += len(e.Response.PayloadData)
	}
}

// take is what was counted since the last time.
func (m *meter) take() (bytes, requests int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	bytes, requests = m.bytes, m.requests
	m.bytes, m.requests = 0, 0
	return bytes, requests
}

// Over one bar of wifi every page is there within a second, is styled and shows
// what it draws, and from the second page on nothing is loaded that is there.
func TestFirstLoad(t *testing.T) {
	d := desktest.New(desktest.View(desktest.States()["held"]))
	_, home := served(t, d)
	p := newPhone(t, home)
	p.pair()
	var m meter
	if err := chromedp.Listen(p.ctx, m.hear); err != nil {
		t.Fatal(err)
	}
	slow := network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{{Latency: slowLatencyMs, DownloadThroughput: slowBytesPerSec, UploadThroughput: slowBytesPerSec}}}
	if _, err := chromedp.Call(p.ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(p.ctx, network.EmulateNetworkConditionsByRule, slow); err != nil {
		t.Fatal(err)
	}
	for _, page := range pages.All() {
		p.do("leave", chromedp.Navigate("about:blank"))
		if _, err := chromedp.Call(p.ctx, network.ClearBrowserCache, cdp.Empty{}); err != nil {
			t.Fatal(err)
		}
		m.take()
		p.goTo(page.Name)
		usable := time.Duration(asked[float64](p, "when it was usable", `(() => { const n = performance.getEntriesByType("navigation")[0]; return Math.max(n.domContentLoadedEventEnd, n.loadEventEnd); })()`) * float64(time.Millisecond))
		if !asked[bool](p, "look at its style", `getComputedStyle(document.querySelector(".way-back")).position === "fixed"`) {
			t.Errorf("%s has no style", page.Name)
		}
		bytes, requests := m.take()
		t.Logf("%s: %.1f kB in %d requests, usable after %s", page.Name, float64(bytes)/1000, requests, usable.Round(time.Millisecond))
		if bytes > mostAtFirst {
			t.Errorf("%s takes %d bytes, want at most %.0f", page.Name, bytes, mostAtFirst)
		}
		if os.Getenv(phonesFor) != "" && usable > usableWithin {
			t.Errorf("%s is usable after %s, want %s", page.Name, usable, usableWithin)
		}
	}
	p.goTo("send")
	if bytes, requests := m.take(); requests != 1 {
		t.Errorf("going on to another page takes %d requests and %d bytes, want its page alone", requests, bytes)
	}
}
