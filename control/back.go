package control

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"hushback/control/preset"
	"hushback/control/wire"
	"hushback/engine"
)

// Recover ends the change that a crash left open in the journal: it puts back
// what stood before (or the safe preset, if that was where it was going) and
// reads it back. Call it at the start, before anything else. The bool says
// whether there was such a change; without one nothing is sent.
//
// A processor that does not answer, or does not take it, makes the state
// Adrift, and the change stays open for the next Recover or Safe. Once begun it
// goes through even if ctx ends, within a bounded time.
func (c *Controller) Recover(ctx context.Context) (State, bool, error) {
	ctx, j, err := c.take(ctx, changing)
	if err != nil {
		return Idle{}, false, err
	}
	var final State = Idle{}
	defer func() { c.leave(j, final) }()
	record, open, err := c.cfg.Store.OpenChange()
	if err != nil || !open {
		return final, false, err
	}
	final, err = c.goBack(ctx, record, c.noteFor, "hushback was stopped in the middle of this change")
	return final, true, err
}

// Safe brings the outputs to the safe preset, at any time. A change that runs
// is cancelled and rolls back to the safe preset instead of what stood before;
// otherwise it is sent directly. The dry run and the confirm become void.
// Several callers at once share one way back.
//
// Once begun it goes through even if ctx ends, within a bounded time. Errors:
// ErrNoSafe; a processor that cannot be read before anything was ever written
// to it, as then the as-found preset is missing.
func (c *Controller) Safe(ctx context.Context) (State, error) {
	safe, err := c.safePreset()
	if err != nil {
		return Idle{}, err
	}
	for {
		running, j, before := c.try(ctx, goingSafe)
		if before == nil {
			var final State = Idle{}
			defer func() { c.leave(j, final) }()
			c.forget()
			final, err = c.sendSafe(running, safe)
			return final, err
		}
		if before.kind != goingSafe {
			before.cancel(errSafe)
		}
		if err := before.wait(ctx); err != nil {
			return Idle{}, err
		}
		if there, ok := before.final.(RolledBack); ok && there.To == ToSafe {
			c.forget()
			return there, nil
		}
	}
}

// sendSafe sends the safe preset while nothing else runs. An open change, left
// by one that ended adrift, becomes the way to the safe preset.
func (c *Controller) sendSafe(ctx context.Context, safe preset.Preset) (State, error) {
	if err := c.findFirst(ctx); err != nil {
		return Idle{}, err
	}
	record, open, err := c.cfg.Store.OpenChange()
	if err != nil {
		return Idle{}, err
	}
	book := c.cfg.Store.Redirect
	if !open {
		opened := c.cfg.Now()
		record = preset.Change{ID: changeID(opened, "safe"), Opened: opened}
		book = c.cfg.Store.Begin
	}
	return c.goBack(ctx, towards(safe.Settings, record), book, errSafe.Error())
}

// findFirst makes sure that what every output held before the first write to it
// is stored.
func (c *Controller) findFirst(ctx context.Context) error {
	found, _, err := c.cfg.Store.Get(preset.AsFound)
	if err != nil {
		return err
	}
	for _, output := range c.wire.Readable() {
		if _, ok := (engine.Sheet{Settings: found.Settings}).Setting(output); ok {
			continue
		}
		now, err := c.look(ctx)
		if err != nil {
			return fmt.Errorf("nothing was sent: what the processor holds could not be stored first: %w", err)
		}
		return c.storeAsFound(now)
	}
	return nil
}

// towards is the record of a change that is on its way to the safe preset: its
// Before says where a restart goes, and no dry run stands behind it.
func towards(safe []engine.Setting, record preset.Change) preset.Change {
	record.Digest, record.Before, record.After = "", safe, safe
	return record
}

// rollBack undoes a change that went wrong: to what stood before, or to the
// safe preset if that is why it was cancelled.
func (c *Controller) rollBack(ctx context.Context, record preset.Change, reason string) (State, error) {
	if context.Cause(ctx) != errSafe {
		return c.goBack(ctx, record, c.noteFor, reason)
	}
	safe, err := c.safePreset()
	if err != nil { // what stood before is better than nothing
		state, goErr := c.goBack(ctx, record, c.noteFor, reason)
		return state, errors.Join(err, goErr)
	}
	return c.goBack(ctx, towards(safe.Settings, record), c.cfg.Store.Redirect, reason)
}

