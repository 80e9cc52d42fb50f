package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/home"
	"hushback/control"
	"hushback/control/preset"
	"hushback/control/processor"
	"hushback/engine"
)

// DryRun is a dry run without a daemon. It writes nothing to the processor, and
// what it learns it forgets, so that it can be taken beside a running daemon.
func DryRun(ctx context.Context, site engine.Site, profiles []processor.Profile) (run control.DryRun, err error) {
	p, err := design(site, profiles)
	if err != nil {
		return run, err
	}
	folder, err := os.MkdirTemp("", "hushback-dry-run-")
	if err != nil {
		return run, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	store, err := preset.Open(home.Folder{Dir: folder}.Store())
	if err != nil {
		return run, err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	err = reach(site, profiles, store, func(c *control.Controller) error {
		run, err = c.DryRun(ctx, p.sheet)
		return err
	})
	return run, err
}

// Safe returns to the safe preset where no daemon runs. desk.InDoubt if it cannot
// tell what the processor holds.
func Safe(ctx context.Context, folder home.Folder, site engine.Site, profiles []processor.Profile) (back control.RolledBack, err error) {
	if _, err := os.Stat(folder.Store()); errors.Is(err, fs.ErrNotExist) {
		return back, fmt.Errorf("nothing was ever stored in %s, so there is no safe preset: is it the right state folder?", folder.Dir)
	}
	store, err := preset.Open(folder.Store())
	if err != nil {
		return back, err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	if err := store.Belong(home.Identity(site, profiles)); err != nil {
		return back, err
	}
	err = reach(site, profiles, store, func(c *control.Controller) error {
		state, err := c.Safe(ctx)
		if err == nil {
			back, err = rested(state)
		}
		return err
	})
	return back, err
}

// UseAsSafe makes a stored preset the safe one where no daemon runs. It sends
// nothing.
func UseAsSafe(store *preset.Store, site engine.Site, profiles []processor.Profile, name string) (p preset.Preset, err error) {
	if err := store.Belong(home.Identity(site, profiles)); err != nil {
		return p, err
	}
	err = reach(site, profiles, store, func(c *control.Controller) error {
		p, err = c.UseAsSafe(name)
		return err
	})
	return p, err
}

// rested is how a return to the safe preset ended, or why it did not.
func rested(s control.State) (control.RolledBack, error) {
	switch s := s.(type) {
	case control.RolledBack:
		return s, nil
	case control.Adrift:
		return control.RolledBack{}, desk.InDoubt{Outputs: s.Outputs, Reason: s.Reason}
	default:
		return control.RolledBack{}, fmt.Errorf("ended in state %q", desk.StateName(s))
	}
}

// reach opens the wires to the processors for one piece of work.
func reach(site engine.Site, profiles []processor.Profile, store *preset.Store, work func(*control.Controller) error) (err error) {
	processors, wires, err := dial(site, profiles)
	defer func() { err = errors.Join(err, hangUp(wires)) }()
	if err != nil {
		return err
	}
	c, err := control.New(control.Config{
		Processors: processors, Store: store, Outputs: site.Outputs, Alone: alone(site),
		ConfirmFor: time.Minute, KeepFor: time.Minute,
	})
	if err != nil {
		return err
	}
	return work(c)
}
