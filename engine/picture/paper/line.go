package paper

import (
	"image/color"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The colours that are not data, never changed.
var (
	Ink   = color.NRGBA{A: 0xff}
	Grey  = color.NRGBA{R: 0x6a, G: 0x6a, B: 0x6a, A: 0xff}
	Faint = color.NRGBA{R: 0xc8, G: 0xc8, B: 0xc8, A: 0xff}
	Shade = color.NRGBA{R: 0xee, G: 0xee, B: 0xee, A: 0xff}
	Veil  = color.NRGBA{R: 0xff, G: 0xff, B: 0xff, A: 0xc8}
)

// MostLines is how many lines can be told apart in one chart.
const MostLines = 7

// lineColours are those of Okabe and Ito, "Color Universal Design" (2008; also B.
// Wong, Nature Methods 8:441, 2011), values from memory, without the yellow that is
// too faint on paper.
var lineColours = [MostLines]color.NRGBA{
	{R: 0x00, G: 0x72, B: 0xb2, A: 0xff}, // blue
	{R: 0xd5, G: 0x5e, B: 0x00, A: 0xff}, // vermilion
	{R: 0x00, G: 0x00, B: 0x00, A: 0xff}, // black
	{R: 0x00, G: 0x9e, B: 0x73, A: 0xff}, // bluish green
	{R: 0xcc, G: 0x79, B: 0xa7, A: 0xff}, // reddish purple
	{R: 0xe6, G: 0x9f, B: 0x00, A: 0xff}, // orange
	{R: 0x56, G: 0xb4, B: 0xe9, A: 0xff}, // sky blue
}

// Line is the style of the i-th line of a chart. Dashes tell the lines apart in
// grey.
func Line(i int) draw.LineStyle {
	dashes := [MostLines][]vg.Length{nil, {7, 3}, {2, 2}, {9, 3, 2, 3}, {4, 2}, {9, 2, 2, 2, 2, 2}, {12, 4}}
	return draw.LineStyle{Color: lineColours[i], Width: 1.5, Dashes: dashes[i]}
}

// Thin is a line that keeps in the background.
func Thin(c color.Color, dashes ...vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: 0.6, Dashes: dashes}
}
