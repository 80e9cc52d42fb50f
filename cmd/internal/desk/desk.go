// Package desk is what the daemon and those who look at it share: the View, one
// immutable picture of everything; the Desk, what a person can do; the Report, the
// same picture for programs. It owns no state of the rig.
package desk

import (
	"context"

	"hushback/cmd/internal/dossier"
	"hushback/cmd/internal/whatif"
	"hushback/control"
	"hushback/control/preset"
	"hushback/engine"
	"hushback/engine/tolerance"
	"hushback/verify"
	"hushback/verify/correct"
	"hushback/verify/diagnose"
)

// View is one immutable picture of everything the page shows.
type View struct {
	Seq        uint64 // grows with every change of the picture
	Site       engine.Site
	Sheet      engine.Sheet
	Prediction engine.Prediction
	Processor  string        // "PROFILE at HOST:PORT", several with commas between them
	Rehearsal  string        // how the rig is staged, in words; "" at a real one
	State      control.State // where the current change stands
	Doing      string        // what is being done right now, in words; "" when resting
	Notice     string        // something the operator must know, e.g. what a restart found
	Broken     []string      // what is wrong with the site file, with its place there; until it is mended there is no more to do than to go back to safe
	Safe       *preset.Preset
	AsFound    *preset.Preset
	Restores   string            // what the last dry run restores, in words; "" if it is of the sheet and so is measured
	Back       string            // where going back from it leads: control.ToBefore or control.ToSafe
	Presets    []preset.Preset   // all that are stored, ascending by name
	Strange    []control.Strange // values that somebody else changed on a processor
	Feeds      []Feed
	Placing    string              // where the measurement waits for the moved microphone, "" if it does not
	Captures   []verify.Capture    // of the current change
	Verdict    *verify.Verdict     // of the current change, nil until judged
	Diagnosis  *diagnose.Diagnosis // of what was captured, when it was not proven
	Correction *correct.Correction // of what was captured; nil where there is none
	Corrected  bool                // Sheet and Prediction are a correction, not the design
	Foreseen   *Foreseen           // of Sheet; nil while it is being worked out
	Revision   uint64              // grows whenever another site or sheet is meant
	Journal    []preset.Entry      // newest first
	Past       []dossier.Entry     // the changes that are kept on disk, newest first
}

// Foreseen is what can be told of a sheet before anything sounds.
type Foreseen struct {
	Errors  tolerance.Report // what the errors of a real rig do to it
	Reached float64          // of the site's aim, dB; without meaning where Bound is 0
	Bound   float64          // what no processing whatever could exceed, dB; 0: the site has no aim
	Trouble string           // why nothing can be told, "" if it can
}

// WorthSaying is how probable a cause must be to be shown to people.
const WorthSaying = 0.05

// Feed is one microphone's connection. A number that nobody can tell is NaN.
type Feed struct {
	Microphone  string
	Role        engine.Role
	Connected   bool
	Moved       bool    // it is the one microphone that is moved from place to place
	Functions   bool    // it sends what it measured by itself, no audio, so that there are no numbers
	Trouble     string  // what is wrong with what it sends, "" if nothing is
	LevelDB     float64 // of the microphone channel, last second, re full scale
	FloorDB     float64 // the same when nothing was being played, the last time that this was so
	Clipped     bool    // a sample of the last second reached full scale
	Gaps        int     // breaks in the audio since it connected
	Coherence   float64 // mean over the operating range, of the last seconds
	OverNoiseDB float64 // signal over the noise of one average there
	Rate        int     // samples per second
}

// Desk is what a person can do. Every method returns once the wish is taken
// or refused; how it goes on is seen in later Views. Errors are sentences for
// the person who pressed.
type Desk interface {
	View() View
	// Watch delivers a value after each new View (never more than one waiting)
	// until stop is called or the daemon ends, which closes the channel.
	Watch() (changed <-chan struct{}, stop func())

	StoreSafe(ctx context.Context) error  // processor's present state becomes the safe preset
	DryRun(ctx context.Context) error     // of the sheet; reads, never writes
	Correct(ctx context.Context) error    // makes the correction the sheet, and a dry run of it
	AsDesigned(ctx context.Context) error // makes the design the sheet again, and a dry run of it
	// Adopt makes another arrangement of the same cabinets, outputs and
	// microphones the site, solves it, and takes a dry run of what comes out.
	Adopt(ctx context.Context, site engine.Site) error
	Bench() whatif.Bench // what arrangements are tried out with before
	// Confirm starts sending. blind agrees to outputs that cannot be read back.
	Confirm(ctx context.Context, digest string, blind bool) error
	Keep(ctx context.Context, change string) error
	RollBack(ctx context.Context, change string) error // to what stood before
	Safe(ctx context.Context) error                    // to the safe preset, whatever else runs

	// Dossier is everything that one change was; dossier.ErrUnknown if nothing is kept of it.
	Dossier(change string) (dossier.Dossier, error)

	Pressed(who, what string) // the journal is to tell who pressed what

	Placed(ctx context.Context, microphone string) error // the moved microphone stands there now

	Accept(ctx context.Context) error  // what somebody else changed is right as it is
	PutBack(ctx context.Context) error // a dry run of what was there before somebody else changed it

	SavePreset(ctx context.Context, name string) error   // what the processors hold, under a name
	DryRunPreset(ctx context.Context, name string) error // a dry run of a stored preset
	UseAsSafe(ctx context.Context, name string) error    // a stored preset becomes the safe preset
}
