// Package paper is what pictures are drawn on and with: sheets of a width, type,
// line styles, charts, legends, tables and labels that keep apart. It knows nothing
// of sound.
package paper

import (
	"bytes"
	"errors"
	"fmt"
	"image/png"
	"io"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Width is how wide every drawing is, Margin what stays blank around it. At this
// width a point of type is about a pixel of a phone held upright, and scaled up to
// a sheet of A4 type of 9 points is 12.
const (
	Width       = 14 * vg.Centimeter
	Margin      = 9 * vg.Length(1)
	blockGap    = 7 * vg.Length(1)
	DotsPerInch = 216 // 3 to a point, so that thin lines stay sharp
	InnerWidth  = Width - 2*Margin
)

// Drawing is a finished picture, to be written as often as wanted.
type Drawing struct {
	height vg.Length
	blocks []Block
}

// Block is a full-width strip of a drawing.
type Block struct {
	Height vg.Length
	Ink    func(draw.Canvas)
}

// Untitled is the drawing without its heading, for pages that say it themselves.
func (d *Drawing) Untitled() *Drawing {
	if len(d.blocks) < 2 {
		return d
	}
	return Page(d.blocks[1:]...)
}

// Page stacks blocks from the top down, the heading first.
func Page(blocks ...Block) *Drawing {
	d := &Drawing{height: 2*Margin - blockGap, blocks: blocks}
	for _, b := range blocks {
		d.height += b.Height + blockGap
	}
	return d
}

func (d *Drawing) draw(c draw.Canvas) {
	top := c.Max.Y - Margin
	for _, b := range d.blocks {
		b.Ink(draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{
			Min: vg.Point{X: c.Min.X + Margin, Y: top - b.Height},
			Max: vg.Point{X: c.Max.X - Margin, Y: top},
		}})
		top -= b.Height + blockGap
	}
}

var errEmpty = errors.New("the picture is empty: get it from one of the package's functions")

// PNG writes the drawing with 216 dots to the inch. Errors are those of w.
func (d *Drawing) PNG(w io.Writer) error {
	if len(d.blocks) == 0 {
		return errEmpty
	}
	// Quick is a twentieth larger than thorough and takes half the time.
	return encode(w, d.dotted(DotsPerInch/pointsPerInch, light), png.BestSpeed)
}

// SVG writes the drawing as a document of its own. Errors are those of w.
func (d *Drawing) SVG(w io.Writer) error {
	if len(d.blocks) == 0 {
		return errEmpty
	}
	canvas := vgsvg.New(Width, d.height)
	d.draw(draw.New(canvas))
	var written bytes.Buffer
	if _, err := canvas.WriteTo(&written); err != nil {
		return fmt.Errorf("writing a picture as SVG: %w", err)
	}
	// Few readers have the typeface, so name one that they have; and the writer
	// calls the images in it by a wrong name.
	polished := strings.NewReplacer("font-family:Liberation Sans;", "font-family:Liberation Sans,sans-serif;",
		"data:image/jpg;", "data:image/png;").Replace(written.String())
	if _, err := io.WriteString(w, polished); err != nil {
		return fmt.Errorf("writing a picture as SVG: %w", err)
	}
	return nil
}
