package processor

import (
	"fmt"
	"math"
	"strconv"

	"hushback/engine"
)

// Same reports whether a and b are the same as far as this parameter can tell:
// delay and gain less than half a step apart, polarity and mute equal.
func (p Profile) Same(param Param, a, b engine.Setting) bool {
	switch param {
	case Delay:
		return p.Ranges().DelaySec.Same(a.DelaySec, b.DelaySec)
	case Polarity:
		return a.Polarity == b.Polarity
	case Gain:
		return p.Ranges().GainDB.Same(a.GainDB, b.GainDB)
	case Mute:
		return a.Muted == b.Muted
	}
	return false
}

// Snap moves delay and gain to the nearest value that the processor can be set
// to. A value outside the range stays as it is, for Write to refuse.
func (p Profile) Snap(set engine.Setting) engine.Setting {
	ranges := p.Ranges()
	set.DelaySec = snap(ranges.DelaySec, set.DelaySec)
	set.GainDB = snap(ranges.GainDB, set.GainDB)
	return set
}

func snap(g engine.Grid, v float64) float64 {
	if v < g.Min-g.Step/2 || v > g.Max+g.Step/2 {
		return v
	}
	return g.Nearest(v)
}

// Words is the value of one parameter for a person to read: "4.21 ms",
// "reversed", "-7.8 dB", "muted". It has as many decimals as it takes to tell
// the steps of the grid apart.
func (p Profile) Words(param Param, set engine.Setting) string {
	switch param {
	case Delay:
		return decimal(p.Ranges().DelaySec, set.DelaySec, 1000) + " ms"
	case Polarity:
		switch set.Polarity {
		case 1:
			return "normal"
		case -1:
			return "reversed"
		}
		return fmt.Sprintf("%d, neither normal nor reversed", set.Polarity)
	case Gain:
		return decimal(p.Ranges().GainDB, set.GainDB, 1) + " dB"
	case Mute:
		if set.Muted {
			return "muted"
		}
		return "open"
	}
	return param.String()
}

// decimal writes v·scale as precisely as g·scale needs.
func decimal(g engine.Grid, v, scale float64) string {
	n := decimals(g.Min*scale, g.Step*scale)
	s := strconv.FormatFloat(v*scale, 'f', n, 64)
	if zero := strconv.FormatFloat(0, 'f', n, 64); s == "-"+zero {
		return zero
	}
	return s
}

// decimals is how many places after the point write every value min + k·step
// exactly, up to four; a step like one sample at 48 kHz has no such number, and
// gets the fewest places whose unit is no larger than the step.
func decimals(first, step float64) int {
	for n, unit := 0, 1.0; n <= 4; n, unit = n+1, unit*10 {
		if whole(first*unit) && whole(step*unit) && math.Round(step*unit) > 0 {
			return n
		}
	}
	n := 0
	for unit := 1.0; n < 9 && unit > step; unit /= 10 {
		n++
	}
	return n
}

// whole allows for what float64 does to numbers like 0.01 s · 1000.
func whole(v float64) bool { return math.Abs(v-math.Round(v)) < 1e-6 }

// encode is the argument that stands for one parameter of set.
func (c Code) encode(param Param, set engine.Setting) (any, error) {
	switch param {
	case Delay:
		return c.number(param, set.DelaySec)
	case Gain:
		return c.number(param, set.GainDB)
	case Mute:
		if set.Muted {
			return c.On, nil
		}
		return c.Off, nil
	}
	switch set.Polarity {
	case 1:
		return c.Off, nil
	case -1:
		return c.On, nil
	}
	return nil, fmt.Errorf("polarity %d is neither +1 nor -1", set.Polarity)
}

// number is v as an argument. The range is judged in the argument's own
// precision: 20.7 read from a float32 is a little more than 20.7, and must not
// fall out of a range that ends there.
func (c Code) number(param Param, v float64) (any, error) {
	scaled := c.scale(v)
	if !c.inRange(scaled) {
		return nil, c.outside(param, v)
	}
	switch c.Type {
	case Float32:
		return float32(scaled), nil
	case Float64:
		return scaled, nil
	case Int32:
		return int32(math.Round(scaled)), nil
	case Int64:
		return int64(math.Round(scaled)), nil
	}
	return nil, fmt.Errorf("%s: a %s cannot hold a number", param, c.Type)
}

