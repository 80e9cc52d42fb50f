// Package processor describes how one kind of loudspeaker processor spells its
// parameters as OSC messages, and turns settings into messages and replies
// into settings by that description.
package processor

import (
	"fmt"
	"math"
	"time"

	"hushback/control/osc"
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
	Note    string // what it describes, and how far it was proven
	Outputs int    // output channels, numbered from 1

	Transport osc.Transport // "" is UDP
	ReplyPort int           // UDP: the local port that it answers to; 0 for the one that asked
	Gap       time.Duration // least time between two messages
	Burst     int           // messages that may leave together before Gap counts; 0 is 1
	Bundle    int           // most messages in one bundle; 0 and 1: it takes single ones only
	Timeout   time.Duration // how long to wait for a reply before asking again
	Late      time.Duration // a reply older than this is not coming any more; at least Timeout
	Tries     int           // how often to ask, and how often to write, at most
	Blind     bool          // it cannot be asked: no parameter has a read-back
	Ramp      Ramp
	Renew     []Renewal
	Numbering []Numbering

	Parameters [len(Params)]Parameter // indexed by Param; see HasMute
	Label      *ReadBack              // asks for the text that an output is labelled with; nil if there is none
	Refusal    *Reply                 // how it says that it did not take a message; nil if it does not
}

// Ramp is how gains go up.
type Ramp struct {
	StepDB float64       // at most so much at once
	Every  time.Duration // and the next step so much later
}

// Renewal is a message that must be repeated for the processor to go on
// answering.
type Renewal struct {
	Message Template // names no output and has no value
	Every   time.Duration
}

// Numbering is another way to call the outputs than 1, 2, 3: from First on, by
// letters from FirstLetter on, or by the entries of a table.
type Numbering struct {
	Name        string
	First       int      // what output 1 is called
	Digits      int      // at least so many in an address, zeros in front
	FirstLetter byte     // 'a' or 'A': what output 1 is called; 0 for numbers
	Table       []string // what each output is called, from output 1 on; nil for none of it
}

// Parameter is the spelling of one parameter.
type Parameter struct {
	Write    Template
	ReadBack           // the value stored; empty if the processor is blind
	InForce  *ReadBack // the value in force, after clipping, where it can be asked for
	Code     Code
}

// ReadBack is how a value is asked for and answered.
type ReadBack struct {
	Query Template
	Reply Reply
}

// Template is a message with places to fill in. In the address {output} stands
// for the output's number and {NAME} for what a Numbering of that name calls it.
type Template struct {
	Address string
	Args    []Arg
}

// Reply is the message that answers: it has this address and begins with these
// arguments; what comes after them is not looked at.
type Reply Template

// ArgKind says what an argument of a template stands for.
type ArgKind int

// The kinds of argument.
const (
	ArgLiteral  ArgKind = iota // always the same, in value and type
	ArgValue                   // the parameter's value
	ArgOutput                  // the output's number as an int32, or what a Numbering calls it
	ArgSequence                // a number that a question has and its answer repeats, as an int32
	ArgAny                     // in a reply: anything
	ArgCommand                 // in a refusal: the address of the message that was refused, a string
)

// Arg is one argument of a template. Literal is an int32, int64, float32,
// float64, string, bool, []byte or nil and counts only for ArgLiteral; Numbering
// counts only for ArgOutput, where "" is the plain number.
type Arg struct {
	Kind      ArgKind
	Literal   any
	Numbering string
}

// Law is how a number in an argument follows from a value.
type Law string

// The laws. Linear is argument = value·PerUnit + Offset; amplitude, for gains,
// argument = PerUnit·10^(dB/20); table goes straight from entry to entry.
const (
	Linear    Law = ""
	Amplitude Law = "amplitude"
	Table     Law = "table"
)

// Point is one entry of a table: an argument and the value in SI or dB that it
// stands for.
type Point struct{ Arg, Value float64 }

// Code is how a value stands in an argument.
//
// Delay and gain use Law, PerUnit, Offset, Table and Grid, the values in
// seconds or dB: with the linear law milliseconds have PerUnit 1000 and dB have
// 1. Polarity and mute use Off and On: normal and reversed, open and muted. A
// whole-number type must be able to tell the steps of the grid apart.
type Code struct {
	Type            Type
	Law             Law
	PerUnit, Offset float64
	Table           []Point // ascending in both, two or more
	Grid            engine.Grid
	Off, On         any // of Type
}

// Type is the exact OSC type of a value argument.
type Type string

// The types a value can have.
const (
	Float32 Type = "float32"
	Float64 Type = "float64"
	Int32   Type = "int32"
	Int64   Type = "int64"
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

// Common is what outputs of all these processors can be set to: the range that
// all have, in the coarsest of their steps. A value on it still has to be
// snapped to each one's own.
func Common(profiles []Profile) engine.Ranges {
	var all engine.Ranges
	for i, p := range profiles {
		r := p.Ranges()
		if i == 0 {
			all = r
			continue
		}
		all.DelaySec, all.GainDB = meet(all.DelaySec, r.DelaySec), meet(all.GainDB, r.GainDB)
	}
	return all
}

func meet(a, b engine.Grid) engine.Grid {
	return engine.Grid{Min: math.Max(a.Min, b.Min), Max: math.Min(a.Max, b.Max), Step: math.Max(a.Step, b.Step)}
}

// HasMute reports whether mute is a parameter of its own. Where it is not the
// lowest gain stands for it: an output at that gain is muted.
func (p Profile) HasMute() bool { return p.Parameters[Mute].Write.Address != "" }

// Mutes reports whether a gain mutes an output: the lowest, where mute is no
// parameter of its own.
func (p Profile) Mutes(gainDB float64) bool {
	gain := p.Ranges().GainDB
	return !p.HasMute() && gain.Same(gainDB, gain.Min)
}

// Params lists the parameters that the processor has, in their order.
func (p Profile) Params() []Param {
	if p.HasMute() {
		return Params[:]
	}
	return []Param{Delay, Polarity, Gain}
}

// Options are what a connection to such a processor is opened with.
func (p Profile) Options() osc.Options {
	o := osc.Options{Transport: p.Transport, ReplyPort: p.ReplyPort, Gap: p.Gap, Burst: p.Burst, Bundle: p.Bundle}
	for _, r := range p.Renew {
		o.Renew = append(o.Renew, osc.Renewal{Message: p.fill(r.Message, 0, nil, 0), Every: r.Every})
	}
	return o
}
