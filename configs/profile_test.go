package configs

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"hushback/configs/document"
	"hushback/control/osc"
	"hushback/control/processor"
	"hushback/engine"
)

func plainEight(t *testing.T) string {
	t.Helper()
	data, err := shipped.ReadFile("profiles/plain-eight.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// TestProfileMeanings breaks what the description means, not how it is spelt.
// The processor package finds it; here it has to come back in the words of the
// file, at the place of the broken text.
func TestProfileMeanings(t *testing.T) {
	tests := []struct {
		name, from, to string
		path, mark     string // where the one problem is wanted
	}{
		{"no step", "step: 0.01 ms", "step: 0 ms", "parameters.delay.value.step", "0 ms  # what it rounds"},
		{"a step backwards", "step: 0.1 dB", "step: -0.1 dB", "parameters.gain.value.step", "-0.1 dB"},
		{"a step too fine for its type", "step: 0.01 ms", "step: 0.00001 ms", "parameters.delay.value.step", "0.00001 ms"},
		{"an empty range", "max: 650 ms", "max: 0 ms", "parameters.delay.value.max", "0 ms\n      step"},
		{"a range upside down", "max: 6 dB", "max: -61 dB", "parameters.gain.value.max", "-61 dB"},
		{"a delay before its cause", "min: 0 ms", "min: -1 ms", "parameters.delay.value.min", "-1 ms"},
		{"a unit backwards", "unit: 1 dB", "unit: -1 dB", "parameters.gain.value.unit", "-1 dB"},
		{"no tries", "tries: 4", "tries: 0", "tries", "0         #"},
		{"a gap backwards", "gap: 2 ms", "gap: -2 ms", "gap", "-2 ms"},
		{"a timeout shorter than the gap", "timeout: 250 ms", "timeout: 1 ms", "timeout", "1 ms  #"},
		{"a write without a value", `delay", args: [value]`, `delay", args: []`, "parameters.delay.write.args", "[]}\n    query: {address: \"/out/{output}/delay"},
		{"a write with two values", `gain", args: [value]`, `gain", args: [value, value]`, "parameters.gain.write.args", "[value, value]"},
		{"a query with a value", `mute", args: []`, `mute", args: [value]`, "parameters.mute.query.args", "[value]}\n    reply: {address: \"/out/{output}/mute"},
		{"a reply without the value", `delay", args: [value]}
    value`, `delay", args: [any]}
    value`, "parameters.delay.reply.args", "[any]}"},
		{"a write that is a reply", `gain", args: [value]`, `gain", args: [value, any]`, "parameters.gain.write.args[1]", "any]"},
		{"a command in a reply", `delay", args: [value]}
    value`, `delay", args: [command, value]}
    value`, "parameters.delay.reply.args[0]", "command, value]"},
		{"a numbering that is not there", `gain", args: [value]`, `gain", args: [value, bus]`, "parameters.gain.write.args[1]", "bus]"},
		{"an answer with a number nobody asked with", `delay", args: [value]}
    value`, `delay", args: [sequence, value]}
    value`, "parameters.delay.query.args", "[]}\n    reply: {address: \"/out/{output}/delay"},
		{"two numberings of one name", "outputs: 8", "numbering: [{name: bus, first: 17}, {name: bus, first: A}]\noutputs: 8", "numbering[1].name", "bus, first: A"},
		{"a numbering called like a place", "outputs: 8", "numbering: [{name: value, first: 17}]\noutputs: 8", "numbering[0].name", "value, first"},
		{"a table too short", "outputs: 8", "numbering: [{name: bus, table: [1, 2, 3]}]\noutputs: 8", "numbering[0].table", "[1, 2, 3]"},
		{"a table with a twin", "outputs: 8", "numbering: [{name: bus, table: [1, 2, 3, 4, 5, 6, 7, 7]}]\noutputs: 8", "numbering[0].table[7]", "7]}]"},
		{"late before the timeout", "tries: 4", "late: 1 ms\ntries: 4", "late", "1 ms\ntries"},
		{"a port over TCP", "tries: 4", "transport: tcp-slip\nreply_port: 9001\ntries: 4", "reply_port", "9001"},
		{"a ramp of nothing", "tries: 4", "ramp: {step: 0 dB, every: 10 ms}\ntries: 4", "ramp.step", "0 dB, every"},
		{"a refusal of nothing", "tries: 4", "refusal: {address: /error, args: [any]}\ntries: 4", "refusal.args", "[any]}\ntries"},
		{"a renewal of one output", "tries: 4", "renew: [{address: \"/on/{output}\", args: [], every: 8 s}]\ntries: 4", "renew[0].address", "\"/on/"},
		{"a renewal without end", "tries: 4", "renew: [{address: /on, args: [], every: 0 s}]\ntries: 4", "renew[0].every", "0 s}]"},
		{"an amplitude of a delay", "unit: 1 ms     #", "law: amplitude\n      unit: 1     #", "parameters.delay.value.law", "amplitude"},
		{"a table that falls", "unit: 1 dB, min", "law: table, table: [[0, -60 dB], [1, 6 dB], [2, 5 dB]], min", "parameters.gain.value.table[2]", "[2, 5 dB]"},
		{"a table that ends early", "unit: 1 dB, min", "law: table, table: [[0, -60 dB], [1, 5 dB]], min", "parameters.gain.value.table", "[[0, -60 dB]"},
		{"steps too fine for whole numbers", "type: float32, unit: 1 dB, min", "type: int32, law: table, table: [[0, -60 dB], [100, 6 dB]], min", "parameters.gain.value.step", "0.1 dB}"},
		{"an address without a slash", `write: {address: "/out/{output}/gain`, `write: {address: "out/{output}/gain`, "parameters.gain.write.address", `"out/`},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			text := strings.Replace(plainEight(t), test.from, test.to, 1)
			before, _, found := strings.Cut(text, test.mark)
			if !found {
				t.Fatalf("the mark %q is not in the broken text", test.mark)
			}
			_, err := Profile("p.yaml", []byte(text))
			p := only(t, err)
			line := 1 + strings.Count(before, "\n")
			column := len(before) - strings.LastIndex(before, "\n")
			if p.Path != test.path || p.Line != line || p.Column != column {
				t.Errorf("got %s\nwant %s at line %d, column %d", p, test.path, line, column)
			}
		})
	}
}

