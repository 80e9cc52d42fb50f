package figures

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
)

// testSite is an invented site: one source behind, three in front on an arc.
func testSite() engine.Site {
	corners := func(x1, y1, x2, y2 float64) []engine.Point {
		return []engine.Point{{X: x1, Y: y1}, {X: x2, Y: y1}, {X: x2, Y: y2}, {X: x1, Y: y2}}
	}
	return engine.Site{
		Sources: []engine.Source{
			{Name: "rear stack", Row: engine.RowRear, Output: 1},
			{Name: "left front", Row: engine.RowFront, At: engine.Point{X: 1.65, Y: 1.75}, Output: 2},
			{Name: "centre front", Row: engine.RowFront, At: engine.Point{X: 2.1}, Output: 3},
			{Name: "right front", Row: engine.RowFront, At: engine.Point{X: 1.65, Y: -1.75}, Output: 4},
		},
		Microphones: []engine.Microphone{
			{Name: "meadow", Role: engine.RoleFront, At: engine.Point{X: 24}},
			{Name: "back fence", Role: engine.RoleRear, At: engine.Point{X: -12}},
		},
		Zones: []engine.Zone{
			{Name: "meadow", Kind: engine.ZoneAudience, Corners: corners(6, -11, 30, 11)},
			{Name: "house", Kind: engine.ZoneQuiet, Corners: corners(-18, -9, -10, 7)},
		},
	}
}

// metresPerUnit reads a plan's scale off its ruler, as a person would.
func metresPerUnit(t *testing.T, p Plan) float64 {
	t.Helper()
	var length float64
	if _, err := fmt.Sscanf(p.Bar.Words, "%g m", &length); err != nil {
		t.Fatalf("ruler %q: %v", p.Bar.Words, err)
	}
	return length / (p.Bar.X2 - p.Bar.X1)
}

// Every distance on the plan is the distance on the ground, whatever the
// shape of the site: the plan is to scale in both directions.
func TestPlansAreToScale(t *testing.T) {
	wide, deep := testSite(), testSite()
	for i := range wide.Sources {
		wide.Sources[i].At.Y *= 20
		deep.Sources[i].At.X *= 40
	}
	for name, site := range map[string]engine.Site{"as it is": testSite(), "wide": wide, "deep": deep} {
		var all []engine.Point
		for _, s := range site.Sources {
			all = append(all, s.At)
		}
		for which, p := range map[string]Plan{"array": ArrayPlan(site), "ground": GroundPlan(site)} {
			scale := metresPerUnit(t, p)
			for i := range all {
				for j := range all {
					onPlan := math.Hypot(p.Marks[i].X-p.Marks[j].X, p.Marks[i].Y-p.Marks[j].Y) * scale
					onGround := math.Hypot(all[i].X-all[j].X, all[i].Y-all[j].Y)
					if math.Abs(onPlan-onGround) > 1e-9*(1+onGround) {
						t.Errorf("%s, %s: sources %d and %d are %.4f m apart on the plan, %.4f m on the ground", name, which, i, j, onPlan, onGround)
					}
				}
			}
			for _, m := range p.Marks {
				if m.X < planMargin-1e-9 || m.X > planWidth-planMargin+1e-9 || m.Y < planMargin-1e-9 || m.Y > p.Height-planMargin || p.Height > planTall+30 {
					t.Errorf("%s, %s: mark at %.1f, %.1f leaves the paper of %.0f by %.0f", name, which, m.X, m.Y, p.Width, p.Height)
				}
			}
		}
	}
}

// x points to the audience and y to the left; the audience is at the top.
func TestPlanIsTheRightWayRound(t *testing.T) {
	p := ArrayPlan(testSite())
	rear, left, centre, right := p.Marks[0], p.Marks[1], p.Marks[2], p.Marks[3]
	if !(centre.Y < left.Y && left.Y < rear.Y && left.X < centre.X && centre.X < right.X && centre.X == rear.X) {
		t.Errorf("rear %v, left %v, centre %v, right %v", rear, left, centre, right)
	}
	g := GroundPlan(testSite())
	front, behind := g.Marks[4], g.Marks[5]
	if front.Y > g.Marks[2].Y || behind.Y < g.Marks[0].Y || front.Text.Words != "meadow" {
		t.Errorf("front microphone %+v, rear microphone %+v", front, behind)
	}
	if g.Zones[0].Kind != engine.ZoneAudience || strings.Count(g.Zones[0].Points, ",") != 4 {
		t.Errorf("audience zone is %+v", g.Zones[0])
	}
}

func TestRulerIsRound(t *testing.T) {
	for _, scale := range []float64{0.01, 0.37, 1, 7.3, 68, 900} {
		r := rulerFor(scale, 0)
		var length float64
		if _, err := fmt.Sscanf(r.Words, "%g m", &length); err != nil {
			t.Fatal(err)
		}
		mantissa := length / math.Pow(10, math.Floor(math.Log10(length)+1e-12))
		if m := math.Round(mantissa); m != 1 && m != 2 && m != 5 || math.Abs(mantissa-m) > 1e-9 {
			t.Errorf("scale %g: ruler of %s", scale, r.Words)
		}
		if w := r.X2 - r.X1; w > planWidth/4+1e-9 || w < planWidth/4/2.5-1e-9 {
			t.Errorf("scale %g: ruler is %.0f units wide", scale, w)
		}
	}
}

