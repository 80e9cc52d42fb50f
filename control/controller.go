package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"hushback/control/osc"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// Why something is refused, to be told apart with errors.Is. Whatever is
// refused has sent no write.
var (
	ErrBusy         = errors.New("a change is running: wait for it, or go to the safe preset")
	ErrNoDryRun     = errors.New("there is no dry run to confirm: take one")
	ErrExpired      = errors.New("the dry run is too old to be confirmed: take a new one")
	ErrAltered      = errors.New("this is not the dry run that was shown last: look at it again")
	ErrUsed         = errors.New("this confirm was used already: take a new dry run")
	ErrNoSafe       = errors.New("there is no safe preset to fall back on: store one first")
	ErrChangedSince = errors.New("the processor was changed since the dry run: take a new one")
	ErrAdrift       = errors.New("an earlier change left outputs in doubt: go to the safe preset first")
)

// errSafe is why a change is cancelled when somebody wants the safe preset.
var errSafe = errors.New("the safe preset was called for")

// Exchanger is the transport seam: osc.Conn in the daemon, a fake in tests.
type Exchanger interface {
	// Send hands one datagram over; that it arrives is not promised.
	Send(ctx context.Context, m osc.Message) error
	// Ask sends query once and waits, until ctx ends, for a message that answers it.
	Ask(ctx context.Context, query osc.Message, answers func(osc.Message) bool) (osc.Message, error)
}

// Config is what a Controller works with.
type Config struct {
	Profile    processor.Profile
	Wire       Exchanger
	Store      *preset.Store
	Outputs    []engine.Output  // the outputs the site uses, ascending; no other is ever touched
	ConfirmFor time.Duration    // how long a dry run can be confirmed
	KeepFor    time.Duration    // how long a change is held for somebody to keep it
	Now        func() time.Time // time.Now if nil
	Notify     func(State)      // told of a change's states in order, from the goroutine that runs it; may be nil
}

// Controller carries changes to one processor. It is safe for concurrent use.
//
// One job talks to the processor at a time: replies carry no request number,
// and a reading taken in the middle of a change would tell of a state that
// never was. Jobs do not queue behind a change, they are refused; only Safe
// ends the job before it and takes its place.
type Controller struct {
	cfg  Config
	wire wire

	mu        sync.Mutex
	job       *job
	draft     *DryRun    // the last dry run, until it is confirmed
	used      string     // digest of the last dry run that was confirmed
	confirmed *Confirmed // the one confirm that Apply takes
}

// kind is what a job is there for.
type kind int

const (
	reading kind = iota // sends queries only
	changing
	goingSafe
)

// job is whoever talks to the processor now.
type job struct {
	kind   kind
	cancel context.CancelCauseFunc
	done   chan struct{} // closed when the job has ended; final counts from then on
	final  State
}

// New checks the configuration and makes a Controller. It sends nothing.
func New(cfg Config) (*Controller, error) {
	if problems := cfg.Profile.Problems(); len(problems) > 0 {
		p := problems[0]
		return nil, fmt.Errorf("control: profile %q: %s: got %s, want %s", cfg.Profile.Name, p.Path, p.Got, p.Want)
	}
	if cfg.Wire == nil || cfg.Store == nil {
		return nil, errors.New("control: a way to the processor and a store are needed")
	}
	if cfg.ConfirmFor <= 0 || cfg.KeepFor <= 0 {
		return nil, fmt.Errorf("control: the time to confirm (%s) and the time to keep (%s) must be more than 0", cfg.ConfirmFor, cfg.KeepFor)
	}
	if len(cfg.Outputs) == 0 {
		return nil, errors.New("control: the site uses no output")
	}
	for i, o := range cfg.Outputs {
		if o.Number < 1 || o.Number > cfg.Profile.Outputs {
			return nil, fmt.Errorf("control: output %d: profile %s has outputs 1 to %d", o.Number, cfg.Profile.Name, cfg.Profile.Outputs)
		}
		if i > 0 && o.Number <= cfg.Outputs[i-1].Number {
			return nil, fmt.Errorf("control: output %d after output %d: outputs must count up", o.Number, cfg.Outputs[i-1].Number)
		}
	}
	cfg.Outputs = slices.Clone(cfg.Outputs)
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	return &Controller{cfg: cfg, wire: wire{profile: cfg.Profile, to: cfg.Wire}}, nil
}

// Writes counts the write datagrams handed over so far, repeats included.
func (c *Controller) Writes() int { return int(c.wire.writes.Load()) }

// Read asks the processor for every output the site uses, ascending. It sends
// queries only, each as often as the profile allows. ErrBusy while a change runs.
func (c *Controller) Read(ctx context.Context) ([]engine.Setting, error) {
	ctx, j, err := c.take(ctx, reading)
	if err != nil {
		return nil, err
	}
	defer c.leave(j, nil)
	return c.read(ctx)
}

