package picture

import (
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"math/cmplx"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/field"
	"hushback/engine/picture/paper"
)

// mostMaps is how many maps fit on one sheet.
const mostMaps = 12

// LevelMap draws the level over the ground, in bands of 3 dB with a line every
// 6 dB, one map for each of the map's frequencies: a large one, or up to twelve
// small ones. 0 dB is the level at the front microphone at that frequency. With it
// stand the zones, walls, sources (to scale, grey in the rear row) and microphones.
// The map is one of the report's site and sheet; layout is the name of what it shows, ""
// for none.
//
// Errors: no frequency or too many, a map that is not there, is not finite or too
// small, and what field.Along refuses for the front microphone.
func LevelMap(layout string, r design.Report, m *field.Map) (*Drawing, error) {
	d, err := levelMap(layout, r, m)
	if err != nil {
		return nil, fmt.Errorf("drawing a level map: %w", err)
	}
	return d, nil
}

func levelMap(layout string, r design.Report, m *field.Map) (*Drawing, error) {
	if err := checkMap(m); err != nil {
		return nil, err
	}
	mic, ok := r.Site.Microphone(engine.RoleFront)
	if !ok {
		return nil, errors.New("the site has no front microphone to be 0 dB")
	}
	front, err := field.Along(r.Site, r.Sheet, []engine.Point{mic.At}, m.FreqHz)
	if err != nil {
		return nil, err
	}
	colours, err := scale()
	if err != nil {
		return nil, err
	}
	walls := behind(r.Site.Walls, r.Site.Sources, m.Area)
	hidden := func(k int) bool {
		u, v := float64(k%m.Area.NX)/float64(m.Area.NX-1), float64(k/m.Area.NX)/float64(m.Area.NY-1)
		return slices.ContainsFunc(walls, func(h half) bool { return h.holds(u, v) })
	}
	var maps []*plot.Plot
	var spoken []string
	for i, f := range m.FreqHz {
		levels, err := against(m, i, cmplx.Abs(front[i][0]), hidden)
		if err != nil {
			return nil, err
		}
		maps = append(maps, levelPlan(r.Site, m.Area, levels, colours, len(m.FreqHz) == 1))
		spoken = append(spoken, paper.Hertz(f))
	}
	title := "Level at " + strings.Join(spoken, ", ")
	remark := fmt.Sprintf("0 dB: front microphone (%s). Line every %.0f dB. Dashed: quiet zone. Grey: rear row.", mic.Name, contourDB)
	return paper.Page(paper.Heading(title, owner(r.Site, layout), remark), tiled(maps, spoken), colourBar(colours)), nil
}

func checkMap(m *field.Map) error {
	switch {
	case m == nil:
		return errors.New("there is no map")
	case len(m.FreqHz) == 0 || len(m.FreqHz) > mostMaps:
		return fmt.Errorf("the map has %d frequencies, want 1 to %d", len(m.FreqHz), mostMaps)
	case m.Area.NX < 2 || m.Area.NY < 2:
		return fmt.Errorf("the map has %d by %d points, want at least 2 by 2", m.Area.NX, m.Area.NY)
	case !(m.Area.MaxX > m.Area.MinX) || !(m.Area.MaxY > m.Area.MinY) ||
		math.IsInf(m.Area.MaxX-m.Area.MinX, 0) || math.IsInf(m.Area.MaxY-m.Area.MinY, 0):
		return errors.New("the map's area is empty or has no end")
	case len(m.P) != len(m.FreqHz):
		return fmt.Errorf("the map has %d frequencies and pressures for %d", len(m.FreqHz), len(m.P))
	}
	for i, p := range m.P {
		if want := m.Area.NX * m.Area.NY; len(p) != want {
			return fmt.Errorf("the map at %s has %d points, want %d", paper.Hertz(m.FreqHz[i]), len(p), want)
		}
	}
	return nil
}

