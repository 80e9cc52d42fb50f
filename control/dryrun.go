package control

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// DryRun reads the processor and lists exactly what bringing the sheet onto it
// could send: the way there, the mutes and opens of the measurement, the way
// back. It sends queries only. From then on this dry run, and no earlier one,
// can be confirmed.
//
// It refuses a sheet that does not set each output of the site exactly once,
// sets one to what the processor cannot be set to, or sets one louder than its
// limit; a processor that stands above a limit, as rolling back would set that
// again; ErrBusy while a change runs, ErrAdrift after one that left outputs in
// doubt.
func (c *Controller) DryRun(ctx context.Context, sheet engine.Sheet) (DryRun, error) {
	ctx, j, err := c.take(ctx, reading)
	if err != nil {
		return DryRun{}, err
	}
	defer c.leave(j, nil)
	after := slices.Clone(sheet.Settings)
	if err := c.checkSheet(after); err != nil {
		return DryRun{}, fmt.Errorf("sheet: %w", err)
	}
	if err := c.checkNotAdrift(); err != nil {
		return DryRun{}, err
	}
	before, err := c.read(ctx)
	if err != nil {
		return DryRun{}, err
	}
	if err := c.checkLoudness(before); err != nil {
		return DryRun{}, fmt.Errorf("the processor stands too loud to come back to: %w: turn it down there first", err)
	}
	d := DryRun{Before: before, After: after, Expires: c.cfg.Now().Add(c.cfg.ConfirmFor)}
	rand.Read(d.Nonce[:]) // never fails
	if d.Steps, err = c.steps(before, after); err != nil {
		return DryRun{}, err
	}
	d.Digest = digest(d)
	own := d.clone()
	c.mu.Lock()
	c.draft, c.confirmed = &own, nil
	c.mu.Unlock()
	return d, nil
}

// Confirmed is leave to send one dry run, once. Only Confirm makes one.
type Confirmed struct{ dry DryRun }

// Confirm gives leave to send the dry run with this digest. It works once; a
// new dry run or going to the safe preset makes it void. Errors: ErrNoDryRun,
// ErrUsed, ErrAltered, ErrExpired, ErrNoSafe.
func (c *Controller) Confirm(digest string) (*Confirmed, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.draft == nil && c.used != "" && digest == c.used:
		return nil, ErrUsed
	case c.draft == nil:
		return nil, ErrNoDryRun
	case digest != c.draft.Digest:
		return nil, ErrAltered
	case c.cfg.Now().After(c.draft.Expires):
		return nil, ErrExpired
	}
	if _, err := c.safePreset(); err != nil {
		return nil, err
	}
	c.confirmed = &Confirmed{dry: *c.draft}
	c.draft, c.used = nil, digest
	return c.confirmed, nil
}

// redeem takes a confirm that is still good, and makes it void.
func (c *Controller) redeem(confirmed *Confirmed) (DryRun, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if confirmed == nil {
		return DryRun{}, ErrNoDryRun
	}
	if confirmed != c.confirmed {
		return DryRun{}, ErrUsed
	}
	c.confirmed = nil
	return confirmed.dry, nil
}

// forget makes the dry run and the confirm void.
func (c *Controller) forget() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.draft, c.confirmed = nil, nil
}

// clone shares nothing with d that d's owner could write to.
func (d DryRun) clone() DryRun {
	d.Before, d.After, d.Steps = slices.Clone(d.Before), slices.Clone(d.After), slices.Clone(d.Steps)
	for i := range d.Steps {
		d.Steps[i].Message.Args = slices.Clone(d.Steps[i].Message.Args)
		d.Steps[i].Bytes = slices.Clone(d.Steps[i].Bytes)
	}
	return d
}