// StoreSafe reads the processor and stores what it holds as the safe preset.
// ErrBusy while a change runs, ErrAdrift after one that left outputs in doubt.
func (c *Controller) StoreSafe(ctx context.Context) (preset.Preset, error) {
	ctx, j, err := c.take(ctx, reading)
	if err != nil {
		return preset.Preset{}, err
	}
	defer c.leave(j, nil)
	if err := c.checkNotAdrift(); err != nil {
		return preset.Preset{}, err // what is in doubt must not become what is safe
	}
	settings, err := c.read(ctx)
	if err != nil {
		return preset.Preset{}, err
	}
	if err := c.checkLoudness(settings); err != nil {
		return preset.Preset{}, fmt.Errorf("not stored as the safe preset: %w: turn it down on the processor first", err)
	}
	p := preset.Preset{Name: preset.Safe, Taken: c.cfg.Now(), Settings: settings}
	if err := c.cfg.Store.Put(p); err != nil {
		return preset.Preset{}, err
	}
	return p, c.note("", "safe stored", "the safe preset is now what the processor holds")
}

func (c *Controller) read(ctx context.Context) ([]engine.Setting, error) {
	settings := make([]engine.Setting, len(c.cfg.Outputs))
	for i, o := range c.cfg.Outputs {
		var err error
		if settings[i], err = c.wire.read(ctx, o.Number); err != nil {
			return nil, err
		}
	}
	return settings, nil
}

// checkLoudness refuses settings above an output's limit.
func (c *Controller) checkLoudness(settings []engine.Setting) error {
	for _, set := range settings {
		i := slices.IndexFunc(c.cfg.Outputs, func(o engine.Output) bool { return o.Number == set.Output })
		if i < 0 {
			return fmt.Errorf("output %d is not one that the site uses", set.Output)
		}
		limit := c.cfg.Outputs[i].MaxGainDB
		slack := c.cfg.Profile.Ranges().GainDB.Step / 1000 // for what a float32 loses on the way here
		if !(set.GainDB <= limit+slack) {
			return fmt.Errorf("output %d: gain %s is above its limit of %g dB",
				set.Output, c.cfg.Profile.Words(processor.Gain, set), limit)
		}
	}
	return nil
}

// safePreset is the safe preset as far as the site's outputs go, all of them
// and no other, and none above its limit. It may have been stored for another
// site on the same processor.
func (c *Controller) safePreset() (preset.Preset, error) {
	p, ok, err := c.cfg.Store.Get(preset.Safe)
	if err != nil {
		return p, err
	}
	if !ok {
		return p, ErrNoSafe
	}
	stored := engine.Sheet{Settings: p.Settings}
	p.Settings = nil
	for _, o := range c.cfg.Outputs {
		set, ok := stored.Setting(o.Number)
		if !ok {
			return p, fmt.Errorf("%w (the stored one knows nothing of output %d)", ErrNoSafe, o.Number)
		}
		p.Settings = append(p.Settings, set)
	}
	if err := c.checkLoudness(p.Settings); err != nil {
		return p, fmt.Errorf("%w (the stored one is too loud for this site: %w)", ErrNoSafe, err)
	}
	return p, nil
}

// storeAsFound stores what outputs hold before the first write to them ever.
func (c *Controller) storeAsFound(settings []engine.Setting) error {
	added, err := c.cfg.Store.Found(settings, c.cfg.Now())
	if err != nil || len(added) == 0 {
		return err
	}
	return c.note("", "as found stored", fmt.Sprintf("outputs %v, before the first write to them ever", added))
}

func (c *Controller) entry(change, event, detail string) preset.Entry {
	return preset.Entry{At: c.cfg.Now(), Change: change, Event: event, Detail: detail}
}

func (c *Controller) note(change, event, detail string) error {
	return c.cfg.Store.Note(c.entry(change, event, detail))
}

func (c *Controller) notify(s State) {
	if c.cfg.Notify != nil {
		c.cfg.Notify(s)
	}
}

// take makes the caller the one that talks to the processor, until leave. It
// waits for whoever only reads, and gives ErrBusy if a change runs.
func (c *Controller) take(ctx context.Context, k kind) (context.Context, *job, error) {
	for {
		running, mine, before := c.try(ctx, k)
		if before == nil {
			return running, mine, nil
		}
		if before.kind != reading {
			return nil, nil, ErrBusy
		}
		if err := before.wait(ctx); err != nil {
			return nil, nil, err
		}
	}
}

// try starts a job if there is none, else it gives the one there is.
func (c *Controller) try(ctx context.Context, k kind) (running context.Context, mine, before *job) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.job != nil {
		return nil, nil, c.job
	}
	running, cancel := context.WithCancelCause(ctx)
	c.job = &job{kind: k, cancel: cancel, done: make(chan struct{})}
	return running, c.job, nil
}

// leave ends a job.
func (c *Controller) leave(j *job, final State) {
	c.mu.Lock()
	c.job = nil
	c.mu.Unlock()
	j.final = final
	j.cancel(nil)
	close(j.done)
}

func (j *job) wait(ctx context.Context) error {
	select {
	case <-j.done:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
