package paper

import (
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Entry is a line and what it is; a wide line is an area.
type Entry struct {
	Line  draw.LineStyle
	Words string
}

// Legend names lines from left to right, in as many rows as it takes.
func Legend(entries []Entry) Block {
	const sample, gap = 26, 14
	s := Aligned(Lettering(Normal), draw.XLeft)
	var at []vg.Point
	var names []string
	var x, y vg.Length
	for _, e := range entries {
		name := shortened(s, e.Words, InnerWidth-sample-gap)
		wide := sample + 4 + s.Width(name)
		if x > 0 && x+wide > InnerWidth {
			x, y = 0, y+Lead(s)
		}
		at, names = append(at, vg.Point{X: x, Y: y}), append(names, name)
		x += wide + gap
	}
	return Block{y + Lead(s), func(c draw.Canvas) {
		for i, e := range entries {
			left, middle := c.Min.X+at[i].X, c.Max.Y-at[i].Y-Lead(s)/2
			c.StrokeLine2(e.Line, left, middle, left+sample, middle)
			Write(c, s, vg.Point{X: left + sample + 4, Y: middle}, names[i])
		}
	}}
}

// Table sets rows of text under a bold head: a number, words that may take several
// lines, and columns as wide as told.
func Table(rows [][]string, column vg.Length) Block {
	const step, rule = 11.5, 1.2
	s := Lettering(Small)
	indent := vg.Length(0)
	for _, row := range rows {
		indent = max(indent, s.Width(row[0]))
	}
	if indent > 0 {
		indent += 6
	}
	wide := InnerWidth - vg.Length(len(rows[0])-2)*column
	words := make([][]string, len(rows))
	var height vg.Length
	for i, row := range rows {
		words[i] = wrapped(s, row[1], wide-indent-4)
		height += vg.Length(max(1, len(words[i])))*step + rule
	}
	return Block{height, func(c draw.Canvas) {
		y := c.Max.Y
		for i, row := range rows {
			style := s
			if i == 0 {
				style = Bold(s)
			}
			Write(c, Aligned(style, draw.XLeft), vg.Point{X: c.Min.X, Y: y - step/2}, row[0])
			for k, v := range row[2:] {
				Write(c, Aligned(style, draw.XRight), vg.Point{X: c.Min.X + wide + vg.Length(k+1)*column, Y: y - step/2}, v)
			}
			for k, part := range words[i] {
				Write(c, Aligned(style, draw.XLeft), vg.Point{X: c.Min.X + indent, Y: y - step/2 - vg.Length(k)*step}, part)
			}
			y -= vg.Length(max(1, len(words[i])))*step + rule
			c.StrokeLine2(Thin(Faint), c.Min.X, y+rule/2, c.Max.X, y+rule/2)
		}
	}}
}
