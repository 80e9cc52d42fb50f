package layout

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
	"hushback/engine/air"
)

var (
	mild  = engine.Air{TemperatureC: 19, Humidity: 0.5, PressurePa: 100e3}
	kinds = []engine.Cabinet{{Name: "crate", WidthM: 1.1, DepthM: 0.8, HeightM: 0.6}}
)

func expanded(t *testing.T, blocks ...Block) Placed {
	t.Helper()
	p, found := Expand(Layout{Name: "test", Blocks: blocks}, kinds, mild)
	if found != nil {
		t.Fatalf("got %v", found)
	}
	return p
}

// One line for each source: "OUTPUT ROW NAME x y bend", metres to the
// millimetre and the bend as the way of sound in the same time.
func told(t *testing.T, p Placed) string {
	t.Helper()
	c, _ := air.SoundSpeed(mild)
	var b strings.Builder
	for _, src := range p.Sources {
		i := slices.IndexFunc(p.Outputs, func(o engine.Output) bool { return o.Number == src.Output })
		fmt.Fprintf(&b, "%d %s %s: %.3f %.3f bend %.3f\n", src.Output, src.Row, src.Name, src.At.X+1e-9, src.At.Y+1e-9, p.Outputs[i].BendSec*c)
	}
	return b.String()
}

