package feed

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/agent"
	"hushback/verify/feed/protocol"
)

const (
	rate  = 48000
	token = "token of the test"
)

// rig is a hub with microphones "front" and "rear", or those named, behind a real
// socket. When the test ends it is closed and must leave no goroutine.
func rig(t testing.TB, microphones ...string) (*Hub, string) {
	t.Helper()
	if microphones == nil {
		microphones = []string{"front", "rear"}
	}
	before := runtime.NumGoroutine()
	hub := NewHub(microphones, token)
	hub.patience.tick = time.Hour // marks are only what a test asks for
	server := httptest.NewServer(hub)
	t.Cleanup(func() {
		hub.Close()
		server.Close()
		http.DefaultTransport.(*http.Transport).CloseIdleConnections()
		for wait := time.Millisecond; runtime.NumGoroutine() > before; wait *= 2 {
			if wait > 10*time.Second {
				buf := make([]byte, 1<<16)
				t.Fatalf("goroutines left behind:\n%s", buf[:runtime.Stack(buf, true)])
			}
			time.Sleep(wait)
		}
	})
	return hub, "ws" + strings.TrimPrefix(server.URL, "http")
}

func within(t testing.TB) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	t.Cleanup(cancel)
	return ctx
}

// player is an agent whose audio names its own samples.
type player struct {
	*agent.Agent
	mu   sync.Mutex
	next uint64 // index of the first sample not given yet
}

// connect starts an agent and waits until the hub has it.
func connect(t testing.TB, hub *Hub, url, microphone string) *player {
	t.Helper()
	a, err := agent.Start(url, token, protocol.Hello{Microphone: microphone, Rate: rate})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Close)
	await(t, "the connection", func() bool { return a.State().Connected })
	return &player{Agent: a}
}

func (p *player) at() uint64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.next
}

// play gives so many samples, skip leaves so many out.
func (p *player) play(samples int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	_ = p.Send(values(p.next, samples)) // they are pairs
	p.next += uint64(samples)
}

func (p *player) skip(samples uint64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.Skip(samples)
	p.next += samples
}

