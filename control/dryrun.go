package control

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strings"

	"hushback/control/processor"
	"hushback/engine"
)

// DryRun reads the processors and lists exactly what bringing the sheet onto
// them could send: the way there, the mutes and opens of the measurement, the way
// back. It sends queries only. From then on this dry run, and no earlier one,
// can be confirmed.
//
// It refuses a sheet that does not set each output of the site exactly once,
// sets one to what the processor cannot be set to, or sets one louder than its
// limit; a processor that stands above a limit, as rolling back would set that
// again; ErrWiring if an output has another label there than in the site; ErrBusy
// while a change runs, ErrAdrift after one that left outputs in doubt, ErrNoSafe
// if only the safe preset is there to go back to and it is not.
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
	for i, set := range after {
		after[i] = c.wire.Stored(set)
	}
	if err := c.checkNotAdrift(); err != nil {
		return DryRun{}, err
	}
	if err := c.checkLabels(ctx); err != nil {
		return DryRun{}, err
	}
	before, err := c.stands(ctx)
	if err != nil {
		return DryRun{}, err
	}
	if err := c.checkLoudness(before); err != nil {
		return DryRun{}, fmt.Errorf("the processor stands too loud to come back to: %w: turn it down there first", err)
	}
	d, err := c.draw(before, after)
	if err != nil {
		return DryRun{}, err
	}
	own := d.clone()
	c.mu.Lock()
	c.draft, c.confirmed = &own, nil
	c.mu.Unlock()
	return d, nil
}

// draw makes the dry run between two states.
func (c *Controller) draw(before, after []engine.Setting) (DryRun, error) {
	d := DryRun{
		Before: before, After: after, Turns: c.turns(before, after), Blind: c.wire.Blind(),
		Expires: c.cfg.Now().Add(c.cfg.ConfirmFor), Back: ToBefore, back: before,
	}
	if len(before) < len(after) {
		safe, err := c.safePreset()
		if err != nil {
			return DryRun{}, fmt.Errorf("what stands is not known of every output, so there is nothing to go back to: %w", err)
		}
		d.Back, d.back = ToSafe, safe.Settings
	}
	there, err := c.wire.Way(PartSend, after, before)
	if err != nil {
		return DryRun{}, err
	}
	measure, err := c.wire.Measure(after, c.alone())
	if err != nil {
		return DryRun{}, err
	}
	back, err := c.wayBack(d.Back, d.back, after)
	if err != nil {
		return DryRun{}, err
	}
	d.Steps = slices.Concat(there, measure, back)
	rand.Read(d.Nonce[:]) // never fails
	d.Digest = digest(d)
	return d, nil
}

// alone lists the groups of outputs that a measurement may hear by themselves.
func (c *Controller) alone() [][]int {
	if c.cfg.Alone != nil {
		return c.cfg.Alone
	}
	var each [][]int
	for _, o := range c.cfg.Outputs {
		each = append(each, []int{o.Number})
	}
	return each
}

// wayBack is the way to what stood before, from anywhere on the way from there to
// after; or the way to the safe preset, which supposes nothing of what stands.
func (c *Controller) wayBack(to string, settings, after []engine.Setting) ([]Step, error) {
	if to == ToSafe {
		return c.wire.Way(PartUndo, settings)
	}
	return c.wire.Way(PartUndo, settings, settings, after)
}

// turns is what becomes of each value.
func (c *Controller) turns(before, after []engine.Setting) []Turn {
	var turns []Turn
	for _, set := range after {
		was, known := (engine.Sheet{Settings: before}).Setting(set.Output)
		for _, param := range c.wire.Params(set.Output) {
			t := Turn{Output: set.Output, Param: param, Before: "unknown", After: c.wire.Words(param, set)}
			if known {
				t.Before = c.wire.Words(param, was)
			}
			turns = append(turns, t)
		}
	}
	return turns
}

// checkLabels refuses a wiring that is not the site's. A processor on which nobody
// wrote a label proves nothing, either way.
func (c *Controller) checkLabels(ctx context.Context) error {
	for _, o := range c.cfg.Outputs {
		got, has, err := c.wire.Label(ctx, o.Number)
		if err != nil {
			return err
		}
		if got = strings.TrimSpace(got); has && got != "" && got != o.Label {
			return fmt.Errorf("output %d: the site calls it %q, the processor %q: %w", o.Number, o.Label, got, ErrWiring)
		}
	}
	return nil
}

// Confirmed is leave to send one dry run, once. Only Confirm makes one.
type Confirmed struct{ dry DryRun }

// Consent is what a person agrees to besides the digest.
type Consent struct {
	Blind bool // that outputs which cannot be read back are sent to all the same
}

// Confirm gives leave to send the dry run with this digest. It works once; a
// new dry run or going to the safe preset makes it void. Errors: ErrNoDryRun,
// ErrUsed, ErrAltered, ErrExpired, ErrBlind, ErrNoSafe.
func (c *Controller) Confirm(digest string, consent Consent) (*Confirmed, error) {
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
	case len(c.draft.Blind) > 0 && !consent.Blind:
		return nil, fmt.Errorf("outputs %v: %w", c.draft.Blind, ErrBlind)
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
	d.Before, d.After, d.back = slices.Clone(d.Before), slices.Clone(d.After), slices.Clone(d.back)
	d.Turns, d.Steps, d.Blind = slices.Clone(d.Turns), slices.Clone(d.Steps), slices.Clone(d.Blind)
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
	p := c.wire.Profile(set.Output)
	ranges, near := p.Ranges(), p.Snap(set)
	if off(ranges.DelaySec, set.DelaySec, near.DelaySec) {
		return fmt.Errorf("output %d: delay %v ms is between two steps of the processor, the nearest is %s",
			set.Output, set.DelaySec*1000, p.Words(processor.Delay, near))
	}
	if off(ranges.GainDB, set.GainDB, near.GainDB) {
		return fmt.Errorf("output %d: gain %v dB is between two steps of the processor, the nearest is %s",
			set.Output, set.GainDB, p.Words(processor.Gain, near))
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
