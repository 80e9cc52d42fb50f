package feed

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/gorilla/websocket"

	"hushback/verify/feed/agent"
	"hushback/verify/feed/protocol"
)

// saboteur is a TCP proxy that, by a seed, slows connections down and kills them
// after a random number of bytes in either direction, in the middle of whatever
// passes: handshakes, frames, acknowledgements.
type saboteur struct {
	url    string
	kills  atomic.Int64
	shut   atomic.Bool // nobody gets through
	cut    func()      // kills all connections now
	mu     sync.Mutex
	random *rand.Rand
}

func sabotage(t *testing.T, url string, seed uint64, least, most int64) *saboteur {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &saboteur{url: "ws://" + l.Addr().String(), random: rand.New(rand.NewPCG(seed, 6))}
	var all sync.WaitGroup
	open := map[net.Conn]bool{}
	ctx, cancel := context.WithCancel(context.Background())
	s.cut = func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		for c := range open {
			c.Close()
		}
	}
	all.Go(func() {
		for {
			near, err := l.Accept()
			if err != nil {
				return
			}
			if s.shut.Load() {
				near.Close()
				continue
			}
			far, err := net.Dial("tcp", strings.TrimPrefix(url, "ws://"))
			if err != nil {
				near.Close()
				continue
			}
			s.mu.Lock()
			open[near], open[far] = true, true
			budget := new(atomic.Int64)
			budget.Store(least + s.random.Int64N(most-least))
			slow := s.random.IntN(3) == 0
			s.mu.Unlock()
			cut := func() { near.Close(); far.Close() }
			all.Go(func() { s.carry(ctx, near, far, budget, slow); cut() })
			all.Go(func() { s.carry(ctx, far, near, budget, slow); cut() })
		}
	})
	t.Cleanup(func() {
		cancel()
		l.Close()
		s.cut()
		all.Wait()
	})
	return s
}

// carry copies until the two directions' common budget is spent.
func (s *saboteur) carry(ctx context.Context, from, to net.Conn, budget *atomic.Int64, slow bool) {
	buffer := make([]byte, 16<<10)
	for {
		n, err := from.Read(buffer)
		left := budget.Add(int64(-n)) + int64(n)
		killed := left < int64(n)
		if killed {
			n = int(max(0, left))
		}
		if slow {
			select {
			case <-time.After(time.Duration(n) * time.Second / (8 << 20)):
			case <-ctx.Done():
			}
		}
		if _, werr := to.Write(buffer[:n]); werr != nil || err != nil {
			return
		}
		if killed {
			s.kills.Add(1)
			return
		}
	}
}

// start is an agent that is not waited for.
func start(t *testing.T, url string, said protocol.Hello) *agent.Agent {
	t.Helper()
	if said.Microphone == "" {
		said.Microphone, said.Rate = "rear", rate
	}
	a, err := agent.Start(url, token, said)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Close)
	return a
}

// steps are like values, but such that 16 bits hold them.
func steps(first uint64, count int) []float32 {
	s := make([]float32, 0, 2*count)
	for i := range uint64(count) {
		v := float32((first+i)%9973) / 32768
		s = append(s, 2*v, -v)
	}
	return s
}

// Every sample arrives exactly once, under its own index, however often the
// connections are killed or slowed on their way: in all formats and at many rates,
// eight agents at once.
func TestNothingIsLostOrDoubled(t *testing.T) {
	rates := []int{44100, 48000, 88200, 96000, 176400, 192000}
	var names []string
	for seed := range 8 {
		names = append(names, fmt.Sprint("microphone ", seed))
	}
	hub, url := rig(t, names...)
	var all sync.WaitGroup
	for seed, name := range names {
		said := protocol.Hello{
			Microphone: name, Rate: rates[seed%len(rates)],
			Layout: protocol.Layout{Format: protocol.Formats()[seed%4], MicrophoneFirst: seed >= 4},
		}
		proxy := sabotage(t, url, uint64(seed), 2000, 4*int64(said.Rate))
		a := start(t, proxy.url, said)
		await(t, "the first connection", func() bool { return hub.place(name).tape != nil })
		all.Go(func() {
			got, err := throughSabotage(t, hub, a, said, rand.New(rand.NewPCG(uint64(seed), 7)))
			if err != nil {
				t.Errorf("seed %d: %v, %+v", seed, err, a.State())
				return
			}
			want := steps(0, len(got.Reference))
			for i := range got.Reference {
				if got.Reference[i] != float64(want[2*i]) || got.Microphone[i] != float64(want[2*i+1]) {
					t.Errorf("seed %d: sample %d: %v, %v; want %v, %v", seed, i, got.Reference[i], got.Microphone[i], want[2*i], want[2*i+1])
					return
				}
			}
			if _, _, gaps := hub.place(name).tape.level(); gaps != 0 || a.State().Lost != 0 || got.Rate != said.Rate {
				t.Errorf("seed %d: %d gaps, %d lost, at %d", seed, gaps, a.State().Lost, got.Rate)
			}
			if proxy.kills.Load() < 3 {
				t.Errorf("seed %d: only %d connections killed", seed, proxy.kills.Load())
			}
			t.Logf("seed %d, %d Hz, %+v: %d connections killed", seed, said.Rate, said.Layout, proxy.kills.Load())
		})
	}
	all.Wait()
}

