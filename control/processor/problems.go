package processor

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"hushback/control/osc"
	"hushback/engine"
)

// Problems lists what keeps the profile from being used, all of it at once;
// none of the other methods is to be trusted before it comes back empty. A
// path is the way to the value through the types above, in lower case with
// words joined by "_": "parameters.delay.write.args[1]", "outputs",
// "parameters.gain.code.grid.step", "parameters.mute.code.on". A missing
// value's path is that of the value, though the file has nothing there.
func (p Profile) Problems() []engine.Problem {
	var l list
	if p.Name == "" {
		l.add("name", "nothing", "a name that site files can give")
	}
	if p.Outputs < 1 {
		l.add("outputs", fmt.Sprint(p.Outputs), "at least 1")
	}
	if p.Gap < 0 {
		l.add("gap", p.Gap.String(), "0 or more")
	}
	if p.Timeout <= p.Gap || p.Timeout <= 0 {
		l.add("timeout", p.Timeout.String(), "more than 0 and more than the gap, which is part of it")
	}
	if p.Tries < 1 {
		l.add("tries", fmt.Sprint(p.Tries), "at least 1")
	}
	for _, param := range Params {
		path := "parameters." + param.String()
		spelling := p.Parameters[param]
		l.template(path+".write", spelling.Write, 1)
		l.template(path+".query", spelling.Query, 0)
		l.reply(path+".reply", spelling.Reply)
		if param == Delay || param == Gain {
			l.number(path+".code", spelling.Code, param)
		} else {
			l.twoWay(path+".code", spelling.Code)
		}
	}
	p.shared(&l)
	return l.problems
}

// shared finds parameters that the processor could not tell apart.
func (p Profile) shared(l *list) {
	for i, a := range Params {
		for _, b := range Params[i+1:] {
			x, y := p.Parameters[a], p.Parameters[b]
			path, got, want := "parameters."+b.String(), "the same as for "+a.String(), "one of its own"
			if x.Write.Address != "" && sameTemplate(x.Write, y.Write) {
				l.add(path+".write", got, want)
			}
			if x.Query.Address != "" && sameTemplate(x.Query, y.Query) {
				l.add(path+".query", got, want)
			}
			if x.Reply.Address != "" && x.Reply.Address == y.Reply.Address && x.Reply.Value == y.Reply.Value {
				l.add(path+".reply", got, want)
			}
		}
	}
}

func sameTemplate(a, b Template) bool {
	return a.Address == b.Address && slices.EqualFunc(a.Args, b.Args, func(x, y Arg) bool {
		if x.Kind != ArgLiteral || y.Kind != ArgLiteral {
			return x.Kind == y.Kind
		}
		return typeOf(x.Literal) != "" && typeOf(x.Literal) == typeOf(y.Literal) && x.Literal == y.Literal
	})
}

// list gathers problems.
type list struct{ problems []engine.Problem }

func (l *list) add(path, got, want string) {
	l.problems = append(l.problems, engine.Problem{Path: path, Got: got, Want: want})
}

// template checks a write, which has one value, or a query, which has none.
func (l *list) template(path string, t Template, values int) {
	l.address(path+".address", t.Address)
	count, named := 0, strings.Contains(t.Address, place)
	for i, arg := range t.Args {
		switch arg.Kind {
		case ArgValue:
			count++
		case ArgOutput:
			named = true
		case ArgLiteral:
			l.literal(fmt.Sprintf("%s.args[%d]", path, i), arg.Literal)
		default:
			l.add(fmt.Sprintf("%s.args[%d]", path, i), fmt.Sprintf("kind %d", arg.Kind), "a literal, the value or the output")
		}
	}
	if count != values {
		l.add(path+".args", fmt.Sprintf("%d value arguments", count), fmt.Sprintf("exactly %d", values))
	}
	if t.Address != "" && !named {
		l.add(path, "no output number", place+" in the address or the output as an argument")
	}
}

