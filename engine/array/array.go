// Package array finds the parts of a site that act as one, and takes their
// measures: depth, spacing, arc, as a tape on the ground has them.
package array

import (
	"cmp"
	"math"
	"slices"

	"hushback/engine"
)

// ApartM: two sources nearer to each other along a direction than this stand in
// the same place along it, as a tape measures.
const ApartM = 0.05

// Array is a part of the site that acts as one: a group of outputs, and of a
// group with a left and a right one of them.
type Array struct {
	Name    string
	Front   []engine.Source // the foremost row, from left to right
	Behind  []engine.Source // everything else, rear sources and rows in step with the front one
	AxisRad float64         // where the front row looks
	At      engine.Point    // middle of the front row's width, at its foremost source
}

// Of is the parts of a site, in the order of its outputs, left before
// right.
func Of(site engine.Site) []Array {
	var found []Array
	for _, group := range Groups(site) {
		var own []engine.Source
		for _, src := range site.Sources {
			if out, _ := site.Output(src.Output); out.Group == group {
				own = append(own, src)
			}
		}
		left, right := sides(own)
		if left == nil {
			found = append(found, Gather(group, own))
			continue
		}
		found = append(found, Gather(join(group, "left"), left), Gather(join(group, "right"), right))
	}
	return slices.DeleteFunc(found, func(a Array) bool { return len(a.Front) == 0 })
}

// Groups are the names that the outputs give, in their order.
func Groups(site engine.Site) []string {
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
	if math.Min(inner, -outer) < ClearM || inner-outer < 2*math.Max(widestGap(left), widestGap(right)) {
		return nil, nil
	}
	return left, right
}

// ClearM: a left and a right that come nearer to the axis are one array.
const ClearM = 2

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

// Gather makes an array of sources; its axis is where its front row looks on
// average.
func Gather(name string, sources []engine.Source) Array {
	a := Array{Name: name}
	var x, y float64
	for _, src := range sources {
		if src.Row == engine.RowFront {
			x, y = x+math.Cos(src.FacingRad), y+math.Sin(src.FacingRad)
		}
	}
	if math.Hypot(x, y) > 1e-6*float64(len(sources)) {
		a.AxisRad = math.Atan2(y, x)
	}
	for _, src := range sources {
		if src.Row == engine.RowFront && !slices.ContainsFunc(sources, func(o engine.Source) bool { return a.covers(o, src) }) {
			a.Front = append(a.Front, src)
		} else {
			a.Behind = append(a.Behind, src)
		}
	}
	if len(a.Front) > 0 {
		a.settle()
	}
	return a
}

// covers reports whether p is of the front rows and stands straight ahead of q.
func (a Array) covers(p, q engine.Source) bool {
	return p.Row == engine.RowFront && math.Abs(a.Aside(p.At)-a.Aside(q.At)) < ApartM && a.Along(p.At) > a.Along(q.At)+ApartM
}

// settle puts the middle of the front row at its place and the row in order.
func (a *Array) settle() {
	var width float64
	ahead := math.Inf(-1)
	for _, src := range a.Front {
		width += a.Aside(src.At) / float64(len(a.Front))
		ahead = math.Max(ahead, a.Along(src.At))
	}
	sin, cos := math.Sincos(a.AxisRad)
	a.At = engine.Point{X: ahead*cos - width*sin, Y: ahead*sin + width*cos, Z: a.Front[0].At.Z}
	slices.SortStableFunc(a.Front, func(p, q engine.Source) int { return cmp.Compare(a.Aside(q.At), a.Aside(p.At)) })
}

// Along is how many metres ahead of the front row's foremost source a point is, on
// the axis.
func (a Array) Along(p engine.Point) float64 {
	sin, cos := math.Sincos(a.AxisRad)
	return (p.X-a.At.X)*cos + (p.Y-a.At.Y)*sin
}

// Aside is how many metres to the left of the axis a point is.
func (a Array) Aside(p engine.Point) float64 {
	sin, cos := math.Sincos(a.AxisRad)
	return (p.Y-a.At.Y)*cos - (p.X-a.At.X)*sin
}

// Ahead is the point d metres further along the axis than p.
func (a Array) Ahead(p engine.Point, d float64) engine.Point {
	sin, cos := math.Sincos(a.AxisRad)
	return engine.Point{X: p.X + d*cos, Y: p.Y + d*sin, Z: p.Z}
}

// Nearest is the source of some that stands nearest the axis, the foremost
// among equals: where a tape along the axis is held.
func (a Array) Nearest(sources []engine.Source) engine.Source {
	return slices.MinFunc(sources, func(p, q engine.Source) int {
		near := cmp.Compare(math.Round(math.Abs(a.Aside(p.At))/ApartM), math.Round(math.Abs(a.Aside(q.At))/ApartM))
		return cmp.Or(near, cmp.Compare(a.Along(q.At), a.Along(p.At)))
	})
}

// Rear is the sources of the rear row.
func (a Array) Rear() []engine.Source {
	return slices.DeleteFunc(slices.Clone(a.Behind), func(s engine.Source) bool { return s.Row != engine.RowRear })
}

