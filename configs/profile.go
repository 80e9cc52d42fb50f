package configs

import (
	"encoding/hex"
	"math"
	"math/big"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"hushback/configs/document"
	"hushback/configs/quantity"
	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

// What a profile that does not say otherwise has.
const (
	usualRampDB    = 3
	usualRampEvery = 100 * time.Millisecond
)

func readProfile(v document.Value) processor.Profile {
	f := v.Section("name", "note", "outputs", "transport", "reply_port", "gap", "burst", "bundle", "timeout", "late", "tries",
		"blind", "ramp", "renew", "numbering", "parameters", "refusal")
	p := processor.Profile{
		Name:    f["name"].Text(),
		Note:    f["note"].Text(),
		Outputs: f["outputs"].Count(),
		Gap:     readDuration(f["gap"]),
		Timeout: readDuration(f["timeout"]),
		Tries:   f["tries"].Count(),
		Ramp:    processor.Ramp{StepDB: usualRampDB, Every: usualRampEvery},
	}
	p.Late = p.Timeout
	optional(f["transport"], &p.Transport, func(v document.Value) osc.Transport { return document.Choice(v, osc.UDP, osc.TCPLength, osc.TCPSLIP) })
	optional(f["reply_port"], &p.ReplyPort, document.Value.Count)
	optional(f["burst"], &p.Burst, document.Value.Count)
	optional(f["bundle"], &p.Bundle, document.Value.Count)
	optional(f["late"], &p.Late, readDuration)
	optional(f["blind"], &p.Blind, document.Value.Truth)
	optional(f["ramp"], &p.Ramp, readRamp)
	optional(f["renew"], &p.Renew, func(v document.Value) []processor.Renewal { return document.Each(v, "a list of renewals", readRenewal) })
	optional(f["numbering"], &p.Numbering, func(v document.Value) []processor.Numbering {
		return document.Each(v, "a list of numberings", readNumbers)
	})
	optional(f["refusal"], &p.Refusal, func(v document.Value) *processor.Reply {
		r := processor.Reply(readTemplate(v))
		return &r
	})
	readParameters(f["parameters"], &p)
	return p
}

// optional reads what a file need not say; into keeps its value where it does
// not.
func optional[T any](v document.Value, into *T, read func(document.Value) T) {
	if v.Given() {
		*into = read(v)
	}
}

func readParameters(v document.Value, p *processor.Profile) {
	f := v.Section("delay", "polarity", "gain", "mute", "label")
	p.Parameters[processor.Delay] = readParameter(f["delay"], p.Blind, scaled(quantity.Delay()))
	p.Parameters[processor.Polarity] = readParameter(f["polarity"], p.Blind, readSwitch)
	p.Parameters[processor.Gain] = readParameter(f["gain"], p.Blind, scaled(quantity.Level()))
	optional(f["mute"], &p.Parameters[processor.Mute], func(v document.Value) processor.Parameter {
		return readParameter(v, p.Blind, readSwitch)
	})
	optional(f["label"], &p.Label, func(v document.Value) *processor.ReadBack {
		back := readBack(v)
		return &back
	})
}

func readRamp(v document.Value) processor.Ramp {
	f := v.Section("step", "every")
	return processor.Ramp{StepDB: f["step"].Number(quantity.Level()), Every: readDuration(f["every"])}
}

func readRenewal(v document.Value) processor.Renewal {
	f := v.Section("address", "args", "every")
	return processor.Renewal{
		Message: processor.Template{Address: f["address"].Text(), Args: document.Each(f["args"], wantArgs, readArg)},
		Every:   readDuration(f["every"]),
	}
}

// readNumbers reads what outputs are called: from a number or a letter on, or by
// a table.
func readNumbers(v document.Value) processor.Numbering {
	f := v.Section("name", "first", "digits", "table")
	n := processor.Numbering{Name: f["name"].Text(), First: 1}
	if f["table"].Given() == f["first"].Given() {
		f["first"].Reject("either first, what output 1 is called, or table, what each output is called")
		return n
	}
	optional(f["table"], &n.Table, func(v document.Value) []string {
		return document.Each(v, "a list of what each output is called", readCalled)
	})
	optional(f["digits"], &n.Digits, document.Value.Count)
	if f["first"].Is(yaml.ScalarNode) && (f["first"].Node.Value == "A" || f["first"].Node.Value == "a") {
		n.FirstLetter = f["first"].Node.Value[0]
	} else if f["first"].Is(yaml.ScalarNode) && f["first"].Node.Tag == "!!str" {
		f["first"].Reject("a number such as 17, A or a")
	} else if f["first"].Given() {
		n.First = f["first"].Count()
	}
	return n
}

// readCalled takes a number or a word.
func readCalled(v document.Value) string {
	text, _ := v.Scalar("a number or a word", "!!int", "!!str")
	return text
}

// profileProblems puts what the profile itself complains about into the words
// of the file, where value is a practitioner's word for the code of a value.
func profileProblems(p processor.Profile) []engine.Problem {
	words := strings.NewReplacer(".code.grid.", ".value.", ".code.per_unit", ".value.unit", ".code.", ".value.")
	problems := p.Problems()
	for i := range problems {
		problems[i].Path = words.Replace(problems[i].Path)
	}
	return problems
}

// readDuration is a time to the nearest nanosecond.
func readDuration(v document.Value) time.Duration {
	seconds := v.Exact(quantity.Period())
	ns, _ := seconds.Mul(seconds, big.NewRat(int64(time.Second), 1)).Float64()
	if math.Abs(ns) >= math.MaxInt64 {
		v.Reject("a time such as 150 ms")
		return 0
	}
	return time.Duration(math.Round(ns))
}

// readParameter reads a parameter. Nothing can be asked of a blind processor.
func readParameter(v document.Value, blind bool, code func(document.Value) processor.Code) processor.Parameter {
	f := v.Section("write", "query", "reply", "in_force", "value")
	p := processor.Parameter{Write: readTemplate(f["write"]), Code: code(f["value"])}
	if !blind || f["query"].Given() || f["reply"].Given() {
		p.ReadBack = readBackOf(f)
	}
	optional(f["in_force"], &p.InForce, func(v document.Value) *processor.ReadBack {
		back := readBack(v)
		return &back
	})
	return p
}

func readBack(v document.Value) processor.ReadBack { return readBackOf(v.Section("query", "reply")) }

func readBackOf(f map[string]document.Value) processor.ReadBack {
	return processor.ReadBack{Query: readTemplate(f["query"]), Reply: processor.Reply(readTemplate(f["reply"]))}
}

const wantArgs = "a list of arguments such as [value], or []"

func readTemplate(v document.Value) processor.Template {
	f := v.Section("address", "args")
	return processor.Template{Address: f["address"].Text(), Args: document.Each(f["args"], wantArgs, readArg)}
}

// readArg reads one argument: bare words are places to fill in (value, output,
// sequence, any, command, or the name of a numbering), nil is OSC's own, and
// anything else that is always the same says its type: {string: value} is the
// word "value" itself.
func readArg(v document.Value) processor.Arg {
	const want = "value, output or another place to fill in, or a fixed argument with its type such as {int32: 1} or {string: \"on\"}"
	if v.Is(yaml.ScalarNode) && v.Node.Style == 0 {
		return placeOf(v, want)
	}
	if !v.Is(yaml.MappingNode) || len(v.Node.Content) != 2 {
		v.Reject(want)
		return processor.Arg{}
	}
	types := []string{"int32", "int64", "float32", "float64", "string", "bool", "blob"}
	f := v.Section(types...)
	for _, t := range types {
		if !f[t].Absent {
			return processor.Arg{Kind: processor.ArgLiteral, Literal: readLiteral(f[t], processor.Type(t))}
		}
	}
	return processor.Arg{}
}

// placeOf reads a bare word. That a numbering of this name is there is for the
// profile to find out.
func placeOf(v document.Value, want string) processor.Arg {
	switch word := v.Node.Value; word {
	case "value":
		return processor.Arg{Kind: processor.ArgValue}
	case "output":
		return processor.Arg{Kind: processor.ArgOutput}
	case "sequence":
		return processor.Arg{Kind: processor.ArgSequence}
	case "any":
		return processor.Arg{Kind: processor.ArgAny}
	case "command":
		return processor.Arg{Kind: processor.ArgCommand}
	case "nil":
		return processor.Arg{Kind: processor.ArgLiteral}
	default:
		if strings.Trim(word, "abcdefghijklmnopqrstuvwxyz_") != "" || word == "" {
			v.Reject(want)
			return processor.Arg{}
		}
		return processor.Arg{Kind: processor.ArgOutput, Numbering: word}
	}
}

// scaled reads how a quantity stands in an argument. By the linear law unit is
// what an argument of 1 more means, so 1 ms makes 1000 of a second and 0.5 dB
// makes 2 of a decibel, and offset is added; by the amplitude law the argument
// is unit at 0 dB; a table lists arguments with what they stand for.
func scaled(q quantity.Kind) func(document.Value) processor.Code {
	return func(v document.Value) processor.Code {
		f := v.Section("type", "law", "unit", "offset", "table", "min", "max", "step")
		code := processor.Code{
			Type: document.Choice(f["type"], processor.Float32, processor.Float64, processor.Int32, processor.Int64),
			Grid: engine.Grid{Min: f["min"].Number(q), Max: f["max"].Number(q), Step: f["step"].Number(q)},
		}
		optional(f["law"], &code.Law, func(v document.Value) processor.Law {
			if law := document.Choice(v, "linear", processor.Amplitude, processor.Table); law != "linear" {
				return law
			}
			return processor.Linear
		})
		idle(code.Law == processor.Table, f["unit"], "no unit: the table says what an argument means")
		idle(code.Law != processor.Table, f["table"], "no table, or the law table")
		idle(code.Law != processor.Linear, f["offset"], "no offset, which is for the linear law")
		switch code.Law {
		case processor.Table:
			code.Table = document.Each(f["table"], "a list of arguments with what they stand for", func(v document.Value) processor.Point { return readPair(v, q) })
			return code
		case processor.Amplitude:
			code.PerUnit = f["unit"].Plain()
			return code
		}
		optional(f["offset"], &code.Offset, document.Value.Plain)
		if unit := f["unit"].Exact(q); unit.Sign() != 0 {
			code.PerUnit, _ = unit.Inv(unit).Float64()
		}
		return code
	}
}

// idle rejects what is there though nothing would use it.
func idle(unused bool, v document.Value, want string) {
	if unused && v.Given() {
		v.Reject(want)
	}
}

// readPair reads one entry of a table, such as [0.75, 0 dB].
func readPair(v document.Value, q quantity.Kind) processor.Point {
	pair := v.List(2, "an argument and what it stands for, such as [0.75, 0 dB]")
	return processor.Point{Arg: pair[0].Plain(), Value: pair[1].Number(q)}
}

// readSwitch reads how a two-way parameter stands in an argument.
func readSwitch(v document.Value) processor.Code {
	f := v.Section("type", "off", "on")
	code := processor.Code{Type: document.Choice(f["type"], processor.Int32, processor.Int64, processor.Float32, processor.Float64, processor.String, processor.Bool)}
	code.Off, code.On = readLiteral(f["off"], code.Type), readLiteral(f["on"], code.Type)
	return code
}

// readLiteral reads an argument of exactly one type; nil when it is wrong.
func readLiteral(v document.Value, t processor.Type) any {
	switch t {
	case processor.Int32:
		const want = "an int32 such as 1"
		text, ok := v.Scalar(want, "!!int")
		n, err := strconv.ParseInt(text, 10, 32)
		if ok && err == nil && strconv.FormatInt(n, 10) == text {
			return int32(n)
		} else if ok {
			v.Reject(want)
		}
	case processor.Int64:
		const want = "an int64 such as 1"
		text, ok := v.Scalar(want, "!!int")
		n, err := strconv.ParseInt(text, 10, 64)
		if ok && err == nil && strconv.FormatInt(n, 10) == text {
			return n
		} else if ok {
			v.Reject(want)
		}
	case processor.Float32:
		const want = "a float32 such as 1.0"
		if number, ok := v.Decimal(want); ok {
			if n, _ := number.Float32(); !math.IsInf(float64(n), 0) {
				return n
			}
			v.Reject(want)
		}
	case processor.Float64:
		if number, ok := v.Decimal("a float64 such as 1.0"); ok {
			n, _ := number.Float64()
			return n
		}
	case "blob":
		const want = "bytes in hex such as \"00ff\""
		text, ok := v.Scalar(want, "!!str")
		if blob, err := hex.DecodeString(text); ok && err == nil {
			return blob
		} else if ok {
			v.Reject(want)
		}
	case processor.String:
		const want = `text in quotes such as "on"`
		text, ok := v.Scalar(want, "!!str")
		if ok && document.Printable(text) {
			return text
		} else if ok {
			v.Reject(want)
		}
	case processor.Bool:
		if text, ok := v.Scalar("true or false", "!!bool"); ok {
			return text == "true"
		}
	}
	return nil
}
