package main

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"hushback/cmd/internal/daemon"
	"hushback/cmd/internal/desk"
	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/rehearsal"
	"hushback/cmd/internal/report/folio"
	"hushback/control"
	"hushback/verify"
	"hushback/verify/diagnose"
)

// A refuted change, seen from its dossier alone: judging and diagnosing what stands
// there comes to what the daemon came to, bit for bit.
func TestDossierTellsWhatWasMeasured(t *testing.T) {
	var folder string
	s := raisedWith(t, func(o *daemon.Options) { folder = o.Home.Changes() }, rehearsal.Options{Seed: 5, Fault: rehearsal.Fault{Kind: rehearsal.Polarity, Output: 3}})
	before, err := s.walk(withPatience(t), t.Logf)
	must(t, err)
	must(t, s.until(withPatience(t), t.Logf, func(v desk.View) bool {
		return v.Correction != nil && len(v.Past) == 1 && v.Past[0].How == dossier.RolledBack
	}))
	v := s.daemon.View()
	var d dossier.Dossier
	for deadline := time.Now().Add(patience); d.Correction == nil && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		d, err = dossier.Read(folder, v.Past[0].Change)
		must(t, err)
	}
	if d.How != dossier.RolledBack || d.To != control.ToBefore || d.Outcome != verify.Refuted || d.Reason == "" || d.What != "the sheet" || d.Ended.Before(d.Started) {
		t.Errorf("it tells %+v", d.Entry)
	}
	if !reflect.DeepEqual(d.Before, before) || !reflect.DeepEqual(d.Sheet, v.Sheet) || !reflect.DeepEqual(d.Site, v.Site) || d.DryRun.Datagrams == 0 || len(d.Readings) == 0 {
		t.Error("the settings, the site or what was read back are others")
	}
	if len(d.Captures) != 10 {
		t.Fatalf("%d captures, want 10", len(d.Captures))
	}
	for i, c := range d.Captures {
		if !reflect.DeepEqual(c.Function, v.Captures[i].Function) || !c.Taken.Equal(v.Captures[i].Taken) || c.LatencySec != v.Captures[i].LatencySec || c.Solo != v.Captures[i].Solo {
			t.Errorf("capture %d is another", i)
		}
	}
	judged, err := verify.Judge(d.Site, d.Prediction, d.Captures)
	must(t, err)
	if !reflect.DeepEqual(judged, *v.Verdict) || !reflect.DeepEqual(judged.Reasons, d.Verdict.Reasons) || len(judged.Claims) != len(d.Verdict.Claims) || judged.Summary != d.Verdict.Summary {
		t.Error("judged once more it is another verdict")
	}
	causes, err := diagnose.Find(d.Site, d.Sheet, d.Captures)
	must(t, err)
	if !reflect.DeepEqual(causes, *d.Diagnosis) || causes.Causes[0].Kind != diagnose.Polarity {
		t.Errorf("diagnosed once more it is %+v", causes)
	}
	if d.Correction.Sheet.Digest() != v.Correction.Sheet.Digest() {
		t.Error("the correction is another")
	}
	if last := d.Timeline[len(d.Timeline)-1]; last.Event != "rolled back" || d.Timeline[0].Event != "sending" {
		t.Errorf("the journal of it: %+v", d.Timeline)
	}
	// It goes on paper while the daemon runs.
	code, out, errs := said(t, "report", d.Change, "--state", filepath.Dir(folder), "--json")
	var told folio.Document
	one(t, out, &told)
	if notice := told.Sections[0].Blocks[0].Notice; code != exitDone || notice.Word != "Rehearsal: refuted" || notice.Words[len(notice.Words)-2] != "The change was rolled back to what stood before." || !strings.Contains(out, "presets") {
		t.Errorf("exit code %d, %s: the report says %+v", code, errs, told.Sections[0])
	}
}

// A process that is killed while it measures leaves a dossier, and the next one ends
// it and shows it.
func TestDossierOutlivesAKill(t *testing.T) {
	rig := newRig(t)
	state := stateFolderFor(t)
	folder := filepath.Join(state, "changes")
	first := serve(t, rig, state)
	first.listen(rig)
	first.confirm()
	change := first.until(func(r desk.Report) bool { return r.State == "measuring" }).Change
	for deadline := time.Now().Add(patience); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		if _, err := os.Stat(filepath.Join(folder, change+".json.gz")); err == nil {
			break
		}
	}
	must(t, first.command.Process.Kill())
	first.ended <- <-first.ended

	second := serve(t, rig, state)
	var told struct {
		Entry struct {
			How, To, Reason, Who string
		}
	}
	for deadline := time.Now().Add(patience); told.Entry.How == "" && time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		status, text := second.ask(http.MethodGet, "/log/"+change+".json", nil)
		if status != http.StatusOK {
			t.Fatalf("%d: %s", status, text)
		}
		must(t, json.Unmarshal([]byte(text), &told))
	}
	if told.Entry.How != dossier.RolledBack || told.Entry.To != control.ToBefore || !strings.Contains(told.Entry.Reason, "stopped in the middle") || !strings.HasPrefix(told.Entry.Who, "a program of this machine confirmed") {
		t.Errorf("it tells %+v", told.Entry)
	}
	if status, page := second.ask(http.MethodGet, "/log/"+change, nil); status != http.StatusOK || !strings.Contains(page, "Rolled back to what stood before.") {
		t.Errorf("its page: %d", status)
	}
	if _, page := second.ask(http.MethodGet, "/log", nil); !strings.Contains(page, `href="/log/`+change+`"`) {
		t.Error("the log does not lead to it")
	}
}
