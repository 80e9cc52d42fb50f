// Package preset is the durable store: presets, the journal of every change,
// and the one change that may be open when the power goes.
package preset

import (
	"time"

	"hushback/engine"
)

// The presets that hushback itself keeps.
const (
	AsFound = "as found" // what the processor held before the first write ever
	Safe    = "safe"     // what one press always returns to
)

// Preset is a stored state of outputs under a name. What was stored never
// changes: a name can come to stand for something else, but the settings are
// kept by their own digest.
type Preset struct {
	Name     string
	Taken    time.Time
	Settings []engine.Setting // ascending by output
}

// ID names the settings by what they are: the digest of the sheet they make.
func (p Preset) ID() string { return engine.Sheet{Settings: p.Settings}.Digest() }

// Change is what must survive a crash in the middle of a change.
type Change struct {
	ID     string
	Opened time.Time
	Digest string // of the dry run that was confirmed
	Before []engine.Setting
	After  []engine.Setting
}

// Entry is one line of the journal.
type Entry struct {
	Seq    uint64
	At     time.Time
	Change string // "" when it belongs to no change
	Event  string // "sending", "read back", "held", "kept", "rolled back", "adrift", ...
	Detail string // a plain sentence
}
