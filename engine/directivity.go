package engine

import (
	"math"
	"sort"
)

// Directivity is the level of a cabinet over the angle from where it faces and
// over frequency, relative to a source of the same drive that plays the same
// in all directions. LevelDB[i][j] belongs to FreqHz[i] and AngleRad[j]. Both
// axes ascend, the angle from 0 to π; the pattern is round about the facing.
// Phase is not described. The zero value is 0 dB everywhere.
type Directivity struct {
	FreqHz, AngleRad []float64
	LevelDB          [][]float64
}

// Flat reports whether the cabinet plays the same in all directions.
func (d Directivity) Flat() bool { return len(d.FreqHz) == 0 }

// Ratio is the amplitude ratio at an angle in 0..π and a frequency in hertz:
// the level is linear in the angle and in the logarithm of the frequency
// between the table's entries, and held at its ends.
func (d Directivity) Ratio(angleRad, freqHz float64) float64 {
	if d.Flat() {
		return 1
	}
	j, v := place(d.AngleRad, angleRad, func(x float64) float64 { return x })
	i, u := place(d.FreqHz, freqHz, math.Log)
	across := func(row []float64) float64 { return row[j]*(1-v) + row[min(j+1, len(row)-1)]*v }
	low, high := d.LevelDB[i], d.LevelDB[min(i+1, len(d.LevelDB)-1)]
	return Ratio(across(low)*(1-u) + across(high)*u)
}

// place is where x lies on an ascending axis: after entry i, and how far on the
// way to the next, 0 to 1, on the given scale.
func place(axis []float64, x float64, scale func(float64) float64) (i int, part float64) {
	i = sort.SearchFloat64s(axis, x) - 1
	switch {
	case i < 0:
		return 0, 0
	case i >= len(axis)-1:
		return len(axis) - 1, 0
	}
	return i, (scale(x) - scale(axis[i])) / (scale(axis[i+1]) - scale(axis[i]))
}