// Every layout the trade uses, worked out on squared paper. On an arc of 120°
// three cabinets stand 60° apart: the radius is the spacing, so with 2 m the
// outer two stand 1 m behind and √3 m aside.
func TestEveryLayoutOnPaper(t *testing.T) {
	at := engine.Point{X: 1, Z: 0.3}
	arc := 120 * degree
	tests := []struct {
		name   string
		blocks []Block
		want   string
	}{
		{"single", []Block{{Name: "a", Shape: Single, At: at}}, `
1 front a: 1.000 0.000 bend 0.000`},
		{"line", []Block{{Name: "a", Shape: Line, Count: 4, SpacingM: 2, At: at}}, `
1 front a no. 1: 1.000 3.000 bend 0.000
2 front a no. 2: 1.000 1.000 bend 0.000
3 front a no. 3: 1.000 -1.000 bend 0.000
4 front a no. 4: 1.000 -3.000 bend 0.000`},
		{"physical arc", []Block{{Name: "a", Shape: Arc, Count: 3, SpacingM: 2, ArcRad: arc, At: at, FirstOutput: 5}}, `
5 front a left: 0.000 1.732 bend 0.000
6 front a centre: 1.000 0.000 bend 0.000
7 front a right: 0.000 -1.732 bend 0.000`},
		{"delayed arc", []Block{{Name: "a", Shape: DelayedArc, Count: 3, SpacingM: 2, ArcRad: arc, At: at}}, `
1 front a left: 1.000 2.000 bend 1.000
2 front a centre: 1.000 0.000 bend 0.000
3 front a right: 1.000 -2.000 bend 1.000`},
		{"end-fire, four deep", []Block{{Name: "a", Shape: Single, Depth: 4, DepthM: 1.5, At: at, Treatment: engine.TreatEndFire}}, `
1 front a front: 1.000 0.000 bend 3.000
2 front a row 2: -0.500 0.000 bend 1.500
3 front a row 3: -2.000 0.000 bend 0.000
4 rear a rear: -3.500 0.000 bend 0.000`},
		{"end-fire, moved forward", []Block{{Name: "a", Shape: Single, Depth: 3, DepthM: 1.5, ForwardM: 0.4, At: at, Treatment: engine.TreatEndFire}}, `
1 front a front: 1.400 0.000 bend 1.900
2 front a row 2: -0.500 0.000 bend 0.000
3 rear a rear: -2.000 0.000 bend 0.000`},
		{"gradient pair", []Block{{Name: "a", Shape: Single, Depth: 2, DepthM: 0.9, At: at, Treatment: engine.TreatGradient}}, `
1 front a front: 1.000 0.000 bend 0.000
2 rear a rear: 0.100 0.000 bend 0.000`},
		{"gradient rows, an output for each", []Block{{Name: "a", Shape: Line, Count: 2, SpacingM: 2, Depth: 2, DepthM: 0.9, PerRow: true, Treatment: engine.TreatGradient, At: at}}, `
1 front a front left: 1.000 1.000 bend 0.000
1 front a front right: 1.000 -1.000 bend 0.000
2 rear a rear left: 0.100 1.000 bend 0.000
2 rear a rear right: 0.100 -1.000 bend 0.000`},
		{"arc with end-fire depth, one behind, moved forward", []Block{{Name: "a", Shape: Arc, Count: 3, SpacingM: 2, ArcRad: arc, Depth: 2, DepthM: 1.9, RowCount: 1, ForwardM: 0.5, At: at}}, `
1 front a front left: 0.500 1.732 bend 0.000
2 front a front centre: 1.500 0.000 bend 0.000
3 front a front right: 0.500 -1.732 bend 0.000
4 rear a rear: -0.900 0.000 bend 0.000`},
		{"arc with gradient", []Block{{Name: "a", Shape: Arc, Count: 3, SpacingM: 2, ArcRad: arc, Depth: 2, DepthM: 0.8, At: at, Treatment: engine.TreatGradient}}, `
1 front a front left: 0.000 1.732 bend 0.000
2 front a front centre: 1.000 0.000 bend 0.000
3 front a front right: 0.000 -1.732 bend 0.000
4 rear a rear left: -0.800 1.732 bend 0.000
5 rear a rear centre: 0.200 0.000 bend 0.000
6 rear a rear right: -0.800 -1.732 bend 0.000`},
		{"delayed arc with depth: three in step behind five", []Block{{Name: "a", Shape: DelayedArc, Count: 5, SpacingM: 2, ArcRad: 2 * arc, Depth: 3, DepthM: 1, RowCount: 3, At: at}}, `
1 front a front no. 1: 1.000 4.000 bend 4.000
2 front a front no. 2: 1.000 2.000 bend 2.000
3 front a front no. 3: 1.000 0.000 bend 1.000
4 front a front no. 4: 1.000 -2.000 bend 2.000
5 front a front no. 5: 1.000 -4.000 bend 4.000
6 front a row 2 left: 0.000 2.000 bend 1.000
7 front a row 2 centre: 0.000 0.000 bend 0.000
8 front a row 2 right: 0.000 -2.000 bend 1.000
9 rear a rear left: -1.000 2.000 bend 1.000
10 rear a rear centre: -1.000 0.000 bend 0.000
11 rear a rear right: -1.000 -2.000 bend 1.000`},
		{"left and right, turned outwards by a quarter, one output a row", []Block{{Name: "a", Shape: Line, Count: 2, SpacingM: 2, Depth: 2, DepthM: 3, Mirrored: true, PerRow: true,
			FacingRad: 90 * degree, At: engine.Point{X: 1, Y: 10}, Treatment: engine.TreatGradient}}, `
1 front a left front no. 1: 0.000 10.000 bend 0.000
1 front a left front no. 2: 2.000 10.000 bend 0.000
2 rear a left rear no. 1: 0.000 7.000 bend 0.000
2 rear a left rear no. 2: 2.000 7.000 bend 0.000
3 front a right front no. 1: 0.000 -10.000 bend 0.000
3 front a right front no. 2: 2.000 -10.000 bend 0.000
4 rear a right rear no. 1: 0.000 -7.000 bend 0.000
4 rear a right rear no. 2: 2.000 -7.000 bend 0.000`},
		{"plain rows stay unbent", []Block{{Name: "a", Shape: Single, Depth: 3, DepthM: 1.5, At: at, Treatment: engine.TreatPlain}}, `
1 front a front: 1.000 0.000 bend 0.000
2 front a row 2: -0.500 0.000 bend 0.000
3 rear a rear: -2.000 0.000 bend 0.000`},
		{"a mix: the second block's outputs go on from the first's, the third's come before", []Block{
			{Name: "main", Shape: Line, Count: 2, SpacingM: 3, FirstOutput: 6, At: at},
			{Name: "fill", Shape: Single, At: engine.Point{X: -4}},
			{Name: "own", Shape: Free, Free: []engine.Source{
				{Name: "ahead", Row: engine.RowFront, At: engine.Point{X: 7}, Output: 2},
				{Name: "back", Row: engine.RowRear, At: engine.Point{X: 5}, Output: 1},
				{Name: "ahead too", Row: engine.RowFront, At: engine.Point{X: 7, Y: 1}, Output: 2},
			}}}, `
6 front main left: 1.000 1.500 bend 0.000
7 front main right: 1.000 -1.500 bend 0.000
8 front fill: -4.000 0.000 bend 0.000
2 front ahead: 7.000 0.000 bend 0.000
1 rear back: 5.000 0.000 bend 0.000
2 front ahead too: 7.000 1.000 bend 0.000`},
	}
	for _, test := range tests {
		if got := told(t, expanded(t, test.blocks...)); got != strings.TrimPrefix(test.want, "\n")+"\n" {
			t.Errorf("%s: got\n%swant%s", test.name, got, test.want)
		}
	}
}

