package feed

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
)

const (
	rate  = 48000
	token = "token of the test"
)

// rig is a hub with microphones "front" and "rear" behind a real socket. When
// the test ends it is closed and must leave no goroutine.
func rig(t *testing.T) (*Hub, string) {
	t.Helper()
	before := runtime.NumGoroutine()
	hub := NewHub([]string{"front", "rear"}, rate, token)
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

func within(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	t.Cleanup(cancel)
	return ctx
}

func connect(t *testing.T, url, microphone string) *Agent {
	t.Helper()
	a, err := Connect(within(t), url, token, Hello{Microphone: microphone, Rate: rate})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Close)
	return a
}

// await waits for something that is bound to happen.
func await(t *testing.T, what string, happened func() bool) {
	t.Helper()
	for ctx := within(t); !happened(); time.Sleep(time.Millisecond) {
		if ctx.Err() != nil {
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// takeOver connects once the hub has seen that the agent before is gone.
func takeOver(t *testing.T, url, microphone string) (a *Agent) {
	t.Helper()
	await(t, "the old connection's end", func() bool {
		var err error
		a, err = Connect(within(t), url, token, Hello{Microphone: microphone, Rate: rate})
		return err == nil
	})
	t.Cleanup(a.Close)
	return a
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

func check(t *testing.T, r Recording, length int) {
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

// stream counts from sample first on and, for each mark, sends so many samples
// in blocks of every size. More than the tape holds at once would race with
// the captures reading it; a real microphone is no faster than time.
func stream(t *testing.T, a *Agent, first uint64, samples int) {
	a.Skip(first)
	asked := make(chan struct{}, 16)
	a.Marks(func() uint64 {
		asked <- struct{}{}
		return a.sent()
	})
	var done sync.WaitGroup
	done.Go(func() {
		for range asked {
			for left, n := samples, 1; left > 0; left, n = left-n, min(left-n, n%1500+37) {
				if a.Send(context.Background(), values(a.sent(), n)) != nil {
					return
				}
			}
		}
	})
	t.Cleanup(func() { a.Close(); close(asked); done.Wait() })
}

// sent is the index of the first sample not sent yet.
func (a *Agent) sent() uint64 {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.next
}

func TestCapturesAreExact(t *testing.T) {
	hub, url := rig(t)
	for i, name := range []string{"front", "rear"} {
		stream(t, connect(t, url, name), uint64(i)*1e12, 50000)
	}
	var all sync.WaitGroup
	for _, c := range []struct {
		microphone string
		base       uint64
		length     int
	}{{"front", 0, 49520}, {"rear", 1e12, 49520}, {"rear", 1e12, 1}, {"rear", 1e12, 30000}} { // three at once at one microphone
		all.Go(func() {
			r, err := hub.Capture(within(t), c.microphone, 480, c.length)
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
	a := connect(t, url, "rear")
	asked := make(chan struct{}, 1)
	a.Marks(func() uint64 { asked <- struct{}{}; return 1234 })
	if err := a.Send(within(t), values(0, 1000)); err != nil {
		t.Fatal(err)
	}
	go func() {
		<-asked
		_ = a.Send(context.Background(), values(1000, 5000)) // the capture fails if this does
	}()
	r, err := hub.Capture(within(t), "rear", 100, 2000)
	if err != nil {
		t.Fatal(err)
	}
	if r.First != 1334 {
		t.Errorf("first sample %d, want 1234 + 100", r.First)
	}
	check(t, r, 2000)
}

// scripted answers each mark with the next unsent sample and then sends what
// the script says for that mark.
func scripted(t *testing.T, a *Agent, script ...func(at uint64)) {
	marks := make(chan uint64, len(script)+1)
	a.Marks(func() uint64 {
		at := a.sent()
		marks <- at
		return at
	})
	var done sync.WaitGroup
	done.Go(func() {
		for _, step := range script {
			at, ok := <-marks
			if !ok {
				return
			}
			step(at)
		}
	})
	t.Cleanup(func() { a.Close(); close(marks); done.Wait() })
}

func TestGapIsTriedOnceMore(t *testing.T) {
	send := func(a *Agent, at uint64, n int) { _ = a.Send(context.Background(), values(at, n)) } // seen in the capture
	broken := func(a *Agent) func(uint64) {
		return func(at uint64) { send(a, at, 500); a.Skip(3); send(a, at+503, 2000) }
	}
	whole := func(a *Agent) func(uint64) { return func(at uint64) { send(a, at, 2000) } }

	t.Run("second time whole", func(t *testing.T) {
		hub, url := rig(t)
		a := connect(t, url, "rear")
		scripted(t, a, broken(a), whole(a))
		r, err := hub.Capture(within(t), "rear", 0, 1500)
		if err != nil {
			t.Fatal(err)
		}
		check(t, r, 1500)
		if s := hub.Status()[1]; s.Gaps != 1 {
			t.Errorf("status counts %d gaps, want 1", s.Gaps)
		}
	})
	t.Run("again broken", func(t *testing.T) {
		hub, url := rig(t)
		a := connect(t, url, "rear")
		scripted(t, a, broken(a), broken(a), whole(a))
		if _, err := hub.Capture(within(t), "rear", 0, 1500); !errors.Is(err, errGap) {
			t.Errorf("error %v, want a gap", err)
		}
	})
	t.Run("gap while settling", func(t *testing.T) {
		hub, url := rig(t)
		a := connect(t, url, "rear")
		scripted(t, a, broken(a))
		r, err := hub.Capture(within(t), "rear", 600, 1500)
		if err != nil {
			t.Fatal(err)
		}
		check(t, r, 1500)
	})
}

func TestCaptureFails(t *testing.T) {
	hub, url := rig(t)
	hub.patience = 50 * time.Millisecond
	mute := connect(t, url, "rear") // answers marks, sends nothing
	for _, c := range []struct {
		name, microphone string
		settle, length   int
		want             string
	}{
		{"not connected", "front", 0, 10, `capture at microphone "front": not connected`},
		{"unknown", "side", 0, 10, `"side": not connected`},
		{"silent", "rear", 0, 10, "no samples for 50ms"},
		{"no length", "rear", 0, 0, "want at least 0 and 1"},
		{"settle below zero", "rear", -1, 10, "want at least 0 and 1"},
	} {
		if _, err := hub.Capture(within(t), c.microphone, c.settle, c.length); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := hub.Capture(ctx, "rear", 0, 10); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: error %v", err)
	}
	if err := mute.Send(within(t), values(0, 10)); err != nil {
		t.Fatal(err)
	}
	mute.Marks(func() uint64 { return 1 << 40 })
	await(t, "samples on the tape", func() bool { return !hub.line("rear").tape.near(1 << 40) })
	if _, err := hub.Capture(within(t), "rear", 0, 10); err == nil || !strings.Contains(err.Error(), "far from the samples it sends") {
		t.Errorf("absurd mark: error %v", err)
	}
	hold := make(chan struct{})
	defer close(hold)
	mute.Marks(func() uint64 { <-hold; return 0 })
	if _, err := hub.Capture(within(t), "rear", 0, 10); err == nil || !strings.Contains(err.Error(), "no answer to a mark") {
		t.Errorf("unanswered mark: error %v", err)
	}
}

func TestStatus(t *testing.T) {
	hub, url := rig(t)
	a := connect(t, url, "rear")
	loud := make([]float32, 2*rate)
	for i := range loud {
		loud[i] = 1
	}
	if err := a.Send(within(t), loud); err != nil {
		t.Fatal(err)
	}
	await(t, "a second of full scale", func() bool { return hub.Status()[1].LevelDB == 0 })
	got := hub.Status()
	want := []Status{
		{Microphone: "front", Rate: rate, LevelDB: silenceDB},
		{Microphone: "rear", Connected: true, Rate: rate, Clipped: true},
	}
	if len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("status %+v, want %+v", got, want)
	}
}

// An agent's machine dies without a goodbye; another takes its place.
func TestAgentKilledAndReconnected(t *testing.T) {
	hub, url := rig(t)
	first := connect(t, url, "rear")
	if err := first.Send(within(t), values(0, 100)); err != nil {
		t.Fatal(err)
	}
	_, err := Connect(within(t), url, token, Hello{Microphone: "rear", Rate: rate})
	if err == nil || !strings.Contains(err.Error(), `microphone "rear" is already connected`) {
		t.Fatalf("second agent: error %v, want a refusal", err)
	}
	asked := make(chan struct{})
	first.Marks(func() uint64 { close(asked); return 0 })
	failed := make(chan error)
	go func() {
		_, err := hub.Capture(within(t), "rear", 0, 1000)
		failed <- err
	}()
	<-asked
	first.link.conn.NetConn().Close()
	if err := <-failed; !errors.Is(err, errClosed) {
		t.Errorf("capture from a killed agent: error %v, want %v", err, errClosed)
	}
	second := takeOver(t, url, "rear")
	stream(t, second, 77, 5000)
	r, err := hub.Capture(within(t), "rear", 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	check(t, r, 1000)
	if err := first.Send(within(t), values(0, 10000)); err == nil { // fills the queue if nothing else
		err = first.Send(within(t), values(0, 1e6))
		if !errors.Is(err, errClosed) {
			t.Errorf("send on a dead connection: error %v, want %v", err, errClosed)
		}
	}
}

func TestHubCloseSaysGoingAway(t *testing.T) {
	hub, url := rig(t)
	conn := dial(t, url, greeting("front", rate))
	readNote(t, conn) // welcome
	closed := make(chan struct{})
	go func() { hub.Close(); close(closed) }()
	_, _, err := conn.ReadMessage()
	if !websocket.IsCloseError(err, websocket.CloseGoingAway) {
		t.Errorf("read %v, want close 1001", err)
	}
	<-closed
	hub.Close() // twice is harmless
	if _, err := Connect(within(t), url, token, Hello{Microphone: "front", Rate: rate}); err == nil || !strings.Contains(err.Error(), "503") {
		t.Errorf("connect after close: error %v, want 503", err)
	}
	if _, err := hub.Capture(within(t), "front", 0, 1); err == nil {
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
	hub.patience = 700 * time.Millisecond
	a := connect(t, url, "rear")
	ended, sent := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(sent)
		for first := uint64(0); ; first++ {
			select {
			case <-ended:
				return
			case <-time.After(10 * time.Millisecond):
			}
			if a.Send(context.Background(), values(first, 1)) != nil {
				return
			}
		}
	}()
	_, err := hub.Capture(within(t), "rear", 0, 4800)
	close(ended)
	<-sent
	if err == nil || !strings.Contains(err.Error(), "of 4800 samples after 2.2s: it sends too slowly") {
		t.Errorf("got %v, want it given up", err)
	}
}
