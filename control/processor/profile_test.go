package processor

import (
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

// here is a template with the output in its address, and the args given.
func here(address string, args ...Arg) Template { return Template{Address: address, Args: args} }

var (
	valueArg  = Arg{Kind: ArgValue}
	outputArg = Arg{Kind: ArgOutput}
)

// plain spells values as float32 and int32, at an address for each output.
func plain() Profile {
	p := Profile{Name: "plain", Outputs: 8, Gap: 2 * time.Millisecond, Timeout: 150 * time.Millisecond, Late: 150 * time.Millisecond, Tries: 4, Ramp: Ramp{StepDB: 3}}
	codes := [...]Code{
		Delay:    {Type: Float32, PerUnit: 1000, Grid: engine.Grid{Min: 0, Max: 0.65, Step: 1e-5}},
		Polarity: {Type: Int32, Off: int32(0), On: int32(1)},
		Gain:     {Type: Float32, PerUnit: 1, Grid: engine.Grid{Min: -60, Max: 6, Step: 0.1}},
		Mute:     {Type: Int32, Off: int32(0), On: int32(1)},
	}
	for _, param := range Params {
		address := "/out/{output}/" + param.String()
		p.Parameters[param] = Parameter{
			Write:    here(address, valueArg),
			ReadBack: ReadBack{Query: here(address), Reply: Reply(here(address, valueArg))},
			Code:     codes[param],
		}
	}
	return p
}

// samples counts delay in samples and gain in tenths of a dB, has words for
// polarity and a bool for mute.
func samples(rate float64) Profile {
	p := plain()
	p.Name = "samples"
	p.Parameters[Delay].Code = Code{Type: Int32, PerUnit: rate, Grid: engine.Grid{Max: 0.65, Step: 1 / rate}}
	p.Parameters[Gain].Code = Code{Type: Int32, PerUnit: 10, Grid: engine.Grid{Min: -60, Max: 6, Step: 0.1}}
	p.Parameters[Polarity].Code = Code{Type: String, Off: "as is", On: "turned"}
	p.Parameters[Mute].Code = Code{Type: Bool, Off: false, On: true}
	return p
}

// numbered names the output in an argument, and sends a literal along.
func numbered() Profile {
	p := plain()
	p.Name = "numbered"
	for _, param := range Params {
		address := "/" + param.String()
		spelling := &p.Parameters[param]
		spelling.Write = here(address, Arg{Literal: "set"}, outputArg, valueArg)
		spelling.Query = here(address, Arg{Literal: "get"}, outputArg)
		spelling.Reply = Reply(here(address, outputArg, valueArg))
	}
	return p
}

func profiles() []Profile {
	return []Profile{plain(), samples(48000), samples(96000), numbered()}
}

// answer is what a processor of the kind says after it took a write: by the
// three spellings above, the last argument stands in its reply.
func answer(p Profile, write osc.Message, output int) osc.Message {
	value := write.Args[len(write.Args)-1]
	if p.Name == "numbered" {
		return osc.Message{Address: write.Address, Args: []any{int32(output), value}}
	}
	return osc.Message{Address: write.Address, Args: []any{value}}
}

// carry sends one parameter out and back, through bytes both ways.
func carry(t *testing.T, p Profile, param Param, set engine.Setting) engine.Setting {
	t.Helper()
	write, err := p.Write(param, set)
	if err != nil {
		t.Fatalf("%s: %v", p.Name, err)
	}
	arrived := overTheWire(t, write)
	reply := overTheWire(t, answer(p, arrived, set.Output))
	q := ask(t, p, param, set.Output)
	if !q.Answered(reply) {
		t.Fatalf("%s: %s does not answer for output %d", p.Name, reply, set.Output)
	}
	got := engine.Setting{Output: set.Output}
	if err := q.Read(reply, &got); err != nil {
		t.Fatalf("%s: %v", p.Name, err)
	}
	again, err := p.Write(param, got)
	straight := p.Parameters[param].Code.Law == Linear
	if err != nil || straight && again.String() != write.String() || !straight && !closeBy(again, write) {
		t.Fatalf("%s: %s was read and would be written back as %s, %v", p.Name, write, again, err)
	}
	return got
}

// closeBy allows for the last digit, which a law that is not straight may lose.
func closeBy(a, b osc.Message) bool {
	switch x := a.Args[len(a.Args)-1].(type) {
	case float32:
		y := b.Args[len(b.Args)-1].(float32)
		return math.Abs(float64(x-y)) <= 1e-6*math.Abs(float64(y))
	case float64:
		y := b.Args[len(b.Args)-1].(float64)
		return math.Abs(x-y) <= 1e-12*(1+math.Abs(y))
	}
	return a.String() == b.String()
}

func ask(t *testing.T, p Profile, param Param, output int) Question {
	t.Helper()
	q, err := p.Ask(param, output, false, 0)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func overTheWire(t *testing.T, m osc.Message) osc.Message {
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

// field is the field of a setting that a number stands in.
func field(param Param, set *engine.Setting) *float64 {
	if param == Delay {
		return &set.DelaySec
	}
	return &set.GainDB
}

// A grid value must come back as that grid value, over the whole range; of the
// tens of thousands of delays some ten thousand are taken.
func TestGridValuesSurvive(t *testing.T) {
	for _, p := range profiles() {
		for _, param := range []Param{Delay, Gain} {
			g := p.Parameters[param].Code.Grid
			steps := int(math.Round((g.Max - g.Min) / g.Step))
			for k := steps; k >= 0; k -= 1 + steps/10000 {
				set := engine.Setting{Output: 1 + k%p.Outputs, Polarity: 1}
				*field(param, &set) = math.Min(g.Max, g.Min+float64(k)*g.Step)
				got := carry(t, p, param, set)
				if !p.Same(param, set, got) {
					t.Fatalf("%s: %s %d of %d: %v came back as %v", p.Name, param, k, steps, set, got)
				}
				if back := int(math.Round((*field(param, &got) - g.Min) / g.Step)); back != k {
					t.Fatalf("%s: %s: grid value %d came back as %d", p.Name, param, k, back)
				}
				if a, b := p.Snap(set), p.Snap(got); *field(param, &a) != *field(param, &b) {
					t.Fatalf("%s: %s: %v and %v snap to different values", p.Name, param, set, got)
				}
			}
		}
	}
}

// Any value of the range, on the grid or not, comes back within half a step;
// and snapped to the grid first, it stays within half a step as well.
func TestAnyValueComesBackWithinHalfAStep(t *testing.T) {
	const seed = 470
	r := rand.New(rand.NewPCG(seed, 0))
	for _, p := range profiles() {
		for _, param := range []Param{Delay, Gain} {
			g := p.Parameters[param].Code.Grid
			for range 2000 {
				set := engine.Setting{Output: 1, Polarity: 1}
				v := g.Min + r.Float64()*(g.Max-g.Min)
				*field(param, &set) = v
				snapped := p.Snap(set)
				if d := math.Abs(*field(param, &snapped) - v); d > g.Step/2+1e-12 {
					t.Fatalf("seed %d: %s: %s %v snaps to %v", seed, p.Name, param, v, snapped)
				}
				for _, s := range []engine.Setting{set, snapped} {
					got := carry(t, p, param, s)
					if d := math.Abs(*field(param, &got) - *field(param, &s)); d > g.Step/2 {
						t.Fatalf("seed %d: %s: %s of %v came back as %v", seed, p.Name, param, s, got)
					}
				}
				if twice := p.Snap(snapped); twice != snapped {
					t.Fatalf("seed %d: %s: snapping twice moves %v to %v", seed, p.Name, snapped, twice)
				}
			}
		}
	}
}

// As float32, 20.7 is 20.7000008 and -12.1 is -12.1000004: a little outside a
// range that ends there, and yet the end itself.
func TestEndsThatFloat32Misses(t *testing.T) {
	p := plain()
	p.Parameters[Delay].Code.Grid = engine.Grid{Max: 0.0207, Step: 1e-5}
	p.Parameters[Gain].Code.Grid = engine.Grid{Min: -12.1, Max: 12.1, Step: 0.1}
	for _, set := range []engine.Setting{{Output: 1, DelaySec: 0.0207, GainDB: -12.1}, {Output: 1, GainDB: 12.1}} {
		for _, param := range []Param{Delay, Gain} {
			if got := carry(t, p, param, set); !p.Same(param, got, set) {
				t.Errorf("%v came back as %v", set, got)
			}
		}
	}
}

func TestPolarityAndMuteSurvive(t *testing.T) {
	for _, p := range profiles() {
		for _, polarity := range []int{1, -1} {
			if got := carry(t, p, Polarity, engine.Setting{Output: 8, Polarity: polarity}); got.Polarity != polarity {
				t.Errorf("%s: polarity %d came back as %d", p.Name, polarity, got.Polarity)
			}
		}
		for _, muted := range []bool{true, false} {
			if got := carry(t, p, Mute, engine.Setting{Output: 8, Muted: muted}); got.Muted != muted {
				t.Errorf("%s: muted %t came back as %t", p.Name, muted, got.Muted)
			}
		}
	}
}

// Bytes worked out by hand: 4.21 and -7.8 as IEEE 754 single precision are
// 4086b852 and c0f9999a, 4.21 ms at 48 kHz is 202.08 samples, 202 = ca.
func TestWriteBytes(t *testing.T) {
	set := engine.Setting{Output: 2, DelaySec: 0.00421, Polarity: -1, GainDB: -7.8, Muted: true}
	for _, c := range []struct {
		p         Profile
		param     Param
		text, hex string
	}{
		{plain(), Delay, "/out/2/delay ,f 4.21", "2f6f75742f322f64656c617900000000" + "2c660000" + "4086b852"},
		{plain(), Gain, "/out/2/gain ,f -7.8", "2f6f75742f322f6761696e00" + "2c660000" + "c0f9999a"},
		{plain(), Polarity, "/out/2/polarity ,i 1", "2f6f75742f322f706f6c617269747900" + "2c690000" + "00000001"},
		{samples(48000), Delay, "/out/2/delay ,i 202", "2f6f75742f322f64656c617900000000" + "2c690000" + "000000ca"},
		{samples(48000), Gain, "/out/2/gain ,i -78", "2f6f75742f322f6761696e00" + "2c690000" + "ffffffb2"},
		{samples(48000), Mute, "/out/2/mute ,T T", "2f6f75742f322f6d75746500" + "2c540000"},
		{samples(96000), Polarity, `/out/2/polarity ,s "turned"`, "2f6f75742f322f706f6c617269747900" + "2c730000" + "7475726e65640000"},
		{numbered(), Mute, `/mute ,sii "set" 2 1`, "2f6d757465000000" + "2c73696900000000" + "73657400" + "00000002" + "00000001"},
	} {
		m, err := c.p.Write(c.param, set)
		if err != nil || m.String() != c.text {
			t.Errorf("%s: got %s, %v, want %s", c.p.Name, m, err, c.text)
			continue
		}
		packet, err := osc.Encode(m)
		if err != nil || hex.EncodeToString(packet) != c.hex {
			t.Errorf("%s: got %x, %v, want %s", m, packet, err, c.hex)
		}
	}
}

func TestQuery(t *testing.T) {
	for _, c := range []struct {
		p    Profile
		want string
	}{{plain(), "/out/3/gain ,"}, {samples(48000), "/out/3/gain ,"}, {numbered(), `/gain ,si "get" 3`}} {
		if q := ask(t, c.p, Gain, 3); q.Message.String() != c.want {
			t.Errorf("%s: got %s, want %s", c.p.Name, q.Message, c.want)
		}
	}
}

func TestWriteRefuses(t *testing.T) {
	good := engine.Setting{Output: 1, Polarity: 1}
	for name, c := range map[string]struct {
		param Param
		spoil func(*engine.Setting)
		want  string
	}{
		"output 0":         {Mute, func(s *engine.Setting) { s.Output = 0 }, "output 0: the processor has outputs 1 to 8"},
		"output 9":         {Delay, func(s *engine.Setting) { s.Output = 9 }, "output 9: the processor has outputs 1 to 8"},
		"negative output":  {Gain, func(s *engine.Setting) { s.Output = -1 }, "output -1"},
		"too late":         {Delay, func(s *engine.Setting) { s.DelaySec = 0.65001 }, "output 1: delay of 650.01 ms is outside 0 to 650 ms"},
		"early":            {Delay, func(s *engine.Setting) { s.DelaySec = -1e-5 }, "delay of -0.01 ms is outside"},
		"far too late":     {Delay, func(s *engine.Setting) { s.DelaySec = 1e300 }, "is outside 0 to 650 ms"},
		"loud":             {Gain, func(s *engine.Setting) { s.GainDB = 6.1 }, "gain of 6.1 dB is outside -60 to 6 dB"},
		"soft":             {Gain, func(s *engine.Setting) { s.GainDB = -60.1 }, "gain of -60.1 dB is outside"},
		"NaN gain":         {Gain, func(s *engine.Setting) { s.GainDB = math.NaN() }, "gain of NaN dB is outside"},
		"NaN delay":        {Delay, func(s *engine.Setting) { s.DelaySec = math.NaN() }, "delay of NaN ms is outside"},
		"no limit":         {Gain, func(s *engine.Setting) { s.GainDB = math.Inf(1) }, "gain of +Inf dB is outside"},
		"silence":          {Gain, func(s *engine.Setting) { s.GainDB = math.Inf(-1) }, "gain of -Inf dB is outside"},
		"no polarity":      {Polarity, func(s *engine.Setting) { s.Polarity = 0 }, "polarity 0 is neither +1 nor -1"},
		"no parameter":     {Param(4), func(*engine.Setting) {}, "there is no parameter 4"},
		"negative of them": {Param(-1), func(*engine.Setting) {}, "there is no parameter -1"},
	} {
		for _, p := range profiles() {
			set := good
			c.spoil(&set)
			m, err := p.Write(c.param, set)
			if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), p.Name) {
				t.Errorf("%s, %s: got %s, %v, want an error with %q", name, p.Name, m, err, c.want)
			}
		}
	}
	for _, output := range []int{0, 9} {
		if q, err := plain().Ask(Delay, output, false, 0); err == nil {
			t.Errorf("query for output %d: %s", output, q.Message)
		}
	}
}

func TestAnswers(t *testing.T) {
	message := func(address string, args ...any) osc.Message { return osc.Message{Address: address, Args: args} }
	for name, c := range map[string]struct {
		p    Profile
		m    osc.Message
		want bool
	}{
		"right":                    {plain(), message("/out/1/delay", float32(5)), true},
		"more than asked":          {plain(), message("/out/1/delay", float32(5), "ms"), true},
		"wrong type is for Read":   {plain(), message("/out/1/delay", "5"), true},
		"D4 output 10 is not 1":    {plain(), message("/out/10/delay", float32(5)), false},
		"other output":             {plain(), message("/out/2/delay", float32(5)), false},
		"other parameter":          {plain(), message("/out/1/gain", float32(5)), false},
		"an echo of the query":     {plain(), message("/out/1/delay"), false},
		"numbered":                 {numbered(), message("/delay", int32(1), float32(5)), true},
		"numbered, other output":   {numbered(), message("/delay", int32(2), float32(5)), false},
		"numbered as float":        {numbered(), message("/delay", float32(1), float32(5)), false},
		"numbered as blob":         {numbered(), message("/delay", []byte{1}, float32(5)), false},
		"numbered, value missing":  {numbered(), message("/delay", int32(1)), false},
		"numbered, nothing at all": {numbered(), message("/delay"), false},
	} {
		if got := ask(t, c.p, Delay, 1).Answered(c.m); got != c.want {
			t.Errorf("%s: %s: got %t", name, c.m, got)
		}
	}
	for _, q := range []struct {
		param  Param
		output int
	}{{Delay, 9}, {Delay, 0}, {Param(9), 1}, {Param(-1), 1}} {
		if _, err := plain().Ask(q.param, q.output, false, 0); err == nil {
			t.Errorf("%s of output %d, which is not there, can be asked for", q.param, q.output)
		}
	}
}

func TestReadRefuses(t *testing.T) {
	for _, c := range []struct {
		p     Profile
		param Param
		arg   any
		want  string
	}{
		{plain(), Delay, int32(5), "delay is of type int32, want float32"},
		{plain(), Delay, 5.0, "delay is of type float64, want float32"},
		{plain(), Delay, "5", "delay is of type string, want float32"},
		{plain(), Delay, nil, "delay is of type nothing, want float32"},
		{plain(), Delay, []byte{5}, "delay is of type []uint8, want float32"},
		{plain(), Delay, float32(650.01), "delay of 650.01 ms is outside 0 to 650 ms"},
		{plain(), Delay, float32(-0.01), "is outside"},
		{plain(), Delay, float32(math.NaN()), "delay of NaN ms is outside"},
		{plain(), Gain, float32(math.Inf(1)), "gain of +Inf dB is outside"},
		{plain(), Gain, float32(math.Inf(-1)), "gain of -Inf dB is outside"},
		{plain(), Gain, float32(6.1), "gain of 6.1 dB is outside -60 to 6 dB"},
		{plain(), Polarity, int32(2), "polarity is 2, want 0 or 1"},
		{plain(), Polarity, int64(1), "polarity is of type int64, want int32"},
		{plain(), Polarity, true, "polarity is of type bool, want int32"},
		{plain(), Mute, float32(1), "mute is of type float32, want int32"},
		{samples(48000), Delay, float32(202), "delay is of type float32, want int32"},
		{samples(48000), Delay, int64(202), "delay is of type int64, want int32"},
		{samples(48000), Delay, int32(31201), "delay of 650.021 ms is outside"},
		{samples(48000), Delay, int32(math.MinInt32), "is outside"},
		{samples(48000), Polarity, "Turned", "polarity is Turned, want as is or turned"},
		{samples(48000), Mute, int32(1), "mute is of type int32, want bool"},
	} {
		into := engine.Setting{Output: 3, DelaySec: 1, Polarity: 1, GainDB: 2, Muted: true}
		before := into
		m := osc.Message{Address: "/x", Args: []any{c.arg}}
		err := ask(t, c.p, c.param, 3).Read(m, &into)
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "reply /x ,") {
			t.Errorf("%s: got %v, want an error with %q", m, err, c.want)
		}
		if into != before {
			t.Errorf("%s: was refused, and yet left %v", m, into)
		}
	}
	var into engine.Setting
	if err := ask(t, plain(), Delay, 1).Read(osc.Message{Address: "/x"}, &into); err == nil || !strings.Contains(err.Error(), "the value is not in it") {
		t.Errorf("no argument: %v", err)
	}
}