// throughSabotage sends three seconds and is what arrived of them.
func throughSabotage(t *testing.T, hub *Hub, a *agent.Agent, said protocol.Hello, random *rand.Rand) (Recording, error) {
	length := 3 * said.Rate
	tape := hub.place(said.Microphone).tape
	s := tape.want(0, length)
	for at := 0; at < length; {
		n := min(length-at, 1+random.IntN(said.Rate/5))
		if err := a.Send(steps(uint64(at), n)); err != nil {
			return Recording{}, err
		}
		if at += n; random.IntN(7) == 0 || at > length/2 { // before that, sometimes far ahead of the hub
			if err := a.Flush(within(t)); err != nil {
				return Recording{}, err
			}
		}
	}
	if err := a.Flush(within(t)); err != nil {
		return Recording{}, err
	}
	if next := tape.expected(); next != uint64(length) {
		return Recording{}, fmt.Errorf("the hub counts %d samples, %d were sent", next, length)
	}
	if !over(s) || s.err != nil {
		return Recording{}, fmt.Errorf("all acknowledged, but the span has %d samples, %w", len(s.got.Reference), s.err)
	}
	return s.got, nil
}

// A capture goes on over a drop, whether the mark, its answer or the samples
// were under way, and holds what it would have held.
func TestCaptureSurvivesDrops(t *testing.T) {
	hub, url := rig(t)
	const seed = 1
	proxy := sabotage(t, url, seed, 5000, 600000)
	a := start(t, proxy.url, protocol.Hello{})
	ctx, stop := context.WithCancel(context.Background())
	var sending sync.WaitGroup
	sending.Go(func() {
		for at := uint64(0); ctx.Err() == nil; at += rate / 20 {
			if a.Send(values(at, rate/20)) != nil || a.Flush(ctx) != nil {
				return
			}
		}
	})
	defer sending.Wait()
	defer stop()
	await(t, "the first samples", func() bool { p := hub.place("rear"); return p.tape != nil && p.tape.expected() > 0 })
	for range 6 {
		r, err := hub.Capture(within(t), "rear", 0.1, 2)
		if err != nil {
			t.Fatal(err)
		}
		check(t, r, 2*rate)
	}
	if n := proxy.kills.Load(); n < 4 {
		t.Errorf("seed %d: only %d connections killed", seed, n)
	}
}

// A drop longer than what an agent keeps is a gap, which both sides know of, and
// captures go round it.
func TestWhatCannotBeFilledIsAGap(t *testing.T) {
	hub, url := rig(t)
	proxy := sabotage(t, url, 2, 1<<40, 1<<41)
	a := start(t, proxy.url, protocol.Hello{})
	send := func(from, to uint64) {
		for at := from; at < to; at += rate / 2 {
			if err := a.Send(values(at, rate/2)); err != nil {
				t.Fatal(err)
			}
		}
	}
	flush := func() {
		if err := a.Flush(within(t)); err != nil {
			t.Fatal(err)
		}
	}
	send(0, rate)
	flush()
	tape := hub.place("rear").tape
	across, beyond := tape.want(rate-10, 20), tape.want(3*rate, 10*rate)
	proxy.shut.Store(true)
	proxy.cut()
	await(t, "the drop", func() bool { return !a.State().Connected })
	send(rate, 13*rate)
	if lost := a.State().Lost; lost != 2*rate {
		t.Errorf("%d samples lost, want 12 s less the 10 s kept", lost)
	}
	proxy.shut.Store(false)
	flush()
	if _, _, gaps := tape.level(); gaps != 1 {
		t.Errorf("%d gaps, want 1", gaps)
	}
	if !over(across) || !errors.Is(across.err, errGap) {
		t.Errorf("a span across the gap: %v", across.err)
	}
	if !over(beyond) || beyond.err != nil {
		t.Fatalf("a span beyond the gap: %v", beyond.err)
	}
	check(t, beyond.got, 10*rate)
}

