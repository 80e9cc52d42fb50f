package picture

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/field"
	"hushback/engine/picture/paper"
)

// window is the part of the ground that a plan shows, in site metres.
type window struct{ minX, maxX, minY, maxY float64 }

// Around is the ground that a site's map shows: all that it names and some metres
// more, in about so many points, at the height of the listeners.
func Around(site engine.Site, points int) field.Area {
	const edge = 4
	a := field.Area{MinX: math.Inf(1), MinY: math.Inf(1), MaxX: math.Inf(-1), MaxY: math.Inf(-1)}
	hold := func(p engine.Point) {
		a.MinX, a.MaxX = math.Min(a.MinX, p.X-edge), math.Max(a.MaxX, p.X+edge)
		a.MinY, a.MaxY = math.Min(a.MinY, p.Y-edge), math.Max(a.MaxY, p.Y+edge)
	}
	for _, s := range site.Sources {
		hold(s.At)
	}
	for _, m := range site.Microphones {
		hold(m.At)
		a.Z = m.At.Z
	}
	for _, z := range site.Zones {
		for _, p := range z.Corners {
			hold(p)
		}
		if z.Kind == engine.ZoneAudience {
			a.Z = z.Corners[0].Z
		}
	}
	step := math.Sqrt((a.MaxX - a.MinX) * (a.MaxY - a.MinY) / float64(points))
	a.NX, a.NY = 1+int((a.MaxX-a.MinX)/step), 1+int((a.MaxY-a.MinY)/step)
	return a
}

// A plan is between slim and broad times as wide as it is deep, so that neither
// direction shrinks to nothing.
const (
	slim  = 0.45
	broad = 2.5
)

// shaped widens a window, to both sides, that is too slim or too broad.
func (w window) shaped() window {
	wide, deep := w.maxY-w.minY, w.maxX-w.minX
	if more := slim*deep - wide; more > 0 {
		w.minY, w.maxY = w.minY-more/2, w.maxY+more/2
	}
	if more := wide/broad - deep; more > 0 {
		w.minX, w.maxX = w.minX-more/2, w.maxX+more/2
	}
	return w
}

// stroke is a plotter made of a function that draws on the ground.
type stroke func(g ground)

// ground is a canvas with the way from site metres to places on it.
type ground struct {
	draw.Canvas
	across, up func(float64) vg.Length
}

func (g ground) at(p engine.Point) vg.Point { return vg.Point{X: g.across(-p.Y), Y: g.up(p.X)} }

// Plot is what the plotting library calls.
func (s stroke) Plot(c draw.Canvas, p *plot.Plot) {
	across, up := p.Transforms(&c)
	s(ground{c, across, up})
}

// plan is a chart of the ground: x up, y to the left, so that a place stands at
// (-y, x).
func plan(w window) *plot.Plot {
	p := paper.Chart()
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = -w.maxY, -w.minY, w.minX, w.maxX
	p.X.Label.Text = "left / m"
	p.Y.Label.Text = "towards the audience / m"
	step := paper.RoundStep(math.Max(w.maxX-w.minX, w.maxY-w.minY), 10)
	digits := max(0, int(math.Ceil(-math.Log10(step))))
	p.X.Tick.Marker = paper.Every(p.X.Min, p.X.Max, step, func(v float64) string { return paper.Number(-v, digits) })
	p.Y.Tick.Marker = paper.Every(p.Y.Min, p.Y.Max, step, func(v float64) string { return paper.Number(v, digits) })
	return p
}

// toScale is how tall a plan of a width must be for a metre to be as long in
// both directions. What the axes take depends a little on the height itself.
func toScale(p *plot.Plot, width vg.Length) vg.Length {
	height := width
	for range 4 {
		data := p.DataCanvas(draw.Canvas{Rectangle: vg.Rectangle{Max: vg.Point{X: width, Y: height}}})
		deep := data.Size().X * vg.Length((p.Y.Max-p.Y.Min)/(p.X.Max-p.X.Min))
		height += deep - data.Size().Y
	}
	return height
}

// furnish draws what stands on a site: walls, zones, sources, microphones, and
// their names where there is room.
func furnish(site engine.Site, named bool) stroke {
	return func(g ground) {
		l := &paper.Labels{Within: g.Rectangle}
		for _, w := range site.Walls {
			wall(g, w)
		}
		for _, z := range site.Zones {
			outline(g, z)
		}
		for _, src := range site.Sources {
			box, _ := site.Cabinet(src.Cabinet)
			cabinet(g, src, box)
			if g.Contains(g.at(src.At)) {
				l.Reserve(4, g.at(src.At))
			}
		}
		for _, m := range site.Microphones {
			microphone(g, m, named)
			if g.Contains(g.at(m.At)) {
				l.Reserve(4, g.at(m.At))
			}
		}
		if named {
			names(g, l, site)
		}
	}
}

func names(g ground, l *paper.Labels, site engine.Site) {
	s := paper.Lettering(paper.Small)
	for _, m := range site.Microphones {
		if g.Contains(g.at(m.At)) {
			l.Put(g.Canvas, s, m.Name, paper.Beside(g.at(m.At), 5)...)
		}
	}
	for _, z := range site.Zones {
		nameZone(g, l, s, z)
	}
	for _, w := range site.Walls {
		for _, piece := range g.ClipLinesXY(wallLine(g, w)) {
			at := paper.Middle(vg.Rectangle{Min: piece[0], Max: piece[1]})
			l.Put(g.Canvas, s, w.Name+" (wall)", paper.Next(at, 0, 1, 3), paper.Next(at, 0, -1, 3), paper.Next(at, 1, 0, 3), paper.Next(at, -1, 0, 3))
		}
	}
}

