// Package rehearsal is a rig to rehearse on: an emulated processor on its own
// UDP socket, a simulated space, and two simulated microphones that send audio
// over websockets. Nothing in it is canned: what the microphones send follows
// from what the processor was told, sample by sample, and everything it tells
// the outside goes through the sockets that a real rig would use.
package rehearsal

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"

	"hushback/cmd/internal/emulated"
	"hushback/engine"
)

// Options say which rig to build.
type Options struct {
	Site  engine.Site
	Kind  string // of the emulated processor, by its profile's name; "" is plain-eight
	Seed  uint64 // of set-up scatter, test signal and noise
	Fault Fault
}

// Rig is a running rehearsal rig.
type Rig struct {
	Processor *emulated.Processor

	site        engine.Site
	truth       Truth
	microphones []*microphone

	ctx    context.Context // ends with Close
	cancel context.CancelFunc
	mu     sync.Mutex // makes "closed, then nobody joins" one step
	wait   sync.WaitGroup
}

// Start starts the emulated processor and prepares the space. The processor
// listens on a free port of this machine, whatever address the site names. When
// ctx ends the processor is gone at once, so whoever has settings to put back
// while stopping hands in a ctx that lives on, and calls Close.
func Start(ctx context.Context, o Options) (*Rig, error) {
	fault, err := o.Fault.settle(o.Site)
	if err != nil {
		return nil, err
	}
	// One stream of chance for each thing, so that a fault changes nothing else.
	chance := func(stream uint64) *rand.Rand { return rand.New(rand.NewPCG(o.Seed, stream)) }
	truth := drawTruth(o.Site, fault, chance(1))
	signal, err := newMultisine(o.Site.TestSignal, chance(2))
	if err != nil {
		return nil, err
	}
	space, err := newSpace(o.Site, truth, signal)
	if err != nil {
		return nil, err
	}
	processor, err := emulated.Start(ctx, emulated.Options{Kind: o.Kind})
	if err != nil {
		return nil, err
	}
	for _, source := range o.Site.Sources {
		if most := len(processor.Settings()); source.Output < 1 || source.Output > most {
			processor.Close()
			return nil, fmt.Errorf("source %s: output %d, the emulated processor has 1 to %d", source.Name, source.Output, most)
		}
	}
	r := &Rig{Processor: processor, site: o.Site, truth: truth}
	r.ctx, r.cancel = context.WithCancel(ctx)
	for i, m := range o.Site.Microphones {
		r.microphones = append(r.microphones, &microphone{
			name: m.Name, role: m.Role, space: space, processor: processor,
			patience: feedPatience, seed: o.Seed, stream: 3 + uint64(i),
		})
	}
	return r, nil
}

// Truth is what really stands there.
func (r *Rig) Truth() Truth { return r.truth }

// Listen runs the microphones against a feed (ws://...) until ctx ends or the
// rig is closed, which is no error. A dropped connection is made again; a feed
// that cannot be reached for ten seconds is an error that says why.
func (r *Rig) Listen(ctx context.Context, feedURL, token string) error {
	r.mu.Lock()
	if r.ctx.Err() != nil {
		r.mu.Unlock()
		return errors.New("rehearsal rig: closed, its microphones cannot listen")
	}
	r.wait.Add(1)
	r.mu.Unlock()
	defer r.wait.Done()

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer context.AfterFunc(r.ctx, cancel)()
	errs := make([]error, len(r.microphones))
	var all sync.WaitGroup
	for i, m := range r.microphones {
		all.Go(func() {
			if errs[i] = m.listen(ctx, feedURL, token); errs[i] != nil {
				cancel() // one microphone alone proves nothing
			}
		})
	}
	all.Wait()
	return errors.Join(errs...)
}

// Close stops the microphones and the processor and waits for both.
func (r *Rig) Close() {
	r.mu.Lock()
	r.cancel()
	r.mu.Unlock()
	r.wait.Wait()
	r.Processor.Close()
}