// A hub that is started again knows nothing of what was before: that is a gap, and
// what a capture gets begins after it. What the one before had not acknowledged
// comes to the new one all the same.
func TestHubStartedAgain(t *testing.T) {
	var now atomic.Pointer[Hub]
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { now.Load().ServeHTTP(w, r) }))
	defer server.Close()
	open := func() *Hub {
		hub := NewHub([]string{"front", "rear"}, token)
		t.Cleanup(hub.Close)
		now.Store(hub)
		return hub
	}
	first := open()
	a := start(t, "ws"+strings.TrimPrefix(server.URL, "http"), protocol.Hello{})
	if err := a.Send(values(0, 5*rate)); err != nil {
		t.Fatal(err)
	}
	if err := a.Flush(within(t)); err != nil {
		t.Fatal(err)
	}
	failed := make(chan error)
	go func() {
		_, err := first.Capture(within(t), "rear", 0, 1)
		failed <- err
	}()
	await(t, "the capture", func() bool {
		tape := first.place("rear").tape
		tape.mu.Lock()
		defer tape.mu.Unlock()
		return len(tape.wants) == 1
	})
	second := open()
	first.Close()
	if err := <-failed; !errors.Is(err, errClosed) {
		t.Errorf("a capture of a hub that is closed: %v", err)
	}
	await(t, "the other hub", func() bool { return second.place("rear").tape != nil })
	tape := second.place("rear").tape
	before, after := tape.want(5*rate-10, 20), tape.want(5*rate, 2*rate)
	if err := a.Send(values(5*rate, 2*rate)); err != nil {
		t.Fatal(err)
	}
	if err := a.Flush(within(t)); err != nil {
		t.Fatal(err)
	}
	if !over(before) || !errors.Is(before.err, errGap) {
		t.Errorf("a span from before the start: %v", before.err)
	}
	if !over(after) || after.err != nil {
		t.Fatalf("a span from after it: %v", after.err)
	}
	check(t, after.got, 2*rate)
	if lost := a.State().Lost; lost != 0 {
		t.Errorf("%d samples lost", lost)
	}
	a.Close()
}

// An agent that is killed and started again counts anew; nothing of the one
// before is taken for its own.
func TestAgentKilledAndStartedAgain(t *testing.T) {
	hub, url := rig(t)
	conn := dial(t, url, greeting("rear", rate))
	hear(t, conn) // welcome
	old := protocol.EncodeFrame(protocol.Frame{First: 0, Samples: steps(7, 3000)}, protocol.Layout{})
	if err := conn.WriteMessage(websocket.BinaryMessage, old); err != nil {
		t.Fatal(err)
	}
	await(t, "its samples", func() bool { return hub.place("rear").tape.expected() == 3000 })
	if err := conn.WriteMessage(websocket.BinaryMessage, old[:100]); err != nil {
		t.Fatal(err)
	}
	conn.NetConn().Close()
	a := start(t, url, protocol.Hello{})
	await(t, "the new agent", func() bool { return a.State().Connected })
	s := hub.place("rear").tape.want(0, 2000)
	if err := a.Send(values(0, 2000)); err != nil {
		t.Fatal(err)
	}
	<-s.done
	check(t, s.got, 2000)
}

// A connection that dies in the middle of a frame has given none of it; the frame
// comes again whole, along with some that the hub has already.
func TestDisconnectedInTheMiddleOfAFrame(t *testing.T) {
	hub, url := rig(t)
	frame := func(seq uint32, first uint64, n int) []byte {
		return protocol.EncodeFrame(protocol.Frame{Seq: seq, First: first, Samples: values(first, n)}, protocol.Layout{})
	}
	conn := dial(t, url, greeting("rear", rate))
	hear(t, conn) // welcome
	if err := conn.WriteMessage(websocket.BinaryMessage, frame(0, 0, 3000)); err != nil {
		t.Fatal(err)
	}
	await(t, "the first frame", func() bool { return hub.place("rear").tape.expected() == 3000 })
	half := frame(1, 3000, 3000)
	// A websocket frame's head by hand: final, binary, masked with zeroes, 16 bits of length (RFC 6455, section 5.2).
	head := []byte{0x82, 0x80 | 126, byte(len(half) >> 8), byte(len(half)), 0, 0, 0, 0}
	if _, err := conn.NetConn().Write(append(head, half[:len(half)/2]...)); err != nil {
		t.Fatal(err)
	}
	conn.NetConn().Close()
	again := dial(t, url, greeting("rear", rate))
	if n := hear(t, again); n["type"] != "welcome" || n["next"] != 3000.0 {
		t.Fatalf("the hub said %v, want a welcome that wants sample 3000", n)
	}
	s := hub.place("rear").tape.want(0, 9000)
	for seq, first := range []uint64{2000, 4000, 6000} { // cut elsewhere, and overlapping
		if err := again.WriteMessage(websocket.BinaryMessage, frame(uint32(seq), first, 2000+1000*(seq/2))); err != nil {
			t.Fatal(err)
		}
	}
	<-s.done
	check(t, s.got, 9000)
	if gaps := hub.Feed("rear").Gaps; gaps != 0 {
		t.Errorf("%d gaps", gaps)
	}
}
