package desk_test

import (
	"reflect"
	"strings"
	"testing"

	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/desk/desktest"
	"hushback/cmd/internal/dossier"
	"hushback/control"
	"hushback/control/processor"
	"hushback/engine"
)

func TestADossierBeginsWithWhatIsSent(t *testing.T) {
	v, run := desktest.View(control.Idle{}), desktest.BlindDryRun()
	v.Rehearsal = "seed 1, no fault"
	d := desk.Open(v, run, "", desktest.Time)
	if d.Rehearsal != v.Rehearsal || desk.Then(d).Rehearsal != v.Rehearsal {
		t.Errorf("a rehearsal is told as %q", d.Rehearsal)
	}
	if d.What != "the sheet" || d.Job != v.Site.Job || d.Processor != v.Processor || d.Restores != "" || !d.Started.Equal(desktest.Time) || !strings.HasPrefix(d.Software, "hushback") {
		t.Errorf("got %+v", d.Entry)
	}
	if !reflect.DeepEqual(d.Sheet, v.Sheet) || !reflect.DeepEqual(d.Prediction, v.Prediction) || !reflect.DeepEqual(d.Before, run.Before) {
		t.Error("sheet, prediction or what stood before are other ones")
	}
	want := dossier.DryRun{Digest: run.Digest, Datagrams: len(run.Steps), Back: desk.Back(run), Blind: run.Blind}
	if !reflect.DeepEqual(d.DryRun, want) || len(want.Blind) == 0 {
		t.Errorf("dry run %+v, want %+v", d.DryRun, want)
	}
	v.Corrected = true
	if d := desk.Open(v, run, "", desktest.Time); d.What != "a correction" || !desk.Then(d).Corrected {
		t.Errorf("a correction is called %q", d.What)
	}
	run.After = desktest.AsFound()
	d = desk.Open(v, run, `the preset "dusk"`, desktest.Time)
	if d.What != `the preset "dusk"` || !reflect.DeepEqual(d.Sheet.Settings, desktest.AsFound()) || !reflect.DeepEqual(d.Prediction, engine.Prediction{}) {
		t.Errorf("what is restored is told as %q, %+v, with %+v", d.What, d.Sheet, d.Prediction.Summary)
	}
}

// What a page shows of a past change is what it showed then.
func TestThenIsAsItWas(t *testing.T) {
	for name, state := range desktest.States() {
		v := desktest.View(state)
		d := desk.Open(v, desktest.DryRun(), "", desktest.Time)
		st := desk.Flatten(state)
		d.Change, d.How, d.To, d.Reason, d.InDoubt = st.Change, st.Name, st.To, st.Reason, st.Outputs
		for _, r := range st.Readings {
			d.Readings = append(d.Readings, dossier.Reading{Output: r.Output, Parameter: r.Param.String(), InForce: r.InForce, Wanted: r.Wanted, Got: r.Got, Same: r.Same, Blind: r.Blind})
		}
		d.Readings = append(d.Readings, dossier.Reading{Output: 1, Parameter: "a parameter of tomorrow"})
		d.Captures, d.Verdict, d.Timeline = v.Captures, v.Verdict, v.Journal
		then := desk.Then(d)
		switch name {
		case "kept", "rolled back", "adrift", "measuring":
			if !reflect.DeepEqual(then.State, state) {
				t.Errorf("%s: got %+v, want %+v", name, then.State, state)
			}
		}
		if !reflect.DeepEqual(then.Captures, v.Captures) || !reflect.DeepEqual(then.Verdict, v.Verdict) || !reflect.DeepEqual(then.Site, v.Site) || !reflect.DeepEqual(then.Sheet, v.Sheet) {
			t.Errorf("%s: the measurement is another", name)
		}
		if then.Journal[0] != v.Journal[len(v.Journal)-1] || then.Safe != nil || then.Feeds != nil || then.Notice != "" || then.Doing != "" {
			t.Errorf("%s: something of the present is in it, or the journal is upside down", name)
		}
	}
	for _, p := range processor.Params {
		d := dossier.Dossier{Entry: dossier.Entry{How: dossier.Kept}, Readings: []dossier.Reading{{Parameter: p.String()}}}
		if got := desk.Then(d).State.(control.Kept).Readings; len(got) != 1 || got[0].Param != p {
			t.Errorf("%s comes back as %+v", p, got)
		}
	}
}
