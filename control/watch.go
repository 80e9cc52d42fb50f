package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"hushback/control/processor"
	"hushback/control/wire"
	"hushback/engine"
)

// Strange is a value that somebody else set.
type Strange struct {
	Output int
	Param  processor.Param
	Before string    // as it was known, in words
	Now    string    // as it stands
	Seen   time.Time // when it was first seen so; it may stand for as long as one round before
}

// rounds is in how many looks a watch goes once around, if there are that many
// outputs: few questions at a time, and none that does not answer holds up
// the others.
const rounds = 8

// Watch reads every output once in every, a few at a time, until ctx ends, and
// compares what it finds with what the store knows the outputs to hold. A value
// that differs is looked at again at once; only if it differs in both certain
// looks is it told. An output of which nothing is known yet becomes known.
//
// It sends queries only, none while a change is open, and gives way at once to
// whoever else talks to the processors. A processor that does not answer is
// passed over: that is for others to tell. An error is one of the store's.
func (c *Controller) Watch(ctx context.Context, every time.Duration) error {
	outputs := c.wire.Readable()
	looks := min(rounds, len(outputs))
	if looks == 0 {
		<-ctx.Done()
		return nil
	}
	tick := time.NewTicker(max(time.Millisecond, every/time.Duration(looks)))
	defer tick.Stop()
	for i := 0; ; i = (i + 1) % looks {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if err := c.glance(ctx, outputs[i*len(outputs)/looks:(i+1)*len(outputs)/looks]); err != nil {
			return fmt.Errorf("watching: %w", err)
		}
	}
}

// glance looks at a few outputs, if nobody else talks to the processors.
func (c *Controller) glance(ctx context.Context, outputs []int) error {
	ctx, j, before := c.try(ctx, watching)
	if before != nil {
		return nil
	}
	defer c.leave(j, nil)
	if err := c.checkNotAdrift(); err != nil {
		if errors.Is(err, ErrAdrift) { // what is known is not what should stand
			return nil
		}
		return err
	}
	known, err := c.cfg.Store.Known()
	if err != nil {
		return err
	}
	seen, odd, fresh := c.compare(c.wire.Look(ctx, outputs), known)
	if len(fresh) > 0 {
		if err := c.cfg.Store.Know(fresh); err != nil {
			return err
		}
	}
	var twice []wire.Seen
	if len(odd) > 0 {
		twice = c.wire.Look(ctx, odd)
	}
	if ctx.Err() == nil {
		c.tellStrange(c.strangers(known, seen, twice))
	}
	return nil
}

// compare sorts what was seen into all that answered, the outputs that differ
// from what is known, and the settings of those of which nothing is.
func (c *Controller) compare(looked []wire.Seen, known []engine.Setting) (seen []engine.Setting, odd []int, fresh []engine.Setting) {
	for _, s := range looked {
		if s.Err != nil {
			continue
		}
		seen = append(seen, s.Setting)
		was, ok := engine.Sheet{Settings: known}.Setting(s.Setting.Output)
		if !ok {
			fresh = append(fresh, s.Setting)
		} else if len(c.wire.Differ(was, s.Setting)) > 0 {
			odd = append(odd, s.Setting.Output)
		}
	}
	return seen, odd, fresh
}

// strangers is what is strange now: as before of outputs that were not seen, and
// of those that were, what differs in both looks.
func (c *Controller) strangers(known, seen []engine.Setting, twice []wire.Seen) []Strange {
	before := c.Strangers()
	now := slices.DeleteFunc(slices.Clone(before), func(s Strange) bool {
		_, looked := engine.Sheet{Settings: seen}.Setting(s.Output)
		return looked && !slices.ContainsFunc(twice, func(again wire.Seen) bool { return again.Setting.Output == s.Output && again.Err != nil })
	})
	for _, again := range twice {
		if again.Err != nil {
			continue
		}
		was, _ := engine.Sheet{Settings: known}.Setting(again.Setting.Output)
		first, _ := engine.Sheet{Settings: seen}.Setting(again.Setting.Output)
		for _, param := range c.wire.Differ(was, again.Setting) {
			s := Strange{
				Output: was.Output, Param: param, Seen: c.cfg.Now(),
				Before: c.wire.Words(param, was), Now: c.wire.Words(param, again.Setting),
			}
			if old := slices.IndexFunc(before, s.is); old >= 0 {
				s = before[old]
			}
			if slices.Contains(c.wire.Differ(was, first), param) {
				now = append(now, s)
			}
		}
	}
	slices.SortFunc(now, func(a, b Strange) int {
		return (a.Output-b.Output)*len(processor.Params) + int(a.Param-b.Param)
	})
	return now
}

// is reports whether another Strange tells the same.
func (s Strange) is(other Strange) bool {
	s.Seen = other.Seen
	return s == other
}

// tellStrange makes now what is strange, and tells of it if it is news.
func (c *Controller) tellStrange(now []Strange) {
	c.mu.Lock()
	news := !slices.EqualFunc(now, c.strange, Strange.is)
	c.strange = now
	c.mu.Unlock()
	if news && c.cfg.Noticed != nil {
		c.cfg.Noticed(slices.Clone(now))
	}
}

// nothingStrange is when what stands has become what is known.
func (c *Controller) nothingStrange() { c.tellStrange(nil) }

// Strangers lists the values that somebody else set, ascending by output.
func (c *Controller) Strangers() []Strange {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.strange)
}

// Accept takes what stands on the processors as known. ErrBusy while a change
// runs, ErrAdrift after one that left outputs in doubt.
func (c *Controller) Accept(ctx context.Context) error {
	ctx, j, err := c.take(ctx, reading)
	if err != nil {
		return err
	}
	defer c.leave(j, nil)
	if err := c.checkNotAdrift(); err != nil {
		return err
	}
	now, err := c.look(ctx)
	if err != nil || len(now) == 0 {
		return err
	}
	if err := c.cfg.Store.Know(now); err != nil {
		return err
	}
	c.nothingStrange()
	return c.note("", "accepted", "what stands on the processors is now what is known")
}
