package processor

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"hushback/control/osc"
	"hushback/engine"
)

func TestGoodProfilesHaveNoProblems(t *testing.T) {
	for _, p := range profiles() {
		if problems := p.Problems(); len(problems) != 0 {
			t.Errorf("%s: %v", p.Name, problems)
		}
	}
}

// Each defect alone, put into a good profile, must give exactly one problem
// at the right place.
func TestProblems(t *testing.T) {
	for name, c := range map[string]struct {
		spoil     func(*Profile)
		path      string
		got, want string // parts of the phrases
	}{
		"no name":            {func(p *Profile) { p.Name = "" }, "name", "nothing", "a name"},
		"no outputs":         {func(p *Profile) { p.Outputs = 0 }, "outputs", "0", "1 to 1024"},
		"negative gap":       {func(p *Profile) { p.Gap = -time.Second }, "gap", "-1s", "0 or more"},
		"no timeout":         {func(p *Profile) { p.Timeout, p.Gap = 0, 0 }, "timeout", "0s", "more than 0"},
		"gap eats timeout":   {func(p *Profile) { p.Gap = p.Timeout }, "timeout", "150ms", "more than the gap"},
		"no tries":           {func(p *Profile) { p.Tries = 0 }, "tries", "0", "at least 1"},
		"no write address":   {func(p *Profile) { p.Parameters[Delay].Write.Address = "" }, "parameters.delay.write.address", "nothing", "/out/{output}/delay"},
		"no query address":   {func(p *Profile) { p.Parameters[Gain].Query.Address = "" }, "parameters.gain.query.address", "nothing", "an address"},
		"no reply address":   {func(p *Profile) { p.Parameters[Mute].Reply.Address = "" }, "parameters.mute.reply.address", "nothing", "an address"},
		"address unslashed":  {func(p *Profile) { p.Parameters[Delay].Write.Address = "out/{output}" }, "parameters.delay.write.address", "slash", "an address"},
		"place misspelt":     {func(p *Profile) { p.Parameters[Delay].Reply.Address = "/{output}/{out}" }, "parameters.delay.reply.address", "{out}", "a numbering that the profile has"},
		"address too long":   {func(p *Profile) { p.Parameters[Delay].Query.Address += strings.Repeat("x", 5000) }, "parameters.delay.query.address", "at most 4096", "an address"},
		"no value":           {func(p *Profile) { p.Parameters[Delay].Write.Args = nil }, "parameters.delay.write.args", "0 value arguments", "exactly 1"},
		"two values":         {func(p *Profile) { p.Parameters[Delay].Write.Args = []Arg{valueArg, valueArg} }, "parameters.delay.write.args", "2 value arguments", "exactly 1"},
		"value in a query":   {func(p *Profile) { p.Parameters[Gain].Query.Args = []Arg{valueArg} }, "parameters.gain.query.args", "1 value arguments", "exactly 0"},
		"write to nobody":    {func(p *Profile) { p.Parameters[Gain].Write.Address = "/gain" }, "parameters.gain.write", "no output number", "{output}"},
		"query to nobody":    {func(p *Profile) { p.Parameters[Gain].Query.Address = "/gain" }, "parameters.gain.query", "no output number", "{output}"},
		"reply from nobody":  {func(p *Profile) { p.Parameters[Gain].Reply.Address = "/gain" }, "parameters.gain.reply", "no output number", "{output}"},
		"reply of nothing":   {func(p *Profile) { p.Parameters[Gain].Reply.Args = []Arg{{Kind: ArgAny}} }, "parameters.gain.reply.args", "0 value arguments", "exactly 1"},
		"command in a reply": {func(p *Profile) { p.Parameters[Gain].Reply.Args = []Arg{valueArg, {Kind: ArgCommand}} }, "parameters.gain.reply.args[1]", "command", "a reply can have"},
		"any in a write":     {func(p *Profile) { p.Parameters[Gain].Write.Args = []Arg{valueArg, {Kind: ArgAny}} }, "parameters.gain.write.args[1]", "any", "a write can have"},
		"number not asked":   {func(p *Profile) { p.Parameters[Gain].Reply.Args = []Arg{{Kind: ArgSequence}, valueArg} }, "parameters.gain.query.args", "no sequence", "repeats it"},
		"too many outputs":   {func(p *Profile) { p.Outputs = 1025 }, "outputs", "1025", "1 to 1024"},
		"unknown transport":  {func(p *Profile) { p.Transport = "serial" }, "transport", `"serial"`, "udp, tcp-length or tcp-slip"},
		"port out of range":  {func(p *Profile) { p.ReplyPort = 65536 }, "reply_port", "65536", "1 to 65535"},
		"port over TCP":      {func(p *Profile) { p.Transport, p.ReplyPort = osc.TCPSLIP, 9 }, "reply_port", "9", "none"},
		"negative burst":     {func(p *Profile) { p.Burst = -1 }, "burst", "-1", "0 or more"},
		"negative bundle":    {func(p *Profile) { p.Bundle = -1 }, "bundle", "-1", "0 or more"},
		"never late":         {func(p *Profile) { p.Late = 0 }, "late", "0s", "at least the timeout, 150ms"},
		"no ramp":            {func(p *Profile) { p.Ramp.StepDB = 0 }, "ramp.step", "0 dB", "more than 0"},
		"NaN ramp":           {func(p *Profile) { p.Ramp.StepDB = math.NaN() }, "ramp.step", "NaN dB", "more than 0"},
		"ramp backwards":     {func(p *Profile) { p.Ramp.Every = -1 }, "ramp.every", "-1ns", "0 or more"},
		"nameless numbering": {func(p *Profile) { p.Numbering = []Numbering{{}} }, "numbering[0].name", `""`, "a word of its own"},
		"letters run out":    {func(p *Profile) { p.Outputs, p.Numbering = 27, []Numbering{{Name: "x", FirstLetter: 'a'}} }, "numbering[0].first", "letters for 27", "at most 26"},
		"odd first letter":   {func(p *Profile) { p.Numbering = []Numbering{{Name: "x", FirstLetter: 'b'}} }, "numbering[0].first", "'b'", "a number, A or a"},
		"negative digits":    {func(p *Profile) { p.Numbering = []Numbering{{Name: "x", Digits: -1}} }, "numbering[0].digits", "-1", "0 to 9"},
		"numbers below 0":    {func(p *Profile) { p.Numbering = []Numbering{{Name: "x", First: -1}} }, "numbering[0].first", "-1", "0 or more"},
		"entry of a pattern": {func(p *Profile) { p.Outputs, p.Numbering = 1, []Numbering{{Name: "x", Table: []string{"a*"}}} }, "numbering[0].table[0]", `"a*"`, "stand in an address"},
		"entry of two parts": {func(p *Profile) { p.Outputs, p.Numbering = 1, []Numbering{{Name: "x", Table: []string{"a/b"}}} }, "numbering[0].table[0]", `"a/b"`, "stand in an address"},
		"label of no output": {func(p *Profile) {
			p.Label = &ReadBack{Query: here("/name"), Reply: Reply(here("/name/{output}", valueArg))}
		}, "parameters.label.query", "no output number", "{output}"},
		"refusal of what":    {func(p *Profile) { p.Refusal = &Reply{Address: "/error"} }, "refusal.args", "no command", "what was refused"},
		"renewed too often":  {func(p *Profile) { p.Renew = []Renewal{{Message: here("/on")}} }, "renew[0].every", "0s", "more than 0"},
		"renewed output":     {func(p *Profile) { p.Renew = []Renewal{{here("/on/{output}"), time.Second}} }, "renew[0].address", "/on/{output}", "without an output"},
		"amplitude of delay": {func(p *Profile) { p.Parameters[Delay].Code.Law = Amplitude }, "parameters.delay.code.law", "amplitude", "only gains"},
		"law unheard of":     {func(p *Profile) { p.Parameters[Gain].Code.Law = "cube" }, "parameters.gain.code.law", `"cube"`, "linear, amplitude or table"},
		"no offset":          {func(p *Profile) { p.Parameters[Gain].Code.Offset = math.Inf(1) }, "parameters.gain.code.offset", "+Inf", "a number"},
		"table of one":       {func(p *Profile) { p.Parameters[Gain].Code.Law, p.Parameters[Gain].Code.Table = Table, []Point{{0, 0}} }, "parameters.gain.code.table", "1 entries", "two or more"},
		"unknown argument":   {func(p *Profile) { p.Parameters[Mute].Query.Args = []Arg{{Kind: 7}} }, "parameters.mute.query.args[0]", "kind 7", "a literal"},
		"literal of no type": {func(p *Profile) { p.Parameters[Mute].Query.Args = []Arg{outputArg, {Literal: 3}} }, "parameters.mute.query.args[1]", "int", "int32"},
		"literal NaN":        {func(p *Profile) { p.Parameters[Mute].Query.Args = []Arg{{Literal: float32(math.NaN())}} }, "parameters.mute.query.args[0]", "not a finite", "can be sent"},
		"literal with a NUL": {func(p *Profile) { p.Parameters[Mute].Query.Args = []Arg{{Literal: "a\x00"}} }, "parameters.mute.query.args[0]", "NUL", "can be sent"},

		"delay of no type":     {func(p *Profile) { p.Parameters[Delay].Code.Type = "" }, "parameters.delay.code.type", `""`, "int32 or int64"},
		"delay as string":      {func(p *Profile) { p.Parameters[Delay].Code.Type = String }, "parameters.delay.code.type", `"string"`, "int32 or int64"},
		"no unit":              {func(p *Profile) { p.Parameters[Gain].Code.PerUnit = 0 }, "parameters.gain.code.per_unit", "0", "more than 0"},
		"NaN unit":             {func(p *Profile) { p.Parameters[Gain].Code.PerUnit = math.NaN() }, "parameters.gain.code.per_unit", "NaN", "more than 0"},
		"no step":              {func(p *Profile) { p.Parameters[Gain].Code.Grid.Step = 0 }, "parameters.gain.code.grid.step", "0", "more than 0"},
		"negative step":        {func(p *Profile) { p.Parameters[Gain].Code.Grid.Step = -1 }, "parameters.gain.code.grid.step", "-1", "more than 0"},
		"infinite step":        {func(p *Profile) { p.Parameters[Gain].Code.Grid.Step = math.Inf(1) }, "parameters.gain.code.grid.step", "+Inf", "more than 0"},
		"no range":             {func(p *Profile) { p.Parameters[Gain].Code.Grid.Max = -60 }, "parameters.gain.code.grid.max", "-60", "more than the minimum, -60"},
		"NaN range":            {func(p *Profile) { p.Parameters[Gain].Code.Grid.Max = math.NaN() }, "parameters.gain.code.grid.max", "NaN", "more than"},
		"endless range":        {func(p *Profile) { p.Parameters[Gain].Code.Grid.Max = math.Inf(1) }, "parameters.gain.code.grid.max", "+Inf", "more than"},
		"negative delay":       {func(p *Profile) { p.Parameters[Delay].Code.Grid.Min = -0.001 }, "parameters.delay.code.grid.min", "-0.001", "0 or more"},
		"too fine for float32": {func(p *Profile) { p.Parameters[Delay].Code.Grid.Step = 1e-8 }, "parameters.delay.code.grid.step", "1e-08", "float32 can tell apart"},
		"too far for float32": {func(p *Profile) {
			p.Parameters[Delay].Code = Code{Type: Float32, PerUnit: 1e40, Grid: engine.Grid{Max: 1, Step: 0.1}}
		}, "parameters.delay.code.grid.step", "0.1", "float32 can tell apart"},
		"int32 between steps": {func(p *Profile) { p.Parameters[Gain].Code.Type = Int32 }, "parameters.gain.code.grid.step", "0.1", "whole numbers"},
		"int32 off the unit": {func(p *Profile) {
			p.Parameters[Gain].Code = Code{Type: Int32, PerUnit: 1, Grid: engine.Grid{Min: -0.5, Max: 6, Step: 1}}
		}, "parameters.gain.code.grid.step", "1", "whole numbers"},
		"too far for int32": {func(p *Profile) {
			p.Parameters[Delay].Code = Code{Type: Int32, PerUnit: 1e10, Grid: engine.Grid{Max: 1, Step: 0.1}}
		}, "parameters.delay.code.grid.step", "0.1", "fits into an int32"},

		"mute of no type":   {func(p *Profile) { p.Parameters[Mute].Code.Type = "number" }, "parameters.mute.code.type", `"number"`, "int64, string or bool"},
		"off of other type": {func(p *Profile) { p.Parameters[Mute].Code.Off = false }, "parameters.mute.code.off", "bool", "int32"},
		"on of other type":  {func(p *Profile) { p.Parameters[Mute].Code.On = float32(1) }, "parameters.mute.code.on", "float32", "int32"},
		"no on":             {func(p *Profile) { p.Parameters[Polarity].Code.On = nil }, "parameters.polarity.code.on", "nothing", "int32"},
		"on is off":         {func(p *Profile) { p.Parameters[Polarity].Code.On = int32(0) }, "parameters.polarity.code.on", "0", "something else than off"},
		"on cannot be sent": {func(p *Profile) { p.Parameters[Mute].Code = Code{Type: String, Off: "off", On: "\xff"} }, "parameters.mute.code.on", "UTF-8", "can be sent"},
		"on is a blob":      {func(p *Profile) { p.Parameters[Mute].Code.On = []byte{1} }, "parameters.mute.code.on", "[]uint8", "int32"},
		"same write":        {func(p *Profile) { p.Parameters[Mute].Write = p.Parameters[Polarity].Write }, "parameters.mute.write", "the same as for polarity", "one of its own"},
		"same query":        {func(p *Profile) { p.Parameters[Gain].Query = p.Parameters[Delay].Query }, "parameters.gain.query", "the same as for delay", "one of its own"},
		"same reply":        {func(p *Profile) { p.Parameters[Mute].Reply = p.Parameters[Gain].Reply }, "parameters.mute.reply", "the same as for gain", "one of its own"},
		"same with literals": {func(p *Profile) {
			p.Parameters[Mute].Query, p.Parameters[Gain].Query = withLiteral("a"), withLiteral("a")
		}, "parameters.mute.query", "the same as for gain", "one of its own"},
	} {
		t.Run(name, func(t *testing.T) {
			p := plain()
			c.spoil(&p)
			problems := p.Problems()
			if len(problems) != 1 {
				t.Fatalf("got %v, want one problem", problems)
			}
			got := problems[0]
			if got.Path != c.path || !strings.Contains(got.Got, c.got) || !strings.Contains(got.Want, c.want) {
				t.Errorf("got %v, want %s: got ...%s..., want ...%s...", got, c.path, c.got, c.want)
			}
		})
	}
}

