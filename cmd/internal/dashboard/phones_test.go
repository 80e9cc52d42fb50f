package dashboard

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"go.uber.org/goleak"

	"hushback/cmd/internal/dashboard/pages"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/control"
	"hushback/engine"
	"hushback/verify"
)

// How many phones hang on a daemon for how long. Two pages open on each, since no
// more pairings than that are let in within a minute.
const (
	manyPhones   = 50
	changesEvery = 200 * time.Millisecond
	phonesFor    = "HUSHTEST_PHONES" // a duration; time is judged only where it is set
)

// happened is when each change of a crowd's desk came about, and which pages show it.
type happened struct {
	mu   sync.Mutex
	at   map[uint64]time.Time
	only map[uint64]string // "" for all pages
}

// onlooker is a page as live.js follows it, over a real socket.
type onlooker struct {
	conn   *websocket.Conn
	page   pages.Page
	cookie *http.Cookie
	writes sync.Mutex

	mu    sync.Mutex // guards what it has on screen
	parts map[string]string
	seen  uint64

	began   time.Time // with the first picture, which does not count
	bytes   int
	took    [2000]int // changes by how long they took to arrive, ms
	pending uint64    // the first change that it has not looked for yet
	lost    error
	over    chan struct{}
}

func (o *onlooker) beat(seen int64) error {
	o.writes.Lock()
	defer o.writes.Unlock()
	return o.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"seen":%d}`, seen))
}

// follow takes pictures in and says so, and beats once a second besides.
func (o *onlooker) follow(h *happened) {
	defer close(o.over)
	seen := make(chan int64, 1)
	var beating sync.WaitGroup
	defer beating.Wait()
	defer close(seen)
	beating.Go(func() {
		tick, last := time.NewTicker(time.Second), int64(-1)
		defer tick.Stop()
		for {
			select {
			case s, open := <-seen:
				if !open {
					return
				}
				last = s
			case <-tick.C:
			}
			if o.beat(last) != nil {
				o.conn.Close()
			}
		}
	})
	for {
		_, text, err := o.conn.ReadMessage()
		if err != nil {
			o.lost = err
			return
		}
		now := time.Now()
		var f frame
		if o.lost = json.Unmarshal(text, &f); o.lost != nil {
			return
		}
		if len(f.Sections) == 0 {
			o.bytes += len(text)
			continue
		}
		if o.began.IsZero() {
			o.began, o.pending = now, f.Seq+1
		} else {
			o.bytes += len(text)
		}
		o.mu.Lock()
		maps.Copy(o.parts, f.Sections)
		o.seen = f.Seq
		o.mu.Unlock()
		o.time(h, now)
		seen <- int64(f.Seq)
	}
}

// screen is what it shows: the number of the picture and its parts.
func (o *onlooker) screen() (uint64, map[string]string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.seen, maps.Clone(o.parts)
}

// time notes how long the changes took that a picture shows.
func (o *onlooker) time(h *happened, now time.Time) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for ; o.pending <= o.seen; o.pending++ {
		if only := h.only[o.pending]; only == "" || only == o.page.Name {
			if at, known := h.at[o.pending]; known {
				o.took[min(len(o.took)-1, int(now.Sub(at).Milliseconds()))]++
			}
		}
	}
}

// crowd is a desk with many phones on it.
type crowd struct {
	server *Server
	desk   *desktest.Desk
	web    *httptest.Server
	phones []*onlooker
	happened
}

func newCrowd(t *testing.T) *crowd {
	d := desktest.New(desktest.View(desktest.States()["measuring"]))
	c := &crowd{desk: d, server: New(d, testAccess()), happened: happened{at: map[uint64]time.Time{}, only: map[uint64]string{}}}
	c.web = httptest.NewServer(c.server)
	var cookies []*http.Cookie
	for i := range manyPhones / 2 {
		r := visit{method: "POST", path: "/pair", form: map[string][]string{"code": {testCode}}, headers: fromScript(), from: fmt.Sprintf("10.0.%d.7:1", i)}.to(c.server)
		if r.StatusCode != http.StatusNoContent {
			t.Fatalf("phone %d: got %d: %s", i, r.StatusCode, bodyOf(t, r))
		}
		cookies = append(cookies, r.Cookies()[0])
	}
	address := strings.TrimPrefix(c.web.URL, "http://")
	port := address[strings.LastIndex(address, ":")+1:]
	for i := range manyPhones {
		o := &onlooker{page: pages.All()[i%len(pages.All())], cookie: cookies[i/2], parts: map[string]string{}, over: make(chan struct{})}
		o.cookie.Name = "hushback_" + port
		header := http.Header{"Origin": {c.web.URL}, "Cookie": {o.cookie.Name + "=" + o.cookie.Value}}
		conn, answer, err := websocket.DefaultDialer.Dial("ws://"+address+"/live?page="+o.page.Name, header)
		if err != nil {
			t.Fatalf("phone %d: %v, %+v", i, err, answer)
		}
		o.conn = conn
		c.phones = append(c.phones, o)
		go o.follow(&c.happened)
	}
	return c
}

// change shows a change that only one page shows, or all.
func (c *crowd) change(only string, how func(*desk.View)) {
	seat := c.server.door.Controls().Seq
	c.desk.Show(func(v *desk.View) {
		how(v)
		c.mu.Lock()
		defer c.mu.Unlock()
		c.at[v.Seq+1+seat], c.only[v.Seq+1+seat] = time.Now(), only
	})
}

// measure changes the desk as a series of captures does: levels all the time, what
// is being done twice in three seconds, a capture each three.
func (c *crowd) measure(random *rand.Rand, until time.Time) (changes int) {
	tick := time.NewTicker(changesEvery)
	defer tick.Stop()
	for ; time.Now().Before(until); changes++ {
		switch changes % 15 {
		case 4, 9:
			c.change("", func(v *desk.View) { v.Doing = fmt.Sprintf("listening to output %d alone", v.Seq) })
		case 14:
			c.change("", func(v *desk.View) {
				v.Doing = fmt.Sprintf("listening to everything, time %d", v.Seq)
				if v.Captures = slices.Clone(v.Captures); len(v.Captures) >= 10 {
					v.Captures = nil // the next series
				}
				v.Captures = append(v.Captures, desktest.Capture(engine.RoleRear, "back fence", verify.Everything, v.Prediction.Rear))
			})
		default:
			c.change("measure", func(v *desk.View) {
				v.Feeds = slices.Clone(v.Feeds)
				for i := range v.Feeds {
					v.Feeds[i].LevelDB = -20 - 40*random.Float64()
				}
			})
		}
		<-tick.C
	}
	return changes
}

// held is what the heap holds, the dead taken away.
func held() uint64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}

// Fifty phones look on while it is measured. All end with what stands at the end,
// none is dropped, none takes more of the network than it may, nothing piles up in
// memory and nothing is left running.
func TestManyPhones(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	lasting, long := 5*time.Second, false
	if text := os.Getenv(phonesFor); text != "" {
		var err error
		if lasting, err = time.ParseDuration(text); err != nil {
			t.Fatalf("%s: %v", phonesFor, err)
		}
		long = true
	}
	const seed = 7
	random := rand.New(rand.NewPCG(seed, 0))
	c := newCrowd(t)
	began := time.Now()
	changes := c.measure(random, began.Add(lasting/4))
	quarter := held()
	changes += c.measure(random, began.Add(lasting))
	end := held()
	// At the end much at once: the last of it comes while the first is under way.
	for i := range 10 {
		c.change("", func(v *desk.View) { v.Doing = fmt.Sprint("nearly the end, ", i) })
		time.Sleep(time.Millisecond)
	}
	c.change("", func(v *desk.View) { v.State, v.Doing = control.Kept{Change: "c-0008"}, "the end" })
	for _, o := range c.phones {
		c.wantFinal(t, o)
	}
	// Flat: what one picture and its parts need more or less at another moment is
	// far below this; 50 phones that each kept a picture a second would be far above.
	if end > quarter+quarter/5+1<<20 {
		t.Errorf("the heap grew from %d kB at a quarter of the time to %d kB", quarter>>10, end>>10)
	}
	c.server.Close()
	c.web.Close()
	var took [len(onlooker{}.took)]int
	for i, o := range c.phones {
		<-o.over
		if !websocket.IsCloseError(o.lost, websocket.CloseGoingAway) {
			t.Errorf("phone %d ended with %v", i, o.lost)
		}
		if perSec := float64(o.bytes) / time.Since(o.began).Seconds(); perSec > 20e3 {
			t.Errorf("phone %d on %s takes %.0f bytes a second, want at most 20 kB", i, o.page.Name, perSec)
		} else if i < len(pages.All()) {
			t.Logf("%s: %.1f kB a second", o.page.Name, perSec/1000)
		}
		for ms, n := range o.took {
			took[ms] += n
		}
	}
	median, p99, count := quantile(took[:], 0.5), quantile(took[:], 0.99), quantile(took[:], 1)
	t.Logf("%d phones, %d changes in %s, seed %d: a change arrives within %d ms half of the time, %d ms 99 of 100 times, %d ms at worst; heap %d kB at a quarter, %d kB at the end",
		manyPhones, changes, time.Since(began).Round(time.Second), seed, median, p99, count, quarter>>10, end>>10)
	if long && p99 >= 250 {
		t.Errorf("99 of 100 changes arrive within %d ms, want 250", p99)
	}
}

// quantile is the number of the bin below which a share of all counts lies.
func quantile(counts []int, share float64) int {
	all := 0
	for _, n := range counts {
		all += n
	}
	sum := 0
	for i, n := range counts {
		if sum += n; float64(sum) >= share*float64(all) {
			return i
		}
	}
	return len(counts)
}

// wantFinal waits for the last picture and compares it with the page that a browser
// would get now.
func (c *crowd) wantFinal(t *testing.T, o *onlooker) {
	t.Helper()
	last := c.desk.View().Seq + c.server.door.Controls().Seq
	seen, parts := o.screen()
	for deadline := time.Now().Add(time.Minute); seen != last; seen, parts = o.screen() {
		if time.Now().After(deadline) {
			t.Fatalf("%s: the last picture, number %d, never came", o.page.Name, last)
		}
		time.Sleep(5 * time.Millisecond)
	}
	r, err := http.NewRequest("GET", c.web.URL+"/"+o.page.Name, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.AddCookie(o.cookie)
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer http.DefaultClient.CloseIdleConnections()
	defer answer.Body.Close()
	body, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range o.page.Parts() {
		if !strings.Contains(string(body), parts[id]) || parts["now"] == "" {
			t.Errorf("%s: part %q is not what stands at the end", o.page.Name, id)
		}
	}
}
