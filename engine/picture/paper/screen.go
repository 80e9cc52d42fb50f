package paper

import (
	"cmp"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// Screen is how a drawing is put on a screen.
type Screen struct {
	PerPoint int  // dots to a point of type, 1 or more: few are quick, two are sharp
	Dark     bool // on dark ground
}

// Show writes the drawing for a screen: in few colours, so that it is soon there.
// Errors are those of w, and a Screen without dots.
func (d *Drawing) Show(w io.Writer, s Screen) error {
	if len(d.blocks) == 0 {
		return errEmpty
	}
	if s.PerPoint < 1 {
		return fmt.Errorf("a screen of %d dots to a point shows nothing", s.PerPoint)
	}
	tone := light
	if s.Dark {
		tone = dark
	}
	level := png.BestSpeed // for a finger that moves
	if s.PerPoint > 1 {
		level = png.DefaultCompression // a quarter smaller, for a phone that waits
	}
	return encode(w, few(d.dotted(s.PerPoint, tone)), level)
}

// dotted is the drawing in dots.
func (d *Drawing) dotted(perPoint int, tone func(color.Color) color.Color) *image.RGBA {
	background := tone(color.White)
	canvas := vgimg.NewWith(vgimg.UseWH(Width, d.height), vgimg.UseDPI(perPoint*pointsPerInch), vgimg.UseBackgroundColor(background))
	d.draw(draw.New(leaf{canvas, tone}))
	img, _ := canvas.Image().(*image.RGBA) // it makes no others
	return img
}

const pointsPerInch = 72

func encode(w io.Writer, img image.Image, level png.CompressionLevel) error {
	encoder := png.Encoder{CompressionLevel: level}
	if err := encoder.Encode(w, img); err != nil {
		return fmt.Errorf("writing a picture as PNG: %w", err)
	}
	return nil
}

// leaf is a canvas of dots whose colours are toned, and on which pictures lie
// straight and lose nothing to smoothing.
type leaf struct {
	*vgimg.Canvas
	tone func(color.Color) color.Color
}

func (s leaf) SetColor(c color.Color) { s.Canvas.SetColor(s.tone(c)) }

// DrawImage takes for each dot what lies under its middle.
func (s leaf) DrawImage(on vg.Rectangle, img image.Image) {
	from, paletted := img.(*image.Paletted)
	to, plain := s.Image().(*image.RGBA)
	if !paletted || !plain {
		s.Canvas.DrawImage(on, img)
		return
	}
	colours := make([]color.RGBA, len(from.Palette))
	for i, c := range from.Palette {
		colours[i], _ = color.RGBAModel.Convert(s.tone(c)).(color.RGBA)
	}
	dot := func(v vg.Length) int { return int(math.Round(v.Dots(s.DPI()))) }
	foot := to.Bounds().Dy()
	place := image.Rect(dot(on.Min.X), foot-dot(on.Max.Y), dot(on.Max.X), foot-dot(on.Min.Y))
	shown := place.Intersect(to.Bounds())
	size := from.Bounds().Size()
	for y := shown.Min.Y; y < shown.Max.Y; y++ {
		row := from.Pix[(2*(y-place.Min.Y)+1)*size.Y/(2*place.Dy())*from.Stride:]
		for x := shown.Min.X; x < shown.Max.X; x++ {
			to.SetRGBA(x, y, colours[row[(2*(x-place.Min.X)+1)*size.X/(2*place.Dx())]])
		}
	}
}

// Dots is how many dots of a canvas a length takes; of one without dots, two to a
// point: enough for a picture in it, whose size counts.
func Dots(c vg.Canvas, v vg.Length) int {
	perInch := 2.0 * pointsPerInch
	if dotted, ok := c.(interface{ DPI() float64 }); ok {
		perInch = dotted.DPI()
	}
	return int(math.Round(v.Dots(perInch)))
}

// mostColours are enough for the bands of a map and smooth edges; with fewer, a
// picture is the sooner there.
const mostColours = 64

// few is a picture in few colours: those that most dots have, the others drawn to
// the nearest of them.
func few(img *image.RGBA) *image.Paletted {
	palette := common(img)
	small := image.NewPaletted(img.Bounds(), make(color.Palette, len(palette)))
	known := make(map[color.RGBA]uint8, len(palette))
	for i, c := range palette {
		small.Palette[i], known[c] = c, uint8(i)
	}
	var last color.RGBA
	var index uint8
	for i := range small.Pix {
		if c := dotOf(img, i); c != last || i == 0 {
			var there bool
			if index, there = known[c]; !there {
				index = nearest(palette, c)
				known[c] = index
			}
			last = c
		}
		small.Pix[i] = index
	}
	return small
}

func dotOf(img *image.RGBA, i int) color.RGBA {
	p := img.Pix[4*i : 4*i+4 : 4*i+4]
	return color.RGBA{R: p[0], G: p[1], B: p[2], A: p[3]}
}

// common is the colours of most dots, at most mostColours, in an order that does not vary.
func common(img *image.RGBA) []color.RGBA {
	counts := make(map[color.RGBA]int)
	run := 0
	for i := range len(img.Pix) / 4 {
		run++
		if c := dotOf(img, i); 4*i+4 == len(img.Pix) || c != dotOf(img, i+1) {
			counts[c] += run
			run = 0
		}
	}
	colours := make([]color.RGBA, 0, len(counts))
	for c := range counts {
		colours = append(colours, c)
	}
	code := func(c color.RGBA) int { return int(c.R)<<16 | int(c.G)<<8 | int(c.B) }
	slices.SortFunc(colours, func(a, b color.RGBA) int {
		return cmp.Or(cmp.Compare(counts[b], counts[a]), cmp.Compare(code(a), code(b)))
	})
	return colours[:min(mostColours, len(colours))]
}

// nearest is the entry of a palette that differs least from a colour.
func nearest(palette []color.RGBA, c color.RGBA) uint8 {
	best, least := 0, math.MaxInt
	for i, p := range palette {
		r, g, b := int(p.R)-int(c.R), int(p.G)-int(c.G), int(p.B)-int(c.B)
		if d := r*r + g*g + b*b; d < least {
			best, least = i, d
		}
	}
	return uint8(best)
}
