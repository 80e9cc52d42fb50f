package field

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"hushback/engine"
)

// The ground is sampled at the middles of square cells, all zones with the
// same cell so that their points weigh the same. A metre is fine against the
// wavelengths of subwoofers; large sites get larger cells.
const (
	cellM     = 1.0
	maxPoints = 4000
)

// quiet is the mean energy over the quiet zones relative to the audience
// zones in dB, at the target frequency and at the height of the corners.
func quiet(site engine.Site, sheet engine.Sheet) (float64, error) {
	r, err := openAt(site, sheet, []float64{site.Target.NullHz})
	if err != nil {
		return 0, err
	}
	var energy, count [2]float64
	cell := cellFor(site.Zones, maxPoints)
	for _, zone := range site.Zones {
		kind := 0
		if zone.Kind == engine.ZoneQuiet {
			kind = 1
		}
		p, err := r.along(samples(zone.Corners, cell))
		if err != nil {
			return 0, fmt.Errorf("zone %q: %w", zone.Name, err)
		}
		for _, v := range p[0] {
			level := cmplx.Abs(v)
			energy[kind] += level * level
			count[kind]++
		}
	}
	if count[0] == 0 || count[1] == 0 {
		return 0, errors.New("the site needs an audience zone and a quiet zone")
	}
	return engine.DB(math.Sqrt(energy[1] / count[1] / (energy[0] / count[0]))), nil
}

// cellFor is the side of a cell that keeps all zones together near most points.
func cellFor(zones []engine.Zone, most int) float64 {
	var area float64
	for _, z := range zones {
		low, high := box(z.Corners)
		area += (high.X - low.X) * (high.Y - low.Y)
	}
	return math.Max(cellM, math.Sqrt(area/float64(max(1, most))))
}

// samples are the middles of the cells that lie inside the polygon, the first
// cell at the corner of its box.
func samples(corners []engine.Point, cell float64) []engine.Point {
	steps := func(from, to float64) (at []float64) {
		for x := from + cell/2; x < to; x += cell {
			at = append(at, x)
		}
		return at
	}
	return within(corners, steps)
}

// within are the crossings, at the places that steps puts along each side of a
// polygon's box, that lie inside it. A polygon too thin to hold one has its
// corners.
func within(corners []engine.Point, steps func(from, to float64) []float64) []engine.Point {
	low, high := box(corners)
	rows := steps(low.Y, high.Y)
	var points []engine.Point
	for _, x := range steps(low.X, high.X) {
		for _, y := range rows {
			if p := (engine.Point{X: x, Y: y, Z: low.Z}); inside(corners, p) {
				points = append(points, p)
			}
		}
	}
	if points == nil {
		return corners
	}
	return points
}

func box(corners []engine.Point) (low, high engine.Point) {
	for i, p := range corners {
		if i == 0 {
			low, high = p, p
		}
		low.X, low.Y = math.Min(low.X, p.X), math.Min(low.Y, p.Y)
		high.X, high.Y = math.Max(high.X, p.X), math.Max(high.Y, p.Y)
	}
	return low, high
}

// inside counts how often the polygon's edges are crossed on the way to the
// left: odd is inside.
func inside(corners []engine.Point, p engine.Point) bool {
	in := false
	for i, a := range corners {
		b := corners[(i+1)%len(corners)]
		if (a.Y > p.Y) != (b.Y > p.Y) && p.X > a.X+(p.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X) {
			in = !in
		}
	}
	return in
}
