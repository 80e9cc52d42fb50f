package control

import (
	"context"
	"fmt"
	"slices"

	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// StoreSafe reads the processors and stores what they hold as the safe preset.
// ErrBusy while a change runs, ErrAdrift after one that left outputs in doubt,
// ErrUnreadable if an output cannot be read: what is only thought to stand is
// not safe.
func (c *Controller) StoreSafe(ctx context.Context) (preset.Preset, error) {
	if blind := c.wire.Blind(); len(blind) > 0 {
		return preset.Preset{}, fmt.Errorf("outputs %v: %w", blind, ErrUnreadable)
	}
	return c.SaveAs(ctx, preset.Safe)
}

// SaveAs reads the processors and stores what they hold under a name; of a blind
// processor, what it was last sent. Errors: as StoreSafe, ErrUnreadable only if
// nothing is known of an output; preset.ErrExists.
func (c *Controller) SaveAs(ctx context.Context, name string) (preset.Preset, error) {
	ctx, j, err := c.take(ctx, reading)
	if err != nil {
		return preset.Preset{}, err
	}
	defer c.leave(j, nil)
	if err := c.checkNotAdrift(); err != nil {
		return preset.Preset{}, err // what is in doubt must not become what is gone back to
	}
	settings, err := c.stands(ctx)
	if err != nil {
		return preset.Preset{}, err
	}
	if len(settings) < len(c.cfg.Outputs) {
		return preset.Preset{}, fmt.Errorf("outputs %v: %w", c.wire.Blind(), ErrUnreadable)
	}
	return c.store(name, settings)
}

// store stores settings, as the safe preset only if no limit is crossed.
func (c *Controller) store(name string, settings []engine.Setting) (preset.Preset, error) {
	p := preset.Preset{Name: name, Taken: c.cfg.Now(), Settings: settings}
	if err := c.checkLoudness(settings); err != nil && name == preset.Safe {
		return preset.Preset{}, fmt.Errorf("not stored as the safe preset: %w: turn it down first", err)
	}
	if err := c.cfg.Store.Put(p); err != nil {
		return preset.Preset{}, err
	}
	return p, c.note("", name+" stored", fmt.Sprintf("the preset %q is now %.12s", name, p.ID()))
}

// StoreSafePreset makes settings that come from elsewhere the safe preset, for
// processors that cannot be read. They must be what the processors can hold, for
// each output of the site, and below its limits. ErrBusy while a change runs.
func (c *Controller) StoreSafePreset(p preset.Preset) (preset.Preset, error) {
	_, j, err := c.take(context.Background(), reading)
	if err != nil {
		return preset.Preset{}, err
	}
	defer c.leave(j, nil)
	settings, err := c.fit(p.Settings)
	if err != nil {
		return preset.Preset{}, fmt.Errorf("preset %q: %w", p.Name, err)
	}
	if _, err := c.wire.Way(PartUndo, settings); err != nil {
		return preset.Preset{}, fmt.Errorf("preset %q: %w", p.Name, err)
	}
	return c.store(preset.Safe, settings)
}

// UseAsSafe makes a stored preset, by its name or ID, the safe one.
func (c *Controller) UseAsSafe(name string) (preset.Preset, error) {
	p, err := c.cfg.Store.Find(name)
	if err != nil {
		return preset.Preset{}, err
	}
	return c.StoreSafePreset(p)
}

// Preset is a stored preset, by its name or ID, as a sheet for DryRun: of the
// site's outputs, each value on its processor's nearest step, which is less than
// half a step from what was read.
func (c *Controller) Preset(name string) (engine.Sheet, error) {
	p, err := c.cfg.Store.Find(name)
	if err != nil {
		return engine.Sheet{}, err
	}
	return c.sheet(p.Settings, fmt.Sprintf("preset %q", name))
}

// PutBack is what the outputs are known to hold, as a sheet for DryRun: to bring
// back what somebody else changed.
func (c *Controller) PutBack() (engine.Sheet, error) {
	known, err := c.cfg.Store.Known()
	if err != nil {
		return engine.Sheet{}, err
	}
	return c.sheet(known, "what is known")
}

func (c *Controller) sheet(settings []engine.Setting, what string) (engine.Sheet, error) {
	fitting, err := c.fit(settings)
	if err != nil {
		return engine.Sheet{}, fmt.Errorf("%s: %w", what, err)
	}
	for i, set := range fitting {
		p := c.wire.Profile(set.Output)
		fitting[i] = p.Snap(set)
	}
	return engine.Sheet{Settings: fitting}, nil
}

// fit is settings as far as the site's outputs go, all of them and no other, and
// as their processors can hold them. They may have been stored for another site on
// the same processors.
func (c *Controller) fit(settings []engine.Setting) ([]engine.Setting, error) {
	var fitting []engine.Setting
	for _, o := range c.cfg.Outputs {
		set, ok := engine.Sheet{Settings: settings}.Setting(o.Number)
		if !ok {
			return nil, fmt.Errorf("it knows nothing of output %d", o.Number)
		}
		fitting = append(fitting, c.wire.Stored(set))
	}
	return fitting, nil
}

// safePreset is the safe preset as far as the site's outputs go, none above its
// limit.
func (c *Controller) safePreset() (preset.Preset, error) {
	p, ok, err := c.cfg.Store.Get(preset.Safe)
	if err != nil {
		return p, err
	}
	if !ok {
		return p, ErrNoSafe
	}
	if p.Settings, err = c.fit(p.Settings); err != nil {
		return p, fmt.Errorf("%w (of the stored one: %w)", ErrNoSafe, err)
	}
	if err := c.checkLoudness(p.Settings); err != nil {
		return p, fmt.Errorf("%w (the stored one is too loud for this site: %w)", ErrNoSafe, err)
	}
	return p, nil
}

// checkLoudness refuses settings above an output's limit.
func (c *Controller) checkLoudness(settings []engine.Setting) error {
	for _, set := range settings {
		i := slices.IndexFunc(c.cfg.Outputs, func(o engine.Output) bool { return o.Number == set.Output })
		if i < 0 {
			return fmt.Errorf("output %d is not one that the site uses", set.Output)
		}
		limit := c.cfg.Outputs[i].MaxGainDB
		p := c.wire.Profile(set.Output)
		slack := p.Ranges().GainDB.Step / 1000 // for what a float32 loses on the way here
		if !(set.GainDB <= limit+slack) {
			return fmt.Errorf("output %d: gain %s is above its limit of %g dB", set.Output, p.Words(processor.Gain, set), limit)
		}
	}
	return nil
}