// What a processor says between two grid values is shown and kept as it is.
func TestReadKeepsWhatItIsTold(t *testing.T) {
	into := engine.Setting{Output: 3, Polarity: -1, Muted: true}
	if err := ask(t, plain(), Delay, 3).Read(osc.Message{Args: []any{float32(4.2137)}}, &into); err != nil {
		t.Fatal(err)
	}
	want := engine.Setting{Output: 3, DelaySec: float64(float32(4.2137)) / 1000, Polarity: -1, Muted: true}
	if into != want {
		t.Errorf("got %v, want %v", into, want)
	}
}

func TestSame(t *testing.T) {
	a := engine.Setting{Output: 1, DelaySec: 0.00421, Polarity: 1, GainDB: -7.8}
	for _, c := range []struct {
		param Param
		b     engine.Setting
		want  bool
	}{
		{Delay, engine.Setting{DelaySec: 0.0042149}, true},
		{Delay, engine.Setting{DelaySec: 0.0042151}, false},
		{Delay, engine.Setting{DelaySec: math.NaN()}, false},
		{Gain, engine.Setting{GainDB: -7.8499}, true},
		{Gain, engine.Setting{GainDB: -7.8501}, false},
		{Polarity, engine.Setting{Polarity: 1}, true},
		{Polarity, engine.Setting{Polarity: -1}, false},
		{Mute, engine.Setting{}, true},
		{Mute, engine.Setting{Muted: true}, false},
		{Param(4), a, false},
	} {
		if got := plain().Same(c.param, a, c.b); got != c.want {
			t.Errorf("%s of %v and %v: got %t", c.param, a, c.b, got)
		}
		if got := plain().Same(c.param, c.b, a); got != c.want {
			t.Errorf("%s of %v and %v: got %t", c.param, c.b, a, got)
		}
	}
}