// columns is how many maps or patterns stand side by side.
func columns(n int) int {
	switch {
	case n <= 2 || n == 4:
		return min(n, 2)
	default:
		return 3
	}
}

// grid is levels in dB over an area, as a field.Map lays its points out.
type grid struct {
	nx, ny int
	db     []float64
}

// against is one frequency of a map in dB against an amplitude. What lies beyond
// the scale is held a band outside it, so that no null, however deep, pulls its
// neighbours down. Points that are hidden may hold anything.
func against(m *field.Map, i int, zero float64, hidden func(k int) bool) (grid, error) {
	if !(zero > 0) || math.IsInf(zero, 0) {
		return grid{}, fmt.Errorf("nothing arrives at the front microphone at %s", paper.Hertz(m.FreqHz[i]))
	}
	g := grid{m.Area.NX, m.Area.NY, make([]float64, len(m.P[i]))}
	for k, p := range m.P[i] {
		if hidden(k) {
			p = 0
		}
		if cmplx.IsNaN(p) || cmplx.IsInf(p) {
			return grid{}, fmt.Errorf("the level at %s is not finite at point %d of %d", paper.Hertz(m.FreqHz[i]), k, len(m.P[i]))
		}
		g.db[k] = math.Max(lowestDB-bandDB, math.Min(highestDB+bandDB, engine.DB(cmplx.Abs(p)/zero)))
	}
	return g, nil
}

// mark is a place along one side of a grid: on the point below, and which part of the
// way to the next.
type mark struct {
	below int
	part  float64
}

// markAt is the place at u, from 0 to 1, along n points.
func markAt(u float64, n int) mark {
	at := u * float64(n-1)
	low := min(int(at), n-2)
	return mark{low, at - float64(low)}
}

// across are the levels along y at one place along x.
func (g grid) across(x mark) []float64 {
	line := make([]float64, g.ny)
	for j := range line {
		near := g.db[j*g.nx+x.below:]
		line[j] = near[0]*(1-x.part) + near[1]*x.part
	}
	return line
}

// level is between the points of a line across.
func (y mark) level(line []float64) float64 {
	return line[y.below]*(1-y.part) + line[y.below+1]*y.part
}

// half is a half-plane over a picture: u and v, from 0 to 1 along x and y, lie in it
// where at + u·alongU + v·alongV is below 0.
type half struct{ at, alongU, alongV float64 }

// behind are the half-planes of an area that walls hide from the sources.
func behind(walls []engine.Wall, sources []engine.Source, a field.Area) []half {
	var hidden []half
	for _, w := range walls {
		dx, dy := w.To.X-w.From.X, w.To.Y-w.From.Y
		side := func(x, y float64) float64 { return dx*(y-w.From.Y) - dy*(x-w.From.X) }
		if len(sources) == 0 {
			continue
		}
		sign := math.Copysign(1, side(sources[0].At.X, sources[0].At.Y))
		hidden = append(hidden, half{sign * side(a.MinX, a.MinY), -sign * dy * (a.MaxX - a.MinX), sign * dx * (a.MaxY - a.MinY)})
	}
	return hidden
}

func (h half) holds(u, v float64) bool { return h.at+u*h.alongU+v*h.alongV < 0 }

// banded is the grid in colours, x up and y to the left, with a dark line where a
// contour passes between neighbouring dots, and blank where something hides it.
func (g grid) banded(wide, tall int, colours color.Palette, hidden []half) *image.Paletted {
	img := image.NewPaletted(image.Rect(0, 0, wide, tall), append(colours[:len(colours):len(colours)], paper.Ink, color.White))
	contour, blank := uint8(len(colours)), uint8(len(colours)+1)
	along := func(i, n int) float64 { return 1 - (float64(i)+0.5)/float64(n) }
	aside := make([]mark, wide)
	for col := range aside {
		aside[col] = markAt(along(col, wide), g.ny)
	}
	last := make([]int, wide) // contour intervals of the row of dots above
	for row := range tall {
		left, line := 0, g.across(markAt(along(row, tall), g.nx))
		dots := img.Pix[row*img.Stride:][:wide]
		for col, y := range aside {
			band := step(y.level(line))
			between := (band + 1) / contourBands
			dots[col] = uint8(band)
			if row > 0 && between != last[col] || col > 0 && between != left {
				dots[col] = contour
			}
			left, last[col] = between, between
		}
		for _, h := range hidden {
			for col := range dots {
				if h.holds(along(row, tall), along(col, wide)) {
					dots[col] = blank
				}
			}
		}
	}
	return img
}

