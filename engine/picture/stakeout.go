package picture

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/picture/paper"
)

// Room around a stake-out plan for its dimensions, and the most it may take.
const (
	ordinates  = 42 // points at the left and at the foot
	aroundM    = 0.6
	mostTall   = 460
	mostScale  = 90 // points a metre
	mostStaked = 64 // sources of which the dimensions can be told apart
)

// StakeOut draws where the sources go, from above and to scale: for every place its
// distance along (towards the audience) and aside (to the left) from the datum, a
// point on the ground; and the triangle of each forward offset. Distances are to the
// middle of the front face. layout is the name of what it shows, "" for none.
//
// Errors: no source, more than 64, or a place that is not finite.
func StakeOut(layout string, r design.Report, datum engine.Point) (*Drawing, error) {
	d, err := stakeOut(layout, r, datum)
	if err != nil {
		return nil, fmt.Errorf("drawing a stake-out plan: %w", err)
	}
	return d, nil
}

func stakeOut(layout string, r design.Report, datum engine.Point) (*Drawing, error) {
	n := len(r.Site.Sources)
	if n == 0 || n > mostStaked {
		return nil, fmt.Errorf("the site has %d sources, want 1 to %d", n, mostStaked)
	}
	w := window{datum.X, datum.X, datum.Y, datum.Y}
	for _, src := range r.Site.Sources {
		box, _ := r.Site.Cabinet(src.Cabinet)
		for _, p := range append(footprint(src, box), src.At) {
			w = window{math.Min(w.minX, p.X), math.Max(w.maxX, p.X), math.Min(w.minY, p.Y), math.Max(w.maxY, p.Y)}
		}
	}
	w = window{w.minX - aroundM, w.maxX + aroundM, w.minY - aroundM, w.maxY + aroundM}
	if span := w.maxX - w.minX + w.maxY - w.minY; math.IsNaN(span) || math.IsInf(span, 0) {
		return nil, errors.New("a source or the datum stands nowhere")
	}
	blocks := []paper.Block{
		paper.Heading("Stake-out", owner(r.Site, layout),
			"Metres from the datum to the middle of the front face. At the left: along, towards the audience. At the foot: aside, to the left (negative: right). Grey: rear row."),
		stakes(r.Site, datum, w.shaped()), stakeList(r.Site, datum),
	}
	for _, t := range r.Triangles {
		if b, ok := triangle(t); ok {
			blocks = append(blocks, b)
		}
	}
	return paper.Page(blocks...), nil
}

// stakes is the plan itself.
func stakes(site engine.Site, datum engine.Point, w window) paper.Block {
	perMetre := math.Min(mostScale, math.Min(float64(paper.InnerWidth-ordinates)/(w.maxY-w.minY), mostTall/(w.maxX-w.minX)))
	tall := vg.Length((w.maxX-w.minX)*perMetre) + ordinates
	return paper.Block{Height: tall, Ink: func(c draw.Canvas) {
		sheet := draw.Crop(c, ordinates, 0, ordinates, 0)
		centre := (w.minY + w.maxY) / 2
		g := ground{sheet,
			func(v float64) vg.Length { return sheet.Center().X + vg.Length((v+centre)*perMetre) },
			func(v float64) vg.Length { return sheet.Min.Y + vg.Length((v-w.minX)*perMetre) }}
		along(g, site, datum)
		aside(g, site, datum)
		l := &paper.Labels{Within: vg.Rectangle{Min: sheet.Min, Max: c.Max}}
		var boxes []vg.Rectangle
		for _, src := range site.Sources {
			box, _ := site.Cabinet(src.Cabinet)
			cabinet(g, src, box)
			boxes = append(boxes, l.Reserve(1, append(ring(g, footprint(src, box)), g.at(src.At))...))
		}
		mark := g.at(datum)
		l.Reserve(6, mark)
		l.Put(c, paper.Tinted(paper.Lettering(paper.Small), paper.Line(1).Color), "datum", paper.Beside(mark, 7)...)
		for i, src := range site.Sources {
			stakeName(c, l, boxes[i], i+1, src.Name)
		}
		for _, shape := range []draw.GlyphDrawer{draw.PlusGlyph{}, draw.RingGlyph{}} {
			g.DrawGlyph(draw.GlyphStyle{Color: paper.Line(1).Color, Radius: 6, Shape: shape}, mark)
		}
	}}
}