func TestOutputsAndGroups(t *testing.T) {
	p := expanded(t,
		Block{Name: "main", Shape: Line, Count: 2, SpacingM: 3, Depth: 2, DepthM: 1.9, FirstOutput: 6, PerRow: true, MaxGainDB: -3, LevelDB: 1.5, Cabinet: "crate"},
		Block{Name: "wings", Shape: Single, Mirrored: true, At: engine.Point{Y: 9}, FacingRad: 0.3, FirstOutput: 1},
		Block{Name: "own", Shape: Free, MaxGainDB: -1, Free: []engine.Source{{Name: "x", Row: engine.RowFront, Output: 3}, {Name: "y", Row: engine.RowFront, Output: 3}}},
	)
	wantOutputs := []engine.Output{
		{Number: 1, Label: "wings left", Group: "wings", AsPlaced: true},
		{Number: 2, Label: "wings right", Group: "wings", AsPlaced: true},
		{Number: 3, Label: "x, y", Group: "own", MaxGainDB: -1},
		{Number: 6, Label: "main front", Group: "main", AsPlaced: true, MaxGainDB: -3},
		{Number: 7, Label: "main rear", Group: "main", AsPlaced: true, MaxGainDB: -3},
	}
	if !reflect.DeepEqual(p.Outputs, wantOutputs) {
		t.Errorf("got outputs %+v\nwant %+v", p.Outputs, wantOutputs)
	}
	wantGroups := []engine.Group{{Name: "main", Treatment: engine.TreatNull}, {Name: "wings", Treatment: engine.TreatPlain}, {Name: "own", Treatment: engine.TreatPlain}}
	if !reflect.DeepEqual(p.Groups, wantGroups) {
		t.Errorf("got groups %+v, want %+v", p.Groups, wantGroups)
	}
	main, left, right := p.Sources[0], p.Sources[4], p.Sources[5]
	if main.Cabinet != "crate" || main.LevelDB != 1.5 {
		t.Errorf("got %+v", main)
	}
	if left.FacingRad != 0.3 || right.FacingRad != -0.3 {
		t.Errorf("turned outwards: left %g, right %g", left.FacingRad, right.FacingRad)
	}
}

// Far ahead in the direction the block faces all front rows arrive at the same
// time, wherever it looks and however deep it is.
func TestFrontRowsRunInStep(t *testing.T) {
	c, _ := air.SoundSpeed(mild)
	for _, treatment := range []engine.Treatment{engine.TreatNull, engine.TreatEndFire} {
		for depth := 2; depth <= 8; depth++ {
			b := Block{Name: "a", Shape: Single, Depth: depth, DepthM: 1.3, ForwardM: 0.2, FacingRad: 0.7 * float64(depth), Treatment: treatment}
			p := expanded(t, b)
			for i, src := range p.Sources[:depth-1] {
				ahead := src.At.X*math.Cos(b.FacingRad) + src.At.Y*math.Sin(b.FacingRad)
				near(t, "wavefront", p.Outputs[i].BendSec*c-ahead, float64(depth-2)*1.3-gap(depth), 1e-9)
			}
		}
	}
}

// gap is what moving the front row forward puts before the only front row.
func gap(depth int) float64 {
	if depth == 2 {
		return 0.2
	}
	return 0
}

// Turning the block turns every place about its own, and nothing else.
func TestTurnedBlocks(t *testing.T) {
	b := Block{Name: "a", Shape: Arc, Count: 5, SpacingM: 1.6, ArcRad: 1.1, Depth: 2, DepthM: 1.4, RowCount: 2, At: engine.Point{X: 3, Y: -2, Z: 0.4}}
	straight := expanded(t, b)
	b.FacingRad = -2.2
	turned := expanded(t, b)
	if !reflect.DeepEqual(straight.Outputs, turned.Outputs) {
		t.Error("the outputs changed")
	}
	for i, src := range straight.Sources {
		r, phi := math.Hypot(src.At.X-3, src.At.Y+2), math.Atan2(src.At.Y+2, src.At.X-3)
		near(t, "x", turned.Sources[i].At.X, 3+r*math.Cos(phi-2.2), 1e-12)
		near(t, "y", turned.Sources[i].At.Y, -2+r*math.Sin(phi-2.2), 1e-12)
		near(t, "z", turned.Sources[i].At.Z, 0.4, 0)
	}
}