// scale is the argument that stands for a value, before its type rounds it.
func (c Code) scale(v float64) float64 {
	switch c.Law {
	case Amplitude:
		return c.PerUnit * engine.Ratio(v)
	case Table:
		return between(v, c.Table, func(p Point) (float64, float64) { return p.Value, p.Arg })
	}
	return v*c.PerUnit + c.Offset
}

// unscale is the way back.
func (c Code) unscale(arg float64) float64 {
	switch c.Law {
	case Amplitude:
		return 20 * math.Log10(arg/c.PerUnit)
	case Table:
		return between(arg, c.Table, func(p Point) (float64, float64) { return p.Arg, p.Value })
	}
	return (arg - c.Offset) / c.PerUnit
}

// between goes straight from point to point, and straight on beyond the ends.
func between(x float64, points []Point, axes func(Point) (x, y float64)) float64 {
	i := 1
	for i < len(points)-1 {
		if end, _ := axes(points[i]); x <= end {
			break
		}
		i++
	}
	x0, y0 := axes(points[i-1])
	x1, y1 := axes(points[i])
	return y0 + (x-x0)/(x1-x0)*(y1-y0)
}

// inRange is false for NaN. A hair beyond an end, which rounding makes, is
// still the end.
func (c Code) inRange(scaled float64) bool {
	low, high := c.scale(c.Grid.Min), c.scale(c.Grid.Max)
	switch c.Type {
	case Int32, Int64:
		most := float64(math.MaxInt32)
		if c.Type == Int64 {
			most = maxWhole
		}
		// an end that is no whole number is also reached by rounding to one
		low, high = math.Min(low, math.Round(low)), math.Max(high, math.Round(high))
		return scaled >= math.Max(low, -most-1)-1e-6 && scaled <= math.Min(high, most)+1e-6
	case Float64:
		hair := 1e-9 * (high - low)
		return scaled >= low-hair && scaled <= high+hair
	}
	return float32(scaled) >= float32(low) && float32(scaled) <= float32(high)
}

// maxWhole is where float64, which values are reckoned in, stops telling whole
// numbers apart.
const maxWhole = 1 << 53

func (c Code) outside(param Param, v float64) error {
	scale, unit := 1.0, "dB"
	if param == Delay {
		scale, unit = 1000, "ms"
	}
	return fmt.Errorf("%s of %.6g %s is outside %.6g to %.6g %s", param, v*scale, unit, c.Grid.Min*scale, c.Grid.Max*scale, unit)
}

// decode puts an argument into the field of set that param names.
func (c Code) decode(param Param, arg any, set *engine.Setting) error {
	if got := typeOf(arg); got == "" || got != c.Type {
		return fmt.Errorf("%s is of type %s, want %s", param, nameOf(arg), c.Type)
	}
	if param == Polarity || param == Mute {
		return c.decodeSwitch(param, arg, set)
	}
	var scaled float64
	switch v := arg.(type) {
	case float32:
		scaled = float64(v)
	case float64:
		scaled = v
	case int32:
		scaled = float64(v)
	case int64:
		scaled = float64(v)
	default:
		return fmt.Errorf("%s: a %s cannot hold a number", param, c.Type)
	}
	if !c.inRange(scaled) {
		return c.outside(param, c.unscale(scaled))
	}
	if param == Delay {
		set.DelaySec = c.unscale(scaled)
	} else {
		set.GainDB = c.unscale(scaled)
	}
	return nil
}

func (c Code) decodeSwitch(param Param, arg any, set *engine.Setting) error {
	on := arg == c.On
	if !on && arg != c.Off {
		return fmt.Errorf("%s is %v, want %v or %v", param, arg, c.Off, c.On)
	}
	if param == Mute {
		set.Muted = on
		return nil
	}
	set.Polarity = 1
	if on {
		set.Polarity = -1
	}
	return nil
}

// nameOf is the type of any value, for a person to read.
func nameOf(v any) string {
	if v == nil {
		return "nothing"
	}
	return fmt.Sprintf("%T", v)
}

// typeOf is the Type of an argument, "" when no value may have it.
func typeOf(arg any) Type {
	switch arg.(type) {
	case float32:
		return Float32
	case float64:
		return Float64
	case int32:
		return Int32
	case int64:
		return Int64
	case string:
		return String
	case bool:
		return Bool
	}
	return ""
}