// TestBlind: nothing can be asked of a blind processor, so its file has no query
// and no reply, and one that has them says so.
func TestBlind(t *testing.T) {
	text := strings.Replace(plainEight(t), "tries: 4", "blind: true\ntries: 4", 1)
	_, err := Profile("p.yaml", []byte(text))
	problems, ok := err.(Problems)
	if !ok || len(problems) != len(processor.Params) || problems[0].Path != "parameters.delay.query" {
		t.Errorf("blind, and asked: %v", err)
	}
	lines := slices.DeleteFunc(strings.SplitAfter(text, "\n"), func(line string) bool {
		return strings.HasPrefix(line, "    query:") || strings.HasPrefix(line, "    reply:")
	})
	p, err := Profile("p.yaml", []byte(strings.Join(lines, "")))
	if err != nil || !p.Blind {
		t.Errorf("blind: %v", err)
	}
}

// TestOffIsOn: what a switch cannot tell apart is found at its on.
func TestOffIsOn(t *testing.T) {
	text := strings.Replace(plainEight(t), "{type: int32, off: 0, on: 1}", "{type: string, off: \"x\", on: x}", 1)
	_, err := Profile("p.yaml", []byte(text))
	if p := only(t, err); p.Path != "parameters.polarity.value.on" {
		t.Errorf("got %s", p)
	}
}

