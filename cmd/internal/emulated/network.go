package emulated

import (
	"context"
	"errors"
	"math/rand/v2"
	"net"
	"sync"
	"time"
)

// Faults are what a network does to the datagrams that it carries, each way and
// each datagram by itself. The zero value carries everything as it is.
type Faults struct {
	Lose   float64 // chance that it is lost
	Double float64 // chance that it arrives twice
	Spoil  float64 // chance that a byte of it is another
	Replay float64 // chance that an earlier one going the same way arrives behind it
	// ReplayWithin is how old such a one is at most; 0: of any age.
	ReplayWithin time.Duration
	Delay        time.Duration // it takes up to so long, each its own time, so that they overtake each other
	Silence      float64       // chance that from it on nothing passes for SilentFor
	// SilentFor is how long a silence lasts.
	SilentFor time.Duration
}

// Network stands between a processor and whoever talks to it, over UDP: they
// talk to its address, and it carries on to the processor's.
type Network struct {
	near *net.UDPConn // heard by whoever talks to the processor
	far  *net.UDPConn // talks to the processor
	done sync.WaitGroup
	ctx  context.Context
	stop context.CancelFunc

	mu      sync.Mutex
	rng     *rand.Rand
	faults  Faults
	peer    *net.UDPAddr // who talked last
	silent  time.Time    // nothing passes until then
	past    [2][]passed  // what went either way lately
	carried int
}

// remembered is how many datagrams either way can be replayed.
const remembered = 200

// NewNetwork carries datagrams to the processor at an address until Close. The
// faults come from the seed; which datagram they hit depends on when each comes.
func NewNetwork(processor string, seed uint64) (*Network, error) {
	to, err := net.ResolveUDPAddr("udp", processor)
	if err != nil {
		return nil, err
	}
	near, err := net.ListenUDP("udp", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		return nil, err
	}
	far, err := net.DialUDP("udp", nil, to)
	if err != nil {
		return nil, errors.Join(err, near.Close())
	}
	n := &Network{near: near, far: far, rng: rand.New(rand.NewPCG(seed, 1))}
	n.ctx, n.stop = context.WithCancel(context.Background())
	n.done.Go(func() {
		n.carry(near, 0, func(b []byte) { far.Write(b) })
	})
	n.done.Go(func() {
		n.carry(far, 1, func(b []byte) {
			n.mu.Lock()
			peer := n.peer
			n.mu.Unlock()
			if peer != nil {
				near.WriteToUDP(b, peer)
			}
		})
	})
	return n, nil
}

// Addr is the host:port to talk to.
func (n *Network) Addr() string { return n.near.LocalAddr().String() }

// Set changes what the network does from now on.
func (n *Network) Set(f Faults) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.faults = f
	if f == (Faults{}) {
		n.silent = time.Time{}
	}
}

// Close ends everything, datagrams on their way among it.
func (n *Network) Close() {
	n.stop()
	n.near.Close()
	n.far.Close()
	n.done.Wait()
}

func (n *Network) carry(from *net.UDPConn, way int, send func([]byte)) {
	buffer := make([]byte, 64<<10)
	for {
		k, peer, err := from.ReadFromUDP(buffer)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			continue // the other side was not there for the one before
		}
		packet := append([]byte(nil), buffer[:k]...)
		for _, one := range n.fate(packet, way, peer) {
			if one.after <= 0 {
				send(one.packet)
				continue
			}
			n.done.Go(func() {
				select {
				case <-time.After(one.after):
					send(one.packet)
				case <-n.ctx.Done():
				}
			})
		}
	}
}

// passed is a datagram that went by.
type passed struct {
	packet []byte
	at     time.Time
}

// within drops what passed longer ago than age.
func within(past []passed, age time.Duration) []passed {
	for age > 0 && len(past) > 0 && time.Since(past[0].at) > age {
		past = past[1:]
	}
	return past
}

type onItsWay struct {
	packet []byte
	after  time.Duration
}

// fate is what becomes of one datagram: none, one or several that arrive.
func (n *Network) fate(packet []byte, way int, peer *net.UDPAddr) []onItsWay {
	n.mu.Lock()
	defer n.mu.Unlock()
	if way == 0 {
		n.peer = peer
	}
	n.carried++
	f, chance := n.faults, n.rng.Float64
	if f.SilentFor > 0 && chance() < f.Silence {
		n.silent = time.Now().Add(f.SilentFor)
	}
	past := within(n.past[way], f.ReplayWithin)
	n.past[way] = append(n.past[way], passed{packet, time.Now()})
	if len(n.past[way]) > remembered {
		n.past[way] = n.past[way][1:]
	}
	if time.Now().Before(n.silent) || chance() < f.Lose {
		return nil
	}
	arriving := []onItsWay{{packet: packet}}
	if chance() < f.Double {
		arriving = append(arriving, onItsWay{packet: packet})
	}
	if len(past) > 0 && chance() < f.Replay {
		arriving = append(arriving, onItsWay{packet: past[n.rng.IntN(len(past))].packet})
	}
	for i := range arriving {
		if f.Delay > 0 {
			arriving[i].after = time.Duration(chance() * float64(f.Delay))
		}
		if len(packet) > 0 && chance() < f.Spoil {
			spoilt := append([]byte(nil), arriving[i].packet...)
			spoilt[n.rng.IntN(len(spoilt))] ^= byte(1 + n.rng.IntN(255))
			arriving[i].packet = spoilt
		}
	}
	return arriving
}

// Carried counts the datagrams that came to the network, either way.
func (n *Network) Carried() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.carried
}