// Air that makes no speed of sound is told by the site's own check; here it
// must only not make delays of it.
func TestAirWithoutSpeed(t *testing.T) {
	for _, a := range []engine.Air{{TemperatureC: math.NaN()}, {TemperatureC: -400, PressurePa: 1e5}} {
		p, found := Expand(Layout{Blocks: []Block{{Name: "a", Shape: DelayedArc, Count: 3, SpacingM: 2, ArcRad: 1, Depth: 3, DepthM: 1}}}, nil, a)
		if found != nil || len(p.Outputs) != 9 {
			t.Fatalf("got %v, %v", p, found)
		}
		for _, o := range p.Outputs {
			near(t, "bend", o.BendSec, 0, 0)
		}
	}
}

// Whatever is expanded without a problem makes a site without one.
func TestPlacedSitesHaveNoProblems(t *testing.T) {
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, seed))
	placed := 0
	for range 2000 {
		b := anyBlock(rng)
		b.Name = "a"
		p, found := Expand(Layout{Blocks: []Block{b, {Name: "b", Shape: Single, At: engine.Point{X: 300}}}}, nil, mild)
		if found != nil {
			continue
		}
		placed++
		site := engine.Site{
			Air: mild, Target: engine.Target{NullHz: 50, Range: engine.Band{LowHz: 30, HighHz: 70}},
			Limits: engine.Limits{NullDepthDB: 20, NullOffsetHz: 1, SumShortfallDB: 2}, TestSignal: engine.TestSignal{PeriodSec: 0.5, Band: engine.Band{LowHz: 20, HighHz: 120}},
			Wiring: engine.Wiring{Profile: "p", Address: "a"}, Groups: p.Groups, Outputs: p.Outputs, Sources: p.Sources,
			Microphones: []engine.Microphone{{Name: "f", Role: engine.RoleFront, At: engine.Point{X: 900}}, {Name: "r", Role: engine.RoleRear, At: engine.Point{X: -900}}},
			Zones: []engine.Zone{
				{Name: "z", Kind: engine.ZoneAudience, Corners: []engine.Point{{}, {X: 1}, {Y: 1}}}, {Name: "q", Kind: engine.ZoneQuiet, Corners: []engine.Point{{}, {X: 1}, {Y: 1}}}},
		}
		for _, problem := range site.Problems() {
			if !strings.Contains(problem.Got, "from source") { // a mirrored block may stand in its own image
				t.Errorf("seed %d, %+v: %v", seed, b, problem)
			}
		}
	}
	if placed < 100 {
		t.Errorf("only %d of 2000 were placed", placed)
	}
}

// anyBlock is as likely wrong as right.
func anyBlock(rng *rand.Rand) Block {
	pick := func(values ...float64) float64 { return values[rng.IntN(len(values))] }
	count := func(values ...int) int { return values[rng.IntN(len(values))] }
	shapes := []Shape{Single, Line, Arc, DelayedArc}
	treatments := []engine.Treatment{"", engine.TreatNull, engine.TreatEndFire, engine.TreatGradient, engine.TreatPlain}
	b := Block{
		At: engine.Point{X: pick(0, 3), Y: pick(0, 9)}, FacingRad: pick(0, 0.3, -6), Mirrored: rng.IntN(3) == 0,
		Shape: shapes[rng.IntN(4)], Count: count(1, 1, 3, 8), SpacingM: pick(0, 1.9, 0.6), ArcRad: pick(0, 0.5, 2),
		Depth: count(1, 2, 2, 3), DepthM: pick(0, 1.5), RowCount: count(0, 1, 2), ForwardM: pick(0, 0.7),
		Treatment: treatments[rng.IntN(5)], FirstOutput: count(0, 1, 40), PerRow: rng.IntN(2) == 0,
	}
	if b.Depth < 2 {
		b.DepthM, b.RowCount, b.ForwardM = 0, 0, 0
	}
	return b
}
