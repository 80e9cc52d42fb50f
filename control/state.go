// Package control carries a sheet to a processor and back: dry run, confirm,
// send, read back, prove, keep or roll back. It owns the one promise that the
// rest relies on: nothing ends in a state that the operator does not know.
package control

import (
	"time"

	"hushback/control/processor"
	"hushback/control/wire"
	"hushback/engine"
)

// What travels between here and the processors.
type (
	Processor = wire.Processor // one processor and the way to it
	Step      = wire.Step      // one message that a change would send, with its meaning
	Part      = wire.Part      // when in a change a step is sent
	Reading   = wire.Reading   // one value read back beside the one wanted
)

// The parts of a change.
const (
	PartSend    = wire.PartSend    // bring the sheet onto the processors
	PartMeasure = wire.PartMeasure // mute and open outputs while measuring
	PartUndo    = wire.PartUndo    // back to what stood before, if it comes to that
)

// DryRun is exactly what a change would send, computed without sending any of it.
type DryRun struct {
	Digest  string           // SHA-256 over the nonce, every step's bytes and both states
	Nonce   [16]byte         // random, so that a confirm of one dry run is none of the next
	Before  []engine.Setting // ascending by output: read, or last known of a blind processor; what is unknown is left out
	After   []engine.Setting
	Turns   []Turn // what becomes of each value
	Steps   []Step
	Blind   []int     // outputs that cannot be read back: only the measurement can prove them
	Back    string    // where the undo leads: ToBefore, or ToSafe if Before does not know every output
	Expires time.Time // a confirm after this is refused

	back []engine.Setting // the state that Back names
}

// Turn is what becomes of one value, in words: "delay 4.21 ms", "open".
type Turn struct {
	Output        int
	Param         processor.Param
	Before, After string // Before is "unknown" where nobody can tell
}

// State is where the current change stands. Exactly one of the types below.
type State interface{ state() }

// Idle: no change is under way since the daemon started.
type Idle struct{}

// Drafted: a dry run waits for its confirm.
type Drafted struct{ DryRun DryRun }

// Sending: datagrams are going out.
type Sending struct {
	Change      string // names this change in the journal
	Sent, Total int
	Readings    []Reading // grows as values are read back
}

// Measuring: the sheet stands on the processors, the proof is being taken.
type Measuring struct {
	Change   string
	Readings []Reading
}

// Held: proof is in; keep or roll back until KeepBy, else it rolls back itself.
type Held struct {
	Change   string
	KeepBy   time.Time
	Readings []Reading
}

// Where a change can go back to.
const (
	ToBefore = "what stood before"
	ToSafe   = "the safe preset"
)

// Kept: the sheet stands and stays, looked at once more for certain.
type Kept struct {
	Change   string
	Readings []Reading
	Blind    []int // outputs of which only the measurement tells
}

// RolledBack: the processors hold what stood before, or the safe preset; looked
// at for certain.
type RolledBack struct {
	Change   string
	To       string // ToBefore or ToSafe
	Reason   string
	Readings []Reading // of the state rolled back to
	Blind    []int     // outputs that it was sent to, and that cannot be read back
}

// Adrift: nobody can tell what the outputs in doubt hold.
type Adrift struct {
	Change  string
	Outputs []int
	Reason  string
}

func (Idle) state()       {}
func (Drafted) state()    {}
func (Sending) state()    {}
func (Measuring) state()  {}
func (Held) state()       {}
func (Kept) state()       {}
func (RolledBack) state() {}
func (Adrift) state()     {}
