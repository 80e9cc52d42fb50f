package picture

import (
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot/palette/moreland"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// The colours that are not data, never changed.
var (
	ink   = color.NRGBA{A: 0xff}
	grey  = color.NRGBA{R: 0x6a, G: 0x6a, B: 0x6a, A: 0xff}
	faint = color.NRGBA{R: 0xc8, G: 0xc8, B: 0xc8, A: 0xff}
	shade = color.NRGBA{R: 0xee, G: 0xee, B: 0xee, A: 0xff}
	veil  = color.NRGBA{R: 0xff, G: 0xff, B: 0xff, A: 0xc8}
)

// mostLines is how many lines can be told apart in one chart.
const mostLines = 7

// line is the style of the i-th line of a chart. The colours are those of Okabe
// and Ito, "Color Universal Design" (2008; also B. Wong, Nature Methods 8:441,
// 2011), values from memory, without the yellow that is too faint on paper. Dashes
// tell the lines apart in grey.
func line(i int) draw.LineStyle {
	colours := [mostLines]color.NRGBA{
		{R: 0x00, G: 0x72, B: 0xb2, A: 0xff}, // blue
		{R: 0xd5, G: 0x5e, B: 0x00, A: 0xff}, // vermilion
		{R: 0x00, G: 0x00, B: 0x00, A: 0xff}, // black
		{R: 0x00, G: 0x9e, B: 0x73, A: 0xff}, // bluish green
		{R: 0xcc, G: 0x79, B: 0xa7, A: 0xff}, // reddish purple
		{R: 0xe6, G: 0x9f, B: 0x00, A: 0xff}, // orange
		{R: 0x56, G: 0xb4, B: 0xe9, A: 0xff}, // sky blue
	}
	dashes := [mostLines][]vg.Length{nil, {7, 3}, {2, 2}, {9, 3, 2, 3}, {4, 2}, {9, 2, 2, 2, 2, 2}, {12, 4}}
	return draw.LineStyle{Color: colours[i], Width: 1.5, Dashes: dashes[i]}
}

func thin(c color.Color, dashes ...vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: 0.6, Dashes: dashes}
}

// The level scale: bands of bandDB, edges from lowestDB to highestDB against the
// front microphone; what is beyond the ends is in the first and the last band.
const (
	lowestDB  = -36.0
	highestDB = 12.0
	bandDB    = 3.0
	contourDB = 6.0 // a line at every other edge
	bands     = int((highestDB-lowestDB)/bandDB) + 2
)

// band is where on the scale a level lies.
func band(db float64) int {
	return int(math.Max(0, math.Min(float64(bands-1), math.Floor((db-lowestDB)/bandDB)+1)))
}

// scale is one colour for each band, the loudest lightest, in even steps of CIE
// lightness between colours of our own choosing, interpolated in CIELAB after K.
// Moreland, "Diverging Color Maps for Scientific Visualization" (2009).
func scale() (color.Palette, error) {
	ramp, err := moreland.NewLuminance([]color.Color{
		color.NRGBA{R: 0x1d, G: 0x2a, B: 0x5b, A: 0xff}, // night blue
		color.NRGBA{R: 0x68, G: 0x48, B: 0x8c, A: 0xff}, // violet
		color.NRGBA{R: 0xba, G: 0x62, B: 0x78, A: 0xff}, // rose
		color.NRGBA{R: 0xe6, G: 0xa6, B: 0x6e, A: 0xff}, // apricot
		color.NRGBA{R: 0xfa, G: 0xf0, B: 0xc8, A: 0xff}, // sand
	})
	if err != nil {
		return nil, fmt.Errorf("the colours of the level scale: %w", err)
	}
	return ramp.Palette(bands).Colors(), nil
}
