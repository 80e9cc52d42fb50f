package picture

import (
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"hushback/engine"
	"hushback/engine/design"
	"hushback/engine/picture/paper"
)

func canvasOf(width, height vg.Length) draw.Canvas {
	return draw.Canvas{Rectangle: vg.Rectangle{Max: vg.Point{X: width, Y: height}}}
}

// A long job, long names and characters that XML reserves go through unharmed.
func TestAwkwardNames(t *testing.T) {
	r := report(t)
	r.Site.Job = strings.Repeat("Brickfield & <west> gate ", 12) + "(invented)"
	r.Site.Microphones = slices.Clone(r.Site.Microphones)
	r.Site.Microphones[0].Name = strings.Repeat("a long way off ", 20)
	d, err := Responses(strings.Repeat("wide", 60), r)
	says(t, lines(t, "awkward", d, err), "& <west> gate", "…")
	d, err = LevelMap("", r, mapped(t, r, 9, 45))
	lines(t, "awkward-map", d, err)
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct {
		got, want string
	}{{cell(design.Row{Unit: "°", Values: []float64{120.4}, Has: []bool{true}}, 0), "120"}, {cell(design.Row{Values: []float64{0}, Has: []bool{false}}, 0), "–"},
		{cell(design.Row{}, 3), "–"}, {owner(engine.Site{Job: "j"}, ""), "j"}, {owner(engine.Site{Job: "j"}, "l"), "j · l"}} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// Frequency axes have the preferred numbers, those that are named far enough apart
// to be read.
func TestBandHertz(t *testing.T) {
	s := paper.Lettering(paper.Small)
	// ISO 266, as far as these go
	thirds := []float64{10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000}
	for _, ends := range [][2]float64{{20, 120}, {30, 60}, {25, 250}, {20, 300}, {16, 80}, {40, 60}, {10, 1000}, {18, 220}} {
		last, named := math.Inf(-1), 0
		for _, tick := range bandHertz(ends[0], ends[1]) {
			if tick.Value < ends[0] || tick.Value > ends[1] {
				t.Errorf("%v: a mark at %v", ends, tick.Value)
			}
			if ends[1] > 2*ends[0] && !slices.Contains(thirds, tick.Value) {
				t.Errorf("%v: %v is no preferred number", ends, tick.Value)
			}
			if tick.IsMinor() {
				continue
			}
			at := 340 * math.Log(tick.Value/ends[0]) / math.Log(ends[1]/ends[0])
			if half := float64(s.Width(tick.Label)) / 2; at-half < last+2 {
				t.Errorf("%v: %s touches the one before", ends, tick.Label)
			} else {
				last = at + half
			}
			named++
		}
		if named < 3 {
			t.Errorf("%v: %d marks have a name", ends, named)
		}
	}
}

// Dimension numbers get their room and keep their order and their bounds.
func TestSpread(t *testing.T) {
	for _, c := range []struct {
		places []vg.Length
		want   []vg.Length
	}{
		{[]vg.Length{50}, []vg.Length{50}},
		{[]vg.Length{10, 50, 90}, []vg.Length{10, 50, 90}},
		{[]vg.Length{50, 50}, []vg.Length{45, 55}},
		{[]vg.Length{49, 50, 51}, []vg.Length{40, 50, 60}},
		{[]vg.Length{0, 0, 0}, []vg.Length{0, 10, 20}},
		{[]vg.Length{100, 100}, []vg.Length{90, 100}},
		{make([]vg.Length, 12), nil},
	} {
		got := spread(c.places, 10, 0, 100)
		if len(got) != len(c.want) {
			t.Fatalf("%v became %v, want %v", c.places, got, c.want)
		}
		for i := range got {
			if math.Abs(float64(got[i]-c.want[i])) > 1e-9 {
				t.Errorf("%v became %v, want %v", c.places, got, c.want)
			}
		}
	}
	if got := distinct([]float64{2, 1, 1.004, -3, 2.0001, 1.03}); !slices.Equal(got, []float64{-3, 1, 1.03, 2}) {
		t.Errorf("got %v", got)
	}
}

// The footprint is behind the front face, turned with it: the same by complex
// numbers, whose product turns.
func TestFootprint(t *testing.T) {
	box := engine.Cabinet{WidthM: 2, DepthM: 1}
	for _, facing := range []float64{0, 0.6, math.Pi / 2, -2.5} {
		src := engine.Source{At: engine.Point{X: 10, Y: 5}, FacingRad: facing}
		for i, straight := range []complex128{1i, -1i, -1 - 1i, -1 + 1i} {
			want := complex(10, 5) + straight*cmplx.Rect(1, facing)
			if p := footprint(src, box)[i]; cmplx.Abs(complex(p.X, p.Y)-want) > 1e-12 {
				t.Errorf("facing %v: corner %d is at %v, want %v", facing, i, p, want)
			}
		}
	}
}

// A source at the left is so many metres aside, not minus as many, and its number
// stands at the left of that of one at the right.
func TestLeftIsLeft(t *testing.T) {
	r := lone()
	r.Site.Sources = []engine.Source{{Name: "L", At: engine.Point{X: 1, Y: 3}}, {Name: "R", At: engine.Point{X: 2, Y: -4}}}
	d, err := StakeOut("", r, engine.Point{X: 0.5, Y: 1})
	svg := lines(t, "left", d, err)
	says(t, svg, "0.50", "1.50", "2.00", "−5.00")
	for _, wrong := range []string{"−2.00", ">5.00<", ">3.00<"} {
		if strings.Contains(svg, wrong) {
			t.Errorf("somewhere it says %q", wrong)
		}
	}
	if strings.Index(svg, ">2.00<") > strings.Index(svg, ">−5.00<") {
		t.Error("the numbers at the foot do not run from left to right")
	}
}

// A triangle that moves back is said to, and one without a side is left out.
func TestTriangles(t *testing.T) {
	r := lone()
	r.Triangles = []design.Triangle{
		{DepthM: 1.9, OuterM: 1.2, AsideM: 2.4, SlantM: 2.68, OffsetM: -0.25, SlantAfterM: 2.58, NullBeforeHz: 41, NullAfterHz: 45, Array: "left"},
		{DepthM: 1.9, OuterM: 1.2},
		{DepthM: math.NaN(), AsideM: 1},
	}
	d, err := StakeOut("", r, engine.Point{})
	svg := lines(t, "triangle", d, err)
	says(t, svg, "Forward offset, left", "0.25 m back: null at 45 Hz", "1.90 → 1.65 m", "2.68 → 2.58 m", "2.40 m aside")
	if n := strings.Count(svg, "Forward offset"); n != 1 {
		t.Errorf("%d triangles, want 1", n)
	}
}
