package layout

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"hushback/engine"
)

// deep is a layout without problems that says something about everything; the
// second block is one of free sources. Tests spoil copies of it.
func deep() Layout {
	return Layout{Name: "wide", Blocks: []Block{
		{Name: "main", At: engine.Point{X: 2, Y: 6, Z: 0.3}, FacingRad: 0.1, Mirrored: true, Cabinet: "crate", LevelDB: -1, Shape: Arc, Count: 4, SpacingM: 1.5, ArcRad: 0.9,
			Depth: 2, DepthM: 1.8, RowCount: 2, ForwardM: 0.3, Treatment: engine.TreatEndFire, FirstOutput: 3, MaxGainDB: -2},
		{Name: "own", Shape: Free, Free: []engine.Source{{Name: "x", Row: engine.RowFront, Output: 1}, {Name: "y", Row: engine.RowRear, Output: 2}}},
	}}
}

// Each row breaks one thing and names the one problem that must come of it.
func TestEveryDefectOfALayoutIsNamed(t *testing.T) {
	nan := math.NaN()
	tests := []struct {
		spoil func(main, own *Block)
		want  string // PATH: got GOT
	}{
		{func(m, _ *Block) { m.Name = "" }, "blocks[0].name: got nothing"},
		{func(_, o *Block) { o.Name = "main" }, `blocks[1].name: got "main" a second time`},
		{func(_, o *Block) { o.Free[0].Name = "main left rear no. 1" }, `blocks[1].name: got "own", which makes a second source named "main left rear no. 1"`},
		{func(m, _ *Block) { m.At.Z = nan }, "blocks[0].at: got NaN m"},
		{func(m, _ *Block) { m.At.X = -1001 }, "blocks[0].at: got -1001 m"},
		{func(m, _ *Block) { m.At.Y = 0 }, "blocks[0].at: got a mirrored block at y = 0 m, want the left one"},
		{func(m, _ *Block) { m.FacingRad = 7 }, "blocks[0].facing: got 401.07°"},
		{func(m, _ *Block) { m.Cabinet = "barrel" }, `blocks[0].cabinet: got "barrel"`},
		{func(m, _ *Block) { m.LevelDB = nan }, "blocks[0].level: got NaN dB"},
		{func(m, _ *Block) { m.MaxGainDB = 61 }, "blocks[0].max_gain: got 61 dB"},
		{func(_, o *Block) { o.MaxGainDB = math.Inf(-1) }, "blocks[1].max_gain: got -Inf dB"},
		{func(m, _ *Block) { m.Shape = "heap" }, `blocks[0].shape: got "heap", want "single", "line", "arc", "delayed-arc" or "free"`},
		{func(m, _ *Block) { m.Count = 0 }, "blocks[0].count: got 0, want 3 to 64"},
		{func(m, _ *Block) { m.Count = 2 }, "blocks[0].count: got 2, want 3 to 64"},
		{func(m, _ *Block) { m.Count = 10000 }, "blocks[0].count: got 10000, want 3 to 64"},
		{func(m, _ *Block) { m.Shape, m.ArcRad, m.Count = Line, 0, -1 }, "blocks[0].count: got -1, want 1 to 64"},
		{func(m, _ *Block) { m.Shape, m.ArcRad = Single, 0 }, "blocks[0].count: got 4, want 0 to 1"},
		{func(m, _ *Block) { m.SpacingM = 0 }, "blocks[0].spacing: got 0 m, want 0.1 to 100 m"},
		{func(m, _ *Block) { m.SpacingM = -1.5 }, "blocks[0].spacing: got -1.5 m"},
		{func(m, _ *Block) { m.SpacingM = nan }, "blocks[0].spacing: got NaN m"},
		{func(m, _ *Block) { m.Shape, m.ArcRad, m.Count, m.RowCount = Single, 0, 1, 0 }, "blocks[0].spacing: got 1.5 m, want none with a row of one cabinet"},
		{func(m, _ *Block) { m.ArcRad = 0 }, "blocks[0].arc: got 0°, want more than 0° and at most 270°, where 4 cabinets close the circle"},
		{func(m, _ *Block) { m.ArcRad = 271 * degree }, "blocks[0].arc: got 271°"},
		{func(m, _ *Block) { m.ArcRad = 3 * math.Pi }, "blocks[0].arc: got 540°"},
		{func(m, _ *Block) { m.ArcRad = -1 }, "blocks[0].arc: got -57.2958°"},
		{func(m, _ *Block) { m.ArcRad = nan }, "blocks[0].arc: got NaN°"},
		{func(m, _ *Block) { m.Shape = Line }, "blocks[0].arc: got 51.5662°, want none in a straight row"},
		{func(m, _ *Block) { m.Depth = -1 }, "blocks[0].rows: got -1, want 0 to 64"},
		{func(m, _ *Block) { m.Depth = 65 }, "blocks[0].rows: got 65"},
		{func(m, _ *Block) { m.DepthM = 0 }, "blocks[0].depth: got 0 m, want 0.1 to 100 m"},
		{func(m, _ *Block) { m.DepthM = -1.9 }, "blocks[0].depth: got -1.9 m"},
		{func(m, _ *Block) { m.RowCount = 65 }, "blocks[0].row_count: got 65"},
		{func(m, _ *Block) { m.RowCount = -1 }, "blocks[0].row_count: got -1"},
		{func(m, _ *Block) { m.ForwardM = -0.3 }, "blocks[0].forward: got -0.3 m, want 0 to 100 m"},
		{func(m, _ *Block) { m.ForwardM = nan }, "blocks[0].forward: got NaN m"},
		{func(m, _ *Block) { flat(m); m.DepthM = 1.8 }, "blocks[0].depth: got 1.8 m, want none with a single row"},
		{func(m, _ *Block) { flat(m); m.RowCount = 1 }, "blocks[0].row_count: got 1, want none with a single row"},
		{func(m, _ *Block) { flat(m); m.ForwardM = 1 }, "blocks[0].forward: got 1 m, want none with a single row"},
		{func(m, _ *Block) { flat(m); m.Treatment = engine.TreatNull }, `blocks[0].treatment: got "null" for a single row, want two rows or more, or plain`},
		{func(m, _ *Block) { flat(m); m.Treatment = engine.TreatGradient }, `blocks[0].treatment: got "gradient" for a single row`},
		{func(m, _ *Block) { m.Depth, m.Treatment = 3, engine.TreatGradient }, `blocks[0].treatment: got "gradient" for 3 rows, want exactly two rows`},
		{func(m, _ *Block) { m.Treatment = "salt" }, `blocks[0].treatment: got "salt"`},
		{func(_, o *Block) { o.Free, o.Treatment = o.Free[:1], engine.TreatEndFire }, `blocks[1].treatment: got "end-fire" for sources of one row`},
		{func(m, _ *Block) { m.FirstOutput = -1 }, "blocks[0].first_output: got -1"},
		{func(m, _ *Block) { m.FirstOutput = math.MaxInt }, "blocks[0].first_output: got 9223372036854775807"},
		{func(m, _ *Block) { m.Shape, m.PerRow = DelayedArc, true }, "blocks[0].per_row: got one output a row for an arc made by delay"},
		{func(_, o *Block) { o.Free = nil }, "blocks[1].sources: got 0, want 1 to 64"},
		{func(_, o *Block) { o.Free = slices.Repeat(o.Free, 5000) }, "blocks[1].sources: got 10000, want 1 to 64"},
		{func(_, o *Block) { o.Free[1].Output = 0 }, "blocks[1].sources[1].output: got 0"},
		{func(_, o *Block) { o.Free[1].Output = 4 }, `blocks[1].sources: got output 4, which block "main" uses`},
		{func(_, o *Block) { o.SpacingM = 2 }, "blocks[1].spacing: got a value, want none in a free block"},
		{func(_, o *Block) { o.PerRow = true }, "blocks[1].per_row: got a value"},
		{func(_, o *Block) { o.At.Y = nan }, "blocks[1].at: got a value"},
		{func(_, o *Block) { *o = Block{Name: "fill", Shape: Single, FirstOutput: 14} }, `blocks[1].first_output: got output 14, which block "main" uses`},
		{func(m, _ *Block) { m.Depth, m.RowCount = 16, 2 }, "blocks: got 70 cabinets in all, want at most 64"},
	}
	for _, test := range tests {
		l := deep()
		test.spoil(&l.Blocks[0], &l.Blocks[1])
		placed, found := Expand(l, kinds, mild)
		if len(found) != 1 || !strings.HasPrefix(found[0].String(), test.want) || found[0].Want == "" {
			t.Errorf("got %v, want one problem that starts %q", found, test.want)
		}
		if placed.Groups != nil || placed.Outputs != nil || placed.Sources != nil {
			t.Errorf("%q came with %+v", test.want, placed)
		}
	}
	if _, found := Expand(deep(), kinds, mild); found != nil {
		t.Errorf("unspoilt: got %v", found)
	}
}