func TestNamesDoNotCoverEachOther(t *testing.T) {
	site := testSite()
	for i := range 9 { // a crowd, 10 cm apart
		site.Sources = append(site.Sources, engine.Source{Name: fmt.Sprintf("crowded %d", i), At: engine.Point{X: 1, Y: float64(i) / 10}, Output: 5})
	}
	p := ArrayPlan(site)
	shown := 0
	for i, a := range p.Marks {
		if a.Text.Words == "" {
			continue
		}
		shown++
		for _, b := range p.Marks[:i] {
			wide := letter * float64(len(a.Text.Words)+len(b.Text.Words)) / 2
			if b.Text.Words != "" && math.Abs(a.Text.X-b.Text.X) < wide-1e-9 && math.Abs(a.Text.Y-b.Text.Y) < 13 {
				t.Errorf("%q covers %q", a.Text.Words, b.Text.Words)
			}
		}
	}
	if shown < 5 || shown == len(p.Marks) {
		t.Errorf("%d of %d names shown", shown, len(p.Marks))
	}
	for _, s := range site.Sources {
		if !strings.Contains(p.Alt, s.Name) {
			t.Errorf("the plan in words leaves %q out", s.Name)
		}
	}
}

func TestPlanOfNothing(t *testing.T) {
	for _, site := range []engine.Site{{}, {Sources: []engine.Source{{}}}, {Zones: []engine.Zone{{}}}} {
		for _, p := range []Plan{ArrayPlan(site), GroundPlan(site)} {
			for _, v := range []float64{p.Width, p.Height, p.Bar.X2, p.Bar.Y} {
				if math.IsNaN(v) || math.IsInf(v, 0) || v <= 0 {
					t.Errorf("%+v: plan has a %g in it", site, v)
				}
			}
		}
	}
}

// area is that of a polygon by the shoelace formula.
func area(points [][2]float64) float64 {
	sum := 0.0
	for i, p := range points {
		q := points[(i+1)%len(points)]
		sum += p[0]*q[1] - q[0]*p[1]
	}
	return math.Abs(sum) / 2
}

func TestZonesCoverWhatTheyCoverOnTheGround(t *testing.T) {
	site := testSite()
	p := GroundPlan(site)
	scale := metresPerUnit(t, p)
	for i, z := range site.Zones {
		var drawn, real [][2]float64
		for _, pair := range strings.Fields(p.Zones[i].Points) {
			var x, y float64
			if _, err := fmt.Sscanf(pair, "%f,%f", &x, &y); err != nil {
				t.Fatal(err)
			}
			drawn = append(drawn, [2]float64{x * scale, y * scale})
		}
		for _, c := range z.Corners {
			real = append(real, [2]float64{c.X, c.Y})
		}
		// Corners are written to 0.1 units, a few centimetres here.
		if got, want := area(drawn), area(real); math.Abs(got/want-1) > 0.01 {
			t.Errorf("zone %s covers %.1f square metres on the plan, %.1f on the ground", z.Name, got, want)
		}
	}
}

// Whatever a site looks like, everything lies on the paper, at a finite place.
func TestPlansOfRandomSites(t *testing.T) {
	const seed = 11
	rng := rand.New(rand.NewPCG(seed, seed))
	for trial := range 300 {
		size := math.Pow(10, 4*rng.Float64()-1) // 10 cm to 1 km
		point := func() engine.Point {
			return engine.Point{X: size * (rng.Float64() - 0.5), Y: size * (rng.Float64() - 0.5) * rng.Float64()}
		}
		site := engine.Site{}
		for i := range 1 + rng.IntN(12) {
			site.Sources = append(site.Sources, engine.Source{Name: strings.Repeat("x", rng.IntN(30)), Row: engine.RowFront, At: point(), Output: i})
		}
		site.Microphones = []engine.Microphone{{Name: "a", At: point()}, {Name: "b", At: point()}}
		site.Zones = []engine.Zone{{Name: "z", Corners: []engine.Point{point(), point(), point()}}}
		for which, p := range map[string]Plan{"array": ArrayPlan(site), "ground": GroundPlan(site)} {
			for _, m := range p.Marks {
				if !(m.X >= 0 && m.X <= p.Width && m.Y >= 0 && m.Y <= p.Height) {
					t.Errorf("seed %d, trial %d, %s: mark at %g, %g on a paper of %g by %g", seed, trial, which, m.X, m.Y, p.Width, p.Height)
				}
				if m.Text.Words != "" && !(m.Text.X >= 0 && m.Text.X <= p.Width && m.Text.Y <= p.Height) {
					t.Errorf("seed %d, trial %d, %s: name at %g, %g", seed, trial, which, m.Text.X, m.Text.Y)
				}
			}
			// The arrow is 16 units long and the words beside it run to its left.
			if a := p.Ahead; (a.Words != "") != (which == "ground") || a.Words != "" && (a.X-16-letter*float64(len(a.Words)) < p.Bar.X2+40 || a.X > p.Width || a.Y-16 < p.Height-planMargin-26 || a.Y > p.Height) {
				t.Errorf("seed %d, trial %d, %s: arrow %+v beside ruler %+v on a paper of %g by %g", seed, trial, which, a, p.Bar, p.Width, p.Height)
			}
			if !(p.Bar.X2 > p.Bar.X1 && p.Bar.X2 <= p.Width && p.Bar.Y <= p.Height) {
				t.Errorf("seed %d, trial %d, %s: ruler %+v", seed, trial, which, p.Bar)
			}
		}
	}
}
