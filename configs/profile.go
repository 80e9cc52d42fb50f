package configs

import (
	"math"
	"math/big"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"hushback/control/processor"
	"hushback/engine"
)

func readProfile(v value) processor.Profile {
	f := v.section("name", "note", "outputs", "gap", "timeout", "tries", "parameters")
	params := f["parameters"].section("delay", "polarity", "gain", "mute")
	return processor.Profile{
		Name:    f["name"].text(),
		Note:    f["note"].text(),
		Outputs: f["outputs"].count(),
		Gap:     readDuration(f["gap"]),
		Timeout: readDuration(f["timeout"]),
		Tries:   f["tries"].count(),
		Parameters: [len(processor.Params)]processor.Parameter{
			processor.Delay:    readParameter(params["delay"], scaled(period())),
			processor.Polarity: readParameter(params["polarity"], readSwitch),
			processor.Gain:     readParameter(params["gain"], scaled(level())),
			processor.Mute:     readParameter(params["mute"], readSwitch),
		},
	}
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
func readDuration(v value) time.Duration {
	seconds := v.exact(period())
	ns, _ := seconds.Mul(seconds, big.NewRat(int64(time.Second), 1)).Float64()
	if math.Abs(ns) >= math.MaxInt64 {
		v.reject("a time such as 150 ms")
		return 0
	}
	return time.Duration(math.Round(ns))
}

func readParameter(v value, code func(value) processor.Code) processor.Parameter {
	f := v.section("write", "query", "reply", "value")
	return processor.Parameter{
		Write: readTemplate(f["write"]),
		Query: readTemplate(f["query"]),
		Reply: readReply(f["reply"]),
		Code:  code(f["value"]),
	}
}

// readReply wants the output named exactly once: in the address, or by an
// argument.
func readReply(v value) processor.Reply {
	f := v.section("address", "value", "output")
	reply := processor.Reply{Address: f["address"].text(), Value: f["value"].count()}
	switch {
	case reply.Address == "": // told already
	case !strings.Contains(reply.Address, "{output}") && f["output"].absent:
		f["output"].reject("which argument, counted from 0, names the output; or {output} in the address")
	case !strings.Contains(reply.Address, "{output}"):
		reply.Output = f["output"].count()
	case !f["output"].absent:
		f["output"].reject("no output here, the address has {output}")
	}
	return reply
}

func readTemplate(v value) processor.Template {
	f := v.section("address", "args")
	return processor.Template{
		Address: f["address"].text(),
		Args:    each(f["args"], "a list of arguments such as [value], or []", readArg),
	}
}

// readArg reads one argument: the bare words value and output are places to
// fill in, anything that is always the same says its type: {string: value} is
// the word "value" itself.
func readArg(v value) processor.Arg {
	const want = "value, output, or a fixed argument with its type such as {int32: 1} or {string: \"on\"}"
	switch {
	case v.is(yaml.ScalarNode) && v.node.Style == 0 && v.node.Value == "value":
		return processor.Arg{Kind: processor.ArgValue}
	case v.is(yaml.ScalarNode) && v.node.Style == 0 && v.node.Value == "output":
		return processor.Arg{Kind: processor.ArgOutput}
	case !v.is(yaml.MappingNode) || len(v.node.Content) != 2:
		v.reject(want)
		return processor.Arg{}
	}
	types := []processor.Type{processor.Int32, processor.Float32, processor.String, processor.Bool}
	f := v.section(string(types[0]), string(types[1]), string(types[2]), string(types[3]))
	for _, t := range types {
		if !f[string(t)].absent {
			return processor.Arg{Kind: processor.ArgLiteral, Literal: readLiteral(f[string(t)], t)}
		}
	}
	return processor.Arg{}
}

// scaled reads how a quantity stands in an argument: unit is what an argument
// of 1 means, so 1 ms makes 1000 of a second and 0.5 dB makes 2 of a decibel.
func scaled(q quantity) func(value) processor.Code {
	return func(v value) processor.Code {
		f := v.section("type", "unit", "min", "max", "step")
		code := processor.Code{
			Type: choice(f["type"], processor.Float32, processor.Int32),
			Grid: engine.Grid{Min: f["min"].number(q), Max: f["max"].number(q), Step: f["step"].number(q)},
		}
		if unit := f["unit"].exact(q); unit.Sign() != 0 {
			code.PerUnit, _ = unit.Inv(unit).Float64()
		}
		return code
	}
}

// readSwitch reads how a two-way parameter stands in an argument.
func readSwitch(v value) processor.Code {
	f := v.section("type", "off", "on")
	code := processor.Code{Type: choice(f["type"], processor.Int32, processor.Float32, processor.String, processor.Bool)}
	code.Off, code.On = readLiteral(f["off"], code.Type), readLiteral(f["on"], code.Type)
	return code
}

// readLiteral reads an argument of exactly one type; nil when it is wrong.
func readLiteral(v value, t processor.Type) any {
	switch t {
	case processor.Int32:
		const want = "an int32 such as 1"
		text, ok := v.scalar(want, "!!int")
		n, err := strconv.ParseInt(text, 10, 32)
		if ok && err == nil && strconv.FormatInt(n, 10) == text {
			return int32(n)
		} else if ok {
			v.reject(want)
		}
	case processor.Float32:
		const want = "a float32 such as 1.0"
		text, ok := v.scalar(want, "!!float", "!!int")
		number, plain := decimal(text)
		if ok && plain {
			if n, _ := number.Float32(); !math.IsInf(float64(n), 0) {
				return n
			}
		}
		if ok {
			v.reject(want)
		}
	case processor.String:
		const want = `text in quotes such as "on"`
		text, ok := v.scalar(want, "!!str")
		if ok && printable(text) {
			return text
		} else if ok {
			v.reject(want)
		}
	case processor.Bool:
		if text, ok := v.scalar("true or false", "!!bool"); ok {
			return text == "true"
		}
	}
	return nil
}