// Depths are the distances from the front row's foremost source back to each
// row behind it, measured down the column of sources nearest the axis; rising.
func (a Array) Depths() []float64 {
	nearest := math.Inf(1)
	for _, src := range a.Behind {
		nearest = math.Min(nearest, math.Abs(a.Aside(src.At)))
	}
	var found []float64
	for _, src := range a.Behind {
		if math.Abs(a.Aside(src.At)) < nearest+ApartM {
			found = append(found, -a.Along(src.At))
		}
	}
	slices.Sort(found)
	return slices.CompactFunc(found, func(p, q float64) bool { return math.Abs(p-q) < ApartM })
}

// Spacing is the widest and the mean distance between neighbours of the front
// row; 0 for a single source.
func (a Array) Spacing() (widest, mean float64) {
	for i := 1; i < len(a.Front); i++ {
		d := a.Front[i].At.Distance(a.Front[i-1].At)
		widest = math.Max(widest, d)
		mean += d / float64(len(a.Front)-1)
	}
	return widest, mean
}

// SagM is how far the outer sources of the front row stand behind its foremost,
// the mean of both sides.
func (a Array) SagM() float64 {
	return -(a.Along(a.Front[0].At) + a.Along(a.Front[len(a.Front)-1].At)) / 2
}

// ArcRad is the arc between the outermost sources of the front row. Seen from
// the source nearest the axis, at angle β on the circle (0 with an odd number
// of sources, half a step with an even one), the outer one at θ/2 lies in the
// direction (θ/2+β)/2 from the row's straight line.
func (a Array) ArcRad() float64 {
	n := float64(len(a.Front))
	if n < 3 {
		return 0
	}
	middle := a.Front[len(a.Front)/2]
	outer := a.Front[len(a.Front)-1]
	back := a.Along(middle.At) - a.Along(outer.At)
	direction := math.Atan2(back, math.Abs(a.Aside(outer.At)-a.Aside(middle.At)))
	if len(a.Front)%2 == 0 {
		return 4 * direction * (n - 1) / n
	}
	return 4 * direction
}

// Bent reports whether the front row's outer sources stand back by more than a
// tape could miss.
func (a Array) Bent() bool { return len(a.Front) > 2 && math.Abs(a.SagM()) > ApartM }

// Delayed is the array as its delays make it sound: a source of the front row
// that waits stands back by the way that sound goes meanwhile.
func (a Array) Delayed(site engine.Site, speed float64) Array {
	least := math.Inf(1)
	bend := make([]float64, len(a.Front))
	for i, src := range a.Front {
		if out, _ := site.Output(src.Output); out.AsPlaced {
			bend[i] = out.BendSec
		}
		least = math.Min(least, bend[i])
	}
	a.Front = slices.Clone(a.Front)
	for i, src := range a.Front {
		a.Front[i].At = a.Ahead(src.At, (least-bend[i])*speed)
	}
	return a
}

// HalfWidthM is how far the array reaches to either side of its axis.
func (a Array) HalfWidthM() float64 {
	var half float64
	for _, src := range slices.Concat(a.Front, a.Behind) {
		half = math.Max(half, math.Abs(a.Aside(src.At)))
	}
	return half
}

// Alone is the site with this array's sources and outputs only.
func (a Array) Alone(site engine.Site) engine.Site {
	site.Sources = slices.Concat(a.Behind, a.Front)
	site.Outputs = slices.DeleteFunc(slices.Clone(site.Outputs), func(o engine.Output) bool { return len(site.Fed(o.Number)) == 0 })
	return site
}

// alike reports whether two arrays are set up the same way, or mirrored.
func (a Array) alike(b Array) bool {
	if len(a.Front) != len(b.Front) || len(a.Behind) != len(b.Behind) {
		return false
	}
	return slices.EqualFunc(a.measures(), b.measures(), func(p, q float64) bool { return math.Abs(p-q) < ApartM })
}

// measures are the lengths that tell one array from another.
func (a Array) measures() []float64 {
	widest, mean := a.Spacing()
	return append(a.Depths(), widest, mean, a.SagM(), a.HalfWidthM())
}

// Distinct leaves out arrays that are set up like an earlier one.
func Distinct(all []Array) []Array {
	var kept []Array
	for _, a := range all {
		if !slices.ContainsFunc(kept, a.alike) {
			kept = append(kept, a)
		}
	}
	return kept
}

// Moved is the site with some of this array's sources d metres further along
// its axis.
func (a Array) Moved(site engine.Site, sources []engine.Source, d float64) engine.Site {
	site.Sources = slices.Clone(site.Sources)
	for i, src := range site.Sources {
		if slices.ContainsFunc(sources, func(o engine.Source) bool { return o.Name == src.Name }) {
			site.Sources[i].At = a.Ahead(src.At, d)
		}
	}
	return site
}

// Back is how far behind p a wall crosses the array's axis; false where it does
// not, or only at a glancing angle.
func (a Array) Back(p engine.Point, wall engine.Wall) (float64, bool) {
	nx, ny := wall.From.Y-wall.To.Y, wall.To.X-wall.From.X
	length := math.Hypot(nx, ny)
	sin, cos := math.Sincos(a.AxisRad)
	facing := -(nx*cos + ny*sin) / length
	if math.Abs(facing) < 0.5 {
		return 0, false
	}
	d := ((wall.From.X-p.X)*nx + (wall.From.Y-p.Y)*ny) / length / facing
	return d, d > 0
}