// stakeName writes number and name beside a cabinet, or the number on it.
func stakeName(c draw.Canvas, l *paper.Labels, box vg.Rectangle, n int, name string) {
	s, at, half := paper.Lettering(paper.Small), paper.Middle(box), vg.Point{X: box.Size().X / 2, Y: box.Size().Y / 2}
	words := fmt.Sprintf("%d %s", n, name)
	if l.Put(c, s, words,
		paper.Place{At: vg.Point{X: at.X, Y: at.Y - half.Y}, Up: -1, Gap: 2}, paper.Place{At: vg.Point{X: at.X, Y: at.Y + half.Y}, Up: 1, Gap: 8},
		paper.Place{At: vg.Point{X: at.X + half.X, Y: at.Y}, Across: 1, Gap: 2}, paper.Place{At: vg.Point{X: at.X - half.X, Y: at.Y}, Across: -1, Gap: 2}) {
		return
	}
	on := paper.Labels{Within: l.Within}
	on.Put(c, s, fmt.Sprint(n), paper.Place{At: at})
}

// stakeList says the same in numbers, and where the sources face.
func stakeList(site engine.Site, datum engine.Point) paper.Block {
	rows := [][]string{{"", "", "along / m", "aside / m", "facing / °"}}
	for i, src := range site.Sources {
		deg := math.Remainder(src.FacingRad*180/math.Pi, 360)
		rows = append(rows, []string{fmt.Sprint(i + 1), src.Name, paper.Number(src.At.X-datum.X, 2), paper.Number(src.At.Y-datum.Y, 2), paper.Number(deg, 0)})
	}
	return paper.Table(rows, 58)
}

// along draws a line from every place to the left of the plan, with its distance
// from the datum there. Places that a tape cannot tell apart share one. Where there
// are too many for their numbers to have room, the list has them.
func along(g ground, site engine.Site, datum engine.Point) {
	var values []float64
	for _, src := range site.Sources {
		values = append(values, src.At.X)
	}
	values = distinct(values)
	rows := make([]vg.Length, len(values))
	for i, x := range values {
		rows[i] = g.up(x)
	}
	s := paper.Aligned(paper.Lettering(paper.Small), draw.XRight)
	for i, y := range spread(rows, paper.Small+2, g.Min.Y, g.Max.Y) {
		end := g.Max.X // the first source on the line
		for _, src := range site.Sources {
			if math.Abs(src.At.X-values[i]) < distinctM {
				end = min(end, g.at(src.At).X)
			}
		}
		g.StrokeLines(paper.Thin(paper.Grey), []vg.Point{{X: g.Min.X - 8, Y: y}, {X: g.Min.X, Y: rows[i]}, {X: end, Y: rows[i]}})
		paper.Write(g.Canvas, s, vg.Point{X: g.Min.X - 10, Y: y}, paper.Number(values[i]-datum.X, 2))
	}
}

// aside is the same at the foot, from left to right.
func aside(g ground, site engine.Site, datum engine.Point) {
	var values []float64
	for _, src := range site.Sources {
		values = append(values, -src.At.Y)
	}
	values = distinct(values)
	columns := make([]vg.Length, len(values))
	for i, v := range values {
		columns[i] = g.across(v)
	}
	s, room := footed(paper.Lettering(paper.Small), columns)
	for i, x := range spread(columns, room, g.Min.X, g.Max.X) {
		end := g.Max.Y
		for _, src := range site.Sources {
			if math.Abs(-src.At.Y-values[i]) < distinctM {
				end = min(end, g.at(src.At).Y)
			}
		}
		g.StrokeLines(paper.Thin(paper.Grey), []vg.Point{{X: x, Y: g.Min.Y - 8}, {X: columns[i], Y: g.Min.Y}, {X: columns[i], Y: end}})
		paper.Write(g.Canvas, s, vg.Point{X: x, Y: g.Min.Y - 10}, paper.Number(-values[i]-datum.Y, 2))
	}
}

// footed is the style of the numbers at the foot and the room each needs: upright
// where they would touch each other otherwise.
func footed(s text.Style, columns []vg.Length) (text.Style, vg.Length) {
	room := s.Width("−00.00") + 3
	for i := 1; i < len(columns); i++ {
		if columns[i]-columns[i-1] < room {
			s.Rotation, s.XAlign, s.YAlign = math.Pi/2, draw.XRight, draw.YCenter
			return s, paper.Small + 2
		}
	}
	s.YAlign = draw.YTop
	return s, room
}

// distinctM is what a tape on rough ground can tell apart.
const distinctM = 0.005

// distinct sorts values and keeps one of those that a tape cannot tell apart.
func distinct(values []float64) []float64 {
	slices.Sort(values)
	return slices.CompactFunc(values, func(a, b float64) bool { return math.Abs(b-a) < distinctM })
}

// spread moves ascending places apart until each has room, half of the way to either
// side, and keeps them between low and high; nil where they do not fit there.
func spread(places []vg.Length, room, low, high vg.Length) []vg.Length {
	n := len(places)
	if vg.Length(n-1)*room > high-low {
		return nil
	}
	up, down := slices.Clone(places), slices.Clone(places)
	for i := 1; i < n; i++ {
		up[i] = max(up[i], up[i-1]+room)
		down[n-1-i] = min(down[n-1-i], down[n-i]-room)
	}
	at := make([]vg.Length, n)
	for i := range at {
		at[i] = max((up[i]+down[i])/2, low+vg.Length(i)*room)
		at[i] = min(at[i], high-vg.Length(n-1-i)*room)
	}
	return at
}

