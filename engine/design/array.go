package design

import (
	"cmp"
	"math"
	"slices"

	"hushback/engine"
	"hushback/engine/coverage"
)

// apartM: two sources nearer to each other along a direction than this stand in
// the same place along it, as a tape measures.
const apartM = 0.05

// array is a part of the site that acts as one: a group of outputs, and of a
// group with a left and a right one of them.
type array struct {
	name    string
	front   []engine.Source // the foremost row, from left to right
	behind  []engine.Source // everything else, rear sources and rows in step with the front one
	axisRad float64         // where the front row looks
	at      engine.Point    // middle of the front row's width, at its foremost source
}

// arrays are the parts of a site, in the order of its outputs, left before
// right.
func arrays(site engine.Site) []array {
	var found []array
	for _, group := range groups(site) {
		var own []engine.Source
		for _, src := range site.Sources {
			if out, _ := site.Output(src.Output); out.Group == group {
				own = append(own, src)
			}
		}
		left, right := sides(own)
		if left == nil {
			found = append(found, gather(group, own))
			continue
		}
		found = append(found, gather(join(group, "left"), left), gather(join(group, "right"), right))
	}
	return slices.DeleteFunc(found, func(a array) bool { return len(a.front) == 0 })
}

// groups are the names that the outputs give, in their order.
func groups(site engine.Site) []string {
	var names []string
	for _, out := range site.Outputs {
		if !slices.Contains(names, out.Group) {
			names = append(names, out.Group)
		}
	}
	return names
}

func join(group, side string) string {
	if group == "" {
		return side
	}
	return group + " " + side
}

// sides splits sources into a left and a right where both keep clear of the x
// axis and the gap across it is twice as wide as any other between neighbours
// across the stage; otherwise both are nil.
func sides(sources []engine.Source) (left, right []engine.Source) {
	for _, src := range sources {
		if src.At.Y > 0 {
			left = append(left, src)
		} else {
			right = append(right, src)
		}
	}
	if len(left) == 0 || len(right) == 0 {
		return nil, nil
	}
	byY := func(a, b engine.Source) int { return cmp.Compare(a.At.Y, b.At.Y) }
	inner, outer := slices.MinFunc(left, byY).At.Y, slices.MaxFunc(right, byY).At.Y
	if math.Min(inner, -outer) < clearM || inner-outer < 2*math.Max(widestGap(left), widestGap(right)) {
		return nil, nil
	}
	return left, right
}

// clearM: a left and a right that come nearer to the axis are one array.
const clearM = 2

// widestGap is the greatest step from one source to the next across the stage.
func widestGap(sources []engine.Source) float64 {
	y := make([]float64, len(sources))
	for i, src := range sources {
		y[i] = src.At.Y
	}
	slices.Sort(y)
	var widest float64
	for i := 1; i < len(y); i++ {
		widest = math.Max(widest, y[i]-y[i-1])
	}
	return widest
}

// gather makes an array of sources; its axis is where its front row looks on
// average.
func gather(name string, sources []engine.Source) array {
	a := array{name: name}
	var x, y float64
	for _, src := range sources {
		if src.Row == engine.RowFront {
			x, y = x+math.Cos(src.FacingRad), y+math.Sin(src.FacingRad)
		}
	}
	if math.Hypot(x, y) > 1e-6*float64(len(sources)) {
		a.axisRad = math.Atan2(y, x)
	}
	for _, src := range sources {
		if src.Row == engine.RowFront && !slices.ContainsFunc(sources, func(o engine.Source) bool { return a.covers(o, src) }) {
			a.front = append(a.front, src)
		} else {
			a.behind = append(a.behind, src)
		}
	}
	if len(a.front) > 0 {
		a.settle()
	}
	return a
}

// covers reports whether p is of the front rows and stands straight ahead of q.
func (a array) covers(p, q engine.Source) bool {
	return p.Row == engine.RowFront && math.Abs(a.aside(p.At)-a.aside(q.At)) < apartM && a.along(p.At) > a.along(q.At)+apartM
}

// settle puts the middle of the front row at its place and the row in order.
func (a *array) settle() {
	var width float64
	ahead := math.Inf(-1)
	for _, src := range a.front {
		width += a.aside(src.At) / float64(len(a.front))
		ahead = math.Max(ahead, a.along(src.At))
	}
	sin, cos := math.Sincos(a.axisRad)
	a.at = engine.Point{X: ahead*cos - width*sin, Y: ahead*sin + width*cos, Z: a.front[0].At.Z}
	slices.SortStableFunc(a.front, func(p, q engine.Source) int { return cmp.Compare(a.aside(q.At), a.aside(p.At)) })
}

// along is how far ahead of the front row's foremost source a point is, on the
// axis; aside how far to the left of the axis.
func (a array) along(p engine.Point) float64 {
	sin, cos := math.Sincos(a.axisRad)
	return (p.X-a.at.X)*cos + (p.Y-a.at.Y)*sin
}

func (a array) aside(p engine.Point) float64 {
	sin, cos := math.Sincos(a.axisRad)
	return (p.Y-a.at.Y)*cos - (p.X-a.at.X)*sin
}

// ahead is the point d metres further along the axis than p.
func (a array) ahead(p engine.Point, d float64) engine.Point {
	sin, cos := math.Sincos(a.axisRad)
	return engine.Point{X: p.X + d*cos, Y: p.Y + d*sin, Z: p.Z}
}

