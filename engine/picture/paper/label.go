package paper

import (
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Labels keeps names from covering each other.
type Labels struct {
	Within vg.Rectangle
	taken  []vg.Rectangle
}

// Put writes words, on a veil of paper, at the first of the places where they are
// free; nowhere if there is none.
func (l *Labels) Put(c draw.Canvas, s text.Style, words string, places ...Place) bool {
	half := vg.Point{X: s.Width(words)/2 + 2, Y: Lead(s) / 2}
	for _, p := range places {
		at := vg.Point{X: p.At.X + p.Across*(half.X+p.Gap), Y: p.At.Y + p.Up*(half.Y+p.Gap)}
		box := vg.Rectangle{Min: at.Sub(half), Max: at.Add(half)}
		if !l.free(box) {
			continue
		}
		l.taken = append(l.taken, box)
		c.FillPolygon(Veil, Corners(box))
		Write(c, s, at, words)
		return true
	}
	return false
}

// Place is where words may stand: at a point, or a gap beside it in the direction
// Across (1 right, -1 left) and Up (1 above, -1 below).
type Place struct {
	At         vg.Point
	Across, Up vg.Length
	Gap        vg.Length
}

// Next is a place beside a point.
func Next(at vg.Point, across, up, gap vg.Length) Place { return Place{at, across, up, gap} }

// Beside lists the places around a mark of a size.
func Beside(at vg.Point, gap vg.Length) []Place {
	return []Place{{at, 1, 0, gap}, {at, -1, 0, gap}, {at, 0, 1, gap}, {at, 0, -1, gap},
		{at, 1, 1, gap}, {at, -1, 1, gap}, {at, 1, -1, gap}, {at, -1, -1, gap}}
}

func (l *Labels) free(box vg.Rectangle) bool {
	if box.Min.X < l.Within.Min.X || box.Max.X > l.Within.Max.X || box.Min.Y < l.Within.Min.Y || box.Max.Y > l.Within.Max.Y {
		return false
	}
	for _, t := range l.taken {
		if box.Min.X < t.Max.X && t.Min.X < box.Max.X && box.Min.Y < t.Max.Y && t.Min.Y < box.Max.Y {
			return false
		}
	}
	return true
}

// Reserve keeps what points enclose free, and a little around it.
func (l *Labels) Reserve(around vg.Length, points ...vg.Point) vg.Rectangle {
	box := Bounds(points)
	d := vg.Point{X: around, Y: around}
	l.taken = append(l.taken, vg.Rectangle{Min: box.Min.Sub(d), Max: box.Max.Add(d)})
	return box
}

// Bounds is the least rectangle that holds all the points; there must be one.
func Bounds(points []vg.Point) vg.Rectangle {
	box := vg.Rectangle{Min: points[0], Max: points[0]}
	for _, p := range points {
		box.Min = vg.Point{X: min(box.Min.X, p.X), Y: min(box.Min.Y, p.Y)}
		box.Max = vg.Point{X: max(box.Max.X, p.X), Y: max(box.Max.Y, p.Y)}
	}
	return box
}

// Middle is the middle of a rectangle.
func Middle(r vg.Rectangle) vg.Point {
	return vg.Point{X: (r.Min.X + r.Max.X) / 2, Y: (r.Min.Y + r.Max.Y) / 2}
}

// Corners are those of a rectangle, all around.
func Corners(r vg.Rectangle) []vg.Point {
	return []vg.Point{r.Min, {X: r.Max.X, Y: r.Min.Y}, r.Max, {X: r.Min.X, Y: r.Max.Y}}
}
