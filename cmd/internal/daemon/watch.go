package daemon

import (
	"context"
	"fmt"
	"strings"

	"hushback/cmd/internal/desk"
	"hushback/control"
)

// watch looks for what somebody else changes on the processors, until the daemon
// stops.
func (d *Daemon) watch() {
	if err := d.controller.Watch(d.work, lookEvery); err != nil {
		d.tell(err.Error())
		d.options.Log.Error("watching", "error", err)
	}
}

// noticed shows and logs the values that somebody else changed.
func (d *Daemon) noticed(strange []control.Strange) {
	d.change(func(v *desk.View) { v.Strange = strange })
	var words []string
	for _, s := range strange {
		words = append(words, fmt.Sprintf("output %d: %s was %s and is %s", s.Output, s.Param, s.Before, s.Now))
	}
	if len(words) > 0 {
		d.options.Log.Warn("somebody changed a processor", "values", strings.Join(words, "; "))
	}
}

// Accept takes what stands on the processors as right.
func (d *Daemon) Accept(ctx context.Context) error {
	defer d.refresh()
	return d.controller.Accept(ctx)
}

// PutBack takes a dry run of what stood on the processors before somebody else
// changed it.
func (d *Daemon) PutBack(ctx context.Context) error {
	sheet, err := d.controller.PutBack()
	if err != nil {
		return err
	}
	return d.draft(ctx, sheet, drafted{as: "what stood before somebody else changed it"})
}

// SavePreset stores what the processors hold under a name.
func (d *Daemon) SavePreset(ctx context.Context, name string) error {
	defer d.refresh()
	_, err := d.controller.SaveAs(ctx, name)
	return err
}

// DryRunPreset takes a dry run of a stored preset.
func (d *Daemon) DryRunPreset(ctx context.Context, name string) error {
	sheet, err := d.controller.Preset(name)
	if err != nil {
		return err
	}
	return d.draft(ctx, sheet, drafted{as: fmt.Sprintf("the preset %q", name)})
}

// UseAsSafe makes a stored preset the safe one: the way to a safe preset where
// processors cannot be read.
func (d *Daemon) UseAsSafe(_ context.Context, name string) error {
	defer d.refresh()
	_, err := d.controller.UseAsSafe(name)
	return err
}

// drafted is the last dry run; as says what stored state it is of, "" for the
// sheet that is meant.
type drafted struct {
	control.DryRun
	as       string
	revision uint64 // of what was meant
}

// readBack is all the proof that a stored state needs: it is what it was.
func (r *drafted) readBack(context.Context, control.Bench) (control.Proof, error) {
	return control.Proof{Proven: true, Reason: "this is " + r.as + ", not measured"}, nil
}
