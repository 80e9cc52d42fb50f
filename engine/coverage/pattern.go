package coverage

import (
	"fmt"
	"math"
	"math/cmplx"

	"hushback/engine"
	"hushback/engine/field"
)

// Polar is a pattern for a picture: LevelDB[i][j] is the level at FreqHz[i] in
// the direction AngleRad[j], counter-clockwise from +x, against the loudest of
// the same frequency's levels; at least engine.FloorDB.
type Polar struct {
	FreqHz   []float64
	AngleRad []float64
	LevelDB  [][]float64
}

// maxDirections of a picture: a tenth of a degree.
const maxDirections = 3600

// Pattern is the far field of a site in n directions in equal steps all the way
// round, the first of them +x. It finds no peaks between them.
//
// Errors: fewer than 4 or more than 3600 directions, silence all round, and
// those of Openings.
func Pattern(site engine.Site, sheet engine.Sheet, freqHz []float64, n int) (Polar, error) {
	p, err := pattern(site, sheet, freqHz, n)
	if err != nil {
		return Polar{}, fmt.Errorf("pattern: %w", err)
	}
	return p, nil
}

func pattern(site engine.Site, sheet engine.Sheet, freqHz []float64, n int) (Polar, error) {
	if n < 4 || n > maxDirections {
		return Polar{}, fmt.Errorf("got %d directions, want 4 to %d", n, maxDirections)
	}
	v := view{site: site, sheet: sheet}
	if err := v.check(freqHz); err != nil {
		return Polar{}, err
	}
	polar := Polar{FreqHz: freqHz, AngleRad: make([]float64, n), LevelDB: make([][]float64, len(freqHz))}
	for j := range polar.AngleRad {
		polar.AngleRad[j] = 2 * math.Pi * float64(j) / float64(n)
	}
	pressures, err := field.FarField(site, sheet, polar.AngleRad, freqHz)
	if err != nil {
		return Polar{}, err
	}
	for i, row := range pressures {
		loudest := 0.0
		for _, p := range row {
			loudest = math.Max(loudest, cmplx.Abs(p))
		}
		if loudest == 0 {
			return Polar{}, fmt.Errorf("at %g Hz nothing plays in any direction", freqHz[i])
		}
		polar.LevelDB[i] = make([]float64, n)
		for j, p := range row {
			polar.LevelDB[i][j] = engine.DB(cmplx.Abs(p) / loudest)
		}
	}
	return polar, nil
}