// digest is SHA-256 over both states and, in order, each step's part and bytes.
func digest(d DryRun) string {
	h := sha256.New()
	fmt.Fprintf(h, "dry run %x\nbefore %s\nafter %s\n", d.Nonce,
		engine.Sheet{Settings: d.Before}.Digest(), engine.Sheet{Settings: d.After}.Digest())
	for _, s := range d.Steps {
		fmt.Fprintf(h, "%s %x\n", s.Part, s.Bytes)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func (c *Controller) checkSheet(settings []engine.Setting) error {
	if err := c.checkLoudness(settings); err != nil {
		return err
	}
	for i, set := range settings {
		if i > 0 && set.Output <= settings[i-1].Output {
			return fmt.Errorf("output %d after output %d: outputs must count up", set.Output, settings[i-1].Output)
		}
		if err := c.checkOnGrid(set); err != nil {
			return err
		}
	}
	for _, o := range c.cfg.Outputs {
		if _, ok := (engine.Sheet{Settings: settings}).Setting(o.Number); !ok {
			return fmt.Errorf("output %d has no setting", o.Number)
		}
	}
	return nil
}

// checkOnGrid refuses what the processor would have to round: the sheet that is
// proven must be the sheet that stands. What is out of range is left to the
// profile to refuse.
func (c *Controller) checkOnGrid(set engine.Setting) error {
	ranges, near := c.cfg.Profile.Ranges(), c.cfg.Profile.Snap(set)
	if off(ranges.DelaySec, set.DelaySec, near.DelaySec) {
		return fmt.Errorf("output %d: delay %v ms is between two steps of the processor, the nearest is %s",
			set.Output, set.DelaySec*1000, c.cfg.Profile.Words(processor.Delay, near))
	}
	if off(ranges.GainDB, set.GainDB, near.GainDB) {
		return fmt.Errorf("output %d: gain %v dB is between two steps of the processor, the nearest is %s",
			set.Output, set.GainDB, c.cfg.Profile.Words(processor.Gain, near))
	}
	return nil
}

// off allows for rounding in the last digits only; NaN is off.
func off(g engine.Grid, v, near float64) bool { return !(math.Abs(v-near) <= 1e-6*g.Step) }

func (c *Controller) checkNotAdrift() error {
	_, open, err := c.cfg.Store.OpenChange()
	if err == nil && open {
		err = ErrAdrift
	}
	return err
}

// steps lists everything that a change between two states could send.
func (c *Controller) steps(before, after []engine.Setting) ([]Step, error) {
	there, err := c.way(PartSend, after)
	if err != nil {
		return nil, err
	}
	measure, err := c.measure(after)
	if err != nil {
		return nil, err
	}
	back, err := c.way(PartUndo, before)
	return slices.Concat(there, measure, back), err
}

// way is how outputs come to what they shall be from whatever they are: all of
// them muted, then the values, then those opened that shall be open. So an
// output that is heard while a value moves is heard only if its mute was lost,
// and then at one of the two gains.
func (c *Controller) way(part Part, to []engine.Setting) ([]Step, error) {
	l := list{profile: c.cfg.Profile, part: part}
	for _, set := range to {
		l.mute(set, true)
	}
	for _, set := range to {
		for _, param := range []processor.Param{processor.Gain, processor.Delay, processor.Polarity} {
			l.add(param, set)
		}
	}
	for _, set := range to {
		if !set.Muted {
			l.mute(set, false)
		}
	}
	return l.steps, errors.Join(l.errs...)
}

// measure is each output of the sheet alone in turn, then all of them. An
// output that the sheet keeps muted is never opened.
func (c *Controller) measure(after []engine.Setting) ([]Step, error) {
	l := list{profile: c.cfg.Profile, part: PartMeasure}
	all := slices.DeleteFunc(slices.Clone(after), func(s engine.Setting) bool { return s.Muted })
	for _, alone := range all {
		l.solo, l.when = alone.Output, fmt.Sprintf("output %d alone: ", alone.Output)
		l.only(after, []engine.Setting{alone})
	}
	l.solo, l.when = 0, "all together: "
	l.only(after, all)
	return l.steps, errors.Join(l.errs...)
}

// list gathers steps, and what is wrong with them.
type list struct {
	profile processor.Profile
	part    Part
	solo    int
	when    string // in front of each step's words
	steps   []Step
	errs    []error
}

// only opens some outputs and mutes the others, mutes first.
func (l *list) only(outputs, open []engine.Setting) {
	for _, set := range outputs {
		if !slices.Contains(open, set) {
			l.mute(set, true)
		}
	}
	for _, set := range open {
		l.mute(set, false)
	}
}

func (l *list) mute(set engine.Setting, muted bool) {
	set.Muted = muted
	l.add(processor.Mute, set)
}

// add appends the step that sets one parameter.
func (l *list) add(param processor.Param, set engine.Setting) {
	message, err := l.profile.Write(param, set)
	if err != nil {
		l.errs = append(l.errs, err)
		return
	}
	bytes, err := osc.Encode(message)
	if err != nil {
		l.errs = append(l.errs, err)
		return
	}
	value := l.profile.Words(param, set)
	if param != processor.Mute { // "open" and "muted" say themselves what they are of
		value = param.String() + " " + value
	}
	l.steps = append(l.steps, Step{
		Part: l.part, Output: set.Output, Param: param,
		Words:   fmt.Sprintf("%soutput %d: %s", l.when, set.Output, value),
		Message: message, Bytes: bytes,
		want: set, value: value, solo: l.solo,
	})
}
