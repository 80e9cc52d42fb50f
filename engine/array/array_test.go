package array

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"hushback/engine"
	"hushback/engine/layout"
)

// The arc must come out of the places again that layout makes of it, whatever
// way the array looks.
func TestArcIsReadBackFromThePlaces(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 1))
	for count := 3; count <= 9; count++ {
		for _, arcDeg := range []float64{10, 60, 125, 200} {
			spacing, facing := 1+random.Float64(), (random.Float64()-0.5)*3
			sin, cos := math.Sincos(facing)
			var places []engine.Point
			for _, p := range layout.Row(count, spacing, arcDeg*math.Pi/180) {
				places = append(places, engine.Point{X: 3 + p.X*cos - p.Y*sin, Y: 1 + p.X*sin + p.Y*cos})
			}
			random.Shuffle(count, func(i, j int) { places[i], places[j] = places[j], places[i] })
			var site engine.Site
			add(&site, "", engine.RowFront, places, facing)
			all := Of(site)
			what := fmt.Sprintf("%d on %g°, facing %.2f: ", count, arcDeg, facing)
			if len(all) != 1 || len(all[0].Front) != count {
				t.Fatalf("%sgot %d arrays", what, len(all))
			}
			a := all[0]
			near(t, what+"arc", a.ArcRad()*180/math.Pi, arcDeg, 1e-6)
			widest, mean := a.Spacing()
			near(t, what+"widest spacing", widest, spacing, 1e-9)
			near(t, what+"mean spacing", mean, spacing, 1e-9)
			near(t, what+"axis", a.AxisRad, facing, 1e-9)
			near(t, what+"foremost x", a.At.X, 3, 1e-9)
			near(t, what+"foremost y", a.At.Y, 1, 1e-9)
		}
	}
}

func TestRowsOfAnArray(t *testing.T) {
	var site engine.Site
	straight := layout.Row(3, 2, 0)
	shifted := func(back float64) (row []engine.Point) {
		for _, p := range straight {
			row = append(row, engine.Point{X: p.X - back, Y: p.Y})
		}
		return row
	}
	add(&site, "", engine.RowFront, shifted(1.5), 0)
	add(&site, "", engine.RowFront, straight, 0)
	add(&site, "", engine.RowRear, shifted(3), 0)
	a := Of(site)[0]
	if len(a.Front) != 3 || a.Front[0].At != (engine.Point{Y: 2}) || a.Front[2].At != (engine.Point{Y: -2}) {
		t.Errorf("front row %v, want the foremost three from left to right", a.Front)
	}
	if d := a.Depths(); len(d) != 2 || d[0] != 1.5 || d[1] != 3 {
		t.Errorf("depths %v, want 1.5 and 3", d)
	}
	if len(a.Rear()) != 3 || len(a.Behind) != 6 {
		t.Errorf("%d rear and %d behind, want 3 and 6", len(a.Rear()), len(a.Behind))
	}
	if a.Bent() || a.HalfWidthM() != 2 {
		t.Errorf("bent %v, half width %v, want a straight 2 m", a.Bent(), a.HalfWidthM())
	}
	moved := a.Moved(site, a.Rear(), -0.25)
	for i, src := range moved.Sources {
		want := site.Sources[i].At
		if src.Row == engine.RowRear {
			want.X -= 0.25
		}
		if src.At != want {
			t.Errorf("%s is at %v, want %v", src.Name, src.At, want)
		}
	}
}

func TestLeftAndRight(t *testing.T) {
	at := func(y ...float64) (places []engine.Point) {
		for _, v := range y {
			places = append(places, engine.Point{Y: v})
		}
		return places
	}
	for _, one := range []struct {
		y     []float64
		names []string
	}{
		{[]float64{6, -6}, []string{"left", "right"}},
		{[]float64{8, 6, -6, -8}, []string{"left", "right"}},
		{[]float64{1.9, -1.9}, []string{""}},                 // a pair in the middle
		{[]float64{6, 2, -2, -6}, []string{""}},              // a line with even gaps
		{[]float64{6, 0, -6}, []string{""}},                  // a centre stays with its sides
		{[]float64{6, 8}, []string{""}},                      // all on one side
		{[]float64{9, 5, -5, -9}, []string{"left", "right"}}, // ten across, four beside
	} {
		var site engine.Site
		add(&site, "", engine.RowFront, at(one.y...), 0)
		var names []string
		for _, a := range Of(site) {
			names = append(names, a.Name)
		}
		if fmt.Sprint(names) != fmt.Sprint(one.names) {
			t.Errorf("%v makes %q, want %q", one.y, names, one.names)
		}
	}
}