func TestSnap(t *testing.T) {
	got := plain().Snap(engine.Setting{Output: 3, DelaySec: 0.004213, Polarity: -1, GainDB: -7.77, Muted: true})
	want := engine.Setting{Output: 3, DelaySec: 0.00421, Polarity: -1, GainDB: -7.8, Muted: true}
	if math.Abs(got.DelaySec-want.DelaySec) > 1e-12 || math.Abs(got.GainDB-want.GainDB) > 1e-12 {
		t.Errorf("got %v, want %v", got, want)
	}
	got.DelaySec, got.GainDB = want.DelaySec, want.GainDB
	if got != want {
		t.Errorf("the rest changed: got %v, want %v", got, want)
	}
	if got := samples(48000).Snap(engine.Setting{DelaySec: 0.00421}); math.Abs(got.DelaySec-202.0/48000) > 1e-12 {
		t.Errorf("samples: got %v", got)
	}
	if got := plain().Snap(engine.Setting{DelaySec: 0.650004, GainDB: 6.04}); got.DelaySec != 0.65 || got.GainDB != 6 {
		t.Errorf("just past the end: got %v", got)
	}
	for _, out := range []engine.Setting{{DelaySec: 0.7}, {DelaySec: -1}, {GainDB: 12}, {GainDB: -80}} {
		got := plain().Snap(out)
		if got.DelaySec != out.DelaySec || math.Abs(got.GainDB-out.GainDB) > 1e-12 {
			t.Errorf("%v was moved into the range: %v", out, got)
		}
	}
}

