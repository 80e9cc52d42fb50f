package rehearsal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"slices"
	"sync"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

// pastKept is how long the processor remembers what its outputs were. Sound
// needs far less than a second and a frame a tenth, so a minute bears a
// machine that stands still for a while.
const pastKept = 60 // seconds

// ProcessorOptions say where the emulated processor listens and how badly it
// is connected.
type ProcessorOptions struct {
	Address string  // UDP host:port; "" is any free port of this machine
	Loss    float64 // chance that a datagram is lost, either way
	Seed    uint64  // of the loss
}

// Processor is an emulated loudspeaker processor: its own UDP socket, eight
// outputs, the manners of a small device. What it cannot read it ignores.
type Processor struct {
	conn  *net.UDPConn
	epoch time.Time // zero of its clock
	loss  float64
	rng   *rand.Rand // of the serving goroutine
	done  chan struct{}
	stop  func() bool // of the context's watch

	mu       sync.Mutex
	channels [outputs]channel
	past     past
	writes   int
	queries  int
	bad      int
	onWrite  func(n int)
}

// StartProcessor opens the socket and serves until ctx ends or Close.
func StartProcessor(ctx context.Context, o ProcessorOptions) (*Processor, error) {
	if o.Address == "" {
		o.Address = "127.0.0.1:0"
	}
	address, err := net.ResolveUDPAddr("udp", o.Address)
	if err != nil {
		return nil, fmt.Errorf("emulated processor at %s: %w", o.Address, err)
	}
	conn, err := net.ListenUDP("udp", address)
	if err != nil {
		return nil, fmt.Errorf("emulated processor at %s: %w", o.Address, err)
	}
	p := &Processor{
		conn: conn, epoch: time.Now(), loss: o.Loss, rng: rand.New(rand.NewPCG(o.Seed, 0)),
		done: make(chan struct{}), channels: earlierShow(), past: past{},
	}
	for i, c := range p.channels {
		p.past[i+1] = []moment{{0, c.setting(i + 1)}}
	}
	p.stop = context.AfterFunc(ctx, func() { conn.Close() })
	go p.serve()
	return p, nil
}

// Close shuts the socket and waits until nothing is being done any more.
func (p *Processor) Close() {
	p.stop()
	p.conn.Close()
	<-p.done
}

// Addr is the host:port that the processor listens at.
func (p *Processor) Addr() string { return p.conn.LocalAddr().String() }

// Settings is what all outputs hold now, ascending by output.
func (p *Processor) Settings() []engine.Setting {
	p.mu.Lock()
	defer p.mu.Unlock()
	settings := make([]engine.Setting, outputs)
	for i, c := range p.channels {
		settings[i] = c.setting(i + 1)
	}
	return settings
}

// Writes counts the writes that were applied, those that changed nothing too.
func (p *Processor) Writes() int { return p.count(&p.writes) }

// Queries counts the queries that were answered.
func (p *Processor) Queries() int { return p.count(&p.queries) }

// Bad counts the datagrams and messages that were not understood.
func (p *Processor) Bad() int { return p.count(&p.bad) }

func (p *Processor) count(n *int) int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return *n
}

// OnWrite has f called after each write has been applied, with the number of
// writes so far, while the processor does nothing else. One f at a time; nil
// is none.
func (p *Processor) OnWrite(f func(n int)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.onWrite = f
}

// seconds is the processor's clock: time since it started, unmoved by any
// change of the machine's date.
func (p *Processor) seconds() float64 { return time.Since(p.epoch).Seconds() }

// since is what the outputs were from a time on, and what stood then.
func (p *Processor) since(from float64) past {
	p.mu.Lock()
	defer p.mu.Unlock()
	recent := past{}
	for output, moments := range p.past {
		recent[output] = slices.Clone(standing(moments, from))
	}
	return recent
}

// standing drops the moments whose setting was over before a time.
func standing(moments []moment, from float64) []moment {
	for len(moments) > 1 && moments[1].at <= from {
		moments = moments[1:]
	}
	return moments
}

// serve takes datagrams until the socket is closed.
func (p *Processor) serve() {
	defer close(p.done)
	buffer := make([]byte, 64<<10)
	for {
		n, from, err := p.conn.ReadFromUDPAddrPort(buffer)
		if err != nil {
			return
		}
		if p.lost() {
			continue
		}
		messages, err := osc.Decode(buffer[:n])
		if err != nil {
			p.mu.Lock()
			p.bad++
			p.mu.Unlock()
			continue
		}
		for _, m := range messages {
			answer := p.take(m)
			if answer == nil || p.lost() {
				continue
			}
			// An answer that cannot be sent is an answer lost, as on any network;
			// when the socket is gone the next read ends the loop.
			if packet, err := osc.Encode(*answer); err == nil {
				_, _ = p.conn.WriteToUDPAddrPort(packet, from)
			}
		}
	}
}

func (p *Processor) lost() bool { return p.loss > 0 && p.rng.Float64() < p.loss }

// take applies one message and returns the answer to a query.
func (p *Processor) take(m osc.Message) *osc.Message {
	p.mu.Lock()
	output, answer, err := handle(&p.channels, m)
	var hook func()
	switch {
	case err != nil:
		p.bad++
		answer = nil
	case answer != nil:
		p.queries++
	default:
		p.writes++
		p.remember(output)
		if f, n := p.onWrite, p.writes; f != nil {
			hook = func() { f(n) }
		}
	}
	p.mu.Unlock()
	if hook != nil {
		hook()
	}
	return answer
}

// remember notes what an output has just become. The clock is read under the
// lock: whoever has seen the past up to now can rely on nothing being added to
// it afterwards.
func (p *Processor) remember(output int) {
	now := p.seconds()
	p.past[output] = append(standing(p.past[output], now-pastKept), moment{now, p.channels[output-1].setting(output)})
}
