// Package processor describes how one kind of loudspeaker processor spells its
// parameters as OSC messages, and turns settings into messages and replies
// into settings by that description.
package processor

import (
	"fmt"
	"time"

	"hushback/engine"
)

// Param is one of the parameters that hushback sets on an output.
type Param int

// The parameters, in the order in which they are shown.
const (
	Delay Param = iota
	Polarity
	Gain
	Mute
)

// Params lists every parameter.
var Params = [...]Param{Delay, Polarity, Gain, Mute}

// String is the parameter's name in profiles and on the page.
func (p Param) String() string {
	switch p {
	case Delay:
		return "delay"
	case Polarity:
		return "polarity"
	case Gain:
		return "gain"
	case Mute:
		return "mute"
	}
	return fmt.Sprintf("parameter %d", int(p))
}

// Profile is the description of one kind of processor.
type Profile struct {
	Name    string
	Note    string        // what it describes, and how far it was proven
	Outputs int           // output channels, numbered from 1
	Gap     time.Duration // least time between two datagrams
	Timeout time.Duration // how long to wait for a reply before asking again
	Tries   int           // how often to ask, and how often to write, at most

	Parameters [len(Params)]Parameter // indexed by Param
}

// Parameter is the spelling of one parameter.
type Parameter struct {
	Write Template
	Query Template
	Reply Reply
	Code  Code
}

// Template is a message with places to fill in. Each {output} in the address
// stands for the output's number.
type Template struct {
	Address string
	Args    []Arg
}

// ArgKind says what an argument of a template stands for.
type ArgKind int

// The kinds of argument.
const (
	ArgLiteral ArgKind = iota // always the same
	ArgValue                  // the parameter's value
	ArgOutput                 // the output's number, as int32
)

// Arg is one argument of a template. Literal is an int32, float32, string or
// bool and counts only for ArgLiteral.
type Arg struct {
	Kind    ArgKind
	Literal any
}

// Reply says which message answers a query and where the value stands in it.
type Reply struct {
	Address string // with {output}, or without when an argument names the output
	Value   int    // index of the argument that holds the value
	Output  int    // index of the int32 argument that names the output; counts only without {output}
}

// Code is how a value stands in an argument.
//
// Delay and gain use PerUnit and Grid: the argument is the value in SI (or dB)
// times PerUnit, so milliseconds are 1000 and dB are 1. Polarity and mute use
// Off and On: normal and reversed, open and muted. An int32 holds whole numbers
// only, so there the grid must be whole numbers too, once times PerUnit.
type Code struct {
	Type    Type
	PerUnit float64
	Grid    engine.Grid // in seconds or dB
	Off, On any         // int32, float32, string or bool, of Type
}

// Type is the exact OSC type of a value argument.
type Type string

// The types a value can have.
const (
	Float32 Type = "float32"
	Int32   Type = "int32"
	String  Type = "string"
	Bool    Type = "bool"
)

// Ranges is what an output of such a processor can be set to.
func (p Profile) Ranges() engine.Ranges {
	return engine.Ranges{
		DelaySec: p.Parameters[Delay].Code.Grid,
		GainDB:   p.Parameters[Gain].Code.Grid,
	}
}