func TestWords(t *testing.T) {
	set := engine.Setting{DelaySec: 0.00421, Polarity: -1, GainDB: -7.8, Muted: true}
	zero := engine.Setting{Polarity: 1, GainDB: -0.04}
	for _, c := range []struct {
		p     Profile
		param Param
		set   engine.Setting
		want  string
	}{
		{plain(), Delay, set, "4.21 ms"},
		{plain(), Delay, engine.Setting{DelaySec: float64(float32(4.21)) / 1000}, "4.21 ms"},
		{plain(), Delay, zero, "0.00 ms"},
		{samples(48000), Delay, engine.Setting{DelaySec: 202.0 / 48000}, "4.21 ms"},
		{plain(), Polarity, set, "reversed"},
		{plain(), Polarity, zero, "normal"},
		{plain(), Polarity, engine.Setting{}, "0, neither normal nor reversed"},
		{plain(), Gain, set, "-7.8 dB"},
		{plain(), Gain, zero, "0.0 dB"},
		{plain(), Mute, set, "muted"},
		{plain(), Mute, zero, "open"},
		{plain(), Param(5), zero, "parameter 5"},
	} {
		if got := c.p.Words(c.param, c.set); got != c.want {
			t.Errorf("%s: %s of %v: got %q, want %q", c.p.Name, c.param, c.set, got, c.want)
		}
	}
}

