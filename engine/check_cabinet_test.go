package engine

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// stack is two cabinets, the second one where the test puts it. The first is
// 1 m wide, 0.8 m deep and 0.6 m high, its front face in the middle of the
// ground, so that it stands on -0.8 m to 0 m along and ±0.5 m aside.
func stack(second Source) Site {
	site := good()
	site.Cabinets = []Cabinet{{Name: "box", WidthM: 1, DepthM: 0.8, HeightM: 0.6}}
	first := Source{Name: "first", Row: RowRear, At: Point{Z: 0.3}, Output: 3, Cabinet: "box"}
	second.Name, second.Row, second.Output, second.Cabinet = "second", RowFront, 5, "box"
	site.Sources = []Source{first, second}
	return site
}

// Worked out on squared paper.
func TestCabinetsMayTouch(t *testing.T) {
	corner := math.Sqrt2 / 4 * 1.8 // from the middle to a corner of the box turned by 45°, along x and y alike: (1+0.8)/2/√2
	tests := []struct {
		name    string
		at      Point
		facing  float64
		overlap string // in metres; "" none
	}{
		{"side by side", Point{Y: 1, Z: 0.3}, 0, ""},
		{"side by side with half a millimetre too little", Point{Y: 0.9995, Z: 0.3}, 0, ""},
		{"side by side, 5 cm too close", Point{Y: 0.95, Z: 0.3}, 0, "0.05"},
		{"one behind the other", Point{X: -0.8, Z: 0.3}, 0, ""},
		{"one 30 cm into the other's back", Point{X: -0.5, Z: 0.3}, 0, "0.30"},
		{"on top", Point{Z: 0.9}, 0, ""},
		{"on top, sagging", Point{Z: 0.85}, 0, "0.05"},
		{"high above", Point{Z: 4}, 0, ""},
		{"face to face", Point{X: 0.1, Z: 0.3}, math.Pi, ""},
		{"back to back", Point{X: -1.6, Z: 0.3}, -math.Pi, ""},
		{"back to back, 20 cm too close", Point{X: -1.4, Z: 0.3}, math.Pi, "0.20"},
		{"across, its side touching the front", Point{X: 0.5, Y: 0.4, Z: 0.3}, math.Pi / 2, ""},
		{"across, 10 cm too close", Point{X: 0.4, Y: 0.4, Z: 0.3}, math.Pi / 2, "0.10"},
		// Turned by 45° its rear right corner points back along x.
		{"a corner at the front", Point{X: 0.4/math.Sqrt2 + corner, Y: 0.4 / math.Sqrt2, Z: 0.3}, math.Pi / 4, ""},
		{"a corner 2 cm in the front", Point{X: 0.4/math.Sqrt2 + corner - 0.02, Y: 0.4 / math.Sqrt2, Z: 0.3}, math.Pi / 4, "0.02"},
	}
	for _, test := range tests {
		found := stack(Source{At: test.at, FacingRad: test.facing}).Problems()
		switch {
		case test.overlap == "" && found != nil:
			t.Errorf("%s: got %v", test.name, found)
		case test.overlap != "" && (len(found) != 1 || !strings.HasPrefix(found[0].String(),
			`sources[1].at: got the cabinet of "second" `+test.overlap+` m into that of "first", want `)):
			t.Errorf("%s: got %v, want %s m", test.name, found, test.overlap)
		}
	}
}

// Second implementation: the shape that two boxes share, seen from above, cut
// out side by side (Sutherland and Hodgman 1974, from memory), has an area.
func TestOverlapByCuttingOut(t *testing.T) {
	const seed = 411
	rng := rand.New(rand.NewPCG(seed, seed))
	site := good()
	site.Cabinets = []Cabinet{{Name: "a", WidthM: 1.2, DepthM: 0.7, HeightM: 0.6}, {Name: "b", WidthM: 0.5, DepthM: 1.9, HeightM: 0.5}}
	together := 0
	for i := range 3000 {
		site.Sources = nil
		for _, name := range []string{"a", "b"} {
			site.Sources = append(site.Sources, Source{Cabinet: name, FacingRad: 7 * rng.Float64(),
				At: Point{2 * rng.Float64(), 2 * rng.Float64(), rng.Float64()}})
		}
		a, _ := site.box(0)
		b, _ := site.box(1)
		depth := a.into(b)
		if back := b.into(a); math.Abs(back-depth) > 1e-12 {
			t.Fatalf("seed %d, %d: %g one way, %g the other", seed, i, depth, back)
		}
		high := a.half[2] + b.half[2] - math.Abs(a.at.Z-b.at.Z)
		shared := area(cut(corners(site, 0), corners(site, 1))) > 0 && high > 0
		if shared != (depth > 0) {
			t.Fatalf("seed %d, %d: into is %g, sharing room is %v", seed, i, depth, shared)
		}
		if shared {
			together++
		}
	}
	if together < 300 || together > 2700 {
		t.Errorf("%d of 3000 overlap, that tests little", together)
	}
}

// corners walks round a source's cabinet, seen from above, to the left.
func corners(site Site, i int) [][2]float64 {
	src := site.Sources[i]
	k, _ := site.Cabinet(src.Cabinet)
	var round [][2]float64
	for _, c := range [][2]float64{{0, k.WidthM / 2}, {-k.DepthM, k.WidthM / 2}, {-k.DepthM, -k.WidthM / 2}, {0, -k.WidthM / 2}} {
		r, phi := math.Hypot(c[0], c[1]), math.Atan2(c[1], c[0])+src.FacingRad
		round = append(round, [2]float64{src.At.X + r*math.Cos(phi), src.At.Y + r*math.Sin(phi)})
	}
	return round
}

func cut(shape, by [][2]float64) [][2]float64 {
	for i, a := range by {
		b := by[(i+1)%len(by)]
		left := func(p [2]float64) float64 { return (b[0]-a[0])*(p[1]-a[1]) - (b[1]-a[1])*(p[0]-a[0]) }
		var kept [][2]float64
		for k, p := range shape {
			q := shape[(k+1)%len(shape)]
			if left(p) >= 0 {
				kept = append(kept, p)
			}
			if left(p)*left(q) < 0 {
				u := left(p) / (left(p) - left(q))
				kept = append(kept, [2]float64{p[0] + u*(q[0]-p[0]), p[1] + u*(q[1]-p[1])})
			}
		}
		shape = kept
	}
	return shape
}

func area(shape [][2]float64) (sum float64) {
	for i, p := range shape {
		q := shape[(i+1)%len(shape)]
		sum += (p[0]*q[1] - q[0]*p[1]) / 2
	}
	return math.Abs(sum)
}

// 64 cabinets wall to wall are the most there can be, and fine.
func TestSixtyFourCabinetsFit(t *testing.T) {
	site := good()
	site.Walls, site.Sources = nil, nil
	site.Cabinets = []Cabinet{{Name: "box", WidthM: 1, DepthM: 0.8, HeightM: 0.6}}
	for i := range 64 {
		row, output := RowFront, 5
		if i%2 == 1 {
			row, output = RowRear, 3
		}
		site.Sources = append(site.Sources, Source{Name: strings.Repeat("n", i+1), Row: row, Output: output, Cabinet: "box",
			At: Point{X: -0.8 * float64(i%2), Y: float64(i / 2), Z: 0.3}})
	}
	if found := site.Problems(); found != nil {
		t.Fatalf("got %v", found)
	}
	site.Sources[63].At.Y -= 0.3
	if found := site.Problems(); len(found) != 1 || found[0].Path != "sources[63].at" {
		t.Errorf("got %v", found)
	}
}