// TestRandomProfiles writes random descriptions as YAML and reads them back.
// The writer below shares nothing with the loader.
func TestRandomProfiles(t *testing.T) {
	const seed = 8
	random := rand.New(rand.NewPCG(seed, seed))
	for range 100 {
		want, text := randomProfile(random)
		got, err := document.Load("p.yaml", []byte(text), readProfile, func(processor.Profile) []engine.Problem { return nil })
		if err != nil {
			t.Fatalf("seed %d:\n%s\n%v", seed, text, err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("seed %d:\n%s\ngot  %+v\nwant %+v", seed, text, got, want)
		}
	}
}

func randomProfile(random *rand.Rand) (processor.Profile, string) {
	gap, timeout := random.IntN(100), random.IntN(5000)
	p := processor.Profile{
		Name: "p" + strconv.Itoa(random.IntN(100)), Note: "made up: 100 % of it",
		Outputs: 1 + random.IntN(64), Tries: 1 + random.IntN(9),
		Gap: time.Duration(gap) * time.Microsecond, Timeout: time.Duration(timeout) * time.Millisecond,
		Ramp: processor.Ramp{StepDB: 3, Every: 100 * time.Millisecond},
	}
	p.Late = p.Timeout
	var b strings.Builder
	fmt.Fprintf(&b, "parameters:\n")
	for _, i := range random.Perm(len(processor.Params)) {
		param := processor.Params[i]
		parameter := &p.Parameters[param]
		fmt.Fprintf(&b, "  %s:\n", []string{"delay", "polarity", "gain", "mute"}[i])
		parameter.Code = randomCode(random, param, &b)
		parameter.Query = randomTemplate(random, "    ", "query", &b)
		parameter.Write = randomTemplate(random, "    ", "write", &b)
		parameter.Reply = processor.Reply(randomTemplate(random, "    ", "reply", &b))
		if random.IntN(3) == 0 {
			fmt.Fprint(&b, "    in_force:\n")
			parameter.InForce = randomReadBack(random, &b)
		}
	}
	if random.IntN(2) == 0 {
		fmt.Fprint(&b, "  label:\n")
		p.Label = randomReadBack(random, &b)
	}
	fmt.Fprintf(&b, "name: %s\nnote: \"%s\"\noutputs: %d\ntries: %d\ngap: %d us\ntimeout: %d ms\n", p.Name, p.Note, p.Outputs, p.Tries, gap, timeout)
	randomLink(random, &p, &b)
	return p, b.String()
}

func randomReadBack(random *rand.Rand, b *strings.Builder) *processor.ReadBack {
	return &processor.ReadBack{
		Query: randomTemplate(random, "      ", "query", b),
		Reply: processor.Reply(randomTemplate(random, "      ", "reply", b)),
	}
}

// randomLink adds keys that a profile may do without, each half of the time.
func randomLink(random *rand.Rand, p *processor.Profile, b *strings.Builder) {
	n := random.IntN(1000)
	for _, key := range []struct {
		text string
		set  func()
	}{
		{"transport: tcp-slip", func() { p.Transport = osc.TCPSLIP }},
		{fmt.Sprintf("reply_port: %d", n), func() { p.ReplyPort = n }},
		{fmt.Sprintf("burst: %d", n), func() { p.Burst = n }},
		{fmt.Sprintf("bundle: %d", n), func() { p.Bundle = n }},
		{fmt.Sprintf("late: %d ms", n), func() { p.Late = time.Duration(n) * time.Millisecond }},
		{"blind: true", func() { p.Blind = true }},
		{fmt.Sprintf("ramp: {step: %d dB, every: %d us}", n, n), func() { p.Ramp = processor.Ramp{StepDB: float64(n), Every: time.Duration(n) * time.Microsecond} }},
		{fmt.Sprintf("renew: [{every: %d s, args: [{int64: %d}, nil, {blob: \"00ff\"}], address: /on}]", n, n), func() {
			p.Renew = []processor.Renewal{{
				Message: processor.Template{Address: "/on", Args: []processor.Arg{{Literal: int64(n)}, {}, {Literal: []byte{0, 255}}}},
				Every:   time.Duration(n) * time.Second,
			}}
		}},
		{"refusal: {address: /error, args: [command, {float64: 0.5}, any]}", func() {
			p.Refusal = &processor.Reply{Address: "/error", Args: []processor.Arg{{Kind: processor.ArgCommand}, {Literal: 0.5}, {Kind: processor.ArgAny}}}
		}},
		{fmt.Sprintf("numbering:\n- {name: bus, first: %d, digits: 2}\n- {name: strip, first: a}\n- {name: node, table: [7, x9]}", n), func() {
			p.Numbering = []processor.Numbering{{Name: "bus", First: n, Digits: 2}, {Name: "strip", First: 1, FirstLetter: 'a'}, {Name: "node", First: 1, Table: []string{"7", "x9"}}}
		}},
	} {
		if random.IntN(2) == 0 {
			fmt.Fprintln(b, key.text)
			key.set()
		}
	}
}

func randomTemplate(random *rand.Rand, indent, name string, b *strings.Builder) processor.Template {
	template := processor.Template{Address: "/" + name + "/{output}", Args: []processor.Arg{}}
	var words []string
	add := func(arg processor.Arg, word string) {
		template.Args, words = append(template.Args, arg), append(words, word)
	}
	for range random.IntN(5) {
		switch n := random.IntN(1000) - 500; random.IntN(9) {
		case 0:
			add(processor.Arg{Kind: processor.ArgValue}, "value")
		case 1:
			add(processor.Arg{Kind: processor.ArgOutput}, "output")
		case 2:
			add(processor.Arg{Literal: int32(n)}, fmt.Sprintf("{int32: %d}", n))
		case 3:
			add(processor.Arg{Literal: float32(n) / 8}, fmt.Sprintf("{float32: %.3f}", float64(n)/8))
		case 4:
			add(processor.Arg{Literal: strconv.Itoa(n)}, fmt.Sprintf("{string: \"%d\"}", n))
		case 5:
			add(processor.Arg{Literal: n > 0}, fmt.Sprintf("{bool: %t}", n > 0))
		case 6:
			add(processor.Arg{Kind: processor.ArgSequence}, "sequence")
		case 7:
			add(processor.Arg{Kind: processor.ArgAny}, "any")
		case 8:
			add(processor.Arg{Kind: processor.ArgOutput, Numbering: "side_bus"}, "side_bus")
		}
	}
	fmt.Fprintf(b, "%s%s: {address: \"%s\", args: [%s]}\n", indent, name, template.Address, strings.Join(words, ", "))
	return template
}

func randomCode(random *rand.Rand, param processor.Param, b *strings.Builder) processor.Code {
	whole := processor.Code{Type: processor.Int32, PerUnit: 1}
	low, span, step := random.IntN(100), 1+random.IntN(100), 1+random.IntN(9)
	switch param {
	case processor.Delay:
		unit := []struct {
			text    string
			perUnit float64
		}{{"1 ms", 1000}, {"1 s", 1}, {"0.5 ms", 2000}, {"1 sample @ 48 kHz", 48000}, {"10 us", 1e5}, {"1 m @ 343 m/s", 343}, {"0.5 ft @ 1125 ft/s", 2250}}[random.IntN(7)]
		whole.PerUnit = unit.perUnit
		whole.Grid = engine.Grid{Min: float64(low) / 1000, Max: float64(low+span) / 1000, Step: float64(step) / 1e6}
		fmt.Fprintf(b, "    value: {unit: %s, type: int32, min: %d ms, max: %d ms, step: %d µs}\n", unit.text, low, low+span, step)
		return whole
	case processor.Gain:
		law := []struct {
			text string
			code processor.Code
		}{
			{"unit: 1 dB, type: float32", processor.Code{Type: processor.Float32, PerUnit: 1}},
			{"law: linear, offset: 90.5, unit: 0.5 dB, type: float64", processor.Code{Type: processor.Float64, PerUnit: 2, Offset: 90.5}},
			{"law: amplitude, unit: 1000, type: int64", processor.Code{Type: processor.Int64, Law: processor.Amplitude, PerUnit: 1000}},
			{"law: table, table: [[0, -90 dB], [0.75, 0 dB], [1, 10 dB]], type: float32", processor.Code{
				Type: processor.Float32, Law: processor.Table, Table: []processor.Point{{Arg: 0, Value: -90}, {Arg: 0.75, Value: 0}, {Arg: 1, Value: 10}}}},
		}[random.IntN(4)]
		law.code.Grid = engine.Grid{Min: -float64(low), Max: float64(span), Step: float64(step) / 10}
		fmt.Fprintf(b, "    value: {%s, min: -%d dB, max: %d dB, step: 0.%d dB}\n", law.text, low, span, step)
		return law.code
	}
	spelling := []struct {
		text string
		code processor.Code
	}{
		{"int32, off: -1, on: 7", processor.Code{Type: processor.Int32, Off: int32(-1), On: int32(7)}},
		{"float32, off: 0, on: 0.25", processor.Code{Type: processor.Float32, Off: float32(0), On: float32(0.25)}},
		{"string, off: off, on: \"true\"", processor.Code{Type: processor.String, Off: "off", On: "true"}},
		{"bool, off: true, on: false", processor.Code{Type: processor.Bool, Off: true, On: false}},
		{"int64, off: 1, on: -1", processor.Code{Type: processor.Int64, Off: int64(1), On: int64(-1)}},
		{"float64, off: 1.0, on: -1.0", processor.Code{Type: processor.Float64, Off: 1.0, On: -1.0}},
	}[random.IntN(6)]
	fmt.Fprintf(b, "    value: {type: %s}\n", spelling.text)
	return spelling.code
}

// FuzzProfile is FuzzSite for the other kind of file.
func FuzzProfile(f *testing.F) {
	sow(f, "profiles/*.yaml", "../testdata/bad/profile-*.yaml")
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Profile("f.yaml", data)
		var problems Problems
		switch {
		case err == nil:
			if found := p.Problems(); len(found) > 0 {
				t.Errorf("accepted with problems %v", found)
			}
		case !errors.As(err, &problems) || len(problems) == 0:
			t.Errorf("got %#v, want Problems", err)
		case problems[0].Line < 1 || strings.Contains(err.Error(), ".code."):
			t.Errorf("a problem in words that are not the file's: %v", err)
		}
	})
}

