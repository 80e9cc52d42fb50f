package daemon

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/whatif"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/solve"
	"hushback/engine/tolerance"
)

// plan is what a site comes to by itself, before anything is measured.
type plan struct {
	site           engine.Site // with the limits worked out that its file leaves open
	sheet          engine.Sheet
	prediction     engine.Prediction
	reached, bound float64 // of the site's aim, if it has one
}

// design turns a site into a sheet on the processors' grids and its prediction,
// and works out the limits that the site leaves open.
func design(open engine.Site, profiles []processor.Profile) (p plan, err error) {
	ranges := processor.Common(profiles)
	if open.Aim != nil {
		var found solve.Zoned
		found, err = solve.SolveZone(context.Background(), open, ranges, nil)
		p.sheet, p.reached, p.bound = found.Sheet, found.Mean, found.Bound
	} else {
		p.sheet, err = solve.Solve(open, ranges)
	}
	if err != nil {
		return p, fmt.Errorf("solving %s: %w", open.Job, err)
	}
	snap(open, profiles, p.sheet)
	if p.site, err = tolerance.Held(open, p.sheet, ranges); err != nil {
		return p, fmt.Errorf("working out the limits of %s: %w", open.Job, err)
	}
	if p.prediction, err = field.Predict(p.site, p.sheet); err != nil {
		return p, fmt.Errorf("predicting %s: %w", open.Job, err)
	}
	return p, nil
}

// snap brings settings onto the steps of each output's own processor.
func snap(site engine.Site, profiles []processor.Profile, sheet engine.Sheet) {
	for i, set := range sheet.Settings {
		output, _ := site.Output(set.Output)
		for k, w := range site.Wirings() {
			if w.Name == output.Processor {
				sheet.Settings[i] = profiles[k].Snap(set)
			}
		}
	}
}

// mean makes a plan the one that is meant, unless a change is under way.
func (d *Daemon) mean(p plan, corrected bool) error {
	var busy bool
	var revision uint64
	d.change(func(v *desk.View) {
		if busy = v.Doing == sending || desk.Flatten(v.State).Running; busy {
			return
		}
		v.Site, v.Sheet, v.Prediction, v.Corrected = p.site, p.sheet, p.prediction, corrected
		v.Foreseen, v.Revision = nil, v.Revision+1
		revision = v.Revision
	})
	if busy {
		return errors.New("a change is under way: wait until it rests, or roll it back")
	}
	d.working.Go(func() { d.foresee(p, revision) })
	return nil
}

// foresee works out what can be told of a plan before anything sounds: it takes a
// moment, for which nobody should wait.
func (d *Daemon) foresee(p plan, revision uint64) {
	told := desk.Foreseen{Reached: p.reached, Bound: p.bound}
	var err error
	if told.Errors, err = tolerance.Work(p.site, p.sheet, processor.Common(d.options.Profiles), nil); err != nil {
		told.Trouble = err.Error()
	}
	d.change(func(now *desk.View) {
		if now.Revision == revision {
			now.Foreseen = &told
		}
	})
}

// fixed is what a daemon cannot change about its site while it runs: which
// processor channels there are, how loud they may be, what is measured by itself,
// and where.
func fixed(site engine.Site) []any {
	all := []any{site.Wirings(), alone(site), microphones(site)}
	for _, o := range site.Outputs {
		all = append(all, o.Number, o.Processor, o.OnChannel(), o.MaxGainDB)
	}
	return all
}

// Adopt makes another arrangement of the same outputs and microphones the site,
// solves it, and takes a dry run of what comes out.
func (d *Daemon) Adopt(ctx context.Context, site engine.Site) error {
	if now := d.View().Site; !reflect.DeepEqual(fixed(now), fixed(site)) {
		return errors.New("this design has other outputs or microphones than the daemon runs with: write it into the site file and start again")
	}
	site.Limits = d.limits
	p, err := design(site, d.options.Profiles)
	if err != nil {
		return err
	}
	d.plan.Store(&p)
	if err := d.mean(p, false); err != nil {
		return err
	}
	return d.DryRun(ctx)
}

// Bench is what arrangements are tried out with: the layouts of the site file, on
// the processors that run.
func (d *Daemon) Bench() whatif.Bench {
	layouts := slices.Clone(d.options.Layouts)
	for i := range layouts {
		layouts[i].Site.Wiring, layouts[i].Site.Further = d.options.Site.Wiring, d.options.Site.Further
	}
	return whatif.Bench{Layouts: layouts, Ranges: processor.Common(d.options.Profiles), Snap: func(site engine.Site, sheet engine.Sheet) engine.Sheet {
		sheet.Settings = slices.Clone(sheet.Settings)
		snap(site, d.options.Profiles, sheet)
		return sheet
	}}
}

// Correct makes the correction the sheet that is meant, and takes a dry run of it.
func (d *Daemon) Correct(ctx context.Context) error {
	v := d.View()
	c := v.Correction
	if c == nil {
		return errors.New("there is no correction: measure first")
	}
	if err := d.mean(plan{v.Site, c.Sheet, c.Prediction, c.Mean, c.Bound}, true); err != nil {
		return err
	}
	return d.DryRun(ctx)
}

// AsDesigned goes back from a correction to what the site alone comes to.
func (d *Daemon) AsDesigned(ctx context.Context) error {
	if err := d.mean(*d.plan.Load(), false); err != nil {
		return err
	}
	return d.DryRun(ctx)
}
