package field

import (
	"math"

	"hushback/engine"
)

// Samples are points that stand for each of some zones, at the height of their
// corners: the middles of square cells, the same for all zones, a metre wide or
// as much more as keeps all zones together near most points. A zone too thin to
// hold one is sampled at its corners.
func Samples(zones []engine.Zone, most int) [][]engine.Point {
	cell := cellFor(zones, most)
	points := make([][]engine.Point, len(zones))
	for i, z := range zones {
		points[i] = centred(z.Corners, cell)
	}
	return points
}

// centred is samples with the cells in the middle of the polygon's box, so that
// a mirrored zone has mirrored points.
func centred(corners []engine.Point, cell float64) []engine.Point {
	return within(corners, func(from, to float64) (at []float64) {
		n := max(1, math.Round((to-from)/cell))
		for k := range int(n) {
			at = append(at, (from+to)/2+(float64(k)-(n-1)/2)*cell)
		}
		return at
	})
}