// TestEveryValueOfEveryExampleComesBack sends values through every shipped
// profile, through bytes both ways: over the whole range of delay and gain, a
// value read back is within half a step of the one that was set, and polarity
// and mute are the same. The answer is put together here from what was written.
func TestEveryValueOfEveryExampleComesBack(t *testing.T) {
	for _, name := range ProfileNames() {
		p, err := OpenProfile(name)
		if err != nil {
			t.Fatal(err)
		}
		if p.Blind {
			continue // TestBlindExample
		}
		ranges := p.Ranges()
		values := 0
		carry := func(param processor.Param, set engine.Setting) engine.Setting {
			values++
			return carried(t, p, param, set)
		}
		for _, grid := range []struct {
			param processor.Param
			engine.Grid
		}{{processor.Delay, ranges.DelaySec}, {processor.Gain, ranges.GainDB}} {
			steps := int(math.Round((grid.Max - grid.Min) / grid.Step))
			for k := 0; k <= steps; k += 1 + steps/3000 {
				v := math.Min(grid.Max, grid.Min+float64(k)*grid.Step)
				set := engine.Setting{Output: 1 + k%p.Outputs, Polarity: 1, DelaySec: v, GainDB: v}
				got := carry(grid.param, set)
				back := got.GainDB
				if grid.param == processor.Delay {
					back = got.DelaySec
				}
				if !(math.Abs(back-v) < grid.Step/2) || !p.Same(grid.param, set, got) {
					t.Fatalf("%s: %s: %v came back as %v, the step is %v", name, grid.param, v, back, grid.Step)
				}
			}
		}
		for output := 1; output <= p.Outputs; output++ {
			for _, on := range []bool{true, false} {
				set := engine.Setting{Output: output, Polarity: map[bool]int{true: -1, false: 1}[on], Muted: on}
				if got := carry(processor.Polarity, set); got.Polarity != set.Polarity {
					t.Errorf("%s: output %d: polarity %d came back as %d", name, output, set.Polarity, got.Polarity)
				}
				if got := carry(processor.Mute, set); p.HasMute() && got.Muted != on {
					t.Errorf("%s: output %d: muted %t came back as %t", name, output, on, got.Muted)
				}
			}
		}
		t.Logf("%s: %d values there and back", name, values)
	}
}