func TestArraysByGroup(t *testing.T) {
	var site engine.Site
	add(&site, "main", engine.RowFront, []engine.Point{{X: 1, Y: 7}, {X: 1, Y: -7}}, 0)
	add(&site, "main", engine.RowRear, []engine.Point{{Y: 7}, {Y: -7}}, 0)
	add(&site, "out", engine.RowFront, []engine.Point{{X: 40}}, 0)
	all := Of(site)
	var names []string
	for _, a := range all {
		names = append(names, a.Name)
	}
	if fmt.Sprint(names) != "[main left main right out]" {
		t.Fatalf("got %q", names)
	}
	if kept := Distinct(all); len(kept) != 2 || kept[1].Name != "out" {
		t.Errorf("%d are set up differently, want 2: right is left again", len(kept))
	}
	alone := all[0].Alone(site)
	if len(alone.Sources) != 2 || len(alone.Outputs) != 2 {
		t.Errorf("left alone has %d sources and %d outputs, want 2 and 2", len(alone.Sources), len(alone.Outputs))
	}
	site.Sources[0].At.Y = 7.2
	if kept := Distinct(Of(site)); len(kept) != 3 {
		t.Errorf("%d are set up differently, want 3: left is askew", len(kept))
	}
}

func TestWallsBehind(t *testing.T) {
	a := Array{AxisRad: 0.3}
	sin, cos := math.Sincos(0.3)
	wall := func(back, turned float64) engine.Wall { // crosses the axis so far behind, turned out of square
		at := engine.Point{X: 5 - back*cos, Y: 2 - back*sin}
		s, c := math.Sincos(0.3 + math.Pi/2 + turned)
		return engine.Wall{From: engine.Point{X: at.X - 3*c, Y: at.Y - 3*s}, To: engine.Point{X: at.X + 5*c, Y: at.Y + 5*s}}
	}
	p := engine.Point{X: 5, Y: 2}
	for _, one := range []struct {
		back, turned float64
		ok           bool
	}{{4, 0, true}, {4, 0.7, true}, {4, -0.7, true}, {4, 1.3, false}, {4, math.Pi / 2, false}, {-4, 0, false}, {-4, 0.7, false}} {
		d, ok := a.Back(p, wall(one.back, one.turned))
		if ok != one.ok {
			t.Errorf("a wall %g m behind, turned by %g: behind %v, want %v", one.back, one.turned, ok, one.ok)
		}
		if ok {
			near(t, "distance", d, one.back, 1e-9)
		}
	}
}

// add puts more sources onto a site, an output each.
func add(site *engine.Site, group string, row engine.Row, places []engine.Point, facing float64) {
	for _, at := range places {
		n := len(site.Outputs) + 1
		site.Outputs = append(site.Outputs, engine.Output{Number: n, Group: group, AsPlaced: true})
		site.Sources = append(site.Sources, engine.Source{Name: fmt.Sprint("s", n), Row: row, At: at, Output: n, FacingRad: facing})
	}
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// Delays that bend a straight row make it measure like the arc.
func TestDelaysMeasureLikeTheArcTheyMake(t *testing.T) {
	for _, count := range []int{3, 4, 7} {
		const arcRad, spacing, speed = 1.1, 1.7, 340.0
		var site engine.Site
		add(&site, "", engine.RowFront, layout.Row(count, spacing, 0), 0)
		bend := layout.Bend(count, spacing, arcRad, speed)
		for i := range site.Outputs {
			site.Outputs[i].BendSec = bend[i] + 0.004 // what the whole row waits bends nothing
		}
		a := Of(site)[0]
		if a.Bent() || !a.Delayed(site, speed).Bent() {
			t.Errorf("%d in a row: bent %v, delayed %v, want only the second", count, a.Bent(), a.Delayed(site, speed).Bent())
		}
		near(t, "outer source behind the middle", a.Delayed(site, speed).SagM(), bend[0]*speed, 1e-9)
		for i := range site.Outputs {
			site.Outputs[i].AsPlaced = false
		}
		near(t, "aligned in front", a.Delayed(site, speed).SagM(), 0, 1e-9)
	}
}
