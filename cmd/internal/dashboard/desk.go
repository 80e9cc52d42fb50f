// Package dashboard is the daemon's page: what the person beside the stage
// sees and presses. It shows a View and hands presses to a Desk; it owns no
// state of the rig.
package dashboard

import (
	"context"
	"time"

	"hushback/control"
	"hushback/control/preset"
	"hushback/engine"
	"hushback/verify"
)

// View is one immutable picture of everything the page shows.
type View struct {
	Seq        uint64 // grows with every change of the picture
	Site       engine.Site
	Sheet      engine.Sheet
	Prediction engine.Prediction
	Processor  string        // "PROFILE at HOST:PORT"
	State      control.State // where the current change stands
	Doing      string        // what is being done right now, in words; "" when resting
	Notice     string        // something the operator must know, e.g. what a restart found
	Safe       *preset.Preset
	AsFound    *preset.Preset
	Feeds      []Feed
	Captures   []verify.Capture // of the current change
	Verdict    *verify.Verdict  // of the current change, nil until judged
	Journal    []preset.Entry   // newest first
}

// Feed is one microphone's connection.
type Feed struct {
	Microphone string
	Role       engine.Role
	Connected  bool
	LevelDB    float64 // of the microphone channel, last second, re full scale
	Rate       int     // samples per second
}

// Desk is what a person can do. Every method returns once the wish is taken
// or refused; how it goes on is seen in later Views. Errors are sentences for
// the person who pressed.
type Desk interface {
	View() View
	// Watch delivers a value after each new View (never more than one waiting)
	// until stop is called or the daemon ends, which closes the channel.
	Watch() (changed <-chan struct{}, stop func())

	StoreSafe(ctx context.Context) error              // processor's present state becomes the safe preset
	DryRun(ctx context.Context) error                 // reads, never writes
	Confirm(ctx context.Context, digest string) error // starts sending
	Keep(ctx context.Context, change string) error
	RollBack(ctx context.Context, change string) error // to what stood before
	Safe(ctx context.Context) error                    // to the safe preset, whatever else runs
}

// Access is who may look and press.
type Access struct {
	Code       string        // the pairing code, as the terminal shows it
	AgentToken string        // bearer token of programs on this machine
	Hosts      []string      // Host headers allowed beside loopback, host or host:port
	Session    time.Duration // how long a pairing lasts
}