// await waits for something that is bound to happen.
func await(t testing.TB, what string, happened func() bool) {
	t.Helper()
	for ctx := within(t); !happened(); time.Sleep(time.Millisecond) {
		if ctx.Err() != nil {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// values give each sample index its own pair, exact in float32.
func values(first uint64, count int) []float32 {
	s := make([]float32, 0, 2*count)
	for i := range uint64(count) {
		v := float32((first+i)%9973) / 16384
		s = append(s, v, -v/2)
	}
	return s
}

func check(t testing.TB, r Recording, length int) {
	t.Helper()
	if r.Rate != rate || len(r.Reference) != length || len(r.Microphone) != length {
		t.Fatalf("recording of %d and %d samples at %d, want %d at %d", len(r.Reference), len(r.Microphone), r.Rate, length, rate)
	}
	want := values(r.First, length)
	for i := range length {
		if r.Reference[i] != float64(want[2*i]) || r.Microphone[i] != float64(want[2*i+1]) {
			t.Fatalf("sample %d of the recording: %v, %v; want %v, %v", i, r.Reference[i], r.Microphone[i], want[2*i], want[2*i+1])
		}
	}
}

// sec is how long so many samples last.
func sec(samples int) float64 { return float64(samples) / rate }

// scripted answers each mark with the next sample not given yet and then plays
// what the script says for that mark.
func scripted(t *testing.T, p *player, script ...func()) {
	asked := make(chan struct{}, 16)
	p.Marks(func() uint64 {
		defer func() { asked <- struct{}{} }()
		return p.at()
	})
	var done sync.WaitGroup
	done.Go(func() {
		for _, step := range script {
			if _, ok := <-asked; !ok {
				return
			}
			step()
		}
	})
	t.Cleanup(func() { p.Close(); close(asked); done.Wait() })
}

// blocks plays so many samples in blocks of every size.
func (p *player) blocks(samples int) {
	for n := 1; samples > 0; samples, n = samples-n, n%1500+37 {
		n = min(n, samples)
		p.play(n)
	}
}

func TestCapturesAreExact(t *testing.T) {
	hub, url := rig(t)
	for i, name := range []string{"front", "rear"} {
		p := connect(t, hub, url, name)
		p.skip(uint64(i) * 1e12)
		more := func() { p.blocks(50000) }
		scripted(t, p, more, more, more)
	}
	var all sync.WaitGroup
	for _, c := range []struct {
		microphone string
		base       uint64
		length     int
	}{{"front", 0, 49520}, {"rear", 1e12, 49520}, {"rear", 1e12, 1}, {"rear", 1e12, 30000}} { // three at once at one microphone
		all.Go(func() {
			r, err := hub.Capture(within(t), c.microphone, sec(480), sec(c.length))
			if err != nil {
				t.Error(err)
				return
			}
			if r.First < c.base+480 {
				t.Errorf("%s: first sample %d, want at least %d", c.microphone, r.First, c.base+480)
			}
			check(t, r, c.length)
		})
	}
	all.Wait()
}

func TestMarkDecidesWhereACaptureBegins(t *testing.T) {
	hub, url := rig(t)
	p := connect(t, hub, url, "rear")
	asked := make(chan struct{}, 1)
	p.Marks(func() uint64 { asked <- struct{}{}; return 1234 })
	p.play(1000)
	go func() { <-asked; p.play(5000) }()
	r, err := hub.Capture(within(t), "rear", sec(100), sec(2000))
	if err != nil {
		t.Fatal(err)
	}
	if r.First != 1334 {
		t.Errorf("first sample %d, want 1234 + 100", r.First)
	}
	check(t, r, 2000)
}

func TestGapIsTriedOnceMore(t *testing.T) {
	for _, c := range []struct {
		name   string
		whole  []bool // at the first mark, at the second
		settle int
		fails  bool
	}{
		{"second time whole", []bool{false, true}, 0, false},
		{"again broken", []bool{false, false}, 0, true},
		{"gap while settling", []bool{false}, 600, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			hub, url := rig(t)
			p := connect(t, hub, url, "rear")
			var script []func()
			for _, whole := range c.whole {
				script = append(script, func() {
					if !whole {
						p.play(500)
						p.skip(3)
					}
					p.play(2000)
				})
			}
			scripted(t, p, script...)
			r, err := hub.Capture(within(t), "rear", sec(c.settle), sec(1500))
			if errors.Is(err, errGap) != c.fails {
				t.Fatalf("error %v, want a gap: %t", err, c.fails)
			}
			if !c.fails {
				check(t, r, 1500)
			}
			want := len(slices.DeleteFunc(c.whole, func(whole bool) bool { return whole }))
			if got := hub.Feed("rear").Gaps; got != want {
				t.Errorf("status counts %d gaps, want %d", got, want)
			}
		})
	}
}

func TestCaptureFails(t *testing.T) {
	hub, url := rig(t)
	hub.patience.sample, hub.patience.resume = 50*time.Millisecond, 50*time.Millisecond
	mute := connect(t, hub, url, "rear") // answers marks, sends nothing
	for _, c := range []struct {
		name, microphone string
		settle, length   int
		want             string
	}{
		{"not connected", "front", 0, 10, `capture at microphone "front": not connected`},
		{"unknown", "side", 0, 10, `"side": not connected`},
		{"silent", "rear", 0, 10, "no samples for 50ms"},
		{"no length", "rear", 0, 0, "length 0 s, want"},
		{"settle below zero", "rear", -1, 10, "settle -2.08"},
	} {
		if _, err := hub.Capture(within(t), c.microphone, sec(c.settle), sec(c.length)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := hub.Capture(ctx, "rear", 0, sec(10)); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: error %v", err)
	}
	mute.play(10)
	mute.Marks(func() uint64 { return 1 << 40 })
	await(t, "samples on the tape", func() bool { return hub.place("rear").tape.expected() > 0 })
	if _, err := hub.Capture(within(t), "rear", sec(0), sec(10)); err == nil || !strings.Contains(err.Error(), "far from the samples it sends") {
		t.Errorf("absurd mark: error %v", err)
	}
	hold := make(chan struct{})
	defer close(hold)
	mute.Marks(func() uint64 { <-hold; return 0 })
	if _, err := hub.Capture(within(t), "rear", sec(0), sec(10)); err == nil || !strings.Contains(err.Error(), "no answer to a mark") {
		t.Errorf("unanswered mark: error %v", err)
	}
}

func TestStatus(t *testing.T) {
	hub, url := rig(t)
	a := connect(t, hub, url, "rear")
	loud := make([]float32, 2*rate)
	for i := range loud {
		loud[i] = 1
	}
	if err := a.Send(loud); err != nil {
		t.Fatal(err)
	}
	await(t, "a second of full scale", func() bool { return hub.Feed("rear").LevelDB == 0 })
	for name, want := range map[string]Status{
		"front": {LevelDB: silenceDB}, "rear": {Connected: true, Rate: rate, Clipped: true}, "nobody": {LevelDB: silenceDB},
	} {
		if got := hub.Feed(name); got != want {
			t.Errorf("%s: status %+v, want %+v", name, got, want)
		}
	}
}

func (h *Hub) place(microphone string) place {
	h.mu.Lock()
	defer h.mu.Unlock()
	return *h.places[microphone]
}

// Another agent is refused while one is there, and takes its place once that is
// gone for good.
func TestAgentReplaced(t *testing.T) {
	hub, url := rig(t)
	hub.patience.resume = 100 * time.Millisecond
	first := connect(t, hub, url, "rear")
	first.play(100)
	asked := make(chan struct{}, 1)
	first.Marks(func() uint64 { asked <- struct{}{}; return 0 })
	second, err := agent.Start(url, token, protocol.Hello{Microphone: "rear", Rate: rate})
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	want := `microphone "rear" is already connected`
	await(t, "the refusal", func() bool { return strings.Contains(second.State().Trouble, want) })
	if s := hub.Feed("rear"); !s.Connected || !strings.Contains(s.Trouble, want) {
		t.Errorf("status %+v, want the second agent told of", s)
	}
	failed := make(chan error)
	go func() {
		_, err := hub.Capture(within(t), "rear", 0, sec(1000))
		failed <- err
	}()
	<-asked
	first.Close()
	if err := <-failed; !errors.Is(err, errLost) && !errors.Is(err, errNotConnected) {
		t.Errorf("capture from an agent that left: error %v, want %v", err, errLost)
	}
	p := &player{Agent: second}
	scripted(t, p, func() { p.blocks(5000) })
	await(t, "the other agent", func() bool { return second.State().Connected })
	r, err := hub.Capture(within(t), "rear", 0, sec(1000))
	if err != nil {
		t.Fatal(err)
	}
	check(t, r, 1000)
}

func TestHubCloseSaysGoingAway(t *testing.T) {
	hub, url := rig(t)
	conn := dial(t, url, greeting("front", rate))
	hear(t, conn) // welcome
	closed := make(chan struct{})
	go func() { hub.Close(); close(closed) }()
	_, _, err := conn.ReadMessage()
	if !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("read %v, want close 1001", err)
	}
	<-closed
	hub.Close() // twice is harmless
	late, err := agent.Start(url, token, protocol.Hello{Microphone: "front", Rate: rate})
	if err != nil {
		t.Fatal(err)
	}
	defer late.Close()
	await(t, "a 503", func() bool { return strings.Contains(late.State().Trouble, "503") })
	if _, err := hub.Capture(within(t), "front", sec(0), sec(1)); err == nil {
		t.Error("capture after close worked")
	}
}

func TestZeroHubIsSafe(t *testing.T) {
	var hub Hub
	w := httptest.NewRecorder()
	hub.ServeHTTP(w, httptest.NewRequest("GET", "/", nil))
	if w.Code != http.StatusUnauthorized {
		t.Errorf("status %d, want 401", w.Code)
	}
	if _, err := hub.Capture(context.Background(), "x", 0, 1); err == nil {
		t.Error("a capture out of nothing")
	}
	hub.Close()
}

// An agent that sends, but far too slowly, does not hold a capture up: each
// frame alone is in time, so only the whole can tell.
func TestSlowSenderIsGivenUp(t *testing.T) {
	hub, url := rig(t)
	hub.patience.sample, hub.patience.resume = 700*time.Millisecond, 100*time.Millisecond
	p := connect(t, hub, url, "rear")
	p.Marks(func() uint64 { return 0 })
	ctx, stop := context.WithCancel(context.Background())
	var sending sync.WaitGroup
	sending.Go(func() {
		for ; ctx.Err() == nil; time.Sleep(10 * time.Millisecond) {
			p.play(1)
		}
	})
	_, err := hub.Capture(within(t), "rear", sec(0), sec(4800))
	stop()
	sending.Wait()
	if err == nil || !strings.Contains(err.Error(), "only some of 4800 samples after 2.3s: it sends too slowly") {
		t.Errorf("got %v, want it given up", err)
	}
}
