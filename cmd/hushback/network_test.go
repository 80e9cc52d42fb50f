package main

import (
	"context"
	"math/rand/v2"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/control"
	"hushback/verify"
)

// badNetwork carries connections to an address. At times drawn by chance it kills
// all of them, wherever they are, and now and then it holds everything up.
type badNetwork struct {
	door  net.Listener
	slow  sync.RWMutex // held while nothing passes
	mu    sync.Mutex
	conns []net.Conn
	kills int
}

func (b *badNetwork) carry(to string) {
	for {
		near, err := b.door.Accept()
		if err != nil {
			return
		}
		far, err := net.Dial("tcp", to)
		if err != nil {
			near.Close()
			continue
		}
		b.mu.Lock()
		b.conns = append(b.conns, near, far)
		b.mu.Unlock()
		for _, way := range [][2]net.Conn{{near, far}, {far, near}} {
			go func() {
				defer way[0].Close()
				defer way[1].Close()
				buffer := make([]byte, 4096)
				for {
					n, err := way[0].Read(buffer)
					b.slow.RLock()
					_, failed := way[1].Write(buffer[:n])
					b.slow.RUnlock()
					if err != nil || failed != nil {
						return
					}
				}
			}()
		}
	}
}

func (b *badNetwork) kill() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, c := range b.conns {
		c.Close()
	}
	if b.conns != nil {
		b.kills++
	}
	b.conns = nil
}

func (b *badNetwork) misbehave(ctx context.Context, random *rand.Rand) {
	pause := func(d time.Duration) {
		select {
		case <-time.After(d):
		case <-ctx.Done():
		}
	}
	for ctx.Err() == nil {
		pause(300*time.Millisecond + time.Duration(random.Int64N(int64(time.Second))))
		if random.IntN(2) == 0 {
			b.slow.Lock()
			pause(500 * time.Millisecond)
			b.slow.Unlock()
		}
		b.kill()
	}
}

// The loop over a network that kills the microphones' connections about once a
// second, and holds them up: the change is proven, and the captures are as good as
// over one that does not, for not a sample of them is missing.
func TestLoopOverABadNetwork(t *testing.T) {
	const seed = 1
	rig, d := unheard(t)
	door, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	network := &badNetwork{door: door}
	ctx, stop := context.WithCancel(context.Background())
	var all sync.WaitGroup
	all.Go(func() { network.carry(strings.TrimPrefix(d.Local(), "http://")) })
	all.Go(func() {
		if err := rig.Listen(ctx, "ws://"+door.Addr().String()+daemon.FeedPath, d.AgentToken()); err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(func() {
		stop()
		door.Close()
		network.kill()
		all.Wait()
	})
	s := &set{rig: rig, daemon: d}
	all.Go(func() { // nobody confirms while a microphone is away
		_ = s.until(ctx, t.Logf, func(v desk.View) bool { return strings.HasPrefix(v.Doing, "measuring") })
		network.misbehave(ctx, rand.New(rand.NewPCG(seed, 11)))
	})
	if _, err := s.walk(withPatience(t), t.Logf); err != nil {
		t.Fatal(err)
	}
	v := d.View()
	if _, kept := v.State.(control.Kept); !kept || v.Verdict == nil || v.Verdict.Outcome != verify.Proven {
		t.Fatalf("the change ended %#v, %+v", v.State, v.Verdict)
	}
	compareWithTruth(t, rig, v)
	network.mu.Lock()
	defer network.mu.Unlock()
	if network.kills < 8 {
		t.Errorf("seed %d: only %d times were connections killed", seed, network.kills)
	}
	t.Logf("seed %d: connections killed %d times", seed, network.kills)
}
