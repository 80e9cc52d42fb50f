package configs

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

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
		{"a value before the first argument", `delay", value: 0`, `delay", value: -1`, "parameters.delay.reply.value", "-1}"},
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
		got, err := load("p.yaml", []byte(text), readProfile, func(processor.Profile) []engine.Problem { return nil })
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
	}
	var b strings.Builder
	fmt.Fprintf(&b, "parameters:\n")
	for _, i := range random.Perm(len(processor.Params)) {
		param := processor.Params[i]
		parameter := &p.Parameters[param]
		fmt.Fprintf(&b, "  %s:\n", []string{"delay", "polarity", "gain", "mute"}[i])
		parameter.Code = randomCode(random, param, &b)
		parameter.Query = randomTemplate(random, "query", &b)
		parameter.Write = randomTemplate(random, "write", &b)
		parameter.Reply = processor.Reply{Address: "/r/{output}", Value: random.IntN(4)}
		if random.IntN(2) == 0 {
			parameter.Reply.Address, parameter.Reply.Output = "/r", random.IntN(4)
			fmt.Fprintf(&b, "    reply: {output: %d, address: /r, value: %d}\n", parameter.Reply.Output, parameter.Reply.Value)
		} else {
			fmt.Fprintf(&b, "    reply:\n      address: '/r/{output}'\n      value: %d\n", parameter.Reply.Value)
		}
	}
	fmt.Fprintf(&b, "name: %s\nnote: \"%s\"\noutputs: %d\ntries: %d\ngap: %d us\ntimeout: %d ms\n", p.Name, p.Note, p.Outputs, p.Tries, gap, timeout)
	return p, b.String()
}

func randomTemplate(random *rand.Rand, name string, b *strings.Builder) processor.Template {
	template := processor.Template{Address: "/" + name + "/{output}", Args: []processor.Arg{}}
	var words []string
	add := func(arg processor.Arg, word string) {
		template.Args, words = append(template.Args, arg), append(words, word)
	}
	for range random.IntN(5) {
		switch n := random.IntN(1000) - 500; random.IntN(6) {
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
		}
	}
	fmt.Fprintf(b, "    %s: {address: \"%s\", args: [%s]}\n", name, template.Address, strings.Join(words, ", "))
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
		}{{"1 ms", 1000}, {"1 s", 1}, {"0.5 ms", 2000}, {"1 sample @ 48 kHz", 48000}, {"10 us", 1e5}}[random.IntN(5)]
		whole.PerUnit = unit.perUnit
		whole.Grid = engine.Grid{Min: float64(low) / 1000, Max: float64(low+span) / 1000, Step: float64(step) / 1e6}
		fmt.Fprintf(b, "    value: {unit: %s, type: int32, min: %d ms, max: %d ms, step: %d µs}\n", unit.text, low, low+span, step)
		return whole
	case processor.Gain:
		whole.Type, whole.Grid = processor.Float32, engine.Grid{Min: -float64(low), Max: float64(span), Step: float64(step) / 10}
		fmt.Fprintf(b, "    value: {unit: 1 dB, type: float32, min: -%d dB, max: %d dB, step: 0.%d dB}\n", low, span, step)
		return whole
	}
	spelling := []struct {
		text string
		code processor.Code
	}{
		{"int32, off: -1, on: 7", processor.Code{Type: processor.Int32, Off: int32(-1), On: int32(7)}},
		{"float32, off: 0, on: 0.25", processor.Code{Type: processor.Float32, Off: float32(0), On: float32(0.25)}},
		{"string, off: off, on: \"true\"", processor.Code{Type: processor.String, Off: "off", On: "true"}},
		{"bool, off: true, on: false", processor.Code{Type: processor.Bool, Off: true, On: false}},
	}[random.IntN(4)]
	fmt.Fprintf(b, "    value: {type: %s}\n", spelling.text)
	return spelling.code
}

// FuzzProfile is FuzzSite for the other kind of file.
func FuzzProfile(f *testing.F) {
	for _, pattern := range []string{"profiles/*.yaml", "../testdata/bad/profile-*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			f.Fatalf("no seeds in %s: %v", pattern, err)
		}
		for _, file := range files {
			data, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(data)
		}
	}
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
