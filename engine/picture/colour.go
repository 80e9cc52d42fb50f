package picture

import (
	"fmt"
	"image/color"

	"gonum.org/v1/plot/palette/moreland"
)

// The level scale: bands of bandDB, edges from lowestDB to highestDB against the
// front microphone; what is beyond the ends is in the first and the last band.
const (
	lowestDB  = -36.0
	highestDB = 12.0
	bandDB    = 3.0
	contourDB = 6.0 // a line at every other edge
	bands     = int((highestDB-lowestDB)/bandDB) + 2

	contourBands = int(contourDB / bandDB) // the lowest line is the lowest edge
)

// step is where on the scale a level lies.
func step(db float64) int {
	switch at := (db-lowestDB)/bandDB + 1; {
	case !(at > 0):
		return 0
	case at >= float64(bands):
		return bands - 1
	default:
		return int(at)
	}
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