// noteFor notes an entry that leaves the record of the open change as it is.
func (c *Controller) noteFor(_ preset.Change, e preset.Entry) error { return c.cfg.Store.Note(e) }

// goBack brings the outputs to record.Before and ends the change. book writes
// the first journal entry. A journal that cannot be written is told, but does
// not keep the outputs where they must not stay.
func (c *Controller) goBack(ctx context.Context, record preset.Change, book func(preset.Change, preset.Entry) error, reason string) (State, error) {
	to := ToBefore
	if record.Digest == "" {
		to = ToSafe
	}
	bookErr := book(record, c.entry(record.ID, "rolling back", fmt.Sprintf("to %s: %s", to, reason)))
	readings, doubts := c.undo(ctx, to, record)
	if len(doubts) == 0 {
		end := c.cfg.Store.End(c.entry(record.ID, "rolled back", fmt.Sprintf("to %s, %s: %s", to, c.exceptBlind("read back"), reason)), record.Before)
		state := RolledBack{Change: record.ID, To: to, Reason: reason, Readings: readings, Blind: c.wire.Blind()}
		c.nothingStrange()
		c.notify(state)
		return state, errors.Join(bookErr, end)
	}
	state := Adrift{Change: record.ID, Outputs: slices.Sorted(maps.Keys(doubts)), Reason: adrift(to, reason, doubts)}
	end := c.note(record.ID, "adrift", state.Reason)
	c.notify(state)
	return state, errors.Join(bookErr, end)
}

// undo sends the way back and reads it back; whether an output is in doubt, a
// last certain look says. It does not stop when ctx ends, only when no honest
// attempt takes that long.
func (c *Controller) undo(ctx context.Context, to string, record preset.Change) ([]Reading, map[int]error) {
	err := c.checkLoudness(record.Before) // the site's limits may be lower by now
	var steps []Step
	if err == nil {
		steps, err = c.wayBack(to, record.Before, record.After)
	}
	if err != nil { // the profile or the site was changed since
		doubts := map[int]error{}
		for _, set := range record.Before {
			doubts[set.Output] = err
		}
		return nil, doubts
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), c.wire.Longest(steps))
	defer cancel()
	readings, doubts := c.wire.Carry(ctx, steps, wire.GoOn, func(int, []Reading) {})
	for _, seen := range c.wire.Look(ctx, c.wire.Readable()) {
		output := seen.Setting.Output
		want, wanted := engine.Sheet{Settings: record.Before}.Setting(output)
		what := c.wire.Difference(c.wire.Stored(want), seen.Setting)
		switch {
		case !wanted: // the change had nothing to do with it
		case seen.Err == nil && what == "":
			delete(doubts, output) // whatever happened on the way
		case doubts[output] == nil:
			doubts[output] = cmp.Or(seen.Err, errors.New(what))
		}
	}
	return readings, doubts
}

// adrift says what went wrong, each output's own reason in turn.
func adrift(to, reason string, doubts map[int]error) string {
	var whys []string
	for _, output := range slices.Sorted(maps.Keys(doubts)) {
		if why := doubts[output].Error(); !slices.Contains(whys, why) {
			whys = append(whys, why)
		}
	}
	return fmt.Sprintf("on the way to %s (%s): %s; an output in doubt was made no louder", to, reason, strings.Join(whys, "; "))
}

// first is the doubt about the lowest output, nil if there is none.
func first(doubts map[int]error) error {
	if len(doubts) == 0 {
		return nil
	}
	return doubts[slices.MinFunc(slices.Collect(maps.Keys(doubts)), cmp.Compare[int])]
}

// reason puts into words why a change is not kept.
func reason(ctx context.Context, why error) string {
	if ctx.Err() == nil {
		return why.Error()
	}
	cause := context.Cause(ctx)
	switch {
	case errors.Is(cause, context.Canceled):
		return "the daemon was told to stop"
	case errors.Is(cause, context.DeadlineExceeded):
		return "the time given to it was over"
	}
	return cause.Error()
}
