package coverage

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"hushback/engine"
)

// Levels are against the loudest of each frequency, in the directions they say.
func TestPatternAgainstPlainSums(t *testing.T) {
	const seed, n = 41, 72
	rng := rand.New(rand.NewPCG(seed, seed))
	freq := []float64{33, 58}
	for range 20 {
		site, sheet := motley(rng)
		p, err := Pattern(site, sheet, freq, n)
		if err != nil {
			t.Fatal(err)
		}
		if len(p.AngleRad) != n || len(p.LevelDB) != 2 || p.FreqHz[1] != 58 {
			t.Fatalf("%d angles, %d frequencies", len(p.AngleRad), len(p.LevelDB))
		}
		for i, hz := range freq {
			loudest := math.Inf(-1)
			for j := range n {
				loudest = math.Max(loudest, heard(site, sheet, 2*math.Pi*float64(j)/n, hz))
			}
			for j, angle := range p.AngleRad {
				near(t, "angle", angle, 2*math.Pi*float64(j)/n, 1e-12)
				near(t, "level", p.LevelDB[i][j], heard(site, sheet, angle, hz)-loudest, 1e-8)
			}
		}
	}
}

// A null has a level that can be drawn.
func TestPatternFloor(t *testing.T) {
	site, sheet := yard([]engine.Point{{Y: 1}, {Y: -1}})
	sheet.Settings[0].Polarity = -1
	p, err := Pattern(site, sheet, []float64{60}, 4)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "on the axis", p.LevelDB[0][0], engine.FloorDB, 0)
	near(t, "to the side", p.LevelDB[0][1], 0, 1e-9)
}

func TestPatternRefuses(t *testing.T) {
	site, sheet := yard([]engine.Point{{Y: 1}, {Y: -1}})
	muted := engine.Sheet{Settings: []engine.Setting{{Output: 1, Muted: true}, {Output: 2, Muted: true}}}
	far := site
	far.Sources = append([]engine.Source{{Name: "far", Output: 1, At: engine.Point{X: 1e9}}}, site.Sources...)
	for _, test := range []struct {
		site  engine.Site
		sheet engine.Sheet
		freq  []float64
		n     int
		want  string
	}{
		{site, sheet, []float64{50}, 3, "got 3 directions, want 4 to 3600"},
		{site, sheet, []float64{50}, 10000, "got 10000 directions"},
		{site, sheet, []float64{50, math.NaN()}, 36, "got a frequency of NaN Hz"},
		{engine.Site{Air: yardAir()}, sheet, []float64{50}, 36, "got 0 sources"},
		{site, engine.Sheet{}, []float64{50}, 36, "output 1"},
		{site, muted, []float64{50}, 36, "at 50 Hz nothing plays in any direction"},
		{far, sheet, []float64{50}, 36, "wavelengths across at 50 Hz"},
	} {
		p, err := Pattern(test.site, test.sheet, test.freq, test.n)
		if err == nil || !strings.HasPrefix(err.Error(), "pattern: ") || !strings.Contains(err.Error(), test.want) {
			t.Errorf("got %v, %v, want %q", p, err, test.want)
		}
	}
}