// nearest is the source of some that stands nearest the axis, the foremost
// among equals: where a tape along the axis is held.
func (a array) nearest(sources []engine.Source) engine.Source {
	return slices.MinFunc(sources, func(p, q engine.Source) int {
		near := cmp.Compare(math.Round(math.Abs(a.aside(p.At))/apartM), math.Round(math.Abs(a.aside(q.At))/apartM))
		return cmp.Or(near, cmp.Compare(a.along(q.At), a.along(p.At)))
	})
}

// rear is the sources of the rear row.
func (a array) rear() []engine.Source {
	return slices.DeleteFunc(slices.Clone(a.behind), func(s engine.Source) bool { return s.Row != engine.RowRear })
}

// depths are the distances from the front row's foremost source back to each
// row behind it, measured down the column of sources nearest the axis; rising.
func (a array) depths() []float64 {
	nearest := math.Inf(1)
	for _, src := range a.behind {
		nearest = math.Min(nearest, math.Abs(a.aside(src.At)))
	}
	var found []float64
	for _, src := range a.behind {
		if math.Abs(a.aside(src.At)) < nearest+apartM {
			found = append(found, -a.along(src.At))
		}
	}
	slices.Sort(found)
	return slices.CompactFunc(found, func(p, q float64) bool { return math.Abs(p-q) < apartM })
}

// spacing is the widest and the mean distance between neighbours of the front
// row; 0 for a single source.
func (a array) spacing() (widest, mean float64) {
	for i := 1; i < len(a.front); i++ {
		d := a.front[i].At.Distance(a.front[i-1].At)
		widest = math.Max(widest, d)
		mean += d / float64(len(a.front)-1)
	}
	return widest, mean
}

// sagM is how far the outer sources of the front row stand behind its foremost,
// the mean of both sides.
func (a array) sagM() float64 {
	return -(a.along(a.front[0].At) + a.along(a.front[len(a.front)-1].At)) / 2
}

// arcRad is the arc between the outermost sources of the front row. Seen from
// the source nearest the axis, at angle β on the circle (0 with an odd number
// of sources, half a step with an even one), the outer one at θ/2 lies in the
// direction (θ/2+β)/2 from the row's straight line.
func (a array) arcRad() float64 {
	n := float64(len(a.front))
	if n < 3 {
		return 0
	}
	middle := a.front[len(a.front)/2]
	outer := a.front[len(a.front)-1]
	back := a.along(middle.At) - a.along(outer.At)
	direction := math.Atan2(back, math.Abs(a.aside(outer.At)-a.aside(middle.At)))
	if len(a.front)%2 == 0 {
		return 4 * direction * (n - 1) / n
	}
	return 4 * direction
}

// bent reports whether the front row's outer sources stand back by more than a
// tape could miss.
func (a array) bent() bool { return len(a.front) > 2 && math.Abs(a.sagM()) > apartM }

// delayed is the array as its delays make it sound: a source of the front row
// that waits stands back by the way that sound goes meanwhile.
func (a array) delayed(site engine.Site, speed float64) array {
	least := math.Inf(1)
	bend := make([]float64, len(a.front))
	for i, src := range a.front {
		if out, _ := site.Output(src.Output); out.AsPlaced {
			bend[i] = out.BendSec
		}
		least = math.Min(least, bend[i])
	}
	a.front = slices.Clone(a.front)
	for i, src := range a.front {
		a.front[i].At = a.ahead(src.At, (least-bend[i])*speed)
	}
	return a
}

// row is the front row as the coverage of a row wants it, straight: what
// matters is how many there are and how far apart.
func (a array) row() coverage.Row {
	_, mean := a.spacing()
	return coverage.Row{Count: len(a.front), SpacingM: mean}
}

// halfWidthM is how far the array reaches to either side of its axis.
func (a array) halfWidthM() float64 {
	var half float64
	for _, src := range slices.Concat(a.front, a.behind) {
		half = math.Max(half, math.Abs(a.aside(src.At)))
	}
	return half
}

// alone is the site with this array's sources and outputs only.
func (a array) alone(site engine.Site) engine.Site {
	site.Sources = slices.Concat(a.behind, a.front)
	site.Outputs = slices.DeleteFunc(slices.Clone(site.Outputs), func(o engine.Output) bool { return len(site.Fed(o.Number)) == 0 })
	return site
}

// alike reports whether two arrays are set up the same way, or mirrored.
func (a array) alike(b array) bool {
	if len(a.front) != len(b.front) || len(a.behind) != len(b.behind) {
		return false
	}
	return slices.EqualFunc(a.measures(), b.measures(), func(p, q float64) bool { return math.Abs(p-q) < apartM })
}

// measures are the lengths that tell one array from another.
func (a array) measures() []float64 {
	widest, mean := a.spacing()
	return append(a.depths(), widest, mean, a.sagM(), a.halfWidthM())
}

// distinct leaves out arrays that are set up like an earlier one.
func distinct(all []array) []array {
	var kept []array
	for _, a := range all {
		if !slices.ContainsFunc(kept, a.alike) {
			kept = append(kept, a)
		}
	}
	return kept
}

// moved is the site with some of this array's sources d metres further along
// its axis.
func (a array) moved(site engine.Site, sources []engine.Source, d float64) engine.Site {
	site.Sources = slices.Clone(site.Sources)
	for i, src := range site.Sources {
		if slices.ContainsFunc(sources, func(o engine.Source) bool { return o.Name == src.Name }) {
			site.Sources[i].At = a.ahead(src.At, d)
		}
	}
	return site
}
