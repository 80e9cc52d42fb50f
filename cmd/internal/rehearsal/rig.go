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
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"hushback/cmd/internal/emulated"
	"hushback/engine"
)

// Options say which rig to build.
type Options struct {
	Site  engine.Site
	Seed  uint64 // of set-up scatter, test signal and noise
	Fault Fault

	Moved string // if there is but one microphone, what it is called: it hears wherever Carry last put it
}

// Rig is a running rehearsal rig.
type Rig struct {
	Processor  *emulated.Processor   // the first of them
	Processors []*emulated.Processor // in the order of Site.Wirings

	site        engine.Site
	truth       Truth
	microphones []*microphone
	carried     atomic.Value // engine.Role, where the moved microphone stands

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
	for _, source := range o.Site.Sources {
		if _, ok := o.Site.Output(source.Output); !ok {
			return nil, fmt.Errorf("source %s: output %d is none of the site's", source.Name, source.Output)
		}
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
	r := &Rig{site: o.Site, truth: truth}
	if err := r.startProcessors(ctx); err != nil {
		return nil, err
	}
	r.ctx, r.cancel = context.WithCancel(ctx)
	for i, m := range o.Site.Microphones {
		r.microphones = append(r.microphones, &microphone{
			name: m.Name, hears: func() engine.Role { return m.Role }, space: space, rig: r,
			patience: feedPatience, seed: o.Seed, stream: 3 + uint64(i),
		})
	}
	if o.Moved != "" {
		r.carried.Store(engine.RoleFront)
		one := r.microphones[0]
		one.name, one.hears = o.Moved, func() engine.Role { return r.carried.Load().(engine.Role) }
		r.microphones = r.microphones[:1]
	}
	return r, nil
}

// Carry puts the moved microphone at a microphone's place of the site.
func (r *Rig) Carry(microphone string) {
	for _, m := range r.site.Microphones {
		if m.Name == microphone {
			r.carried.Store(m.Role)
		}
	}
}

// startProcessors starts an emulated processor for each of the site's, all on
// one clock.
func (r *Rig) startProcessors(ctx context.Context) error {
	begun := time.Now()
	for _, w := range r.site.Wirings() {
		kind := w.Profile
		if !emulated.Emulates(kind) {
			kind = "" // only its owner knows it
		}
		p, err := emulated.Start(ctx, emulated.Options{Kind: kind, Epoch: begun})
		if err != nil {
			r.closeProcessors()
			return err
		}
		r.Processors = append(r.Processors, p)
		for _, o := range r.site.On(w.Name) {
			if most := len(p.Settings()); o.OnChannel() > most {
				r.closeProcessors()
				return fmt.Errorf("output %d: channel %d, the emulated processor has 1 to %d", o.Number, o.OnChannel(), most)
			}
			p.Label(o.OnChannel(), o.Label)
		}
	}
	r.Processor = r.Processors[0]
	return nil
}

func (r *Rig) closeProcessors() {
	for _, p := range r.Processors {
		p.Close()
	}
}

// Wired is the site with the addresses that the emulated processors listen at.
func (r *Rig) Wired(site engine.Site) engine.Site {
	site.Further = slices.Clone(site.Further)
	site.Wiring.Address = r.Processors[0].Addr()
	for i := range site.Further {
		site.Further[i].Address = r.Processors[i+1].Addr()
	}
	return site
}

// Settings is what the site's outputs hold now, ascending by their numbers.
func (r *Rig) Settings() []engine.Setting {
	var all []engine.Setting
	for i, w := range r.site.Wirings() {
		held := r.Processors[i].Settings()
		for _, o := range r.site.On(w.Name) {
			set := held[o.OnChannel()-1]
			set.Output = o.Number
			all = append(all, set)
		}
	}
	slices.SortFunc(all, func(a, b engine.Setting) int { return a.Output - b.Output })
	return all
}

// seconds is the clock of all processors.
func (r *Rig) seconds() float64 { return r.Processor.Seconds() }

// since is what the site's outputs were from a time on, by their numbers.
func (r *Rig) since(from float64) past {
	all := past{}
	for i, w := range r.site.Wirings() {
		recent := r.Processors[i].Since(from)
		for _, o := range r.site.On(w.Name) {
			all[o.Number] = recent[o.OnChannel()]
		}
	}
	return all
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
	r.closeProcessors()
}
