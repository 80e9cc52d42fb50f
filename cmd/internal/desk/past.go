package desk

import (
	"slices"
	"time"

	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/figures"
	"hushback/control"
	"hushback/control/processor"
	"hushback/engine"
)

// correction is what a change sent that was none of the design.
const correction = "a correction"

// Open begins the dossier of a change that is about to be sent: the dry run that was
// confirmed, of the sheet that a view means or, as restores says in words, of something
// that was stored.
func Open(v View, run control.DryRun, restores string, at time.Time) dossier.Dossier {
	d := dossier.Dossier{
		Entry:    dossier.Entry{Job: v.Site.Job, Processor: v.Processor, Rehearsal: v.Rehearsal, What: "the sheet", Started: at, Software: dossier.Software()},
		Site:     v.Site,
		Restores: restores,
		Before:   run.Before,
		Sheet:    v.Sheet,
		DryRun:   dossier.DryRun{Digest: run.Digest, Datagrams: len(run.Steps), Back: Back(run), Blind: run.Blind},
	}
	if restores != "" {
		d.What, d.Sheet = restores, engine.Sheet{Settings: run.After}
		return d
	}
	d.Prediction = v.Prediction
	if v.Corrected {
		d.What = correction
	}
	return d
}

// Then is the picture of a past change, for whatever shows pictures of a present one.
// Nothing of the present is in it.
func Then(d dossier.Dossier) View {
	journal := slices.Clone(d.Timeline)
	slices.Reverse(journal)
	return View{
		Site: d.Site, Sheet: d.Sheet, Prediction: d.Prediction, Processor: d.Processor, Rehearsal: d.Rehearsal, State: stateOf(d),
		Restores: d.Restores, Captures: d.Captures, Verdict: d.Verdict, Diagnosis: d.Diagnosis, Correction: d.Correction,
		Corrected: d.What == correction, Journal: journal,
	}
}

// stateOf is where a past change stands. One that has not ended was measured last.
func stateOf(d dossier.Dossier) control.State {
	blind := d.DryRun.Blind
	switch read := readings(d.Readings); d.How {
	case dossier.Kept:
		return control.Kept{Change: d.Change, Readings: read, Blind: blind}
	case dossier.RolledBack:
		return control.RolledBack{Change: d.Change, To: d.To, Reason: d.Reason, Readings: read, Blind: blind}
	case dossier.Adrift:
		return control.Adrift{Change: d.Change, Outputs: d.InDoubt, Reason: d.Reason}
	default:
		return control.Measuring{Change: d.Change, Readings: read}
	}
}

func readings(all []dossier.Reading) []control.Reading {
	var out []control.Reading
	for _, r := range all {
		i := slices.IndexFunc(processor.Params[:], func(p processor.Param) bool { return p.String() == r.Parameter })
		if i < 0 {
			continue // a parameter of another version
		}
		out = append(out, control.Reading{Output: r.Output, Param: processor.Params[i], InForce: r.InForce, Wanted: r.Wanted, Got: r.Got, Same: r.Same, Blind: r.Blind})
	}
	return out
}

// Ending says how a change ended.
func Ending(e dossier.Entry) string {
	switch e.How {
	case dossier.Kept:
		return "kept"
	case dossier.RolledBack:
		return "rolled back to " + e.To
	case dossier.Adrift:
		return "adrift: nobody could tell what " + figures.Outputs(e.InDoubt) + " held"
	default:
		return "cut off before its end"
	}
}

// Unjudged says why a past change has no verdict.
func Unjudged(d dossier.Dossier) string {
	switch {
	case d.Restores != "":
		return "Not measured: this was " + d.Restores + "."
	case len(d.Captures) > 0:
		return "It ended before it was judged."
	default:
		return "It ended before anything was measured."
	}
}
