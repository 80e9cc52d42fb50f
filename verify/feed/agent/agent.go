// Package agent is the microphone's side of a feed. An Agent keeps itself
// connected, and what it is given it keeps until the daemon has it, so that a
// connection that breaks loses and doubles nothing.
package agent

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"hushback/verify/feed/protocol"
)

// Pauses before connecting again: each twice the one before.
const (
	firstPause   = 100 * time.Millisecond
	longestPause = 4 * time.Second
)

// frameSamples is the most that one frame holds: little enough that a bad network
// gets some through, and that the answer to a mark need not wait for long.
const frameSamples = 4096

// Agent sends one microphone's audio. Start makes one. Its methods may be called
// from any goroutine, Send and Skip from one at a time.
type Agent struct {
	url, token string
	said       protocol.Hello
	hangUp     context.CancelFunc
	ended      chan struct{}

	mu      sync.Mutex
	now     func() uint64
	backlog backlog
	state   State
	changed chan struct{} // closed, and replaced, when any of it changes
}

// State is how an Agent is doing.
type State struct {
	Connected bool
	Times     int    // that it connected
	Trouble   string // why not, or why not a moment ago; "" when all is well
	Lost      uint64 // samples that were dropped because the daemon was away too long
	Kept      uint64 // samples that the daemon does not have yet
}

// Start begins to connect to a daemon's feed (ws:// or wss://), again and again
// until Close. A session is drawn if the hello has none. What is wrong with the
// hello itself is an error; all else stands in State.
func Start(url, token string, said protocol.Hello) (*Agent, error) {
	if said.Session == "" {
		said.Session = rand.Text()
	}
	if said.Functions {
		return nil, errors.New("agent: it sends audio, not functions")
	}
	if _, err := said.Encode(); err != nil {
		return nil, fmt.Errorf("agent: %w", err)
	}
	ctx, hangUp := context.WithCancel(context.Background())
	a := &Agent{
		url: url, token: token, said: said, hangUp: hangUp,
		ended: make(chan struct{}), changed: make(chan struct{}), backlog: backlog{most: protocol.KeepSec * said.Rate},
	}
	go a.run(ctx)
	return a, nil
}

// Marks says how to tell which sample is being taken right now, in the same
// count as Skip and Send. Until it is called, marks are answered with the first
// sample not given yet, which is right only for an agent that is given samples the
// moment they are taken.
func (a *Agent) Marks(sampleNow func() uint64) {
	a.change(func() { a.now = sampleNow })
}

// Skip counts samples that were lost before they could be given. The daemon sees
// a gap.
func (a *Agent) Skip(samples uint64) {
	a.change(func() { a.backlog.next += samples })
}

// Send gives the next samples, interleaved reference and microphone, full scale
// ±1. It never waits: when more is kept than there is room for, the oldest goes.
func (a *Agent) Send(interleaved []float32) error {
	if len(interleaved)%protocol.Channels != 0 {
		return fmt.Errorf("agent: %d values to send, want pairs of reference and microphone", len(interleaved))
	}
	if len(interleaved) > 0 {
		a.change(func() { a.state.Lost += a.backlog.give(slices.Clone(interleaved)) })
	}
	return nil
}

// Flush waits until the daemon has all that was given.
func (a *Agent) Flush(ctx context.Context) error {
	for {
		a.mu.Lock()
		kept, changed := a.backlog.kept, a.changed
		a.mu.Unlock()
		if kept == 0 {
			return nil
		}
		select {
		case <-changed:
		case <-a.ended:
			return errors.New("agent: closed")
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// State tells how the agent is doing.
func (a *Agent) State() State {
	a.mu.Lock()
	defer a.mu.Unlock()
	s := a.state
	s.Kept = uint64(a.backlog.kept)
	return s
}

// Close hangs up. What the daemon does not have is lost; Flush before. Closing
// twice is harmless.
func (a *Agent) Close() {
	a.hangUp()
	<-a.ended
}

func (a *Agent) change(what func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	what()
	close(a.changed)
	a.changed = make(chan struct{})
}

// sample is the one being taken now.
func (a *Agent) sample() uint64 {
	a.mu.Lock()
	now, next := a.now, a.backlog.next
	a.mu.Unlock()
	if now == nil {
		return next
	}
	return now()
}

// taken hears that the daemon has every sample before next, and reports whether
// that was news.
func (a *Agent) taken(next uint64) (news bool) {
	a.change(func() {
		if news = a.backlog.taken(next); news {
			a.state.Trouble = ""
		}
	})
	return news
}

// after is what to send once all before at was sent.
func (a *Agent) after(at uint64) (f protocol.Frame, changed <-chan struct{}) {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.backlog.after(at, frameSamples), a.changed
}

func (a *Agent) run(ctx context.Context) {
	defer close(a.ended)
	pause := firstPause
	for ctx.Err() == nil {
		took, err := a.connection(ctx)
		if took {
			pause = firstPause
		}
		a.change(func() { a.state.Connected, a.state.Trouble = false, err.Error() })
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, longestPause)
	}
}

// connection is one, from dialling to its end. took says that the daemon took
// samples over it or, as it now tells, over the one before.
func (a *Agent) connection(ctx context.Context) (took bool, err error) {
	l, at, err := dial(ctx, a.url, a.token, a.said)
	if err != nil {
		return false, err
	}
	took = a.taken(at)
	a.change(func() { a.state.Connected, a.state.Times = true, a.state.Times+1 })
	defer context.AfterFunc(ctx, l.bye)()
	ended := make(chan error, 1)
	go func() { ended <- l.listen(a) }()
	for {
		f, changed := a.after(at)
		if f.Count() > 0 {
			at = f.End()
			if l.send(f) == nil {
				continue
			}
			changed = nil // the listener will know why
		}
		select {
		case <-changed:
		case err = <-ended:
			l.conn.Close()
			return took || l.took, err
		}
	}
}
