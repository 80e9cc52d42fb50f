package paper

import (
	"image/color"
	"math"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Chart is two axes and what is drawn between them. It is our own, as the plotting
// library's carries twelve whole fonts about, a seventh of the program.
type Chart struct {
	X, Y   Axis
	layers []Layer
}

// Axis is what one of them shows.
type Axis struct {
	Min, Max float64 // Min < Max
	Log      bool    // over the logarithm, from above 0
	Label    string
	Marks    []Mark
}

// Mark is a value that an axis marks, with half a stroke where it has no label.
type Mark struct {
	Value float64
	Label string
}

// Layer draws inside the axes.
type Layer func(inside draw.Canvas, c *Chart)

// How an axis is drawn, in points.
const (
	strokeLong  = 3
	strokeWidth = 0.5
	underLabel  = 2 // between an axis' label and those of its marks
)

// along is how far along an axis a value lies, 0 at its beginning and 1 at its end.
func (a Axis) along(v float64) float64 {
	if a.Log {
		return math.Log(v/a.Min) / math.Log(a.Max/a.Min)
	}
	return (v - a.Min) / (a.Max - a.Min)
}

// Add has more drawn, over what was added before.
func (c *Chart) Add(layers ...Layer) { c.layers = append(c.layers, layers...) }

// Transforms lead from values to places inside the axes.
func (c *Chart) Transforms(inside *draw.Canvas) (across, up func(float64) vg.Length) {
	return func(v float64) vg.Length { return inside.X(c.X.along(v)) }, func(v float64) vg.Length { return inside.Y(c.Y.along(v)) }
}

// lettering is that of marks and labels, in black as the lines are.
func lettering(x text.XAlignment, y text.YAlignment) text.Style {
	s := Tinted(Aligned(Lettering(Small), x), color.Black)
	s.YAlign = y
	return s
}

// shares is what the labels of the marks take at most.
func (a Axis) shares() (wide, tall vg.Length) {
	s := lettering(draw.XLeft, draw.YBottom)
	for _, m := range a.Marks {
		if m.Label != "" {
			wide, tall = max(wide, s.Width(m.Label)), max(tall, s.Height(m.Label))
		}
	}
	return wide, tall
}

// margins are what the axes take at the left and below.
func (c *Chart) margins() (left, below vg.Length) {
	s := lettering(draw.XLeft, draw.YBottom)
	wide, _ := c.Y.shares()
	_, tall := c.X.shares()
	left, below = strokeWidth/2+strokeLong, strokeWidth/2+strokeLong+tall
	if wide > 0 {
		left += wide + s.Width(" ")
	}
	if c.Y.Label != "" {
		left += s.FontExtents().Descent + s.Height(c.Y.Label) + underLabel
	}
	if c.X.Label != "" {
		below += s.Height(c.X.Label) + underLabel
	}
	return left, below
}

// Inside is what the axes of a chart on a canvas leave for what they show: the last
// labels, which stand half beyond the ends, are on the canvas as well.
func (c *Chart) Inside(on draw.Canvas) draw.Canvas {
	left, below := c.margins()
	inside := draw.Crop(on, left, 0, below, 0)
	s := lettering(draw.XLeft, draw.YBottom)
	wide, tall := inside.Size().X, inside.Size().Y
	for _, m := range c.X.Marks {
		if at := vg.Length(c.X.along(m.Value)); at > 0 && at <= 1 {
			wide = min(wide, (inside.Size().X-s.Width(m.Label)/2)/at)
		}
	}
	for _, m := range c.Y.Marks {
		if at := vg.Length(c.Y.along(m.Value)); at > 0 && at <= 1 && m.Label != "" {
			tall = min(tall, (inside.Size().Y-s.Height(m.Label)/2)/at)
		}
	}
	inside.Max = vg.Point{X: inside.Min.X + wide, Y: inside.Min.Y + tall}
	return inside
}

// Draw draws a chart on white.
func (c *Chart) Draw(on draw.Canvas) {
	on.FillPolygon(color.White, Corners(on.Rectangle))
	inside := c.Inside(on)
	c.drawX(on, inside)
	c.drawY(on, inside)
	for _, layer := range c.layers {
		layer(inside, c)
	}
}

func axisLine() draw.LineStyle { return draw.LineStyle{Color: color.Black, Width: strokeWidth} }

// stroke is how much of a mark's stroke is left out.
func (m Mark) stroke() vg.Length {
	if m.Label == "" {
		return strokeLong / 2.
	}
	return 0
}

// drawX draws the axis below: the line, under it the marks, under them the label.
func (c *Chart) drawX(on, inside draw.Canvas) {
	y := inside.Min.Y - strokeWidth/2
	on.StrokeLine2(axisLine(), inside.Min.X, y, inside.Max.X, y)
	s := lettering(draw.XCenter, draw.YTop)
	descent := s.FontExtents().Descent
	for _, m := range c.X.Marks {
		x := inside.X(c.X.along(m.Value))
		if inside.ContainsX(x) {
			on.StrokeLine2(axisLine(), x, y-strokeLong+m.stroke(), x, y)
			on.FillText(s, vg.Point{X: x, Y: y - strokeLong + descent}, m.Label)
		}
	}
	s.YAlign = draw.YBottom
	on.FillText(s, vg.Point{X: inside.Center().X, Y: on.Min.Y + descent}, c.X.Label)
}

// drawY draws the axis at the left in the same way.
func (c *Chart) drawY(on, inside draw.Canvas) {
	x := inside.Min.X - strokeWidth/2
	on.StrokeLine2(axisLine(), x, inside.Min.Y, x, inside.Max.Y)
	s := lettering(draw.XRight, draw.YCenter)
	descent := s.FontExtents().Descent
	for _, m := range c.Y.Marks {
		y := inside.Y(c.Y.along(m.Value))
		if inside.ContainsY(y) {
			on.StrokeLine2(axisLine(), x-strokeLong+m.stroke(), y, x, y)
			on.FillText(s, vg.Point{X: x - strokeLong - s.Width(" "), Y: y + descent}, m.Label)
		}
	}
	s = lettering(draw.XCenter, draw.YBottom)
	s.Rotation = math.Pi / 2
	on.FillText(s, vg.Point{X: on.Min.X + s.Height(c.Y.Label) - descent, Y: inside.Center().Y}, c.Y.Label)
}

// Every marks an axis at multiples of step, ends included.
func Every(low, high, step float64, label func(float64) string) []Mark {
	var marks []Mark
	for k := math.Ceil(low/step - 1e-9); k <= math.Floor(high/step+1e-9); k++ {
		marks = append(marks, Mark{Value: k * step, Label: label(k * step)})
	}
	return marks
}

// RoundStep is the least of 1, 2, 5 times a power of ten that divides span into at most
// most steps.
func RoundStep(span float64, most int) float64 {
	power := math.Pow(10, math.Floor(math.Log10(span/float64(most))))
	for _, m := range []float64{1, 2, 5} {
		if span/(m*power) <= float64(most)+1e-9 {
			return m * power
		}
	}
	return 10 * power
}
