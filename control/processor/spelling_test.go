package processor

import (
	"encoding/hex"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

// prefixed has one address for everything: its arguments say what a message is
// about, and only a reply that begins with them answers.
func prefixed() Profile {
	p := plain()
	p.Name = "prefixed"
	p.Numbering = []Numbering{
		{Name: "node", Table: []string{"33", "34", "x", "40", "41", "42", "43", "44"}},
		{Name: "line", First: 0, Digits: 3},
		{Name: "strip", FirstLetter: 'A'},
	}
	p.Refusal = &Reply{Address: "/fault", Args: []Arg{{Kind: ArgCommand}, {Kind: ArgAny}, {Literal: int32(7)}}}
	node := Arg{Kind: ArgOutput, Numbering: "node"}
	for _, param := range Params {
		word := Arg{Literal: param.String()}
		spelling := &p.Parameters[param]
		spelling.Write = here("/put", word, node, valueArg, Arg{})
		spelling.Query = here("/take", word, node, Arg{Kind: ArgSequence})
		spelling.Reply = Reply(here("/taken", word, node, valueArg, Arg{Kind: ArgSequence}))
	}
	p.Label = &ReadBack{Query: here("/strip/{strip}/name"), Reply: Reply(here("/strip/{strip}/name", valueArg))}
	p.Parameters[Gain].InForce = &ReadBack{Query: here("/line/{line}/now"), Reply: Reply(here("/line/{line}/now", Arg{Kind: ArgAny}, valueArg))}
	return p
}

func TestPrefixedIsGood(t *testing.T) {
	if problems := prefixed().Problems(); len(problems) != 0 {
		t.Error(problems)
	}
}

func message(address string, args ...any) osc.Message {
	return osc.Message{Address: address, Args: args}
}

// Every kind of place, filled in; bytes worked out by hand.
func TestPlaces(t *testing.T) {
	p := prefixed()
	write, err := p.Write(Gain, engine.Setting{Output: 2, Polarity: 1, GainDB: -6})
	const want = "2f707574 00000000" + "2c736966 4e000000" + "6761696e 00000000" + "00000022" + "c0c00000"
	packet, encodeErr := osc.Encode(write)
	if err != nil || encodeErr != nil || hex.EncodeToString(packet) != strings.ReplaceAll(want, " ", "") {
		t.Errorf("got %x, %v, %v, want %s", packet, err, encodeErr, want)
	}
	for _, c := range []struct {
		q    Question
		want string
	}{
		{second(p.Ask(Gain, 3, false, 99)), `/take ,ssi "gain" "x" 99`},
		{second(p.Ask(Gain, 3, true, 99)), "/line/002/now ,"},
		{second(p.Ask(Delay, 8, false, -1)), `/take ,sii "delay" 44 -1`},
	} {
		if c.q.Message.String() != c.want {
			t.Errorf("got %s, want %s", c.q.Message, c.want)
		}
	}
	if q, ok := p.AskLabel(3, 0); !ok || q.Message.String() != "/strip/C/name ," {
		t.Errorf("label: %s, %t", q.Message, ok)
	}
}

func second(q Question, err error) Question {
	if err != nil {
		panic(err)
	}
	return q
}

func TestRepliesByTheirArguments(t *testing.T) {
	p := prefixed()
	q := second(p.Ask(Gain, 2, false, 5))
	for name, c := range map[string]struct {
		m    osc.Message
		want bool
	}{
		"right":                {message("/taken", "gain", int32(34), float32(-6), int32(5)), true},
		"and more":             {message("/taken", "gain", int32(34), float32(-6), int32(5), "x"), true},
		"of another parameter": {message("/taken", "delay", int32(34), float32(-6), int32(5)), false},
		"of another output":    {message("/taken", "gain", int32(33), float32(-6), int32(5)), false},
		"of an older question": {message("/taken", "gain", int32(34), float32(-6), int32(4)), false},
		"widened number":       {message("/taken", "gain", int64(34), float32(-6), int32(5)), false},
		"number as text":       {message("/taken", "gain", "34", float32(-6), int32(5)), false},
		"too short":            {message("/taken", "gain", int32(34), float32(-6)), false},
		"another address":      {message("/take", "gain", int32(34), float32(-6), int32(5)), false},
	} {
		if got := q.Answered(c.m); got != c.want {
			t.Errorf("%s: %s: %t", name, c.m, got)
		}
	}
	var set engine.Setting
	if err := q.Read(message("/taken", "gain", int32(34), float32(-6), int32(5)), &set); err != nil || set.GainDB != -6 {
		t.Errorf("read %v, %v", set, err)
	}
	now := second(p.Ask(Gain, 1, true, 5))
	if m := message("/line/000/now", nil, float32(-9)); !now.Answered(m) || now.Read(m, &set) != nil || set.GainDB != -9 {
		t.Errorf("in force: %v", set)
	}
	if !p.Sequenced(Gain, false) || p.Sequenced(Gain, true) || plain().Sequenced(Gain, false) {
		t.Error("which answers repeat a number is told wrongly")
	}
	if _, err := p.Ask(Delay, 1, true, 0); err == nil || !strings.Contains(err.Error(), "delay in force cannot be asked") {
		t.Errorf("in force of what has none: %v", err)
	}
}

func TestLabels(t *testing.T) {
	q, _ := prefixed().AskLabel(1, 0)
	if text, err := q.Text(message("/strip/A/name", "rear sub")); err != nil || text != "rear sub" {
		t.Errorf("%q, %v", text, err)
	}
	if text, err := q.Text(message("/strip/A/name", int32(1))); err == nil || !strings.Contains(err.Error(), "want string") {
		t.Errorf("%q, %v", text, err)
	}
	for _, output := range []int{0, 9} {
		if _, ok := prefixed().AskLabel(output, 0); ok {
			t.Errorf("output %d has a label", output)
		}
	}
	if _, ok := plain().AskLabel(1, 0); ok {
		t.Error("a processor without labels has one")
	}
}

func TestRefusals(t *testing.T) {
	q := second(prefixed().Ask(Gain, 2, false, 5))
	for name, c := range map[string]struct {
		m    osc.Message
		why  string
		want bool
	}{
		"of the question":   {message("/fault", "/take", "no such node", int32(7)), "no such node", true},
		"of the write":      {message("/fault", "/put", "out of range", int32(7), "more"), "out of range", true},
		"of something else": {message("/fault", "/gone", "no such node", int32(7)), "", false},
		"another kind":      {message("/fault", "/take", "no such node", int32(8)), "", false},
		"command no text":   {message("/fault", int32(1), "no such node", int32(7)), "", false},
		"too short":         {message("/fault", "/take"), "", false},
		"another address":   {message("/taken", "/take", "no such node", int32(7)), "", false},
	} {
		if why, yes := q.Refused(c.m); yes != c.want || why != c.why {
			t.Errorf("%s: %q, %t", name, why, yes)
		}
	}
	if _, yes := second(plain().Ask(Gain, 1, false, 0)).Refused(message("/fault", "/out/1/gain")); yes {
		t.Error("a processor that never refuses refused")
	}
}

// Laws against their closed forms: -6.0206 dB is half the amplitude, and a table
// is read off a drawing.
func TestLaws(t *testing.T) {
	grid := engine.Grid{Min: -60, Max: 6, Step: 0.1}
	for name, c := range map[string]struct {
		code Code
		db   float64
		want any
	}{
		"amplitude":      {Code{Type: Float64, Law: Amplitude, PerUnit: 1, Grid: grid}, -20, 0.1},
		"half amplitude": {Code{Type: Float64, Law: Amplitude, PerUnit: 2, Grid: grid}, 20 * math.Log10(0.5), 1.0},
		"offset":         {Code{Type: Int32, PerUnit: 10, Offset: 600, Grid: grid}, -7.8, int32(522)},
		"table, between": {Code{Type: Float64, Law: Table, Table: []Point{{0, -60}, {0.5, -20}, {0.75, 0}, {1, 6}}, Grid: grid}, -10, 0.625},
		"table, entry":   {Code{Type: Float64, Law: Table, Table: []Point{{0, -60}, {0.5, -20}, {0.75, 0}, {1, 6}}, Grid: grid}, -20, 0.5},
		"table, whole":   {Code{Type: Int64, Law: Table, Table: []Point{{0, -60}, {66000, 6}}, Grid: grid}, 0, int64(60000)},
	} {
		p := plain()
		p.Parameters[Gain].Code = c.code
		if problems := p.Problems(); len(problems) != 0 {
			t.Errorf("%s: %v", name, problems)
		}
		m, err := p.Write(Gain, engine.Setting{Output: 1, Polarity: 1, GainDB: c.db})
		if err != nil || !nearly(m.Args[0], c.want) {
			t.Errorf("%s: %v dB is %v, %v, want %v", name, c.db, m.Args, err, c.want)
		}
	}
}

func nearly(a, b any) bool {
	x, isFloat := a.(float64)
	y, too := b.(float64)
	if isFloat && too {
		return math.Abs(x-y) < 1e-12
	}
	return a == b
}

// A law that is accepted gives every value back within half a step; one whose
// type is too coarse for it is refused. Seeded, over laws of all kinds.
func TestWhatIsAcceptedComesBack(t *testing.T) {
	const seed = 30
	r := rand.New(rand.NewPCG(seed, 0))
	accepted, refused := 0, 0
	for range 600 {
		code := Code{
			Type: []Type{Float32, Float64, Int32, Int64}[r.IntN(4)],
			Law:  []Law{Linear, Amplitude, Table}[r.IntN(3)],
			Grid: engine.Grid{Min: -float64(1 + r.IntN(90)), Max: float64(r.IntN(13)), Step: []float64{1, 0.5, 0.1, 0.01, 0.001}[r.IntN(5)]},
		}
		code.PerUnit = math.Pow(10, float64(r.IntN(7)))
		code.Offset = float64(r.IntN(3) * 100)
		if code.Law == Table {
			arg := 0.0
			for v := code.Grid.Min; v < code.Grid.Max+20; v += 1 + float64(r.IntN(30)) {
				code.Table = append(code.Table, Point{arg, v})
				arg += math.Pow(10, float64(r.IntN(5)-1))
			}
		}
		p := plain()
		p.Parameters[Gain].Code = code
		if len(p.Problems()) != 0 {
			refused++
			continue
		}
		accepted++
		for range 50 {
			set := p.Snap(engine.Setting{Output: 1, Polarity: 1, GainDB: code.Grid.Min + r.Float64()*(code.Grid.Max-code.Grid.Min)})
			got := carry(t, p, Gain, set)
			if math.Abs(got.GainDB-set.GainDB) > code.Grid.Step/2 {
				t.Fatalf("seed %d: %+v: %v came back as %v", seed, code, set.GainDB, got.GainDB)
			}
		}
	}
	if accepted < 100 || refused < 100 {
		t.Errorf("%d laws were accepted and %d refused; the test shows little", accepted, refused)
	}
}

// Without a mute the lowest gain stands for it.
func TestWithoutMute(t *testing.T) {
	p := plain()
	p.Parameters[Mute] = Parameter{}
	if problems := p.Problems(); len(problems) != 0 || p.HasMute() || slices.Contains(p.Params(), Mute) {
		t.Fatalf("%v; has mute %t", problems, p.HasMute())
	}
	for _, c := range []struct {
		set  engine.Setting
		want float32
	}{
		{engine.Setting{Output: 1, GainDB: -7.8, Muted: true}, -60},
		{engine.Setting{Output: 1, GainDB: -7.8}, -7.8},
	} {
		m, err := p.Write(Mute, c.set)
		if err != nil || m.Address != "/out/1/gain" || m.Args[0] != c.want {
			t.Errorf("%+v is written as %s, %v", c.set, m, err)
		}
		var got engine.Setting
		if err := ask(t, p, Gain, 1).Read(message("/out/1/gain", c.want), &got); err != nil || got.Muted != c.set.Muted {
			t.Errorf("%v dB is read as %+v, %v", c.want, got, err)
		}
	}
}

// A blind processor is written to and never asked.
func TestBlind(t *testing.T) {
	p := plain()
	p.Blind = true
	for i := range p.Parameters {
		p.Parameters[i].ReadBack = ReadBack{}
	}
	if problems := p.Problems(); len(problems) != 0 {
		t.Fatal(problems)
	}
	if q, err := p.Ask(Gain, 1, false, 0); err == nil || !strings.Contains(err.Error(), "cannot be asked") {
		t.Errorf("asked %s, %v", q.Message, err)
	}
	if m, err := p.Write(Gain, engine.Setting{Output: 1}); err != nil {
		t.Errorf("%s, %v", m, err)
	}
}

func TestOptions(t *testing.T) {
	p := plain()
	p.Transport, p.Burst, p.Bundle = osc.TCPLength, 3, 4
	p.Renew = []Renewal{{Message: here("/on", Arg{Literal: int32(1)}, Arg{}), Every: time.Second}}
	o := p.Options()
	if got := fmt.Sprintf("%+v", o); got != "{Transport:tcp-length Gap:2ms Burst:3 ReplyPort:0 Bundle:4 Renew:[{Message:/on ,iN 1 nil Every:1s}]}" {
		t.Errorf("got %s", got)
	}
}

func TestCommon(t *testing.T) {
	a, b := plain(), samples(48000)
	b.Parameters[Gain].Code.Grid = engine.Grid{Min: -40, Max: 12, Step: 0.5}
	want := engine.Ranges{DelaySec: engine.Grid{Max: 0.65, Step: 1. / 48000}, GainDB: engine.Grid{Min: -40, Max: 6, Step: 0.5}}
	if got := Common([]Profile{a, b}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got := Common([]Profile{a}); got != a.Ranges() {
		t.Errorf("of one: %+v", got)
	}
}
