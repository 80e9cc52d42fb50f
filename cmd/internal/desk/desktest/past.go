package desktest

import (
	"fmt"
	"time"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/control"
	"hushback/control/preset"
	"hushback/verify"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// Remember puts dossiers into the desk's picture and hands them out.
func (d *Desk) Remember(past ...dossier.Dossier) {
	d.Show(func(v *desk.View) {
		d.past, v.Past = past, nil
		for _, p := range past {
			v.Past = append(v.Past, p.Entry)
		}
	})
}

// Dossier is one of those that the desk was given.
func (d *Desk) Dossier(change string) (dossier.Dossier, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, p := range d.past {
		if p.Change == change {
			return p, nil
		}
	}
	return dossier.Dossier{}, fmt.Errorf("change %s: %w", change, dossier.ErrUnknown)
}

// Past are changes of the invented job, newest first: one of each way to end, and one
// that restored a preset.
func Past() []dossier.Dossier {
	ends := []struct {
		how      string
		outcome  verify.Outcome
		restores string
	}{{dossier.Kept, verify.Proven, ""}, {dossier.RolledBack, verify.Refuted, ""}, {dossier.Adrift, "", ""}, {dossier.Kept, "", `the preset "evening, quiet"`}}
	var past []dossier.Dossier
	for i, e := range ends {
		started := Time.Add(-time.Duration(i+1) * 24 * time.Hour)
		change := fmt.Sprintf("%s-c0ffee0%d", started.UTC().Format("20060102-150405.000"), i)
		v := View(States()[e.how])
		v.Sheet, v.Prediction = Sheet(), Prediction()
		d := desk.Open(v, DryRun(), e.restores, started)
		d.Change, d.Ended, d.How, d.Who = change, started.Add(50*time.Second), e.how, "phone 1 confirmed it"
		d.Timeline = []preset.Entry{{Seq: 1, At: started, Change: change, Event: "sending", Detail: "24 datagrams to 4 outputs."}}
		for _, r := range Readings(false) {
			d.Readings = append(d.Readings, dossier.Reading{Output: r.Output, Parameter: r.Param.String(), Wanted: r.Wanted, Got: r.Got, Same: r.Same})
		}
		if e.outcome != "" {
			d.Captures, d.Verdict, d.Outcome = v.Captures, Verdict(e.outcome), e.outcome
		}
		switch e.how {
		case dossier.RolledBack:
			d.To, d.Reason = control.ToBefore, "refuted: output 3 is silent in front"
			d.Diagnosis = &diagnose.Diagnosis{Causes: []diagnose.Cause{{Probability: 0.93, Sentence: "output 3 is connected the wrong way round", Evidence: "its phase is half a turn off"}}}
			d.Correction = &correct.Correction{Sheet: Sheet(), Prediction: Prediction()}
		case dossier.Adrift:
			d.Reason, d.InDoubt = "output 3 does not answer", []int{3}
		}
		past = append(past, d)
	}
	return past
}
