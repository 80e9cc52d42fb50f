package daemon

import (
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/control/processor"
	"hushback/engine"
	"hushback/verify"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// explain works out what is wrong with a rig that did not keep its promises, and
// what it could be set to instead. It takes seconds, so it runs once the way back
// has begun: nobody listens to a refuted sheet while a machine thinks.
func (d *Daemon) explain(change string, site engine.Site, sheet engine.Sheet, captures []verify.Capture) {
	diagnosis, err := diagnose.Find(site, sheet, captures)
	if err != nil {
		d.options.Log.Info("no diagnosis", "error", err)
	} else {
		d.explained(captures, func(v *desk.View) { v.Diagnosis = &diagnosis })
		d.papers.Alter(change, func(p *dossier.Dossier) { p.Diagnosis = &diagnosis })
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
	d.papers.Alter(change, func(p *dossier.Dossier) { p.Correction = &correction })
}

// explained shows what was worked out of captures while they are still the newest.
func (d *Daemon) explained(captures []verify.Capture, show func(*desk.View)) {
	d.change(func(v *desk.View) {
		if v.Verdict != nil && len(v.Captures) > 0 && v.Captures[0].Taken.Equal(captures[0].Taken) {
			show(v)
		}
	})
}
