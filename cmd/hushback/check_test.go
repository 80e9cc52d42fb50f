package main

import (
	"strings"
	"testing"

	"hushback/cmd/internal/checkup"
)

// A check reaches everything and writes nothing; programs read the same as people.
func TestCheckSetsNothing(t *testing.T) {
	rig := newRig(t)
	state := stateFolderFor(t)
	command := []string{"check", exampleSite, "--processor", rig.Processor.Addr(), "--state", state, "--listen", "127.0.0.1:0"}
	code, out, errs := said(t, command...)
	if code != exitDone || errs != "" || !strings.Contains(out, "all well; nothing was set") {
		t.Errorf("exit code %d, errors %q, said:\n%s", code, errs, out)
	}
	code, out, _ = said(t, append(command, "--json")...)
	var report checkup.Report
	one(t, out, &report)
	if code != exitDone || !report.Well || len(report.Processors) != 1 || report.Processors[0].Answered == 0 {
		t.Errorf("exit code %d, %+v", code, report)
	}
	if rig.Processor.Writes() != 0 || rig.Processor.Queries() == 0 {
		t.Errorf("the processor counted %d writes and %d queries, want none and some", rig.Processor.Writes(), rig.Processor.Queries())
	}
}

// Beside a daemon it asks that for the microphones, and still sets nothing.
func TestCheckBesideADaemon(t *testing.T) {
	rig := newRig(t)
	state := stateFolderFor(t)
	p := serve(t, rig, state)
	command := []string{"check", exampleSite, "--processor", rig.Processor.Addr(), "--state", state}
	code, out, _ := said(t, command...)
	if code != exitNotProven || strings.Count(out, "is not connected") != 2 || !strings.Contains(out, "2 troubles;") {
		t.Errorf("exit code %d without microphones, said:\n%s", code, out)
	}
	p.listen(rig)
	code, out, _ = said(t, command...)
	if code != exitDone || strings.Count(out, "is connected") != 2 {
		t.Errorf("exit code %d with microphones, said:\n%s", code, out)
	}
	if rig.Processor.Writes() != 0 {
		t.Errorf("%d writes", rig.Processor.Writes())
	}
	if code, _, errs := said(t, "check"); code != exitBadInput || !strings.Contains(errs, "name one site") {
		t.Errorf("no site: exit code %d, %q", code, errs)
	}
	if code, _, errs := said(t, append(command, "--listen", "nowhere")...); code != exitBadInput || !strings.Contains(errs, "setting listen") {
		t.Errorf("no address: exit code %d, %q", code, errs)
	}
}
