package picture

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// entry is a line and what it is.
type entry struct {
	line  draw.LineStyle
	words string
}

// legend names lines from left to right, in as many rows as it takes.
func legend(entries []entry) block {
	const sample, gap = 26, 14
	s := aligned(lettering(normal), draw.XLeft)
	var at []vg.Point
	var names []string
	var x, y vg.Length
	for _, e := range entries {
		name := shortened(s, e.words, innerWidth-sample-gap)
		wide := sample + 4 + s.Width(name)
		if x > 0 && x+wide > innerWidth {
			x, y = 0, y+lead(s)
		}
		at, names = append(at, vg.Point{X: x, Y: y}), append(names, name)
		x += wide + gap
	}
	return block{y + lead(s), func(c draw.Canvas) {
		for i, e := range entries {
			left, middle := c.Min.X+at[i].X, c.Max.Y-at[i].Y-lead(s)/2
			c.StrokeLine2(e.line, left, middle, left+sample, middle)
			c.FillText(s, vg.Point{X: left + sample + 4, Y: middle}, names[i])
		}
	}}
}