// nameZone puts a zone's name in its middle, or above or below it.
func nameZone(g ground, l *paper.Labels, s text.Style, z engine.Zone) {
	shown := g.ClipPolygonXY(ring(g, z.Corners))
	if len(shown) == 0 {
		return
	}
	box := paper.Bounds(shown)
	at := paper.Middle(box)
	var places []paper.Place
	for _, shift := range []vg.Length{0, 14, -14, 28, -28} {
		places = append(places, paper.Place{At: vg.Point{X: at.X, Y: at.Y + shift}})
	}
	words := fmt.Sprintf("%s (%s)", z.Name, z.Kind)
	if !l.Put(g.Canvas, s, words, places...) {
		l.Put(g.Canvas, s, words, paper.Beside(at, box.Size().X/2+2)...)
	}
}

func ring(g ground, corners []engine.Point) []vg.Point {
	points := make([]vg.Point, len(corners))
	for i, p := range corners {
		points[i] = g.at(p)
	}
	return points
}

// outline is a zone's edge: solid for an audience, dashed for a quiet one, on a
// light edge that shows on dark ground.
func outline(g ground, z engine.Zone) {
	if len(z.Corners) == 0 {
		return
	}
	edge := ring(g, append(z.Corners[:len(z.Corners):len(z.Corners)], z.Corners[0]))
	shown := g.ClipLinesXY(edge)
	top := draw.LineStyle{Color: paper.Ink, Width: 1.1}
	if z.Kind == engine.ZoneQuiet {
		top.Dashes = []vg.Length{5, 3}
	}
	g.StrokeLines(draw.LineStyle{Color: paper.Veil, Width: 2.6}, shown...)
	g.StrokeLines(top, shown...)
}

// wallLine is a wall as far as it may reach.
func wallLine(g ground, w engine.Wall) []vg.Point {
	from, to := g.at(w.From), g.at(w.To)
	way := to.Sub(from)
	long := vg.Length(math.Hypot(float64(way.X), float64(way.Y)))
	if long == 0 {
		return []vg.Point{from, to}
	}
	centre := g.Center()
	far := vg.Length(math.Hypot(float64(from.X-centre.X), float64(from.Y-centre.Y))) + g.Size().X + g.Size().Y
	reach := way.Scale(far / long)
	return []vg.Point{from.Sub(reach), to.Add(reach)}
}

// wall is drawn without end, as it is reckoned with.
func wall(g ground, w engine.Wall) {
	shown := g.ClipLinesXY(wallLine(g, w))
	g.StrokeLines(draw.LineStyle{Color: paper.Veil, Width: 4}, shown...)
	g.StrokeLines(draw.LineStyle{Color: paper.Ink, Width: 2.4}, shown...)
}

// footprint is the cabinet seen from above, front left corner first, the source
// in the middle of the front.
func footprint(src engine.Source, box engine.Cabinet) []engine.Point {
	sin, cos := math.Sincos(src.FacingRad)
	corner := func(ahead, left float64) engine.Point {
		return engine.Point{X: src.At.X + ahead*cos - left*sin, Y: src.At.Y + ahead*sin + left*cos}
	}
	half := box.WidthM / 2
	return []engine.Point{corner(0, half), corner(0, -half), corner(-box.DepthM, -half), corner(-box.DepthM, half)}
}

// cabinet is a source to scale, grey for the rear row, with a stroke to where it
// faces; a dot where it has no size.
func cabinet(g ground, src engine.Source, box engine.Cabinet) {
	at := g.at(src.At)
	if !g.Contains(at) {
		return
	}
	fill := paper.Shade
	if src.Row == engine.RowRear {
		fill = paper.Grey
	}
	long := vg.Length(7)
	if box.WidthM > 0 && box.DepthM > 0 {
		long = max(3, min(long, g.up(box.DepthM/2)-g.up(0)))
		edge := ring(g, footprint(src, box))
		shown := g.ClipPolygonXY(edge)
		g.FillPolygon(fill, shown)
		g.StrokeLines(draw.LineStyle{Color: paper.Ink, Width: 0.8}, g.ClipLinesXY(append(edge, edge[0]))...)
	} else {
		g.DrawGlyph(draw.GlyphStyle{Color: paper.Ink, Radius: 3.2, Shape: draw.CircleGlyph{}}, at)
		g.DrawGlyph(draw.GlyphStyle{Color: fill, Radius: 2.4, Shape: draw.CircleGlyph{}}, at)
	}
	sin, cos := math.Sincos(src.FacingRad)
	tip := vg.Point{X: at.X - vg.Length(sin)*long, Y: at.Y + vg.Length(cos)*long}
	g.StrokeLines(draw.LineStyle{Color: paper.Ink, Width: 1.4}, g.ClipLinesXY([]vg.Point{at, tip})...)
}

// microphone is a ring with a dot in it, small where the plan is.
func microphone(g ground, m engine.Microphone, large bool) {
	size := vg.Length(3)
	if large {
		size = 4.4
	}
	for _, part := range []draw.GlyphStyle{
		{Color: paper.Ink, Radius: size, Shape: draw.CircleGlyph{}},
		{Color: paper.Shade, Radius: size * 0.72, Shape: draw.CircleGlyph{}},
		{Color: paper.Ink, Radius: size * 0.3, Shape: draw.CircleGlyph{}},
	} {
		g.DrawGlyph(part, g.at(m.At))
	}
}
