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
)

// Room around a stake-out plan for its dimensions, and the most it may take.
const (
	ordinates  = 42 // points at the left and at the foot
	aroundM    = 0.6
	mostTall   = 460
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
	blocks := []block{
		heading("Stake-out", owner(r.Site, layout),
			"Metres from the datum: at the left towards the audience (negative: behind it), at the foot to the left (negative: right). To the middle of the front face; grey: rear row."),
		stakes(r.Site, datum, w.shaped()),
	}
	for _, t := range r.Triangles {
		if b, ok := triangle(t); ok {
			blocks = append(blocks, b)
		}
	}
	return page(blocks...), nil
}

// stakes is the plan itself.
func stakes(site engine.Site, datum engine.Point, w window) block {
	perMetre := math.Min(float64(innerWidth-ordinates)/(w.maxY-w.minY), mostTall/(w.maxX-w.minX))
	tall := vg.Length((w.maxX-w.minX)*perMetre) + ordinates
	return block{tall, func(c draw.Canvas) {
		paper := draw.Crop(c, ordinates, 0, ordinates, 0)
		middle := (w.minY + w.maxY) / 2
		g := ground{paper,
			func(v float64) vg.Length { return paper.Center().X + vg.Length((v+middle)*perMetre) },
			func(v float64) vg.Length { return paper.Min.Y + vg.Length((v-w.minX)*perMetre) }}
		dimensions(g, site, datum)
		l := &labels{within: vg.Rectangle{Min: paper.Min, Max: c.Max}}
		for _, src := range site.Sources {
			box, _ := site.Cabinet(src.Cabinet)
			cabinet(g, src, box)
			l.reserve(g.at(src.At), 5)
		}
		g.DrawGlyph(draw.GlyphStyle{Color: line(1).Color, Radius: 7, Shape: draw.PlusGlyph{}}, g.at(datum))
		g.DrawGlyph(draw.GlyphStyle{Color: line(1).Color, Radius: 4, Shape: draw.RingGlyph{}}, g.at(datum))
		for _, src := range site.Sources {
			l.put(c, lettering(small), staked(src), beside(g.at(src.At), 8)...)
		}
		l.put(c, tinted(lettering(small), line(1).Color), "datum", beside(g.at(datum), 8)...)
	}}
}

// staked is a source's name, and where it faces if that is not straight ahead.
func staked(src engine.Source) string {
	deg := math.Remainder(src.FacingRad*180/math.Pi, 360)
	switch {
	case math.Abs(deg) < 0.05:
		return src.Name
	case deg > 0:
		return fmt.Sprintf("%s, %s° left", src.Name, number(deg, 0))
	default:
		return fmt.Sprintf("%s, %s° right", src.Name, number(-deg, 0))
	}
}

// dimensions draws a line from every place to the left and to the foot of the
// plan, with its distance from the datum there. Places nearer than 5 mm share one.
func dimensions(g ground, site engine.Site, datum engine.Point) {
	var along, aside []float64
	for _, src := range site.Sources {
		along, aside = append(along, src.At.X), append(aside, src.At.Y)
	}
	s := lettering(small)
	xs := distinct(along)
	rows := make([]vg.Length, len(xs))
	for i, x := range xs {
		rows[i] = g.up(x)
	}
	for i, y := range spread(rows, small+2) {
		nearest := g.Max.X // where the dimension line ends: the first source on it
		for _, src := range site.Sources {
			if math.Abs(src.At.X-xs[i]) < distinctM {
				nearest = min(nearest, g.at(src.At).X)
			}
		}
		g.StrokeLines(thin(grey), []vg.Point{{X: g.Min.X - 8, Y: y}, {X: g.Min.X, Y: rows[i]}, {X: nearest, Y: rows[i]}})
		g.FillText(aligned(s, draw.XRight), vg.Point{X: g.Min.X - 10, Y: y}, number(xs[i]-datum.X, 2))
	}
	ys := distinct(aside)
	slices.Reverse(ys)
	columns := make([]vg.Length, len(ys))
	for i, y := range ys {
		columns[i] = g.across(-y)
	}
	s, room := footed(s, columns)
	for i, x := range spread(columns, room) {
		nearest := g.Max.Y
		for _, src := range site.Sources {
			if math.Abs(src.At.Y-ys[i]) < distinctM {
				nearest = min(nearest, g.at(src.At).Y)
			}
		}
		g.StrokeLines(thin(grey), []vg.Point{{X: x, Y: g.Min.Y - 8}, {X: columns[i], Y: g.Min.Y}, {X: columns[i], Y: nearest}})
		g.FillText(s, vg.Point{X: x, Y: g.Min.Y - 10}, number(ys[i]-datum.Y, 2))
	}
}

