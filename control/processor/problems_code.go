package processor

import (
	"fmt"
	"math"
	"slices"

	"hushback/engine"
)

// number checks the code of delay or gain.
func (l *list) number(path string, c Code, param Param) {
	g, before := c.Grid, len(l.problems)
	if !slices.Contains([]Type{Float32, Float64, Int32, Int64}, c.Type) {
		l.add(path+".type", fmt.Sprintf("%q", c.Type), "float32, float64, int32 or int64")
	}
	l.law(path, c, param)
	if !(g.Step > 0) || math.IsInf(g.Step, 0) {
		l.add(path+".grid.step", fmt.Sprint(g.Step), "more than 0")
	}
	if !(g.Min < g.Max) || math.IsInf(g.Max-g.Min, 0) {
		l.add(path+".grid.max", fmt.Sprint(g.Max), fmt.Sprintf("more than the minimum, %v", g.Min))
	}
	if param == Delay && g.Min < 0 {
		l.add(path+".grid.min", fmt.Sprint(g.Min), "0 or more, a delay cannot be negative")
	}
	if len(l.problems) > before {
		return
	}
	if want := c.misfit(); want != "" {
		l.add(path+".grid.step", fmt.Sprint(g.Step), want)
	}
}

func (l *list) law(path string, c Code, param Param) {
	switch {
	case c.Law == Amplitude && param != Gain:
		l.add(path+".law", "amplitude", "linear or table: only gains have amplitudes")
	case c.Law == Table:
		l.table(path+".table", c.Table, c.Grid)
	case c.Law != Linear && c.Law != Amplitude:
		l.add(path+".law", fmt.Sprintf("%q", c.Law), "linear, amplitude or table")
	case !(c.PerUnit > 0) || math.IsInf(c.PerUnit, 0):
		l.add(path+".per_unit", fmt.Sprint(c.PerUnit), "more than 0")
	case math.IsNaN(c.Offset) || math.IsInf(c.Offset, 0):
		l.add(path+".offset", fmt.Sprint(c.Offset), "a number")
	}
}

func (l *list) table(path string, points []Point, grid engine.Grid) {
	if len(points) < 2 {
		l.add(path, fmt.Sprintf("%d entries", len(points)), "two or more, each an argument and its value")
		return
	}
	for i, p := range points[1:] {
		if !(p.Arg > points[i].Arg && p.Value > points[i].Value) || math.IsInf(p.Arg-points[0].Arg+p.Value-points[0].Value, 0) {
			l.add(fmt.Sprintf("%s[%d]", path, i+1), fmt.Sprintf("%v after %v", p, points[i]), "entries that rise in both")
			return
		}
	}
	if last := points[len(points)-1]; !(grid.Min >= points[0].Value && grid.Max <= last.Value) {
		l.add(path, fmt.Sprintf("values from %v to %v", points[0].Value, last.Value), fmt.Sprintf("all of the range from %v to %v", grid.Min, grid.Max))
	}
}

// misfit says why the type cannot hold every value of the grid, "" if it can.
func (c Code) misfit() string {
	low, high := c.scale(c.Grid.Min), c.scale(c.Grid.Max)
	largest := math.Max(math.Abs(low), math.Abs(high))
	switch c.Type {
	case Float32, Float64:
		most, bits := math.MaxFloat32, 24
		if c.Type == Float64 {
			most, bits = math.MaxFloat64, 53
		}
		// a float errs by at most 2^-bits of the value
		if largest > most || !c.tellsApart(func(arg float64) float64 { return 2 * math.Abs(arg) * math.Ldexp(1, -bits) }) {
			return fmt.Sprintf("steps that a %s can tell apart", c.Type)
		}
		return ""
	case Int32, Int64:
		most := float64(math.MaxInt32)
		if c.Type == Int64 {
			most = maxWhole
		}
		if largest > most {
			return fmt.Sprintf("a range that fits into an %s, once times per_unit", c.Type)
		}
	}
	if c.Law != Linear {
		if !c.tellsApart(func(float64) float64 { return 0.5 }) {
			return fmt.Sprintf("steps that whole numbers can tell apart, in an %s", c.Type)
		}
		return ""
	}
	if step := c.Grid.Step * c.PerUnit; !whole(low) || !whole(high) || !whole(step) || math.Round(step) < 1 {
		return fmt.Sprintf("a grid of whole numbers for an %s, once times per_unit", c.Type)
	}
	return ""
}

// tellsApart reports whether an argument that is off by as much as its type may
// make it still stands for a value within half a step. Along a straight
// piece of a law it is enough to look at its ends; a bent one is looked at in a
// thousand places.
func (c Code) tellsApart(off func(arg float64) float64) bool {
	const places = 1000
	values := []float64{c.Grid.Min, c.Grid.Max}
	for _, p := range c.Table {
		values = append(values, p.Value-c.Grid.Step/8, p.Value+c.Grid.Step/8)
	}
	for i := range places {
		values = append(values, c.Grid.Min+(c.Grid.Max-c.Grid.Min)*float64(i)/places)
	}
	for _, v := range values {
		v = math.Max(c.Grid.Min, math.Min(c.Grid.Max, v))
		arg := c.scale(v)
		for _, side := range []float64{-1, 1} {
			if got := c.unscale(arg + side*off(arg)); !(math.Abs(got-v) < c.Grid.Step/2) && !math.IsNaN(got) {
				return false
			}
		}
	}
	return true
}

// twoWay checks the code of polarity or mute.
func (l *list) twoWay(path string, c Code) {
	if !slices.Contains([]Type{Float32, Float64, Int32, Int64, String, Bool}, c.Type) {
		l.add(path+".type", fmt.Sprintf("%q", c.Type), "float32, float64, int32, int64, string or bool")
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