func withLiteral(literal any) Template {
	return here("/get", outputArg, Arg{Literal: literal})
}

// Queries that differ in a literal alone, or replies in one place of a dump,
// can be told apart.
func TestWhatIsNoProblem(t *testing.T) {
	p := plain()
	p.Parameters[Mute].Query, p.Parameters[Gain].Query = withLiteral("mute"), withLiteral("gain")
	p.Parameters[Delay].Query, p.Parameters[Polarity].Query = withLiteral(int32(1)), withLiteral(float32(1))
	p.Parameters[Mute].Reply = Reply(here("/out/{output}/all", valueArg, Arg{Kind: ArgAny}))
	p.Parameters[Gain].Reply = Reply(here("/out/{output}/all", Arg{Kind: ArgAny}, valueArg))
	p.Parameters[Mute].Query = p.Parameters[Gain].Query // answered with both at once
	p.Gap, p.Tries, p.Outputs = 0, 1, 1
	if problems := p.Problems(); len(problems) != 0 {
		t.Errorf("got %v", problems)
	}
}

// All of it comes at once, and the profile that says nothing breaks nothing.
func TestEmptyProfile(t *testing.T) {
	var p Profile
	problems := p.Problems()
	var paths []string
	for _, problem := range problems {
		paths = append(paths, problem.Path)
		if problem.Got == "" || problem.Want == "" {
			t.Errorf("half a problem: %v", problem)
		}
	}
	for _, want := range []string{
		"name", "outputs", "timeout", "tries", "parameters.delay.write.address", "parameters.delay.query.address",
		"parameters.delay.reply.address", "parameters.delay.code.type", "parameters.delay.code.grid.step", "parameters.polarity.code.type",
	} {
		if !slices.Contains(paths, want) {
			t.Errorf("%s is not among %v", want, paths)
		}
	}
	p.Snap(engine.Setting{DelaySec: 1})
	for _, param := range Params {
		p.Words(param, engine.Setting{})
		p.Same(param, engine.Setting{}, engine.Setting{})
		if m, err := p.Write(param, engine.Setting{Output: 1, Polarity: 1}); err == nil {
			t.Errorf("an empty profile writes %s", m)
		}
	}
}