// footed is the style of the numbers at the foot and the room each needs: upright
// where they would touch each other otherwise.
func footed(s text.Style, columns []vg.Length) (text.Style, vg.Length) {
	room := s.Width("−00.00") + 3
	for i := 1; i < len(columns); i++ {
		if columns[i]-columns[i-1] < room {
			s.Rotation, s.XAlign, s.YAlign = math.Pi/2, draw.XRight, draw.YCenter
			return s, small + 2
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

// spread moves ascending places apart until each has room, about where they were.
func spread(places []vg.Length, room vg.Length) []vg.Length {
	at := slices.Clone(places)
	for range len(at) * len(at) {
		moved := false
		for i := 1; i < len(at); i++ {
			if short := room - (at[i] - at[i-1]); short > 0.01 {
				at[i-1], at[i] = at[i-1]-short/2, at[i]+short/2
				moved = true
			}
		}
		if !moved {
			break
		}
	}
	return at
}

// triangle shows how a forward offset was found, to scale, the audience at the
// right; false where there is nothing to show.
func triangle(t design.Triangle) (block, bool) {
	most := math.Max(t.DepthM, t.OuterM) + math.Max(0, t.OffsetM)
	if !(t.AsideM > 0) || !(most > 0) || math.IsInf(most+t.AsideM, 0) {
		return block{}, false
	}
	title := "Forward offset"
	if t.Array != "" {
		title += ", " + t.Array
	}
	words := fmt.Sprintf("The outer sources are %s m from the rear one, the middle one %s m: null at %s. The whole front row %s m %s: null at %s.",
		number(t.SlantM, 2), number(t.DepthM, 2), hertz(t.NullBeforeHz), number(math.Abs(t.OffsetM), 2), ahead(t.OffsetM), hertz(t.NullAfterHz))
	head := heading(title, words)
	scale := vg.Length(math.Min(float64(innerWidth-120)/most, 150/t.AsideM))
	tall := scale*vg.Length(t.AsideM) + 44
	return block{head.height + tall, func(c draw.Canvas) {
		head.ink(c)
		origin := vg.Point{X: c.Min.X + 50, Y: c.Min.Y + 24}
		at := func(x, y float64) vg.Point {
			return origin.Add(vg.Point{X: scale * vg.Length(x), Y: scale * vg.Length(y)})
		}
		corner(c, t, at)
	}}, true
}

func ahead(offset float64) string {
	if offset < 0 {
		return "back"
	}
	return "forward"
}

// corner draws the three sources, before and after, and what lies between them.
func corner(c draw.Canvas, t design.Triangle, at func(x, y float64) vg.Point) {
	rear, front, outer := at(0, 0), at(t.DepthM, 0), at(t.OuterM, t.AsideM)
	moved, slanted := at(t.DepthM+t.OffsetM, 0), at(t.OuterM+t.OffsetM, t.AsideM)
	c.StrokeLines(draw.LineStyle{Color: grey, Width: 1, Dashes: []vg.Length{4, 3}}, []vg.Point{rear, front, outer, rear})
	c.StrokeLines(draw.LineStyle{Color: line(0).Color, Width: 1.4}, []vg.Point{rear, moved, slanted, rear})
	s := lettering(small)
	l := labels{within: c.Rectangle}
	for _, p := range []vg.Point{rear, front, outer, moved, slanted} {
		c.DrawGlyph(draw.GlyphStyle{Color: ink, Radius: 3, Shape: draw.CircleGlyph{}}, p)
		l.reserve(p, 4)
	}
	l.put(c, s, "rear", place{rear, -1, 0, 6})
	l.put(c, s, "middle", place{moved, 1, 0, 6})
	l.put(c, s, "outer", place{slanted, 1, 0, 6})
	half := func(p, q vg.Point) vg.Point { return vg.Point{X: (p.X + q.X) / 2, Y: (p.Y + q.Y) / 2} }
	l.put(c, s, fmt.Sprintf("%s m, now %s m", number(t.DepthM, 2), number(t.DepthM+t.OffsetM, 2)), place{half(rear, front), 0, -1, 4})
	l.put(c, s, fmt.Sprintf("%s m, now %s m", number(t.SlantM, 2), number(t.SlantAfterM, 2)),
		place{half(rear, outer), -1, 1, 4}, place{half(rear, outer), 0, 0, 0})
	l.put(c, s, fmt.Sprintf("%s m", number(t.AsideM, 2)), place{half(moved, slanted), 1, 0, 6}, place{half(front, outer), 0, 0, 0})
}
