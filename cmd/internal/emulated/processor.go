// Package emulated is made-up loudspeaker processors, one for each profile that
// hushback carries, on sockets of their own; and a network between them and
// whoever talks to them that loses, delays, doubles and spoils what it carries.
//
// Each kind is spelled out here by hand from what its profile's comments say,
// not with the code that reads profiles, so that a mistake in that code cannot
// cancel out.
package emulated

import (
	"cmp"
	"context"
	"fmt"
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

// Options say which processor to start and where.
type Options struct {
	Kind    string    // the name of its profile; "" is plain-eight
	Address string    // host:port; "" is any free port of this machine
	Epoch   time.Time // zero of its clock; the zero value is now
}

// Processor is an emulated loudspeaker processor with the manners of a small
// device: what it cannot read it ignores, what is out of range it holds at the
// nearest end, and it tells nobody.
type Processor struct {
	kind  kind
	epoch time.Time // zero of its clock
	line  line
	done  chan struct{}
	stop  func() bool // of the context's watch

	mu       sync.Mutex
	channels []channel
	past     map[int][]Moment
	stuck    map[int]bool
	labels   map[int]string
	asked    int32 // counts answers, for kinds that number them
	heardAt  map[string]time.Time
	writes   int
	queries  int
	bad      int
	onWrite  func(n int)
}

// Moment is what an output was set to from a time of the processor's clock on.
type Moment struct {
	At float64 // seconds
	Is engine.Setting
}

// Start opens the socket and serves until ctx ends or Close.
func Start(ctx context.Context, o Options) (*Processor, error) {
	name := cmp.Or(o.Kind, "plain-eight")
	at := slices.IndexFunc(kinds(), func(k kind) bool { return k.name == name })
	if at < 0 {
		return nil, fmt.Errorf("emulated processor: there is none of the kind %q", name)
	}
	p := &Processor{
		kind: kinds()[at], epoch: o.Epoch,
		done: make(chan struct{}), past: map[int][]Moment{}, stuck: map[int]bool{}, labels: map[int]string{}, heardAt: map[string]time.Time{},
	}
	if p.epoch.IsZero() {
		p.epoch = time.Now()
	}
	var err error
	if p.line, err = listen(p.kind.transport, cmp.Or(o.Address, "127.0.0.1:0")); err != nil {
		return nil, fmt.Errorf("emulated processor: %w", err)
	}
	p.channels = p.kind.earlierShow()
	for i := range p.channels {
		p.past[i+1] = []Moment{{p.Seconds(), p.setting(i + 1)}}
	}
	p.stop = context.AfterFunc(ctx, func() { p.line.close() })
	go func() {
		defer close(p.done)
		p.line.serve(p.take)
	}()
	return p, nil
}

// Emulates reports whether there is an emulated processor of a kind.
func Emulates(kindName string) bool {
	return slices.ContainsFunc(kinds(), func(k kind) bool { return k.name == kindName })
}

// Close shuts the socket and waits until nothing is being done any more.
func (p *Processor) Close() {
	p.stop()
	p.line.close()
	<-p.done
}

// Addr is the host:port that the processor listens at.
func (p *Processor) Addr() string { return p.line.addr().String() }

// Settings is what all outputs hold now, ascending by output.
func (p *Processor) Settings() []engine.Setting {
	p.mu.Lock()
	defer p.mu.Unlock()
	settings := make([]engine.Setting, len(p.channels))
	for i := range p.channels {
		settings[i] = p.setting(i + 1)
	}
	return settings
}

// setting is what an output holds; the lock must be held.
func (p *Processor) setting(output int) engine.Setting {
	return p.channels[output-1].setting(p.kind, output)
}

// Writes counts the writes that were applied, those that changed nothing too.
func (p *Processor) Writes() int { return p.count(&p.writes) }

// Queries counts the queries that were answered.
func (p *Processor) Queries() int { return p.count(&p.queries) }

// Bad counts the packets and messages that were not understood.
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

// Set changes an output the way somebody at the processor's own panel would.
func (p *Processor) Set(set engine.Setting) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.channels[set.Output-1] = p.kind.channel(set)
	p.remember(set.Output)
}

// Reset is a restart to factory settings: everything plain, open and at 0 dB, or
// as loud as it goes.
func (p *Processor) Reset() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range p.channels {
		p.channels[i] = p.kind.channel(engine.Setting{Polarity: 1})
		p.remember(i + 1)
	}
}

// Stick has an output take no write any more, while it goes on answering; or
// lets it go again.
func (p *Processor) Stick(output int, stuck bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.stuck[output] = stuck
}

// Label writes a text on an output, for kinds that have labels.
func (p *Processor) Label(output int, text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.labels[output] = text
}

// label is that text; the lock must be held.
func (p *Processor) label(output int) string { return p.labels[output] }

// Seconds is the processor's clock: time since it started, unmoved by any
// change of the machine's date.
func (p *Processor) Seconds() float64 { return time.Since(p.epoch).Seconds() }

// Since is what the outputs were from a time on, and what stood then.
func (p *Processor) Since(from float64) map[int][]Moment {
	p.mu.Lock()
	defer p.mu.Unlock()
	recent := map[int][]Moment{}
	for output, moments := range p.past {
		recent[output] = slices.Clone(standing(moments, from))
	}
	return recent
}

// standing drops the moments whose setting was over before a time.
func standing(moments []Moment, from float64) []Moment {
	for len(moments) > 1 && moments[1].At <= from {
		moments = moments[1:]
	}
	return moments
}

// take does what one packet asks for and returns the packets to answer with.
func (p *Processor) take(packet []byte, from string) [][]byte {
	messages, err := osc.Decode(packet)
	if err != nil {
		p.mu.Lock()
		p.bad++
		p.mu.Unlock()
		return nil
	}
	var answers [][]byte
	for _, m := range messages {
		for _, answer := range p.do(m, from) {
			packet, err := osc.Encode(answer)
			if err == nil {
				answers = append(answers, packet)
			}
		}
	}
	return answers
}

// do applies one message and returns the answers to a query.
func (p *Processor) do(m osc.Message, from string) []osc.Message {
	p.mu.Lock()
	r := request{p: p, from: from}
	err := p.kind.hear(&r, m)
	var hook func()
	switch {
	case err != nil:
		p.bad++
	case r.wrote > 0:
		p.writes++
		p.remember(r.wrote)
		if f, n := p.onWrite, p.writes; f != nil {
			hook = func() { f(n) }
		}
	case len(r.answers) > 0:
		p.queries++
	}
	p.mu.Unlock()
	if hook != nil {
		hook()
	}
	return r.answers
}

// remember notes what an output has just become. The clock is read under the
// lock: whoever has seen the past up to now can rely on nothing being added to
// it afterwards.
func (p *Processor) remember(output int) {
	now := p.Seconds()
	p.past[output] = append(standing(p.past[output], now-pastKept), Moment{now, p.setting(output)})
}