// levelPlan is a plan with the levels under it, as finely as what it is drawn on
// has dots.
func levelPlan(site engine.Site, a field.Area, g grid, colours color.Palette, lone bool) *plot.Plot {
	p := plan(window{a.MinX, a.MaxX, a.MinY, a.MaxY}.shaped())
	p.Add(stroke(func(on ground) {
		box := vg.Rectangle{Min: on.at(engine.Point{X: a.MinX, Y: a.MaxY}), Max: on.at(engine.Point{X: a.MaxX, Y: a.MinY})}
		wide, tall := paper.Dots(on.Canvas.Canvas, box.Size().X), paper.Dots(on.Canvas.Canvas, box.Size().Y)
		on.DrawImage(box, g.banded(max(2, wide), max(2, tall), colours, behind(site.Walls, site.Sources, a)))
	}))
	p.Add(furnish(site, lone))
	return p
}

// tiled stands plans of the same ground side by side, each under its name; a lone
// one has no need of it.
func tiled(plans []*plot.Plot, names []string) paper.Block {
	s := paper.Bold(paper.Lettering(paper.Normal))
	n := columns(len(plans))
	wide, title := paper.InnerWidth/vg.Length(n), paper.Lead(s)
	if n == 1 {
		title = 0
	}
	tall := toScale(plans[0], wide)
	rows := (len(plans) + n - 1) / n
	return paper.Block{Height: vg.Length(rows) * (tall + title + 4), Ink: func(c draw.Canvas) {
		for i, p := range plans {
			left, top := c.Min.X+vg.Length(i%n)*wide, c.Max.Y-vg.Length(i/n)*(tall+title+4)-title
			tile := draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{
				Min: vg.Point{X: left, Y: top - tall}, Max: vg.Point{X: left + wide, Y: top}}}
			p.Draw(tile)
			if n > 1 {
				paper.Write(c, s, vg.Point{X: paper.Middle(p.DataCanvas(tile).Rectangle).X, Y: top + title/2}, names[i])
			}
		}
	}}
}

// colourBar explains the bands; the first and the last have no outer end.
func colourBar(colours color.Palette) paper.Block {
	s := paper.Lettering(paper.Small)
	const thick = 12
	return paper.Block{Height: thick + 4 + 2*paper.Lead(s), Ink: func(c draw.Canvas) {
		step := c.Size().X / vg.Length(bands)
		for i, colour := range colours {
			left := c.Min.X + vg.Length(i)*step
			box := vg.Rectangle{Min: vg.Point{X: left, Y: c.Max.Y - thick}, Max: vg.Point{X: left + step, Y: c.Max.Y}}
			c.FillPolygon(colour, paper.Corners(box))
		}
		for i := 1; i < bands; i++ {
			db := lowestDB + float64(i-1)*bandDB
			if math.Mod(db, contourDB) != 0 {
				continue
			}
			x := c.Min.X + vg.Length(i)*step
			c.StrokeLine2(paper.Thin(paper.Ink), x, c.Max.Y-thick, x, c.Max.Y-thick-3)
			paper.Write(c, s, vg.Point{X: x, Y: c.Max.Y - thick - 4 - paper.Lead(s)/2}, paper.Number(db, 0))
		}
		paper.Write(c, s, vg.Point{X: c.Center().X, Y: c.Min.Y + paper.Lead(s)/2}, "level against the front microphone / dB; the ends go on")
	}}
}
