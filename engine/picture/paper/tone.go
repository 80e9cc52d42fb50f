package paper

import "image/color"

// light leaves colours as they are: they were chosen for white paper.
func light(c color.Color) color.Color { return c }

// dark turns a drawing over for dark ground: greys by their lightness, so that ink
// becomes chalk and paper slate, and the colours of lines that are too dark for
// slate by lighter siblings. Whatever else has a colour is data and keeps it.
func dark(c color.Color) color.Color {
	is, _ := color.NRGBAModel.Convert(c).(color.NRGBA)
	if is.R == is.G && is.G == is.B {
		turn := func(chalk, slate uint8) uint8 {
			return uint8((int(chalk)*(255-int(is.R)) + int(slate)*int(is.R) + 127) / 255)
		}
		return color.NRGBA{R: turn(chalk.R, slate.R), G: turn(chalk.G, slate.G), B: turn(chalk.B, slate.B), A: is.A}
	}
	for i, on := range lineColours {
		if is == on {
			return chalks[i]
		}
	}
	return c
}

// What dark ground is, and what ink is on it.
var (
	slate = color.NRGBA{R: 0x16, G: 0x15, B: 0x13, A: 0xff}
	chalk = color.NRGBA{R: 0xee, G: 0xea, B: 0xe2, A: 0xff}
)

// chalks are the colours of lines on slate, in the order of lineColours: blue and
// vermilion are lighter than on paper, the others can stay.
var chalks = [MostLines]color.NRGBA{
	{R: 0x5a, G: 0xb0, B: 0xe8, A: 0xff},
	{R: 0xff, G: 0x8a, B: 0x3d, A: 0xff},
	chalk,
	{R: 0x2b, G: 0xc4, B: 0x94, A: 0xff},
	{R: 0xe0, G: 0x98, B: 0xc2, A: 0xff},
	{R: 0xf0, G: 0xb4, B: 0x2e, A: 0xff},
	{R: 0x8f, G: 0xd0, B: 0xf5, A: 0xff},
}
