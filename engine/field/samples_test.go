package field

import (
	"math"
	"testing"

	"hushback/engine"
)

// Squared paper: 6 m by 4 m in metres, and in 2 m where few points are wanted;
// a lane thinner than a cell still has points.
func TestSamplesOnSquaredPaper(t *testing.T) {
	yard := engine.Zone{Corners: []engine.Point{{X: 1, Z: 0.5}, {X: 7, Z: 0.5}, {X: 7, Y: 4, Z: 0.5}, {X: 1, Y: 4, Z: 0.5}}}
	lane := engine.Zone{Corners: []engine.Point{{X: 20}, {X: 30}, {X: 30, Y: 0.2}}}
	for most, want := range map[int]int{1000: 24, 6: 6} {
		got := Samples([]engine.Zone{yard, lane}, most)
		if len(got) != 2 || len(got[0]) != want || len(got[1]) == 0 || len(got[1]) > 10 {
			t.Fatalf("up to %d points: got %v", most, got)
		}
		var x, y float64
		for _, p := range got[0] {
			x, y = x+p.X/float64(want), y+p.Y/float64(want)
			if p.Z != 0.5 || p.X <= 1 || p.X >= 7 || p.Y <= 0 || p.Y >= 4 {
				t.Errorf("%v is no point of the yard", p)
			}
		}
		if math.Abs(x-4) > 1e-9 || math.Abs(y-2) > 1e-9 {
			t.Errorf("up to %d points: their middle is (%g, %g)", most, x, y)
		}
	}
	dot := engine.Zone{Corners: []engine.Point{{X: 20}, {X: 20.1}, {X: 20, Y: 0.1}}}
	if got := Samples([]engine.Zone{dot}, 9); len(got[0]) != 1 && len(got[0]) != 3 {
		t.Errorf("a dot is sampled at %v", got)
	}
	if got := Samples(nil, 0); len(got) != 0 {
		t.Errorf("no zones: got %v", got)
	}
}
