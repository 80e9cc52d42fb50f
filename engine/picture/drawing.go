// Package picture draws what the engine worked out: level maps, polar patterns,
// responses, comparisons and stake-out plans, each as PNG or SVG.
//
// All of them are 14 cm wide on a white ground: at that width a point of type is
// about a pixel of a phone held upright, and scaled up to a sheet of A4 the type
// is 12 points. Plans are seen from above with the audience at the top, as
// somebody on stage sees it: x runs up, y to the left.
//
// The package is pure: the same input gives the same bytes.
package picture

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

const (
	pageWidth   = 14 * vg.Centimeter
	pageMargin  = 9 * vg.Length(1)
	blockGap    = 7 * vg.Length(1)
	dotsPerInch = 216 // 3 to a point, so that thin lines stay sharp
	innerWidth  = pageWidth - 2*pageMargin
)

// Drawing is a finished picture, to be written as often as wanted.
type Drawing struct {
	height vg.Length
	blocks []block
}

// block is a full-width strip of a drawing.
type block struct {
	height vg.Length
	ink    func(draw.Canvas)
}

// page stacks blocks from the top down.
func page(blocks ...block) *Drawing {
	d := &Drawing{height: 2*pageMargin - blockGap, blocks: blocks}
	for _, b := range blocks {
		d.height += b.height + blockGap
	}
	return d
}

func (d *Drawing) draw(c draw.Canvas) {
	top := c.Max.Y - pageMargin
	for _, b := range d.blocks {
		b.ink(draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{
			Min: vg.Point{X: c.Min.X + pageMargin, Y: top - b.height},
			Max: vg.Point{X: c.Max.X - pageMargin, Y: top},
		}})
		top -= b.height + blockGap
	}
}

var errEmpty = errors.New("the picture is empty: get it from one of the package's functions")

// PNG writes the drawing with 216 dots to the inch. Errors are those of w.
func (d *Drawing) PNG(w io.Writer) error {
	if len(d.blocks) == 0 {
		return errEmpty
	}
	canvas := vgimg.NewWith(vgimg.UseWH(pageWidth, d.height), vgimg.UseDPI(dotsPerInch))
	d.draw(draw.New(canvas))
	if _, err := (vgimg.PngCanvas{Canvas: canvas}).WriteTo(w); err != nil {
		return fmt.Errorf("writing a picture as PNG: %w", err)
	}
	return nil
}

// SVG writes the drawing as a document of its own. Errors are those of w.
func (d *Drawing) SVG(w io.Writer) error {
	if len(d.blocks) == 0 {
		return errEmpty
	}
	canvas := vgsvg.New(pageWidth, d.height)
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
