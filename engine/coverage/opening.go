// Package coverage works out how wide an array plays, and what arc, delay or
// spacing it takes to make it play wider, narrower or without side lobes.
//
// All of it is about the array's own pattern in the horizontal plane, far away
// from it and without ground and walls: the one thing about an array that does
// not depend on where somebody stands.
package coverage

import (
	"fmt"
	"math"

	"hushback/engine"
	"hushback/engine/field"
)

// edgeDB is where coverage ends, against the level on the axis.
const edgeDB = -6

// Opening is the width of coverage at one frequency: the angle between the
// directions on both sides of the axis where the level has first fallen 6 dB
// below the level on it, walking outwards. It is lost where the level never
// falls that far on the way to straight behind, on one side or on both: what
// plays there all the way round covers nothing in particular.
type Opening struct {
	FreqHz   float64 `json:"freq_hz"`
	AngleRad float64 `json:"angle_rad"` // 2π where it never falls that far: no control
	LeftRad  float64 `json:"left_rad"`  // from the axis to the left edge; π: none on this side
	RightRad float64 `json:"right_rad"`
}

// Openings is the coverage about an axis (counter-clockwise from +x) at each
// frequency. The level is looked at eight times in the shortest ripple that an
// array of this extent can have, and in a dip between two looks as deep as it
// takes; the edge itself is found as a root, to 1e-9 rad.
//
// Errors: no or too many sources, an axis or a frequency that is not a number,
// an array of more than 1000 wavelengths, silence on the axis, and what
// field.FarField refuses.
func Openings(site engine.Site, sheet engine.Sheet, axisRad float64, freqHz []float64) ([]Opening, error) {
	openings, err := openingsTo(edgeDB, site, sheet, axisRad, freqHz)
	if err != nil {
		return nil, fmt.Errorf("coverage: %w", err)
	}
	return openings, nil
}

func openingsTo(levelDB float64, site engine.Site, sheet engine.Sheet, axisRad float64, freqHz []float64) ([]Opening, error) {
	v := view{site, sheet, axisRad}
	turns, err := v.turns(freqHz, math.Pi)
	if err != nil {
		return nil, err
	}
	left, err := v.edges(levelDB, +1, turns, freqHz)
	if err != nil {
		return nil, err
	}
	right, err := v.edges(levelDB, -1, turns, freqHz)
	if err != nil {
		return nil, err
	}
	openings := make([]Opening, len(freqHz))
	for i, f := range freqHz {
		openings[i] = Opening{FreqHz: f, AngleRad: left[i] + right[i], LeftRad: left[i], RightRad: right[i]}
		if left[i] == math.Pi || right[i] == math.Pi {
			openings[i].AngleRad = 2 * math.Pi
		}
	}
	return openings, nil
}

// view is a site's far field, seen from its axis.
type view struct {
	site    engine.Site
	sheet   engine.Sheet
	axisRad float64
}

// powers are squared magnitudes, [frequency][turn], turn radians from the axis
// to the left (side +1) or to the right (side -1).
func (v view) powers(side float64, turns, freqHz []float64) ([][]float64, error) {
	angles := make([]float64, len(turns))
	for i, t := range turns {
		angles[i] = v.axisRad + side*t
	}
	pressures, err := field.FarField(v.site, v.sheet, angles, freqHz)
	if err != nil {
		return nil, err
	}
	powers := make([][]float64, len(freqHz))
	for i, row := range pressures {
		powers[i] = make([]float64, len(row))
		for j, p := range row {
			powers[i][j] = real(p)*real(p) + imag(p)*imag(p)
		}
	}
	return powers, nil
}

// edges is, for each frequency, how far from the axis the level has fallen by
// levelDB on one side, π where it never does.
func (v view) edges(levelDB, side float64, turns, freqHz []float64) ([]float64, error) {
	powers, err := v.powers(side, turns, freqHz)
	if err != nil {
		return nil, err
	}
	edges := make([]float64, len(freqHz))
	for i, f := range freqHz {
		edges[i], err = v.edge(levelDB, side, turns, powers[i], f)
		if err != nil {
			return nil, err
		}
	}
	return edges, nil
}

// edge is edges at one frequency, whose powers at the turns are known.
func (v view) edge(levelDB, side float64, turns, powers []float64, freqHz float64) (float64, error) {
	if silent(powers) {
		return 0, fmt.Errorf("at %g Hz nothing plays on the axis, so no level falls against it", freqHz)
	}
	wanted := powers[0] * math.Pow(10, levelDB/10)
	var failed error
	power := v.power(side, freqHz, &failed)
	excess := func(turn float64) float64 { return power(turn) - wanted }
	looked := make([]float64, len(powers))
	for i, p := range powers {
		looked[i] = p - wanted
	}
	at, ok := falls(turns, looked, excess)
	if !ok {
		at = math.Pi
	}
	return at, failed
}

// power is powers for one turn at a time; what goes wrong is left in failed.
func (v view) power(side, freqHz float64, failed *error) func(turn float64) float64 {
	return func(turn float64) float64 {
		p, err := v.powers(side, []float64{turn}, []float64{freqHz})
		if err != nil {
			*failed = err
			return 0
		}
		return p[0][0]
	}
}

// silent reports whether the first of some powers is nothing beside the
// loudest.
func silent(powers []float64) bool {
	loudest := 0.0
	for _, p := range powers {
		loudest = math.Max(loudest, p)
	}
	return !(powers[0] > loudest*math.Pow(10, engine.FloorDB/10))
}
