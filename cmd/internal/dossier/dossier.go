// Package dossier keeps on disk everything that one change was and what was measured
// of it: its Dossier, as JSON that other programs can read (see format.go), one file a
// change in a folder (folder.go), written beside the change, never in its way
// (keeper.go).
package dossier

import (
	"runtime/debug"
	"time"

	"hushback/control"
	"hushback/control/preset"
	"hushback/engine"
	"hushback/verify"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// How a change ended. One that is under way, or that a crash cut off and no daemon
// has put back yet, has not ended: "".
const (
	Kept       = "kept"
	RolledBack = "rolled back"
	Adrift     = "adrift"
)

// Entry is what a list of changes tells of one.
type Entry struct {
	Change         string // names it, as in the journal
	Job            string // of its site
	Processor      string // "PROFILE at HOST:PORT", several with commas between them
	Rehearsal      string // how the rig was staged, in words; "" at a real one
	What           string // was sent: "the sheet", "a correction", or what was restored
	Who            string // confirmed it, and by which words; "" where nobody is known
	Started, Ended time.Time
	How            string // it ended: Kept, RolledBack, Adrift, "" if it has not
	To             string // where a change that was rolled back went: control.ToBefore or control.ToSafe
	Reason         string // why it was not kept
	InDoubt        []int  // outputs of which nobody could tell what they hold
	Outcome        verify.Outcome
	Software       string // that wrote it
}

// Dossier is one change. What it has no measurement of is nil.
type Dossier struct {
	Entry
	Site       engine.Site
	Restores   string // what was stored and restored, in words; "" for a sheet that was solved, and so is measured
	Before     []engine.Setting
	Sheet      engine.Sheet      // what was sent
	Prediction engine.Prediction // of Sheet; zero where something was restored
	DryRun     DryRun
	Readings   []Reading // the last that were read back
	Timeline   []preset.Entry
	Captures   []verify.Capture
	Verdict    *verify.Verdict // what a claim is held by is not kept: Judge says it anew
	Diagnosis  *diagnose.Diagnosis
	Correction *correct.Correction
}

// DryRun is the dry run that was confirmed.
type DryRun struct {
	Digest    string
	Datagrams int    // of all parts
	Back      string // where its undo led: control.ToBefore or control.ToSafe
	Blind     []int  // outputs that could not be read back
}

// Reading is a value read back beside the one wanted, in words and units.
type Reading struct {
	Output      int
	Parameter   string
	InForce     bool // not the value stored but the one in force
	Wanted, Got string
	Same, Blind bool
}

// end notes where a change has come to. It tells whether that is new.
func (d *Dossier) end(s control.State, at time.Time) bool {
	switch s := s.(type) {
	case control.Sending:
		if d.Change != "" {
			return false
		}
		d.Change = s.Change
		return true
	case control.Measuring:
		d.Readings = readings(s.Readings)
		return false // the verdict comes with it
	case control.Kept:
		d.How, d.To, d.Reason, d.InDoubt, d.Readings = Kept, "", "", nil, readings(s.Readings)
	case control.RolledBack:
		d.How, d.To, d.Reason, d.InDoubt, d.Readings = RolledBack, s.To, s.Reason, nil, readings(s.Readings)
	case control.Adrift:
		d.How, d.To, d.Reason, d.InDoubt = Adrift, "", s.Reason, s.Outputs
	default:
		return false
	}
	d.Ended = at
	return true
}

func readings(all []control.Reading) []Reading {
	var out []Reading
	for _, r := range all {
		out = append(out, Reading{r.Output, r.Param.String(), r.InForce, r.Wanted, r.Got, r.Same, r.Blind})
	}
	return out
}

// remember takes over what the journal, newest first, tells of the change. A confirm
// is pressed before its change has a name.
func (d *Dossier) remember(journal []preset.Entry) {
	d.Timeline, d.Who = nil, ""
	for i := len(journal) - 1; i >= 0; i-- {
		e := journal[i]
		during := !e.At.Before(d.Started) && (d.Ended.IsZero() || !e.At.After(d.Ended))
		pressed := e.Event == "pressed"
		if e.Change != d.Change && !(e.Change == "" && pressed && during) {
			continue
		}
		d.Timeline = append(d.Timeline, e)
		if pressed && d.Who == "" {
			d.Who = e.Detail
		}
	}
}

// Software names this build.
func Software() string {
	build, known := debug.ReadBuildInfo()
	if !known {
		return "hushback"
	}
	said := "hushback " + build.Main.Version
	for _, s := range build.Settings {
		if s.Key == "vcs.revision" {
			said += ", revision " + s.Value
		}
	}
	return said
}
