package layout

import (
	"math"
	"testing"

	"hushback/engine"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: got %.12g, want %.12g within %g", what, got, want, within)
	}
}

const degree = math.Pi / 180

// What circles and regular polygons have been known to do for long: Euclid,
// Elements III.31 (an angle in a semicircle is right), IV.15 (the side of a
// hexagon is the radius), XIII.8 (the diagonal of a pentagon is the golden
// ratio times its side). Proposition numbers from memory.
func TestRowsOnKnownCircles(t *testing.T) {
	hexagon := Row(3, 1.7, 120*degree) // 60° from neighbour to neighbour
	near(t, "radius of the hexagon", -hexagon[0].X+1.7*math.Cos(60*degree), 1.7, 1e-12)
	semicircle := Row(3, 2, 180*degree)
	near(t, "right angle in the semicircle", semicircle[0].X*semicircle[2].X+semicircle[0].Y*semicircle[2].Y, 0, 1e-12)
	near(t, "diameter", semicircle[0].Distance(semicircle[2]), 2*math.Sqrt2, 1e-12)
	pentagon := Row(3, 1.2, 144*degree)
	near(t, "diagonal of the pentagon", pentagon[0].Distance(pentagon[2]), 1.2*(1+math.Sqrt(5))/2, 1e-12)
	for n := 3; n <= 64; n++ {
		ring := Row(n, 0.9, 2*math.Pi*(1-1/float64(n)))
		near(t, "the last chord closes the polygon", ring[0].Distance(ring[n-1]), 0.9, 1e-11)
	}
}

// Any arc: neighbours as far apart as they should be, all on one circle, the
// whole as wide as asked seen from its centre, symmetric, foremost at 0.
func TestRowsKeepTheirWord(t *testing.T) {
	for n := 2; n <= 24; n++ {
		for _, arc := range []float64{0, 1e-7, 10 * degree, 77 * degree, 180 * degree, 240 * degree} {
			row := Row(n, 1.91, arc)
			foremost := math.Inf(-1)
			for i, p := range row {
				foremost = math.Max(foremost, p.X)
				q := row[n-1-i]
				near(t, "mirror image along", q.X, p.X, 1e-9)
				near(t, "mirror image aside", q.Y, -p.Y, 1e-9)
				if i > 0 {
					near(t, "spacing", p.Distance(row[i-1]), 1.91, 1e-9)
				}
			}
			near(t, "foremost", foremost, 0, 0)
			if n < 3 || arc < degree {
				near(t, "straight", row[0].X, 0, 1e-5)
				continue
			}
			a, b, c := row[0], row[1], row[n-1]
			x, r := circle(a, b, c)
			for _, p := range row {
				near(t, "distance from the centre", math.Hypot(p.X-x, p.Y), r, 1e-8)
			}
			seen := math.Abs(math.Atan2(a.Y, a.X-x) - math.Atan2(c.Y, c.X-x))
			near(t, "arc seen from the centre", seen, arc, 1e-8)
		}
	}
	if Row(0, 1, 1) != nil || len(Row(-3, 1, 1)) != 0 {
		t.Error("no cabinets stand somewhere")
	}
	if one := Row(1, 1.9, 2); one[0] != (engine.Point{}) {
		t.Errorf("one cabinet stands at %v", one[0])
	}
}

// circle finds the circle through three points, two of them mirror images
// about the x axis: its centre lies on the axis, as far from a as from b.
func circle(a, b, _ engine.Point) (x, r float64) {
	x = (a.X*a.X + a.Y*a.Y - b.X*b.X - b.Y*b.Y) / (2 * (a.X - b.X))
	return x, math.Hypot(a.X-x, a.Y)
}

// The gentlest arc keeps its digits: sagitta s²/2R to first order, R = s/θ.
func TestGentleArcKeepsItsDigits(t *testing.T) {
	for _, arc := range []float64{1e-4, 1e-8, 1e-12} {
		sagitta := -Row(3, 1.9, arc)[0].X
		if want := 1.9 * arc / 2 / 2; math.Abs(sagitta/want-1) > 1e-8 {
			t.Errorf("arc %g: sagitta %g, want %g", arc, sagitta, want)
		}
	}
}

// The delays put each cabinet of a straight row as far back in time as the arc
// has it in space.
func TestBendIsTheArcInTime(t *testing.T) {
	const c = 343.2
	for n := 1; n <= 9; n++ {
		row, delays := Row(n, 1.8, 70*degree), Bend(n, 1.8, 70*degree, c)
		for i, p := range row {
			near(t, "way of the delay", delays[i]*c, math.Abs(p.X), 1e-12)
		}
	}
	for _, d := range Bend(7, 1.8, 0, c) {
		near(t, "delay of a straight row", d, 0, 0)
	}
	// 5 cabinets, 20° apart: R = 0.9/sin 10° = 5.18289 m; R(1-cos 40°) = 1.21257 m, /343.2 = 3.53312 ms.
	near(t, "outermost of five", Bend(5, 1.8, 80*degree, c)[0], 3.53312e-3, 1e-8)
}
