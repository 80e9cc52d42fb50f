// Package control carries a sheet to a processor and back: dry run, confirm,
// send, read back, prove, keep or roll back. It owns the one promise that the
// rest relies on: nothing ends in a state that the operator does not know.
package control

import (
	"time"

	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// Step is one datagram that a change would send, with its meaning.
type Step struct {
	Part    Part
	Output  int
	Param   processor.Param
	Words   string // "output 2: delay 4.21 ms"
	Message osc.Message
	Bytes   []byte

	want  engine.Setting // Param of it is what the read-back must show
	value string         // that in words, "delay 4.21 ms" or "open"
	solo  int            // in PartMeasure: the output heard alone, or 0 for all together
}

// Part says when in a change a step is sent.
type Part string

// The parts of a change.
const (
	PartSend    Part = "send"    // bring the sheet onto the processor
	PartMeasure Part = "measure" // mute and open outputs while measuring
	PartUndo    Part = "undo"    // back to what stood before, if it comes to that
)

// DryRun is exactly what a change would send, computed without sending any of it.
type DryRun struct {
	Digest  string           // SHA-256 over the nonce, every step's bytes and both states
	Nonce   [16]byte         // random, so that a confirm of one dry run is none of the next
	Before  []engine.Setting // read from the processor, ascending by output
	After   []engine.Setting
	Steps   []Step
	Expires time.Time // a confirm after this is refused
}

// Reading is one value read back beside the one wanted.
type Reading struct {
	Output int
	Param  processor.Param
	Wanted string // in words and units: "4.21 ms"
	Got    string
	Same   bool // within half a step
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

// Measuring: the sheet stands on the processor, the proof is being taken.
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

// Kept: the sheet stands and stays.
type Kept struct {
	Change   string
	Readings []Reading
}

// RolledBack: the processor holds what stood before, or the safe preset; read
// back to make sure.
type RolledBack struct {
	Change   string
	To       string // ToBefore or ToSafe
	Reason   string
	Readings []Reading // of the state rolled back to
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
