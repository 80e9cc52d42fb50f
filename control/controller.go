package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"hushback/control/preset"
	"hushback/control/wire"
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
	ErrWiring       = errors.New("the wiring is not what the site says: put it right, there or here")
	ErrBlind        = errors.New("they cannot be read back, only measuring can prove them: agree to that too")
	ErrUnreadable   = errors.New("they cannot be read, and nothing is known of them: name a stored preset instead")
)

var (
	errSafe   = errors.New("the safe preset was called for")    // why a change is cancelled when somebody wants the safe preset
	errGiveUp = errors.New("somebody has something to do here") // why a look of the watch is
)

// Config is what a Controller works with.
type Config struct {
	Processors []Processor
	Store      *preset.Store
	Outputs    []engine.Output  // the outputs the site uses, ascending, and where they are; no other is ever touched
	Alone      [][]int          // groups of outputs that a measurement hears by themselves; each output if nil
	ConfirmFor time.Duration    // how long a dry run can be confirmed
	KeepFor    time.Duration    // how long a change is held for somebody to keep it
	Now        func() time.Time // time.Now if nil
	Notify     func(State)      // told of a change's states in order, from the goroutine that runs it; may be nil
	Noticed    func([]Strange)  // told of all strange values whenever they are others than before; may be nil
}

// Controller carries changes to the processors of one site: to all of them or to
// none. It is safe for concurrent use.
//
// One job talks to the processors at a time: replies carry no request number,
// and a reading taken in the middle of a change would tell of a state that
// never was. Jobs do not queue behind a change, they are refused; only Safe
// ends the job before it and takes its place, and whoever watches gives way to
// everybody.
type Controller struct {
	cfg  Config
	wire *wire.Wire

	mu        sync.Mutex
	job       *job
	draft     *DryRun    // the last dry run, until it is confirmed
	used      string     // digest of the last dry run that was confirmed
	confirmed *Confirmed // the one confirm that Apply takes
	strange   []Strange  // ascending by output
}

// kind is what a job is there for.
type kind int

const (
	reading kind = iota // sends queries only
	changing
	goingSafe
	watching // queries only, and less urgent than anything else
)

// job is whoever talks to the processors now.
type job struct {
	kind   kind
	cancel context.CancelCauseFunc
	done   chan struct{} // closed when the job has ended; final counts from then on
	final  State
}

// New checks the configuration and makes a Controller. It sends nothing.
func New(cfg Config) (*Controller, error) {
	if cfg.Store == nil {
		return nil, errors.New("control: a store is needed")
	}
	if cfg.ConfirmFor <= 0 || cfg.KeepFor <= 0 {
		return nil, fmt.Errorf("control: the time to confirm (%s) and the time to keep (%s) must be more than 0", cfg.ConfirmFor, cfg.KeepFor)
	}
	w, err := wire.New(cfg.Processors, cfg.Outputs)
	if err != nil {
		return nil, fmt.Errorf("control: %w", err)
	}
	cfg.Outputs = slices.Clone(cfg.Outputs)
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	return &Controller{cfg: cfg, wire: w}, nil
}

// Writes counts the writes handed over so far, repeats included.
func (c *Controller) Writes() int { return c.wire.Writes() }

// Traffic counts what went to each processor and came from it.
func (c *Controller) Traffic() []wire.Traffic { return c.wire.Traffic() }

// Read asks for every output of the site that can be read, ascending. It sends
// queries only, each as often as the profile allows. ErrBusy while a change runs.
func (c *Controller) Read(ctx context.Context) ([]engine.Setting, error) {
	ctx, j, err := c.take(ctx, reading)
	if err != nil {
		return nil, err
	}
	defer c.leave(j, nil)
	return c.wire.Read(ctx)
}

// stands is what the outputs hold, ascending: read, or as last known of a blind
// processor. An output of which nothing is known is left out.
func (c *Controller) stands(ctx context.Context) ([]engine.Setting, error) {
	settings, err := c.wire.Read(ctx)
	if err != nil {
		return nil, err
	}
	known, err := c.cfg.Store.Known()
	if err != nil {
		return nil, err
	}
	for _, output := range c.wire.Blind() {
		if set, ok := (engine.Sheet{Settings: known}).Setting(output); ok {
			settings = append(settings, c.wire.Stored(set))
		}
	}
	slices.SortFunc(settings, func(a, b engine.Setting) int { return a.Output - b.Output })
	return settings, nil
}

// look reads every output that can be read, for certain.
func (c *Controller) look(ctx context.Context) ([]engine.Setting, error) {
	return wire.Settings(c.wire.Look(ctx, c.wire.Readable()))
}

// storeAsFound stores what outputs hold before the first write to them ever.
func (c *Controller) storeAsFound(settings []engine.Setting) error {
	if len(settings) == 0 { // all of them blind
		return nil
	}
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

// take makes the caller the one that talks to the processors, until leave. It
// ends a look of the watch, waits for whoever else only reads, and gives ErrBusy
// if a change runs.
func (c *Controller) take(ctx context.Context, k kind) (context.Context, *job, error) {
	for {
		running, mine, before := c.try(ctx, k)
		if before == nil {
			return running, mine, nil
		}
		switch before.kind {
		case watching:
			before.cancel(errGiveUp)
		case changing, goingSafe:
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