func (l *list) literal(path string, literal any) {
	if typeOf(literal) == "" {
		l.add(path, nameOf(literal), "int32, float32, string or bool")
		return
	}
	if _, err := osc.Encode(osc.Message{Address: "/", Args: []any{literal}}); err != nil {
		l.add(path, err.Error(), "an argument that can be sent")
	}
}

// address checks the address as it will be sent.
func (l *list) address(path, address string) {
	if address == "" {
		l.add(path, "nothing", "an address such as /out/"+place+"/delay")
		return
	}
	if _, err := osc.Encode(osc.Message{Address: fillAddress(address, 1)}); err != nil {
		l.add(path, err.Error(), "an address such as /out/"+place+"/delay")
	}
}

func (l *list) reply(path string, r Reply) {
	l.address(path+".address", r.Address)
	if r.Value < 0 {
		l.add(path+".value", fmt.Sprint(r.Value), "the index of an argument, from 0")
	}
	if r.Address == "" || strings.Contains(r.Address, place) {
		return
	}
	if r.Output < 0 || r.Output == r.Value {
		l.add(path+".output", fmt.Sprint(r.Output), "the index of the argument that names the output, from 0, as the address has no "+place)
	}
}

// number checks the code of delay or gain.
func (l *list) number(path string, c Code, param Param) {
	g := c.Grid
	if c.Type != Float32 && c.Type != Int32 {
		l.add(path+".type", fmt.Sprintf("%q", c.Type), "float32 or int32")
	}
	if !(c.PerUnit > 0) || math.IsInf(c.PerUnit, 0) {
		l.add(path+".per_unit", fmt.Sprint(c.PerUnit), "more than 0")
	}
	if !(g.Step > 0) || math.IsInf(g.Step, 0) {
		l.add(path+".grid.step", fmt.Sprint(g.Step), "more than 0")
	}
	if !(g.Min < g.Max) || math.IsInf(g.Max-g.Min, 0) {
		l.add(path+".grid.max", fmt.Sprint(g.Max), fmt.Sprintf("more than the minimum, %v", g.Min))
	}
	if param == Delay && g.Min < 0 {
		l.add(path+".grid.min", fmt.Sprint(g.Min), "0 or more, a delay cannot be negative")
	}
	for _, problem := range l.problems {
		if strings.HasPrefix(problem.Path, path) {
			return
		}
	}
	if want := c.misfit(); want != "" {
		l.add(path+".grid.step", fmt.Sprint(g.Step), want)
	}
}

// misfit says why the type cannot hold every value of the grid, "" if it can.
func (c Code) misfit() string {
	low, high, step := c.Grid.Min*c.PerUnit, c.Grid.Max*c.PerUnit, c.Grid.Step*c.PerUnit
	largest := math.Max(math.Abs(low), math.Abs(high))
	if c.Type == Float32 {
		// float32 has 24 significant bits, so it errs by at most 2^-24 of the value
		if largest > math.MaxFloat32 || largest*0x1p-24 >= step/4 {
			return "steps that a float32 can tell apart"
		}
		return ""
	}
	if !whole(low) || !whole(high) || !whole(step) || math.Round(step) < 1 {
		return "a grid of whole numbers for an int32, once times per_unit"
	}
	if largest > math.MaxInt32 {
		return "a range that fits into an int32, once times per_unit"
	}
	return ""
}

// twoWay checks the code of polarity or mute.
func (l *list) twoWay(path string, c Code) {
	if !slices.Contains([]Type{Float32, Int32, String, Bool}, c.Type) {
		l.add(path+".type", fmt.Sprintf("%q", c.Type), "float32, int32, string or bool")
		return
	}
	before := len(l.problems)
	for _, end := range []struct {
		path  string
		value any
	}{{path + ".off", c.Off}, {path + ".on", c.On}} {
		if typeOf(end.value) != c.Type {
			l.add(end.path, nameOf(end.value), string(c.Type))
		} else {
			l.literal(end.path, end.value)
		}
	}
	if len(l.problems) == before && c.Off == c.On {
		l.add(path+".on", fmt.Sprint(c.On), "something else than off")
	}
}