// The places after the point follow from the step.
func TestWordsFollowTheGrid(t *testing.T) {
	for _, c := range []struct {
		first, step float64
		want        string
	}{
		{0, 1, "3"}, {0, 0.5, "3.1"}, {0, 0.25, "3.13"}, {0, 0.1, "3.1"}, {0.05, 0.1, "3.13"},
		{0, 0.01, "3.13"}, {0, 0.001, "3.126"}, {0, 1.0 / 48, "3.13"}, {0, 1.0 / 96, "3.13"},
		{0, 1.0 / 192, "3.126"}, {0, 10, "3"}, {0, 0, "3.126000000"}, {0, math.NaN(), "3"},
	} {
		if got := decimal(engine.Grid{Min: c.first, Step: c.step}, 3.126, 1); got != c.want {
			t.Errorf("from %v in steps of %v: got %s, want %s", c.first, c.step, got, c.want)
		}
	}
}

// No two neighbours on a grid may read the same, else a dry run could show a
// change as none.
func TestWordsTellNeighboursApart(t *testing.T) {
	for _, p := range profiles() {
		for _, param := range []Param{Delay, Gain} {
			g, last := p.Parameters[param].Code.Grid, ""
			for k := range int(math.Round((g.Max-g.Min)/g.Step)) + 1 {
				var set engine.Setting
				*field(param, &set) = g.Min + float64(k)*g.Step
				words := p.Words(param, set)
				if words == last {
					t.Fatalf("%s: two values of %s read %s", p.Name, param, words)
				}
				last = words
			}
		}
	}
}

func TestParamString(t *testing.T) {
	if got := fmt.Sprint(Params); got != "[delay polarity gain mute]" {
		t.Errorf("got %s", got)
	}
}
