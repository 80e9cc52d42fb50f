package daemon

import (
	"context"
	"errors"
	"fmt"

	"hushback/cmd/internal/desk"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/engine/field"
	"hushback/verify"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// explain works out what is wrong with a rig that did not keep its promises, and
// what it could be set to instead. It takes seconds, so it runs once the way back
// has begun: nobody listens to a refuted sheet while a machine thinks.
func (d *Daemon) explain(sheet engine.Sheet, captures []verify.Capture) {
	site := d.options.Site
	diagnosis, err := diagnose.Find(site, sheet, captures)
	if err != nil {
		d.options.Log.Info("no diagnosis", "error", err)
	} else {
		d.explained(captures, func(v *desk.View) { v.Diagnosis = &diagnosis })
	}
	if !site.Series.Outputs() {
		return // rows tell too little of single outputs
	}
	correction, err := correct.Solve(d.work, site, sheet, processor.Common(d.options.Profiles), captures)
	if err != nil {
		d.options.Log.Info("no correction", "error", err)
		return
	}
	snap(site, d.options.Profiles, correction.Sheet)
	d.explained(captures, func(v *desk.View) { v.Correction = &correction })
}

// explained shows what was worked out of captures while they are still the newest.
func (d *Daemon) explained(captures []verify.Capture, show func(*desk.View)) {
	d.change(func(v *desk.View) {
		if v.Verdict != nil && len(v.Captures) > 0 && v.Captures[0].Taken.Equal(captures[0].Taken) {
			show(v)
		}
	})
}

// Correct makes the correction the sheet that is meant, and takes a dry run of it.
func (d *Daemon) Correct(ctx context.Context) error {
	c := d.View().Correction
	if c == nil {
		return errors.New("there is no correction: measure first")
	}
	d.change(func(v *desk.View) { v.Sheet, v.Prediction, v.Corrected = c.Sheet, c.Prediction, true })
	return d.DryRun(ctx)
}

// AsDesigned goes back from a correction to what the site alone comes to.
func (d *Daemon) AsDesigned(ctx context.Context) error {
	prediction, err := field.Predict(d.options.Site, d.designed)
	if err != nil {
		return fmt.Errorf("predicting %s: %w", d.options.Site.Job, err)
	}
	d.change(func(v *desk.View) { v.Sheet, v.Prediction, v.Corrected = d.designed, prediction, false })
	return d.DryRun(ctx)
}