// carried writes one parameter, answers the question for it with what was
// written, and reads that.
func carried(t *testing.T, p processor.Profile, param processor.Param, set engine.Setting) engine.Setting {
	t.Helper()
	write, err := p.Write(param, set)
	if err != nil {
		t.Fatalf("%s: %v", p.Name, err)
	}
	if param == processor.Mute && !p.HasMute() {
		param = processor.Gain
	}
	const sequence = 71
	question, err := p.Ask(param, set.Output, false, sequence)
	if err != nil {
		t.Fatalf("%s: %v", p.Name, err)
	}
	spelling := p.Parameters[param]
	var value any
	for i, arg := range spelling.Write.Args {
		if arg.Kind == processor.ArgValue {
			value = there(t, write).Args[i]
		}
	}
	// The question and the write name the output the same way; where neither has
	// it in an argument the address does.
	named := func(numbering string) any {
		for i, arg := range spelling.Query.Args {
			if arg.Kind == processor.ArgOutput && arg.Numbering == numbering {
				return question.Message.Args[i]
			}
		}
		t.Fatalf("%s: the question does not name the output", p.Name)
		return nil
	}
	reply := osc.Message{Address: spelling.Reply.Address}
	for place, text := range map[string]string{
		"{output}": strconv.Itoa(set.Output), "{strip}": string(rune('A' + set.Output - 1)), "{line}": fmt.Sprintf("%03d", set.Output-1),
	} {
		reply.Address = strings.ReplaceAll(reply.Address, place, text)
	}
	for _, arg := range spelling.Reply.Args {
		switch arg.Kind {
		case processor.ArgValue:
			reply.Args = append(reply.Args, value)
		case processor.ArgOutput:
			reply.Args = append(reply.Args, named(arg.Numbering))
		case processor.ArgSequence:
			reply.Args = append(reply.Args, int32(sequence))
		case processor.ArgAny:
			reply.Args = append(reply.Args, "whatever")
		default:
			reply.Args = append(reply.Args, arg.Literal)
		}
	}
	reply = there(t, reply)
	got := engine.Setting{Output: set.Output}
	if !question.Answered(reply) {
		t.Fatalf("%s: %s is no answer to %s", p.Name, reply, question.Message)
	}
	if err := question.Read(reply, &got); err != nil {
		t.Fatalf("%s: %v", p.Name, err)
	}
	return got
}

// there sends a message through bytes.
func there(t *testing.T, m osc.Message) osc.Message {
	t.Helper()
	packet, err := osc.Encode(m)
	if err != nil {
		t.Fatal(err)
	}
	messages, err := osc.Decode(packet)
	if err != nil || len(messages) != 1 {
		t.Fatalf("%s: %v, %v", m, messages, err)
	}
	return messages[0]
}

func TestBlindExample(t *testing.T) {
	p, err := OpenProfile("blind-four")
	if err != nil {
		t.Fatal(err)
	}
	// 5 ms at 1125 ft/s is 5.625 ft
	m, err := p.Write(processor.Delay, engine.Setting{Output: 4, Polarity: 1, DelaySec: 0.005})
	if err != nil || m.String() != `/blind/4 ,sf "feet" 5.625` {
		t.Errorf("got %s, %v", m, err)
	}
}