// flat takes the rows behind the front one away.
func flat(b *Block) { b.Depth, b.DepthM, b.RowCount, b.ForwardM, b.Treatment = 1, 0, 0, 0, "" }

func TestNoBlocksAndTooMany(t *testing.T) {
	for _, blocks := range [][]Block{nil, slices.Repeat(deep().Blocks, 5000)} {
		if _, found := Expand(Layout{Blocks: blocks}, kinds, mild); len(found) != 1 || found[0].Path != "blocks" {
			t.Errorf("%d blocks: got %v", len(blocks), found)
		}
	}
}

// Several things wrong are all told, in the order of the blocks.
func TestAllProblemsOfALayoutComeAtOnce(t *testing.T) {
	l := deep()
	l.Blocks[0].SpacingM, l.Blocks[0].Treatment, l.Blocks[1].Name = -1, "salt", ""
	_, found := Expand(l, kinds, mild)
	var paths []string
	for _, p := range found {
		paths = append(paths, p.Path)
	}
	if want := []string{"blocks[0].spacing", "blocks[0].treatment", "blocks[1].name"}; !slices.Equal(paths, want) {
		t.Errorf("got %v, want %v", paths, want)
	}
}

// Nothing that can be written into a block panics, hangs, or places a source
// somewhere that is no place.
func TestAnythingExpandsOrIsRefused(t *testing.T) {
	const seed = 17
	rng := rand.New(rand.NewPCG(seed, seed))
	odd := []float64{0, -1, 1.9, 1e-300, 1e300, math.NaN(), math.Inf(1), math.Inf(-1), 2 * math.Pi, 0.1}
	placed := 0
	for range 20000 {
		b := anyBlock(rng)
		b.Name = "a"
		for _, v := range []*float64{&b.At.X, &b.At.Y, &b.At.Z, &b.FacingRad, &b.LevelDB, &b.SpacingM, &b.ArcRad, &b.DepthM, &b.ForwardM, &b.MaxGainDB} {
			if rng.IntN(8) == 0 {
				*v = odd[rng.IntN(len(odd))]
			}
		}
		p, found := Expand(Layout{Blocks: []Block{b}}, nil, mild)
		if (len(found) == 0) != (len(p.Sources) > 0) {
			t.Fatalf("seed %d, %+v: %d sources, problems %v", seed, b, len(p.Sources), found)
		}
		for _, src := range p.Sources {
			placed++
			if sum := src.At.X + src.At.Y + src.At.Z + src.FacingRad; math.IsNaN(sum) || math.IsInf(sum, 0) {
				t.Fatalf("seed %d, %+v: %+v", seed, b, src)
			}
		}
	}
	if placed == 0 {
		t.Error("nothing was placed")
	}
}