// triangle shows how a forward offset was found, to scale, the audience at the
// right; false where there is nothing to show.
func triangle(t design.Triangle) (paper.Block, bool) {
	deep := math.Max(t.DepthM, t.OuterM) + math.Max(0, t.OffsetM)
	if !(t.AsideM > 0) || !(deep > 0) || math.IsInf(deep+t.AsideM, 0) {
		return paper.Block{}, false
	}
	title := "Forward offset"
	if t.Array != "" {
		title += ", " + t.Array
	}
	words := fmt.Sprintf("The outer sources are %s m from the rear one, the middle one %s m: null at %s. The whole front row %s m %s: null at %s.",
		paper.Number(t.SlantM, 2), paper.Number(t.DepthM, 2), paper.Hertz(t.NullBeforeHz), paper.Number(math.Abs(t.OffsetM), 2), ahead(t.OffsetM), paper.Hertz(t.NullAfterHz))
	head := paper.Heading(title, words)
	scale := vg.Length(math.Min(float64(paper.InnerWidth-240)/t.AsideM, 170/deep))
	tall := scale*vg.Length(deep) + 60
	return paper.Block{Height: head.Height + tall, Ink: func(c draw.Canvas) {
		head.Ink(c)
		origin := vg.Point{X: c.Center().X + scale*vg.Length(t.AsideM)/2, Y: c.Min.Y + 36}
		corner(c, t, func(along, aside float64) vg.Point {
			return origin.Add(vg.Point{X: -scale * vg.Length(aside), Y: scale * vg.Length(along)})
		})
	}}, true
}

func ahead(offset float64) string {
	if offset < 0 {
		return "back"
	}
	return "forward"
}

// corner draws the three sources, dashed as the site has them and blue once the
// front row has moved, and what lies between them.
func corner(c draw.Canvas, t design.Triangle, at func(along, aside float64) vg.Point) {
	rear, front, outer := at(0, 0), at(t.DepthM, 0), at(t.OuterM, t.AsideM)
	moved, slanted := at(t.DepthM+t.OffsetM, 0), at(t.OuterM+t.OffsetM, t.AsideM)
	foot := rear.Y - 12
	c.StrokeLines(paper.Thin(paper.Grey), []vg.Point{{X: outer.X, Y: foot}, {X: rear.X, Y: foot}},
		[]vg.Point{{X: outer.X, Y: foot - 3}, {X: outer.X, Y: foot + 3}}, []vg.Point{{X: rear.X, Y: foot - 3}, {X: rear.X, Y: foot + 3}})
	c.StrokeLines(draw.LineStyle{Color: paper.Grey, Width: 1, Dashes: []vg.Length{4, 3}}, []vg.Point{rear, front, outer, rear})
	c.StrokeLines(draw.LineStyle{Color: paper.Line(0).Color, Width: 1.4}, []vg.Point{rear, moved, slanted, rear})
	s := paper.Lettering(paper.Small)
	l := paper.Labels{Within: c.Rectangle}
	for _, p := range []vg.Point{rear, front, outer, moved, slanted} {
		c.DrawGlyph(draw.GlyphStyle{Color: paper.Ink, Radius: 3, Shape: draw.CircleGlyph{}}, p)
		l.Reserve(4, p)
	}
	half := func(p, q vg.Point) vg.Point { return paper.Middle(vg.Rectangle{Min: p, Max: q}) }
	l.Put(c, s, "rear", paper.Next(rear, 1, 0, 6))
	l.Put(c, s, "middle", paper.Next(moved, 1, 0, 6))
	l.Put(c, s, "outer", paper.Next(slanted, -1, 0, 6))
	l.Put(c, s, fmt.Sprintf("%s → %s m", paper.Number(t.DepthM, 2), paper.Number(t.DepthM+t.OffsetM, 2)), paper.Next(half(rear, front), 1, 0, 4), paper.Next(half(rear, moved), 1, 0, 4))
	l.Put(c, s, fmt.Sprintf("%s → %s m", paper.Number(t.SlantM, 2), paper.Number(t.SlantAfterM, 2)), paper.Next(half(rear, outer), -1, 0, 8), paper.Next(half(rear, slanted), 0, 0, 0))
	l.Put(c, s, fmt.Sprintf("%s m aside", paper.Number(t.AsideM, 2)), paper.Next(vg.Point{X: half(rear, outer).X, Y: foot}, 0, -1, 2))
}
